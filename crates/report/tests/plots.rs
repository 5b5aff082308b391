//! Plots and sounds of control modules, from results made by hand.

use std::collections::BTreeSet;
use std::path::Path;

use plumbtone::results::{Case, Finding, Origin, SCHEMA};
use plumbtone::{Kind, Results, Twin, Verdict};
use plumbtone_report::charts::{Plot, plots};
use plumbtone_report::write;

/// Any finding of the fixed twin with these settings.
fn finding(subject: &str, kind: Kind, settings: &[&str]) -> Finding {
    let case = |setting: &&str| Case {
        key: None,
        hz: None,
        setting: Some((*setting).to_owned()),
        value: Some(0.0),
        uncertainty: 0.0,
        limit: None,
        gap: None,
        note: None,
    };
    Finding {
        subject: subject.to_owned(),
        twin: Some(Twin::Fixed),
        shape: String::new(),
        width: None,
        rate_hz: 48_000,
        kind,
        unit: kind.unit(),
        limit: Origin::Noted,
        reference: "made by hand".to_owned(),
        verdict: Verdict::Noted,
        worst: 0,
        cases: settings.iter().map(case).collect(),
    }
}

fn results(findings: Vec<Finding>) -> Results {
    let title = "Made by hand".to_owned();
    Results { schema: SCHEMA.to_owned(), title, criterion: "none".to_owned(), findings }
}

fn every_module() -> Vec<Finding> {
    vec![
        finding("adsr", Kind::StageTime, &["attack=0.02 decay=0.1 sustain=0.5 release=0.1"]),
        finding("multistage", Kind::Step, &["defaults"]),
        finding("glide", Kind::Path, &["mode=time time=0.05", "mode=rc time=0.01"]),
        finding("lfo", Kind::Rate, &["hz=5 shape=sine", "hz=9 shape=up delay=0.1 fade=0.3"]),
        finding("pitch", Kind::Law, &["bits=10", "bits=12", "bits=16", "bits=12 degree=3"]),
        finding("depth", Kind::Depth, &["amount=50 unit=percent", "amount=100 unit=cents"]),
        finding("update", Kind::Images, &["every=16", "every=128", "every=128 fill=ramp"]),
    ]
}

fn names(plots: &[Plot]) -> Vec<&str> {
    plots.iter().map(|plot| plot.name.as_str()).collect()
}

fn drawn(findings: Vec<Finding>) -> Vec<Plot> {
    plots(&results(findings)).expect("plots")
}

#[test]
fn every_module_brings_its_own_plots_and_no_others() {
    let expected: [&[&str]; 7] = [
        &["contour-adsr", "decay-line"],
        &["contour-multistage"],
        &["glide"],
        &["lfo"],
        &["law-pitch-12", "law-pitch-16"],
        &["depth"],
        &["images"],
    ];
    for (finding, expected) in every_module().into_iter().zip(expected) {
        assert_eq!(names(&drawn(vec![finding])), expected);
    }
    assert_eq!(names(&drawn(every_module())), expected.concat());
}

#[test]
fn what_has_no_plot_of_its_own_brings_none() {
    let mut stranger = finding("adsr", Kind::Step, &["defaults"]);
    stranger.twin = None;
    let percent = finding("depth", Kind::Rounding, &["amount=50 unit=percent"]);
    let taper = finding("taper", Kind::Rounding, &["curve=s"]);
    assert!(drawn(vec![stranger, percent, taper]).is_empty());
    // Without 12 and 16 bits, the converter there is.
    let ten = finding("pitch", Kind::Law, &["bits=10", "bits=10 degree=3"]);
    assert_eq!(names(&drawn(vec![ten])), ["law-pitch-10"]);
    // Without 128 samples, what is updated less often than every sample.
    let update = |settings: &[&str]| vec![finding("update", Kind::Images, settings)];
    assert_eq!(names(&drawn(update(&["every=1", "every=16"]))), ["images"]);
    assert!(drawn(update(&["every=1"])).is_empty());
}

#[test]
fn sound_comes_first_and_does_not_change() {
    let mut sine = finding("sine", Kind::Pitch, &[]);
    sine.shape = "sine".to_owned();
    let key = |key: u8, hz: f64| Case {
        key: Some(key),
        hz: Some(hz),
        setting: None,
        value: Some(1e-4),
        uncertainty: 0.0,
        limit: Some(1e-3),
        gap: None,
        note: None,
    };
    sine.cases = vec![key(57, 220.0), key(69, 440.0)];
    let alone = drawn(vec![sine.clone()]);
    assert_eq!(names(&alone), ["pitch", "residual-time", "spectrum-sine"]);
    let both = drawn(vec![sine, finding("adsr", Kind::Step, &["decay=0.1 release=0.1"])]);
    assert_eq!(names(&both)[3..], ["contour-adsr", "decay-line"]);
    for (a, b) in alone.iter().zip(&both) {
        assert!(a.svg == b.svg && a.png == b.png && a.alt == b.alt, "{}", a.name);
    }
}

#[test]
fn labels_of_many_stages_stay_on_the_paper() {
    let stages: Vec<String> =
        (1..=16).map(|n| format!("time-{n}=0.01 level-{n}=0.{} bend-{n}=3", n % 7)).collect();
    let long = format!("points=16 {} loop-from=2 loop-to=9", stages.join(" "));
    for settings in
        [long.as_str(), "points=2 time-1=0.01 time-2=0.01 bend-1=2 loop-from=1 loop-to=2"]
    {
        let plots = drawn(vec![finding("multistage", Kind::Step, &[settings])]);
        let svg = roxmltree::Document::parse(&plots[0].svg).expect("well-formed");
        let view = svg.root_element().attribute("viewBox").expect("a view box");
        let width: f64 = view.split(' ').nth(2).and_then(|x| x.parse().ok()).expect("a width");
        for text in svg.descendants().filter(|node| node.has_tag_name("text")) {
            let x: f64 = text.attribute("x").and_then(|x| x.parse().ok()).expect("a place");
            assert!((0.0..width).contains(&x), "{:?} at {x} of {width}", text.text());
        }
    }
}

#[test]
fn plots_are_whole_small_and_the_same_every_time() {
    // What a page can show at once: 65536 codes are thinned to the pixels that they cover.
    const LARGEST: usize = 400_000;
    let first = drawn(every_module());
    for plot in &first {
        let name = &plot.name;
        let svg = roxmltree::Document::parse(&plot.svg).expect("well-formed");
        let side = |which| svg.root_element().attribute(which).and_then(|px| px.parse().ok());
        assert_eq!(side("width"), Some(plot.size.width), "{name}");
        assert_eq!(side("height"), Some(plot.size.height), "{name}");
        assert!(!plot.svg.contains("no data"), "{name} has an empty chart");
        assert!(plot.svg.len() < LARGEST, "{name}: {} bytes", plot.svg.len());
        assert!(plot.png.starts_with(b"\x89PNG"), "{name}");
        assert!(plot.alt.len() > 40 && !plot.title.is_empty(), "{name}: {}", plot.alt);
        assert!(!plot.alt.contains("NaN") && !plot.alt.contains("inf"), "{name}: {}", plot.alt);
    }
    let second = drawn(every_module());
    for (a, b) in first.iter().zip(&second) {
        assert!(a.svg == b.svg && a.png == b.png && a.alt == b.alt, "{}", a.name);
    }
}

/// Samples of a 16-bit file.
fn samples(wav: &[u8]) -> Vec<i16> {
    let data = wav.windows(4).position(|word| word == b"data").expect("a data chunk");
    wav[data + 8..].chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect()
}

fn files(folder: &Path, part: &str) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder.join(part)).expect("a folder");
    let name = |entry: std::io::Result<std::fs::DirEntry>| entry.expect("an entry").file_name();
    entries.map(|entry| format!("{part}/{}", name(entry).to_string_lossy())).collect()
}

#[test]
fn the_page_lists_every_file_and_no_other() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let folder = scratch.path().join("report");
    write(&folder, &results(every_module())).expect("a report");
    let page = std::fs::read_to_string(folder.join("index.html")).expect("a page");
    let document = page.strip_prefix("<!DOCTYPE html>\n").expect("HTML");
    let document = roxmltree::Document::parse(document).expect("well-formed");
    let linked: BTreeSet<String> = document
        .descendants()
        .flat_map(|node| [node.attribute("href"), node.attribute("src")])
        .flatten()
        .filter(|link| link.starts_with("plots/") || link.starts_with("wav/"))
        .map(str::to_owned)
        .collect();
    let mut written = files(&folder, "plots");
    let sounds = files(&folder, "wav");
    written.extend(sounds.iter().cloned());
    assert_eq!(linked, written);

    let expected = ["adsr", "glide", "lfo"]
        .iter()
        .flat_map(|module| ["float", "fixed"].map(|twin| format!("wav/{module}-{twin}.wav")))
        .collect();
    assert_eq!(sounds, expected);
    // -12 dBFS, and no more than the rounding to 16 bits and a peak between samples apart.
    let peak = 32_767.0 * 10_f64.powf(-12.0 / 20.0);
    for sound in sounds {
        let wav = std::fs::read(folder.join(&sound)).expect("a sound");
        let most = samples(&wav).into_iter().map(i16::unsigned_abs).max().expect("samples");
        assert!((f64::from(most) - peak).abs() < 2.0, "{sound}: {most} of {peak}");
    }
}
