//! The command line as clap reads it.

use std::path::PathBuf;

use clap::{Args as Arguments, Parser, Subcommand, ValueEnum};
use plumbtone::wav::Format;

/// Put a synthesizer voice's DSP on the bench: render it, measure it, hold it against theory.
#[derive(Parser)]
#[command(
    name = "plumbtone",
    version,
    max_term_width = 80,
    after_help = "\
Ends with 0 when all limits hold, 1 when one does not, 2 when asked wrongly.

Examples, from twelve panels of a tide organ:
  plumbtone list                        what there is to measure
  plumbtone check                       every module, as the tide organ needs it
  plumbtone check panel-3.toml          only what panel 3 is made of
  plumbtone report -o tide-organ        the same with plots and sounds"
)]
pub struct Args {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Subcommand)]
pub enum Command {
    List(List),
    Check(Check),
    Render(Render),
    Report(Report),
    Stimulus(Stimulus),
    Grade(Grade),
}

/// Show the modules with their parameters, and the readings.
#[derive(Arguments)]
#[command(after_help = "\
Examples:
  plumbtone list                        modules, parameters, readings
  plumbtone list --json > modules.json  the same for a script")]
pub struct List {
    /// Print one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// Run a plan and show how every limit was kept, worst first.
#[derive(Arguments)]
#[command(after_help = "\
Without a plan the built-in tide-organ plan runs. A plan is a TOML file:

  title = \"Panel 3, the low reed\"
  [[check]]
  modules = [\"spline*\"]         # names or patterns
  twins = [\"float\", \"fixed\"]   # also \"exact\"
  shapes = [\"ramp\", \"pulse\"]
  width = 0.3
  keys = [33, 69]               # first, last, and optionally every how many
  rates = [44100]
  [check.limits]
  pitch = \"derived\"             # what arithmetic gives
  audible = 0.0                 # or a figure in the unit of the reading
  aliases = \"noted\"             # or no limit at all
  # expect-failure = \"why\"      # beside modules: the limits must be exceeded

Examples:
  plumbtone check
  plumbtone check panel-3.toml
  plumbtone check --only spline4
  plumbtone check --against last-week/results.json
  plumbtone check --only '*/fixed/pulse' --junit panels.xml
  plumbtone check --fresh               not where a killed run stopped")]
pub struct Check {
    /// Plan in TOML.
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    pub scope: Scope,
    /// Write the results as JSON to this file.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the results as JUnit XML to this file.
    #[arg(long, value_name = "FILE")]
    pub junit: Option<PathBuf>,
}

/// Which part of a plan runs, on how many threads, and what it is compared with.
#[derive(Arguments)]
pub struct Scope {
    /// Run only what matches: a module, or module/twin/shape; * and ? as in file names.
    #[arg(long, value_name = "GLOB")]
    pub only: Option<String>,
    /// Threads; all cores when not given. The results are the same.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Begin anew where an earlier run was interrupted, instead of going on there.
    #[arg(long)]
    pub fresh: bool,
    /// Compare with the results.json of an earlier run; ends with 1 when anything got worse, with 2
    /// when no reading is in both.
    #[arg(long, value_name = "RESULTS.json")]
    pub against: Option<PathBuf>,
}

/// Write what one module does to a WAV file that peaks at -12 dBFS.
#[derive(Arguments)]
#[command(after_help = "\
Loud tones: begin with the monitor turned down, without headphones.

Examples, the low reed of panel 3 and the reedy top of panel 12:
  plumbtone render spline4 --set hz=55 -o reed.wav
  plumbtone render wavetable --twin fixed --set shape=pulse --set width=0.25 \\
      --set hz=1760 --rate 48000 --seconds 4 --bits 24 -o top.wav

A control module writes its signal as it is, down to 0 Hz, or with --tone what
it does to a sine: a contour fades it, a glide or a pitch law moves it.
  plumbtone render adsr --set attack=0.3 --hold 1 -o swell.wav
  plumbtone render glide --set time=0.5 --tone 220 -o slide.wav

A filter is heard on a ramp of 110 Hz or of --tone, on a recording with
--input, or with --strike by itself: how it rings, and from resonance 1 on how
it sounds on its own.
  plumbtone render ladder --set cutoff=600 --set resonance=0.8 -o reed.wav
  plumbtone render ladder-tanh --set resonance=1.1 --strike -o bell.wav

An instrument plays a score: a standard MIDI file, or text with a time in
seconds, an event and its value in every line. Without one, A3 is held.
  0     down 57      # also: up KEY, bend, level or cutoff 0 to 16383
  1.5   up 57
  plumbtone render tideorgan --preset foghorn -o foghorn.wav
  plumbtone render tideorgan --preset ebb --set glide=0.3 --twin fixed \\
      --score ebb.mid -o ebb.wav")]
pub struct Render {
    /// Module, as `plumbtone list` names it.
    pub module: String,
    /// Which twin sounds.
    #[arg(long, value_enum, default_value = "float")]
    pub twin: Twin,
    /// A parameter of the module; may be given several times.
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
    /// Sample rate, 8000 to 192000 Hz.
    #[arg(long, value_name = "HZ", default_value_t = 44_100)]
    pub rate: u32,
    /// Length, 0.01 to 600 s; when not given that of the score, or 2 s.
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    pub seconds: Option<f64>,
    /// Contours, instruments: how long the key is held, s; half the length when not given.
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    pub hold: Option<f64>,
    /// Control modules: hear it on a sine of this frequency; filters: on a ramp.
    #[arg(long, value_name = "HZ", allow_negative_numbers = true)]
    pub tone: Option<f64>,
    /// Filters: a single impulse instead of a tone.
    #[arg(long)]
    pub strike: bool,
    /// Filters: filter this recording, at its own rate and length.
    #[arg(long, value_name = "IN.wav")]
    pub input: Option<PathBuf>,
    /// Instruments: the settings of one of the twelve panels, for --set to change.
    #[arg(long, value_name = "NAME")]
    pub preset: Option<String>,
    /// Instruments: what is played, as text or a standard MIDI file.
    #[arg(long, value_name = "FILE", conflicts_with = "hold")]
    pub score: Option<PathBuf>,
    /// Instruments: events wait for blocks of so many samples, as in firmware.
    #[arg(long, value_name = "SAMPLES", value_parser = clap::value_parser!(u16).range(1..=4096))]
    pub block: Option<u16>,
    /// Sample format: 16 or 24-bit integer, 32-bit float.
    #[arg(long, default_value = "16", value_parser = bits)]
    pub bits: Format,
    /// The WAV file.
    #[arg(short, long, value_name = "OUT.wav")]
    pub output: PathBuf,
}

fn bits(name: &str) -> Result<Format, String> {
    Format::from_name(name).ok_or_else(|| "give 16, 24 or 32f".to_owned())
}

#[derive(Clone, Copy, ValueEnum)]
pub enum Twin {
    Float,
    Fixed,
}

/// Run a plan and write a folder with a page, plots, sounds and data.
#[derive(Arguments)]
#[command(after_help = "\
The page opens from disk: no server, no network. An earlier report of that name
is replaced. A run that was killed goes on where it stopped when it is started
again with the same plan; --fresh begins anew.

Examples:
  plumbtone report -o tide-organ
  plumbtone report panel-3.toml -o panel-3
  plumbtone report -o today --against last-week/results.json
  plumbtone report -o tide-organ --fresh")]
pub struct Report {
    /// Plan in TOML; the built-in tide-organ plan when not given.
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    pub scope: Scope,
    /// The folder.
    #[arg(short, long, value_name = "DIR")]
    pub output: PathBuf,
}

/// Write what `grade --as filter` has played through a filter, to a WAV file that peaks at -12 dBFS.
#[derive(Arguments)]
#[command(after_help = "\
Loud tones: begin with the monitor turned down, without headphones.

The sweep is the better choice for a filter that stands still; noise is for one
that hums, or whose cutoff wanders. A second of silence follows. Record from
before the file to its end, on the device that plays it, below full scale: a
resonance may lift the level by 20 dB and more.

Examples, for the filter of panel 7:
  plumbtone stimulus sweep -o sweep.wav
  plumbtone stimulus noise --rate 48000 --seconds 20 --bits 24 -o noise.wav
  plumbtone grade panel-7-filter.wav --as filter --sent sweep.wav")]
pub struct Stimulus {
    /// What it is.
    #[arg(value_enum)]
    pub signal: Signal,
    /// Sample rate, 8000 to 192000 Hz.
    #[arg(long, value_name = "HZ", default_value_t = 44_100)]
    pub rate: u32,
    /// Length without silence, 2 to 60 s.
    #[arg(long, value_name = "S", default_value_t = 8.0, allow_negative_numbers = true)]
    pub seconds: f64,
    /// Sample format: 16 or 24-bit integer, 32-bit float.
    #[arg(long, default_value = "16", value_parser = bits)]
    pub bits: Format,
    /// The WAV file.
    #[arg(short, long, value_name = "OUT.wav")]
    pub output: PathBuf,
}

#[derive(Clone, Copy, ValueEnum)]
pub enum Signal {
    /// Exponential sweep from 20 Hz to 0.45 of the rate.
    Sweep,
    /// White noise.
    Noise,
}

/// Measure a recording, each figure with its floor or uncertainty.
#[derive(Arguments)]
#[command(after_help = "\
As an oscillator: pitch, harmonics, aliasing and noise. --set takes hz, shape
and width; what is not set is found.

As a contour: times, curves and levels of the stages, and settings of
multistage and adsr that make the same trace. The recording is the control
trace itself or a tone whose level follows it; begin before the key, end
after the release. --set takes
  coupling=dc|tone   what it is, where that is found wrongly
  hz=220             the tone, where it is not found
  full=0.25          what counts as 1, of WAV full scale; else the peak

As a filter: cutoff, resonance, slope, and settings of our ladder with that
response. Play a file of `plumbtone stimulus` through the filter, record it on
the same device, and give that file with --sent. Recorded through a cable
instead of the filter, it may be given in its place: what interface and wires
do then cancels. Without --sent: a recording of self-oscillation alone.

Examples, with recordings of panel 7:
  plumbtone grade panel-7.wav --as oscillator --set shape=ramp
  plumbtone grade panel-7.wav --as oscillator --set hz=220 --json
  plumbtone grade panel-7-envelope.wav --as contour
  plumbtone grade panel-7.wav --as contour --set coupling=tone --set hz=220
  plumbtone grade panel-7-filter.wav --as filter --sent sweep.wav
  plumbtone grade panel-7-whistle.wav --as filter")]
pub struct Grade {
    /// Mono or stereo WAV, 16, 24 or 32-bit integer or 32-bit float; the louder channel is read.
    pub recording: PathBuf,
    /// What was recorded.
    #[arg(long = "as", value_enum, value_name = "WHAT")]
    pub what: What,
    /// Filters: the file that was played through it.
    #[arg(long, value_name = "FILE.wav")]
    pub sent: Option<PathBuf>,
    /// What is known beforehand; may be given several times.
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
    /// Print one JSON object.
    #[arg(long)]
    pub json: bool,
}

#[derive(Clone, Copy, ValueEnum)]
pub enum What {
    Oscillator,
    Contour,
    Filter,
}
