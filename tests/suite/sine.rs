//! The sine: its fit, its rounding, its lines.

use crate::common::{TWINS, assert_all, note, setup, twin, yardstick};
use plumbtone::Kind;
use plumbtone::check::Shape;
use plumbtone::subject::Stimulus;
use plumbtone::worker::{COHERENT_SAMPLES, SETTLE_SAMPLES, START};
use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_theory::tables;
use plumbtone_voice::oscillators::sine::MINIMAX;

#[test]
fn sine_stays_within_its_fit_and_rounding() {
    let rates = [8_000, 11_025, 44_100, 48_000, 88_200, 96_000, 192_000];
    let checks = TWINS.into_iter().map(|which| {
        let check = twin("sine", which, Shape::Sine).keys((9..=105).step_by(6)).rates(rates);
        check.derived(Kind::Rounding).derived(Kind::Pitch)
    });
    assert_all("sine", checks.collect());
}

/// The table has 25 digits; 16 of them are written in the source, so one f64 spacing is allowed.
#[test]
fn sine_coefficients_are_those_of_the_table() {
    let table = tables::sine_minimax().unwrap();
    assert_eq!(table.coefficients.len(), MINIMAX.len());
    for (coefficient, tabled) in MINIMAX.iter().zip(&table.coefficients) {
        // The last two digits of the source stand for 1e-16 at most.
        assert!((coefficient - tabled).abs() <= 1e-16 + tabled.abs() * f64::EPSILON, "{tabled}");
    }
}

/// The error of the best fit takes its extreme with alternating signs at six places (Chebyshev).
#[test]
fn sine_fit_errs_by_the_tabled_extreme_six_times() {
    const POINTS: u32 = 1 << 16;
    let extreme = tables::sine_minimax().unwrap().error;
    let mut signs = Vec::new();
    let mut worst = 0.0_f64;
    for i in 0..=POINTS {
        let x = f64::from(i) / f64::from(POINTS);
        let square = x * x;
        let fit = MINIMAX.iter().rev().fold(0.0, |sum, c| sum * square + c) * x;
        let error = (std::f64::consts::FRAC_PI_2 * x).sin() - fit;
        worst = worst.max(error.abs());
        // A grid of 2^-16 misses an extreme by its curvature, 1e-5 of it; 1e-3 is wide of that.
        if error.abs() > 0.999 * extreme && signs.last() != Some(&error.is_sign_positive()) {
            signs.push(error.is_sign_positive());
        }
    }
    assert!((worst / extreme - 1.0).abs() < 1e-5, "{worst:e} against {extreme:e}");
    assert_eq!(signs.len(), MINIMAX.len() + 1);
}

/// An error that nowhere exceeds E has no line above 4E/π: that of a square wave of height E.
#[test]
fn no_harmonic_of_the_sine_stands_above_what_its_error_allows() {
    for which in TWINS {
        let sine = yardstick("sine", &plumbtone_voice::Setup { shape: Shape::Sine, ..setup() });
        for hz in [55.0, 440.0, 3_520.0, 20_000.0] {
            let tone = Tone::nearest(hz, 48_000.0, COHERENT_SAMPLES).unwrap();
            let stimulus = Stimulus::note(Shape::Sine, tone.hz(48_000.0), 48_000).with_start(START);
            let samples = note("sine", which, &stimulus, SETTLE_SAMPLES + COHERENT_SAMPLES);
            let mut coherent = Coherent::new(COHERENT_SAMPLES).unwrap();
            let spectrum = coherent.analyse(&samples[SETTLE_SAMPLES..]).unwrap();
            let (bound, _) = sine.rounding(which, tone.hz(1.0));
            let allowed = 4.0 / std::f64::consts::PI * bound;
            for line in spectrum.lines(tone).unwrap().skip(1) {
                let level = line.amplitude.norm();
                assert!(level <= allowed, "{which:?} {hz} Hz, line {}: {level:e}", line.order);
            }
            assert!(spectrum.dc().abs() <= bound, "{which:?}: mean {:e}", spectrum.dc());
        }
    }
}
