//! Cutoffs that come in octaves: key tracking and audio-rate modulation through the pitch law.

use fixed::types::I6F26;
use plumbtone::filter::{FilterSubject, FilterTwin, Passage};
use plumbtone::{Settings, Twin};
use plumbtone_measure::ringing;
use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::control::tracking;
use plumbtone_voice::{Increment, Rate, Resonance, Tuning, frequency};

const RATE: u32 = 48_000;

/// What octaves make of a base in each twin.
fn increment(twin: Twin, base: Increment, octaves: f64) -> Increment {
    match twin {
        Twin::Float => frequency::float::exponential(base, octaves as f32),
        _ => frequency::fixed::exponential(base, I6F26::saturating_from_num(octaves)),
    }
}

fn filtered(twin: Twin, input: &[f64], tunings: Vec<(usize, Tuning)>) -> Vec<f64> {
    let settings = Settings::new();
    let passage = Passage { rate_hz: RATE, settings, input: input.to_vec(), tunings };
    let mut out = vec![0.0; input.len()];
    FilterTwin::named("ladder", twin).unwrap().render(&passage, &mut out).unwrap();
    out
}

/// At 100 % the ladder rings on every key, at 50 % on half of the interval to the pivot.
#[test]
fn key_tracking_carries_the_cutoff_along() {
    const PIVOT: f64 = 60.0;
    let base = Rate::new(RATE).unwrap().increment(key_hz(PIVOT)).unwrap();
    for twin in [Twin::Float, Twin::Fixed] {
        for amount_percent in [100.0, 50.0] {
            let setup = tracking::Setup { amount_percent, pivot: PIVOT };
            for key in (24..=108).step_by(12) {
                let octaves = match twin {
                    Twin::Float => f64::from(tracking::Float::new(&setup).unwrap().octaves(key)),
                    _ => tracking::Fixed::new(&setup).unwrap().octaves(key).to_num(),
                };
                let cutoff = increment(twin, base, octaves);
                let wanted = key_hz(PIVOT + amount_percent / 100.0 * (f64::from(key) - PIVOT));
                let mut input = vec![0.0; (90.0 * f64::from(RATE) / wanted) as usize];
                let strike = (0.25 * f64::from(RATE) / wanted) as usize + 1;
                input[..strike].fill(1.0 / 64.0);
                let tuning = Tuning { cutoff, resonance: Resonance::EDGE };
                let out = filtered(twin, &input, vec![(0, tuning)]);
                let rest = &out[out.len() / 3..];
                let found = ringing::fit(rest, f64::from(RATE), 1).unwrap();
                let cents = 1200.0 * (found.modes[0].hz().value / wanted).log2();
                // A twentieth of a cent of the filter (prewarp.rs), and what the law and f32 octaves
                // of up to 4 may add: 4 · 2^-24 octaves, 2.7e-4 cent of the exponential.
                assert!(
                    cents.abs() <= 0.05 + 1200.0 * 4.0 * 0.5_f64.powi(24) + 2.7e-4,
                    "{twin:?} {amount_percent} % key {key}: {cents} cents"
                );
            }
        }
    }
}

/// Two octaves up and down at 997 Hz: the twins stay with an f64 evaluation that is given the same
/// cutoffs.
#[test]
fn a_cutoff_modulated_at_audio_rate_stays_with_the_exact_evaluation() {
    let base = Rate::new(RATE).unwrap().increment(1_500.0).unwrap();
    let turn = |hz: f64, n: usize| std::f64::consts::TAU * (hz / f64::from(RATE) * n as f64);
    let count = 1 << 15;
    let input: Vec<f64> = (0..count).map(|n| 0.25 * turn(220.0, n).sin()).collect();
    for twin in [Twin::Float, Twin::Fixed] {
        let tunings = |depth: f64| -> Vec<(usize, Tuning)> {
            let resonance = Resonance::new(0.8).unwrap();
            let at = |n: usize| increment(twin, base, depth * turn(997.0, n).sin());
            (0..count).map(|n| (n, Tuning { cutoff: at(n), resonance })).collect()
        };
        let (got, exact) =
            (filtered(twin, &input, tunings(2.0)), filtered(Twin::Exact, &input, tunings(2.0)));
        let apart = |a: &[f64], b: &[f64]| {
            a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0_f64, f64::max)
        };
        // A third of a step of a 16-bit codec.
        assert!(apart(&got, &exact) <= 1e-5, "{twin:?}: {:e}", apart(&got, &exact));
        // And it is no accident: a thousandth of the depth less shows.
        let less = filtered(Twin::Exact, &input, tunings(1.998));
        assert!(apart(&less, &exact) > 1e-4, "{twin:?}");
    }
}
