use super::signals::{Noise, Wave, frac, naive_ramp};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::harmonic::{FLOOR_DBC, Harmonic};
use plumbtone_measure::reading::Obstacle;
use std::f64::consts::TAU;

const LEN: usize = 65_536;
const RATE: f64 = 48_000.0;

#[test]
fn own_floor_on_an_incoherent_sine() {
    // Bins more than 10 from the sine, from 0 and from half the rate, read as orders of a
    // fundamental that places them there.
    let mut analyser = Harmonic::new(LEN).unwrap();
    for hz in [61.803, 997.0, 3141.59, 7777.7] {
        let x: Vec<f64> = (0..LEN).map(|n| (TAU * frac(0.1, hz / RATE, n)).cos()).collect();
        let analysis = analyser.analyse(&x, RATE, hz, 4000).unwrap();
        for line in analysis.lines.iter().skip(1).filter(|l| l.resolved) {
            let dbc = analysis.dbc(line.order).unwrap();
            assert!(dbc <= FLOOR_DBC, "{hz} Hz, order {}: {dbc} dBc", line.order);
        }
        assert!(analysis.thd(9) < 1e-10 && analysis.thd_n(20.0, 20e3) < 1e-10);
        assert_abs_diff_eq!(analysis.phase_turns(1).unwrap(), 0.1, epsilon = 1e-10);
    }
}

#[test]
fn harmonics_of_additive_waves_are_recovered() {
    // Side lobes of -223 dB (7e-12) of the strongest line against lines down to 1/k^2.
    let mut analyser = Harmonic::new(LEN).unwrap();
    for wave in [Wave::Ramp, Wave::Triangle, Wave::Pulse(0.5), Wave::Pulse(0.1)] {
        for hz in [27.5, 261.6256, 2093.0045] {
            let x = wave.additive(hz / RATE, 0.2, LEN);
            let orders = (RATE / 2.0 / hz) as u32;
            let analysis = analyser.analyse(&x, RATE, hz, orders).unwrap();
            for line in analysis.lines.iter().filter(|l| l.resolved) {
                let want = wave.harmonic(line.order).abs();
                let fundamental = wave.harmonic(1).abs();
                if want < 1e-12 {
                    assert!(line.amplitude.norm() < 1e-11, "{wave:?} {hz} order {}", line.order);
                } else {
                    // 1e-9 relative, and the window's own floor for the weakest lines.
                    let limit = (1e-9 * want).max(1e-11 * fundamental);
                    let off = (line.amplitude.norm() - want).abs();
                    assert!(off <= limit, "{wave:?} {hz} order {}: {off:e}", line.order);
                }
            }
        }
    }
}

#[test]
fn phases_of_the_ramp_are_recovered() {
    // sum -2/(pi k) sin(k x): cosine phase of order k is k turns + 1/4.
    let mut analyser = Harmonic::new(LEN).unwrap();
    let x = Wave::Ramp.additive(440.0 / RATE, 0.2, LEN);
    let analysis = analyser.analyse(&x, RATE, 440.0, 40).unwrap();
    for k in 1..=40 {
        let want = (0.2 * f64::from(k) + 0.25).rem_euclid(1.0);
        let off = analysis.phase_turns(k).unwrap() - want;
        assert_abs_diff_eq!(off - off.round(), 0.0, epsilon = 1e-9);
    }
}

#[test]
fn agrees_with_coherent_analysis() {
    // A ramp with 61 periods in 2048 samples, trivial and smoothed. One cycle of it is
    // coherent; 32 cycles put its lines 32 bins apart for the window, aliases and all.
    // Side lobes (-223 dB: 7e-12) of the neighbours set the limit, in absolute terms; that
    // is 1e-6 dB at -40 dBc and 1e-3 dB at -100 dBc.
    let tone = Tone::new(61, 2048).unwrap();
    let p = 2048.0 / 61.0;
    let trivial: Vec<f64> = (0..LEN).map(|n| 2.0 * tone.turns(n % 2048) - 1.0).collect();
    let smooth: Vec<f64> = (0..LEN)
        .map(|n| (trivial[n].powi(2) - trivial[(n + LEN - 1) % LEN].powi(2)) * p / 4.0)
        .collect();
    let mut coherent = Coherent::new(2048).unwrap();
    let mut harmonic = Harmonic::new(LEN).unwrap();
    for x in [trivial, smooth] {
        let windowed = harmonic.analyse(&x, RATE, RATE * 61.0 / 2048.0, 1023).unwrap();
        let spectrum = coherent.analyse(&x[..2048]).unwrap();
        for (a, b) in spectrum.lines(tone).unwrap().zip(&windowed.lines) {
            assert!(b.resolved && a.alias == b.alias, "order {}", a.order);
            let off = (a.amplitude.norm() - b.amplitude.norm()).abs();
            assert!(off <= 1e-11, "order {}: {off:e}", a.order);
        }
    }
}

#[test]
fn noise_between_the_lines_and_thd_n() {
    let mut noise = Noise::seeded(3);
    let sigma = 1e-4;
    let mut x = Wave::Sine.additive(997.0 / RATE, 0.0, LEN);
    for (n, v) in x.iter_mut().enumerate() {
        *v += 0.01 * (2.0 * TAU * frac(0.0, 997.0 / RATE, n)).sin() + sigma * noise.gaussian();
    }
    let mut analyser = Harmonic::new(LEN).unwrap();
    let analysis = analyser.analyse(&x, RATE, 997.0, 20).unwrap();
    // Density 2 sigma^2 / fs. The median of n exponentials scatters by 1/(ln 2 sqrt n);
    // 32 000 bins, of which one in 5.4 is independent: 1.9 %, four sigma 7.5 %.
    let density = 2.0 * sigma * sigma / RATE;
    assert_relative_eq!(analysis.noise_density.unwrap(), density, max_relative = 0.075);
    // THD from one line of 1 %: noise of the bin, sigma sqrt(4 * 5.4 / len), is 1.8e-6.
    assert_relative_eq!(analysis.thd(20), 0.01, max_relative = 1e-3);
    let power = 1e-4 + 2.0 * density * (20e3 - 20.0);
    assert_relative_eq!(analysis.thd_n(20.0, 20e3), power.sqrt(), max_relative = 1e-3);
}

#[test]
fn close_lines_are_marked() {
    let mut analyser = Harmonic::new(LEN).unwrap();
    // At 12.001 kHz order 3 folds to 11 997 Hz: 4 Hz off, 5.5 bins, and weaker.
    let x = naive_ramp(12_001.0 / RATE, 0.0, LEN);
    let analysis = analyser.analyse(&x, RATE, 12_001.0, 3).unwrap();
    assert!(analysis.lines[0].resolved && !analysis.lines[2].resolved && analysis.lines[2].alias);
}

#[test]
fn what_cannot_be_analysed() {
    let mut analyser = Harmonic::new(128).unwrap();
    assert!(Harmonic::new(10).is_err());
    let x = Wave::Sine.additive(0.2, 0.0, 128);
    assert!(matches!(analyser.analyse(&x[..64], 1.0, 0.2, 1), Err(Obstacle::WrongLength { .. })));
    assert!(matches!(analyser.analyse(&x, 1.0, 0.05, 1), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(analyser.analyse(&x, 1.0, f64::NAN, 1), Err(Obstacle::OutOfRange { .. })));
    assert_eq!(analyser.analyse(&[0.0; 128], 1.0, 0.2, 1), Err(Obstacle::Silent));
}
