//! Two results side by side, made by hand so that every change is known.

use plumbtone::results::{Case, Finding, Gap, Origin, SCHEMA};
use plumbtone::{Kind, Results, Twin, Verdict};
use plumbtone_report::{compare, differences, json, read_results, summary};

fn case(key: u8, value: f64, uncertainty: f64) -> Case {
    Case {
        key: Some(key),
        hz: Some(440.0),
        setting: None,
        value: Some(value),
        uncertainty,
        limit: Some(10.0),
        gap: None,
        note: None,
    }
}

fn unread(gap: Option<Gap>, note: &str) -> Case {
    Case { value: None, gap, note: Some(note.to_owned()), ..case(69, 0.0, 0.0) }
}

fn finding(kind: Kind, cases: Vec<Case>) -> Finding {
    Finding {
        subject: "spline4".to_owned(),
        twin: Some(Twin::Fixed),
        shape: "ramp".to_owned(),
        width: None,
        rate_hz: 44_100,
        kind,
        unit: kind.unit(),
        limit: Origin::Required("asked for".to_owned()),
        reference: "made by hand".to_owned(),
        verdict: Verdict::Pass,
        worst: 0,
        cases,
    }
}

fn results(findings: Vec<Finding>) -> Results {
    let title = "Made by hand".to_owned();
    Results { schema: SCHEMA.to_owned(), title, criterion: "none".to_owned(), findings }
}

/// Worse, better, new, gone when one reading of that kind changes.
fn told(kind: Kind, old: Case, new: Case) -> [usize; 4] {
    let [old, new] = [old, new].map(|case| results(vec![finding(kind, vec![case])]));
    let found = compare("old", &old, &new);
    [found.worse.len(), found.better.len(), found.new.len(), found.gone.len()]
}

const SAME: [usize; 4] = [0, 0, 0, 0];
const WORSE: [usize; 4] = [1, 0, 0, 0];
const BETTER: [usize; 4] = [0, 1, 0, 0];

#[test]
fn a_change_counts_beyond_uncertainty_and_rounding() {
    // Pitch is printed to 0.0001 cents. Uncertainties of 0.03 and 0.04 make 0.05 together, so the
    // least change that counts is 0.0501; beside it lies the same change less a little.
    let old = || case(69, 1.0, 0.03);
    assert_eq!(told(Kind::Pitch, old(), case(69, 1.050_2, 0.04)), WORSE);
    assert_eq!(told(Kind::Pitch, old(), case(69, 1.050_0, 0.04)), SAME);
    assert_eq!(told(Kind::Pitch, old(), case(69, 0.949_8, 0.04)), BETTER);
    assert_eq!(told(Kind::Pitch, old(), case(69, 0.950_0, 0.04)), SAME);
    // A size counts, whatever its sign.
    assert_eq!(told(Kind::Pitch, old(), case(69, -1.0, 0.04)), SAME);
    assert_eq!(told(Kind::Pitch, old(), case(69, -1.1, 0.04)), WORSE);
    // Without uncertainty rounding alone is left: 0.01 dB of a level, and a level has a sign.
    assert_eq!(told(Kind::Aliases, case(69, -80.0, 0.0), case(69, -79.992, 0.0)), SAME);
    assert_eq!(told(Kind::Aliases, case(69, -80.0, 0.0), case(69, -79.988, 0.0)), WORSE);
    assert_eq!(told(Kind::Aliases, case(69, -80.0, 0.0), case(69, -90.0, 0.0)), BETTER);
    // Small figures are printed with an exponent, and are told apart as finely.
    assert_eq!(told(Kind::Rounding, case(69, 1.00e-9, 0.0), case(69, 1.02e-9, 0.0)), WORSE);
    assert_eq!(told(Kind::Rounding, case(69, 1.000e-9, 0.0), case(69, 1.008e-9, 0.0)), SAME);
}

#[test]
fn whatever_is_worse_is_closer_to_the_same_limit() {
    // And the other way round for what is better: the verdict on limits never contradicts.
    let mut counted = [0; 2];
    for kind in [Kind::Pitch, Kind::Aliases] {
        for n in 0..4_096 {
            let digit = |place: u32| f64::from(n >> (3 * place) & 7);
            let old = case(69, digit(0) - 3.5, 0.4 * digit(1));
            let new = case(69, digit(2) - 3.5, 0.4 * digit(3));
            let (before, after) = (old.closeness(kind), new.closeness(kind));
            match told(kind, old, new) {
                WORSE => assert!(after > before, "{kind} {n}"),
                BETTER => assert!(after < before, "{kind} {n}"),
                found => {
                    assert_eq!(found, SAME);
                    continue;
                }
            }
            counted[usize::from(after < before)] += 1;
        }
    }
    assert!(counted.iter().all(|&count| count > 500), "{counted:?}");
}

#[test]
fn readings_that_come_and_go() {
    let some = || case(69, -80.0, 0.0);
    let broken = || unread(Some(Gap::Unreadable), "silent");
    let nothing = || unread(Some(Gap::Nothing), "no alias in the band");
    let silent = || unread(None, "value -inf");
    let kind = Kind::Aliases;
    assert_eq!(told(kind, some(), broken()), WORSE);
    assert_eq!(told(kind, broken(), some()), BETTER);
    assert_eq!(told(kind, broken(), broken()), SAME);
    assert_eq!(told(kind, some(), nothing()), [0, 0, 0, 1]);
    assert_eq!(told(kind, nothing(), some()), [0, 0, 1, 0]);
    assert_eq!(told(kind, nothing(), broken()), WORSE);
    // No alias at all is the best of levels, in results that were read and in fresh ones.
    assert_eq!(told(kind, some(), silent()), BETTER);
    assert_eq!(told(kind, silent(), some()), WORSE);
    assert_eq!(told(kind, silent(), case(69, f64::NEG_INFINITY, 0.0)), SAME);
    assert_eq!(told(kind, some(), case(69, f64::NAN, 0.0)), WORSE);
    assert_eq!(told(kind, some(), case(70, -80.0, 0.0)), [0, 0, 1, 1]);
}

#[test]
fn readings_belong_together_by_name_and_not_by_place() {
    let both = [
        finding(Kind::Pitch, vec![case(60, 1.0, 0.0), case(61, 2.0, 0.0)]),
        finding(Kind::Aliases, vec![case(60, -50.0, 0.0)]),
    ];
    let mut turned = both.clone();
    turned.reverse();
    turned[1].cases.reverse();
    let found = compare("old", &results(both.to_vec()), &results(turned.to_vec()));
    assert_eq!(found.compared, 3);
    assert!(found.worse.is_empty() && found.new.is_empty() && found.gone.is_empty());
    // Whatever names a finding keeps it apart.
    let other: [fn(&mut Finding); 6] = [
        |f| f.subject = "spline2".to_owned(),
        |f| f.twin = None,
        |f| f.shape = "pulse".to_owned(),
        |f| f.width = Some(0.25),
        |f| f.rate_hz = 48_000,
        |f| f.kind = Kind::Lines,
    ];
    for change in other {
        let mut new = both.to_vec();
        change(&mut new[0]);
        let found = compare("old", &results(both.to_vec()), &results(new));
        assert_eq!([found.compared, found.new.len(), found.gone.len()], [1, 1, 1]);
        assert_eq!([found.new[0].readings, found.gone[0].readings], [2, 2]);
        assert!(!found.regressed());
    }
}

#[test]
fn nothing_in_common_is_no_good_outcome() {
    let made = |keys: &[u8]| {
        let cases = keys.iter().map(|&key| case(key, 1.0, 0.0)).collect();
        results(vec![finding(Kind::Pitch, cases)])
    };
    let empty = results(Vec::new());
    for (old, new) in
        [(made(&[60, 61]), made(&[62])), (empty.clone(), made(&[60])), (made(&[60]), empty)]
    {
        let found = compare("old", &old, &new);
        assert!(found.nothing_compared() && !found.regressed());
        for text in [differences(&found, 80), summary(&new, Some(&found))] {
            assert!(
                text.to_lowercase().contains("against old: nothing could be compared"),
                "{text}"
            );
            let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(text.contains("No reading is in both") && text.contains("--only"), "{text}");
            assert!(!text.contains("worse;"), "{text}");
        }
    }
    assert!(!compare("old", &made(&[60, 61]), &made(&[61, 62])).nothing_compared());
}

#[test]
fn limits_and_verdicts_that_changed() {
    let old = results(vec![finding(Kind::Pitch, vec![case(60, 1.0, 0.0), case(61, 1.0, 0.0)])]);
    let mut new = old.clone();
    new.findings[0].cases[1].limit = Some(0.5);
    new.findings[0].verdict = Verdict::Fail;
    let found = compare("old", &old, &new);
    assert_eq!((found.limits.len(), found.limits[0].readings), (1, 1));
    assert_eq!((found.limits[0].old, found.limits[0].new), (Some(10.0), Some(0.5)));
    assert_eq!((found.verdicts[0].old, found.verdicts[0].new), (Verdict::Pass, Verdict::Fail));
    assert!(found.worse.is_empty() && found.regressed());
    assert!(!compare("new", &new, &old).regressed());
    // A limit of another kind, though its figure is the same.
    let mut derived = old.clone();
    derived.findings[0].limit = Origin::Derived("counted".to_owned());
    let found = compare("old", &old, &derived);
    assert_eq!(found.limits[0].readings, 2);
    assert!(differences(&found, 80).contains("before: asked for; now: counted"));
    // A wider limit hides no worse reading.
    let mut wide = old.clone();
    for case in &mut wide.findings[0].cases {
        case.limit = Some(1000.0);
        case.value = Some(2.0);
    }
    assert_eq!(compare("old", &old, &wide).worse.len(), 2);
}

/// What breaks its limit is told before what grew from nothing within it.
#[test]
fn a_broken_limit_comes_before_a_larger_change() {
    let two = |first: f64, second: f64| {
        results(vec![finding(Kind::Aliases, vec![case(60, first, 0.0), case(61, second, 0.0)])])
    };
    let mut new = two(-80.0, 12.0);
    new.findings[0].cases[1].limit = Some(10.0);
    let found = compare("old", &two(f64::NEG_INFINITY, 9.0), &new);
    let keys: Vec<_> = found.worse.iter().map(|change| change.key).collect();
    assert_eq!(keys, [Some(61), Some(60)]);
}

#[test]
fn worst_comes_first_and_texts_keep_their_size() {
    let keys = 21..=108_u8;
    let many = |step: f64| {
        let cases = keys.clone().map(|key| case(key, 1.0 + step * f64::from(key), 0.0)).collect();
        results(vec![finding(Kind::Pitch, cases)])
    };
    let found = compare("a|b <old>/results.json", &many(0.0), &many(0.01));
    assert_eq!(found.worse.len(), 88);
    assert_eq!(found.worse[0].key, Some(108));
    let text = differences(&found, 80);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(text.contains("WORSE; 88 readings compared: 88 worse"), "{text}");
    assert!(text.contains("and 68 more"), "{text}");
    let mut large = many(0.01);
    for kind in Kind::ALL {
        for n in 0..5 {
            let subject = format!("panel *{n}* | <b>");
            let verdict = Verdict::Fail;
            let cases = vec![case(60, 11.0, 0.0)];
            large.findings.push(Finding { subject, verdict, ..finding(kind, cases) });
        }
    }
    let text = summary(&large, Some(&compare("a|b <old>/results.json", &many(0.0), &large)));
    assert!(text.lines().count() <= 80, "{}", text.lines().count());
    let failed = 5 * Kind::ALL.len();
    assert!(text.contains(&format!("{failed} of {} not kept", failed + 1)), "{text}");
    assert!(text.contains("panel \\*0\\* \\| &lt;b>"), "{text}");
    assert!(text.contains("## Against a\\|b &lt;old>/results.json: worse"), "{text}");
    let tags = |tag: &str| text.matches(tag).count();
    assert_eq!([tags("<details>"), tags("<summary>"), tags("</details>")], [1, 1, 1]);
    assert!(text.contains("more in index.html"), "{text}");
}

#[test]
fn earlier_results_that_cannot_be_read() {
    let folder = tempfile::tempdir().expect("a folder");
    let put = |text: &str| {
        let file = folder.path().join("old.json");
        std::fs::write(&file, text).expect("a file");
        let error = read_results(&file).expect_err("refused").to_string();
        assert!(error.contains("old.json: ") && !error.contains('\n'), "{error}");
        error
    };
    assert!(put("").contains("no JSON"));
    assert!(put("{").contains("no JSON"));
    assert!(put("[1]").contains("no field `schema`"));
    assert!(put(r#"{"schema":"other/7"}"#).contains("its layout is `other/7`"));
    assert!(put(r#"{"schema":"plumbtone.results/1"}"#).contains("missing field"));
    let whole = json(&results(vec![finding(Kind::Pitch, vec![case(69, 1.0, 0.0)])]), None);
    let whole = whole.expect("JSON");
    assert!(put(&whole.replace("\"pitch\"", "\"beauty\"")).contains("beauty"));
    assert!(read_results(folder.path()).expect_err("refused").to_string().contains("is a folder"));
    let missing = read_results(&folder.path().join("none.json")).expect_err("refused");
    assert!(missing.to_string().contains("No such file"), "{missing}");
    let file = folder.path().join("old.json");
    std::fs::write(&file, whole).expect("a file");
    assert_eq!(read_results(&file).expect("reads").findings.len(), 1);
}
