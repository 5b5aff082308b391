//! The page of a report in a real browser: what a reader meets.
//!
//! `PLUMBTONE_BROWSER` names the browser, else `chromium` or `chromium-browser` is taken; without one the tests are
//! skipped with a message, unless `PLUMBTONE_BROWSER_REQUIRED` is set.

mod chromium;

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use chromium::Tab;
use plumbtone::results::{Case, Finding, Origin, SCHEMA};
use plumbtone::{Kind, Results, Verdict};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use tempfile::TempDir;

/// A desk and a phone.
const SIZES: [[u32; 2]; 2] = [[1280, 800], [390, 844]];

/// A plan with oscillators, a contour and a filter, and with a limit that is not kept.
const PLAN: &str = r#"title = "Panel 3: the low reed <& its filter>"
[[check]]
modules = ["naive", "spline4"]
shapes = ["ramp"]
keys = [93, 94]
limits = { pitch = "derived", rounding = "derived", aliases = "noted", worst-alias = -30 }
[[check]]
modules = ["adsr"]
settings = [{ attack = 0.005, decay = 0.3 }]
limits = { stage-time = "derived", rounding = "derived" }
[[check]]
modules = ["ladder"]
settings = [{ cutoff = 1000, resonance = 0.5 }]
limits = { response = 0.001 }
"#;

/// A report with sounds, plots, a failure, and changes against a run with other limits.
fn report() -> &'static Path {
    static FOLDER: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let make = || {
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::write(folder.path().join("plan.toml"), PLAN).expect("a file");
        let run = |args: &[&str]| {
            let mut command = assert_cmd::Command::new(env!("CARGO_BIN_EXE_plumbtone"));
            command.env("XDG_CACHE_HOME", folder.path().join("cache"));
            let output = command.current_dir(folder.path()).args(args).output().expect("starts");
            let text = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(1), "{text}");
        };
        run(&["check", "plan.toml", "--json", "old.json"]);
        let old = folder.path().join("old.json");
        let text = std::fs::read_to_string(&old).expect("results");
        let mut results: Value = serde_json::from_str(&text).expect("JSON");
        // An earlier run in which every reading was a little smaller.
        for case in results["findings"]
            .as_array_mut()
            .expect("findings")
            .iter_mut()
            .flat_map(|f| f["cases"].as_array_mut().expect("cases"))
        {
            if let Some(value) = case["value"].as_f64() {
                case["value"] = json!(if value < -1.0 { value - 1.0 } else { value * 0.5 });
            }
        }
        std::fs::write(&old, results.to_string()).expect("a file");
        run(&["report", "plan.toml", "--against", "old.json", "-o", "report"]);
        let page = folder.path().join("report/index.html");
        (folder, page)
    };
    &FOLDER.get_or_init(make).1
}

/// Unfolds everything, so that all of it is laid out.
const UNFOLD: &str = "document.querySelectorAll('details').forEach(d => { d.open = true; }); \
    document.querySelectorAll('img').forEach(i => { i.loading = 'eager'; }); 0";

#[test]
fn opens_from_disk_and_all_it_needs_is_there() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[0]);
    tab.load(report());
    tab.value(UNFOLD);
    let images = tab
        .value("Promise.all([...document.images].map(i => i.decode().then(() => i.naturalWidth)))");
    let images = images.as_array().expect("images");
    assert!(
        images.len() > 8 && images.iter().all(|width| width.as_f64() > Some(0.0)),
        "{images:?}"
    );
    let players = tab.value(
        "Promise.all([...document.querySelectorAll('audio')].map(a => new Promise(done => {
            a.onloadedmetadata = () => done(a.duration);
            a.onerror = () => done(a.src);
            a.preload = 'metadata';
            a.load();
        })))",
    );
    let players = players.as_array().expect("players");
    assert!(players.len() >= 12 && players.iter().all(|p| p.as_f64() > Some(0.0)), "{players:?}");
    assert_eq!(tab.complaints(), [""; 0]);
    let outside: Vec<String> = tab
        .requests()
        .into_iter()
        .filter(|url| !url.starts_with("file://") && !url.starts_with("data:"))
        .collect();
    assert_eq!(outside, [""; 0]);
}

#[test]
fn what_failed_is_seen_without_scrolling() {
    let Some(mut tab) = Tab::open() else { return };
    for size in SIZES {
        tab.size(size);
        tab.load(report());
        let row = tab.value(
            "(() => { const row = document.querySelector('.first li');
                const box = row.getBoundingClientRect();
                return { text: row.innerText, top: box.top, bottom: box.bottom,
                    left: box.left, right: box.right, wide: innerWidth, high: innerHeight }; })()",
        );
        let at = |name: &str| row[name].as_f64().expect("a number");
        assert!(at("top") >= 0.0 && at("bottom") <= at("high"), "{size:?}: {row}");
        assert!(at("left") >= 0.0 && at("right") <= at("wide"), "{size:?}: {row}");
        assert_eq!([at("wide"), at("high")], size.map(f64::from));
        let text = row["text"].as_str().expect("text");
        for part in ["FAIL", "naive/float/ramp", "worst-alias", "beyond the limit", "−30.00 dBc"]
        {
            assert!(text.contains(part), "{text}");
        }
    }
}

#[test]
fn page_never_scrolls_sideways_and_nothing_jumps() {
    let Some(mut tab) = Tab::open() else { return };
    for size in SIZES {
        tab.size(size);
        tab.load(report());
        let shift = tab.value(
            "new Promise(done => { let sum = 0;
                new PerformanceObserver(list => {
                    list.getEntries().forEach(e => { sum += e.value; });
                }).observe({ type: 'layout-shift', buffered: true });
                setTimeout(() => done(sum), 500); })",
        );
        // 0.1 is where a reader begins to notice (Web Vitals); ours has no reason to move at all.
        assert_eq!(shift.as_f64(), Some(0.0), "{size:?}");
        for fold in ["0", UNFOLD] {
            tab.value(fold);
            let wide = tab.value("document.documentElement.scrollWidth - innerWidth");
            assert!(wide.as_f64() <= Some(0.0), "{size:?}: {wide} px too wide");
        }
        if size == SIZES[0] {
            let cut = tab.value(
                "[...document.querySelectorAll('.scroll')].filter(s => s.scrollWidth > s.clientWidth)
                    .map(s => s.getAttribute('aria-label'))",
            );
            assert_eq!(cut, json!([]), "tables cut at 1280 px");
        }
    }
}

/// Rules for accessibility, from a package of its own: see the README beside it.
const AXE: &str = include_str!("axe-core/axe.min.js");

/// What those rules find: breaches, texts whose contrast they could not tell, and how many they
/// could.
const AUDIT: &str = "axe.run(document, { runOnly: \
        ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })
    .then(found => {
        const told = list => list.flatMap(rule => rule.nodes.map(
            node => `${rule.id}: ${node.target.join(' ')}: ${node.failureSummary}`));
        const contrast = rule => rule.id === 'color-contrast';
        return { broken: told(found.violations), unsure: told(found.incomplete.filter(contrast)),
            told: found.passes.filter(contrast).flatMap(rule => rule.nodes).length }; })";

#[test]
fn rules_for_accessibility_are_kept() {
    let Some(mut tab) = Tab::open() else { return };
    let mut grounds = Vec::new();
    for scheme in ["light", "dark"] {
        tab.scheme(scheme);
        for size in SIZES {
            tab.size(size);
            tab.load(report());
            tab.value(UNFOLD);
            tab.value(AXE);
            let found = tab.value(AUDIT);
            let about = format!("{scheme} {size:?}: {found:#}");
            assert_eq!([&found["broken"], &found["unsure"]], [&json!([]), &json!([])], "{about}");
            assert!(found["told"].as_u64() > Some(300), "{about}");
        }
        grounds.push(tab.value("getComputedStyle(document.body).backgroundColor"));
    }
    assert_ne!(grounds[0], grounds[1]);
    // The rules themselves: what is bad is found, and where it is.
    tab.value(
        "document.querySelector('main').insertAdjacentHTML('afterbegin', `<p id='grey' \
         style='color:#999;background:#fff'>grey</p><img id='bare' src='data:,'><h6>deep</h6>`)",
    );
    let found = tab.value(AUDIT);
    let broken: Vec<_> =
        found["broken"].as_array().expect("a list").iter().flat_map(Value::as_str).collect();
    // 2.85 by the formula of WCAG 2.2.
    for bad in ["color-contrast: #grey", "contrast of 2.84", "image-alt: #bare", "heading-order: "]
    {
        assert!(broken.iter().any(|rule| rule.contains(bad)), "{bad}: {broken:#?}");
    }
}

#[test]
fn the_rules_are_those_that_were_reviewed() {
    let sum = Sha256::digest(AXE);
    let sum: String = sum.iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(include_str!("axe-core/README.md").contains(&sum), "{sum}");
}

#[test]
fn landmarks_and_players_are_there_once_and_named() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[0]);
    tab.load(report());
    tab.value(UNFOLD);
    let tree = tab.call("Accessibility.getFullAXTree", json!({}));
    let nodes = tree["nodes"].as_array().expect("nodes");
    let name = |node: &Value| node["name"]["value"].as_str().unwrap_or_default().trim().to_owned();
    let of = |role: &'static str| {
        nodes.iter().filter(move |n| n["ignored"] != true && n["role"]["value"] == role)
    };
    for landmark in ["banner", "navigation", "main", "contentinfo"] {
        assert_eq!(of(landmark).count(), 1, "{landmark}");
    }
    let players = of("Audio").map(name);
    assert!(players.clone().count() >= 12 && players.clone().all(|name| name.contains(": ")));
    let lone = tab.value("document.querySelectorAll('h1').length");
    assert_eq!(lone, json!(1));
    let loose = tab.value("document.querySelectorAll('th:not([scope])').length");
    assert_eq!(loose, json!(0), "heads of tables that belong to nothing");
    let twice = tab.value(
        "(() => { const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
            return ids.length - new Set(ids).size; })()",
    );
    assert_eq!(twice, json!(0), "ids that are given twice");
}

#[test]
fn works_by_keyboard() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[0]);
    tab.load(report());
    for step in 0..25 {
        tab.press("Tab");
        let focus = tab.value(
            "(() => { const at = document.activeElement; const style = getComputedStyle(at);
                return [at.localName, style.outlineStyle, parseFloat(style.outlineWidth)]; })()",
        );
        assert_ne!(focus[0], "body", "step {step}");
        assert!(focus[1] != "none" && focus[2].as_f64() >= Some(2.0), "step {step}: {focus}");
    }
    // A link into a folded subject unfolds it.
    tab.value("location.hash = '#s2'");
    let open = tab.value(
        "new Promise(done => setTimeout(() => done(document.getElementById('s2').checkVisibility()), 200))",
    );
    assert_eq!(open, json!(true));
    tab.value("document.querySelector('figure').scrollIntoView()");
    tab.value("new Promise(done => setTimeout(done, 300))");
    tab.value("document.querySelector('.view').focus()");
    tab.press("ArrowRight");
    let read = tab.value("document.querySelector('figure output').textContent");
    // The middle of the plot area and one step to the right.
    let text = read.as_str().expect("text");
    assert!(text.contains("kHz; ") && text.ends_with("dBc"), "{text}");
    tab.press("+");
    let zoomed = tab.value("document.querySelector('.view img').style.transform");
    assert!(zoomed.as_str().is_some_and(|text| text.contains("scale(2)")), "{zoomed}");
    tab.press("0");
    let whole = tab.value("document.querySelector('.view img').style.transform");
    assert_eq!(whole, json!(""));
}

#[test]
fn a_point_in_a_plot_reads_as_its_axes_say() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[0]);
    tab.load(report());
    tab.value("document.querySelector('figure').scrollIntoView()");
    tab.value("new Promise(done => setTimeout(done, 300))");
    // The corners of the plot area are the ends of the axes, which the drawing states in words.
    let read = tab.value(
        "(() => { const figure = document.querySelector('figure');
            const view = figure.querySelector('.view');
            const frame = JSON.parse(figure.dataset.frames)[0];
            const scale = view.clientWidth / figure.querySelector('img').getAttribute('width');
            const box = view.getBoundingClientRect();
            return [[frame.l, frame.b], [frame.r, frame.t]].map(([x, y]) => {
                view.dispatchEvent(new PointerEvent('pointermove', { pointerType: 'mouse',
                    clientX: box.left + x * scale, clientY: box.top + y * scale }));
                return figure.querySelector('output').textContent;
            }); })()",
    );
    let svg = report().with_file_name("plots/spectrum-naive.svg");
    let words = std::fs::read_to_string(svg).expect("the drawing");
    let range = |axis: &str| -> Vec<f64> {
        let (_, rest) = words.split_once(&format!(" {axis}: ")).expect("an axis");
        let (_, rest) = rest.split_once(", ").expect("a range");
        rest.split_whitespace().filter_map(|word| word.parse().ok()).take(2).collect()
    };
    let (x, y) = (range("x"), range("y"));
    for (corner, read) in read.as_array().expect("texts").iter().enumerate() {
        let text = read.as_str().expect("a text").replace('−', "-");
        let numbers: Vec<f64> =
            text.split([' ', ';']).filter_map(|word| word.parse().ok()).collect();
        // A pixel of the drawing at this size, on either axis.
        let pixel = |range: &[f64]| (range[1] - range[0]) / 300.0;
        assert!((numbers[0] - x[corner]).abs() < pixel(&x), "{text}: x {x:?}");
        assert!((numbers[1] - y[corner]).abs() < pixel(&y), "{text}: y {y:?}");
    }
}

#[test]
fn useful_without_scripts() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[1]);
    tab.call("Emulation.setScriptExecutionDisabled", json!({ "value": true }));
    tab.load(report());
    let page = tab.call("Accessibility.getFullAXTree", json!({})).to_string();
    assert!(page.contains("7.72 dB beyond the limit"));
    assert!(!page.contains("Enlarge"), "buttons that do nothing");
    assert!(page.contains("Spectrum: naive"));
}

#[test]
fn a_print_shows_everything_on_white_and_nothing_to_press() {
    let Some(mut tab) = Tab::open() else { return };
    tab.size(SIZES[0]);
    tab.load(report());
    let folded = "document.querySelectorAll('details:not([open])').length";
    assert!(tab.value(folded).as_u64() > Some(0));
    let dark = json!([{ "name": "prefers-color-scheme", "value": "dark" }]);
    tab.call("Emulation.setEmulatedMedia", json!({ "media": "print", "features": dark }));
    let seen = "[...document.querySelectorAll(what)].filter(at => at.checkVisibility({
        contentVisibilityAuto: false, visibilityProperty: true })).length";
    let mut count = |what: &str| {
        let all = tab.value(&format!("document.querySelectorAll('{what}').length")).as_u64();
        let seen = tab.value(&format!("(what => {seen})('{what}')")).as_u64();
        (all.expect("a count"), seen.expect("a count"))
    };
    for what in ["button", "input", "nav", "audio", ".skip", ".files", ".caution"] {
        let (all, seen) = count(what);
        assert!(all > 0 && seen == 0, "{what}: {seen} of {all}");
    }
    for what in ["h1", "h2", "h3", ".readings tr", ".changes tr", "figure", "figure img"] {
        let (all, seen) = count(what);
        assert!(all > 0 && seen == all, "{what}: {seen} of {all}");
    }
    let ground = tab.value("getComputedStyle(document.body).backgroundColor");
    assert_eq!(ground, json!("rgb(255, 255, 255)"));
    let filter = tab.value("getComputedStyle(document.querySelector('figure img')).filter");
    assert_eq!(filter, json!("none"));
    let cut = tab.value(
        "[...document.querySelectorAll('.scroll')].filter(s => s.scrollWidth > s.clientWidth).length",
    );
    assert_eq!(cut, json!(0), "tables wider than the paper");
}

/// As many subjects as a large project has, every tenth with something to fix.
fn crowd(count: usize) -> Results {
    let finding = |subject: &str, kind: Kind, bad: bool, rank: usize| Finding {
        subject: subject.to_owned(),
        twin: None,
        shape: "ramp".to_owned(),
        width: None,
        rate_hz: 44_100,
        kind,
        unit: kind.unit(),
        limit: Origin::Required("asked for by the plan or the test".to_owned()),
        reference: "made by hand".to_owned(),
        verdict: if bad { Verdict::Fail } else { Verdict::Pass },
        worst: 0,
        cases: vec![Case {
            key: Some(69),
            hz: Some(440.0),
            setting: None,
            value: Some(if bad { 2.0 + rank as f64 } else { 0.5 }),
            uncertainty: 0.01,
            limit: Some(1.0),
            gap: None,
            note: None,
        }],
    };
    let kinds = [Kind::Pitch, Kind::Lines, Kind::Rounding, Kind::Noise];
    let findings = (0..count).flat_map(|n| {
        let subject = format!("panel-{n:04}");
        kinds.map(|kind| finding(&subject, kind, n % 10 == 0 && kind == Kind::Pitch, n))
    });
    Results {
        schema: SCHEMA.to_owned(),
        title: "Two thousand subjects".to_owned(),
        criterion: "none".to_owned(),
        findings: findings.collect(),
    }
}

#[test]
fn two_thousand_subjects_stay_usable() {
    let Some(mut tab) = Tab::open() else { return };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let report = folder.path().join("report");
    plumbtone_report::write(&report, &crowd(2_000), None).expect("written");
    let page = report.join("index.html");
    for size in SIZES {
        tab.size(size);
        tab.load(&page);
        // Two frames later it has been drawn and answers.
        let ready = tab.value(
            "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(
                () => setTimeout(() => done(performance.now())))))",
        );
        let ready_s = ready.as_f64().expect("a time") / 1000.0;
        let bytes = std::fs::metadata(&page).expect("a page").len();
        println!("{size:?}: {:.1} MB, interactive after {ready_s:.2} s", bytes as f64 / 1e6);
        assert!(ready_s < 3.0, "interactive after {ready_s} s");
        let found = tab.value(
            "(() => { const find = document.getElementById('find'); find.value = 'PANEL-1990';
                const clock = performance.now(); find.dispatchEvent(new Event('input'));
                const shown = [...document.querySelectorAll('.subject')].filter(s => s.checkVisibility());
                return [shown.map(s => s.querySelector('h3').textContent), performance.now() - clock]; })()",
        );
        assert_eq!(found[0], json!(["panel-1990"]));
        assert!(found[1].as_f64() < Some(1000.0), "{found}");
    }
}
