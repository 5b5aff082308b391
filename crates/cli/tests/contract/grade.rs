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

#[test]
fn reads_a_contour_and_prints_what_makes_it_again() {
    let folder = folder();
    assert_eq!(run(&folder, &["render", "adsr", "-o", "swell.wav"]).0, 0);
    let (status, text, stderr) = run(&folder, &["grade", "swell.wav", "--as", "contour"]);
    assert_eq!((status, stderr.as_str()), (0, ""));
    assert!(text.contains("plumbtone render adsr --set attack="), "{text}");
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let args = ["grade", "swell.wav", "--as", "contour", "--set", "coupling=dc", "--json"];
    let (status, text, _) = run(&folder, &args);
    assert_eq!(status, 0);
    let sheet: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(sheet["schema"], "plumbtone.grade.contour/1");
    assert_eq!(sheet["coupling"], "dc");
    // What is printed can be played.
    let mut args = vec!["render", "multistage", "-o", "again.wav"];
    for pair in sheet["multistage"]["set"].as_array().expect("a list") {
        args.extend(["--set", pair.as_str().expect("text")]);
    }
    assert_eq!(run(&folder, &args).0, 0, "{args:?}");
}

#[test]
fn refuses_what_is_no_contour_in_one_line() {
    let folder = folder();
    assert_eq!(run(&folder, &["render", "adsr", "-o", "swell.wav"]).0, 0);
    for (file, set) in [
        ("missing.wav", "coupling=auto"),
        ("swell.wav", "coupling=sideways"),
        ("swell.wav", "width=0.5"),
        ("swell.wav", "hz"),
        ("swell.wav", "coupling=tone"),
    ] {
        let (status, text, stderr) =
            run(&folder, &["grade", file, "--as", "contour", "--set", set]);
        assert_eq!((status, text.as_str()), (2, ""), "{set}");
        assert_eq!(stderr.trim_end().lines().count(), 1, "{stderr}");
    }
}
