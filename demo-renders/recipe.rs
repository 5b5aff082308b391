//! What lies in `demo-renders`, made in memory: sounds, plots, and the manifest that says how.

use plumbtone::evidence::key_name;
use plumbtone::filter::FilterTwin;
use plumbtone::instrument::{Stages, Wire};
use plumbtone::measure::{db, level::Level};
use plumbtone::plan::Plan;
use plumbtone::run::{self, Run};
use plumbtone::subject::VoiceTwin;
use plumbtone::voice::{Event, Resonance, Shape, Tuning};
use plumbtone::{
    Error as BenchError, FilterSubject, InstrumentTwin, Passage, Preset, Score, Settings,
    StagedVoice, Stimulus, Subject, Twin, filter, wav,
};
use plumbtone_plot::{Axis, Chart, Ink, Line, Mark, Series, Size, Style};
use plumbtone_report::{Error, charts};
use sha2::{Digest, Sha256};

/// The one command.
pub const COMMAND: &str = "cargo run --release --example demo-renders";
/// The file that lists all that is made.
pub const MANIFEST: &str = "MANIFEST.toml";
/// What the folder holds besides: what the rest is made from.
pub const SOURCES: [&str; 7] = [
    "make.rs",
    "recipe.rs",
    "plots.toml",
    "foghorn.score.txt",
    "bell-buoy.score.txt",
    "capstan.score.txt",
    "gull.score.txt",
];

/// Sample rate of every sound, Hz.
pub const RATE_HZ: u32 = 44_100;
const INSTRUMENT: &str = "tideorgan";
/// Panels as their firmware sounds: preset, score, one sentence.
const PANELS: [(&str, &str, &str); 3] = [
    (
        "foghorn",
        include_str!("foghorn.score.txt"),
        "Two low blasts; the second droops under the pitch wheel.",
    ),
    (
        "bell-buoy",
        include_str!("bell-buoy.score.txt"),
        "Three strokes on a bell of hard sync and resonance, damped by the level control.",
    ),
    (
        "gull",
        include_str!("gull.score.txt"),
        "Two cries with glide, late vibrato and dither, faded by the level control.",
    ),
];
/// The panel whose twins are compared.
const PAIR: (&str, &str) = ("capstan", include_str!("capstan.score.txt"));
const PLAN: &str = include_str!("plots.toml");
/// Plots of the report: name, whether the README shows it, one sentence.
const PLOTS: [(&str, bool, &str); 3] = [
    ("aliases-fixed", true, "Aliases over harmonics of six ways to make a ramp, on 88 keys."),
    ("residual-level", false, "What the arithmetic costs: float less fixed of the same six."),
    ("waterfall-ladder-44100", false, "Gain of the ladder from no resonance to near the edge."),
];
/// Window of the twins' levels: 20 ms.
const WINDOW: usize = RATE_HZ as usize / 50;
/// How long a bare tone fades in and out: 10 ms.
const FADE: usize = RATE_HZ as usize / 100;

/// A file of the folder.
pub struct File {
    pub name: String,
    pub bytes: Vec<u8>,
    /// Length and levels of a sound; none of other files.
    pub heard: Option<Heard>,
}

/// Length and levels of a sound as it is played.
#[derive(Clone, Copy)]
pub struct Heard {
    pub seconds: f64,
    pub peak_dbfs: f64,
    pub rms_dbfs: f64,
}

/// A file and what the manifest says of it.
struct Made {
    file: File,
    entry: Entry,
}

/// Everything that is made, the manifest last.
///
/// # Errors
/// Whatever keeps a sound or a plot from being made.
pub fn files() -> Result<Vec<File>, Error> {
    let mut made = Vec::new();
    for (preset, score, what) in PANELS {
        made.push(panel(preset, score, what)?);
    }
    let twins = Twins::play()?;
    made.extend(twins.sounds()?);
    made.push(what_not_to_do()?);
    made.push(resonance()?);
    made.extend(twins.plot()?);
    made.extend(report_plots()?);
    let mut manifest = head();
    for Made { file, entry } in &mut made {
        manifest += &entry.sealed(&file.bytes);
    }
    let mut files: Vec<File> = made.into_iter().map(|made| made.file).collect();
    let bytes = manifest.into_bytes();
    files.push(File { name: MANIFEST.to_owned(), bytes, heard: None });
    Ok(files)
}

/// SHA-256 in hexadecimal.
pub fn hash(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn head() -> String {
    let mut head =
        Entry("# Written by the command below; whatever is edited here is lost.\n".into());
    head.text("caution", wav::CAUTION);
    head.text("command", COMMAND);
    head.text("format", "mono, 16-bit integer, rounded to nearest");
    head.number("rate_hz", RATE_HZ);
    head.text("levels", "dBFS re full scale for peaks, re a full-scale sine for rms");
    head.text("hashes", HASHES);
    head.0
}

const HASHES: &str = "sounds hang on this code alone; plots also on the drawing and PNG libraries, \
                      whose versions Cargo.lock holds";

/// A table of the manifest.
struct Entry(String);

impl Entry {
    fn new(kind: &str, file: &str, what: &str) -> Self {
        let mut entry = Self(format!("\n[[{kind}]]\n"));
        entry.text("file", file);
        entry.text("what", what);
        entry
    }

    fn text(&mut self, key: &str, value: &str) {
        self.0 += &format!("{key} = {}\n", toml::Value::from(value));
    }

    fn number(&mut self, key: &str, value: impl std::fmt::Display) {
        self.0 += &format!("{key} = {value}\n");
    }

    fn sealed(&mut self, bytes: &[u8]) -> String {
        self.number("bytes", bytes.len());
        self.text("sha256", &hash(bytes));
        std::mem::take(&mut self.0)
    }
}

/// A sound under a gain in dB, and its levels.
fn sound(mut entry: Entry, stem: &str, samples: &[f64], gain: f64) -> Result<Made, Error> {
    let bytes = wav::encode(samples, gain, RATE_HZ, wav::Format::Int16)?;
    let played: Vec<f64> = samples.iter().map(|x| x * gain).collect();
    let level = Level::of(&played).map_err(BenchError::measuring(stem))?;
    let heard = Heard {
        seconds: samples.len() as f64 / f64::from(RATE_HZ),
        peak_dbfs: db(level.peak),
        rms_dbfs: level.dbfs(),
    };
    entry.number("seconds", format!("{:.3}", heard.seconds));
    entry.number("gain_db", format!("{:.4}", db(gain)));
    entry.number("peak_dbfs", format!("{:.2}", heard.peak_dbfs));
    entry.number("rms_dbfs", format!("{:.2}", heard.rms_dbfs));
    Ok(Made { file: File { name: format!("{stem}.wav"), bytes, heard: Some(heard) }, entry })
}

/// What the manifest says of a preset that plays a score.
fn played(stem: &str, what: &str, preset: &Preset, twin: Twin, taken: &str) -> Entry {
    let mut entry = Entry::new("sound", &format!("{stem}.wav"), what);
    entry.text("module", &preset.instrument);
    entry.text("preset", preset.name);
    entry.number("panel", preset.panel);
    entry.text("twin", twin.name());
    entry.text("settings", &preset.settings.text());
    entry.text("score", &format!("{}.score.txt", preset.name));
    entry.text("taken", taken);
    entry
}

/// A panel as its firmware sounds.
fn panel(name: &str, score: &str, what: &str) -> Result<Made, Error> {
    let (preset, twin) = (Preset::named(name)?, Twin::Fixed);
    let score = Score::from_text(score, name, RATE_HZ)?;
    let samples = InstrumentTwin::named(INSTRUMENT, twin)?.render(&score, &preset.settings)?;
    let samples: Vec<f64> = samples.into_iter().map(|x| f64::from(x) / 32_768.0).collect();
    let entry = played(name, what, &preset, twin, "16-bit output");
    sound(entry, name, &samples, wav::gain_to_peak(&samples, wav::PEAK_DBFS))
}

/// Both twins of one panel, before 16 bits make them the same.
struct Twins {
    preset: Preset,
    score: Score,
    float: Vec<f64>,
    fixed: Vec<f64>,
    difference: Vec<f64>,
}

impl Twins {
    fn play() -> Result<Self, Error> {
        let (name, score) = PAIR;
        let preset = Preset::named(name)?;
        let score = Score::from_text(score, name, RATE_HZ)?;
        let play = |twin| -> Result<Vec<f64>, Error> {
            let stages = Stages::all(twin);
            let voice = StagedVoice::render(&score, &preset.settings, stages, &[Wire::Amplified])?;
            Ok(voice.captures.into_iter().flat_map(|(_, samples)| samples).collect())
        };
        let (float, fixed) = (play(Twin::Float)?, play(Twin::Fixed)?);
        let difference = float.iter().zip(&fixed).map(|(a, b)| a - b).collect();
        Ok(Self { preset, score, float, fixed, difference })
    }

    /// Both at one gain, and their difference raised.
    fn sounds(&self) -> Result<[Made; 3], Error> {
        const TAKEN: &str = "before the 16-bit output stage";
        let name = self.preset.name;
        let gains = [&self.float, &self.fixed].map(|x| wav::gain_to_peak(x, wav::PEAK_DBFS));
        let gain = gains[0].min(gains[1]);
        let raised = wav::gain_to_peak(&self.difference, wav::PEAK_DBFS);
        let one = |twin: Twin, samples: &[f64]| {
            let stem = format!("{name}-{}", twin.name());
            let what = format!("The winch in {} arithmetic, at the gain of its twin.", twin.name());
            sound(played(&stem, &what, &self.preset, twin, TAKEN), &stem, samples, gain)
        };
        let stem = format!("{name}-difference");
        let mut entry = Entry::new(
            "sound",
            &format!("{stem}.wav"),
            &format!("All that tells the twins apart, {:.1} dB louder.", db(raised / gain)),
        );
        entry.text("made_of", &format!("{name}-float less {name}-fixed, {TAKEN}"));
        entry.number("raised_by_db", format!("{:.4}", db(raised / gain)));
        let difference = sound(entry, &stem, &self.difference, raised)?;
        Ok([one(Twin::Float, &self.float)?, one(Twin::Fixed, &self.fixed)?, difference])
    }

    /// Level of the voice and of the difference over the phrase.
    fn plot(&self) -> Result<[Made; 2], Error> {
        let name = self.preset.name;
        let seconds = |sample: usize| sample as f64 / f64::from(RATE_HZ);
        let levels = |samples: &[f64]| -> Vec<(f64, f64)> {
            let windows = samples.chunks_exact(WINDOW).enumerate();
            let rms = |x: &[f64]| (x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64).sqrt();
            windows.map(|(n, x)| (seconds(n * WINDOW + WINDOW / 2), db(rms(x)))).collect()
        };
        // Rounding to 16 bits is even within half a step: rms step / sqrt 12.
        let rounding = db(2.0_f64.powi(-15) / 12.0_f64.sqrt());
        let (voice, apart) = (levels(&self.fixed), levels(&self.difference));
        let worst = apart.iter().map(|(_, level)| *level).fold(f64::NEG_INFINITY, f64::max);
        let time = Axis::linear("Time", "s").range(0.0, seconds(self.score.length));
        let title = format!("Both twins of a whole voice: {name}");
        let dashed = Style::Line(Line::distinct(1));
        let mut chart = Chart::new(title, time, Axis::linear("Level, rms", "dB re full scale"))
            .note(format!(
                "panel {}, before the 16-bit output stage; windows of 20 ms; rate 44.1 kHz",
                self.preset.panel
            ))
            .with(Series::line("fixed twin", voice).ink(Ink::Blue))
            .with(Series::new("float less fixed", apart, dashed).ink(Ink::Rust))
            .mark(Mark::horizontal(rounding, "16-bit rounding"));
        for (sample, event) in &self.score.events {
            if let Event::Down { key } = event {
                chart = chart.mark(Mark::vertical(seconds(*sample), key_name(*key)));
            }
        }
        let stem = format!("{name}-twins");
        let size = Size::default();
        let failed = |source| Error::Plot { chart: stem.clone(), source };
        let (svg, png) = (chart.to_svg(size).map_err(failed)?, chart.to_png(size).map_err(failed)?);
        let what = format!(
            "Level of a whole voice and of its twins' difference over a phrase, at most {worst:.1} dB."
        );
        let from = format!("{name}-fixed and {name}-difference, rms per 20 ms before their gains");
        let drawn = |ending: &str, bytes: Vec<u8>| {
            let mut made = plot(&stem, ending, &what, bytes);
            made.entry.text("made_of", &from);
            made
        };
        Ok([drawn("svg", svg.into_bytes()), drawn("png", png)])
    }
}

/// A plot of the manifest.
fn plot(stem: &str, ending: &str, what: &str, bytes: Vec<u8>) -> Made {
    let name = format!("{stem}.{ending}");
    let entry = Entry::new("plot", &name, what);
    Made { file: File { name, bytes, heard: None }, entry }
}

/// Fades a bare tone in and out.
fn faded(mut samples: Vec<f64>) -> Vec<f64> {
    let last = samples.len().saturating_sub(1);
    for (n, x) in samples.iter_mut().enumerate() {
        *x *= (n.min(last - n) as f64 / FADE as f64).min(1.0);
    }
    samples
}

fn count(seconds: f64) -> usize {
    (seconds * f64::from(RATE_HZ)).round() as usize
}

/// The same high note, first as nobody should make it.
fn what_not_to_do() -> Result<Made, Error> {
    const MODULES: [&str; 2] = ["naive", "spline4"];
    const HZ: f64 = 2_793.83;
    const SECONDS: f64 = 0.7;
    const PAUSE_S: f64 = 0.1;
    let twin = Twin::Fixed;
    let mut samples = Vec::new();
    for module in MODULES {
        let mut note = vec![0.0; count(SECONDS)];
        VoiceTwin::named(module, twin)?
            .render(&Stimulus::note(Shape::Ramp, HZ, RATE_HZ), &mut note)?;
        if !samples.is_empty() {
            samples.resize(samples.len() + count(PAUSE_S), 0.0);
        }
        samples.extend(faded(note));
    }
    let stem = "naive-then-spline4";
    let mut entry = Entry::new(
        "sound",
        &format!("{stem}.wav"),
        "What not to do: a high ramp with every alias, then the same note corrected.",
    );
    entry.text("module", &MODULES.join(", then "));
    entry.text("twin", twin.name());
    entry.text("settings", &format!("hz={HZ} shape=ramp"));
    entry.text("score", &format!("{SECONDS} s each with 10 ms fades, {PAUSE_S} s of rest between"));
    sound(entry, stem, &samples, wav::gain_to_peak(&samples, wav::PEAK_DBFS))
}

/// A reed through a ladder whose resonance rises until it sings by itself.
fn resonance() -> Result<Made, Error> {
    const MODULE: &str = "ladder-tanh";
    const SETTINGS: &str = "cutoff=660 drive=1 oversampling=2x";
    const REED: &str = "spline4";
    const REED_HZ: f64 = 55.0;
    const HIGHEST: f64 = 1.2;
    /// Until when resonance rises, the reed sounds, and all sounds.
    const RISE_S: f64 = 1.4;
    const REED_S: f64 = 1.65;
    const SECONDS: f64 = 2.1;
    /// Samples from one tuning to the next.
    const STEP: usize = 16;
    let twin = Twin::Fixed;
    let mut reed = vec![0.0; count(REED_S)];
    VoiceTwin::named(REED, twin)?
        .render(&Stimulus::note(Shape::Ramp, REED_HZ, RATE_HZ), &mut reed)?;
    let mut input = faded(reed);
    input.resize(count(SECONDS), 0.0);
    let settings = Settings::parse(MODULE, SETTINGS)?;
    let cutoff = filter::tuning(&settings, RATE_HZ)?.cutoff;
    let tuned = |n: usize| -> Result<_, BenchError> {
        let risen = (n as f64 / count(RISE_S) as f64).min(1.0);
        Ok((n, Tuning { cutoff, resonance: Resonance::new(HIGHEST * risen)? }))
    };
    let tunings: Result<Vec<_>, _> = (0..input.len()).step_by(STEP).map(tuned).collect();
    let mut samples = vec![0.0; input.len()];
    let passage = Passage { rate_hz: RATE_HZ, settings, input, tunings: tunings? };
    FilterTwin::named(MODULE, twin)?.render(&passage, &mut samples)?;
    let samples = faded(samples);
    let stem = "ladder-to-resonance";
    let mut entry = Entry::new(
        "sound",
        &format!("{stem}.wav"),
        "A low reed through a ladder that is turned up until it whistles on without the reed.",
    );
    entry.text("module", MODULE);
    entry.text("twin", twin.name());
    entry.text("settings", SETTINGS);
    entry.text(
        "score",
        &format!(
            "{REED} ramp of {REED_HZ} Hz for {REED_S} s; resonance from 0 to {HIGHEST} within \
             {RISE_S} s, set every {STEP} samples; 10 ms fades"
        ),
    );
    sound(entry, stem, &samples, wav::gain_to_peak(&samples, wav::PEAK_DBFS))
}

/// Plots as the report draws them.
fn report_plots() -> Result<Vec<Made>, Error> {
    let plan = Plan::parse("plots.toml", PLAN)?;
    let settings_checks = plan.settings_checks().to_vec();
    let run = Run { settings_checks, ..Run::new(plan.title(), plan.checks().to_vec()) };
    let (results, _) = run::run(&run)?;
    let mut drawn = charts::plots(&results)?;
    let mut made = Vec::new();
    for (name, in_readme, what) in PLOTS {
        let found = drawn.iter().position(|plot| plot.name == name).ok_or_else(|| {
            BenchError::Request(format!("the plan gives no reason for the plot `{name}`"))
        })?;
        let drawn = drawn.swap_remove(found);
        made.push(plot(name, "svg", what, drawn.svg.into_bytes()));
        made.extend(in_readme.then(|| plot(name, "png", what, drawn.png)));
    }
    for Made { entry, .. } in &mut made {
        entry.text("made_of", "the results of plots.toml, as `plumbtone report` draws them");
    }
    Ok(made)
}
