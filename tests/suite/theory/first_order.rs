use plumbtone_theory::first_order::{DcBlocker, HalfBand, OnePole, trapezoidal};
use plumbtone_theory::{Complex64, db};
use std::f64::consts::PI;

fn back(x: f64) -> Complex64 {
    Complex64::from_polar(1.0, -2.0 * PI * x)
}

#[test]
fn one_pole_is_its_difference_equation() {
    for cutoff in [5.0 / 48_000.0, 0.01, 0.1, 0.3] {
        let filter = OnePole::new(cutoff).unwrap();
        let a = filter.coefficient();
        assert!((a - (1.0 - (-2.0 * PI * cutoff).exp())).abs() < 1e-15);
        for x in [1e-5, 0.01, 0.3, 0.5] {
            let direct = a / (1.0 - (1.0 - a) * back(x));
            // The plain form cancels: an ulp of 1 against x and a together.
            let allowed = 8.0 * f64::EPSILON / a.min(1.0);
            assert!((filter.low(x) / direct - 1.0).norm() < allowed, "{cutoff}, {x}");
            let sum = filter.low(x) + filter.high(x);
            assert!((sum - 1.0).norm() < 1e-14, "{cutoff}, {x}: {sum}");
        }
        match filter.half_power() {
            Some(x) => assert!((filter.low(x).norm_sqr() - 0.5).abs() < 1e-14, "{cutoff}"),
            None => assert!(filter.low(0.5).norm_sqr() > 0.5, "{cutoff}"),
        }
    }
    // 3.01 dB exists up to a^2 = 4 (1-a), a = sqrt 8 - 2.
    let edge = 8f64.sqrt() - 2.0;
    assert!(OnePole::with_coefficient(edge - 1e-9).unwrap().half_power().is_some());
    assert!(OnePole::with_coefficient(edge + 1e-9).unwrap().half_power().is_none());
    assert!(OnePole::new(0.5).is_err() && OnePole::with_coefficient(1.1).is_err());
}

#[test]
fn trapezoidal_one_pole_is_exact_at_its_cutoff() {
    for cutoff in [1e-4, 0.1, 0.45] {
        let (low, high) = trapezoidal(cutoff, cutoff);
        assert!((low.norm_sqr() - 0.5).abs() < 1e-15 && (high.norm_sqr() - 0.5).abs() < 1e-15);
        assert!((low + high - 1.0).norm() < 1e-15);
        // y (1 + t) = t (x + x z^-1) + (1 - t) y z^-1.
        let t = (PI * cutoff).tan();
        for x in [0.001, 0.2, 0.49] {
            let direct = t * (1.0 + back(x)) / (1.0 + t - (1.0 - t) * back(x));
            let error = (trapezoidal(x, cutoff).0 - direct).norm();
            assert!(error < 8.0 * f64::EPSILON / x.min(cutoff), "{cutoff}, {x}: {error:e}");
        }
    }
}

#[test]
fn dc_blocker_has_its_pole_and_its_corner() {
    for cutoff in [2.0 / 48_000.0, 0.01, 0.25] {
        let filter = DcBlocker::with_half_power(cutoff).unwrap();
        let r = filter.pole();
        assert_eq!(filter.response(0.0).norm(), 0.0);
        assert!((filter.response(0.5).norm() * (1.0 + r) / 2.0 - 1.0).abs() < 1e-15);
        // r near 1 rounds: an ulp against 1 - r.
        let slack = 4.0 * f64::EPSILON / cutoff;
        assert!((filter.half_power() / cutoff - 1.0).abs() < slack, "{cutoff}");
        let corner = filter.response(cutoff).norm() * (1.0 + r) / 2.0;
        assert!((db(corner) - db(0.5f64.sqrt())).abs() < 8.7 * slack, "{cutoff}: {corner}");
        for x in [0.001, 0.1, 0.4] {
            let direct = (1.0 - back(x)) / (1.0 - r * back(x));
            assert!((filter.response(x) / direct - 1.0).norm() < 4.0 * f64::EPSILON / x);
        }
    }
    assert!(DcBlocker::new(1.0).is_err() && DcBlocker::with_half_power(0.3).is_err());
}

#[test]
fn half_band_mirrors_about_a_quarter_of_the_rate() {
    // The shortest maximally flat ones: [1 2 1]/4 and [-1 0 9 16 9 0 -1]/32.
    let short = HalfBand::new(&[0.25]).unwrap();
    let flat = HalfBand::new(&[9.0 / 32.0, -1.0 / 32.0]).unwrap();
    for x in [0.0, 0.05, 0.2, 0.25, 0.31, 0.5] {
        let c = (PI * x).cos().powi(2);
        assert!((short.response(x) - c).abs() < 1e-15);
        // Maximally flat: c^2 (3 - 2 c).
        assert!((flat.response(x) - c * c * (3.0 - 2.0 * c)).abs() < 1e-15, "{x}");
        assert!((flat.response(x) + flat.response(0.5 - x) - 1.0).abs() < 1e-15);
    }
    // No ripple: the worst is at the edge.
    assert!((flat.ripple(0.1) - flat.response(0.4)).abs() < 1e-15);
    assert!(HalfBand::new(&[0.3]).is_err() && HalfBand::new(&[]).is_err());
}
