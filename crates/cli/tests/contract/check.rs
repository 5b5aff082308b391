use serde_json::Value;

use crate::{PANEL_3, folder, names, refused, run, write};

#[test]
fn ends_with_0_when_every_limit_is_kept() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    let (status, text, stderr) = run(&folder, &["check", "panel.toml"]);
    assert_eq!(status, 0, "{text}{stderr}");
    assert!(text.starts_with("Panel 3 <low & high>\n"), "{text}");
    assert!(text.contains("8 findings: 4 pass, 4 noted"), "{text}");
    assert!(text.contains("Criterion: masking model"), "{text}");
    assert!(!text.contains('\u{1b}'), "no colour outside a terminal");
    assert!(stderr.starts_with("8 notes in "), "{stderr}");
    assert!(stderr.contains("pitch"), "{stderr}");
}

#[test]
fn ends_with_1_when_a_limit_is_exceeded_and_shows_it_first() {
    let folder = folder();
    // The strongest alias of an uncorrected ramp is hardly weaker than the harmonic beside it.
    write(&folder, "panel.toml", &PANEL_3.replace("aliases = \"noted\"", "worst-alias = -40"));
    let (status, text, _) = run(&folder, &["check", "panel.toml"]);
    assert_eq!(status, 1, "{text}");
    let first = text.lines().nth(3).expect("a row");
    assert!(first.starts_with("FAIL"), "{text}");
    assert!(first.contains("naive"), "{text}");
    assert!(text.contains("Not kept, worst first:\nnaive/f"), "{text}");
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

#[test]
fn same_json_with_one_or_two_threads() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    for (jobs, file) in [("1", "one.json"), ("2", "two.json")] {
        let args = ["check", "panel.toml", "--jobs", jobs, "--json", file];
        assert_eq!(run(&folder, &args).0, 0);
    }
    let [one, two] =
        ["one.json", "two.json"].map(|f| std::fs::read(folder.path().join(f)).expect("JSON"));
    assert!(one == two);
    let results: Value = serde_json::from_slice(&one).expect("JSON");
    assert_eq!(results["schema"], "plumbtone.results/1");
    assert_eq!(results["findings"].as_array().expect("findings").len(), 8);
    assert_eq!(names(folder.path()), ["one.json", "panel.toml", "two.json"]);
}

#[test]
fn writes_junit_with_one_suite_per_module_and_twin() {
    let folder = folder();
    write(&folder, "panel.toml", &PANEL_3.replace("aliases = \"noted\"", "worst-alias = -40"));
    assert_eq!(run(&folder, &["check", "panel.toml", "--junit", "panel.xml"]).0, 1);
    let text = std::fs::read_to_string(folder.path().join("panel.xml")).expect("XML");
    let document = roxmltree::Document::parse(&text).expect("well-formed");
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "testsuites");
    assert_eq!(root.attribute("name"), Some("Panel 3 <low & high>"));
    let suites: Vec<_> = root.children().filter(|n| n.has_tag_name("testsuite")).collect();
    let suite_names: Vec<_> = suites.iter().filter_map(|suite| suite.attribute("name")).collect();
    assert_eq!(suite_names, ["naive/float", "naive/fixed", "spline4/float", "spline4/fixed"]);
    for suite in suites {
        assert_eq!(suite.attribute("tests"), Some("2"));
    }
    let failures: Vec<_> = document.descendants().filter(|n| n.has_tag_name("failure")).collect();
    assert_eq!(failures.len(), 2, "{text}");
    for failure in failures {
        assert!(failure.attribute("message").expect("message").contains("limit -40.00 dBc"));
    }
}

#[test]
fn runs_only_what_matches() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    for (only, findings) in [("spline4", 4), ("*/fixed/*", 4), ("naive/float/ramp", 2)] {
        let (status, text, _) = run(&folder, &["check", "panel.toml", "--only", only]);
        assert_eq!(status, 0);
        assert!(text.contains(&format!("{findings} findings: ")), "{only}: {text}");
    }
    let line = refused(&folder, &["check", "panel.toml", "--only", "spline9"]);
    assert!(line.contains("naive/float/ramp"), "{line}");
    refused(&folder, &["check", "panel.toml", "--only", "[a"]);
}

/// The low-pass of panel 5: quick, with readings that pass and are only noted.
const PANEL_5: &str = r#"title = "Panel 5"
[[check]]
modules = ["ladder"]
rates = [48000]
settings = [{ cutoff = 1000, resonance = 0.5 }, { cutoff = 4000, output = "band24" }]
limits = { response = "derived", rounding = "derived", settling = "noted" }
"#;

#[test]
fn a_filter_keeps_its_limits_and_gives_the_same_json_with_one_or_two_threads() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_5);
    for (jobs, file) in [("1", "one.json"), ("2", "two.json")] {
        let args = ["check", "panel.toml", "--jobs", jobs, "--json", file];
        let (status, text, stderr) = run(&folder, &args);
        assert_eq!(status, 0, "{text}{stderr}");
        assert!(text.contains("6 findings: 4 pass, 2 noted"), "{text}");
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
    let [one, two] =
        ["one.json", "two.json"].map(|f| std::fs::read(folder.path().join(f)).expect("JSON"));
    assert!(one == two);
    let results: Value = serde_json::from_slice(&one).expect("JSON");
    for finding in results["findings"].as_array().expect("findings") {
        assert_eq!(finding["subject"], "ladder");
        let cases = finding["cases"].as_array().expect("cases");
        let settings: Vec<_> = cases.iter().filter_map(|case| case["setting"].as_str()).collect();
        assert_eq!(settings, ["cutoff=1000 resonance=0.5", "cutoff=4000 output=band24"]);
    }
}

#[test]
fn a_filter_that_is_out_of_tune_ends_with_1_unless_that_is_known() {
    let folder = folder();
    let naive = "title = \"Panel 6\"\n[[check]]\nmodules = [\"ladder-naive\"]\n\
                 twins = [\"float\"]\nrates = [48000]\nlimits = { tracking = 5 }\n";
    write(&folder, "panel.toml", naive);
    let (status, text, _) = run(&folder, &["check", "panel.toml"]);
    assert_eq!(status, 1, "{text}");
    assert!(text.contains("FAIL") && text.contains("ladder-naive/float"), "{text}");
    write(&folder, "panel.toml", &naive.replace("limits", "expect-failure = \"flat\"\nlimits"));
    let (status, text, _) = run(&folder, &["check", "panel.toml"]);
    assert_eq!(status, 0, "{text}");
}
