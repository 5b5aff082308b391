use plumbtone_theory::quantizer::{BUSY_ERROR_POWER, RoundedSine, TRIANGULAR_DITHER_ERROR_POWER};
use plumbtone_theory::tables;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// `reference-tables/quantizer-harmonics`: quadrature of the staircase, 20 digits.
#[test]
fn harmonics_and_error_match_the_table() {
    let rows = tables::quantizer_harmonics().unwrap();
    assert_eq!(rows.len(), 40);
    for row in rows {
        let sine = RoundedSine::new(row.amplitude).unwrap();
        let thresholds = (row.amplitude + 0.5).floor();
        // Per threshold: a few ulp of an angle of up to pi/2, times k, over k. The error power is a
        // difference of terms of A^2.
        let (found, allowed) = match row.order {
            0 => (sine.error_power(), 1e-15 * row.amplitude.powi(2).max(1.0)),
            k => (sine.harmonic(k), 1e-15 * thresholds),
        };
        assert!((found - row.value).abs() <= allowed, "{row:?}: {found}");
    }
}

/// Below half a step nothing is left of the sine; at half a step it becomes a square wave.
#[test]
fn half_a_step_is_the_threshold() {
    let gone = RoundedSine::new(0.499).unwrap();
    assert_eq!((gone.harmonic(1), gone.harmonic(3)), (0.0, 0.0));
    assert!((gone.error_power() - 0.499 * 0.499 / 2.0).abs() < 1e-16);
    // 1 step high for the share 1 - 2 asin(0.5/A)/pi of the time.
    let sine = RoundedSine::new(1.0).unwrap();
    for k in [1, 3, 5, 7, 9] {
        let expected = 4.0 / (PI * f64::from(k)) * (f64::from(k) * PI / 6.0).cos();
        assert!((sine.harmonic(k) - expected).abs() < 1e-15, "{k}");
        assert_eq!(sine.harmonic(k + 1), 0.0);
    }
    assert!(RoundedSine::new(-0.1).is_err() && RoundedSine::new(f64::NAN).is_err());
    assert!(RoundedSine::new(1e9).is_err());
}

/// The harmonics add up to the power of the staircase (Parseval): mean square of the rounded sine,
/// here by a million samples in its middle phases. Orders above K hold less than 8 t^2 / (pi^2 K)
/// with t thresholds; the jumps cost the sum half a sample each.
#[test]
fn harmonics_hold_the_power_of_the_staircase() {
    let (amplitude, count) = (3.3_f64, 1_000_000);
    let sine = RoundedSine::new(amplitude).unwrap();
    let samples = (0..count).map(|n| {
        let t = TAU * (f64::from(n) + 0.5) / f64::from(count);
        let x = amplitude * t.sin();
        (x.round() - x).powi(2)
    });
    let error = samples.sum::<f64>() / f64::from(count);
    assert!((sine.error_power() - error).abs() < 12.0 * 0.25 / f64::from(count), "{error}");
    let top = 20_001;
    let lines = (3..=top).step_by(2).map(|k| 0.5 * sine.harmonic(k).powi(2)).sum::<f64>();
    let beyond = 8.0 * 9.0 / (PI * PI * f64::from(top));
    let off = sine.distortion_power() - lines;
    assert!((0.0..beyond).contains(&off), "{off} {beyond}");
}

/// Large sines cross so many steps that their error is nearly even: `1/12`, off by the piece about
/// the crest, where the sine dwells on one step for a share of order `1/sqrt(A)` of the time.
#[test]
fn large_sines_come_close_to_a_twelfth() {
    for amplitude in [100.3, 1_000.7, 32_767.0] {
        let sine = RoundedSine::new(amplitude).unwrap();
        // Half the period within one step of the crest: acos(1 - 1/A) / (pi/2) of the time, in
        // which the error power is anything from 0 to 1/4.
        let dwell = (1.0 - 1.0 / amplitude).acos() / FRAC_PI_2;
        let off = sine.error_power() - BUSY_ERROR_POWER;
        assert!(off.abs() < dwell / 6.0 + 1e-15 * amplitude * amplitude, "{amplitude}: {off}");
        let change = (sine.harmonic(1) - amplitude).abs();
        assert!(change < 0.5 * (2.0 * dwell).sqrt(), "{amplitude}: {change}");
    }
}

/// The mean square of dither and rounding, integrated over the triangle for signals anywhere
/// between two steps: each output level holds a parabola or two of the triangle's mass.
#[test]
fn triangular_dither_leaves_a_quarter() {
    // P(triangle <= x), x from -1 to 1.
    let below = |x: f64| {
        let x = x.clamp(-1.0, 1.0);
        if x < 0.0 { 0.5 * (1.0 + x).powi(2) } else { 1.0 - 0.5 * (1.0 - x).powi(2) }
    };
    for i in 0..=20 {
        let signal = 0.05 * f64::from(i);
        let levels = (-2..=3).map(|level| {
            let level = f64::from(level);
            let mass = below(level + 0.5 - signal) - below(level - 0.5 - signal);
            (level - signal, mass)
        });
        let (mean, square) = levels.fold((0.0, 0.0), |(mean, square), (error, mass)| {
            (mean + error * mass, square + error * error * mass)
        });
        assert!(mean.abs() < 1e-15, "{signal}: {mean}");
        assert!((square - TRIANGULAR_DITHER_ERROR_POWER).abs() < 1e-15, "{signal}: {square}");
    }
}
