use super::{sampled, worst_line_error};
use plumbtone_theory::fourier::PiecewiseLinear;
use plumbtone_theory::lines::{BandLimited, Capture, Corrected, Kernel, Lines};
use plumbtone_theory::{db, tables};

const SAMPLE_RATE_HZ: f64 = 44_100.0;

/// Folds `k f0` and calls `line(hz, is_alias, amplitude)` for the first 20 000 orders of a ramp.
fn ramp_lines(f0_hz: f64, n: u32, mut line: impl FnMut(f64, bool, f64)) {
    let ramp = PiecewiseLinear::ramp();
    let kernel = Kernel::BSpline(n);
    for k in 1..=20_000 {
        let hz = f64::from(k) * f0_hz;
        let folded = (hz - SAMPLE_RATE_HZ * (hz / SAMPLE_RATE_HZ).round()).abs();
        let amplitude = ramp.amplitude(k) * kernel.gain(hz / SAMPLE_RATE_HZ).abs();
        line(folded, hz > 0.5 * SAMPLE_RATE_HZ, amplitude);
    }
}

/// Alias power over harmonic power, 0-20 kHz, at 44.1 kHz with 20 000 harmonics; recomputed
/// elsewhere from the published law, one decimal.
#[test]
fn alias_power_matches_the_published_rows() {
    for (f0_hz, row) in [
        (440.0, [-19.7, -30.9, -37.8, -43.8, -49.4, -54.9]),
        (1046.5, [-16.0, -27.6, -34.7, -41.0, -47.0, -52.7]),
        (1245.0, [-15.1, -26.5, -33.5, -39.6, -45.4, -51.0]),
        (2093.0, [-12.7, -23.9, -30.7, -36.7, -42.4, -48.0]),
        (2960.0, [-11.3, -23.2, -30.6, -37.2, -43.5, -49.6]),
        (4186.0, [-9.2, -19.6, -25.8, -31.3, -36.6, -41.8]),
        (7902.0, [-6.6, -20.1, -29.7, -38.6, -47.4, -56.1]),
    ] {
        for (n, printed) in (0..).zip(row) {
            let (mut harmonics, mut aliases) = (0.0, 0.0);
            ramp_lines(f0_hz, n, |hz, alias, amplitude| {
                if hz <= 20_000.0 {
                    *(if alias { &mut aliases } else { &mut harmonics }) += amplitude * amplitude;
                }
            });
            let ratio: f64 = 10.0 * f64::log10(aliases / harmonics);
            assert!((ratio - printed).abs() <= 0.05, "{f0_hz} Hz, n = {n}: {ratio}");
        }
    }
}

/// Worst alias line below the fundamental in dBc, same source.
#[test]
fn worst_alias_below_the_fundamental_matches_the_published_rows() {
    for (f0_hz, row) in [
        (440.0, [-40.0, -82.4, -124.7, -167.1, -209.4, -251.7]),
        (1046.5, [-32.5, -66.7, -100.6, -134.6, -168.6, -202.6]),
        (2093.0, [-26.4, -54.3, -81.8, -109.3, -136.8, -164.2]),
        (4186.0, [-20.0, -45.3, -70.7, -96.0, -121.4, -146.7]),
        (7902.0, [-14.0, -32.4, -50.8, -69.1, -87.5, -105.9]),
    ] {
        for (n, printed) in (0..).zip(row) {
            let (mut worst, mut fundamental) = (0.0_f64, 0.0);
            ramp_lines(f0_hz, n, |hz, alias, amplitude| {
                if !alias && hz == f0_hz {
                    fundamental = amplitude;
                }
                if alias && hz < f0_hz {
                    worst = worst.max(amplitude);
                }
            });
            let level = db(worst / fundamental);
            assert!((level - printed).abs() <= 0.05, "{f0_hz} Hz, n = {n}: {level}");
        }
    }
}

/// The sampled ideal waveforms hold every partner of every line: nothing decays.
#[test]
fn sampled_ideal_waveforms_match_their_transform() {
    for (samples, periods) in [(1024, 137), (1000, 3), (4096, 2047), (4097, 6)] {
        for start in [0.0, 0.3, 0.123_456] {
            let capture = Capture::new(samples, periods, start, 0.0).unwrap();
            for wave in [
                PiecewiseLinear::ramp(),
                PiecewiseLinear::triangle(),
                PiecewiseLinear::pulse(0.31).unwrap(),
                PiecewiseLinear::ramp().hard_synced(2.7).unwrap(),
                PiecewiseLinear::triangle().hard_synced(3.3).unwrap(),
            ] {
                let captured = sampled(&capture, start, |phi| wave.value(phi));
                let prediction = Corrected::new(&wave, Kernel::None).unwrap();
                let error = worst_line_error(&prediction, &capture, captured);
                // Rotation and transform both stay within a few hundred ulp of full scale.
                assert!(error < 1e-12, "{periods}/{samples} from {start}: {error:e}");
            }
        }
    }
}

/// The elementary sum for one step at the first sample: `2/(N sin(pi k/N))`.
#[test]
fn sampled_ramp_has_cosecant_lines() {
    let wave = PiecewiseLinear::ramp();
    let capture = Capture::new(65_536, 997, 0.0, 0.0).unwrap();
    let mut lines = Vec::new();
    Corrected::new(&wave, Kernel::None).unwrap().magnitudes(&capture, &mut lines);
    for (k, line) in lines.iter().enumerate().skip(1).take(32_766) {
        let exact = 2.0 / (65_536.0 * (std::f64::consts::PI * k as f64 / 65_536.0).sin());
        assert!((line / exact - 1.0).abs() < 1e-12, "order {k}");
    }
}

/// `reference-tables/corrected-ramp-lines`: time domain and transform in 80 digits.
#[test]
fn smoothed_ramp_matches_the_table() {
    let wave = PiecewiseLinear::ramp();
    let rows = tables::corrected_ramp_lines().unwrap();
    assert_eq!(rows.len(), 511);
    for n in 1..=5_u32 {
        let capture = Capture::new(
            tables::CORRECTED_RAMP_SAMPLES,
            tables::CORRECTED_RAMP_PERIODS,
            tables::CORRECTED_RAMP_START_CYCLES,
            0.5 * f64::from(n),
        )
        .unwrap();
        let mut lines = Vec::new();
        Corrected::new(&wave, Kernel::BSpline(n)).unwrap().magnitudes(&capture, &mut lines);
        for (k, row) in (1..).zip(&rows) {
            let relative = (lines[k] / row[n as usize - 1] - 1.0).abs();
            // sin(pi k M/N) >= pi/N = 3e-3 keeps 64 ulp of rotation below 5e-12 relative, five
            // times over for the power.
            assert!(relative < 2.5e-11, "n = {n}, order {k}: {relative:e}");
        }
    }
}

/// The kernel 1 - t/2 - t^2 + t^3/2 (t < 1), 1 - 11t/6 + t^2 - t^3/6 (t < 2), transformed by
/// Simpson's rule.
#[test]
fn lagrange_law_is_the_transform_of_its_kernel() {
    let kernel = |t: f64| match t {
        t if t < 1.0 => 1.0 - t / 2.0 - t * t + t.powi(3) / 2.0,
        t => 1.0 - 11.0 * t / 6.0 + t * t - t.powi(3) / 6.0,
    };
    for x in [0.0, 0.1, 0.37, 0.5, 0.93, 1.4, 2.5] {
        let h = 1.0 / 2000.0;
        let value = |i: u32| {
            let t = f64::from(i) * h;
            2.0 * kernel(t) * (std::f64::consts::TAU * x * t).cos()
        };
        let panels = (0..2000).map(|i| value(2 * i) + 4.0 * value(2 * i + 1) + value(2 * i + 2));
        let transform: f64 = panels.sum::<f64>() * h / 3.0;
        // h^4/180 times the fourth derivative, below (2 pi 2.5)^4 = 6e4 on a length of 2.
        let bound = 4.0 * h.powi(4) / 180.0 * 6.1e4 + 1e-14;
        assert!((Kernel::Lagrange4.gain(x) - transform).abs() < bound, "x = {x}");
    }
}

/// The closed sum against a plain one over many partners, for a law that no oscillator here has.
#[test]
fn lagrange_lines_match_a_plain_sum() {
    let wave = PiecewiseLinear::pulse(0.3).unwrap();
    let capture = Capture::new(256, 37, 0.2, 0.0).unwrap();
    let mut lines = Vec::new();
    Corrected::new(&wave, Kernel::Lagrange4).unwrap().lines(&capture, &mut lines);
    for (order, line) in lines.iter().enumerate() {
        let plain: plumbtone_theory::Complex64 = (-2000..=2000_i64)
            .map(|j| {
                let k = order as i64 + 256 * j;
                let turn = std::f64::consts::TAU * (k as f64 * 0.2).rem_euclid(1.0);
                wave.coefficient(k)
                    * Kernel::Lagrange4.gain(k as f64 * capture.increment())
                    * plumbtone_theory::Complex64::cis(turn)
            })
            .sum();
        // Partners fall as j^-3: the rest is below 2/(2 * 2000^2) of 2/(pi N) sin^4/(pi M)^2.
        assert!((plain - line).norm() < 1e-13, "order {order}");
    }
}

#[test]
fn latency_turns_the_phase_only() {
    let wave = PiecewiseLinear::ramp();
    let prediction = Corrected::new(&wave, Kernel::BSpline(2)).unwrap();
    let (mut now, mut later) = (Vec::new(), Vec::new());
    prediction.lines(&Capture::new(512, 33, 0.2, 0.0).unwrap(), &mut now);
    prediction.lines(&Capture::new(512, 33, 0.2, 3.0).unwrap(), &mut later);
    for (order, (a, b)) in now.iter().zip(&later).enumerate() {
        let turn = -std::f64::consts::TAU * (order * 33 * 3 % 512) as f64 / 512.0;
        assert!((a * plumbtone_theory::Complex64::cis(turn) - b).norm() < 1e-12, "order {order}");
    }
}

#[test]
fn sine_has_one_line() {
    let capture = Capture::new(512, 33, 0.2, 0.0).unwrap();
    let captured = sampled(&capture, 0.2, plumbtone_theory::waveforms::sine);
    assert!(worst_line_error(&BandLimited::sine(), &capture, captured) < 1e-14);
}

#[test]
fn captures_place_every_order_in_a_bin_of_its_own() {
    let capture = Capture::new(1024, 137, 0.0, 0.0).unwrap();
    let mut bins: Vec<u64> = (0..=capture.highest_order()).map(|k| capture.bin(k)).collect();
    bins.sort_unstable();
    assert!(bins.iter().copied().eq(0..=512));
    assert!(capture.is_harmonic(3) && !capture.is_harmonic(4));
    for (samples, periods) in [(1024, 136), (1024, 0), (1024, 512), (1, 1)] {
        assert!(Capture::new(samples, periods, 0.0, 0.0).is_err(), "{periods}/{samples}");
    }
}
