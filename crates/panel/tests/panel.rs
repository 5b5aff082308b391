//! What panel 7 must keep, and what the bench says of a module that does not.

use plumbtone::check::{self, Check, Shape};
use plumbtone_example_panel::{HastyRamp, SmoothRamp};

/// The requirement of the panel, for whichever ramp it gets.
fn requirement(ramp: Check) -> Check {
    ramp.keys((33..=81).step_by(6))
        .rates([44_100])
        .pitch_within_cents(0.5)
        .aliases_below_db(-36.0)
        .aliases_inaudible()
}

#[test]
fn smooth_ramp_keeps_the_requirement() {
    let ramp = check::oscillator(Shape::Ramp, |note| {
        let mut ramp = SmoothRamp::new(note.hz, note.rate_hz);
        move || ramp.next_sample()
    });
    requirement(ramp.named("smooth ramp")).assert();
}

/// A failing module, on purpose: this is the text an engineer gets to read.
#[test]
fn hasty_ramp_fails_with_the_worst_case_first() {
    let ramp = check::oscillator(Shape::Ramp, |note| {
        let mut ramp = HastyRamp::new(note.hz, note.rate_hz);
        move || ramp.next_sample()
    });
    let report = requirement(ramp.named("hasty ramp")).try_assert().unwrap_err().to_string();
    let mut lines = report.lines();
    assert_eq!(lines.next(), Some("hasty ramp: 3 of 3 limits not kept"), "{report}");
    // Worst first: the sharp step aliases far above the masked threshold.
    let worst = lines.next().unwrap_or_default();
    assert!(worst.starts_with("  FAIL audible: "), "{report}");
    assert!(
        worst.contains("key 81 (A5, ") && worst.contains("; limit 0.00 dB; line at "),
        "{report}"
    );
    // A 16-bit increment at 44.1 kHz is 0.673 Hz wide: 77.78 Hz becomes 78.06 Hz, +6.1 cents.
    let pitch = lines.next().unwrap_or_default();
    assert!(pitch.starts_with("  FAIL pitch: 6.1") && pitch.contains("key 39 (D#2, "), "{report}");
    assert!(pitch.ends_with("rate 44100 Hz; limit 0.5000 cents"), "{report}");
    assert!(report.contains("  FAIL worst-alias: "), "{report}");
    let again = "check::oscillator(Shape::Ramp, ...).keys([81]).rates([44100]).aliases_inaudible().assert()";
    assert!(report.contains(again), "{report}");
    let wav = report.lines().find_map(|line| line.strip_prefix("  see:   ")).unwrap_or_default();
    assert!(std::path::Path::new(wav).is_file(), "{report}");
}
