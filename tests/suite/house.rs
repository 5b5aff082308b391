//! The boundaries of the workspace, and that every module is registered and documented.

use plumbtone_voice::oscillators::ENTRIES;
use plumbtone_voice::registry;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Direct dependencies inside the workspace, for building and for tests of their own alike.
fn arrows() -> BTreeMap<String, BTreeSet<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version=1", "--no-deps", "--offline", "--manifest-path"])
        .arg(root().join("Cargo.toml"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let name = |value: &serde_json::Value| value["name"].as_str().unwrap().to_owned();
    packages
        .iter()
        .map(|package| {
            let needs = package["dependencies"].as_array().unwrap().iter();
            let ours = needs.filter(|need| !need["path"].is_null());
            (name(package), ours.map(name).collect())
        })
        .collect()
}

/// Everything of ours that a package reaches.
fn reach(arrows: &BTreeMap<String, BTreeSet<String>>, package: &str) -> BTreeSet<String> {
    let mut reached = BTreeSet::new();
    let mut open = vec![package.to_owned()];
    while let Some(package) = open.pop() {
        for need in arrows.get(&package).unwrap_or_else(|| panic!("{package} is no member")) {
            if reached.insert(need.clone()) {
                open.push(need.clone());
            }
        }
    }
    reached
}

/// The bench must not share a bug with what it tests.
#[test]
fn voice_theory_measure_and_plot_know_nothing_of_ours() {
    let arrows = arrows();
    for alone in ["plumbtone-voice", "plumbtone-theory", "plumbtone-measure", "plumbtone-plot"] {
        let reached = reach(&arrows, alone);
        assert!(reached.is_empty(), "{alone} reaches {reached:?}");
    }
}

#[test]
fn arrows_point_down_only() {
    let arrows = arrows();
    let bench = reach(&arrows, "plumbtone");
    for above in ["plumbtone-report", "plumbtone-cli"] {
        assert!(!bench.contains(above), "the bench reaches {above}");
    }
    assert!(!reach(&arrows, "plumbtone-report").contains("plumbtone-cli"));
    for package in arrows.keys() {
        assert!(!reach(&arrows, package).contains(package), "{package} reaches itself");
        assert!(!reach(&arrows, package).contains("plumbtone-house"), "{package} needs the root");
    }
}

/// What lands in firmware: the formats and the float functions, without their `std`.
#[test]
fn voice_builds_on_two_crates_without_std() {
    let text = std::fs::read_to_string(root().join("crates/voice/Cargo.toml")).unwrap();
    let manifest: toml::Table = text.parse().unwrap();
    let needs: Vec<&str> =
        manifest["dependencies"].as_table().unwrap().keys().map(String::as_str).collect();
    assert_eq!(needs, ["fixed", "libm"]);
    assert!(!manifest.contains_key("features"), "nothing to switch on, nothing to unify");
    let source = std::fs::read_to_string(root().join("crates/voice/src/lib.rs")).unwrap();
    assert!(source.lines().any(|line| line == "#![no_std]"));
    for (path, text) in sources(&root().join("crates/voice/src")) {
        for word in ["std::", "alloc::", "unsafe "] {
            let found = text.lines().any(|line| {
                let code = line.split("//").next().unwrap_or("");
                code.split(|c: char| c.is_whitespace() || "(<&".contains(c))
                    .any(|part| part.starts_with(word.trim_end()) && code.contains(word))
            });
            assert!(!found, "{} uses {word}", path.display());
        }
    }
}

fn sources(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else {
            let text = std::fs::read_to_string(&path).unwrap();
            found.push((path, text));
        }
    }
    found
}

/// Families of modules, and the files in them that modules share.
const FAMILIES: [(&str, &[&str]); 6] = [
    ("oscillators", &[]),
    ("contours", &["segment.rs"]),
    ("control", &[]),
    ("filters", &[]),
    ("level", &[]),
    (
        "instruments",
        &[
            "tideorgan/blocker.rs",
            "tideorgan/cutoff.rs",
            "tideorgan/filter.rs",
            "tideorgan/parameters.rs",
            "tideorgan/pitch.rs",
            "tideorgan/sources.rs",
        ],
    ),
];

/// Files of modules, by the path that entries state.
fn modules() -> BTreeMap<String, String> {
    FAMILIES.into_iter().flat_map(|(name, shared)| family(name, shared)).collect()
}

fn family(name: &str, shared: &[&str]) -> BTreeMap<String, String> {
    let folder = root().join("crates/voice/src").join(name);
    let mut modules = BTreeMap::new();
    for (path, text) in sources(&folder) {
        let file = path.strip_prefix(&folder).unwrap().to_string_lossy().into_owned();
        if file != "mod.rs" && !shared.contains(&file.as_str()) {
            modules.insert(format!("{name}/{file}"), text);
        }
    }
    modules
}

#[test]
fn every_module_file_is_registered() {
    let files: BTreeSet<String> = modules().into_keys().collect();
    let registered: BTreeSet<String> = registry::all().map(|about| about.file.to_owned()).collect();
    assert_eq!(files, registered);
    let names: BTreeSet<&str> = registry::all().map(|about| about.name).collect();
    assert_eq!(names.len(), registry::all().count(), "two modules of one name");
    for entry in registry::all() {
        assert!(!entry.summary.is_empty() && entry.parameters.iter().all(|p| p.min <= p.max));
        let listed = entry.parameters.iter().all(|p| (p.min..=p.max).contains(&p.default));
        assert!(listed, "{}: a default outside its range", entry.name);
    }
}

#[test]
fn every_header_table_is_complete_and_its_test_exists() {
    let rows = ["Source", "Units", "float", "fixed", "Usable", "Checked"];
    for (file, text) in modules() {
        let table: Vec<(&str, &str)> = text
            .lines()
            .take_while(|line| line.starts_with("//!"))
            .filter_map(|line| line.strip_prefix("//! | "))
            .filter_map(|row| row.split_once('|'))
            .map(|(name, cell)| (name.trim(), cell.trim().trim_end_matches('|').trim()))
            .filter(|(name, _)| !name.is_empty())
            .collect();
        let names: Vec<&str> = table.iter().map(|(name, _)| *name).collect();
        assert_eq!(names, rows, "{file}");
        for (name, cell) in &table {
            assert!(cell.len() > 10, "{file}: `{name}` says \"{cell}\"");
        }
        let checked = table[rows.len() - 1].1.trim_matches('`');
        let (path, test) = checked.split_once("::").unwrap_or_else(|| panic!("{file}: {checked}"));
        let suite = std::fs::read_to_string(root().join(path))
            .unwrap_or_else(|error| panic!("{file}: {path}: {error}"));
        let named = suite.contains(&format!("#[test]\nfn {test}()"));
        assert!(named, "{file}: {path} has no test `{test}`");
        let module = Path::new(path).file_stem().unwrap().to_string_lossy().into_owned();
        let main = std::fs::read_to_string(root().join("tests/suite/main.rs")).unwrap();
        assert!(main.contains(&format!("mod {module};")), "{path} is not part of the suite");
    }
}

/// Theory has something to say of every module, or the bench could not hold it against anything.
#[test]
fn every_module_of_settings_has_an_exact_evaluation() {
    use plumbtone::law::{CodeLaw, LawTwin, codes};
    use plumbtone::script::{ContourTwin, Controller, demonstration};
    use plumbtone::{Settings, Twin};
    for entry in plumbtone_voice::contours::ENTRIES {
        let script = demonstration(entry.name, Settings::new(), 48_000, 4_800, 2_400);
        let mut trace = vec![f64::NAN; script.length];
        ContourTwin::named(entry.name, Twin::Exact).unwrap().render(&script, &mut trace).unwrap();
        assert!(trace.iter().all(|level| level.is_finite()), "{}", entry.name);
    }
    for entry in plumbtone_voice::control::ENTRIES {
        let law = LawTwin::named(entry.name, Twin::Exact);
        // `keys` decides; it has a test of its own against a plain list.
        let Ok(law) = law else {
            assert_eq!(entry.name, "keys");
            continue;
        };
        let codes = codes(entry.name, &Settings::new(), 48_000).unwrap();
        let mut figures = vec![f64::NAN; codes.len()];
        law.read(48_000, &Settings::new(), &codes, &mut figures).unwrap();
        assert!(figures.iter().all(|figure| figure.is_finite()), "{}", entry.name);
    }
    for entry in plumbtone_voice::filters::ENTRIES {
        use plumbtone::filter::{FilterSubject, FilterTwin, Passage};
        let passage = Passage::new(48_000, &Settings::new(), vec![0.25; 4_800]).unwrap();
        let mut out = vec![f64::NAN; passage.input.len()];
        FilterTwin::named(entry.name, Twin::Exact).unwrap().render(&passage, &mut out).unwrap();
        assert!(out.iter().all(|sample| sample.is_finite()), "{}", entry.name);
    }
}

/// Folders and files of the design; a build or a run may leave hidden ones and `target`.
#[test]
fn the_top_level_holds_only_what_was_agreed() {
    let agreed = [
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE-APACHE",
        "LICENSE-MIT",
        "README.md",
        "benches",
        "crates",
        "demo-renders",
        "reference-tables",
        "target",
        "tests",
    ];
    for entry in std::fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        assert!(
            name.starts_with('.') || agreed.contains(&name.as_str()),
            "{name} at the top level"
        );
    }
}

/// Every file of the suite is part of it.
#[test]
fn every_file_of_the_suite_is_compiled() {
    let folder = root().join("tests/suite");
    let main = std::fs::read_to_string(folder.join("main.rs")).unwrap();
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let module = path.file_stem().unwrap().to_string_lossy().into_owned();
        let part = module == "main" || main.contains(&format!("mod {module};"));
        assert!(part, "{} is not named in main.rs", path.display());
    }
}

/// The tables of the README name every module with its shapes, and every reading as it is.
#[test]
fn the_readme_lists_modules_and_readings_as_they_are() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    for entry in ENTRIES {
        let row = readme
            .lines()
            .find(|line| line.starts_with('|') && line.contains(&format!("`{}`", entry.name)));
        let row = row.unwrap_or_else(|| panic!("{} is not in the README", entry.name));
        let shapes: Vec<_> = entry.shapes.iter().map(|shape| shape.name()).collect();
        assert!(row.ends_with(&format!("| {} |", shapes.join(", "))) || shapes.is_empty(), "{row}");
    }
    for about in registry::all().skip(ENTRIES.len()) {
        let names: Vec<_> = about.parameters.iter().map(|p| format!("`{}`", p.name)).collect();
        let row = format!("| `{}` | {} | {} |", about.name, about.summary, names.join(", "));
        assert!(readme.contains(&row), "not in the README: {row}");
    }
    for kind in plumbtone::Kind::ALL {
        let row = format!("| `{kind}` | {} | {} |", kind.unit().symbol(), kind.describe());
        assert!(readme.contains(&row), "not in the README: {row}");
    }
}
