use super::signals::sinc;
use approx::assert_abs_diff_eq;
use plumbtone_measure::audibility::{Component, Criterion, Listener, bark, quiet_threshold_db};
use std::f64::consts::PI;

/// Lines of a sawtooth smoothed to order `n`, folded: (2/pi k) |sinc(k f0/fs)|^n, up to
/// 20 000 orders or until none can reach -6 dB SPL, which no ear hears.
fn sawtooth(f0: f64, rate: f64, n: i32) -> impl Iterator<Item = Component> {
    let least = 10f64.powf((-6.0 - 96.0) / 20.0);
    let bound = move |k: f64| 2.0 / (PI * k) * (rate / (PI * k * f0)).min(1.0).powi(n);
    (1..=20_000u32).take_while(move |k| bound(f64::from(*k)) > least).map(move |k| {
        let x = f64::from(k) * f0 / rate;
        let folded = (x - x.round()).abs();
        Component {
            hz: folded * rate,
            amplitude: 2.0 / (PI * f64::from(k)) * sinc(x).abs().powi(n),
            is_harmonic: x < 0.5,
        }
    })
}

#[test]
fn highest_clean_note_reproduces_the_published_anchors() {
    // Välimäki et al. 2010 and 2012, abstracts, and rows recomputed from the closed form. Anchors: "through C8" (4186 Hz) for order 4 differentiation
    // (Välimäki et al. 2010) against 4163; 7.8 kHz for the cubic B-spline (Välimäki et
    // al. 2012) against 7847. The table gives the highest clean note below the first
    // failure; limit 1 %, grid 2 Hz. Failures can be narrower than that (an alias passes
    // between two masks): finer grids find 603.7 and 2031 Hz for 48 kHz, n = 1 and 2.
    let rows =
        [(44_100.0, [582.0, 1946.0, 4163.0, 7847.0]), (48_000.0, [634.0, 2118.0, 4532.0, 8547.0])];
    let mut listener = Listener::new(Criterion::default());
    for (rate, row) in rows {
        for (n, want) in (1..).zip(row) {
            let grid = (30..8000).map(|i| 2.0 * f64::from(i));
            let (failing, _) = listener.first_audible_hz(grid, |f0| sawtooth(f0, rate, n)).unwrap();
            let f0 = failing - 2.0;
            assert!((f0 / want - 1.0).abs() <= 0.01, "{rate} Hz, n = {n}: {f0}, want {want}");
        }
    }
}

#[test]
fn quiet_threshold_and_bark_scale() {
    // By hand at 1 kHz: 3.64 - 6.5 exp(-0.6 * 2.3^2) + 0.001.
    assert_abs_diff_eq!(
        quiet_threshold_db(1000.0),
        3.641 - 6.5 * (-3.174f64).exp(),
        epsilon = 1e-12
    );
    // 1 kHz lies at 8.5 Bark (Zwicker & Fastl, from memory).
    assert_abs_diff_eq!(bark(1000.0), 8.5, epsilon = 0.05);
}

#[test]
fn one_masker_and_one_alias_by_hand() {
    let mut listener = Listener::new(Criterion::default());
    let masker = Component { hz: 1000.0, amplitude: 0.1, is_harmonic: true };
    for (hz, amplitude) in [(900.0, 1e-3), (1300.0, 1e-3), (950.0, 1e-2), (12_000.0, 1e-3)] {
        let alias = Component { hz, amplitude, is_harmonic: false };
        let level = 96.0 + 20.0 * amplitude.log10();
        let up = bark(hz) - bark(1000.0);
        // Masker: 76 dB SPL, so the mask starts at 66 dB; up 24 + 0.23 - 15.2 dB/Bark.
        let mask = 66.0 - if up > 0.0 { 9.03 * up } else { -27.0 * up };
        let worst = listener.worst([masker, alias]).unwrap();
        assert_abs_diff_eq!(
            worst.excess_db,
            level - mask.max(quiet_threshold_db(hz)),
            epsilon = 1e-9
        );
        assert_eq!(worst.line, alias);
    }
}

#[test]
fn the_early_end_of_the_search_changes_nothing() {
    // Brute force over all lines, written out again.
    let c = Criterion::default();
    let mut listener = Listener::new(c);
    for f0 in [311.0, 2217.0, 5919.0] {
        let lines: Vec<_> =
            sawtooth(f0, 44_100.0, 2).filter(|l| l.hz <= 20e3 && l.amplitude > 0.0).collect();
        let spl = |l: &Component| 96.0 + 20.0 * l.amplitude.log10();
        let excess = |l: &Component| {
            let masks = lines.iter().filter(|m| m.is_harmonic).map(|m| {
                let up = bark(l.hz) - bark(m.hz);
                let slope = if up > 0.0 { 24.0 + 230.0 / m.hz - 0.2 * spl(m) } else { -27.0 };
                spl(m) - 10.0 - slope * up
            });
            spl(l) - masks.fold(quiet_threshold_db(l.hz), f64::max)
        };
        let brute = lines
            .iter()
            .filter(|l| !l.is_harmonic && l.hz > 0.0)
            .map(excess)
            .fold(f64::MIN, f64::max);
        assert_abs_diff_eq!(
            listener.worst(lines.clone()).unwrap().excess_db,
            brute,
            epsilon = 1e-9
        );
    }
}

#[test]
fn lines_nobody_hears_are_ignored() {
    let mut listener = Listener::new(Criterion::default());
    let alias = |hz, amplitude| Component { hz, amplitude, is_harmonic: false };
    assert_eq!(listener.worst([alias(0.0, 1.0), alias(20_001.0, 1.0), alias(500.0, 0.0)]), None);
    assert!(Criterion::default().to_string().contains("96 dB SPL"));
}
