//! Plots and sounds of control modules and of filters, from results made by hand.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::OnceLock;

use plumbtone::results::{Case, Finding, Origin, SCHEMA};
use plumbtone::theory::ladder::Ladder;
use plumbtone::{Kind, Results, Settings, Twin, Verdict};
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

/// Every filter with the plots that it brings.
const FILTERS: [(&str, &str, &[&str]); 8] = [
    ("ladder", "cutoff=1000 resonance=0.5", &["tracking", "noise"]),
    ("ladder-tanh", "drive=2", &["self-oscillation", "drive"]),
    ("ladder-delay", "output=low12", &["tracking", "noise"]),
    ("ladder-naive", "defaults", &["tracking", "noise"]),
    ("state-variable", "cutoff=440 output=notch", &["noise"]),
    ("state-variable-loop", "output=band", &["noise"]),
    ("one-pole", "output=high", &["noise"]),
    ("dc-blocker", "cutoff=5", &["noise"]),
];

fn every_filter() -> Vec<Finding> {
    FILTERS.map(|(name, settings, _)| finding(name, Kind::Response, &[settings])).into()
}

/// The plots of every filter, drawn once for all tests.
fn filter_plots() -> &'static [Plot] {
    static PLOTS: OnceLock<Vec<Plot>> = OnceLock::new();
    PLOTS.get_or_init(|| drawn(every_filter()))
}

fn filter_plot(name: &str) -> &'static Plot {
    let found = filter_plots().iter().find(|plot| plot.name == name);
    found.unwrap_or_else(|| panic!("no plot {name}"))
}

/// What the drawing says of itself, and all its texts.
fn words(plot: &Plot) -> String {
    let svg = roxmltree::Document::parse(&plot.svg).expect("well-formed");
    svg.descendants()
        .filter(|node| node.is_text())
        .filter_map(|node| node.text())
        .collect::<Vec<_>>()
        .join("\n")
}

/// Points of every series of that name.
fn points(plot: &Plot, name: &str) -> Vec<usize> {
    let text = words(plot);
    let label = format!("{name}: ");
    let own = text.split(label.as_str()).skip(1);
    own.filter_map(|rest| rest.split_once(" points")?.0.parse().ok()).collect()
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
    let first = drawn(every_module());
    whole(&first);
    let second = drawn(every_module());
    for (a, b) in first.iter().zip(&second) {
        assert!(a.svg == b.svg && a.png == b.png && a.alt == b.alt, "{}", a.name);
    }
}

fn whole(plots: &[Plot]) {
    // What a page can show at once: 65536 codes are thinned to the pixels that they cover.
    const LARGEST: usize = 400_000;
    for plot in plots {
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
}

#[test]
fn every_filter_brings_its_own_plots() {
    let mut expected = Vec::new();
    for (filter, _, own) in FILTERS {
        let resonates = !["one-pole", "dc-blocker"].contains(&filter);
        let all = ["response", "response-error"].into_iter();
        let all = all.chain(resonates.then_some("waterfall")).chain(own.iter().copied());
        expected.extend(all.map(|what| format!("{what}-{filter}-48000")));
    }
    assert_eq!(names(filter_plots()), expected);
    whole(filter_plots());
}

#[test]
fn plots_of_filters_are_the_same_every_time() {
    for filter in ["state-variable", "one-pole"] {
        let own = every_filter().into_iter().filter(|finding| finding.subject == filter);
        for plot in drawn(own.collect()) {
            let first = filter_plot(&plot.name);
            assert!(first.svg == plot.svg && first.png == plot.png, "{}", plot.name);
            assert_eq!(first.alt, plot.alt);
        }
    }
}

#[test]
fn every_rate_is_drawn_with_the_settings_nearest_to_1_khz() {
    let at = |rate_hz: u32, settings: &[&str]| Finding {
        rate_hz,
        ..finding("one-pole", Kind::Response, settings)
    };
    let mut stranger = at(96_000, &["defaults"]);
    stranger.twin = None;
    let slow = at(44_100, &["cutoff=20", "cutoff=1300 output=high", "cutoff=8000"]);
    let plots = drawn(vec![at(48_000, &["cutoff=300"]), stranger, slow]);
    let expected = ["44100", "48000"]
        .map(|rate| {
            ["response", "response-error", "noise"].map(|it| format!("{it}-one-pole-{rate}"))
        })
        .concat();
    assert_eq!(names(&plots), expected);
    let text = words(&plots[0]);
    assert!(text.contains("cutoff 1300 Hz; output=high; ") && text.contains("rate 44.1 kHz"));
    assert!(words(&plots[3]).contains("cutoff 300 Hz; "));
    // No findings with settings, no plots.
    assert!(drawn(vec![at(48_000, &[])]).is_empty());
}

#[test]
fn a_family_shows_every_resonance_on_its_closed_form() {
    for (filter, members) in [
        ("ladder", ["0", "0.25", "0.5", "0.75", "0.9", "0.98"].map(|r| format!("resonance {r}"))),
        ("state-variable", ["0.5", "0.707", "1", "2", "5", "20"].map(|q| format!("Q {q}"))),
    ] {
        let plot = filter_plot(&format!("response-{filter}-48000"));
        for member in &members {
            let points = points(plot, member);
            assert!(matches!(points[..], [12..=25]), "{filter}, {member}: {points:?}");
        }
        assert!(points(plot, "closed form")[0] > 1_000);
        let text = words(plot);
        for label in ["Frequency (Hz)", "Gain (dB)", "Phase (degrees)"] {
            assert!(text.contains(label), "{filter}: {label}");
        }
        // Both ends of the family, both twins.
        let plot = filter_plot(&format!("response-error-{filter}-48000"));
        for series in ["float twin", "fixed twin"] {
            let points = points(plot, series);
            assert!(points.len() == 2 && points.iter().all(|n| *n > 100), "{filter}: {points:?}");
        }
        assert_eq!(points(plot, "within 0.001 dB"), [2, 2]);
        assert!(words(plot).contains("Size (dB)"));
    }
}

#[test]
fn what_rings_too_long_is_left_out() {
    // Of a ladder at 20 Hz and 48 kHz, 40 nepers of the pole last 524288 samples at a resonance of
    // 0.88; at 5 Hz and 192 kHz they do without any.
    let plots = drawn(vec![finding("ladder", Kind::Response, &["cutoff=20"])]);
    let shown = |name: &str| points(&plots[0], name).len();
    assert_eq!([shown("resonance 0.75"), shown("resonance 0.9")], [1, 0]);
    assert!(words(&plots[1]).contains("Resonance 0.75"));
    let slowest = Finding { rate_hz: 192_000, ..finding("ladder", Kind::Response, &["cutoff=5"]) };
    assert_eq!(names(&drawn(vec![slowest])), ["tracking-ladder-192000"]);
}

#[test]
fn what_clips_or_runs_away_is_no_error_of_a_response() {
    // At a peak of 0.25 the noise would clip: the fixed twin then read 81 dB off.
    let settings = "cutoff=3500 output=high24 compensation=1";
    let plots = drawn(vec![finding("ladder", Kind::Response, &[settings])]);
    let (_, told) = plots[1].alt.rsplit_once("fixed resonance 0.98 ").expect("the last size");
    let size: f64 = told.trim_end_matches(" dB.").parse().expect("a figure");
    assert!(size < 1.0, "{}", plots[1].alt);
    // Beyond the range of its polynomials the compensated ladder runs away below its edge.
    let far = finding("ladder-delay", Kind::Response, &["cutoff=3500 output=band12"]);
    let plots = drawn(vec![Finding { rate_hz: 8_000, ..far }]);
    let shown = |name: &str| points(&plots[0], name).len();
    assert_eq!([shown("resonance 0.9"), shown("resonance 0.98")], [1, 0]);
}

#[test]
fn a_waterfall_shows_the_twin_and_the_closed_form() {
    let plot = filter_plot("waterfall-ladder-48000");
    assert!(points(plot, "fixed twin")[0] > 200 && points(plot, "closed form")[0] > 200);
    let peak = Ladder::new(4.0 * 0.95).expect("a ladder").peak().expect("a peak");
    let peak = 20.0 * peak.gain.log10();
    let told = plot.alt.rsplit("the highest peak is ").next().expect("a peak");
    let told: f64 = told.trim_end_matches(" dB.").parse().expect("a figure");
    // It is read beside the top by half a step of ln(18)/499 in pitch and a thousandth for the
    // line, 0.0039; at 1 - 0.95^(1/4) = 0.0127 it is 3 dB lower, there 0.4 dB. Rounded to 0.1 dB.
    assert!((-0.45..0.06).contains(&(told - peak)), "{told} dB, {peak} dB by the closed form");
}

#[test]
fn tracking_is_measured_on_every_key_that_theory_reaches() {
    for filter in ["ladder", "ladder-delay", "ladder-naive"] {
        let plot = filter_plot(&format!("tracking-{filter}-48000"));
        for twin in ["float twin", "fixed twin"] {
            assert_eq!(points(plot, twin), [22], "{filter}, {twin}");
        }
        assert_eq!(points(plot, "closed form"), [349], "{filter}");
        let text = words(plot);
        assert!(text.contains("Key") && text.contains("cents)"), "{filter}");
    }
}

#[test]
fn rounding_noise_is_drawn_with_its_prediction() {
    for filter in ["ladder", "one-pole", "dc-blocker"] {
        let plot = filter_plot(&format!("noise-{filter}-48000"));
        for series in ["fixed twin", "float twin"] {
            let points = points(plot, series);
            assert!(matches!(points[..], [60..=120]), "{filter}, {series}: {points:?}");
        }
        assert!(points(plot, "fixed twin, predicted")[0] > 1_000, "{filter}");
        assert!(words(plot).contains("Power density (dB re full scale² / Hz)"));
    }
}

#[test]
fn the_ladder_of_tanh_shows_what_it_does_where_it_bends() {
    let plot = filter_plot("self-oscillation-ladder-tanh-48000");
    assert!(points(plot, "float twin")[0] > 100 && points(plot, "fixed twin")[0] > 100);
    let text = words(plot);
    // The amplitude for k = 5 of `reference-tables/ladder-limit-cycle` over a drive of 2.
    assert!(text.contains("table 0.1052") && text.contains("(ms)"), "{text}");
    let plot = filter_plot("drive-ladder-tanh-48000");
    for rate in ["1x", "2x", "4x"] {
        for series in ["third, ", "fifth, ", "oversampling "] {
            assert_eq!(points(plot, &format!("{series}{rate}")), [13]);
        }
    }
    for label in ["Drive (times)", "Level (dB re small signals)", "Level (dBc)", "Power (dB)"] {
        assert!(words(plot).contains(label), "{label}");
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
    let mut findings = every_module();
    findings.extend(["ladder", "ladder-tanh"].map(|it| finding(it, Kind::Response, &["defaults"])));
    write(&folder, &results(findings), None).expect("a report");
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

    let expected = ["adsr", "glide", "lfo", "ladder-reed", "ladder-tanh-reed", "ladder-tanh-alone"]
        .iter()
        .flat_map(|module| {
            ["float", "fixed", "difference"].map(|what| format!("wav/{module}-{what}.wav"))
        })
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

/// A finding of a voice with these keys, settings and values.
fn of_voice(kind: Kind, twin: Twin, cases: &[(Option<u8>, &str, f64)]) -> Finding {
    let case = |(key, setting, value): &(Option<u8>, &str, f64)| {
        let mut one = finding("tideorgan", kind, &[setting]).cases.remove(0);
        (one.key, one.value, one.limit) = (*key, Some(*value), key.map(|_| 1e-3));
        one
    };
    let cases = cases.iter().map(case).collect();
    Finding { twin: Some(twin), rate_hz: 44_100, cases, ..finding("tideorgan", kind, &[]) }
}

/// Middles of the circles of that radius in one plot area, in the units of its axes. The drawing has
/// four units to the px.
fn circles(plot: &Plot, frame: usize, radius: &str) -> Vec<(f64, f64)> {
    let svg = roxmltree::Document::parse(&plot.svg).expect("well-formed");
    let circles = svg.descendants().filter(|node| node.attribute("r") == Some(radius));
    let px = |text: Option<&str>| -> f64 {
        text.and_then(|text| text.parse::<f64>().ok()).expect("a place") / 4.0
    };
    let places: Vec<_> =
        circles.map(|node| (px(node.attribute("cx")), px(node.attribute("cy")))).collect();
    read(plot, frame, &places)
}

/// Corners of the lines of that ink and width in the first plot area.
fn corners(plot: &Plot, ink: &str, width: u32) -> Vec<(f64, f64)> {
    let svg = roxmltree::Document::parse(&plot.svg).expect("well-formed");
    let width = width.to_string();
    let own = |node: &roxmltree::Node<'_, '_>| {
        node.attribute("stroke") == Some(ink) && node.attribute("stroke-width") == Some(&width)
    };
    let lines = svg.descendants().filter(|node| node.has_tag_name("polyline")).filter(own);
    let number = |text: &str| text.parse::<f64>().expect("a place") / 4.0;
    let pair = |pair: &str| pair.split_once(',').map(|(x, y)| (number(x), number(y)));
    let places: Vec<_> = lines
        .filter_map(|node| node.attribute("points"))
        .flat_map(|text| text.split_whitespace().filter_map(pair))
        .collect();
    read(plot, 0, &places)
}

/// What places in px say in a plot area whose axes are linear or bear keys.
fn read(plot: &Plot, frame: usize, places: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let f = &plot.frames[frame];
    // Places are rounded to a quarter px, also those on the frame.
    let inside = |(x, y): &&(f64, f64)| {
        (f.left - 0.25..=f.right + 0.25).contains(x) && (f.top..=f.bottom).contains(y)
    };
    let part = |(x, y): &(f64, f64)| {
        let across = (x - f.left) / (f.right - f.left);
        let up = (f.bottom - y) / (f.bottom - f.top);
        (f.x.low + across * (f.x.high - f.x.low), f.y.low + up * (f.y.high - f.y.low))
    };
    places.iter().filter(inside).map(part).collect()
}

/// Readings of three presets and of the output, taken once for all tests.
fn measured() -> &'static Results {
    static RESULTS: OnceLock<Results> = OnceLock::new();
    RESULTS.get_or_init(|| {
        let voice = |twin| plumbtone::instrument::twin("tideorgan", twin).expect("a voice");
        let presets = ["neap-tide", "sea-breeze", "gull"];
        let fixed = voice(Twin::Fixed).presets(presets).expect("presets").keys([33, 57, 81]);
        let fixed = fixed.noted(Kind::Stages).noted(Kind::Residual).noted(Kind::Bending);
        let tuned = voice(Twin::Float).keys([21, 60, 108]).derived(Kind::Pitch);
        let output = plumbtone::output::twin(Twin::Float).expect("an output");
        let dither = ["dither=off", "dither=on"];
        let dither = dither.map(|text| Settings::parse("output", text).expect("settings"));
        let output = output.settings(dither).noted(Kind::Distortion).noted(Kind::Floor);
        let all = [fixed, tuned, output].map(|check| check.rates([44_100]));
        results(all.iter().flat_map(|check| check.run().expect("results").findings).collect())
    })
}

fn measured_plot(name: &str) -> &'static Plot {
    static PLOTS: OnceLock<Vec<Plot>> = OnceLock::new();
    let plots = PLOTS.get_or_init(|| plots(measured()).expect("plots"));
    plots.iter().find(|plot| plot.name == name).unwrap_or_else(|| panic!("no plot {name}"))
}

fn cases(kind: Kind) -> impl Iterator<Item = &'static Case> {
    measured().findings.iter().filter(move |f| f.kind == kind).flat_map(|f| &f.cases)
}

#[test]
fn voices_bring_their_own_plots_and_none_of_oscillators() {
    let all = drawn(measured().findings.clone());
    let voice = ["stages", "tuning", "bending", "apart-time", "apart-frequency"];
    let mut expected: Vec<String> = voice.iter().map(|name| format!("{name}-tideorgan")).collect();
    expected.push("spectrum-output".to_owned());
    assert_eq!(names(&all), expected);
    whole(&all);
    let subjects: BTreeSet<_> = all.iter().filter_map(|plot| plot.subject.as_deref()).collect();
    assert_eq!(Vec::from_iter(subjects), ["output", "tideorgan"]);
    for plot in &all {
        let first = measured_plot(&plot.name);
        assert!(first.svg == plot.svg && first.png == plot.png && first.alt == plot.alt);
    }
    // One reading alone, one plot alone; a user's voice none.
    for (kind, twin, expected) in [
        (Kind::Stages, Twin::Fixed, &["stages-tideorgan"][..]),
        (Kind::Stages, Twin::Float, &[]),
        (Kind::Pitch, Twin::Fixed, &["tuning-tideorgan"]),
        (Kind::Bending, Twin::Float, &["bending-tideorgan"]),
        (Kind::Loudness, Twin::Fixed, &[]),
    ] {
        let one = of_voice(kind, twin, &[(Some(69), "gull, filter", 1e-4)]);
        let alone = drawn(vec![one.clone()]);
        assert_eq!(names(&alone), expected, "{kind}");
        whole(&alone);
        assert!(drawn(vec![Finding { twin: None, ..one }]).is_empty());
    }
    // No difference, nothing to look for in it.
    let none = of_voice(Kind::Residual, Twin::Fixed, &[(None, "gull", f64::NEG_INFINITY)]);
    assert!(drawn(vec![none]).is_empty());
}

#[test]
fn stages_stand_where_the_findings_have_them() {
    let plot = measured_plot("stages-tideorgan");
    // The open circle of 8 px is `sources`: radius 4 px.
    let drawn = circles(plot, 0, "16");
    let sources = cases(Kind::Stages)
        .filter_map(|case| case.setting.as_deref()?.strip_suffix(", sources").zip(case.value));
    let sources: Vec<_> = sources.collect();
    assert_eq!(sources.len(), 3);
    let text = words(plot);
    let (_, least) = text.split_once("x: Difference, rms, ").expect("an axis");
    let nowhere: f64 = least.split_once(" to ").expect("a range").0.parse().expect("a level");
    for (row, (preset, level)) in sources.into_iter().enumerate() {
        let own = drawn.iter().find(|(_, y)| (y.floor() as usize) == row + 1);
        let (x, _) = own.unwrap_or_else(|| panic!("{preset}: {drawn:?}"));
        match level.is_finite() {
            // A quarter px of about 150 dB on 780 px.
            true => assert!((x - level).abs() < 0.06, "{preset}: {x} for {level}"),
            // The wind has no oscillator, and stands where nothing has a level.
            false => assert!(preset == "sea-breeze" && *x < nowhere + 20.0, "{preset}: {x}"),
        }
    }
    // 16 bits: -20 lg(2^15) - 10 lg 12 + 10 lg 2.
    let rounding = -20.0 * 32_768_f64.log10() - 10.0 * 6_f64.log10();
    assert!((rounding + 98.1).abs() < 0.05 && text.contains("rounding to 16 bits −98.1"));
    assert!(text.contains("pitch adds most in 2 of 3; all but the pitch together at most −149.6"));
    assert_eq!(points(plot, "all stages but the pitch"), [2]);
}

#[test]
fn keys_stand_where_the_findings_have_them_between_their_limits() {
    let plot = measured_plot("tuning-tideorgan");
    let drawn = circles(plot, 0, "14");
    for (case, (key, cents)) in cases(Kind::Pitch).zip(&drawn) {
        assert!((key - f64::from(case.key.expect("a key"))).abs() < 0.05, "{drawn:?}");
        assert!((cents - case.value.expect("a pitch")).abs() < 5e-6, "{cents}: {case:?}");
    }
    assert_eq!((drawn.len(), points(plot, "float limit")), (3, vec![3]));
    assert!(words(plot).contains("cents)") && plot.alt.contains("furthest off: float "));

    // What is out of tune is not called in tune, and is drawn.
    let far = of_voice(
        Kind::Pitch,
        Twin::Float,
        &[(Some(60), "defaults", 0.25), (Some(61), "defaults", 0.0)],
    );
    let plot = &drawn_one(far);
    assert!(words(plot).contains("furthest off: float +0.25 cents at C4"));
    assert!((circles(plot, 0, "14")[0].1 - 0.25).abs() < 1e-3);
}

fn drawn_one(finding: Finding) -> Plot {
    let mut plots = drawn(vec![finding]);
    assert_eq!(plots.len(), 1);
    plots.remove(0)
}

#[test]
fn bending_is_drawn_by_preset_on_two_scales() {
    let cases: Vec<_> = [("far", 40.0), ("near", -0.25), ("flat", 0.0)]
        .into_iter()
        .flat_map(|(name, cents)| [33, 57].map(|key| (Some(key), name, cents)))
        .collect();
    let plot = drawn_one(of_voice(Kind::Bending, Twin::Fixed, &cases));
    let titles: Vec<&str> = plot.frames.iter().map(|frame| frame.title.as_str()).collect();
    assert_eq!(titles, ["More than 5 cents somewhere", "5 cents at most"]);
    let ends = plot.frames.iter().map(|frame| (frame.y.low, frame.y.high)).collect::<Vec<_>>();
    assert!(ends[0].1 > 40.0 && ends[1].0 < -0.25 && ends[1].1 < 0.1, "{ends:?}");
    for name in ["far", "near", "flat"] {
        assert_eq!(points(&plot, name), [2]);
    }
    assert!(plot.alt.ends_with("far 40.00, near 0.25, flat 0.00."), "{}", plot.alt);
    assert!(words(&plot).contains("furthest: far, +40.00 ± 0.00 cents at"));
    // Of the measured ones none goes far.
    let plot = measured_plot("bending-tideorgan");
    assert_eq!(plot.frames.len(), 1);
    let worst =
        self::cases(Kind::Bending).filter_map(|c| c.value).map(f64::abs).fold(0.0, f64::max);
    assert!(worst > 0.01 && plot.alt.contains(&format!("{worst:.2}")), "{}", plot.alt);
}

#[test]
fn twins_are_drawn_apart_as_far_as_the_findings_have_them() {
    let read = |kind: Kind, setting: &str| {
        let own = cases(kind).find(|case| case.setting.as_deref() == Some(setting));
        own.and_then(|case| case.value).expect("a level")
    };
    // The wind has the largest residual, but the gull has a pitch of its own to drift by.
    for name in ["time", "frequency"] {
        let plot = measured_plot(&format!("apart-{name}-tideorgan"));
        assert!(plot.alt.contains("gull"), "{}", plot.alt);
    }
    assert!(read(Kind::Residual, "sea-breeze") > read(Kind::Residual, "gull"));
    let levels = ["neap-tide", "gull"].map(|name| (None, name, read(Kind::Residual, name)));
    let plots = drawn(vec![of_voice(Kind::Residual, Twin::Fixed, &levels)]);
    assert_eq!(names(&plots), ["apart-time-tideorgan", "apart-frequency-tideorgan"]);
    let [time, frequency] = &plots[..] else { panic!("two plots") };
    // Rendered again, and the same as the readings: beside the pitch the other stages add nothing
    // that a tenth of a dB could show.
    let (common, own) = (levels[1].2, read(Kind::Stages, "gull, pitch"));
    let told = format!("the difference {common:.1} with the pitch in common and {own:.1} with");
    let told = told.replace('-', "−");
    for plot in &plots {
        assert!(plot.alt.contains(&told) && plot.alt.contains("gull"), "{}", plot.alt);
        assert!(words(plot).contains("Level, rms (dBFS)"));
    }
    let text = words(time);
    for event in ["A2", "A3", "wheel", "A2 up", "cutoff", "level", "A3 up", "A5", "A5 up"] {
        assert!(text.contains(&format!("\n{event}\n")), "{event}");
    }
    // Both voices are silent until the first key at 20 ms: 175 windows less one.
    let line = corners(time, "#1A1A1A", 8);
    assert_eq!((points(time, "fixed twin"), line.len()), (vec![175], 174));
    // Windows of one length, and third octaves, add up to the level of the whole, but for what lies
    // below 22 Hz and above 18 kHz, where a band-pass of 12 dB per octave leaves little.
    let (_, whole) = time.alt.rsplit_once("the fixed twin −").expect("a level");
    let whole: f64 = whole.split_once(' ').expect("a unit").0.parse().expect("a level");
    let sum = |points: &[(f64, f64)]| -> f64 {
        10.0 * points.iter().map(|(_, level)| 10_f64.powf(level / 10.0)).sum::<f64>().log10()
    };
    let over_time = sum(&line) - 10.0 * 175_f64.log10();
    assert!((over_time + whole).abs() < 0.1, "{over_time} for -{whole}");
    let bands = corners(frequency, "#1A1A1A", 8);
    assert_eq!(bands.len(), 29);
    assert!((sum(&bands) + whole).abs() < 0.2, "{} for -{whole}", sum(&bands));
}

#[test]
fn the_rounded_sine_is_that_of_the_findings() {
    let plot = measured_plot("spectrum-output");
    let value = |kind: Kind, setting: &str| {
        let own = cases(kind).find(|case| case.setting.as_deref() == Some(setting));
        own.and_then(|case| case.value)
    };
    for (setting, word) in [("dither=off", "without"), ("dither=on", "with")] {
        let (_, told) =
            plot.alt.split_once(&format!("{word} dither harmonics up to ")).expect("it");
        let figures: Vec<f64> = told
            .split([' ', ','])
            .filter_map(|word| word.replace('−', "-").parse().ok())
            .take(3)
            .collect();
        for (kind, at) in [(Kind::Distortion, 0), (Kind::Floor, 2)] {
            let expected = value(kind, setting).expect("a reading");
            assert!(
                (figures[at] - expected).abs() < 0.051,
                "{word} {kind}: {figures:?}, {expected}"
            );
        }
    }
    assert_eq!(points(plot, "closed form"), [8]);
    assert_eq!(points(plot, "sine and harmonics to the fifteenth"), [15, 15]);
    // -60 dBFS, whatever becomes of the rest: filled heads of 6 px.
    for frame in [0, 1] {
        let (khz, level) = circles(plot, frame, "12")[0];
        assert!((khz - 0.997).abs() < 0.03 && (level + 60.0).abs() < 0.3, "{khz} {level}");
    }
}

#[test]
fn up_to_three_presets_are_heard() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let folder = scratch.path().join("report");
    let setting = "cutoff=500 detune=5";
    let levels: Vec<_> = ["ebb", "gull", setting, "capstan", "foghorn", "ebb"]
        .into_iter()
        .zip([-150.0, -151.0, -100.0, -170.0, -160.0, -150.0])
        .map(|(name, level)| (None, name, level))
        .collect();
    let finding = of_voice(Kind::Residual, Twin::Fixed, &levels);
    write(&folder, &results(vec![finding]), None).expect("a report");
    let expected = ["ebb", "foghorn", "gull"]
        .iter()
        .flat_map(|name| {
            ["difference", "fixed", "float"].map(|what| format!("wav/tideorgan-{name}-{what}.wav"))
        })
        .collect();
    let sounds = files(&folder, "wav");
    assert_eq!(sounds, expected);
    // 3.5 s, mono, 16 bits, at -12 dBFS.
    let peak = 32_767.0 * 10_f64.powf(-12.0 / 20.0);
    for sound in sounds {
        let wav = samples(&std::fs::read(folder.join(&sound)).expect("a sound"));
        let most = wav.iter().map(|x| x.unsigned_abs()).max().expect("samples");
        assert_eq!(wav.len(), 154_350);
        assert!((f64::from(most) - peak).abs() < 2.0, "{sound}: {most} of {peak}");
    }
    let page = std::fs::read_to_string(folder.join("index.html")).expect("a page");
    assert!(page.contains("difference, raised by 1"), "the gain is stated");
}
