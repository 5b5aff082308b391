//! JSON, JUnit and the table, from results made by hand.

use plumbtone::measure::Unit;
use plumbtone::results::{Case, Finding, Origin, SCHEMA};
use plumbtone::{Kind, Results, Twin, Verdict};
use plumbtone_report::{json, junit, table};

fn case(key: u8, value: f64, limit: Option<f64>) -> Case {
    let hz = 440.0 * ((f64::from(key) - 69.0) / 12.0).exp2();
    let hz = Some(hz);
    let setting = None;
    Case {
        key: Some(key),
        hz,
        setting,
        value: Some(value),
        uncertainty: 0.0,
        limit,
        gap: None,
        note: None,
    }
}

fn finding(subject: &str, kind: Kind, verdict: Verdict, cases: Vec<Case>) -> Finding {
    let limit = match verdict {
        Verdict::Noted => Origin::Noted,
        _ => Origin::Required("asked for by the plan".to_owned()),
    };
    Finding {
        subject: subject.to_owned(),
        twin: Some(Twin::Fixed),
        shape: "triangle".to_owned(),
        width: None,
        rate_hz: 176_400,
        kind,
        unit: kind.unit(),
        limit,
        reference: "made by hand".to_owned(),
        verdict,
        worst: 0,
        cases,
    }
}

fn results(findings: Vec<Finding>) -> Results {
    Results {
        schema: SCHEMA.to_owned(),
        title: "Made by hand".to_owned(),
        criterion: "none ".repeat(30),
        findings,
    }
}

#[test]
fn json_has_no_infinities_and_reads_back() {
    let mut made = results(vec![finding(
        "sine",
        Kind::Aliases,
        Verdict::Noted,
        vec![
            case(69, f64::NEG_INFINITY, None),
            case(70, -0.1 - 0.2, None),
            case(71, f64::NAN, Some(f64::INFINITY)),
        ],
    )]);
    made.findings[0].cases[1].uncertainty = f64::INFINITY;
    let text = json(&made, None).expect("JSON");
    let read: Results = serde_json::from_str(&text).expect("reads back");
    let cases = &read.findings[0].cases;
    assert_eq!(cases[0].value, None);
    assert_eq!(cases[0].note.as_deref(), Some("value -inf"));
    // Every bit of a figure survives.
    assert_eq!(cases[1].value, Some(-0.1 - 0.2));
    assert_eq!(cases[1].uncertainty, 0.0);
    assert_eq!(cases[1].note.as_deref(), Some("uncertainty inf"));
    assert_eq!(cases[2].limit, None);
    assert_eq!(read.schema, SCHEMA);
    assert_eq!(read.findings[0].unit, Unit::Decibel);
}

#[test]
fn junit_tells_failures_from_errors() {
    let none =
        Case { value: None, note: Some("silent & \u{1b}flat".to_owned()), ..case(60, 0.0, None) };
    let made = results(vec![
        finding("naive", Kind::Pitch, Verdict::Pass, vec![case(69, 0.1, Some(1.0))]),
        finding(
            "naive",
            Kind::WorstAlias,
            Verdict::ExpectedFail,
            vec![case(69, -10.0, Some(-60.0))],
        ),
        finding("spline4", Kind::Pitch, Verdict::Fail, vec![case(69, 2.0, Some(1.0))]),
        finding("spline4", Kind::Lines, Verdict::CannotMeasure, vec![none]),
        finding("spline4", Kind::Noise, Verdict::Slack, vec![]),
    ]);
    let text = junit(&made).expect("XML");
    let document = roxmltree::Document::parse(&text).expect("well-formed");
    let root = document.root_element();
    assert_eq!(root.attribute("tests"), Some("5"));
    assert_eq!(root.attribute("failures"), Some("2"));
    assert_eq!(root.attribute("errors"), Some("1"));
    let failure = document.descendants().find(|n| n.has_tag_name("failure")).expect("a failure");
    let message = failure.attribute("message").expect("a message");
    assert!(message.contains("2.0000 cents at key 69 (A4, 440.00 Hz)"), "{message}");
    assert!(message.contains("limit 1.0000 cents"), "{message}");
}

#[test]
fn table_fits_whatever_it_holds() {
    let verdicts = [
        Verdict::Fail,
        Verdict::Slack,
        Verdict::Unexpected,
        Verdict::CannotMeasure,
        Verdict::ExpectedFail,
        Verdict::Pass,
        Verdict::Noted,
    ];
    let mut findings = Vec::new();
    for (n, kind) in Kind::ALL.into_iter().enumerate() {
        let cases = vec![case(109, -123_456.789, Some(-1.234_567e-7)), case(21, 1.0, Some(0.1))];
        findings.push(finding("step-table", kind, verdicts[n % 7], cases.clone()));
        findings.push(finding(&"a very long name ".repeat(9), kind, verdicts[(n + 3) % 7], cases));
        findings.push(finding("empty", kind, verdicts[(n + 5) % 7], vec![]));
    }
    let made = results(findings);
    for width in [60, 80, 120] {
        let text = table(&made, width, false);
        for line in text.lines() {
            assert!(line.chars().count() <= width, "{width}: {line}");
        }
        assert!(!text.contains('\u{1b}'));
    }
    let coloured = table(&made, 80, true);
    assert!(coloured.contains("\u{1b}[1;31mFAIL\u{1b}[0m"));
    // Colour adds to the words and changes nothing else.
    let bare =
        coloured.replace("\u{1b}[1;31m", "").replace("\u{1b}[32m", "").replace("\u{1b}[0m", "");
    assert_eq!(bare, table(&made, 80, false));
}

#[test]
fn table_shows_the_worst_of_each_module_and_reading_first() {
    let mut findings: Vec<Finding> = (0..30)
        .map(|n| {
            finding(
                "naive",
                Kind::Pitch,
                Verdict::Fail,
                vec![case(60, 2.0 + f64::from(n), Some(1.0))],
            )
        })
        .collect();
    findings.insert(0, finding("sine", Kind::Pitch, Verdict::Pass, vec![case(61, 0.5, Some(1.0))]));
    findings.push(finding(
        "sine",
        Kind::Aliases,
        Verdict::Noted,
        vec![case(21, -80.0, None), case(108, -20.0, None), case(60, -90.0, None)],
    ));
    let text = table(&results(findings), 80, false);
    let rows: Vec<&str> = text.lines().skip(3).take(3).collect();
    assert!(rows[0].starts_with("FAIL") && rows[0].contains("31.0000 cents"), "{text}");
    assert!(rows[1].starts_with("pass") && rows[1].contains("0.5000 cents"), "{text}");
    // Without a limit the largest reading stands for all.
    assert!(rows[2].contains("-20.00 dB") && rows[2].contains("C8"), "{text}");
    assert_eq!(text.matches("naive/fixed/triangle: FAIL").count(), 20);
    assert!(text.contains("and 10 more"), "{text}");
    assert!(text.contains("32 findings: 30 FAIL, 1 pass, 1 noted"), "{text}");
}
