//! The report folder: made beside its place, moved there when it is complete.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use plumbtone::expect::controls::exercise;
use plumbtone::subject::VoiceTwin;
use plumbtone::theory::tuning::key_hz;
use plumbtone::voice::Shape;
use plumbtone::{Preset, Results, Script, Settings, Stimulus, Subject, Twin, wav};

use crate::charts::control::Shown;
use crate::charts::{self, Scene, filter, voice};
use crate::{Comparison, Error, RESULTS_SCHEMA, html, json, junit, summary};

/// Looks whether a report can go to `folder`: its parent takes files, and what is there already
/// is nothing, an empty folder, or an earlier report.
///
/// # Errors
/// [`Error::Folder`].
pub fn prepare(folder: &Path) -> Result<(), Error> {
    may_replace(folder)?;
    beside(folder).map(drop)
}

/// Writes the whole report: `index.html`, `summary.md`, `plots/`, `wav/`, `results.json` with its
/// JSON Schema, `junit.xml`; with what has changed since earlier results, where they were compared.
///
/// An earlier report of that name is replaced as a whole; nothing else ever is. Whatever goes
/// wrong, no half of a report is left behind.
///
/// # Errors
/// [`Error::Folder`], or whatever keeps a part from being made.
pub fn write(
    folder: &Path,
    results: &Results,
    comparison: Option<&Comparison>,
) -> Result<(), Error> {
    may_replace(folder)?;
    let scratch = beside(folder)?;
    // The scratch folder is private; a folder made inside it is for all whom the umask allows.
    let fresh = scratch.path().join("report");
    create(&fresh)?;
    create(&fresh.join("plots"))?;
    create(&fresh.join("wav"))?;
    let save = |name: &str, bytes: &[u8]| {
        std::fs::write(fresh.join(name), bytes).map_err(refused("write", &folder.join(name)))
    };

    let plots = charts::plots(results)?;
    for plot in &plots {
        save(&format!("plots/{}.svg", plot.name), plot.svg.as_bytes())?;
        save(&format!("plots/{}.png", plot.name), &plot.png)?;
    }
    let sounds = sounds(results)?;
    for sound in &sounds {
        let difference = sound.difference.iter().map(|raised| &raised.file);
        for (name, bytes) in sound.files.iter().chain(difference) {
            save(name, bytes)?;
        }
    }
    save("results.json", json(results, comparison)?.as_bytes())?;
    save("results.schema.json", RESULTS_SCHEMA.as_bytes())?;
    save("junit.xml", junit(results)?.as_bytes())?;
    save("summary.md", summary(results, comparison).as_bytes())?;
    save("index.html", html::page(results, comparison, &plots, &sounds).as_bytes())?;

    let old = scratch.path().join("old");
    let replaced = folder.exists();
    if replaced {
        std::fs::rename(folder, &old).map_err(refused("replace", folder))?;
    }
    std::fs::rename(&fresh, folder).map_err(|error| {
        if replaced {
            // The earlier report is better than none; the first error is the one to tell.
            std::fs::rename(&old, folder).ok();
        }
        refused("write", folder)(error)
    })
}

/// One sound from both twins, at the same gain.
pub(crate) struct Sound {
    pub title: String,
    /// The module that is heard.
    pub subject: String,
    /// Gain applied to both, dB.
    pub gain_db: f64,
    /// Path inside the report and bytes: float, fixed.
    pub files: [(String, Vec<u8>); 2],
    /// Float less fixed; none where all samples agree.
    pub difference: Option<Raised>,
}

/// A sound too soft to hear, raised.
pub(crate) struct Raised {
    /// Gain re the twins as they are played, dB.
    pub by_db: f64,
    pub file: (String, Vec<u8>),
}

/// Control modules to listen to, where the results have them, and what each does to a sine.
const HEARD_CONTROLS: [(&str, &str); 3] = [
    ("adsr", "level of a sine of 440 Hz"),
    ("glide", "pitch of a sine"),
    ("lfo", "vibrato of a semitone on a sine of 440 Hz"),
];
/// Longest sound of a control module.
const LONGEST_S: f64 = 3.0;

/// Filters to listen to, where the results have them.
const HEARD_FILTERS: [&str; 2] = ["ladder", "ladder-tanh"];
/// A low reed, and the cutoff that falls over it at a resonance.
const REED_HZ: f64 = 55.0;
const FALLING_HZ: [f64; 2] = [3_520.0, 110.0];
const REED_RESONANCE: f64 = 0.8;
/// The octave that a self-oscillation is swept over, and its resonance.
const OCTAVE_HZ: [f64; 2] = [440.0, 880.0];
const SOUNDING: f64 = 1.25;
/// Samples from one cutoff of a sweep to the next.
const SWEEP_STEP: usize = 16;

/// Modules to listen to, where the results have them: the baseline and what to use instead.
const HEARD: [&str; 3] = ["naive", "spline4", "diffpoly4"];
/// Most presets to listen to: those whose twins lie furthest apart.
const HEARD_PRESETS: usize = 3;
/// Keys to listen to: a low note, where rounding shows, and a high one, where aliases do.
const HEARD_KEYS: [u8; 2] = [33, 93];
/// Length of a sound.
const SECONDS: f64 = 2.0;

fn sounds(results: &Results) -> Result<Vec<Sound>, Error> {
    let scene = Scene::of(results);
    let mut keys: Vec<u8> = HEARD_KEYS.iter().filter_map(|&key| scene.key_near(key)).collect();
    keys.dedup();
    let mut sounds = Vec::new();
    let heard = scene.modules.iter().filter(|module| HEARD.contains(&module.name));
    let heard: Vec<_> = match heard.clone().next() {
        Some(_) => heard.collect(),
        None => scene.modules.iter().take(1).collect(),
    };
    for module in heard {
        for &key in &keys {
            let stimulus = module.stimulus(key_hz(f64::from(key)), scene.rate_hz);
            let count = (SECONDS * f64::from(scene.rate_hz)) as usize;
            let float = module.render(Twin::Float, &stimulus, count)?;
            let fixed = module.render(Twin::Fixed, &stimulus, count)?;
            let title = format!(
                "{}, {}, {} ({:.2} Hz)",
                module.name,
                module.shape.name(),
                plumbtone::evidence::key_name(key),
                stimulus.hz
            );
            let stem = format!("{}-key{key}", module.name);
            sounds.push(sound(module.name, title, &stem, &[float, fixed], scene.rate_hz)?);
        }
    }
    for (module, what) in HEARD_CONTROLS {
        sounds.extend(heard_control(results, module, what)?);
    }
    sounds.extend(heard_filters(results)?);
    sounds.extend(heard_voices(results)?);
    Ok(sounds)
}

/// Both twins, at one gain so that they can be compared.
fn sound(
    subject: &str,
    title: String,
    stem: &str,
    samples: &[Vec<f64>; 2],
    rate_hz: u32,
) -> Result<Sound, Error> {
    let [float, fixed] = samples;
    let gain = [float, fixed]
        .map(|samples| wav::gain_to_peak(samples, wav::PEAK_DBFS))
        .into_iter()
        .fold(f64::INFINITY, f64::min);
    let file = |name: &str, samples: &[f64], gain: f64| -> Result<_, Error> {
        let bytes = wav::encode(samples, gain, rate_hz, wav::Format::Int16)?;
        Ok((format!("wav/{stem}-{name}.wav"), bytes))
    };
    let files = [file("float", float, gain)?, file("fixed", fixed, gain)?];
    let apart: Vec<f64> = float.iter().zip(fixed).map(|(a, b)| a - b).collect();
    let difference = match apart.iter().all(|&x| x == 0.0) {
        true => None,
        false => {
            let raised = wav::gain_to_peak(&apart, wav::PEAK_DBFS);
            let file = file("difference", &apart, raised)?;
            Some(Raised { by_db: plumbtone::measure::db(raised / gain), file })
        }
    };
    let (subject, gain_db) = (subject.to_owned(), plumbtone::measure::db(gain));
    Ok(Sound { title, subject, gain_db, files, difference })
}

/// What a control module does to a sine, with the setting whose exercise is the longest that is
/// not too long to listen to.
fn heard_control(
    results: &Results,
    module: &'static str,
    what: &str,
) -> Result<Option<Sound>, Error> {
    let Some(shown) = Shown::of(results, module)? else { return Ok(None) };
    let fs = f64::from(shown.rate_hz);
    let most = (LONGEST_S * fs) as usize;
    let mut chosen: Option<(&Settings, Script)> = None;
    for settings in &shown.settings {
        let script = exercise(module, settings, shown.rate_hz)?;
        // Cut short, the longer ones come last.
        let rank = |length: usize| if length <= most { length } else { 0 };
        if chosen.as_ref().is_none_or(|(_, have)| rank(script.length) > rank(have.length)) {
            chosen = Some((settings, script));
        }
    }
    let Some((settings, mut script)) = chosen else { return Ok(None) };
    script.length = script.length.min(most);
    let sine = |twin: Twin| -> Result<Vec<f64>, Error> {
        let control = shown.render(twin, &script)?;
        let mut turns = 0.0_f64;
        let sample = |y: f64| {
            let (level, octaves) = match module {
                "adsr" => (y, 0.0),
                "lfo" => (1.0, y / 12.0),
                _ => (1.0, y),
            };
            let out = level * (std::f64::consts::TAU * turns).sin();
            turns = (turns + 440.0 * octaves.exp2() / fs).fract();
            out
        };
        Ok(control.into_iter().map(sample).collect())
    };
    let twins = [sine(Twin::Float)?, sine(Twin::Fixed)?];
    let title = format!("{module}, {what}: {settings}");
    Ok(Some(sound(module, title, module, &twins, shown.rate_hz)?))
}

/// A reed through a falling cutoff; and of a filter that bends, which alone has a level of its own,
/// its self-oscillation over an octave. Each at the lowest rate of the results.
fn heard_filters(results: &Results) -> Result<Vec<Sound>, Error> {
    let all = filter::Shown::all(results)?;
    let mut sounds = Vec::new();
    for module in HEARD_FILTERS {
        let Some(shown) = all.iter().find(|shown| shown.module() == module) else { continue };
        let shown = shown.with("")?;
        let count = (LONGEST_S * f64::from(shown.rate_hz)) as usize;
        let swept = |[from, to]: [f64; 2], resonance: f64| -> Result<Vec<_>, plumbtone::Error> {
            let starts = (0..count).step_by(SWEEP_STEP);
            let at = |n: usize| from * (to / from).powf(n as f64 / count as f64);
            starts.map(|n| Ok((n, shown.tuning(at(n), resonance)?))).collect()
        };
        let falling = swept(FALLING_HZ, REED_RESONANCE)?;
        let reed = |twin: Twin| -> Result<Vec<f64>, Error> {
            let mut samples = vec![0.0; count];
            let stimulus = Stimulus::note(Shape::Ramp, REED_HZ, shown.rate_hz);
            VoiceTwin::named("spline4", twin)?.render(&stimulus, &mut samples)?;
            Ok(shown.render(twin, samples, falling.clone())?)
        };
        let [high, low] = FALLING_HZ;
        let title = format!(
            "{module}, ramp of {REED_HZ} Hz, cutoff falling from {high} to {low} Hz, resonance \
             {REED_RESONANCE}"
        );
        let twins = [reed(Twin::Float)?, reed(Twin::Fixed)?];
        sounds.push(sound(module, title, &format!("{module}-reed"), &twins, shown.rate_hz)?);
        let Some(drive) = shown.drive() else { continue };
        let octave = swept(OCTAVE_HZ, SOUNDING)?;
        let alone = |twin: Twin| -> Result<Vec<f64>, Error> {
            let mut strike = vec![0.0; count];
            strike[0] = 0.5 / drive;
            Ok(shown.render(twin, strike, octave.clone())?)
        };
        let [low, high] = OCTAVE_HZ;
        let title = format!(
            "{module}, self-oscillation at resonance {SOUNDING}, cutoff rising from {low} to {high} Hz"
        );
        let twins = [alone(Twin::Float)?, alone(Twin::Fixed)?];
        sounds.push(sound(module, title, &format!("{module}-alone"), &twins, shown.rate_hz)?);
    }
    Ok(sounds)
}

/// The phrase that the twins of a voice play against each other, as the reading `residual` takes it.
fn heard_voices(results: &Results) -> Result<Vec<Sound>, Error> {
    let Some(shown) = voice::Shown::of(results) else { return Ok(Vec::new()) };
    let presets = shown.loudest().into_iter().filter(|(name, _)| Preset::named(name).is_ok());
    let heard = presets.take(HEARD_PRESETS).map(|(name, _)| {
        let played = shown.play(name)?;
        let module = voice::MODULE;
        let title = format!(
            "{module}, {name}: the phrase of `residual`, before the output, pitch in common"
        );
        let twins = [played.common, played.fixed];
        sound(module, title, &format!("{module}-{name}"), &twins, shown.rate_hz)
    });
    heard.collect()
}

/// Looks whether something can be put beside `path`, where it will be made before it is moved
/// into place; leaves no trace.
///
/// # Errors
/// The folder is missing, read-only or full.
pub fn writable_beside(path: &Path) -> Result<(), Error> {
    beside(path).map(drop)
}

/// A private folder on the same file system, removed with all its contents when dropped.
struct Scratch {
    /// Held while the folder is in use: what a killed run has left behind is locked by nobody.
    _lock: File,
    folder: tempfile::TempDir,
}

impl Scratch {
    fn path(&self) -> &Path {
        self.folder.path()
    }
}

const SCRATCH: &str = ".plumbtone-";
const LOCK: &str = "lock";

/// A scratch folder beside `path`; those of runs that were killed are removed.
fn beside(path: &Path) -> Result<Scratch, Error> {
    let parent = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    // Asked first, because this error still has the system's own words.
    std::fs::metadata(parent).map_err(refused("write", path))?;
    sweep(parent);
    let make = || -> io::Result<Scratch> {
        let folder = tempfile::Builder::new().prefix(SCRATCH).tempdir_in(parent)?;
        let lock = File::create(folder.path().join(LOCK))?;
        lock.lock()?;
        Ok(Scratch { _lock: lock, folder })
    };
    // The scratch name would only confuse: keep the reason alone.
    make().map_err(|error| refused("write", path)(error.kind().into()))
}

/// Removes scratch folders that no run uses any more, as far as that can be done.
fn sweep(parent: &Path) {
    for entry in std::fs::read_dir(parent).into_iter().flatten().flatten() {
        let ours = entry.file_name().to_string_lossy().starts_with(SCRATCH);
        let lock = entry.path().join(LOCK);
        // Without its lock file it may have been made this very moment.
        if ours && File::open(lock).is_ok_and(|lock| lock.try_lock().is_ok()) {
            std::fs::remove_dir_all(entry.path()).ok();
        }
    }
}

fn create(folder: &Path) -> Result<(), Error> {
    std::fs::create_dir(folder).map_err(refused("create", folder))
}

fn refused(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Error {
    let path = PathBuf::from(path);
    move |error| plumbtone::Error::file(action, path)(error).into()
}

/// Refuses to touch what is not ours.
fn may_replace(folder: &Path) -> Result<(), Error> {
    let refuse = |why: &str| Err(Error::Folder { folder: folder.to_owned(), why: why.to_owned() });
    if folder.file_name().is_none() {
        return refuse("not a name for a folder: give one such as `report`");
    }
    if !folder.exists() {
        return Ok(());
    }
    if !folder.is_dir() {
        return refuse("is a file: name a folder");
    }
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(refused("read", folder))? {
        names.push(entry.map_err(refused("read", folder))?.file_name());
    }
    let foreign = names.iter().find(|name| !PARTS.iter().any(|part| *name == part));
    match foreign {
        Some(name) => refuse(&format!(
            "holds `{}`, which is no part of a report: name another folder, or empty it first",
            name.display()
        )),
        None if names.is_empty() || is_report(folder) => Ok(()),
        None => refuse("no plumbtone report made this folder: name another, or empty it first"),
    }
}

/// What a report folder holds.
const PARTS: [&str; 7] = [
    "index.html",
    "junit.xml",
    "plots",
    "results.json",
    "results.schema.json",
    "summary.md",
    "wav",
];

/// Whether the folder holds results of any version of this program.
fn is_report(folder: &Path) -> bool {
    let text = std::fs::read(folder.join("results.json")).unwrap_or_default();
    let results: serde_json::Value = serde_json::from_slice(&text).unwrap_or_default();
    let schema = results.get("schema").and_then(serde_json::Value::as_str).unwrap_or_default();
    schema.starts_with("plumbtone.results/") && folder.join("index.html").is_file()
}
