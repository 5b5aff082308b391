//! Values out of range: each error names the parameter, the value and the range.

use plumbtone::Twin;
use plumbtone::check::{self, Shape};
use plumbtone::subject::{Stimulus, Subject, VoiceTwin};
use plumbtone_voice::{Drive, Increment, Rate, Setup, Width};

/// The text holds all parts.
#[track_caller]
fn names(error: impl std::fmt::Display, parts: &[&str]) {
    let text = error.to_string();
    for part in parts {
        assert!(text.contains(part), "\"{text}\" lacks \"{part}\"");
    }
    assert!(!text.contains('\n'), "one line: {text}");
}

#[test]
fn rates_outside_8_to_192_khz_are_refused() {
    for rate_hz in [0, 7_999, 192_001, u32::MAX] {
        names(Rate::new(rate_hz).unwrap_err(), &["rate", &rate_hz.to_string(), "8000", "192000"]);
    }
    assert!(Rate::new(8_000).is_ok() && Rate::new(192_000).is_ok());
}

#[test]
fn frequencies_outside_0_to_half_the_rate_are_refused() {
    let rate = Rate::new(44_100).unwrap();
    for (hz, text) in [(-0.001, "-0.001"), (22_050.001, "22050.001"), (f64::NAN, "NaN")] {
        names(rate.increment(hz).unwrap_err(), &["hz", text, "0 to 22050", "Hz"]);
    }
    names(rate.increment(f64::INFINITY).unwrap_err(), &["hz", "inf", "22050"]);
    assert_eq!(rate.increment(0.0).unwrap().bits(), 0);
    assert_eq!(rate.increment(22_050.0).unwrap(), Increment::MAX);
}

#[test]
fn widths_outside_1_to_99_percent_are_refused() {
    for (width, text) in [(0.0, "= 0 "), (0.0099, "0.0099"), (0.991, "0.991"), (f64::NAN, "NaN")] {
        names(Width::new(width).unwrap_err(), &["width", text, "0.01 to 0.99"]);
    }
    for bits in [0, u32::MAX] {
        let held = Width::saturating_from_bits(bits).fraction();
        assert!((0.01..=0.99).contains(&held), "{held}");
    }
}

/// Every parameter that a module lists is held to the range that it lists, in both twins.
#[test]
fn settings_of_modules_are_held_to_their_listed_ranges() {
    let refused = |module: &str, setup: Setup, parts: &[&str]| {
        for which in [Twin::Float, Twin::Fixed] {
            let subject = VoiceTwin::named(module, which).unwrap().with_setup(setup);
            let stimulus = Stimulus::note(Shape::Ramp, 440.0, 48_000);
            names(subject.render(&stimulus, &mut [0.0; 4]).unwrap_err(), parts);
        }
    };
    let normal = Setup::default();
    for taps in [0, 6, 33, 66] {
        let setup = Setup { taps, ..normal };
        refused("step-table", setup, &["taps", &format!("= {taps} "), "8 to 64", "even"]);
    }
    for oversampling in [0, 15, 513] {
        let text = oversampling.to_string();
        let setup = Setup { oversampling, ..normal };
        refused("step-table", setup, &["oversampling", &text, "16 to 512", "points"]);
    }
    for length in [0, 128, 1000, 8192] {
        let text = length.to_string();
        let setup = Setup { length, ..normal };
        refused("wavetable", setup, &["length", &text, "256 to 4096", "power of two"]);
    }
}

/// A register cannot leave 0: the list says so, and the modules take 1 instead.
#[test]
fn a_seed_of_zero_is_outside_the_listed_range_and_held_to_one() {
    let seed = plumbtone_voice::registry::SEED;
    names(seed.check(0.0).unwrap_err(), &["seed", "= 0 ", "1 to 4294967295"]);
    names(seed.check(4_294_967_296.0).unwrap_err(), &["seed", "4294967296"]);
    let render = |seed| {
        let drives = [Drive::default(); 64];
        crate::common::driven("white", Twin::Fixed, Setup { seed, ..Setup::default() }, &drives)
    };
    assert_eq!(render(0), render(1));
}

#[test]
fn unknown_modules_and_shapes_are_answered_with_the_choices() {
    let of = |module, shape| check::twin(module, Twin::Float, shape, Setup::default()).err();
    names(of("splin4", Shape::Ramp).unwrap(), &["module", "splin4", "spline4", "wavetable"]);
    names(of("sine", Shape::Ramp).unwrap(), &["sine", "ramp", "choose from sine"]);
}
