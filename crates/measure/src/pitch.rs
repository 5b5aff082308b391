//! Fundamental frequency by multi-harmonic nonlinear least squares.
//!
//! Model: DC plus lines at k f0, with f0 the only nonlinear parameter. Orders above half
//! the rate fold, and count as further lines: their frequency is known from f0 as well.
//! Samples are indexed from the centre, where frequency and phase errors separate.
//! Few lines are fitted without a window (efficient: Rife & Boorstyn, IEEE IT
//! 20:591-598, 1974). Where more lines stand out than are fitted, a seven-term
//! Blackman-Harris weight keeps the others 180 dB away, at eight times the variance.
//!
//! Floor: 1e-12 cycles over the capture, from f64 rounding of the phases.

mod coarse;
mod fit;
mod kernel;
mod lines;
mod normal;

use crate::reading::{Obstacle, Reading, Unit, within};
use crate::window::Window;
use crate::{cents, level};
use coarse::Survey;
use fit::Fit;
use lines::Selection;

/// What the capture may contain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Model {
    /// Lines fitted with free amplitude and phase, at most; 1 to 256.
    pub max_lines: usize,
    /// Highest order considered; 1 or more.
    pub max_order: u32,
    /// True if the capture is known to hold no aliases. Otherwise aliases that may hide
    /// next to a harmonic count towards the uncertainty.
    pub band_limited: bool,
}

impl Default for Model {
    /// The 32 strongest lines of any order, aliases to be expected.
    fn default() -> Self {
        Self { max_lines: 32, max_order: u32::MAX, band_limited: false }
    }
}

impl Model {
    /// A single sine.
    #[must_use]
    pub const fn sine() -> Self {
        Self { max_lines: 1, max_order: 1, band_limited: true }
    }
}

/// One fitted line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PitchLine {
    /// Order k; its frequency is k f0, folded.
    pub order: u32,
    /// Amplitude, full scale = 1.0.
    pub amplitude: f64,
}

/// A measured fundamental.
#[derive(Clone, Debug, PartialEq)]
pub struct PitchReading {
    /// Fundamental frequency.
    pub hz: f64,
    /// Expanded uncertainty, k = 2: noise as found in the capture, unresolved aliases
    /// and the rounding floor.
    pub uncertainty_hz: f64,
    /// Cramér-Rao bound on the standard deviation for the lines fitted, white noise.
    pub crb_hz: f64,
    /// Noise of the capture, rms, full scale = 1.0.
    pub noise_rms: f64,
    /// Mean of the capture, full scale = 1.0.
    pub dc: f64,
    /// The lines fitted, lowest order first.
    pub lines: Vec<PitchLine>,
}

impl PitchReading {
    /// Lines fitted with free amplitude.
    #[must_use]
    pub fn harmonics_used(&self) -> usize {
        self.lines.len()
    }

    /// Interval above `reference_hz`, in cents, with expanded uncertainty.
    #[must_use]
    pub fn cents_from(&self, reference_hz: f64) -> Reading {
        Reading::new(
            cents(self.hz, reference_hz),
            Unit::Cents,
            cents(self.hz + self.uncertainty_hz, self.hz),
        )
    }

    /// The frequency with its expanded uncertainty.
    #[must_use]
    pub fn reading(&self) -> Reading {
        Reading::new(self.hz, Unit::Hertz, self.uncertainty_hz)
    }
}

/// Pitch meter. Plans and buffers are kept: make one per worker and reuse it.
#[derive(Default)]
pub struct Pitch {
    survey: Survey,
    selection: Selection,
    fit: Fit,
}

/// Passes over the final set of lines; a fit that has not settled by then never will.
const MAX_PASSES: usize = 12;

/// Cycles over the capture below which f64 rounding hides a change of frequency.
const FLOOR_CYCLES: f64 = 1e-12;

impl Pitch {
    /// A meter without buffers; the first capture sizes them.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Measures the fundamental of a note that should be at `target_hz` but may be anywhere,
    /// an octave off included.
    ///
    /// Both what the target suggests and what the lines suggest by themselves are fitted. A
    /// fit an octave low holds the same lines, one an octave high misses every other line: of
    /// the fits that hold the power of the capture, within 3 %, the highest is the note.
    ///
    /// # Errors
    /// See [`Pitch::estimate`].
    pub fn estimate_anywhere(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        target_hz: f64,
        model: &Model,
    ) -> Result<PitchReading, Obstacle> {
        let near = self.estimate(samples, rate_hz, Some(target_hz), model);
        let free = self.estimate(samples, rate_hz, None, model);
        match (near, free) {
            (Ok(near), Ok(free)) => {
                let power = |reading: &PitchReading| -> f64 {
                    reading.lines.iter().map(|line| line.amplitude * line.amplitude).sum()
                };
                let most = power(&near).max(power(&free));
                let fits = |reading: &PitchReading| power(reading) >= 0.97 * most;
                Ok(match (fits(&near), fits(&free)) {
                    (true, true) if free.hz > near.hz * 1.1 => free,
                    (true, _) => near,
                    _ => free,
                })
            }
            (near, free) => near.or(free),
        }
    }

    /// Measures the fundamental of `samples`. A `hint` in Hz, right to 50 cents, decides
    /// the octave; without it the strongest common divisor of the lines is taken.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 64 samples; what [`level::screen`] refuses;
    /// [`Obstacle::OutOfRange`] for rate, hint or model; [`Obstacle::NoTone`] if nothing
    /// stands out or the fit does not settle; [`Obstacle::Unresolved`] if the lines lie
    /// too close together for the length of the capture.
    pub fn estimate(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        hint: Option<f64>,
        model: &Model,
    ) -> Result<PitchReading, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        within("max_lines", model.max_lines as f64, 1.0, 256.0)?;
        within("max_order", f64::from(model.max_order), 1.0, f64::MAX)?;
        if samples.len() < 64 {
            return Err(Obstacle::TooShort { have: samples.len(), need: 64 });
        }
        level::screen(samples)?;
        let len = samples.len() as f64;
        self.survey.take(samples);
        let mut f0 = match hint {
            Some(hz) => {
                within("hint in Hz", hz, rate_hz / len, rate_hz / 2.0)?;
                self.survey.near(hz / rate_hz, model.max_order)
            }
            None => self.survey.search(model.max_order)?,
        };
        let isolated = f0 * len >= lines::ISOLATED_BINS;

        // Low orders first: each stage must place the next within a quarter of a cycle.
        self.selection.choose(&self.survey, f0, model);
        let early = if isolated { Window::BlackmanHarris7 } else { Window::Rectangular };
        self.fit.load(samples, early);
        let unresolved = Obstacle::Unresolved {
            spacing_hz: f0 * rate_hz,
            need_hz: lines::ISOLATED_BINS * rate_hz / len,
        };
        let mut top = 1;
        loop {
            let stage = self.selection.up_to(top);
            if !stage.is_empty() {
                for _ in 0..2 {
                    f0 += self.fit.step(f0, stage).ok_or(unresolved)?.delta;
                    in_range(f0)?;
                }
            }
            // The orders of the last stage wait for the final passes.
            top = top.saturating_mul(4);
            if self.selection.up_to(top).len() == self.selection.orders().len() {
                break;
            }
        }

        // Now that f0 is good, the orders can be told apart properly.
        self.selection.choose(&self.survey, f0, model);
        let crowded = self.selection.crowded && isolated;
        let window = if crowded { Window::BlackmanHarris7 } else { Window::Rectangular };
        if window != early {
            self.fit.load(samples, window);
        }
        let (all, noise) = (self.selection.orders(), self.selection.noise_rms);
        let mut passes = 0;
        let last = loop {
            let step = self.fit.step(f0, all).ok_or(unresolved)?;
            f0 += step.delta;
            passes += 1;
            let settled = step.delta.abs() <= (1e-3 * noise * step.deviation).max(floor(f0, len));
            in_range(f0)?;
            if passes == MAX_PASSES && !settled {
                return Err(Obstacle::NoTone);
            }
            if settled {
                break step;
            }
        };
        let noise_rms = if crowded { noise } else { self.fit.residual_rms() };
        let deviation = self.fit.deviation(noise_rms, all);
        let lines = self.fit.amplitudes(all);
        let pull = self.selection.pull(f0, len, self.fit.kernel(), &lines);
        let bound = self.fit.bound(noise_rms, all).ok_or(Obstacle::NoTone)?;
        Ok(PitchReading {
            hz: f0 * rate_hz,
            uncertainty_hz: (2.0 * deviation + pull + floor(f0, len)) * rate_hz,
            crb_hz: bound * rate_hz,
            noise_rms,
            dc: last.dc,
            lines,
        })
    }
}

/// Least change of frequency that shows, cycles per sample: rounding of the phases over the
/// capture, and of the frequency itself, which a high note in a clean capture comes down to.
fn floor(f0: f64, len: f64) -> f64 {
    (FLOOR_CYCLES / len).max(8.0 * f64::EPSILON * f0)
}

/// A fit that leaves the band has lost its tone.
fn in_range(f0: f64) -> Result<(), Obstacle> {
    if f0 > 0.0 && f0 < 0.5 { Ok(()) } else { Err(Obstacle::NoTone) }
}
