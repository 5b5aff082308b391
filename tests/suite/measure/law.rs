use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::law::{Law, Summary, decompose};
use plumbtone_measure::reading::Obstacle;

const CODES: usize = 65_536;

/// Octaves asked for by 16 bits over ten octaves from -5.
fn asked() -> Vec<f64> {
    (0..CODES).map(|code| -5.0 + 10.0 * code as f64 / CODES as f64).collect()
}

#[test]
fn planted_offset_scale_and_curvature() {
    // Curvature about the middle of the codes, where it is orthogonal to line and mean up to its
    // own mean, c w^2/12 of width w (n^2 - 1 for n^2: 2e-10).
    let asked = asked();
    let middle = 0.5 * (asked[0] + asked[CODES - 1]);
    let pairs: Vec<(f64, f64)> = asked
        .iter()
        .map(|x| (*x, x + (0.7 + 0.05 * x - 0.003 * (x - middle).powi(2)) / 1200.0))
        .collect();
    let found = Law::of(&pairs).unwrap().error;
    assert_relative_eq!(found.scale.value, 0.05, max_relative = 1e-9);
    assert_relative_eq!(found.curvature.value, -0.003, max_relative = 1e-9);
    assert_abs_diff_eq!(found.offset.value, 0.7 - 0.003 * 100.0 / 12.0, epsilon = 1e-9);
    // Rounding of the octaves: 1200 times half a unit of 5.
    assert!(found.worst_residual.cents.abs() < 1e-12 * 1.5, "{found:?}");
    // Worst error: at the low end, 0.7 - 0.25 - 0.075 = 0.375, at the high 0.875; the largest of
    // the parabola is inside: x with 0.05 = 0.006 (x - middle), beyond the end.
    assert_eq!(found.worst.code, CODES - 1);
    let end = asked[CODES - 1];
    let want = 0.7 + 0.05 * end - 0.003 * (end - middle).powi(2);
    assert_abs_diff_eq!(found.worst.cents, want, epsilon = 1e-11);
    assert_eq!(found.worst.octaves, end);
}

#[test]
fn one_code_of_65536_wrong_by_a_twentieth_of_a_cent() {
    let asked = asked();
    let mut noise = Noise::seeded(2);
    // Beside 0.01 cent of rounding everywhere and a slope of a whole cent per octave.
    let mut cents: Vec<f64> = asked.iter().map(|x| x + 0.01 * (noise.uniform() - 0.5)).collect();
    let clean = Summary::of(&asked, &cents).unwrap();
    assert!(clean.worst_residual.cents.abs() <= 0.0051);
    cents[40_123] += 0.05;
    let found = Law::of_errors(&asked, &cents).unwrap();
    assert_eq!(found.error.worst_residual.code, 40_123);
    assert_abs_diff_eq!(found.error.worst_residual.cents, 0.05, epsilon = 0.0052);
    // A step is 12000/65536 = 0.183 cents: 0.05 are 0.27 steps more, or less behind it.
    assert!([40_122, 40_123].contains(&found.steps.worst_code), "{:?}", found.steps);
    assert_abs_diff_eq!(found.steps.worst.abs(), 0.05 / (12_000.0 / 65_536.0), epsilon = 0.06);
    assert!(found.steps.monotonic());
}

#[test]
fn steps_backward_and_standing_still() {
    let asked: Vec<f64> = (0..100).map(|i| f64::from(i) / 12.0).collect();
    let mut got = asked.clone();
    got[50] = got[49];
    got[70] = got[69] - 0.01;
    let pairs: Vec<(f64, f64)> = asked.iter().copied().zip(got).collect();
    let steps = Law::of(&pairs).unwrap().steps;
    assert_eq!((steps.still, steps.first_still), (1, Some(49)));
    assert_eq!((steps.backward, steps.first_backward), (1, Some(69)));
    assert!(!steps.monotonic());
    // The step behind the backward one: from 69 - 0.12 semitones to 71, 2.12 for 1.
    assert_eq!(steps.worst_code, 69 + usize::from(steps.worst > 0.0));
    assert_relative_eq!(steps.worst.abs(), 1.12, max_relative = 1e-12);
    assert_relative_eq!(steps.worst_cents.abs(), 112.0, max_relative = 1e-12);
}

#[test]
fn parts_and_what_they_leave() {
    let asked = asked();
    let table: Vec<f64> =
        asked.iter().map(|x| 0.02 * (std::f64::consts::TAU * 12.0 * x).sin()).collect();
    let converter: Vec<f64> = asked.iter().map(|x| 0.3 + 0.1 * x).collect();
    let mut total: Vec<f64> = table.iter().zip(&converter).map(|(a, b)| a + b).collect();
    total[777] -= 0.004;
    let parts: [(&str, &[f64]); 2] = [("table", &table), ("converter", &converter)];
    let found = decompose(&asked, &total, &parts).unwrap();
    assert_eq!(
        found.parts.iter().map(|p| p.0.as_str()).collect::<Vec<_>>(),
        ["table", "converter"]
    );
    // A sine of whole periods: rms over root 2, no slope but 6/(pi cycles w) of its amplitude.
    assert_relative_eq!(
        found.parts[0].1.rms_cents,
        0.02 * std::f64::consts::FRAC_1_SQRT_2,
        max_relative = 1e-9
    );
    assert_relative_eq!(found.parts[1].1.scale.value, 0.1, max_relative = 1e-12);
    assert_relative_eq!(found.parts[1].1.offset.value, 0.3, max_relative = 1e-12);
    assert_eq!(found.unexplained.worst.code, 777);
    assert_abs_diff_eq!(found.unexplained.worst.cents, -0.004, epsilon = 1e-14);
    assert_eq!(found.total.worst.code, Summary::of(&asked, &total).unwrap().worst.code);
}

#[test]
fn a_law_in_semitones_is_no_law_in_octaves() {
    // Twelve times too much asked for: the scale says so, 11 octaves of 1200 cents too many.
    let pairs: Vec<(f64, f64)> = (0..60).map(|i| (f64::from(i) / 12.0, f64::from(i))).collect();
    let found = Law::of(&pairs).unwrap().error;
    assert_relative_eq!(found.scale.value, 11.0 * 1200.0, max_relative = 1e-12);
}

#[test]
fn what_is_no_law() {
    let pairs = [(0.0, 0.0), (1.0, 1.0), (0.5, 0.5), (2.0, 2.0)];
    assert!(matches!(Law::of(&pairs), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(Law::of(&pairs[..2]), Err(Obstacle::TooShort { .. })));
    let broken = [(0.0, 0.0), (1.0, f64::INFINITY), (2.0, 2.0), (3.0, 3.0)];
    assert!(matches!(Law::of(&broken), Err(Obstacle::NotFinite { index: 1 })));
    assert!(matches!(
        Summary::of(&[0.0, 1.0, 2.0, 3.0], &[0.0; 3]),
        Err(Obstacle::WrongLength { have: 3, need: 4 })
    ));
}
