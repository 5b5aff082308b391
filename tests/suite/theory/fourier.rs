use plumbtone_theory::fourier::{Break, PiecewiseLinear};
use std::f64::consts::PI;

const PHASES: [f64; 7] = [0.0, 0.1, 0.25, 0.4999, 0.5, 0.77, 0.999];

#[test]
fn waveforms_have_their_defining_values() {
    let (ramp, triangle) = (PiecewiseLinear::ramp(), PiecewiseLinear::triangle());
    let pulse = PiecewiseLinear::pulse(0.3).unwrap();
    for phi in PHASES {
        // Three roundings of values below 2.
        let near = |a: f64, b: f64| assert!((a - b).abs() <= 4.0 * f64::EPSILON, "{phi}: {a} {b}");
        near(ramp.value(phi), 2.0 * phi - 1.0);
        near(triangle.value(phi), 1.0 - 4.0 * (phi - 0.5).abs());
        near(pulse.value(phi), if phi < 0.3 { 1.0 } else { -1.0 });
    }
    assert!((ramp.value(-0.25) - 0.5).abs() < 1e-15 && (ramp.value(7.75) - 0.5).abs() < 1e-15);
}

/// Exact amplitudes of any textbook; the coefficients' phases from the sine series
/// `2 phi - 1 = -(2/pi) sum sin(2 pi k phi)/k` and `-(8/pi^2) sum cos(2 pi k phi)/k^2` (odd k).
#[test]
fn coefficients_match_the_textbook() {
    let (ramp, triangle) = (PiecewiseLinear::ramp(), PiecewiseLinear::triangle());
    for k in 1..200_i64 {
        let order = k as f64;
        let near = |c: plumbtone_theory::Complex64, re: f64, im: f64| {
            let error = (c - plumbtone_theory::Complex64::new(re, im)).norm();
            assert!(error * order * PI < 1e-12, "order {k}: {c}");
        };
        near(ramp.coefficient(k), 0.0, 1.0 / (PI * order));
        let odd = if k % 2 == 1 { 1.0 } else { 0.0 };
        near(triangle.coefficient(k), -4.0 * odd / (PI * order).powi(2), 0.0);
        near(triangle.coefficient(-k), -4.0 * odd / (PI * order).powi(2), 0.0);
        for width in [0.5, 0.25, 0.1] {
            let pulse = PiecewiseLinear::pulse(width).unwrap();
            let amplitude = 4.0 / (PI * order) * (PI * order * width).sin().abs();
            let error = (pulse.amplitude(k as u32) - amplitude).abs();
            assert!(error * order < 1e-12, "pulse {width}, order {k}");
        }
    }
}

#[test]
fn powers_match_the_closed_forms() {
    let (ramp, triangle) = (PiecewiseLinear::ramp(), PiecewiseLinear::triangle());
    let square = PiecewiseLinear::pulse(0.5).unwrap();
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-14, "{a} against {b}");
    near(ramp.ac_rms(), 1.0 / 3.0_f64.sqrt());
    near(triangle.ac_rms(), 1.0 / 3.0_f64.sqrt());
    near(ramp.thd(), (PI * PI / 6.0 - 1.0).sqrt());
    near(square.thd(), (PI * PI / 8.0 - 1.0).sqrt());
    near(triangle.thd(), (PI.powi(4) / 96.0 - 1.0).sqrt());
    for width in [0.05, 0.3, 0.5, 0.9] {
        let pulse = PiecewiseLinear::pulse(width).unwrap();
        near(pulse.ac_rms(), 2.0 * (width * (1.0 - width)).sqrt());
        near(pulse.mean(), 2.0 * width - 1.0);
    }
}

/// The slave's phase, written out: `ratio * phi` from the master's wrap on.
#[test]
fn hard_sync_restarts_the_slave() {
    for slave in
        [PiecewiseLinear::ramp(), PiecewiseLinear::triangle(), PiecewiseLinear::pulse(0.3).unwrap()]
    {
        for ratio in [1.0, 1.5, 2.0, 2.73, 7.3, 40.01] {
            let synced = slave.hard_synced(ratio).unwrap();
            let mut mean = 0.0;
            let steps = 20_000;
            for i in 0..steps {
                let phi = (f64::from(i) + 0.5) / f64::from(steps);
                mean += slave.value(ratio * phi) / f64::from(steps);
                let error = (synced.value(phi) - slave.value(ratio * phi)).abs();
                // Up to 80 breaks of height 2, each with the rounding of its place times slope.
                assert!(error < 1e-12, "ratio {ratio} at {phi}: {error}");
            }
            // A midpoint sum misplaces each of 80 steps of 2 by half a cell.
            assert!((synced.mean() - mean).abs() < 81.0 / f64::from(steps), "ratio {ratio}");
        }
    }
    let ramp = PiecewiseLinear::ramp();
    assert!((ramp.hard_synced(1.0).unwrap().amplitude(3) - ramp.amplitude(3)).abs() < 1e-15);
    assert!(ramp.hard_synced(0.5).is_err());
}

#[test]
fn breaks_must_close() {
    let bend = Break { at_cycles: 0.2, step: 0.0, slope_change: 1.0 };
    let error = PiecewiseLinear::new(0.0, vec![bend]).unwrap_err();
    assert_eq!(error.name, "sum of slope_change");
    let outside = Break { at_cycles: 1.0, step: 1.0, slope_change: 0.0 };
    assert!(PiecewiseLinear::new(0.0, vec![outside]).is_err());
    assert!(PiecewiseLinear::pulse(1.0).is_err());
}
