use super::filters::Ladder;
use plumbtone_measure::cents;
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::self_oscillation::{read, threshold};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 48_000.0;

/// One-pole stages, feedback one sample late, g = 1 - exp(-2 pi fc/fs).
fn naive(hz: f64, k: f64, len: usize) -> Vec<f64> {
    let g = 1.0 - (-TAU * hz / RATE_HZ).exp();
    let mut y = [0.0; 4];
    (0..len)
        .map(|n| {
            let mut x = f64::from(u8::from(n == 0)) - k * y[3];
            for stage in &mut y {
                *stage += g * (x - *stage);
                x = *stage;
            }
            x
        })
        .collect()
}

/// The known faults of the naive loop at 48 kHz, from its characteristic equation, recomputed
/// elsewhere: threshold to 1e-4 as printed, tuning to 0.05 cent.
#[test]
fn naive_loop_reads_its_known_errors() {
    for (hz, interval, setting) in
        [(100.0, 11.36, 4.0529), (1000.0, 115.96, 4.5790), (5000.0, 664.4, 8.551)]
    {
        let len = (120.0 * RATE_HZ / hz) as usize;
        let found = threshold(3.5, 9.5, 1e-7, |k| Ok(naive(hz, k, len))).unwrap();
        let printed = if hz < 5000.0 { 0.5001e-4 } else { 0.5001e-3 };
        assert!((found.value - setting).abs() <= printed, "{hz} Hz: {found:?}");
        let off = cents(found.cycles_per_sample * RATE_HZ, hz) - interval;
        assert!(off.abs() < 0.05, "{hz} Hz: {off} cents");
    }
    // At 10 kHz nothing below half the rate: the loop breaks at half the rate, and no mode rings.
    let none = threshold(3.5, 12.0, 1e-5, |k| Ok(naive(10_000.0, k, 600)));
    assert!(none.is_err(), "{none:?}");
}

/// The delay-free loop oscillates at exactly 4 and exactly its cutoff; a feedback scaled by 1.01
/// reads 3.9604.
#[test]
fn delay_free_loop_oscillates_at_four() {
    for (hz, scale) in [(20.0, 1.0), (1000.0, 1.0), (15_000.0, 1.0), (1000.0, 1.01)] {
        let len = (100.0 * RATE_HZ / hz) as usize;
        let render = |k: f64| Ok(Ladder::new(hz / RATE_HZ, scale * k).impulse(len));
        let found = threshold(3.7, 4.2, 1e-7, render).unwrap();
        assert!((found.value * scale / 4.0 - 1.0).abs() < 1e-6, "{hz} Hz: {found:?}");
        assert!(cents(found.cycles_per_sample * RATE_HZ, hz).abs() < 1e-3, "{hz} Hz: {found:?}");
        assert!(found.uncertainty <= 1e-7 * 4.2);
    }
    let decays = threshold(3.0, 3.5, 1e-5, |k| Ok(Ladder::new(0.02, k).impulse(5000)));
    assert!(matches!(decays, Err(Obstacle::NoTone)));
    let refused = threshold(3.0, 5.0, 1e-5, |_| Err(Obstacle::Silent));
    assert!(matches!(refused, Err(Obstacle::Silent)));
    assert!(threshold(5.0, 3.0, 1e-5, |_| Err(Obstacle::Silent)).is_err());
}

/// Harmonics planted 20 to 120 dB down, and a slow rise of 0.1 dB.
#[test]
fn a_limit_cycle_is_read_with_its_harmonics() {
    let (hz, planted) = (440.37, [(1, 0.25), (3, 2.5e-3), (5, 2.5e-6)]);
    let samples: Vec<f64> = (0..65_536)
        .map(|n| {
            let t = f64::from(n) * hz / RATE_HZ;
            planted.iter().map(|(k, a)| a * (TAU * (f64::from(*k) * t).fract() + 0.3).sin()).sum()
        })
        .collect();
    let found = read(&samples, RATE_HZ, 440.0, 5).unwrap();
    assert!(cents(found.pitch.hz, hz).abs() < 1e-6, "{found:?}");
    assert!((found.amplitude / 0.25 - 1.0).abs() < 1e-9, "{found:?}");
    for (order, level) in [(3, -40.0), (5, -100.0)] {
        assert!((found.harmonics_dbc[order - 2] - level).abs() < 1e-4, "{found:?}");
    }
    assert!(found.harmonics_dbc[0] < -200.0 && found.drift_db.abs() < 0.01, "{found:?}");
    let rising: Vec<f64> =
        samples.iter().zip(0..).map(|(x, n)| x * (1e-6 * f64::from(n)).exp()).collect();
    // e^(1e-6 * 32768) between the middles of the halves: 0.2846 dB.
    let drift = read(&rising, RATE_HZ, 440.0, 5).unwrap().drift_db;
    assert!((drift - 0.2846).abs() < 0.01, "{drift}");
}

/// A tanh at the summing node of a delay-free ladder at 12 kHz sampled at 480 kHz, against the
/// differential equation (scipy DOP853, reference-tables/ladder-limit-cycle): k = 5 oscillates at
/// 0.99971149 of the cutoff with amplitude 0.20842986 and a third harmonic of -50.96535 dB.
#[test]
fn saturating_ladder_reads_as_the_differential_equation() {
    // Fourth-order Runge-Kutta, 400 steps per period: error (2 pi/400)^4/120 = 5e-10 a radian.
    let k = 5.0;
    let slope = |y: [f64; 4]| -> [f64; 4] {
        [(-k * y[3]).tanh() - y[0], y[0] - y[1], y[1] - y[2], y[2] - y[3]]
    };
    let h = TAU / 400.0;
    let add =
        |y: [f64; 4], d: [f64; 4], f: f64| -> [f64; 4] { std::array::from_fn(|i| y[i] + f * d[i]) };
    let mut y = [0.0, 0.0, 0.1, 0.0];
    let mut out = Vec::new();
    for n in 0..400 * 300 {
        let a = slope(y);
        let b = slope(add(y, a, h / 2.0));
        let c = slope(add(y, b, h / 2.0));
        let d = slope(add(y, c, h));
        let sum: [f64; 4] = std::array::from_fn(|i| a[i] + 2.0 * b[i] + 2.0 * c[i] + d[i]);
        y = add(y, sum, h / 6.0);
        if n >= 400 * 136 && n % 4 == 0 {
            out.push(y[3]);
        }
    }
    let rate_hz = 100.0;
    let found = read(&out, rate_hz, 1.0, 5).unwrap();
    assert!(cents(found.pitch.hz, 0.999_711_491_3).abs() < 1e-3, "{found:?}");
    assert!((found.amplitude / 0.208_429_864 - 1.0).abs() < 1e-6, "{found:?}");
    assert!((found.harmonics_dbc[1] + 50.965_35).abs() < 1e-3, "{found:?}");
    assert!((found.harmonics_dbc[3] + 88.698_9).abs() < 1e-2, "{found:?}");
}
