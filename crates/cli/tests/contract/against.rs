//! Comparing with an earlier run.

use serde_json::Value;

use crate::{PANEL_3, folder, names, refused, run, write};

#[test]
fn same_plan_twice_changes_nothing() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    assert_eq!(run(&folder, &["report", "panel.toml", "-o", "old"]).0, 0);
    let args = ["check", "panel.toml", "--against", "old/results.json"];
    let (status, text, _) = run(&folder, &args);
    assert_eq!(status, 0, "{text}");
    assert!(
        text.contains("Against old/results.json: nothing worse; 16 readings compared"),
        "{text}"
    );
    // Also with what it is about to replace.
    let args = ["report", "panel.toml", "-o", "old", "--against", "old/results.json"];
    assert_eq!(run(&folder, &args).0, 0);
    let text = std::fs::read_to_string(folder.path().join("old/results.json")).expect("JSON");
    let results: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(results["comparison"]["compared"], 16);
    // The comparison is no obstacle to the next one.
    assert_eq!(run(&folder, &args).0, 0);
}

#[test]
fn ends_with_1_when_a_reading_got_worse() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    assert_eq!(run(&folder, &["check", "panel.toml", "--json", "old.json"]).0, 0);
    let old = std::fs::read_to_string(folder.path().join("old.json")).expect("JSON");
    let mut results: Value = serde_json::from_str(&old).expect("JSON");
    let finding = results["findings"].as_array_mut().and_then(|all| {
        all.iter_mut().find(|f| f["subject"] == "spline4" && f["kind"] == "aliases")
    });
    let case = &mut finding.expect("a finding")["cases"][1];
    let value = case["value"].as_f64().expect("a level");
    case["value"] = (value - 0.5).into();
    write(&folder, "old.json", &results.to_string());

    let args = ["report", "panel.toml", "--against", "old.json", "-o", "new"];
    let (status, text, _) = run(&folder, &args);
    assert_eq!(status, 1, "{text}");
    assert!(text.contains("WORSE; 16 readings compared: 1 worse, 0 better"), "{text}");
    assert!(text.contains("Worse:\nspline4/float/ramp aliases, 44.1 kHz:"), "{text}");
    assert!(text.contains("key 93 (A6): 0.50\n    more, 0.01 allowed"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    let new = folder.path().join("new");
    let text = std::fs::read_to_string(new.join("results.json")).expect("JSON");
    let results: Value = serde_json::from_str(&text).expect("JSON");
    let worse = &results["comparison"]["worse"];
    assert_eq!(worse.as_array().map(Vec::len), Some(1));
    assert_eq!(worse[0]["key"], 93);
    assert_eq!(worse[0]["new"]["value"], value);
    for part in ["index.html", "summary.md"] {
        let text = std::fs::read_to_string(new.join(part)).expect(part);
        assert!(text.contains("Against old.json"), "{part}");
        assert!(text.contains("1 worse"), "{part}");
    }
    // What --only leaves out is neither worse nor gone.
    let (status, text, _) =
        run(&folder, &["check", "panel.toml", "--only", "naive*", "--against", "old.json"]);
    assert_eq!(status, 0, "{text}");
    assert!(text.contains("nothing worse; 8 readings compared"), "{text}");
    assert!(text.contains("0 new,\n  0 gone"), "{text}");
}

#[test]
fn ends_with_2_when_nothing_can_be_compared() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    write(&folder, "other.toml", &PANEL_3.replace("92, 93", "94, 94"));
    assert_eq!(run(&folder, &["check", "other.toml", "--json", "old.json"]).0, 0);
    // A report that was made all the same is not thrown away, and says it too.
    let args = ["report", "panel.toml", "--against", "old.json", "-o", "new"];
    let (status, text, stderr) = run(&folder, &args);
    assert_eq!(status, 2, "{text}{stderr}");
    assert!(text.contains("Against old.json: NOTHING COULD BE COMPARED; No reading is"), "{text}");
    assert!(!text.contains("othing worse"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    let last = stderr.lines().last().expect("a line");
    assert!(last.starts_with("plumbtone: nothing could be compared with old.json: No "), "{last}");
    let read = |part| std::fs::read_to_string(folder.path().join("new").join(part)).expect(part);
    for (part, says) in [
        ("summary.md", "## Against old.json: nothing could be compared"),
        ("index.html", r#"<strong class="verdict bad">Nothing could be compared.</strong>"#),
    ] {
        let text = read(part);
        assert!(text.contains(says) && text.contains("No reading is in both"), "{part}");
        assert!(!text.contains("othing worse"), "{part}");
    }
    let results: Value = serde_json::from_str(&read("results.json")).expect("JSON");
    assert_eq!(results["comparison"]["compared"], 0);
    // A filter that leaves nothing of the earlier results.
    assert_eq!(
        run(&folder, &["check", "panel.toml", "--only", "naive", "--json", "old.json"]).0,
        0
    );
    let args = ["check", "panel.toml", "--only", "spline4", "--against", "old.json"];
    assert_eq!(run(&folder, &args).0, 2);
}

#[test]
fn earlier_results_are_read_before_a_long_run() {
    // The built-in plan takes minutes; the time limit of the tests would strike.
    let folder = folder();
    write(&folder, "other.json", r#"{"schema":"something/1"}"#);
    write(&folder, "text.json", "not JSON\nat all");
    for (file, says) in [
        ("missing.json", "No such file"),
        ("other.json", "its layout is `something/1`"),
        ("text.json", "no JSON"),
        (".", "is a folder"),
    ] {
        for command in [&["check"][..], &["report", "-o", "report"]] {
            let line = refused(&folder, &[command, &["--against", file]].concat());
            assert!(line.contains(says), "{line}");
        }
    }
    assert_eq!(names(folder.path()), ["other.json", "text.json"]);
}
