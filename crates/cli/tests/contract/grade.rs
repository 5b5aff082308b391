use serde_json::Value;

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
