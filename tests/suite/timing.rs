//! What blocks of audio cost a contour in time: the delay of its onset as a distribution.

use approx::assert_relative_eq;
use plumbtone::script::{ContourTwin, Controller, Script};
use plumbtone::{Settings, Twin};
use plumbtone_measure::onset::{Onsets, Response};
use plumbtone_theory::onset::Blocks;

/// Events far enough apart for a pluck to die away, one at every place of a block.
fn delays(twin: Twin, block: usize) -> Onsets {
    const APART: usize = 4096;
    let settings =
        Settings::parse("adsr", "attack=0.001 decay=0.002 sustain=0 release=0.002").unwrap();
    let events: Vec<usize> = (0..block).map(|place| APART * (place + 1) + place).collect();
    let mut script = Script::new(48_000, settings, APART * (block + 2));
    for &event in &events {
        script = script.down(event, 0.0, false).up(event + APART / 2);
    }
    let script = script.in_blocks(block);
    let mut trace = vec![0.0; script.length];
    ContourTwin::named("adsr", twin).unwrap().render(&script, &mut trace).unwrap();
    Onsets::find(&trace, &events, Response::Change { least: 0.0 }).unwrap()
}

/// Uniform over the block: mean (B − 1)/2, standard deviation √((B² − 1)/12), at most B − 1. The
/// first step of the contour shows one sample after the event itself.
#[test]
fn blocks_delay_onsets_as_theory_says() {
    for block in [16, 32, 64, 128, 256, 512, 1024] {
        let theory = Blocks::new(block as u32, 48_000.0).unwrap();
        for twin in [Twin::Float, Twin::Fixed] {
            let found = delays(twin, block);
            assert_eq!(found.missed, 0, "{block}");
            assert_eq!((found.min, found.max), (1, block), "{block} {twin:?}");
            assert!(found.histogram.values().all(|&count| count == 1), "{block}");
            let mean_s = (found.mean.value - 1.0) / 48_000.0;
            assert_relative_eq!(mean_s, theory.mean_delay_s(), max_relative = 1e-12);
            // The instrument's n − 1 against the theory's whole population.
            let count = block as f64;
            let rms = found.deviation.value * ((count - 1.0) / count).sqrt() / 48_000.0;
            assert_relative_eq!(rms, theory.jitter_s(), max_relative = 1e-12);
            assert_relative_eq!(
                (found.max - 1) as f64 / 48_000.0,
                theory.worst_delay_s(),
                max_relative = 1e-12
            );
        }
    }
}

#[test]
fn without_blocks_every_onset_comes_at_once() {
    for twin in [Twin::Float, Twin::Fixed] {
        let found = delays(twin, 1);
        assert_eq!((found.min, found.max), (1, 1));
    }
}
