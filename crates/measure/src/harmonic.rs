//! Harmonic analysis of a capture whose frequency is known but not coherent.
//!
//! One windowed transform; each line is read from the bin next to it through the exact
//! transform of the window at its fractional bin. Window: HFT223D, side lobes -223 dB
//! (Heinzel, Rüdiger, Schilling, AEI report, 2002).
//!
//! Floor: -223 dBc from the window for lines more than 10 bins from every stronger line,
//! from 0 Hz and from half the rate; f64 rounding of transform and samples adds about
//! -300 dBc. Claimed for every such bin: [`FLOOR_DBC`].

use crate::audibility::Component;
use crate::level;
use crate::reading::{Obstacle, within};
use crate::window::Window;
use crate::{db, power_db};
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
use std::sync::Arc;

/// Floor of the analysis on f64 samples, in dBc.
pub const FLOOR_DBC: f64 = -215.0;

const WINDOW: Window = Window::Hft223d;

/// Analyser for captures of one length. Make one per worker and reuse it.
pub struct Harmonic {
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

/// One line of the analysis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HarmonicLine {
    /// Order k of the fundamental.
    pub order: u32,
    /// Frequency at which it is found, in Hz.
    pub hz: f64,
    /// True where the order lies above half the rate and was folded.
    pub alias: bool,
    /// Amplitude and phase (cosine, at the first sample).
    pub amplitude: Complex64,
    /// False where a stronger line, 0 Hz or half the rate lies within the main lobe: the
    /// amplitude is then not this line's own.
    pub resolved: bool,
}

/// Lines and noise of one capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// Lines by ascending order, from the fundamental.
    pub lines: Vec<HarmonicLine>,
    /// One-sided noise density between the lines, full-scale squared per Hz; `None` if
    /// the lines leave no free bins.
    pub noise_density: Option<f64>,
    rate_hz: f64,
}

impl Harmonic {
    /// An analyser for captures of `len` samples.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 64 samples.
    pub fn new(len: usize) -> Result<Self, Obstacle> {
        if len < 64 {
            return Err(Obstacle::TooShort { have: len, need: 64 });
        }
        let plan = RealFftPlanner::new().plan_fft_forward(len);
        Ok(Self {
            window: WINDOW.samples(len),
            input: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        })
    }

    /// Analyses `samples` with fundamental `f0_hz`, up to order `max_order`, aliases of
    /// the orders above half the rate included.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`], what [`level::screen`] refuses, and
    /// [`Obstacle::OutOfRange`] for a rate that is not positive or a fundamental within
    /// the window's main lobe of 0 Hz or of half the rate.
    pub fn analyse(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        f0_hz: f64,
        max_order: u32,
    ) -> Result<Analysis, Obstacle> {
        let len = self.input.len();
        if samples.len() != len {
            return Err(Obstacle::WrongLength { have: samples.len(), need: len });
        }
        level::screen(samples)?;
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        let lobe_hz = WINDOW.main_lobe_bins() as f64 * rate_hz / len as f64;
        within("fundamental in Hz", f0_hz, lobe_hz, rate_hz / 2.0 - lobe_hz)?;
        for ((x, s), w) in self.input.iter_mut().zip(samples).zip(&self.window) {
            *x = s * w;
        }
        self.plan
            .process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch)
            .map_err(|_| Obstacle::TooShort { have: len, need: 64 })?;

        let f0 = f0_hz / rate_hz;
        let mut lines: Vec<HarmonicLine> =
            (1..=max_order.max(1)).map(|order| self.line(order, f0, rate_hz)).collect();
        self.resolve(&mut lines, rate_hz);
        let noise_density = self.noise_density(&lines, rate_hz);
        Ok(Analysis { lines, noise_density, rate_hz })
    }

    /// Every line that stands in the spectrum, whether foreseen or not: the harmonics at
    /// multiples of `f0_hz`, then each local peak outside their main lobes as a line of its
    /// own; of lines closer than 5 bins the strongest stands for all. The flat top of the window keeps a peak's level within 0.002 dB wherever it lies
    /// between bins; peaks of noise are lines too.
    ///
    /// # Errors
    /// See [`Harmonic::analyse`].
    pub fn components(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        f0_hz: f64,
        out: &mut Vec<Component>,
    ) -> Result<(), Obstacle> {
        let top = (0.5 * rate_hz / f0_hz).floor().clamp(1.0, 1e6) as u32;
        let analysis = self.analyse(samples, rate_hz, f0_hz, top)?;
        let bin_hz = rate_hz / self.input.len() as f64;
        let lobe = WINDOW.main_lobe_bins() as f64;
        out.clear();
        out.extend(analysis.lines.iter().map(|line| Component {
            hz: line.hz,
            amplitude: line.amplitude.norm(),
            is_harmonic: true,
        }));
        let scale =
            2.0 / (self.input.len() as f64 * WINDOW.transform(0.0, self.input.len()).norm());
        // The flat top ripples: a peak is the highest within half the lobe's half-width.
        let reach = WINDOW.main_lobe_bins() / 2;
        let powers: Vec<f64> = self.bins.iter().map(|bin| bin.norm_sqr()).collect();
        for (bin, around) in powers.windows(2 * reach + 1).enumerate() {
            let place = (bin + reach) as f64;
            let order = (place * bin_hz / f0_hz).round();
            let clear = (place - order * f0_hz / bin_hz).abs() > lobe && place > lobe;
            let (before, level, after) = (&around[..reach], around[reach], &around[reach + 1..]);
            if clear && before.iter().all(|p| *p < level) && after.iter().all(|p| *p <= level) {
                let (hz, amplitude) = (place * bin_hz, level.sqrt() * scale);
                out.push(Component { hz, amplitude, is_harmonic: false });
            }
        }
        Ok(())
    }

    fn line(&self, order: u32, f0: f64, rate_hz: f64) -> HarmonicLine {
        let len = self.input.len();
        let turns = f64::from(order) * f0;
        let place = (turns - turns.round()).abs();
        let position = place * len as f64;
        let bin = (position.round() as usize).min(self.bins.len() - 1);
        let response = WINDOW.transform(position - bin as f64, len);
        HarmonicLine {
            order,
            hz: place * rate_hz,
            alias: turns > 0.5,
            amplitude: self.bins[bin] / response * (2.0 / len as f64),
            resolved: true,
        }
    }

    /// Marks lines within the main lobe of a stronger line, of 0 Hz or of half the rate.
    fn resolve(&self, lines: &mut [HarmonicLine], rate_hz: f64) {
        let lobe_hz = WINDOW.main_lobe_bins() as f64 * rate_hz / self.input.len() as f64;
        let mut places: Vec<(f64, u32)> = lines.iter().map(|l| (l.hz, l.order)).collect();
        places.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        for (i, &(hz, order)) in places.iter().enumerate() {
            let strength = |order: u32| lines[order as usize - 1].amplitude.norm();
            let close = |p: &&(f64, u32)| (p.0 - hz).abs() < lobe_hz;
            let left = places[..i].iter().rev().take_while(close);
            let right = places[i + 1..].iter().take_while(close);
            // Of two lines that read the same, the lower order names the peak.
            let covered = left.chain(right).any(|&(_, other)| {
                let (own, next) = (strength(order), strength(other));
                next > own * (1.0 + 1e-3) || (next > own * (1.0 - 1e-3) && other < order)
            });
            let edge = hz < lobe_hz || hz > rate_hz / 2.0 - lobe_hz;
            lines[order as usize - 1].resolved = !covered && !edge;
        }
    }

    /// Median periodogram of the bins clear of every line, over ln 2: the mean of the
    /// exponential law that noise follows in a bin.
    fn noise_density(&self, lines: &[HarmonicLine], rate_hz: f64) -> Option<f64> {
        let len = self.input.len();
        let clear = WINDOW.main_lobe_bins() + 1;
        let last = self.bins.len() - 1;
        let mut free = vec![true; self.bins.len()];
        free[..=clear].fill(false);
        free[last.saturating_sub(clear)..].fill(false);
        for line in lines {
            let bin = (line.hz / rate_hz * len as f64).round() as usize;
            free[bin.saturating_sub(clear)..=(bin + clear).min(last)].fill(false);
        }
        let mut powers: Vec<f64> = self
            .bins
            .iter()
            .zip(&free)
            .filter(|(_, free)| **free)
            .map(|(b, _)| b.norm_sqr())
            .collect();
        if powers.is_empty() {
            return None;
        }
        let middle = powers.len() / 2;
        let median = *powers.select_nth_unstable_by(middle, f64::total_cmp).1;
        let mean = median / std::f64::consts::LN_2;
        Some(2.0 * mean / (len as f64 * WINDOW.enbw_bins() * rate_hz))
    }
}

impl Analysis {
    /// Level of order `order` re the fundamental, in dBc.
    #[must_use]
    pub fn dbc(&self, order: u32) -> Option<f64> {
        let line = self.lines.iter().find(|l| l.order == order)?;
        Some(db(line.amplitude.norm() / self.fundamental()))
    }

    /// Amplitude of the fundamental, full scale = 1.0.
    #[must_use]
    pub fn fundamental(&self) -> f64 {
        self.lines[0].amplitude.norm()
    }

    /// Phase of order `order` at the first sample, re cosine, in turns of 0 to 1.
    #[must_use]
    pub fn phase_turns(&self, order: u32) -> Option<f64> {
        let line = self.lines.iter().find(|l| l.order == order)?;
        Some((line.amplitude.arg() / TAU).rem_euclid(1.0))
    }

    /// Total harmonic distortion over the orders 2 to `top`, aliases left out, as a ratio
    /// to the fundamental. State `top` with the figure: practice differs.
    #[must_use]
    pub fn thd(&self, top: u32) -> f64 {
        self.harmonic_power(top).sqrt() / self.fundamental()
    }

    /// THD+N within `low_hz..=high_hz`: every line but the fundamental and the noise
    /// between the lines, as a ratio to the fundamental.
    #[must_use]
    pub fn thd_n(&self, low_hz: f64, high_hz: f64) -> f64 {
        let top = high_hz.min(self.rate_hz / 2.0);
        let inside = |l: &&HarmonicLine| l.resolved && (low_hz..=top).contains(&l.hz);
        let lines = self.lines[1..].iter().filter(inside);
        // Squared amplitudes are twice the power; densities are power.
        let noise = 2.0 * self.noise_density.unwrap_or(0.0) * (top - low_hz).max(0.0);
        let power: f64 = lines.map(|l| l.amplitude.norm_sqr()).sum();
        (power + noise).sqrt() / self.fundamental()
    }

    /// Noise density, in dB re full-scale squared per Hz.
    #[must_use]
    pub fn noise_density_db(&self) -> Option<f64> {
        self.noise_density.map(power_db)
    }

    fn harmonic_power(&self, top: u32) -> f64 {
        let counted = |l: &&HarmonicLine| !l.alias && l.resolved && l.order <= top;
        self.lines[1..].iter().filter(counted).map(|l| l.amplitude.norm_sqr()).sum()
    }
}
