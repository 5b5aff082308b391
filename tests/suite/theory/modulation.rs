use super::bins;
use plumbtone_theory::modulation::{
    PitchModulation, amplitude_lines, index, width_sideband, width_sideband_first_order,
};
use plumbtone_theory::{Complex64, bessel, tables};
use std::f64::consts::{LN_2, PI, TAU};

/// The product itself, transformed.
#[test]
fn amplitude_sidebands_match_the_transform() {
    const COUNT: u32 = 1024;
    for depth in [0.01, 0.3, 1.0] {
        let lines = bins((0..COUNT).map(|i| {
            let phase = TAU * f64::from(i) / f64::from(COUNT);
            (100.0 * phase).sin() * (1.0 + depth * (7.0 * phase).sin())
        }));
        let (carrier, sideband) = amplitude_lines(depth);
        for (bin, amplitude) in [(100, carrier), (93, sideband), (107, sideband)] {
            assert!((2.0 * lines[bin].norm() - amplitude).abs() < 1e-13, "{depth} at {bin}");
        }
    }
}

/// Integral over the modulating cycle of the coefficient of a pulse, `(1 - exp(-i 2 pi k d)) /
/// (i pi k)`, by the trapezoidal rule, exact for a function this smooth.
#[test]
fn width_sidebands_match_the_integral() {
    const COUNT: u32 = 512;
    for (width, deviation) in [(0.5, 0.2), (0.37, 0.01), (0.3, 0.29)] {
        for harmonic in [1_u32, 2, 7] {
            let k = f64::from(harmonic);
            let coefficients = (0..COUNT).map(|i| {
                let place = TAU * f64::from(i) / f64::from(COUNT);
                let d = width + deviation * place.sin();
                (1.0 - Complex64::cis(-TAU * k * d)) / (Complex64::I * PI * k)
            });
            let mut lines: Vec<Complex64> = coefficients.collect();
            rustfft::FftPlanner::new().plan_fft_forward(COUNT as usize).process(&mut lines);
            for order in 1..=8 {
                for (signed, bin) in [(order, order as usize), (-order, (512 - order) as usize)] {
                    let found = 2.0 * lines[bin].norm() / f64::from(COUNT);
                    let line = width_sideband(harmonic, signed, deviation).abs();
                    assert!((found - line).abs() < 1e-14, "{harmonic} {signed}: {found} {line}");
                }
            }
        }
    }
    // First order: 1 - (pi k deviation)^2 / 2 of it.
    let exact = width_sideband(3, 1, 0.001);
    let first = width_sideband_first_order(0.001);
    let expected = 1.0 - (3.0 * PI * 0.001_f64).powi(2) / 2.0;
    assert!((exact / first - expected).abs() < 1e-9, "{exact} {first}");
}

/// Index from deviation and rate: at 2.4048 times the rate the carrier is gone (first zero of J_0,
/// Abramowitz & Stegun 1964, from memory).
#[test]
fn index_is_deviation_over_rate() {
    assert_eq!(index(150.0, 100.0).unwrap(), 1.5);
    let null = index(2.404_825_557_7 * 5.0, 5.0).unwrap();
    assert!(bessel::jn(0, null).abs() < 1e-10);
    assert!(index(1.0, 0.0).is_err());
}

/// `reference-tables/modulation-index`, 20 digits. The sum adds at most 60 terms, all positive,
/// and `depth ln 2` is off by an ulp, which moves `exp` by its argument.
#[test]
fn pitch_modulation_matches_the_table() {
    let rows = tables::modulation_index().unwrap();
    assert_eq!(rows.len(), 40);
    for (depth, n, ratio) in rows {
        let modulation = PitchModulation::new(depth).unwrap();
        let found = if n == 0 { modulation.mean_ratio() } else { modulation.deviation_ratio(n) };
        let relative = (found / ratio - 1.0).abs();
        let allowed = (20.0 + depth) * f64::EPSILON;
        assert!(relative <= allowed, "{depth} octaves, n = {n}: {relative:e}");
    }
}

/// The mean of the frequency itself over a cycle, and its swing.
#[test]
fn pitch_modulation_averages_to_its_mean() {
    for depth in [0.01, 0.5, 2.0] {
        let modulation = PitchModulation::new(depth).unwrap();
        let at = |i: u32| modulation.instantaneous_hz(-1.0, f64::from(i) / 256.0);
        let mean = (0..256).map(at).sum::<f64>() / 256.0;
        assert!((mean / 220.0 - modulation.mean_ratio()).abs() < 1e-13, "{depth}: {mean}");
        assert!((at(64) / 220.0 - depth.exp2()).abs() < 1e-13);
        assert!((at(192) / 220.0 - (-depth).exp2()).abs() < 1e-13);
    }
    // Small depths: 1200/ln 2 * (depth ln 2)^2 / 4 cents sharp, first deviation depth ln 2.
    let small = PitchModulation::new(0.01).unwrap();
    let expected = 300.0 * LN_2 * 1e-4;
    assert!((small.mean_cents() / expected - 1.0).abs() < 1e-4, "{}", small.mean_cents());
    assert!((small.deviation_ratio(1) / (0.01 * LN_2) - 1.0).abs() < 1e-5);
    assert!(PitchModulation::new(20.1).is_err() && PitchModulation::new(-0.1).is_err());
}
