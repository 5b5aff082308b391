use super::signals::Wave;
use approx::assert_relative_eq;
use plumbtone_measure::level::{Level, longest_clipped_run, screen, unclipped};
use plumbtone_measure::reading::Obstacle;

#[test]
fn sine_with_dc_reads_its_closed_form() {
    // 1000 samples hold 7 periods: rms A/sqrt 2 exactly. Sums of 1000 terms: 1e-13.
    let dc = 100.0;
    let x: Vec<f64> = Wave::Sine.additive(0.007, 0.0, 1000).iter().map(|s| dc + 1e-3 * s).collect();
    let level = Level::of(&x).unwrap();
    assert_relative_eq!(level.dc, dc, max_relative = 1e-13);
    // The AC is 1e-5 of the DC and loses five digits of f64.
    assert_relative_eq!(level.ac_rms, 1e-3 / 2f64.sqrt(), max_relative = 1e-10);
    assert_relative_eq!(level.rms, (dc * dc + 0.5e-6).sqrt(), max_relative = 1e-13);
}

#[test]
fn crest_and_full_scale() {
    let x = Wave::Sine.additive(0.25, 0.25, 400);
    let level = Level::of(&x).unwrap();
    assert_relative_eq!(level.crest(), 2f64.sqrt(), max_relative = 1e-12);
    assert_relative_eq!(level.dbfs(), 0.0, epsilon = 1e-12);
    assert_eq!(level.peak_index, 0);
}

#[test]
fn clipping_is_three_in_a_row_at_the_extreme() {
    assert_eq!(longest_clipped_run(&[0.0, 0.5, 0.5, 0.0, -0.5, 0.2, 0.2, 0.2]), None);
    let run = longest_clipped_run(&[0.0, 0.5, 0.5, 0.5, 0.0, -0.7, -0.7, -0.7, -0.7]).unwrap();
    assert_eq!((run.index, run.run, run.value), (5, 4, -0.7));
    let sine = Wave::Sine.additive(0.01, 0.0, 300);
    assert_eq!(unclipped(&sine), Ok(()));
    let clipped: Vec<f64> = sine.iter().map(|s| s.clamp(-0.9, 0.9)).collect();
    assert!(matches!(unclipped(&clipped), Err(Obstacle::Clipped { run: 15, .. })));
}

#[test]
fn the_screen_names_what_is_wrong() {
    assert_eq!(screen(&[]), Err(Obstacle::TooShort { have: 0, need: 1 }));
    assert_eq!(screen(&[0.0; 9]), Err(Obstacle::Silent));
    assert_eq!(screen(&[0.25; 9]), Err(Obstacle::Constant { value: 0.25 }));
    assert_eq!(screen(&[0.0, f64::NAN]), Err(Obstacle::NotFinite { index: 1 }));
    assert_eq!(screen(&[f64::INFINITY, 0.0]), Err(Obstacle::NotFinite { index: 0 }));
    assert_eq!(screen(&[0.0, 1e-300]), Ok(()));
}
