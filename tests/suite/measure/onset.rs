use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::onset::{Onsets, Response};
use plumbtone_measure::reading::Obstacle;

/// A trace that starts to rise or fall by turns at the given samples, over 50 samples.
fn trace(len: usize, starts: &[usize]) -> Vec<f64> {
    let turn = |n: usize, i: usize| (n.saturating_sub(starts[i]) as f64 / 50.0).min(1.0);
    (0..len)
        .map(|n| (0..starts.len()).map(|i| turn(n, i) * if i % 2 == 0 { 1.0 } else { -1.0 }).sum())
        .collect()
}

#[test]
fn events_taken_once_a_block_are_spread_over_it() {
    // Events that fall once on each place of a block of B, taken at the block's end: delays
    // 1 to B, each once; mean (B+1)/2, variance (B^2-1)/12 with n in its denominator. What
    // is taken moves one sample later.
    for block in [16usize, 128, 256] {
        let period = 5 * block + 1;
        let events: Vec<usize> = (0..block).map(|i| block + i * period).collect();
        let taken: Vec<usize> = events.iter().map(|e| (e / block + 1) * block).collect();
        let x = trace(period * (block + 2), &taken);
        let got = Onsets::find(&x, &events, Response::Change { least: 1e-9 }).unwrap();
        assert_eq!((got.min, got.max, got.missed), (2, block + 1, 0));
        assert!(got.histogram.values().all(|times| *times == 1));
        assert_eq!(got.histogram.len(), block);
        let b = block as f64;
        assert_relative_eq!(got.mean.value, (b + 1.0) / 2.0 + 1.0, max_relative = 1e-12);
        let spread = ((b * b - 1.0) / 12.0 * b / (b - 1.0)).sqrt();
        assert_relative_eq!(got.deviation.value, spread, max_relative = 1e-12);
        assert_relative_eq!(got.mean.uncertainty, 2.0 * spread / b.sqrt(), max_relative = 1e-12);
    }
}

#[test]
fn one_event_late_by_a_sample_is_jitter() {
    let events: Vec<usize> = (0..100).map(|i| 100 + 200 * i).collect();
    let mut starts = events.clone();
    let steady = trace(21_000, &starts);
    let response = Response::Change { least: 0.0 };
    let got = Onsets::find(&steady, &events, response).unwrap();
    assert_eq!((got.min, got.max, got.deviation.value), (1, 1, 0.0));
    starts[41] += 1;
    let got = Onsets::find(&trace(21_000, &starts), &events, response).unwrap();
    assert_eq!((got.min, got.max, got.delays[41]), (1, 2, Some(2)));
    // One of n off by one: variance (1/n)(1 - 1/n) n/(n-1) = 1/n.
    assert_relative_eq!(got.deviation.value, 0.1, max_relative = 1e-9);
}

#[test]
fn a_threshold_is_crossed_from_the_other_side() {
    // A ramp of 1/50 a sample from the event on: 0.5 is reached 25 samples later.
    let events = [100, 400, 700];
    let x = trace(1000, &[100, 400, 700]);
    let rising = Response::Threshold { level: 0.5, rising: true };
    let got = Onsets::find(&x, &events, rising).unwrap();
    assert_eq!(got.delays, [Some(25), None, Some(25)]);
    assert_eq!(got.missed, 1);
    let falling = Response::Threshold { level: 0.5, rising: false };
    let got = Onsets::find(&x, &[400], falling).unwrap();
    assert_eq!(got.delays, [Some(25)]);
    assert_eq!(got.deviation.uncertainty, f64::INFINITY);
}

#[test]
fn spread_of_random_delays_has_an_honest_uncertainty() {
    // Uniform over 1..=128: mean 64.5, deviation sqrt((128^2-1)/12). 500 trials of 60: a
    // share of 0.9545 scatters by 0.0093; three of that, and Student's 0.5 % below.
    let mut noise = Noise::seeded(8);
    let (mut mean_in, mut spread_in) = (0, 0);
    for _ in 0..500 {
        let events: Vec<usize> = (0..60).map(|i| 10 + 300 * i).collect();
        let starts: Vec<usize> =
            events.iter().map(|e| e + (128.0 * noise.uniform()) as usize).collect();
        let x = trace(18_100, &starts);
        let got = Onsets::find(&x, &events, Response::Change { least: 0.0 }).unwrap();
        let true_spread = ((128.0f64 * 128.0 - 1.0) / 12.0).sqrt();
        mean_in += i32::from((got.mean.value - 64.5).abs() <= got.mean.uncertainty);
        let off = got.deviation.value - true_spread;
        spread_in += i32::from(off.abs() <= got.deviation.uncertainty);
    }
    for inside in [mean_in, spread_in] {
        assert_abs_diff_eq!(f64::from(inside) / 500.0, 0.952, epsilon = 0.033);
    }
}

#[test]
fn what_has_no_onset() {
    let change = Response::Change { least: 0.0 };
    let flat = [0.25; 50];
    let none = Onsets::find(&flat, &[10, 20], change);
    assert_eq!(none, Err(Obstacle::NoResponse { events: 2 }));
    assert!(matches!(Onsets::find(&flat, &[], change), Err(Obstacle::TooShort { .. })));
    assert!(matches!(Onsets::find(&[], &[0], change), Err(Obstacle::TooShort { .. })));
    for events in [&[50usize][..], &[10, 10], &[20, 10]] {
        let got = Onsets::find(&flat, events, change);
        assert!(matches!(got, Err(Obstacle::OutOfRange { .. })), "{events:?}");
    }
    let least = Response::Change { least: f64::NAN };
    assert!(matches!(Onsets::find(&flat, &[1], least), Err(Obstacle::OutOfRange { .. })));
}
