//! Whatever lies on the bench, and what it is fed.

use std::borrow::Cow;

use fixed::types::I1F31;
use plumbtone_voice::{Drive, Entry, Oscillator, Rate, Setup, Shape, Width};
use serde::{Deserialize, Serialize};

use crate::error::Error;

/// Which evaluation of an algorithm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Twin {
    /// The published formula in f64: no firmware, but the yardstick for both twins.
    Exact,
    /// The f32 twin.
    Float,
    /// The fixed-point twin.
    Fixed,
}

impl Twin {
    /// The name used by plans and `--twin`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Float => "float",
            Self::Fixed => "fixed",
        }
    }

    /// The twin of that name.
    ///
    /// # Errors
    /// [`Error::Unknown`].
    pub fn from_name(name: &str) -> Result<Self, Error> {
        let all = [Self::Float, Self::Fixed, Self::Exact];
        all.into_iter().find(|twin| twin.name() == name).ok_or_else(|| Error::Unknown {
            kind: "twin",
            name: name.to_owned(),
            choices: "float, fixed, exact".to_owned(),
        })
    }
}

/// What a subject is fed.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub struct Stimulus {
    /// Waveform asked for.
    pub shape: Shape,
    /// Frequency, Hz.
    pub hz: f64,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Pulse width, fraction of the cycle.
    pub width: f64,
    /// Phase of the first sample, in 2^-32 cycle. Subjects may ignore it.
    pub start: u32,
}

impl Stimulus {
    /// A steady note that starts at phase 0, with a square pulse.
    pub fn note(shape: Shape, hz: f64, rate_hz: u32) -> Self {
        Self { shape, hz, rate_hz: f64::from(rate_hz), width: 0.5, start: 0 }
    }

    /// The same note with another pulse width.
    pub fn with_width(self, width: f64) -> Self {
        Self { width, ..self }
    }

    /// The same note from another phase on, in 2^-32 cycle.
    pub fn with_start(self, start: u32) -> Self {
        Self { start, ..self }
    }
}

/// Something that makes sound from a stimulus.
pub trait Subject: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// Renders from a fresh start; full scale = 1.0.
    ///
    /// # Errors
    /// When the stimulus is outside what the subject takes.
    fn render(&self, stimulus: &Stimulus, out: &mut [f64]) -> Result<(), Error>;
}

/// A sample format that a user's module may have.
pub trait Sample: Copy + Default {
    /// The sample with full scale = 1.0.
    fn to_f64(self) -> f64;

    /// The nearest sample that there is.
    fn from_f64(sample: f64) -> Self;
}

impl Sample for f64 {
    fn to_f64(self) -> f64 {
        self
    }

    fn from_f64(sample: f64) -> Self {
        sample
    }
}

impl Sample for f32 {
    fn to_f64(self) -> f64 {
        f64::from(self)
    }

    fn from_f64(sample: f64) -> Self {
        sample as Self
    }
}

impl Sample for i16 {
    fn to_f64(self) -> f64 {
        f64::from(self) / 32_768.0
    }

    fn from_f64(sample: f64) -> Self {
        (sample * 32_768.0).round() as Self
    }
}

impl Sample for i32 {
    fn to_f64(self) -> f64 {
        f64::from(self) / 2_147_483_648.0
    }

    fn from_f64(sample: f64) -> Self {
        (sample * 2_147_483_648.0).round() as Self
    }
}

/// A user's generator: one running note. Closures `FnMut() -> sample` are generators too,
/// and [`per_block`] makes one from a closure that fills blocks.
pub trait Generator {
    /// Sample format.
    type Sample: Sample;

    /// The next sample.
    fn next_sample(&mut self) -> Self::Sample;

    /// The next samples, as many as fit.
    fn fill(&mut self, block: &mut [Self::Sample]) {
        for sample in block {
            *sample = self.next_sample();
        }
    }
}

impl<F: FnMut() -> S, S: Sample> Generator for F {
    type Sample = S;

    fn next_sample(&mut self) -> S {
        self()
    }
}

/// Made by [`per_block`].
pub struct PerBlock<F, S> {
    fill: F,
    ready: std::collections::VecDeque<S>,
}

/// A generator from a closure that fills blocks, always of [`BLOCK`] samples.
pub fn per_block<S: Sample, F: FnMut(&mut [S])>(fill: F) -> PerBlock<F, S> {
    PerBlock { fill, ready: std::collections::VecDeque::new() }
}

impl<S: Sample, F: FnMut(&mut [S])> Generator for PerBlock<F, S> {
    type Sample = S;

    fn next_sample(&mut self) -> S {
        if self.ready.is_empty() {
            let mut block = [S::default(); BLOCK];
            (self.fill)(&mut block);
            self.ready.extend(block);
        }
        self.ready.pop_front().unwrap_or_default()
    }
}

/// Samples per block when a user's module is rendered, as on the panels' codec.
pub const BLOCK: usize = 128;

/// A user's module: a function from a stimulus to a running note.
pub struct Made<F> {
    name: String,
    make: F,
}

impl<F, G> Made<F>
where
    F: Fn(&Stimulus) -> G + Send + Sync,
    G: Generator,
{
    /// Names the module for reports.
    pub fn new(name: impl Into<String>, make: F) -> Self {
        Self { name: name.into(), make }
    }
}

impl<F, G> Subject for Made<F>
where
    F: Fn(&Stimulus) -> G + Send + Sync,
    G: Generator,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.name)
    }

    fn render(&self, stimulus: &Stimulus, out: &mut [f64]) -> Result<(), Error> {
        let mut note = (self.make)(stimulus);
        let mut block = [G::Sample::default(); BLOCK];
        for part in out.chunks_mut(BLOCK) {
            let block = &mut block[..part.len()];
            note.fill(block);
            for (to, from) in part.iter_mut().zip(block) {
                *to = from.to_f64();
            }
        }
        Ok(())
    }
}

/// One twin of a module of the voice crate.
#[derive(Clone, Copy, Debug)]
pub struct VoiceTwin {
    entry: &'static Entry,
    twin: Twin,
    setup: Setup,
}

impl VoiceTwin {
    /// Takes a module by name, with its default settings.
    ///
    /// # Errors
    /// [`Error::Unknown`].
    pub fn named(module: &str, twin: Twin) -> Result<Self, Error> {
        Ok(Self { entry: entry(module)?, twin, setup: Setup::default() })
    }

    /// Takes settings other than the defaults. Shape, width and start come from the stimulus.
    pub fn with_setup(self, setup: Setup) -> Self {
        Self { setup, ..self }
    }

    /// The module's entry.
    pub fn entry(&self) -> &'static Entry {
        self.entry
    }

    /// Which twin.
    pub fn twin(&self) -> Twin {
        self.twin
    }

    /// The settings in force for a stimulus.
    ///
    /// # Errors
    /// [`Error::NoShape`], or a width out of range.
    pub fn setup_for(&self, stimulus: &Stimulus) -> Result<Setup, Error> {
        let shapes = self.entry.shapes;
        if !shapes.is_empty() && !shapes.contains(&stimulus.shape) {
            let names: Vec<_> = shapes.iter().map(|shape| shape.name()).collect();
            return Err(Error::NoShape {
                module: self.entry.name.to_owned(),
                shape: stimulus.shape.name(),
                choices: names.join(", "),
            });
        }
        let width = Width::new(stimulus.width)?;
        Ok(Setup { shape: stimulus.shape, width, start: stimulus.start, ..self.setup })
    }

    /// The drive of a steady note.
    ///
    /// # Errors
    /// Rate, frequency or width out of range.
    pub fn drive_for(&self, stimulus: &Stimulus) -> Result<Drive, Error> {
        let increment = rate_of(stimulus)?.increment(stimulus.hz)?;
        Ok(Drive { width: Width::new(stimulus.width)?, ..Drive::steady(increment) })
    }

    /// Renders with a drive of its own for every sample: modulation and sync.
    ///
    /// `drives` gives as many drives as `out` has samples; a short supply repeats the last.
    ///
    /// # Errors
    /// A setting out of range, or [`Twin::Exact`], which knows steady notes only.
    pub fn render_driven(
        &self,
        stimulus: &Stimulus,
        drives: impl IntoIterator<Item = Drive>,
        out: &mut [f64],
    ) -> Result<(), Error> {
        let setup = self.setup_for(stimulus)?;
        let drives: Vec<Drive> = drives.into_iter().take(out.len()).collect();
        let Some(last) = drives.last().copied() else { return Ok(()) };
        let mut drives = drives.into_iter().chain(std::iter::repeat(last));
        match self.twin {
            Twin::Float => (self.entry.float)(&setup, &mut |oscillator| {
                for (sample, drive) in out.iter_mut().zip(&mut drives) {
                    *sample = f64::from(oscillator.tick(&drive));
                }
            })?,
            Twin::Fixed => (self.entry.fixed)(&setup, &mut |oscillator| {
                for (sample, drive) in out.iter_mut().zip(&mut drives) {
                    *sample = oscillator.tick(&drive).to_num();
                }
            })?,
            Twin::Exact => {
                let message = "the exact evaluation knows steady notes only: use float or fixed";
                return Err(Error::Request(message.to_owned()));
            }
        }
        Ok(())
    }
}

impl Subject for VoiceTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.entry.name)
    }

    fn render(&self, stimulus: &Stimulus, out: &mut [f64]) -> Result<(), Error> {
        let setup = self.setup_for(stimulus)?;
        let drive = self.drive_for(stimulus)?;
        match self.twin {
            Twin::Float => (self.entry.float)(&setup, &mut |oscillator| {
                blocks(oscillator, &drive, out, f64::from);
            })?,
            Twin::Fixed => (self.entry.fixed)(&setup, &mut |oscillator| {
                blocks(oscillator, &drive, out, I1F31::to_num);
            })?,
            Twin::Exact => crate::expect::render_exact(self.entry, &setup, &drive, out)?,
        }
        Ok(())
    }
}

fn blocks<S: Copy + Default>(
    oscillator: &mut dyn Oscillator<S>,
    drive: &Drive,
    out: &mut [f64],
    convert: impl Fn(S) -> f64,
) {
    let mut block = [S::default(); BLOCK];
    for part in out.chunks_mut(BLOCK) {
        let block = &mut block[..part.len()];
        oscillator.process(drive, block);
        for (to, from) in part.iter_mut().zip(block) {
            *to = convert(*from);
        }
    }
}

/// The sample rate of a stimulus, checked.
///
/// # Errors
/// A rate outside 8 000 to 192 000 Hz.
pub fn rate_of(stimulus: &Stimulus) -> Result<Rate, Error> {
    Ok(Rate::new(stimulus.rate_hz.round() as u32)?)
}

/// The module of that name.
///
/// # Errors
/// [`Error::Unknown`] with the names there are.
pub fn entry(module: &str) -> Result<&'static Entry, Error> {
    let entries = plumbtone_voice::oscillators::ENTRIES;
    entries.iter().find(|entry| entry.name == module).ok_or_else(|| Error::Unknown {
        kind: "module",
        name: module.to_owned(),
        choices: entries.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
    })
}
