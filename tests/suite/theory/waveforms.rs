use super::{sampled, worst_line_error};
use plumbtone_theory::db;
use plumbtone_theory::fourier::PiecewiseLinear;
use plumbtone_theory::lines::{Capture, Corrected, Lines};
use plumbtone_theory::step_table::IntegratedSinc;
use plumbtone_theory::waveforms::{Correction, DifferentiatedPolynomial, corrected};

/// Samples and periods: 22 Hz, 997 Hz, 7.8 kHz and 21.3 kHz at 44.1 kHz, and a ratio near 1/2.
const CAPTURES: [(u64, u64); 5] =
    [(32_768, 17), (32_768, 741), (32_768, 5795), (32_768, 15_827), (32_768, 16_383)];
const START: f64 = 0.137;

/// Every line within 0.01 dB of its prediction down to -140 dBc, and below that within 0.01 dB
/// of -140 dBc.
fn assert_lines(what: &str, prediction: &impl Lines, capture: &Capture, samples: Vec<f64>) {
    let mut lines = Vec::new();
    prediction.lines(capture, &mut lines);
    let bins = super::bins(samples.into_iter());
    let floor = 1e-7 * lines[1].norm();
    let mut rated = 0;
    for (order, line) in lines.iter().enumerate() {
        let bin = bins[capture.bin_two_sided(order as u64) as usize];
        if line.norm() >= floor {
            rated += 1;
            let error = db((line - bin).norm() / line.norm() + 1.0);
            assert!(error < 0.01, "{what}, order {order}: {error} dB");
        } else {
            assert!((line - bin).norm() < 1.152e-3 * floor, "{what}, order {order} below -140 dBc");
        }
    }
    assert!(rated >= 1, "{what}: nothing rated");
}

fn waves() -> Vec<(&'static str, PiecewiseLinear)> {
    vec![
        ("ramp", PiecewiseLinear::ramp()),
        ("pulse", PiecewiseLinear::pulse(0.3).unwrap()),
        ("narrow pulse", PiecewiseLinear::pulse(0.004).unwrap()),
        ("triangle", PiecewiseLinear::triangle()),
        ("synced ramp", PiecewiseLinear::ramp().hard_synced(2.7).unwrap()),
        ("synced pulse", PiecewiseLinear::pulse(0.3).unwrap().hard_synced(1.9).unwrap()),
        ("synced triangle", PiecewiseLinear::triangle().hard_synced(3.3).unwrap()),
    ]
}

#[test]
fn corrected_waveforms_have_the_predicted_lines() {
    for (samples, periods) in CAPTURES {
        let capture = Capture::new(samples, periods, START, 0.0).unwrap();
        let p = capture.increment();
        for (name, wave) in waves() {
            for correction in [Correction::Naive, Correction::TwoPoint, Correction::FourPoint] {
                let captured = sampled(&capture, START, |phi| corrected(&wave, correction, phi, p));
                let prediction = Corrected::new(&wave, correction.kernel()).unwrap();
                assert_lines(
                    &format!("{name}, {correction:?}, {periods} periods"),
                    &prediction,
                    &capture,
                    captured,
                );
            }
        }
    }
}

#[test]
fn step_table_waveforms_have_the_predicted_lines() {
    let table = IntegratedSinc::new(32, 128, 0.5).unwrap();
    for (samples, periods) in CAPTURES {
        let capture = Capture::new(samples, periods, START, 0.0).unwrap();
        let p = capture.increment();
        for (name, wave) in waves() {
            let correction = Correction::StepTable(&table);
            let captured = sampled(&capture, START, |phi| corrected(&wave, correction, phi, p));
            let prediction = Corrected::new(&wave, correction.kernel()).unwrap();
            assert_lines(&format!("{name}, {periods} periods"), &prediction, &capture, captured);
        }
    }
}

#[test]
fn differentiated_polynomials_have_the_predicted_lines() {
    for (samples, periods) in CAPTURES {
        for order in 2..=4 {
            let polynomial = DifferentiatedPolynomial::new(order).unwrap();
            let capture =
                Capture::new(samples, periods, START, polynomial.latency_samples()).unwrap();
            let p = capture.increment();
            let pulse = PiecewiseLinear::pulse(0.3).unwrap();
            let cases: [(PiecewiseLinear, &dyn Fn(f64) -> f64); 3] = [
                (PiecewiseLinear::ramp(), &|phi| polynomial.ramp(phi, p)),
                (pulse, &|phi| polynomial.pulse(0.3, phi, p)),
                (PiecewiseLinear::triangle(), &|phi| polynomial.triangle(phi, p)),
            ];
            for (wave, signal) in cases {
                let captured = sampled(&capture, START, signal);
                let prediction = Corrected::new(&wave, polynomial.kernel()).unwrap();
                assert_lines(
                    &format!("order {order}, {periods} periods"),
                    &prediction,
                    &capture,
                    captured,
                );
            }
        }
    }
    assert!(DifferentiatedPolynomial::new(5).is_err());
}

/// Polynomial transition regions are the same output (Kleimola & Välimäki, IEEE SPL 19(2):67-70,
/// 2012): away from the wrap the ramp runs `(N - 1) p` late, and `D` samples after it the
/// published correction `c_W(D)` is added. They lose no digits on low notes.
#[test]
fn differentiated_polynomials_equal_transition_regions_on_low_notes() {
    let correction = |w: u32, d: f64| match (w, d as u32) {
        (1, 0) => 2.0 - 2.0 * d,
        (2, 0) => 2.0 - d * d,
        (2, 1) => (d - 2.0).powi(2),
        (3, 0) => 2.0 - d.powi(3) / 3.0,
        (3, 1) => 2.0 * d.powi(3) / 3.0 - 3.0 * d * d + 3.0 * d + 1.0,
        (3, 2) => -d.powi(3) / 3.0 + 3.0 * d * d - 9.0 * d + 9.0,
        _ => 0.0,
    };
    for f0_hz in [20.0, 997.0, 15_000.0] {
        let p = f0_hz / 48_000.0;
        for order in 2..=4 {
            let polynomial = DifferentiatedPolynomial::new(order).unwrap();
            for i in 0..4000 {
                let phi =
                    if i < 2000 { f64::from(i) / 2000.0 } else { f64::from(i - 2000) * p / 500.0 };
                let phi = phi - phi.floor();
                // At most one wrap within reach, as the published form has it.
                if f64::from(order - 1) * p > 1.0 {
                    continue;
                }
                let w = order - 1;
                let late = 2.0 * phi - 1.0 - f64::from(w) * p;
                let expected = late + correction(w, phi / p);
                let error = (polynomial.ramp(phi, p) - expected).abs();
                assert!(error < 1e-12, "order {order}, {f0_hz} Hz, phase {phi}: {error:e}");
            }
        }
    }
}

/// In the middle of a slope the smoothed triangle is the triangle, `(N - 1)/2` samples late.
#[test]
fn differentiated_triangle_is_exact_between_its_corners() {
    let p = 20.0 / 48_000.0;
    let triangle = PiecewiseLinear::triangle();
    for order in 2..=4 {
        let polynomial = DifferentiatedPolynomial::new(order).unwrap();
        for phi in [0.1, 0.25, 0.4, 0.6, 0.9] {
            let expected = triangle.value(phi - polynomial.latency_samples() * p);
            let error = (polynomial.triangle(phi, p) - expected).abs();
            assert!(error < 1e-12, "order {order}, phase {phi}: {error:e}");
        }
    }
}

/// Residuals are the integrals of B-splines: continuous, and a step's residual is the
/// derivative of a slope's.
#[test]
fn residuals_fit_each_other() {
    let h = 1e-5;
    for correction in [Correction::TwoPoint, Correction::FourPoint] {
        for i in -24..24 {
            let d = f64::from(i) * 0.1 + 0.05;
            let slope =
                (correction.slope_residual(d + h) - correction.slope_residual(d - h)) / (2.0 * h);
            // h^2/6 times the third derivative, at most 1 (the kernel's slope), and rounding 1e-11.
            assert!((slope - correction.step_residual(d)).abs() < h * h / 6.0 + 2e-11, "{d}");
        }
        let jump = correction.step_residual(-1e-12) - correction.step_residual(0.0);
        assert!((jump - 1.0).abs() < 1e-11);
    }
}

#[test]
fn worst_error_of_the_f64_yardstick_is_near_rounding() {
    let capture = Capture::new(32_768, 17, START, 0.0).unwrap();
    let wave = PiecewiseLinear::ramp();
    let p = capture.increment();
    let captured = sampled(&capture, START, |phi| corrected(&wave, Correction::FourPoint, phi, p));
    let prediction = Corrected::new(&wave, Correction::FourPoint.kernel()).unwrap();
    // A phase error of 1e-16 cycles is 2e-13 samples at this pitch; a bin averages it down.
    assert!(worst_line_error(&prediction, &capture, captured) < 1e-14);
}
