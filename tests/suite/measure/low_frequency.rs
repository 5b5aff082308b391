use super::signals::{Noise, frac};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::low_frequency::LowFrequency;
use plumbtone_measure::reading::{Obstacle, Reading};
use std::f64::consts::{PI, TAU};

const RATE: f64 = 44_100.0;

fn trace(hz: f64, turns: f64, seconds: f64, shape: impl Fn(f64) -> f64) -> Vec<f64> {
    (0..(seconds * RATE) as usize).map(|n| shape(frac(turns, hz / RATE, n))).collect()
}

fn apart(a: f64, b: f64) -> f64 {
    let off = a - b;
    (off - off.round()).abs()
}

#[test]
fn rate_far_finer_than_one_cycle() {
    // From one and a half cycles to fifty in five seconds.
    for hz in [0.3, 0.41, 0.777, 1.3, 5.123, 10.0] {
        let samples = trace(hz, 0.15, 5.0, |p| 0.1 + 0.8 * (TAU * p).sin());
        let found = LowFrequency::of(&samples, RATE, None).unwrap();
        let rate = found.modulation.rate_hz;
        assert_relative_eq!(rate.value, hz, max_relative = 1e-11);
        assert!((rate.value - hz).abs() <= rate.uncertainty.max(1e-13 * hz), "{hz}: {rate:?}");
        assert_relative_eq!(found.modulation.depth.value, 0.8, max_relative = 1e-10);
        assert_abs_diff_eq!(found.mean.value, 0.1, epsilon = 1e-10);
        for event in [0.0, 12_345.0, 200_000.5] {
            let phase = found.phase_at(event);
            let want = (0.15 + hz / RATE * event).rem_euclid(1.0);
            assert!(apart(phase.value, want) <= 1e-10, "{hz} at {event}: {phase:?} {want}");
        }
        if hz > 1.0 {
            // Linear interpolation of a sine that is 8000 samples long or so.
            let crossing = found.crossing_hz.unwrap();
            assert_relative_eq!(crossing.value, hz, max_relative = 1e-7);
        }
    }
}

#[test]
fn shapes_that_jump_are_known_to_a_sample() {
    type Shape = (&'static str, fn(f64) -> f64, f64);
    let shapes: [Shape; 4] = [
        ("up", |p| 2.0 * p - 1.0, 0.5),
        ("down", |p| 1.0 - 2.0 * p, 0.0),
        ("pulse", |p| if p < 0.5 { 1.0 } else { -1.0 }, 0.0),
        ("triangle", |p| 1.0 - 4.0 * (p - 0.5).abs(), 0.75),
    ];
    for (name, shape, ahead) in shapes {
        for hz in [2.37, 4.9, 17.77] {
            let samples = trace(hz, 0.3, 2.0, shape);
            let found = LowFrequency::of(&samples, RATE, None).unwrap();
            let off = |reading: Reading| (reading.value - hz).abs();
            let (rate, fitted) = (found.rate_hz(), found.modulation.rate_hz);
            assert!(off(rate) <= rate.uncertainty, "{name} {hz}: {rate:?}");
            assert!(off(fitted) <= fitted.uncertainty, "{name} {hz}: {fitted:?}");
            // One sample of 2 s, less the cycle before the first rise and behind the last.
            let whole = (2.0 * hz - 1.0).floor() / hz;
            assert!(off(rate) <= hz / (whole * RATE), "{name} {hz}: {rate:?}");
            // Phase of the fundamental. Orders above 12 are left over: 2/(pi k) each, 0.13 rms in
            // all, and of 88 200 values 0.13 sqrt(2/88 200)/(2/pi)/2 pi = 1.5e-4 turns, k = 1.
            let phase = found.phase_at(1000.0);
            let off = apart(phase.value, 0.3 + ahead + hz / RATE * 1000.0);
            assert!(off <= phase.uncertainty, "{name} {hz}: {off:e} {phase:?}");
            assert!(phase.uncertainty <= 6e-4 + hz / RATE, "{name} {hz}: {phase:?}");
        }
    }
    // Amplitude of a triangle's fundamental: 8/pi^2.
    let samples = trace(3.3, 0.0, 2.0, shapes[3].1);
    let found = LowFrequency::of(&samples, RATE, None).unwrap();
    // Orders above 12 left over: 8/(pi k)^2, 0.004 rms in all, 3e-5 of 88 200 values, k = 2.
    let (depth, third) = (found.modulation.depth, found.modulation.third);
    assert!((depth.value - 8.0 / (PI * PI)).abs() <= depth.uncertainty, "{depth:?}");
    assert!((third.value - 1.0 / 9.0).abs() <= third.uncertainty, "{third:?}");
    assert!(depth.uncertainty <= 6e-5 && third.uncertainty <= 8e-5, "{depth:?} {third:?}");
}

#[test]
fn uncertainty_in_noise_is_honest() {
    let mut noise = Noise::seeded(31);
    let (mut rate, mut phase, mut crossing) = (0, 0, 0);
    let trials = 200;
    for trial in 0..trials {
        let (hz, turns) = (50.0 + 0.1 * f64::from(trial), 0.005 * f64::from(trial));
        let mut samples = trace(hz, turns, 0.2, |p| (TAU * p).sin());
        samples.iter_mut().for_each(|x| *x += 1e-3 * noise.gaussian());
        let found = LowFrequency::of(&samples, RATE, None).unwrap();
        let within = |value: f64, doubt: f64| u32::from(value.abs() <= doubt);
        let read = found.modulation.rate_hz;
        rate += within(read.value - hz, read.uncertainty);
        let read = found.phase_at(7000.0);
        phase += within(apart(read.value, turns + hz / RATE * 7000.0), read.uncertainty);
        let read = found.crossing_hz.unwrap();
        crossing += within(read.value - hz, read.uncertainty);
        // Resolution of one cycle in 0.2 s is 5 Hz.
        assert!(found.modulation.rate_hz.uncertainty < 2e-3);
    }
    // 95.45 %, scatter 1.5 %, four of which are granted, and 2 % for the doubt of sigma;
    // ten crossings leave 7 degrees, Student's 2 sigma there is 91.4 %.
    for (name, inside, share) in
        [("rate", rate, 0.9545), ("phase", phase, 0.9545), ("crossing", crossing, 0.914)]
    {
        let found = f64::from(inside) / f64::from(trials);
        assert!((found - share).abs() <= 0.06 + 0.02, "{name}: {found}");
    }
}

#[test]
fn a_rate_wrong_by_a_millionth_is_seen() {
    let samples = trace(6.0 * (1.0 + 1e-6), 0.0, 10.0, |p| (TAU * p).sin());
    let rate = LowFrequency::of(&samples, RATE, None).unwrap().modulation.rate_hz;
    assert!((rate.value - 6.0).abs() > 100.0 * rate.uncertainty, "{rate:?}");
    let known = LowFrequency::of(&samples, RATE, Some(6.000_006)).unwrap();
    assert_eq!(known.modulation.rate_hz.value, 6.000_006);
}

#[test]
fn what_does_not_oscillate() {
    assert!(matches!(LowFrequency::of(&[0.0; 9], RATE, None), Err(Obstacle::TooShort { .. })));
    assert!(matches!(LowFrequency::of(&[0.5; 99], RATE, None), Err(Obstacle::Constant { .. })));
    let mut noise = Noise::seeded(3);
    let hiss: Vec<f64> = (0..4096).map(|_| noise.gaussian()).collect();
    assert_eq!(LowFrequency::of(&hiss, RATE, None).unwrap_err(), Obstacle::NoTone);
    let sine = trace(9.0, 0.0, 1.0, |p| (TAU * p).sin());
    assert!(matches!(LowFrequency::of(&sine, 0.0, None), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(LowFrequency::of(&sine, RATE, Some(-1.0)), Err(Obstacle::OutOfRange { .. })));
}
