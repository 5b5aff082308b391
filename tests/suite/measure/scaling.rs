use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::reading::{Obstacle, Unit};
use plumbtone_measure::straight_line::{Points, StraightLine};

/// Eleven points near y = 10 x, made up; the figures beside them are those of numpy 2.4.6.
const Y: [f64; 11] = [0.02, 1.03, 1.98, 3.05, 3.97, 5.01, 6.08, 6.93, 8.04, 9.02, 9.95];

fn eleven() -> Vec<(f64, f64)> {
    Y.iter().enumerate().map(|(i, y)| (0.1 * i as f64, *y)).collect()
}

#[test]
fn agrees_with_polyfit() {
    let points = eleven();
    let line = StraightLine::through(points.iter().copied()).unwrap();
    // numpy.polyfit(x, y, 1), and (x, y, 2)[0] with its covariance's root; scatter and the
    // uncertainties of the line from that fit's residual over n - 3.
    assert_relative_eq!(line.slope.value, 9.969_090_909_090_907, max_relative = 1e-13);
    assert_relative_eq!(line.offset.value, 0.022_727_272_727_272_457, max_relative = 1e-11);
    assert_relative_eq!(line.curvature.value, -0.069_930_069_930_065_59, max_relative = 1e-11);
    let standard = line.curvature.standard_uncertainty;
    assert_relative_eq!(standard, 0.166_145_860_120_606_73, max_relative = 1e-12);
    assert_relative_eq!(line.scatter, 0.048_666_842_289_812_89, max_relative = 1e-12);
    let standard = line.slope.standard_uncertainty;
    assert_relative_eq!(standard, 0.046_402_013_460_051_884, max_relative = 1e-12);
    let standard = line.offset.standard_uncertainty;
    assert_relative_eq!(standard, 0.027_451_801_372_612_925, max_relative = 1e-12);
    assert_relative_eq!(line.residual_rms, 0.041_960_233_043_022_81, max_relative = 1e-12);
    // The bent law is numpy.polyval of the second-order fit.
    for (x, _) in &points {
        let square = -0.069_930_069_930_065_59 * x * x;
        let want = square + 10.039_020_979_020_973 * x + 0.012_237_762_237_762_234;
        assert_abs_diff_eq!(line.bent_at(*x), want, epsilon = 1e-13);
    }
    let far = line.farthest(points).unwrap();
    assert_eq!(far.index, 6);
    assert_abs_diff_eq!(far.residual, 0.075_818_181_818_182_67, epsilon = 1e-13);
    let reading = line.slope.reading(Unit::Ratio);
    assert_relative_eq!(reading.uncertainty, 2.0 * 0.046_402_013_460_051_884, max_relative = 1e-12);
}

#[test]
fn exact_lines_and_squares_far_from_the_origin() {
    // x from 1e6 in steps of 2^-10, exact; y = 3 + 2u + 5u^2 in u = x - 1e6 and its line over a
    // symmetric grid of half-width h: slope 2 + 10 h, curvature 5, orthogonal by symmetry.
    let n = 4001;
    let points: Vec<(f64, f64)> = (0..n)
        .map(|i| {
            let u = f64::from(i) / 1024.0;
            (1e6 + u, 3.0 + 2.0 * u + 5.0 * u * u)
        })
        .collect();
    let line = StraightLine::through(points.iter().copied()).unwrap();
    let h = 4000.0 / 1024.0 / 2.0;
    assert_relative_eq!(line.slope.value, 2.0 + 10.0 * h, max_relative = 1e-12);
    assert_relative_eq!(line.curvature.value, 5.0, max_relative = 1e-11);
    // Mean of u^2 over the grid: h^2 + s^2 (n^2 - 1)/12.
    let mean_square = h * h + (f64::from(n).powi(2) - 1.0) / 12.0 / 1024.0_f64.powi(2);
    let centre = 3.0 + 2.0 * h + 5.0 * mean_square;
    assert_relative_eq!(line.centre.value, centre, max_relative = 1e-12);
    assert_relative_eq!(line.mean_x, 1e6 + h, max_relative = 1e-15);
    let far = line.farthest_bent(points).unwrap();
    assert!(far.residual.abs() < 1e-9, "{far:?}");
}

#[test]
fn curvature_takes_nothing_from_the_slope() {
    let bent = |c: f64| {
        let points = (0..1000).map(move |i| {
            let x = f64::from(i) * 0.01;
            (x, 1.0 + 0.5 * x + c * (x - 4.995).powi(2))
        });
        StraightLine::through(points).unwrap()
    };
    let (flat, curved) = (bent(0.0), bent(0.2));
    assert_relative_eq!(flat.slope.value, 0.5, max_relative = 1e-13);
    assert_relative_eq!(curved.slope.value, 0.5, max_relative = 1e-12);
    assert_relative_eq!(curved.curvature.value, 0.2, max_relative = 1e-12);
    assert!(flat.curvature.value.abs() < 1e-13);
}

#[test]
fn a_million_codes_and_a_slope_wrong_by_a_millionth() {
    let count = 1 << 20;
    let gain = 10.0 / f64::from(count);
    let line = |slope: f64| {
        let mut points = Points::new();
        for code in 0..count {
            points.add(f64::from(code), -5.0 + slope * f64::from(code)).unwrap();
        }
        points.line().unwrap()
    };
    let right = line(gain);
    // n rotations of f64: sqrt(2^20) 1e-16.
    assert_relative_eq!(right.slope.value, gain, max_relative = 1e-12);
    assert_abs_diff_eq!(right.offset.value, -5.0, epsilon = 1e-11);
    let wrong = line(gain * (1.0 + 1e-6));
    let off = (wrong.slope.value / gain - 1.0).abs();
    assert_relative_eq!(off, 1e-6, max_relative = 1e-5);
    assert!(off * gain > 2.0 * wrong.slope.standard_uncertainty);
    assert_eq!(right.count, count as usize);
}

#[test]
fn uncertainties_are_honest() {
    let mut noise = Noise::seeded(9);
    let mut squares = [0.0; 4];
    let trials = 2000;
    for _ in 0..trials {
        let points: Vec<(f64, f64)> = (0..40)
            .map(|i| {
                let x = f64::from(i) * 0.25 - 2.0;
                (x, 0.7 - 1.3 * x + 0.02 * noise.gaussian())
            })
            .collect();
        let line = StraightLine::through(points).unwrap();
        let all = [(line.offset, 0.7), (line.slope, -1.3), (line.curvature, 0.0)];
        for (square, (estimate, truth)) in squares.iter_mut().zip(all) {
            *square += ((estimate.value - truth) / estimate.standard_uncertainty).powi(2);
        }
    }
    // Student's t of 37 degrees: variance 37/35; its mean over n scatters by sqrt(2.4/n), four
    // of which are granted.
    for square in &squares[..3] {
        let mean = square / f64::from(trials);
        let scatter = 4.0 * (2.4 / f64::from(trials)).sqrt();
        assert!((mean - 37.0 / 35.0).abs() <= scatter, "{mean}");
    }
}

#[test]
fn what_has_no_line() {
    assert!(matches!(
        StraightLine::through([(0.0, 1.0); 3]),
        Err(Obstacle::TooShort { have: 3, need: 4 })
    ));
    assert!(matches!(StraightLine::through([(2.0, 1.0); 9]), Err(Obstacle::Constant { .. })));
    let two = (0..10).map(|i| (f64::from(i % 2), f64::from(i)));
    assert!(matches!(StraightLine::through(two), Err(Obstacle::Constant { .. })));
    let broken = StraightLine::through([(0.0, 0.0), (1.0, f64::NAN)]);
    assert!(matches!(broken, Err(Obstacle::NotFinite { index: 1 })));
}
