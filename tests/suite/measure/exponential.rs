use super::signals::Noise;
use approx::assert_abs_diff_eq;
use plumbtone_measure::exponential::{Exponential, MIN_SAMPLES};
use plumbtone_measure::reading::Obstacle;

/// `y = 0.2 + 0.7 exp(-bend n/(len-1))`, or the same growing to 0.9.
fn curve(bend: f64, len: usize) -> Vec<f64> {
    let amplitude = if bend < 0.0 { 0.7 * bend.exp() } else { 0.7 };
    let tau = (len - 1) as f64 / bend;
    (0..len).map(|n| 0.2 + amplitude * (-(n as f64) / tau).exp()).collect()
}

#[test]
fn time_constant_and_target_from_ten_samples_to_a_million() {
    for len in [10, 30, 1000, 100_000, 1_000_000] {
        for bend in [-30.0, -5.0, -1.0, -0.1, 0.01, 0.3, 1.0, 5.0, 30.0, 1e3, 1e5] {
            let tau = (len - 1) as f64 / bend;
            if tau.abs() < 0.3 {
                continue;
            }
            let fit = Exponential::fit(&curve(bend, len)).unwrap();
            let got = fit.time_constant;
            assert!((got.value / tau - 1.0).abs() <= 1e-6, "{len}, {bend}: {got}");
            assert!(got.uncertainty <= 1e-6 * tau.abs(), "{len}, {bend}: {got}");
            // The amplitude itself is rounded where the curve grows by e^30.
            let rounded = 1e-13 * tau.abs();
            assert_abs_diff_eq!(got.value, tau, epsilon = got.uncertainty + rounded);
            let target = fit.target;
            assert_abs_diff_eq!(target.value, 0.2, epsilon = target.uncertainty + 1e-14);
            assert!(fit.residual_peak <= 1e-13, "{}", fit.residual_peak);
        }
    }
}

#[test]
fn a_time_constant_off_by_three_millionths_shows() {
    // Against the limit of 1e-6 that readings are held to.
    for len in [10, 1000, 100_000] {
        for bend in [-5.0, 0.3, 5.0] {
            let tau = (len - 1) as f64 / bend;
            for off in [-3e-6, 3e-6] {
                let fit = Exponential::fit(&curve(bend / (1.0 + off), len)).unwrap();
                let error = (fit.time_constant.value / tau - 1.0).abs();
                assert!(error > 1e-6 + fit.time_constant.uncertainty / tau.abs(), "{error}");
            }
        }
    }
}

#[test]
fn a_straight_line_has_a_bend_and_no_time_constant() {
    let line: Vec<f64> = (0..1000).map(|n| -0.4 + 1e-3 * f64::from(n)).collect();
    let fit = Exponential::fit(&line).unwrap();
    assert!(fit.bend.value.abs() <= fit.bend.uncertainty, "{}", fit.bend);
    assert!(fit.bend.uncertainty <= 1e-13, "{}", fit.bend);
    assert_eq!(fit.time_constant.uncertainty, f64::INFINITY);
    assert_eq!(fit.target.uncertainty, f64::INFINITY);
    assert_abs_diff_eq!(fit.start.value, -0.4, epsilon = fit.start.uncertainty);
    assert_abs_diff_eq!(fit.end.value, 0.599, epsilon = fit.end.uncertainty);

    // A ten-thousandth of a time constant: the bend is still known to 1e-8 of itself, and
    // the time constant with it.
    let fit = Exponential::fit(&curve(1e-4, 1000)).unwrap();
    assert_abs_diff_eq!(fit.bend.value, 1e-4, epsilon = fit.bend.uncertainty);
    assert!(fit.bend.uncertainty <= 1e-6 * 1e-4, "{}", fit.bend);

    let constant = Exponential::fit(&[0.3; 100]).unwrap();
    assert_eq!(constant.time_constant.uncertainty, f64::INFINITY);
    assert_abs_diff_eq!(constant.start.value, 0.3, epsilon = constant.start.uncertainty);
}

#[test]
fn uncertainties_hold_what_they_promise() {
    // 1000 trials: a share of 0.9545 scatters by 0.0066; three of that either way.
    let trials = 1000;
    for (seed, (len, bend, sigma)) in (1..).zip([
        (10, 3.0, 1e-4),
        (60, -2.0, 1e-3),
        (2000, 1.0, 1e-3),
        (2000, 5.0, 1e-2),
        (20_000, 200.0, 1e-3),
    ]) {
        let mut noise = Noise::seeded(seed);
        let clean = curve(bend, len);
        let tau = (len - 1) as f64 / bend;
        let mut inside = [0; 4];
        let mut square = 0.0;
        for _ in 0..trials {
            let noisy: Vec<f64> = clean.iter().map(|y| y + sigma * noise.gaussian()).collect();
            let fit = Exponential::fit(&noisy).unwrap();
            let pairs = [
                (fit.time_constant, tau),
                (fit.target, 0.2),
                (fit.start, clean[0]),
                (fit.end, clean[len - 1]),
            ];
            for (count, (got, want)) in inside.iter_mut().zip(pairs) {
                *count += i32::from((got.value - want).abs() <= got.uncertainty);
            }
            square += ((fit.bend.value - bend) / fit.bend.uncertainty).powi(2);
        }
        for count in inside {
            let share = f64::from(count) / f64::from(trials);
            assert!((0.9347..=0.9743).contains(&share), "{len}, {bend}: {inside:?}");
        }
        // The rms of error over uncertainty is a half, less where samples are few.
        let rms = (square / f64::from(trials)).sqrt();
        assert!((0.42..=0.53).contains(&rms), "{len}, {bend}: {rms}");
    }
}

#[test]
fn the_fit_reaches_the_bound() {
    // Cramer-Rao: the least variance of tau is that of the linearised problem in c, A and
    // tau (Kay, Fundamentals of Statistical Signal Processing I, 1993, 3.7; from memory).
    let (len, tau, sigma) = (5000, 1000.0, 1e-3);
    let mut normal = [[0.0; 3]; 3];
    for n in 0..len {
        let x = f64::from(n) / tau;
        let row = [1.0, (-x).exp(), 0.7 * x / tau * (-x).exp()];
        for i in 0..3 {
            for j in 0..3 {
                normal[i][j] += row[i] * row[j];
            }
        }
    }
    let minor = |a: usize, b: usize, c: usize, d: usize| {
        normal[a][c] * normal[b][d] - normal[a][d] * normal[b][c]
    };
    let whole = normal[0][0] * minor(1, 2, 1, 2) - normal[0][1] * minor(1, 2, 0, 2)
        + normal[0][2] * minor(1, 2, 0, 1);
    let bound = sigma * sigma * minor(0, 1, 0, 1) / whole;
    let mut noise = Noise::seeded(9);
    let trials = 2000;
    let mut square = 0.0;
    for _ in 0..trials {
        let x: Vec<f64> = (0..len)
            .map(|n| 0.2 + 0.7 * (-f64::from(n) / tau).exp() + sigma * noise.gaussian())
            .collect();
        square += (Exponential::fit(&x).unwrap().time_constant.value - tau).powi(2);
    }
    // 2000 trials scatter by 3.2 %; two of that either way, and 1 % for the blocks.
    let ratio = square / f64::from(trials) / bound;
    assert!((0.93..=1.075).contains(&ratio), "{ratio} times the bound");
}

#[test]
fn what_cannot_be_fitted() {
    let short = Exponential::fit(&[0.0; 4]);
    assert_eq!(short, Err(Obstacle::TooShort { have: 4, need: MIN_SAMPLES }));
    let mut x = curve(1.0, 20);
    x[7] = f64::NAN;
    assert_eq!(Exponential::fit(&x), Err(Obstacle::NotFinite { index: 7 }));
}
