use super::signals::{Wave, sinc};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use num_complex::Complex64;
use plumbtone_measure::coherent::{Coherent, FLOOR_DBC, Tone};
use plumbtone_measure::reading::Obstacle;
use std::f64::consts::{PI, TAU};

fn sine(tone: Tone) -> Vec<f64> {
    (0..tone.samples()).map(|n| (TAU * tone.turns(n)).cos()).collect()
}

#[test]
fn own_floor_on_an_exact_sine() {
    let len = 65536;
    let mut analyser = Coherent::new(len).unwrap();
    for periods in [1, 3, 997, 1481, 9973, 21845, 32765] {
        let tone = Tone::new(periods, len).unwrap();
        let samples = sine(tone);
        let spectrum = analyser.analyse(&samples).unwrap();
        let worst = spectrum
            .bins()
            .iter()
            .enumerate()
            .filter(|(bin, _)| *bin != tone.fold(1))
            .map(|(_, a)| a.norm())
            .fold(0.0, f64::max);
        let dbc = 20.0 * worst.log10();
        assert!(dbc <= FLOOR_DBC, "{periods} periods: {dbc} dBc");
        let a = spectrum.bins()[tone.fold(1)];
        assert_abs_diff_eq!((a - Complex64::new(1.0, 0.0)).norm(), 0.0, epsilon = 1e-15);
    }
}

#[test]
fn amplitude_dc_and_nyquist_scale() {
    let mut analyser = Coherent::new(64).unwrap();
    let x: Vec<f64> = (0..64)
        .map(|n| {
            let alternating = if n % 2 == 0 { 0.125 } else { -0.125 };
            0.5 + 0.25 * (TAU * 5.0 * n as f64 / 64.0 + 0.7).cos() + alternating
        })
        .collect();
    let s = analyser.analyse(&x).unwrap();
    assert_relative_eq!(s.dc(), 0.5, max_relative = 1e-14);
    assert_abs_diff_eq!(
        (s.bins()[5] - Complex64::from_polar(0.25, 0.7)).norm(),
        0.0,
        epsilon = 1e-15
    );
    assert_relative_eq!(s.bins()[32].re, 0.125, max_relative = 1e-14);
}

#[test]
fn every_bin_is_exactly_one_line_and_the_lowest_order_wins() {
    for (periods, len) in [(7, 64), (5, 63), (4, 63), (101, 1000), (31, 64), (1, 64)] {
        let tone = Tone::new(periods, len).unwrap();
        let mut analyser = Coherent::new(len).unwrap();
        let lines: Vec<_> = analyser.analyse(&sine(tone)).unwrap().lines(tone).unwrap().collect();
        let mut bins: Vec<usize> = lines.iter().map(|l| l.bin).collect();
        bins.sort_unstable();
        assert_eq!(bins, (1..=len / 2).collect::<Vec<_>>());
        for (i, line) in lines.iter().enumerate() {
            assert_eq!(line.order as usize, i + 1);
            assert_eq!(line.bin, tone.fold(u64::from(line.order)));
            assert_eq!(line.alias, line.order as usize * periods as usize > len / 2);
            assert_eq!(line.below_fundamental, line.bin < periods as usize);
            // Brute force: no lower order falls on this bin.
            assert!((1..u64::from(line.order)).all(|k| tone.fold(k) != line.bin));
        }
    }
}

#[test]
fn trivially_sampled_ramp_has_its_closed_form_lines() {
    // The exact DFT of r[n] = 2 (nM mod N)/N - 1: a permutation of the DFT of the plain
    // ramp, sum_m (2m/N) exp(-i 2 pi k m/N) / N = -1/N + (i/N) cot(pi k/N), k != 0.
    let tone = Tone::new(1481, 65536).unwrap();
    let n = 65536.0;
    let x: Vec<f64> = (0..65536).map(|i| 2.0 * tone.turns(i) - 1.0).collect();
    let mut analyser = Coherent::new(65536).unwrap();
    for line in analyser.analyse(&x).unwrap().lines(tone).unwrap().take(32767) {
        let exact = 2.0 / n / (PI * f64::from(line.order) / n).sin();
        // Floor of the instrument is -290 dB: 3e-15 of the full amplitude.
        assert_abs_diff_eq!(line.amplitude.norm(), exact, epsilon = 3.2e-15);
    }
}

#[test]
fn smoothed_ramp_follows_the_sinc_law() {
    // Differentiated parabola: (2/pi k) |sinc(k f0/fs)|, Välimäki et al., IEEE TASLP
    // 18(4), 2010. The orders jN +- k share the bin of k and the parabola falls as 1/k^2:
    // sum_j 1/(k + jN)^2 = (pi/N)^2 / sin^2(pi k/N), so the law takes the factor below.
    let tone = Tone::new(997, 16384).unwrap();
    let (m, n) = (997.0, 16384.0);
    let p = n / m;
    let s = |i: usize| 2.0 * tone.turns(i) - 1.0;
    let x: Vec<f64> =
        (0..16384).map(|i| (s(i).powi(2) - s((i + 16383) % 16384).powi(2)) * p / 4.0).collect();
    let mut analyser = Coherent::new(16384).unwrap();
    for line in analyser.analyse(&x).unwrap().lines(tone).unwrap().take(8191) {
        let k = f64::from(line.order);
        let x = PI * k / n;
        let law = 2.0 / (PI * k) * sinc(k * m / n).abs() * (x / x.sin()).powi(2);
        // Rounding of the parabola, 1e-16, times p/4 and spread over all bins.
        assert_abs_diff_eq!(line.amplitude.norm(), law, epsilon = 1e-15);
    }
}

#[test]
fn bad_tones_are_refused() {
    assert!(matches!(Tone::new(6, 64), Err(Obstacle::NotCoprime { factor: 2, .. })));
    assert!(matches!(Tone::new(0, 64), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(Tone::new(33, 64), Err(Obstacle::OutOfRange { .. })));
    let tone = Tone::new(5, 64).unwrap();
    let mut analyser = Coherent::new(128).unwrap();
    assert!(matches!(analyser.analyse(&[0.0; 64]), Err(Obstacle::WrongLength { .. })));
    let spectrum = analyser.analyse(&[0.0; 128]).unwrap();
    assert!(matches!(spectrum.lines(tone).map(|_| ()), Err(Obstacle::WrongLength { .. })));
    assert!(Coherent::new(2).is_err());
}

#[test]
fn nearest_tone_is_coprime_and_close() {
    for key in 0..128 {
        let hz = super::signals::key_hz(key);
        let tone = Tone::nearest(hz, 44_100.0, 65536).unwrap();
        // Odd numbers are coprime to a power of two: never more than one bin off.
        assert!((tone.hz(44_100.0) - hz).abs() <= 44_100.0 / 65536.0, "key {key}");
    }
    assert!(Tone::nearest(30_000.0, 44_100.0, 65536).is_err());
}

#[test]
fn dirty_buffers_do_not_leak_into_the_next_capture() {
    let tone = Tone::new(7, 64).unwrap();
    let mut analyser = Coherent::new(64).unwrap();
    let first = analyser.analyse(&sine(tone)).unwrap().bins().to_vec();
    let ramp: Vec<f64> = Wave::Ramp.additive(0.01, 0.0, 64);
    analyser.analyse(&ramp).unwrap();
    assert_eq!(first, analyser.analyse(&sine(tone)).unwrap().bins());
}
