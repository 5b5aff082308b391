use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::decay::{DB_PER_TAU, Decay};
use plumbtone_measure::reading::Obstacle;

const RATE_HZ: f64 = 48_000.0;

/// A decay from 1 with a time constant in samples, over `span_db` and a little more.
fn decay(tau: f64, span_db: f64) -> Vec<f64> {
    let len = (tau * (span_db + 1.0) / 8.685_890).ceil() as i32;
    (0..len).map(|n| (-f64::from(n) / tau).exp()).collect()
}

#[test]
fn an_exponential_is_straight_to_a_billionth_of_a_db() {
    for tau in [30.0, 1000.0, 80_000.0] {
        let got = Decay::fit(&decay(tau, 100.0), RATE_HZ, 100.0, 0.0).unwrap();
        assert!(got.deviation_db.value <= 1e-9, "{tau}: {}", got.deviation_db.value);
        let slope = -8.685_889_638 * RATE_HZ / tau;
        assert_relative_eq!(got.slope_db_per_s, slope, max_relative = 1e-10);
        let seconds = got.time_constant_s;
        assert_relative_eq!(seconds.value, tau / RATE_HZ, max_relative = 1e-12);
        assert_abs_diff_eq!(got.start_db, 0.0, epsilon = 1e-11);
        let want = (tau * 100.0 / DB_PER_TAU).floor() as usize + 1;
        assert_eq!(got.samples, want);
    }
    // 20/ln 10, at -60 dB after 6.907755 time constants.
    assert_abs_diff_eq!(DB_PER_TAU, 8.685_890, epsilon = 0.5e-6);
    assert_abs_diff_eq!(60.0 / DB_PER_TAU, 6.907_755, epsilon = 0.5e-6);
}

#[test]
fn rounding_to_a_step_shows_as_the_staircase_it_is() {
    // At -100 dB a step of 2^-31 is rounded by up to 2^-32/1e-5 of the level: 2.02e-4 dB.
    // A slow decay meets that bound within a few per cent, and no line can beat half of it.
    let step = 2f64.powi(-31);
    let predicted = 20.0 * (1.0 + step / 2.0 / 1e-5).log10();
    for tau in [1000.0, 20_000.0] {
        let mut x = decay(tau, 100.0);
        x.iter_mut().for_each(|y| *y = (*y / step).round() * step);
        let got = Decay::fit(&x, RATE_HZ, 100.0, step).unwrap();
        let share = got.deviation_db.value / predicted;
        assert!((0.8..=1.02).contains(&share), "{tau}: {share}");
        assert_relative_eq!(got.deviation_db.floor.unwrap(), predicted, max_relative = 1e-3);
        let lowest = (tau * 100.0 / DB_PER_TAU) as usize;
        assert!(got.worst_index > lowest - lowest / 20, "{}", got.worst_index);
        let seconds = got.time_constant_s;
        assert_abs_diff_eq!(seconds.value, tau / RATE_HZ, epsilon = seconds.uncertainty);
    }
}

#[test]
fn a_bend_of_two_thousandths_of_a_db_shows() {
    // A parabola of height h over the span leaves 2h/3 at the ends and h/3 in the middle of
    // its least-squares line. Held to the limit of 0.001 dB.
    let tau = 5000.0;
    let straight = decay(tau, 100.0);
    let span = tau * 100.0 / DB_PER_TAU;
    for h in [0.002, -0.002] {
        let bent: Vec<f64> = straight
            .iter()
            .enumerate()
            .map(|(n, y)| {
                let u = n as f64 / span;
                y * 10f64.powf(h * 4.0 * u * (1.0 - u) / 20.0)
            })
            .collect();
        let got = Decay::fit(&bent, RATE_HZ, 100.0, 0.0).unwrap();
        assert_relative_eq!(got.deviation_db.value, 2.0 * 0.002 / 3.0, max_relative = 1e-3);
        assert!(got.deviation_db.value > 1e-3);
    }
}

#[test]
fn the_slope_has_an_honest_uncertainty() {
    // Noise in proportion to the level is white in dB. 2000 trials: 0.9545 within three
    // times 0.0047.
    let (mut noise, trials) = (Noise::seeded(4), 2000);
    let clean = decay(40.0, 60.0);
    let mut inside = 0;
    for _ in 0..trials {
        let x: Vec<f64> = clean.iter().map(|y| y * (1e-3 * noise.gaussian()).exp()).collect();
        let got = Decay::fit(&x, RATE_HZ, 60.0, 0.0).unwrap();
        let off = got.time_constant_s.value - 40.0 / RATE_HZ;
        inside += i32::from(off.abs() <= got.time_constant_s.uncertainty);
    }
    let share = f64::from(inside) / f64::from(trials);
    assert!((0.94..=0.9686).contains(&share), "{share}");
}

#[test]
fn what_has_no_straight_decay() {
    let x = decay(1000.0, 60.0);
    let shallow = Decay::fit(&x, RATE_HZ, 100.0, 0.0);
    assert!(matches!(shallow, Err(Obstacle::TooShallow { need_db: 100.0, .. })), "{shallow:?}");
    let quick = Decay::fit(&[1.0, 0.1, 0.01], RATE_HZ, 30.0, 0.0);
    assert!(matches!(quick, Err(Obstacle::TooShort { .. })), "{quick:?}");
    let zero = Decay::fit(&[1.0, 0.5, 0.0], RATE_HZ, 30.0, 0.0);
    assert_eq!(zero, Err(Obstacle::NotPositive { index: 2, value: 0.0 }));
    for (rate, span, quantum) in [(0.0, 60.0, 0.0), (1.0, 0.0, 0.0), (1.0, 60.0, -1.0)] {
        let got = Decay::fit(&x, rate, span, quantum);
        assert!(matches!(got, Err(Obstacle::OutOfRange { .. })), "{rate} {span} {quantum}");
    }
    assert!(Decay::fit(&[f64::NAN], RATE_HZ, 60.0, 0.0).is_err());
}
