use super::signals::Noise;
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::steps::{Overshoot, Region, Step, largest, overshoot, worst};

#[test]
fn the_largest_step_is_found_where_it_is() {
    let x = [0.0, 0.25, 0.5, -0.5, 0.5];
    assert_eq!(largest(&x), Ok(Step { index: 3, size: -1.0 }));
    assert_eq!(largest(&[0.5; 7]), Ok(Step { index: 1, size: 0.0 }));
}

#[test]
fn each_region_has_its_own_bound() {
    // A ramp of 1/64 a sample, then rest: the same step is right here and a click there.
    let x: Vec<f64> = (0..100).map(|n| f64::from(n.min(64)) / 64.0).collect();
    let ramp = Region { samples: 0..65, bound: 1.0 / 64.0 };
    let rest = Region { samples: 65..100, bound: 1e-9 };
    let found = worst(&x, &[ramp.clone(), rest.clone()]).unwrap();
    assert_eq!((found.ratio, found.step.index), (1.0, 1));
    let late = Region { samples: 60..100, ..rest };
    let found = worst(&x, &[ramp, late]).unwrap();
    assert_eq!((found.step.index, found.bound), (60, 1e-9));
}

#[test]
fn a_click_of_a_hundredth_more_than_the_bound_shows() {
    // The bound of an exponential approach is its first step, A(1 - q): it only slows.
    let (q, bound) = ((-1.0f64 / 500.0).exp(), -(-1.0f64 / 500.0).exp_m1());
    let mut noise = Noise::seeded(3);
    for _ in 0..200 {
        let mut x: Vec<f64> = (0..4000).map(|n| 1.0 - q.powi(n)).collect();
        let whole = [Region { samples: 0..x.len(), bound }];
        // Rounding of samples near 1: 1e-16 over the bound of 2e-3.
        assert!(worst(&x, &whole).unwrap().ratio <= 1.0 + 1e-13);
        let at = 1 + (3998.0 * noise.uniform()) as usize;
        let lift = 1.01 * bound - (x[at] - x[at - 1]);
        x[at..].iter_mut().for_each(|y| *y += lift);
        let found = worst(&x, &whole).unwrap();
        assert_eq!(found.step.index, at);
        assert!((found.ratio - 1.01).abs() <= 1e-12, "{}", found.ratio);
    }
}

#[test]
fn overshoot_of_a_second_order_step() {
    // Damping z overshoots by exp(-pi z/sqrt(1-z^2)) at t = pi/sqrt(1-z^2) (textbook of
    // control, from memory). Sampled at 1e-3: the peak is missed by up to (5e-4)^2/2.
    let (z, h) = (0.3f64, 1e-3);
    let w = (1.0 - z * z).sqrt();
    let x: Vec<f64> = (0..20_000)
        .map(|n| {
            let t = f64::from(n) * h;
            1.0 - (-z * t).exp() * ((w * t).cos() + z / w * (w * t).sin())
        })
        .collect();
    let found = overshoot(&x, 1.0, true).unwrap();
    let (amount, at) = ((-std::f64::consts::PI * z / w).exp(), std::f64::consts::PI / w);
    assert!((found.amount - amount).abs() <= 1.3e-7, "{found:?}, {amount}");
    assert_eq!(found.index, (at / h).round() as usize);
    assert_eq!(overshoot(&x, 0.0, false), Ok(Overshoot { amount: 0.0, index: 0 }));
    let below = overshoot(&[0.5, -0.25, 0.0], 0.0, false);
    assert_eq!(below, Ok(Overshoot { amount: 0.25, index: 1 }));
}

#[test]
fn what_has_no_step() {
    assert!(matches!(largest(&[]), Err(Obstacle::TooShort { .. })));
    assert_eq!(largest(&[1.0]), Err(Obstacle::TooShort { have: 1, need: 2 }));
    assert_eq!(largest(&[0.0, f64::NAN]), Err(Obstacle::NotFinite { index: 1 }));
    let region = |samples, bound| [Region { samples, bound }];
    assert!(worst(&[0.0, 1.0], &region(0..3, 1.0)).is_err());
    assert!(worst(&[0.0, 1.0], &[]).is_err());
    for bound in [0.0, -1.0, f64::NAN] {
        let got = worst(&[0.0, 1.0], &region(0..2, bound));
        assert!(matches!(got, Err(Obstacle::OutOfRange { .. })), "{bound}");
    }
    assert!(overshoot(&[0.0], f64::NAN, true).is_err());
}
