use serde_json::Value;

use crate::{folder, run};

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
