use std::path::Path;

use crate::{PANEL_3, folder, names, refused, run, write};

const PARTS: [&str; 7] = [
    "index.html",
    "junit.xml",
    "plots",
    "results.json",
    "results.schema.json",
    "summary.md",
    "wav",
];

/// The page as XML: it is written so that it is both.
fn page(folder: &Path) -> String {
    std::fs::read_to_string(folder.join("index.html")).expect("the page")
}

fn parse(text: &str) -> roxmltree::Document<'_> {
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
    roxmltree::Document::parse_with_options(text, options).expect("well-formed")
}

#[test]
fn folder_is_complete_and_refers_only_to_itself() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    let (status, text, stderr) = run(&folder, &["report", "panel.toml", "-o", "panel"]);
    assert_eq!(status, 0, "{stderr}");
    assert!(text.contains("8 findings"), "{text}");
    assert!(stderr.contains("panel/index.html"), "{stderr}");
    assert_eq!(names(folder.path()), ["panel", "panel.toml"]);
    let report = folder.path().join("panel");
    assert_eq!(names(&report), PARTS);

    let text = page(&report);
    let document = parse(&text);
    let mut referred = Vec::new();
    for node in document.descendants().filter(|node| node.is_element()) {
        for target in ["src", "href"].into_iter().filter_map(|name| node.attribute(name)) {
            if let Some(anchor) = target.strip_prefix('#') {
                let found = document.descendants().any(|n| n.attribute("id") == Some(anchor));
                assert!(found, "{target}");
            } else if target != "data:," {
                assert!(report.join(target).is_file(), "{target}");
                referred.push(target.to_owned());
            }
        }
        if node.has_tag_name("img") {
            assert!(node.attribute("alt").is_some_and(|alt| alt.len() > 20));
        }
        assert!(!node.has_tag_name("script") || node.attribute("src").is_none());
    }
    // And nothing lies there that the page does not mention.
    for part in ["plots", "wav"] {
        for name in names(&report.join(part)) {
            assert!(referred.contains(&format!("{part}/{name}")), "{part}/{name}");
        }
    }
    for plot in [
        "pitch",
        "aliases-float",
        "aliases-fixed",
        "residual-time",
        "residual-level",
        "spectrum-spline4",
    ] {
        assert!(referred.contains(&format!("plots/{plot}.svg")), "{plot}");
        let svg = std::fs::read_to_string(report.join(format!("plots/{plot}.svg"))).expect("SVG");
        parse(&svg);
        let png = std::fs::read(report.join(format!("plots/{plot}.png"))).expect("PNG");
        assert!(png.starts_with(b"\x89PNG\r\n\x1a\n"));
    }
    assert!(text.contains("Panel 3 &lt;low &amp; high&gt;"));
    assert!(text.contains("monitor turned down"));
    assert!(text.contains("prefers-color-scheme"));
}

#[test]
fn same_folder_with_one_or_two_threads() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    for jobs in ["1", "2"] {
        assert_eq!(run(&folder, &["report", "panel.toml", "--jobs", jobs, "-o", jobs]).0, 0);
    }
    let [one, two] = ["1", "2"].map(|name| folder.path().join(name));
    for part in ["", "plots", "wav"] {
        assert_eq!(names(&one.join(part)), names(&two.join(part)));
        for name in names(&one.join(part)).iter().filter(|name| name.contains('.')) {
            let [a, b] = [&one, &two].map(|f| std::fs::read(f.join(part).join(name)).expect(name));
            assert!(a == b, "{part}/{name}");
        }
    }
}

#[test]
fn replaces_an_earlier_report_as_a_whole() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    assert_eq!(run(&folder, &["report", "panel.toml", "-o", "panel"]).0, 0);
    let stale = folder.path().join("panel/plots/stale.svg");
    std::fs::write(&stale, "old").expect("a file");
    let args = ["report", "panel.toml", "--only", "naive", "-o", "panel"];
    assert_eq!(run(&folder, &args).0, 0);
    assert!(!stale.exists());
    assert!(!page(&folder.path().join("panel")).contains("spline4"));
    assert_eq!(names(folder.path()), ["panel", "panel.toml"]);
}

#[test]
fn leaves_folders_alone_that_are_no_report() {
    let folder = folder();
    let mine = folder.path().join("mine");
    std::fs::create_dir(&mine).expect("a folder");
    std::fs::write(mine.join("notes.txt"), "mine").expect("a file");
    // The built-in plan takes minutes: the refusal comes before it runs.
    let line = refused(&folder, &["report", "-o", "mine"]);
    assert!(line.contains("notes.txt"), "{line}");
    assert_eq!(names(&mine), ["notes.txt"]);
    std::fs::remove_file(mine.join("notes.txt")).expect("removed");
    std::fs::write(mine.join("results.json"), "{}").expect("a file");
    let line = refused(&folder, &["report", "-o", "mine"]);
    assert!(line.contains("no plumbtone report"), "{line}");
    assert_eq!(names(&mine), ["results.json"]);
    let line = refused(&folder, &["report", "-o", "mine/results.json"]);
    assert!(line.contains("is a file"), "{line}");
    refused(&folder, &["report", "-o", "."]);
    refused(&folder, &["report", "-o", "missing/report"]);
}

#[test]
fn takes_an_empty_folder() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    std::fs::create_dir(folder.path().join("empty")).expect("a folder");
    let args = ["report", "panel.toml", "--only", "naive/fixed/*", "-o", "empty"];
    assert_eq!(run(&folder, &args).0, 0);
    assert_eq!(names(&folder.path().join("empty")), PARTS);
}

#[cfg(unix)]
#[test]
fn a_run_killed_while_it_writes_leaves_no_half_of_a_report() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    assert_eq!(run(&folder, &["report", "panel.toml", "-o", "panel"]).0, 0);
    let before = page(&folder.path().join("panel"));
    // Another title, so that the new page would differ.
    write(&folder, "other.toml", &PANEL_3.replace("Panel 3", "Panel 4"));
    let scratch = || {
        let hidden = names(folder.path()).into_iter().find(|name| name.starts_with('.'))?;
        let scratch = folder.path().join(hidden);
        // Plots are the longest part: they lie there and the page does not.
        scratch.join("report/plots").is_dir().then_some(scratch)
    };
    for output in ["panel", "fresh"] {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_plumbtone"))
            .args(["report", "other.toml", "-o", output])
            .env("XDG_CACHE_HOME", crate::NO_FOLDER)
            .current_dir(folder.path())
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the command starts");
        while scratch().is_none() {
            assert!(child.try_wait().expect("a state").is_none(), "it ended before it was killed");
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
        child.kill().expect("killed");
        child.wait().expect("ended");
        assert!(page(&folder.path().join("panel")) == before);
        assert!(!folder.path().join("fresh").exists());
    }
    // The next run takes away what was left, and writes its report.
    assert_eq!(run(&folder, &["report", "other.toml", "-o", "panel"]).0, 0);
    assert!(page(&folder.path().join("panel")).contains("Panel 4"));
    assert_eq!(names(folder.path()), ["other.toml", "panel", "panel.toml"]);
}
