//! The bench as a user meets it: their generator, their requirement, their sample format.

use plumbtone::check::{self, Check, Shape};
use plumbtone::results::{Kind, Results, Verdict};
use plumbtone::{Generator, Sample, per_block};
use std::f64::consts::TAU;

const RATE_HZ: u32 = 44_100;

/// A two-point corrected ramp of a user's own, in f64, phase in radians: it rounds at every wrap
/// and never repeats bit by bit.
struct OwnRamp {
    phase: f64,
    step: f64,
}

impl OwnRamp {
    fn new(hz: f64, rate_hz: f64) -> Self {
        Self { phase: 1.5, step: TAU * hz / rate_hz }
    }

    fn next(&mut self) -> f64 {
        let (now, step) = (self.phase / TAU, self.step / TAU);
        self.phase += self.step;
        if self.phase >= TAU {
            self.phase -= TAU;
        }
        let ramp = 2.0 * now - 1.0;
        if now < step {
            ramp + (1.0 - now / step).powi(2)
        } else if now + step > 1.0 {
            ramp - (1.0 - (1.0 - now) / step).powi(2)
        } else {
            ramp
        }
    }
}

impl Generator for OwnRamp {
    type Sample = f64;

    fn next_sample(&mut self) -> f64 {
        self.next()
    }
}

fn noted(check: Check) -> Results {
    check
        .named("own ramp")
        .keys([45, 84, 96])
        .rates([RATE_HZ])
        .noted(Kind::Pitch)
        .noted(Kind::Aliases)
        .noted(Kind::WorstAlias)
        .noted(Kind::Audible)
        .run()
        .unwrap()
}

fn values(results: &Results, kind: Kind) -> Vec<f64> {
    let finding = results.findings.iter().find(|finding| finding.kind == kind).unwrap();
    finding.cases.iter().map(|case| case.value.unwrap()).collect()
}

/// Without an exact period the windowed analysis has to find what the closed form says. -34.7 dB at 1046.5 Hz and -30.7 dB at 2093 Hz: alias power over
/// harmonic power of the two-point correction, 20 Hz to 20 kHz at 44.1 kHz (recomputed from the
/// closed form, 20 000 harmonics).
#[test]
fn a_phase_that_never_repeats_is_measured_all_the_same() {
    let results = noted(check::oscillator(Shape::Ramp, |note| OwnRamp::new(note.hz, note.rate_hz)));
    let aliases = values(&results, Kind::Aliases);
    assert!((aliases[1] - -34.7).abs() < 0.3, "{aliases:?}");
    assert!((aliases[2] - -30.7).abs() < 0.3, "{aliases:?}");
    for cents in values(&results, Kind::Pitch) {
        assert!(cents.abs() < 0.01, "{cents}");
    }
}

#[test]
fn samples_of_any_format_one_by_one_or_in_blocks_read_the_same() {
    fn made<S: Sample + 'static>(convert: fn(f64) -> S) -> Results {
        noted(check::oscillator(Shape::Ramp, move |note| {
            let mut ramp = OwnRamp::new(note.hz, note.rate_hz);
            move || convert(ramp.next())
        }))
    }
    let exact = made(|sample| sample);
    let in_blocks = noted(check::oscillator(Shape::Ramp, |note| {
        let mut ramp = OwnRamp::new(note.hz, note.rate_hz);
        per_block(move |block: &mut [f64]| block.fill_with(|| ramp.next()))
    }));
    assert_eq!(exact, in_blocks);
    let coarser = [
        made(|sample| sample as f32),
        made(|sample| (sample * 2_147_483_647.0).round() as i32),
        made(|sample| (sample * 32_767.0).round() as i16),
    ];
    for results in coarser {
        for kind in [Kind::Aliases, Kind::WorstAlias] {
            for (a, b) in values(&exact, kind).iter().zip(values(&results, kind)) {
                // 16 bits put noise of -98 dB on lines of -30 dB.
                assert!((a - b).abs() < 0.02, "{kind}: {a} against {b}");
            }
        }
    }
}

#[test]
fn a_detuned_module_fails_with_the_amount() {
    let report = check::oscillator(Shape::Ramp, |note| {
        // 40 cents sharp: further off than a hint of the pitch would reach.
        OwnRamp::new(note.hz * 1.023_373_891_996_775, note.rate_hz)
    })
    .named("sharp reed")
    .keys([57])
    .rates([RATE_HZ])
    .pitch_within_cents(1.0)
    .try_assert()
    .unwrap_err()
    .to_string();
    assert!(report.contains("FAIL pitch: 40.0"), "{report}");
}

/// Told which note to expect, the meter must not find it where it is not.
#[test]
fn a_module_an_octave_off_is_read_an_octave_off() {
    for (ratio, expected) in [
        (1.0, 0.0),
        (2.0, 1200.0),
        (3.0, 1901.955),
        (4.0, 2400.0),
        (1.5, 701.955),
        (0.5, -1200.0),
        (0.25, -2400.0),
        (1.059_463_094, 100.0),
    ] {
        let results =
            check::oscillator(Shape::Ramp, move |note| OwnRamp::new(note.hz * ratio, note.rate_hz))
                .keys([45, 69, 81])
                .rates([RATE_HZ])
                .noted(Kind::Pitch)
                .run()
                .unwrap();
        for cents in values(&results, Kind::Pitch) {
            assert!((cents - expected).abs() < 0.01, "{ratio}: {cents}");
        }
    }
}

/// One key that cannot be read spoils the check, however good the others are.
#[test]
fn one_silent_key_among_good_ones_fails() {
    let check = check::oscillator(Shape::Ramp, |note| {
        let silent = note.hz > 800.0;
        let mut ramp = OwnRamp::new(note.hz, note.rate_hz);
        move || if silent { 0.0 } else { ramp.next() }
    })
    .keys([57, 69, 81])
    .rates([RATE_HZ])
    .pitch_within_cents(1.0)
    .aliases_below_db(-20.0);
    for finding in &check.run().unwrap().findings {
        assert_eq!(finding.verdict, Verdict::CannotMeasure);
        assert_eq!(finding.worst_case().unwrap().key, Some(81));
    }
    let report = check.try_assert().unwrap_err().to_string();
    assert!(report.contains("UNREAD pitch: cannot be measured at key 81"), "{report}");
}

/// At 192 kHz the harmonics of the lowest key nearly touch under the window: nothing is seen
/// between them, and that must not pass for silence there.
#[test]
fn aliases_that_cannot_be_seen_are_unread() {
    let check = check::oscillator(Shape::Ramp, |note| OwnRamp::new(note.hz, note.rate_hz))
        .keys([21, 69])
        .rates([192_000])
        .aliases_below_db(-20.0)
        .alias_power_below_db(-20.0);
    for finding in &check.run().unwrap().findings {
        assert_eq!(finding.verdict, Verdict::CannotMeasure);
        let note = finding.worst_case().unwrap().note.clone().unwrap();
        assert!(note.contains("no room"), "{note}");
    }
}

/// A naive ramp's own aliases pull its pitch: the bench must not promise more than it can read.
#[test]
fn a_limit_below_the_uncertainty_is_not_passed() {
    let check = check::oscillator(Shape::Ramp, |note| {
        let (step, mut phase) = (note.hz / note.rate_hz, 0.0_f64);
        move || {
            phase = (phase + step).fract();
            2.0 * phase - 1.0
        }
    })
    .keys([100])
    .rates([RATE_HZ])
    .pitch_within_cents(1e-6);
    assert_eq!(check.run().unwrap().findings[0].verdict, Verdict::CannotMeasure);
}

#[test]
fn silence_dc_and_broken_samples_are_unread_and_fail() {
    for (word, output) in [("silent", 0.0), ("constant", 0.3), ("finite", f64::NAN)] {
        let check = check::oscillator(Shape::Ramp, move |_| move || output)
            .keys([69])
            .rates([RATE_HZ])
            .pitch_within_cents(1.0)
            .aliases_below_db(-20.0);
        let results = check.run().unwrap();
        for finding in &results.findings {
            assert_eq!(finding.verdict, Verdict::CannotMeasure, "{word}");
            let note = finding.cases[0].note.clone().unwrap_or_default();
            assert!(note.contains(word), "{word}: {note}");
        }
        assert!(!results.all_good());
        assert!(check.try_assert().is_err());
    }
}

#[test]
fn a_check_that_asks_nothing_or_the_impossible_is_refused() {
    let ramp = || check::oscillator(Shape::Ramp, |note| OwnRamp::new(note.hz, note.rate_hz));
    let cases = [
        (ramp(), "no limit is set"),
        (ramp().pitch_within_cents(1.0).keys([]), "no key is given"),
        (ramp().pitch_within_cents(1.0).rates([]), "no sample rate is given"),
        (ramp().pitch_within_cents(1.0).rates([4_000]), "rate = 4000"),
        (ramp().pitch_within_cents(-1.0), "can never be kept"),
        (ramp().pitch_within_cents(f64::NAN), "is no limit"),
        (ramp().width(1.5).pitch_within_cents(1.0), "width = 1.5"),
        (ramp().limit(Kind::Rounding, -1.0), "can never be kept"),
        (ramp().keys([69, 120]).rates([8_000]).pitch_within_cents(1.0), "key 120 (C9) is above"),
        (ramp().derived(Kind::Rounding), "for twins only"),
        (ramp().derived(Kind::Audible), "no derived limit"),
    ];
    for (check, text) in cases {
        let error = check.run().unwrap_err().to_string();
        assert!(error.contains(text) && !error.contains('\n'), "{text}: {error}");
    }
}
