//! The page and the data say the same, and the data follow their schema.

use plumbtone::plan::Plan;
use plumbtone::run::{self, Run};
use plumbtone::{Kind, Results, Verdict};
use plumbtone_report::{RESULTS_SCHEMA, compare, json, write};
use serde_json::{Value, json};

/// Readings of every family, some of which fail and some of which cannot be taken.
const PLAN: &str = r#"title = "A page"
[[check]]
modules = ["naive", "diffpoly4"]
shapes = ["ramp", "pulse"]
width = 0.3
keys = [21, 108, 29]
limits = { pitch = "derived", aliases = "noted", worst-alias = -30, rounding = 1e-9, audible = 0 }
[[check]]
modules = ["white"]
limits = { density = "derived" }
[[check]]
modules = ["adsr"]
settings = [{ attack = 0.005, decay = 0.3 }, {}]
limits = { stage-time = "derived", rounding = 1e-12, time-constant = 0.1 }
[[check]]
modules = ["ladder"]
settings = [{ cutoff = 1000, resonance = 0.5 }]
limits = { response = 1e-5, noise = "derived" }
[[check]]
modules = ["tideorgan"]
presets = ["mooring-line", "sea-breeze"]
keys = [33, 57, 24]
limits = { bending = 1, stages = "noted", residual = -160 }
[[check]]
modules = ["output"]
limits = { noise = "derived", distortion = -75 }
"#;

fn results() -> Results {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("plan.toml");
    std::fs::write(&file, PLAN).expect("a file");
    let plan = Plan::read(&file).expect("a plan");
    let settings_checks = plan.settings_checks().to_vec();
    let run = Run { settings_checks, ..Run::new(plan.title(), plan.checks().to_vec()) };
    run::run(&run).expect("results").0
}

/// Results a little better than these, with a limit changed and a finding gone.
fn earlier(results: &Results) -> Results {
    let mut old = results.clone();
    old.findings.pop();
    for (n, case) in old.findings.iter_mut().flat_map(|f| &mut f.cases).enumerate() {
        case.value = case.value.map(|value| value * if n % 3 == 0 { 0.7 } else { 1.3 });
    }
    old.findings[0].cases[0].limit = Some(0.25);
    old.findings[0].verdict = Verdict::Slack;
    old
}

#[test]
fn every_figure_on_the_page_is_that_of_the_data() {
    let results = results();
    let comparison = compare("old.json", &earlier(&results), &results);
    let scratch = tempfile::tempdir().expect("a folder");
    let folder = scratch.path().join("report");
    write(&folder, &results, Some(&comparison)).expect("a report");
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).expect(name);
    let data: Value = serde_json::from_str(&read("results.json")).expect("JSON");
    let page = read("index.html");
    let page = page.strip_prefix("<!DOCTYPE html>\n").expect("HTML");
    let page = roxmltree::Document::parse(page).expect("well-formed");

    let mut used = std::collections::BTreeSet::new();
    for node in page.descendants().filter(|node| node.has_tag_name("data")) {
        let at = node.attribute("data-at").expect("a place");
        let value: f64 = node.attribute("value").expect("a value").parse().expect("a number");
        assert_eq!(data.pointer(at).and_then(Value::as_f64), Some(value), "{at}");
        // What is printed is the same number, rounded to the places that are printed.
        let text = node.text().expect("a figure").replace('\u{2212}', "-");
        let printed: f64 = text.parse().expect("a number");
        let (digits, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        let places = digits.split_once('.').map_or(0, |(_, places)| places.len()) as i32;
        let half = 0.5 * 10_f64.powi(exponent.parse::<i32>().expect("a power") - places);
        assert!((printed - value).abs() <= half * (1.0 + 1e-9), "{at}: {text} for {value}");
        used.insert(at.to_owned());
    }
    // Every finding shows its worst reading with limit and uncertainty.
    for (n, finding) in data["findings"].as_array().expect("findings").iter().enumerate() {
        let shown = |field: &str| {
            let own = format!("/findings/{n}/cases/");
            used.iter().any(|at| at.starts_with(&own) && at.ends_with(field))
        };
        let worst = &finding["cases"][finding["worst"].as_u64().expect("an index") as usize];
        for field in ["value", "limit", "uncertainty"] {
            let some = worst[field].as_f64().is_some_and(|v| field != "uncertainty" || v > 0.0);
            assert!(!some || finding["verdict"] == "noted" || shown(field), "{n}: {field}");
        }
    }
    for (list, count) in [("worse", comparison.worse.len()), ("better", comparison.better.len())] {
        assert!(count > 3, "{list}");
        assert!(used.contains(&format!("/comparison/{list}/{}/old/value", count - 1)), "{list}");
    }

    // Where a reading has a key and a preset, both are named.
    let wheres: Vec<&str> = page
        .descendants()
        .filter(|node| node.attribute("class") == Some("where"))
        .filter_map(|node| node.text())
        .collect();
    assert!(wheres.iter().any(|text| text.contains("mooring-line; key 57 (A3, ")), "{wheres:?}");

    // How far beyond its limit a reading is follows from the data alone.
    let first = page.descendants().find(|n| n.attribute("class") == Some("excess"));
    let said = first.and_then(|node| node.text()).expect("an excess");
    let worst = results.worst_first()[0];
    let case = worst.worst_case().expect("a case");
    let (value, limit) = (case.value.expect("a value"), case.limit.expect("a limit"));
    let beyond = match worst.kind.is_size() {
        true => (value.abs() - case.uncertainty) / limit,
        false => value - case.uncertainty - limit,
    };
    let number: f64 = said.split(' ').next().and_then(|n| n.parse().ok()).expect("a number");
    assert!((number / beyond - 1.0).abs() < 0.01, "{said}: {beyond}");
}

#[test]
fn results_follow_the_published_schema() {
    let schema: Value = serde_json::from_str(RESULTS_SCHEMA).expect("JSON");
    assert!(jsonschema::meta::is_valid(&schema), "the schema itself");
    let schema = jsonschema::validator_for(&schema).expect("a schema");
    let results = results();
    let comparison = compare("old.json", &earlier(&results), &results);
    assert!(!comparison.limits.is_empty() && !comparison.verdicts.is_empty());
    assert!(!comparison.new.is_empty());
    for comparison in [None, Some(&comparison)] {
        let text = json(&results, comparison).expect("JSON");
        let data: Value = serde_json::from_str(&text).expect("JSON");
        let faults: Vec<String> = schema.iter_errors(&data).map(|e| e.to_string()).collect();
        assert_eq!(faults, [""; 0]);
    }

    // And it refuses what is none.
    let text = json(&results, Some(&comparison)).expect("JSON");
    let data: Value = serde_json::from_str(&text).expect("JSON");
    let spoiled = [
        ("/schema", json!("plumbtone.results/2")),
        ("/findings/0/kind", json!("beauty")),
        ("/findings/0/unit", json!("decibels")),
        ("/findings/0/twin", json!("double")),
        ("/findings/0/rate_hz", json!(44_100.5)),
        ("/findings/0/verdict", json!("good")),
        ("/findings/0/limit", json!({ "origin": "derived" })),
        ("/findings/0/cases/0/value", json!("3")),
        ("/findings/0/cases/0/uncertainty", json!(-1.0)),
        ("/findings/0/cases/0", json!({ "value": 3.0 })),
        ("/findings/0/mood", Value::Null),
        ("/comparison/worse/0/allowance", json!(null)),
        ("/comparison/worse/0/old", json!(1.0)),
        ("/comparison/new/0/readings", json!(0)),
    ];
    for (at, with) in spoiled {
        let mut data = data.clone();
        match data.pointer_mut(at) {
            Some(place) => *place = with,
            None => data["findings"][0]["mood"] = json!("sunny"),
        }
        assert!(!schema.is_valid(&data), "{at}");
    }
}

#[test]
fn schema_knows_every_reading() {
    let schema: Value = serde_json::from_str(RESULTS_SCHEMA).expect("JSON");
    let names = |at: &str| schema.pointer(at).expect("a list").clone();
    let kinds: Vec<&str> = Kind::ALL.iter().map(|kind| kind.name()).collect();
    assert_eq!(names("/$defs/kind/enum"), json!(kinds));
    let units = names("/$defs/unit/enum");
    for kind in Kind::ALL {
        let unit = serde_json::to_value(kind.unit()).expect("a name");
        assert!(units.as_array().is_some_and(|units| units.contains(&unit)), "{unit}");
    }
}
