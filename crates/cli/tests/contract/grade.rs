use serde_json::Value;
use tempfile::TempDir;

use crate::{folder, refused, run};

#[test]
fn finds_the_note_of_a_render() {
    let folder = folder();
    let args = ["render", "sine", "--set", "hz=220", "--bits", "32f", "-o", "panel.wav"];
    assert_eq!(run(&folder, &args).0, 0);
    let (status, text, stderr) = run(&folder, &["grade", "panel.wav", "--as", "oscillator"]);
    assert_eq!((status, stderr.as_str()), (0, ""));
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let args = ["grade", "panel.wav", "--as", "oscillator", "--json"];
    let (status, text, _) = run(&folder, &args);
    assert_eq!(status, 0);
    let sheet: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(sheet["schema"], "plumbtone.grade/1");
    let pitch = &sheet["pitch"];
    let figure = |name: &str| pitch[name].as_f64().expect("a figure");
    // One step of the 32-bit increment at 44.1 kHz is 1e-5 Hz.
    assert!((figure("value") - 220.0).abs() <= figure("uncertainty") + 1e-5, "{pitch}");
}

#[test]
fn takes_the_settings() {
    let folder = folder();
    let args = ["render", "spline4", "--set", "hz=220", "--set", "shape=pulse", "-o", "panel.wav"];
    assert_eq!(run(&folder, &args).0, 0);
    let args = [
        "grade",
        "panel.wav",
        "--as",
        "oscillator",
        "--set",
        "hz=220",
        "--set",
        "shape=pulse",
        "--set",
        "width=0.5",
        "--json",
    ];
    let (status, text, stderr) = run(&folder, &args);
    assert_eq!(status, 0, "{stderr}");
    let sheet: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(sheet["shape"], "pulse");
    assert_eq!(sheet["shape_found"], false);
}

#[test]
fn gives_the_settings_of_a_rendered_contour_back() {
    let folder = folder();
    for tone in [&[][..], &["--tone", "440"][..]] {
        let mut args = vec!["render", "adsr", "--set", "attack=0.05", "--hold", "1"];
        args.extend(["-o", "swell.wav"].iter().chain(tone));
        assert_eq!(run(&folder, &args).0, 0);
        let grade = ["grade", "swell.wav", "--as", "contour"];
        let (status, text, stderr) = run(&folder, &grade);
        assert_eq!((status, stderr.as_str()), (0, ""));
        for word in ["coupling ", "stages ", "as multistage", "as adsr", "plumbtone render adsr"] {
            assert!(text.contains(word), "{word}: {text}");
        }
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        let (status, text, _) = run(&folder, &[&grade[..], &["--json"]].concat());
        assert_eq!(status, 0);
        let sheet: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(sheet["schema"], "plumbtone.grade/1");
        assert_eq!(sheet["graded"], "contour");
        let attack = &sheet["adsr"]["settings"][0];
        let figure = |name: &str| attack[name].as_f64().expect("a figure");
        assert_eq!(attack["name"], "attack");
        assert!((figure("value") - 0.05).abs() <= 2.0 * figure("uncertainty"), "{attack}");
    }
}

/// What is printed is a command: it must run, and its file must grade the same.
#[test]
fn the_command_printed_renders_the_contour_again() {
    let folder = folder();
    let args = ["render", "adsr", "--set", "attack=0.05", "--hold", "1", "-o", "swell.wav"];
    assert_eq!(run(&folder, &args).0, 0);
    let (_, text, _) = run(&folder, &["grade", "swell.wav", "--as", "contour"]);
    for module in ["multistage", "adsr"] {
        let command = text.split(&format!("plumbtone render {module}")).nth(1).expect("a command");
        let command = command.split("uncertainty").next().expect("a command").replace('\\', " ");
        let mut args = vec!["render", module];
        args.extend(command.split_whitespace());
        let (status, _, stderr) = run(&folder, &args);
        assert_eq!(status, 0, "{args:?}: {stderr}");
        let grade = ["grade", "again.wav", "--as", "contour", "--json"];
        let sheet: Value = serde_json::from_str(&run(&folder, &grade).1).expect("JSON");
        let attack = sheet["adsr"]["settings"][0]["value"].as_f64().expect("an attack");
        // 16 bits at -12 dBFS: the attack is known to a part in ten thousand.
        assert!((attack - 0.05).abs() < 2e-5, "{module}: {attack}");
    }
}

#[test]
fn refuses_what_is_no_contour() {
    let folder = folder();
    assert_eq!(run(&folder, &["render", "sine", "-o", "sine.wav"]).0, 0);
    assert_eq!(run(&folder, &["render", "white", "-o", "white.wav"]).0, 0);
    let contour = |file: &str, set: &[&str]| {
        let mut args = vec!["grade", file, "--as", "contour"];
        args.extend(set.iter().flat_map(|set| ["--set", set]));
        refused(&folder, &args)
    };
    let line = contour("sine.wav", &[]);
    assert!(line.contains("sine.wav") && line.contains("keeps its level"), "{line}");
    let line = contour("white.wav", &[]);
    assert!(line.contains("no tone stands out"), "{line}");
    for (set, word) in [
        ("shape=ramp", "coupling, hz, full"),
        ("coupling=ac", "auto, dc, tone"),
        ("full=2", "out of range"),
        ("full", "NAME=VALUE"),
        ("hz=22051", "22050"),
    ] {
        let line = contour("sine.wav", &[set]);
        assert!(line.contains(word), "{set}: {line}");
    }
}

/// Samples of a 32-bit float WAV.
fn samples(folder: &TempDir, name: &str) -> Vec<f64> {
    let reader = hound::WavReader::open(folder.path().join(name)).expect("a WAV");
    reader.into_samples::<f32>().map(|sample| f64::from(sample.expect("a sample"))).collect()
}

fn write_wav(folder: &TempDir, name: &str, rate_hz: u32, samples: impl Iterator<Item = f64>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let path = folder.path().join(name);
    let mut writer = hound::WavWriter::create(path, spec).expect("a WAV");
    samples.for_each(|sample| writer.write_sample(sample as f32).expect("a sample"));
    writer.finalize().expect("a WAV");
}

/// Four one-pole stages by the trapezoidal rule: our ladder without resonance.
fn four_poles(hz: f64, rate_hz: f64) -> impl FnMut(f64) -> f64 {
    let g = (std::f64::consts::PI * hz / rate_hz).tan();
    let mut states = [0.0; 4];
    move |input| {
        states.iter_mut().fold(input, |x, state| {
            let step = (x - *state) * g / (1.0 + g);
            let y = *state + step;
            *state = y + step;
            y
        })
    }
}

#[test]
fn grades_a_filter_by_the_stimulus_that_went_through() {
    for signal in ["sweep", "noise"] {
        let folder = folder();
        let args = [
            "stimulus",
            signal,
            "--seconds",
            "3",
            "--rate",
            "48000",
            "--bits",
            "32f",
            "-o",
            "s.wav",
        ];
        let (status, stdout, stderr) = run(&folder, &args);
        assert_eq!((status, stdout.as_str()), (0, ""), "{stderr}");
        assert!(stderr.contains("-12 dBFS") && stderr.contains("monitor turned down"), "{stderr}");
        let sent = samples(&folder, "s.wav");
        let peak = sent.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
        assert!((20.0 * peak.log10() + 12.0).abs() < 1e-5, "{peak}");
        let mut filter = four_poles(880.0, 48_000.0);
        let late = std::iter::repeat_n(0.0, 5000).chain(sent.iter().copied());
        write_wav(&folder, "panel.wav", 48_000, late.map(|x| 2.0 * filter(x)));
        let grade = ["grade", "panel.wav", "--as", "filter", "--sent", "s.wav"];
        let (status, text, stderr) = run(&folder, &grade);
        assert_eq!((status, stderr.as_str()), (0, ""));
        for word in ["response ", "cutoff ", "resonance ", "residual ", "plumbtone render ladder"] {
            assert!(text.contains(word), "{word}: {text}");
        }
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        let (_, text, _) = run(&folder, &[&grade[..], &["--json"]].concat());
        let sheet: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(sheet["schema"], "plumbtone.grade/1");
        assert_eq!((&sheet["graded"], &sheet["from"]), (&"filter".into(), &"response".into()));
        assert_eq!(sheet["ladder"]["output"], "low24");
        for (name, want) in [("cutoff", 880.0), ("resonance", 0.0), ("delay", 5000.0)] {
            let reading = &sheet["ladder"][name];
            let figure = |name: &str| reading[name].as_f64().expect("a figure");
            let off = (figure("value") - want).abs();
            // Rounding to f32 is what noise there is.
            assert!(off <= 2.0 * figure("uncertainty") + 1e-6, "{signal} {name}: {reading}");
        }
    }
}

#[test]
fn grades_a_filter_that_swings_by_itself() {
    let folder = folder();
    let args = ["render", "sine", "--set", "hz=220", "--bits", "24", "-o", "whistle.wav"];
    assert_eq!(run(&folder, &args).0, 0);
    let grade = ["grade", "whistle.wav", "--as", "filter"];
    let (status, text, stderr) = run(&folder, &grade);
    assert_eq!((status, stderr.as_str()), (0, ""));
    assert!(text.contains("plumbtone render ladder-tanh --strike --set cutoff=220"), "{text}");
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let (_, text, _) = run(&folder, &[&grade[..], &["--json"]].concat());
    let sheet: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(sheet["from"], "self_oscillation");
    assert_eq!(sheet["harmonics"][5]["order"], 7);
}

/// From the stimulus through a module and back to its settings; 0.05 cent is what a fixed twin's
/// cutoff may be off by.
#[test]
fn a_module_that_is_played_the_stimulus_grades_as_it_was_set() {
    let folder = folder();
    let stimulus = ["stimulus", "sweep", "--seconds", "2", "--bits", "32f", "-o", "sweep.wav"];
    assert_eq!(run(&folder, &stimulus).0, 0);
    let filter = ["render", "ladder", "--twin", "fixed", "--input", "sweep.wav"];
    let set = ["--set", "cutoff=700", "--set", "resonance=0.8", "--bits", "24", "-o", "out.wav"];
    assert_eq!(run(&folder, &[&filter[..], &set[..]].concat()).0, 0);
    let grade = ["grade", "out.wav", "--as", "filter", "--sent", "sweep.wav"];
    let (_, text, _) = run(&folder, &[&grade[..], &["--json"]].concat());
    let sheet: Value = serde_json::from_str(&text).expect("JSON");
    let value = |name: &str| sheet["ladder"][name]["value"].as_f64().expect("a figure");
    assert!((value("cutoff") / 700.0).log2().abs() * 1200.0 <= 0.05, "{text}");
    assert!((value("resonance") - 0.8).abs() <= 1e-6, "{text}");
    // What is printed is a command: it must run.
    let (_, text, _) = run(&folder, &grade);
    let command = text.split("plumbtone render ladder").nth(1).expect("a command");
    let command = command.split("uncertainty").next().expect("a command").replace('\\', " ");
    let mut args = vec!["render", "ladder"];
    args.extend(command.split_whitespace());
    let (status, _, stderr) = run(&folder, &args);
    assert_eq!(status, 0, "{args:?}: {stderr}");
}

#[test]
fn refuses_what_is_no_filter() {
    let folder = folder();
    let stimulus = |signal: &str, rate: &str, name: &str| {
        let args = ["stimulus", signal, "--seconds", "2", "--rate", rate, "-o", name];
        assert_eq!(run(&folder, &args).0, 0);
    };
    stimulus("sweep", "16000", "sweep.wav");
    stimulus("sweep", "8000", "slow.wav");
    stimulus("noise", "16000", "noise.wav");
    write_wav(&folder, "silent.wav", 16_000, std::iter::repeat_n(0.0, 50_000));
    for (recording, sent, says) in [
        ("sweep.wav", "sweep.wav", "no low-pass"),
        ("sweep.wav", "noise.wav", "does not follow the file sent"),
        ("sweep.wav", "slow.wav", "16000 Hz and the file sent 8000 Hz"),
        ("silent.wav", "sweep.wav", "silent"),
        ("sweep.wav", "silent.wav", "silent"),
        ("sweep.wav", "missing.wav", "missing.wav"),
    ] {
        let line = refused(&folder, &["grade", recording, "--as", "filter", "--sent", sent]);
        assert!(line.contains(says), "{recording} {sent}: {line}");
    }
    let line = refused(&folder, &["grade", "sweep.wav", "--as", "filter"]);
    assert!(line.contains("--sent"), "{line}");
}
