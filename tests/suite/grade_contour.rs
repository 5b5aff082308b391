//! Grading recordings of contours whose settings are known.

use plumbtone::grade::{Adsr, ContourSettings, ContourSheet, Coupling, Played, contour};
use plumbtone::measure::Reading;
use plumbtone::script::{ContourTwin, Controller, demonstration};
use plumbtone::wav::{Format, Recording, encode, read};
use plumbtone::{Settings, Twin};

fn played(module: &str, text: &str, rate_hz: u32, hold_s: f64, seconds: f64) -> Vec<f64> {
    let count = |s: f64| (s * f64::from(rate_hz)).round() as usize;
    let settings = Settings::parse(module, text).unwrap();
    let script = demonstration(module, settings, rate_hz, count(seconds), count(hold_s));
    let mut trace = vec![0.0; script.length];
    ContourTwin::named(module, Twin::Float).unwrap().render(&script, &mut trace).unwrap();
    trace
}

/// Through a file, as a user would.
fn recorded(samples: &[f64], rate_hz: u32, format: Format) -> Recording {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("panel.wav");
    std::fs::write(&path, encode(samples, 1.0, rate_hz, format).unwrap()).unwrap();
    read(&path).unwrap()
}

/// Uniform noise of an rms, the same every time.
fn add_noise(samples: &mut [f64], rms: f64) {
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    for sample in samples {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let uniform = (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        *sample += rms * 12_f64.sqrt() * uniform;
    }
}

fn graded(samples: &[f64], rate_hz: u32, format: Format) -> ContourSheet {
    contour(&recorded(samples, rate_hz, format), &ContourSettings::default()).unwrap()
}

/// Three times k = 2: of a hundred readings that leaves none outside by chance.
fn near(reading: Reading, truth: f64, useful: f64, what: &str) {
    let off = (reading.value - truth).abs();
    assert!(off <= 3.0 * reading.uncertainty, "{what}: {reading} against {truth}");
    assert!(reading.uncertainty <= useful, "{what}: {reading} says too little");
}

/// attack, decay, sustain, release, overshoot
type Truth = [f64; 5];

fn text([attack, decay, sustain, release, overshoot]: Truth) -> String {
    format!(
        "attack={attack} decay={decay} sustain={sustain} release={release} overshoot={overshoot}"
    )
}

fn comes_back(
    adsr: &Adsr,
    [attack, decay, sustain, release, over]: Truth,
    useful: f64,
    what: &str,
) {
    let part = |name| format!("{name} of {what}");
    near(adsr.attack, attack, useful * attack + 2e-5, &part("attack"));
    near(adsr.overshoot.unwrap(), over, 5.0 * useful * over, &part("overshoot"));
    near(adsr.decay.unwrap(), decay, useful * decay, &part("decay"));
    near(adsr.sustain, sustain, useful, &part("sustain"));
    near(adsr.release.unwrap(), release, useful * release, &part("release"));
}

#[test]
fn an_adsr_comes_back_from_a_control_trace() {
    let cases: [(Truth, u32, Format, f64, f64, f64); 5] = [
        ([0.01, 0.2, 0.5, 0.3, 1.3], 44_100, Format::Int16, 0.25, 0.0, 5e-3),
        ([0.05, 0.4, 0.3, 0.5, 1.1], 48_000, Format::Int24, -0.8, 0.1, 1e-4),
        ([0.1, 0.3, 0.8, 0.2, 3.0], 44_100, Format::Float32, 0.9, -0.2, 1e-4),
        ([0.002, 0.1, 0.25, 0.15, 1.5], 48_000, Format::Int16, -0.9, 0.05, 5e-3),
        ([0.3, 0.5, 0.6, 0.4, 1.3], 48_000, Format::Float32, 0.02, 0.0, 1e-4),
    ];
    for (truth, rate_hz, format, gain, offset, useful) in cases {
        let mut trace = played("adsr", &text(truth), rate_hz, 1.2, 2.5);
        for level in &mut trace {
            *level = gain * *level + offset;
        }
        let sheet = graded(&trace, rate_hz, format);
        let what = format!("{truth:?} {format:?}: {sheet}");
        assert_eq!(sheet.coupling, Coupling::Dc, "{what}");
        near(sheet.full, gain, 1e-4, &what);
        near(sheet.overshoot.unwrap(), truth[4], 0.05 * truth[4], &what);
        comes_back(sheet.adsr.as_ref().unwrap(), truth, useful, &what);
    }
}

#[test]
fn noise_80_db_below_widens_the_uncertainty_and_no_more() {
    for (truth, rate_hz) in
        [([0.02, 0.3, 0.5, 0.4, 1.3], 44_100), ([0.2, 0.5, 0.3, 0.3, 1.2], 48_000)]
    {
        let mut trace = vec![0.0; rate_hz as usize / 5];
        trace.extend(played("adsr", &text(truth), rate_hz, 1.2, 2.5));
        add_noise(&mut trace, 1e-4);
        let sheet = graded(&trace, rate_hz, Format::Int24);
        let what = format!("{truth:?}: {sheet}");
        assert!((sheet.noise_db + 80.0).abs() < 0.5, "{what}");
        near(sheet.stages[1].begins, 0.2, 1e-4, &what);
        comes_back(sheet.adsr.as_ref().unwrap(), truth, 5e-3, &what);
    }
}

#[test]
fn an_adsr_comes_back_from_a_tone() {
    // Stages of 25 ms and more are sure to be found at 1 kHz.
    let cases: [(Truth, u32, f64, Format, f64); 3] = [
        ([0.1, 0.3, 0.5, 0.4, 1.3], 44_100, 1_000.0, Format::Int16, 0.0),
        ([0.2, 0.5, 0.3, 0.5, 1.5], 48_000, 997.0, Format::Float32, 0.0),
        ([0.15, 0.4, 0.6, 0.3, 1.2], 48_000, 2_200.0, Format::Int24, 1e-4),
    ];
    for (truth, rate_hz, hz, format, noise) in cases {
        let mut samples = played("adsr", &text(truth), rate_hz, 1.2, 2.5);
        for (n, level) in samples.iter_mut().enumerate() {
            *level *= 0.8 * (std::f64::consts::TAU * hz * n as f64 / f64::from(rate_hz)).sin();
        }
        add_noise(&mut samples, noise);
        let sheet = graded(&samples, rate_hz, format);
        let what = format!("{truth:?} at {hz} Hz: {sheet}");
        assert_eq!(sheet.coupling, Coupling::Tone, "{what}");
        comes_back(sheet.adsr.as_ref().expect(&what), truth, 0.02, &what);
    }
}

fn again(played_as: &Played, rate_hz: u32) -> Vec<f64> {
    let hold_s = played_as.hold_s.unwrap_or(played_as.seconds);
    played(played_as.module, &played_as.set.join(" "), rate_hz, hold_s, played_as.seconds)
}

fn assert_same(made: &[f64], trace: &[f64], limit: f64, what: &str) {
    for (n, (a, b)) in made.iter().zip(trace).enumerate() {
        assert!((a - b).abs() <= limit, "sample {n}: {a} against {b}: {what}");
    }
}

#[test]
fn printed_parameters_make_the_trace_again() {
    let cases = [
        ("adsr", "attack=0.05 decay=0.3 sustain=0.4 release=0.3"),
        ("multistage", "hold=2 bend-1=3 bend-2=-4 level-3=-0.5"),
        (
            "multistage",
            "points=3 time-1=0.2 bend-1=-5 level-2=-0.7 time-2=0.3 bend-2=5 hold=2 \
          time-3=0.4 level-3=0 bend-3=2",
        ),
    ];
    for (module, text) in cases {
        for (rate_hz, format) in [(44_100, Format::Int16), (48_000, Format::Int24)] {
            let trace = played(module, text, rate_hz, 1.0, 2.0);
            // Full scale is taken for clipping.
            let half: Vec<f64> = trace.iter().map(|level| 0.5 * level).collect();
            let sheet = graded(&half, rate_hz, format);
            let made = again(sheet.multistage.as_ref().unwrap(), rate_hz);
            // Rounding of the file, what a decay of limited length leaves out, and the next corner.
            let limit = if format == Format::Int16 { 1e-3 } else { 1e-4 };
            assert_same(&made, &trace, limit, &format!("{text}: {sheet}"));
            if let Some(adsr) = &sheet.adsr {
                assert_same(&again(&adsr.played, rate_hz), &trace, limit, &format!("{sheet}"));
            }
        }
    }
}

#[test]
fn bends_and_lines_of_a_multistage_come_back() {
    let text = "hold=2 time-1=0.05 bend-1=3 bend-2=-4 level-3=-0.5";
    let mut trace = played("multistage", text, 48_000, 1.0, 2.0);
    trace.iter_mut().for_each(|level| *level *= 0.5);
    let sheet = graded(&trace, 48_000, Format::Float32);
    let expected = [(0.05, 3.0), (0.1, -4.0), (0.85, 0.0), (0.3, 0.0), (0.2, 0.0)];
    for (stage, (seconds, bend)) in sheet.stages.iter().zip(expected) {
        near(stage.lasts, seconds, 1e-4, &sheet.to_string());
        if bend != 0.0 {
            near(stage.bend.unwrap(), bend, 1e-3, &sheet.to_string());
        }
        assert_eq!(stage.bend.is_some(), bend != 0.0, "{sheet}");
    }
}

#[test]
fn an_attack_two_percent_longer_is_read_two_percent_longer() {
    let read = |attack: f64| {
        let truth = [attack, 0.2, 0.5, 0.3, 1.3];
        let sheet = graded(&played("adsr", &text(truth), 48_000, 1.0, 2.0), 48_000, Format::Int16);
        sheet.adsr.unwrap().attack
    };
    let (short, long) = (read(0.1), read(0.102));
    let wide = (short.uncertainty + long.uncertainty) / short.value;
    assert!((long.value / short.value - 1.02).abs() <= 1.5 * wide && wide < 2e-3);
}

#[test]
fn what_holds_no_contour_is_refused_in_one_line() {
    let mut noise = vec![0.0; 48_000];
    add_noise(&mut noise, 0.1);
    let mut clipped = played("adsr", "sustain=0.5", 48_000, 0.5, 1.0);
    clipped.iter_mut().for_each(|level| *level = (2.0 * *level).min(1.0));
    let cases = [
        (vec![0.0; 48_000], "silent"),
        (vec![0.25; 48_000], "constant"),
        (noise.clone(), "no tone"),
        (noise.iter().map(|x| 0.5 + 1e-3 * x).collect(), "no stage"),
        (clipped, "clipped"),
    ];
    for (samples, word) in cases {
        let recording = recorded(&samples, 48_000, Format::Int24);
        let error = contour(&recording, &ContourSettings::default()).unwrap_err().to_string();
        assert!(error.contains(word) && !error.contains('\n'), "{word}: {error}");
    }
}
