//! What a module must offer to be listed, measured and priced.

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::parameter::Parameter;
use crate::phase::{Drive, Width};

/// A waveform, swinging ±1 in the formulas and ±[`crate::NOMINAL_PEAK`] at the output.
///
/// φ is the phase in cycles, 0 ≤ φ < 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Shape {
    /// 2φ − 1: rises from −1 and falls at the end of the cycle.
    #[default]
    Ramp,
    /// 1 − 4 |φ − ½|: −1 at φ = 0, +1 at φ = ½.
    Triangle,
    /// +1 while φ is below the width, −1 after.
    Pulse,
    /// sin 2πφ.
    Sine,
}

impl Shape {
    /// All shapes, in the order of their names in [`Shape::name`].
    pub const ALL: [Self; 4] = [Self::Ramp, Self::Triangle, Self::Pulse, Self::Sine];

    /// The name used by `list`, plans and `--set shape=`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ramp => "ramp",
            Self::Triangle => "triangle",
            Self::Pulse => "pulse",
            Self::Sine => "sine",
        }
    }

    /// The shape of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|shape| shape.name() == name)
    }
}

/// Settings that hold from construction on. Frequency, width and sync come with each
/// [`Drive`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Setup {
    /// Waveform; modules of one shape only take no notice.
    pub shape: Shape,
    /// Pulse width at the first sample.
    pub width: Width,
    /// Phase of the first sample, in 2^-32 cycle.
    pub start: u32,
    /// Step table: samples that a correction spans; even, 8 to 64.
    pub taps: usize,
    /// Step table: points per sample, 16 to 512.
    pub oversampling: usize,
    /// Wavetable: points per cycle, a power of two, 256 to 4096.
    pub length: usize,
    /// Noise: start of the sequence, 1 to 2^32 − 1.
    pub seed: u32,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            shape: Shape::Ramp,
            width: Width::HALF,
            start: 0,
            taps: 32,
            oversampling: 128,
            length: 2048,
            seed: 1,
        }
    }
}

/// Frequency; the upper end is half of whatever sample rate is in use.
pub const HZ: Parameter = Parameter::number("hz", "Hz (up to half the rate)", 0.0, 96_000.0, 440.0);
/// Pulse width.
pub const WIDTH: Parameter = Parameter::number("width", "of the cycle", 0.01, 0.99, 0.5);
/// Length of the band-limited step.
pub const TAPS: Parameter = Parameter::count("taps", "samples (even)", 8.0, 64.0, 32.0);
/// Resolution of the band-limited step.
pub const OVERSAMPLING: Parameter =
    Parameter::count("oversampling", "points per sample", 16.0, 512.0, 128.0);
/// Length of one cycle in a wavetable.
pub const LENGTH: Parameter =
    Parameter::count("length", "points (a power of two)", 256.0, 4096.0, 2048.0);
/// Start of a noise sequence.
pub const SEED: Parameter = Parameter::count("seed", "(whole number)", 1.0, 4_294_967_295.0, 1.0);

/// One twin of an oscillator. Neither method can fail, panic or allocate.
pub trait Oscillator<S> {
    /// Returns the present sample, then advances as `drive` says.
    fn tick(&mut self, drive: &Drive) -> S;

    /// Fills a block under one drive. Any partition into blocks gives the same bits.
    fn process(&mut self, drive: &Drive, out: &mut [S]) {
        for sample in out {
            *sample = self.tick(drive);
        }
    }
}

/// Builds a twin from a setup and lends it to the caller, tables and all.
///
/// Lending keeps the crate free of allocation: the tables live on the stack of the call.
pub type Lend<S> = fn(&Setup, &mut dyn FnMut(&mut dyn Oscillator<S>)) -> Result<(), RangeError>;

/// From which frequency on a twin is worth using, as a fraction of the sample rate.
///
/// Below it the rounding noise of the twin's ramp is predicted above −60 dB re that ramp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UsableFrom {
    /// Float twin, cycles per sample.
    pub float: f64,
    /// Fixed twin, cycles per sample.
    pub fixed: f64,
}

impl UsableFrom {
    /// No lower limit in either twin.
    pub const ANYWHERE: Self = Self { float: 0.0, fixed: 0.0 };
}

/// What kind of module it is: what it takes and what it gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    /// Makes sound from a frequency.
    Oscillator,
    /// Makes a control signal from key events.
    Contour,
    /// Turns a control code into a figure.
    Control,
    /// Turns sound into sound.
    Filter,
    /// Sets levels between the other modules and the converter.
    Level,
    /// Turns key and control events into 16-bit samples: a whole voice.
    Instrument,
}

/// What every module has, whatever its family: for lists, and for those who look one up.
#[derive(Clone, Copy, Debug)]
pub struct About {
    /// Its family.
    pub family: Family,
    /// Name on the command line and in plans.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Parameters it takes.
    pub parameters: &'static [Parameter],
}

/// Every module that plans measure by itself, in the order in which reports show them.
pub fn modules() -> impl Iterator<Item = About> {
    macro_rules! about {
        ($folder:ident, $family:ident) => {
            crate::$folder::ENTRIES.iter().map(|entry| About {
                family: Family::$family,
                name: entry.name,
                file: entry.file,
                summary: entry.summary,
                parameters: entry.parameters,
            })
        };
    }
    about!(oscillators, Oscillator)
        .chain(about!(contours, Contour))
        .chain(about!(control, Control))
        .chain(about!(filters, Filter))
}

/// Every module of every family: those of [`modules`], levels, and instruments made of them.
pub fn all() -> impl Iterator<Item = About> {
    let instruments = crate::instruments::ENTRIES.iter().map(|entry| About {
        family: Family::Instrument,
        name: entry.name,
        file: entry.file,
        summary: entry.summary,
        parameters: entry.parameters,
    });
    modules().chain(crate::level::ENTRIES.iter().copied()).chain(instruments)
}

/// One module, as the benches, `list` and the reports see it.
#[derive(Clone, Copy, Debug)]
pub struct Entry {
    /// Name on the command line and in plans.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Shapes it can make; none for noise.
    pub shapes: &'static [Shape],
    /// Parameters it takes.
    pub parameters: &'static [Parameter],
    /// Whether the step of a hard sync is corrected like the waveform's own steps.
    pub corrects_sync: bool,
    /// Delay of the output against the ideal waveform, in samples.
    pub latency_samples: fn(&Setup) -> f64,
    /// Lower end of the usable range.
    pub usable_from: UsableFrom,
    /// Float twin.
    pub float: Lend<f32>,
    /// Fixed twin.
    pub fixed: Lend<I1F31>,
}
