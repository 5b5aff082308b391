//! Grading recordings whose contents are known.

use plumbtone::grade::{self, Settings, Sheet};
use plumbtone::voice::Shape;
use plumbtone::wav::{Format, Recording, encode, read};
use plumbtone::{Stimulus, Subject, Twin, subject::VoiceTwin};

/// A second and a half of a twin, with silence around it, at some gain.
fn performance(module: &str, stimulus: &Stimulus, gain: f64) -> Vec<f64> {
    let quiet = stimulus.rate_hz as usize / 10;
    let mut note = vec![0.0; 3 * stimulus.rate_hz as usize / 2];
    VoiceTwin::named(module, Twin::Float).unwrap().render(stimulus, &mut note).unwrap();
    let mut samples = vec![0.0; quiet];
    samples.extend(note.iter().map(|sample| gain * sample));
    samples.extend(vec![0.0; quiet]);
    samples
}

/// Through a file, as a user would.
fn recorded(samples: &[f64], rate_hz: u32, format: Format) -> Recording {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("panel.wav");
    std::fs::write(&path, encode(samples, 1.0, rate_hz, format).unwrap()).unwrap();
    read(&path).unwrap()
}

fn graded(samples: &[f64], rate_hz: u32, format: Format) -> Sheet {
    grade::oscillator(&recorded(samples, rate_hz, format), &Settings::default()).unwrap()
}

#[test]
fn pitch_and_shape_are_found_at_any_gain_polarity_and_format() {
    let cases = [
        (Shape::Ramp, 0.5, 55.0, 44_100, Format::Int16, 0.9),
        (Shape::Ramp, 0.5, 261.6, 48_000, Format::Int24, -0.05),
        (Shape::Triangle, 0.5, 130.8, 96_000, Format::Float32, -1.2),
        (Shape::Pulse, 0.5, 440.0, 44_100, Format::Int24, 0.3),
        (Shape::Pulse, 0.2, 98.0, 48_000, Format::Int16, 1.1),
        (Shape::Pulse, 0.07, 311.1, 192_000, Format::Int24, -0.7),
    ];
    for (shape, width, hz, rate_hz, format, gain) in cases {
        let stimulus = Stimulus::note(shape, hz, rate_hz).with_width(width).with_start(0x3141_5926);
        let sheet = graded(&performance("spline4", &stimulus, gain), rate_hz, format);
        let what = format!("{shape:?} {width} at {hz} Hz: {sheet}");
        assert_eq!(sheet.shape, shape.name(), "{what}");
        let error_hz = (sheet.pitch.value - hz).abs();
        // k = 2, and half a step of the phase increment.
        assert!(error_hz <= 1.5 * sheet.pitch.uncertainty + f64::from(rate_hz) / 8.6e9, "{what}");
        assert!(sheet.pitch.uncertainty < 1e-3 * hz, "{what}");
        if shape == Shape::Pulse {
            assert!((sheet.width.unwrap() - width).abs() < 2e-3, "{what}");
        }
        if shape == Shape::Ramp {
            assert_eq!(sheet.rising, Some(gain > 0.0), "{what}");
        }
    }
}

#[test]
fn a_sine_is_told_from_the_other_shapes() {
    let stimulus = Stimulus::note(Shape::Sine, 220.0, 44_100);
    let sheet = graded(&performance("sine", &stimulus, 0.8), 44_100, Format::Int24);
    assert_eq!(sheet.shape, "sine", "{sheet}");
    // 24 bits leave distortion far below; undithered rounding of a sine gathers in harmonics.
    assert!(sheet.thd.value < -120.0, "{sheet}");
}

#[test]
fn aliases_of_the_naive_ramp_are_read_as_theory_has_them() {
    // REFERENCE: Fourier series folded at half the rate; A5 plus a little at 44.1 kHz. The
    // ratio of alias to harmonic power in 20 Hz to 20 kHz for an uncorrected ramp at 1046.5 Hz
    // is -16.0 dB, and for the two-point correction -34.7 dB (recomputed from the closed form
    // with 20 000 harmonics).
    for (module, expected_db) in [("naive", -16.0), ("spline2", -34.7)] {
        let stimulus = Stimulus::note(Shape::Ramp, 1046.5, 44_100).with_start(12_345);
        let sheet = graded(&performance(module, &stimulus, 1.0), 44_100, Format::Float32);
        // Lines closer together than the window's lobe are counted once: a few hundredths.
        assert!((sheet.aliases.value - expected_db).abs() < 0.3, "{module}: {sheet}");
    }
}

#[test]
fn noise_is_read_with_its_floor() {
    // White noise of rms 1e-3 spread over 0 to 24 kHz, next to a sine of amplitude 0.4.
    let stimulus = Stimulus::note(Shape::Sine, 997.0, 48_000);
    let mut samples = performance("sine", &stimulus, 0.8);
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    for sample in samples.iter_mut().filter(|sample| **sample != 0.0) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let uniform = (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        *sample += 1e-3 * 12_f64.sqrt() * uniform;
    }
    let sheet = graded(&samples, 48_000, Format::Float32);
    let noise = sheet.noise.unwrap();
    let expected = 20.0 * (1e-3 * (19_980.0_f64 / 24_000.0).sqrt() / (0.4 / 2_f64.sqrt())).log10();
    assert!((noise.value - expected).abs() < noise.uncertainty, "{noise} against {expected}");
    assert!(noise.floor.unwrap() < -130.0, "{noise}");
}

/// One or two harmonics could come from several shapes: the sheet must not sound sure.
#[test]
fn one_or_two_harmonics_are_a_best_match_only() {
    let high = Stimulus::note(Shape::Ramp, 6_500.0, 44_100);
    let sheet = graded(&performance("wavetable", &high, 1.0), 44_100, Format::Int16);
    // A period of 441 samples: 16-bit rounding repeats with it, and the meter has no noise at all.
    assert!((sheet.pitch.value - 6_500.0).abs() < 1e-3, "{sheet}");
    assert!(!sheet.shape_sure && sheet.to_string().contains("(best match)"), "{sheet}");
    let low = Stimulus::note(Shape::Ramp, 220.0, 44_100);
    let sheet = graded(&performance("wavetable", &low, 1.0), 44_100, Format::Int16);
    assert!(sheet.shape_sure && sheet.to_string().contains("(found)"), "{sheet}");
}

/// The note that the user expects, and the one that sounds.
#[test]
fn a_wrong_expectation_does_not_bend_the_pitch() {
    let stimulus = Stimulus::note(Shape::Pulse, 311.13, 44_100);
    let recording = recorded(&performance("spline4", &stimulus, 0.5), 44_100, Format::Int24);
    for hz in [155.565, 622.26, 900.0, 330.0] {
        let settings = Settings { hz: Some(hz), ..Settings::default() };
        let sheet = grade::oscillator(&recording, &settings).unwrap();
        assert!((sheet.pitch.value - 311.13).abs() < 1e-3, "{hz}: {sheet}");
    }
}

#[test]
fn settings_that_are_given_are_taken() {
    let stimulus = Stimulus::note(Shape::Pulse, 110.0, 44_100).with_width(0.3);
    let recording = recorded(&performance("spline4", &stimulus, 0.5), 44_100, Format::Int24);
    let settings = Settings { hz: Some(110.0), shape: Some(Shape::Pulse), width: Some(0.3) };
    let sheet = grade::oscillator(&recording, &settings).unwrap();
    assert!(!sheet.shape_found && sheet.width == Some(0.3));
    // The B-spline's droop at 5 kHz is sinc^4(0.113), 0.75 dB, and the rms below it is less.
    assert!(sheet.shape_deviation_db < 0.75, "{sheet}");
    let wrong = Settings { hz: Some(30_000.0), ..settings };
    assert!(grade::oscillator(&recording, &wrong).unwrap_err().to_string().contains("hz = 30000"));
}

#[test]
fn what_cannot_be_graded_is_refused_in_one_line() {
    let recording = |samples: Vec<f64>| Recording {
        samples,
        rate_hz: 48_000,
        channels: 1,
        format: "32-bit float".to_owned(),
        half_step: 1e-8,
    };
    let sine = |hz: f64, seconds: f64, peak: f64| -> Vec<f64> {
        (0..(48_000.0 * seconds) as usize)
            .map(|n| (peak * (std::f64::consts::TAU * hz * n as f64 / 48e3).sin()).clamp(-1.0, 1.0))
            .collect()
    };
    let mut broken = sine(440.0, 1.0, 0.5);
    broken[777] = f64::NAN;
    let cases = [
        (vec![0.0; 48_000], "silent"),
        (vec![0.25; 48_000], "constant"),
        (broken, "777"),
        (sine(440.0, 1.0, 1.5), "clipped"),
        (sine(30.0, 0.3, 0.5), "too short"),
        (vec![0.1; 10], ""),
    ];
    for (samples, word) in cases {
        let error = grade::oscillator(&recording(samples), &Settings::default()).unwrap_err();
        let text = error.to_string();
        assert!(text.contains(word) && !text.contains('\n'), "{word}: {text}");
    }
}
