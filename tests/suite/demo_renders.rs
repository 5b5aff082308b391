//! `demo-renders` holds what its one command makes, and the manifest says how.

#[path = "../../demo-renders/recipe.rs"]
mod recipe;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::LazyLock;

use plumbtone::instrument::{Stages, Wire};
use plumbtone::measure::{db, level::Level};
use plumbtone::{InstrumentTwin, Score, Settings, StagedVoice, Twin, wav};
use recipe::{COMMAND, File, MANIFEST, RATE_HZ, SOURCES};

/// Largest sound and largest folder, bytes.
const SOUND: u64 = 400_000;
const FOLDER: u64 = 2_000_000;
/// Half a unit of the last place of a gain in the manifest, dB.
const GAIN_DB: f64 = 0.5e-4;

static MADE: LazyLock<Vec<File>> = LazyLock::new(|| recipe::files().unwrap());

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn place(name: &str) -> PathBuf {
    root().join("demo-renders").join(name)
}

fn on_disk(name: &str) -> Vec<u8> {
    std::fs::read(place(name)).unwrap_or_else(|error| panic!("{name}: {error}; run: {COMMAND}"))
}

fn manifest() -> toml::Table {
    String::from_utf8(on_disk(MANIFEST)).unwrap().parse().unwrap()
}

/// Entries of a kind, "sound" or "plot".
fn entries(kind: &str) -> Vec<toml::Table> {
    let entries = manifest()[kind].as_array().unwrap().clone();
    entries.into_iter().map(|entry| entry.as_table().unwrap().clone()).collect()
}

fn text<'a>(entry: &'a toml::Table, key: &str) -> &'a str {
    entry[key].as_str().unwrap_or_else(|| panic!("{key} in {entry}"))
}

fn number(entry: &toml::Table, key: &str) -> f64 {
    entry[key].as_float().unwrap_or_else(|| panic!("{key} in {entry}"))
}

#[test]
fn every_file_is_what_the_one_command_makes() {
    let listed: Vec<toml::Table> = [entries("sound"), entries("plot")].concat();
    let names: Vec<&str> = listed.iter().map(|entry| text(entry, "file")).collect();
    let made: Vec<&str> = MADE.iter().map(|file| file.name.as_str()).collect();
    assert_eq!([names, vec![MANIFEST]].concat(), made, "MANIFEST.toml is old; run: {COMMAND}");
    for (file, entry) in MADE.iter().zip(&listed) {
        let (name, hash) = (&file.name, recipe::hash(&file.bytes));
        assert_eq!(text(entry, "sha256"), hash, "{name} comes out otherwise; run: {COMMAND}");
        let disk = on_disk(name);
        assert_eq!(recipe::hash(&disk), hash, "{name} is not that of MANIFEST; run: {COMMAND}");
        assert_eq!(entry["bytes"].as_integer(), Some(disk.len() as i64), "{name}");
    }
    let last = MADE.last().unwrap();
    assert!(on_disk(MANIFEST) == last.bytes, "MANIFEST.toml reads otherwise; run: {COMMAND}");
}

#[test]
fn nothing_else_lies_in_the_folder() {
    let made = MADE.iter().map(|file| file.name.as_str());
    let known: BTreeSet<&str> = made.chain(SOURCES).collect();
    let (mut found, mut bytes) = (BTreeSet::new(), 0);
    for entry in std::fs::read_dir(place("")).unwrap() {
        let entry = entry.unwrap();
        bytes += entry.metadata().unwrap().len();
        found.insert(entry.file_name().to_string_lossy().into_owned());
    }
    let found: BTreeSet<&str> = found.iter().map(String::as_str).collect();
    assert_eq!(found, known, "remove what is foreign; for what is missing run: {COMMAND}");
    assert!(bytes < FOLDER, "{bytes} bytes in demo-renders");
}

/// Six to eight of them, and the loudest sample the nearest 16-bit one to -12 dBFS.
#[test]
fn sounds_are_short_and_peak_at_minus_12_dbfs() {
    let sounds = entries("sound");
    assert!((6..=8).contains(&sounds.len()), "{} sounds", sounds.len());
    let wanted = 10_f64.powf(wav::PEAK_DBFS / 20.0);
    for sound in &sounds {
        let name = text(sound, "file");
        let bytes = std::fs::metadata(place(name)).unwrap().len();
        assert!(bytes < SOUND, "{name}: {bytes} bytes");
        let heard = wav::read(&place(name)).unwrap();
        let format = (heard.rate_hz, heard.channels, heard.format.as_str());
        assert_eq!(format, (44_100, 1, "16-bit integer"), "{name}");
        let level = Level::of(&heard.samples).unwrap();
        // The twin that is a little softer at the common gain may round to the step below.
        let off = (level.peak - wanted).abs();
        assert!(off <= 2.0 * heard.half_step, "{name}: {} dBFS", db(level.peak));
        let seconds = heard.samples.len() as f64 / f64::from(heard.rate_hz);
        assert!((seconds - number(sound, "seconds")).abs() <= 0.5e-3, "{name}: {seconds} s");
        // The second place in the manifest, and half a step of the format on the peak.
        let place_db = 0.005 + db(1.0 + heard.half_step / wanted);
        let made = MADE.iter().find(|file| file.name == name).and_then(|file| file.heard);
        let made = made.unwrap_or_else(|| panic!("{name} has no levels"));
        for (key, got, made) in [
            ("peak_dbfs", db(level.peak), made.peak_dbfs),
            ("rms_dbfs", level.dbfs(), made.rms_dbfs),
        ] {
            let stated = number(sound, key);
            assert!((got - stated).abs() <= place_db, "{name}: {key} {stated}, read {got}");
            assert!((made - stated).abs() <= 0.005 + 1e-9, "{name}: {key} {stated}, made {made}");
        }
    }
}

/// What a panel plays, by what the manifest says and by nothing else.
fn played(sound: &toml::Table, twin: Twin) -> Vec<f64> {
    let settings = Settings::parse(text(sound, "module"), text(sound, "settings")).unwrap();
    let score = Score::read(&place(text(sound, "score")), RATE_HZ).unwrap();
    match text(sound, "taken") {
        "16-bit output" => {
            let voice = InstrumentTwin::named(text(sound, "module"), twin).unwrap();
            let samples = voice.render(&score, &settings).unwrap();
            samples.into_iter().map(|x| f64::from(x) / 32_768.0).collect()
        }
        "before the 16-bit output stage" => {
            let stages = Stages::all(twin);
            let voice = StagedVoice::render(&score, &settings, stages, &[Wire::Amplified]);
            voice.unwrap().captures.remove(0).1
        }
        other => panic!("taken {other}"),
    }
}

#[test]
fn the_manifest_says_enough_to_play_every_panel_again() {
    let sounds = entries("sound");
    let panels: Vec<_> = sounds.iter().filter(|sound| sound.contains_key("preset")).collect();
    let presets: BTreeSet<&str> = panels.iter().map(|sound| text(sound, "preset")).collect();
    assert!(presets.len() >= 4, "{presets:?}");
    for sound in &panels {
        let name = text(sound, "file");
        let twin = Twin::from_name(text(sound, "twin")).unwrap();
        // Twins beside each other have one gain, that of the louder.
        let beside = panels.iter().filter(|other| text(other, "preset") == text(sound, "preset"));
        let gain = beside
            .map(|other| {
                let twin = Twin::from_name(text(other, "twin")).unwrap();
                wav::gain_to_peak(&played(other, twin), wav::PEAK_DBFS)
            })
            .fold(f64::INFINITY, f64::min);
        assert!(
            (db(gain) - number(sound, "gain_db")).abs() <= GAIN_DB,
            "{name}: a gain of {} dB; run: {COMMAND}",
            db(gain)
        );
        let samples = played(sound, twin);
        let again = wav::encode(&samples, gain, RATE_HZ, wav::Format::Int16).unwrap();
        assert!(again == on_disk(name), "{name} is not what the manifest says; run: {COMMAND}");
    }
    let gain = |file: &str| {
        let found = sounds.iter().find(|sound| text(sound, "file") == file);
        number(found.unwrap(), "gain_db")
    };
    let raised = sounds.iter().find(|sound| sound.contains_key("raised_by_db")).unwrap();
    let by = gain(text(raised, "file")) - gain("capstan-fixed.wav");
    assert!((number(raised, "raised_by_db") - by).abs() <= 3.0 * GAIN_DB, "raised by {by} dB");
}

#[test]
fn the_readme_names_what_is_there() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    assert!(readme.contains(COMMAND), "the README lacks: {COMMAND}");
    let sounds = entries("sound");
    let raised = sounds.iter().find(|sound| sound.contains_key("raised_by_db")).unwrap();
    let louder = format!("{:.0} dB louder", number(raised, "raised_by_db"));
    assert!(readme.contains(&louder), "the README lacks: {louder}");
    let named = readme.split("](demo-renders/").skip(1).filter_map(|rest| rest.split(')').next());
    let named: BTreeSet<&str> = named.collect();
    for name in &named {
        assert!(place(name).exists(), "the README names demo-renders/{name}");
    }
    // What is heard and seen there is shown there.
    let shown = MADE.iter().map(|file| file.name.as_str());
    for name in shown.filter(|name| name.ends_with(".wav") || name.ends_with(".png")) {
        assert!(named.contains(name), "the README does not name demo-renders/{name}");
    }
}
