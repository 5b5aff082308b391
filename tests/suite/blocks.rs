//! The same bits for any partition into blocks, for every start, and for any number of threads.

use crate::common::{TWINS, twins};
use plumbtone::check::{Check, Shape};
use plumbtone::run::{self, Run};
use plumbtone::{Kind, Twin};
use plumbtone_voice::oscillators::{ENTRIES, step_table, wavetable};
use plumbtone_voice::registry::Lend;
use plumbtone_voice::{Age, Drive, Increment, Oscillator, Setup, Shape as Wave, Width};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn fixed_seed(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(20);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

/// Stretches of steady drive, each cut into blocks of its own.
type Score = Vec<(Drive, Vec<usize>)>;

fn score() -> impl Strategy<Value = Score> {
    let drive = (0..=1_u32 << 31, any::<u32>(), proptest::option::of(any::<u32>())).prop_map(
        |(increment, width, sync)| Drive {
            increment: Increment::saturating_from_bits(increment),
            width: Width::saturating_from_bits(width),
            sync: sync.map(Age),
        },
    );
    let blocks = proptest::collection::vec(0..40_usize, 1..8);
    proptest::collection::vec((drive, blocks), 1..6)
}

fn in_blocks<S: Copy + Default>(lend: Lend<S>, setup: &Setup, score: &Score) -> Vec<S> {
    let mut out = Vec::new();
    let mut play = |oscillator: &mut dyn Oscillator<S>| {
        for (drive, blocks) in score {
            for &length in blocks {
                let start = out.len();
                out.resize(start + length, S::default());
                oscillator.process(drive, &mut out[start..]);
            }
        }
    };
    lend(setup, &mut play).unwrap();
    out
}

fn by_samples<S: Copy + Default>(lend: Lend<S>, setup: &Setup, score: &Score) -> Vec<S> {
    let mut out = Vec::new();
    let mut play = |oscillator: &mut dyn Oscillator<S>| {
        for (drive, blocks) in score {
            out.extend((0..blocks.iter().sum::<usize>()).map(|_| oscillator.tick(drive)));
        }
    };
    lend(setup, &mut play).unwrap();
    out
}

proptest! {
    #![proptest_config(fixed_seed(64))]

    #[test]
    fn any_partition_into_blocks_gives_the_same_bits(
        score in score(),
        start in any::<u32>(),
        shape in 0..4_usize,
    ) {
        let setup = Setup {
            shape: Wave::ALL[shape], start, taps: 8, oversampling: 16, length: 256,
            ..Setup::default()
        };
        for entry in ENTRIES {
            let bits = |samples: Vec<f32>| -> Vec<u32> {
                samples.into_iter().map(f32::to_bits).collect()
            };
            let blocks = bits(in_blocks(entry.float, &setup, &score));
            let singles = bits(by_samples(entry.float, &setup, &score));
            prop_assert_eq!(&blocks, &singles, "{} float", entry.name);
            // A new start of the same module.
            prop_assert_eq!(blocks, bits(in_blocks(entry.float, &setup, &score)));
            let blocks = in_blocks(entry.fixed, &setup, &score);
            prop_assert_eq!(&blocks, &by_samples(entry.fixed, &setup, &score), "{} fixed", entry.name);
            prop_assert_eq!(&blocks, &in_blocks(entry.fixed, &setup, &score));
        }
    }
}

/// Tables built over what an earlier start, or nobody, left in the storage.
#[test]
fn tables_do_not_depend_on_what_the_storage_held() {
    let setup = Setup::default();
    let steps = |fill: f32| {
        let mut steps = vec![fill; step_table::MAX_STORAGE];
        let mut corners = steps.clone();
        let encode = |value: f64| value as f32;
        let kernel = step_table::Kernel::build(&mut steps, &mut corners, &setup, encode).unwrap();
        let mut oscillator = step_table::Float::new(&kernel, &setup);
        play(&mut oscillator)
    };
    assert_eq!(steps(0.0), steps(f32::NAN));
    let table = |fill: f32| {
        let mut points = vec![fill; wavetable::MAX_STORAGE];
        let tables = wavetable::Tables::build(&mut points, &setup, |value| value as f32).unwrap();
        play(&mut wavetable::Float::new(&tables, &setup))
    };
    assert_eq!(table(0.0), table(f32::NAN));
}

fn play(oscillator: &mut dyn Oscillator<f32>) -> Vec<u32> {
    let drive = Drive::steady(Increment::saturating_from_bits(123_456_789));
    (0..1000).map(|_| oscillator.tick(&drive).to_bits()).collect()
}

#[test]
fn results_are_the_same_with_one_thread_and_with_several() {
    let checks: Vec<Check> = twins(&["spline4", "wavetable"], &[Twin::Exact], &[Shape::Ramp])
        .into_iter()
        .chain(twins(&["diffpoly4"], &TWINS, &[Shape::Pulse]))
        .map(|check| {
            check
                .keys([33, 45, 69, 93, 105])
                .derived(Kind::Pitch)
                .derived(Kind::Rounding)
                .noted(Kind::Lines)
                .noted(Kind::Audible)
                .noted(Kind::Aliases)
        })
        .collect();
    let text = |jobs| {
        let run = Run { jobs, ..Run::new("threads", checks.clone()) };
        serde_json::to_string(&run::run(&run).unwrap().0).unwrap()
    };
    let alone = text(1);
    assert_eq!(alone, text(2));
    assert_eq!(alone, text(5));
}
