//! The analytic signal of a capture: its positive frequencies only.

use crate::periodic::cis;
use crate::reading::{Obstacle, within};
use crate::straight_line::StraightLine;
use crate::window::Window;
use num_complex::Complex64;
use rustfft::FftPlanner;
use std::f64::consts::TAU;

/// Width of the filter's edges, in bins of the whole capture.
const EDGE_BINS: usize = 128;

/// Lost share of the tone's amplitude above which demodulation means nothing.
pub const MOST_LOST: f64 = 0.01;

const WINDOW: Window = Window::BlackmanHarris7;

/// Ten times its side lobes.
const WINDOW_FLOOR: f64 = 1e-8;

/// Window for lines of a capture that is not coherent: side lobes -223 dB.
pub const LINE_WINDOW: Window = Window::Hft223d;

/// FFT plans, and the last signal filtered.
pub struct Analytic {
    planner: FftPlanner<f64>,
    bins: Vec<Complex64>,
    /// Analytic signal; first sample of it is sample `start` of the capture.
    pub signal: Vec<Complex64>,
    pub start: usize,
    /// Mean frequency that [`Analytic::phase`] takes out, cycles per sample.
    pub carrier: f64,
    /// The filter's response by bin of the whole circle.
    mask: Vec<f64>,
}

impl Default for Analytic {
    fn default() -> Self {
        Self {
            planner: FftPlanner::new(),
            bins: Vec::new(),
            signal: Vec::new(),
            start: 0,
            carrier: 0.0,
            mask: Vec::new(),
        }
    }
}

impl Analytic {
    /// Keeps `band` (cycles per sample) of the positive frequencies of `samples`.
    ///
    /// `exact` takes the capture as periodic: sharp edges, every sample kept. Otherwise the
    /// edges are the running sum of a window, so that the ends of the capture reach only
    /// the width of that window inwards, and that much is dropped.
    pub fn filter(&mut self, samples: &[f64], band: Option<(f64, f64)>, exact: bool) {
        let len = samples.len();
        let (low, high) = band.unwrap_or((0.0, 0.5));
        let (low, high) = (low * len as f64, high * len as f64);
        let edge = EDGE_BINS as f64;
        self.mask.clear();
        self.mask.extend((0..len).map(|bin| {
            let b = bin as f64;
            match (bin > 0 && 2 * bin < len, exact) {
                (false, _) => 0.0,
                (_, true) => f64::from(u8::from(b > low && b < high)),
                (_, false) => rise((b - low) / edge) * rise((high - b) / edge),
            }
        }));
        self.bins.clear();
        self.bins.extend(samples.iter().map(|x| Complex64::new(*x, 0.0)));
        self.planner.plan_fft_forward(len).process(&mut self.bins);
        for (value, kept) in self.bins.iter_mut().zip(&self.mask) {
            *value *= kept * 2.0 / len as f64;
        }
        self.planner.plan_fft_inverse(len).process(&mut self.bins);
        let reach = if exact { 0 } else { WINDOW.main_lobe_bins() * len / EDGE_BINS + 1 };
        self.start = reach;
        self.signal.clear();
        self.signal.extend_from_slice(&self.bins[reach..len - reach]);
        self.carrier = self.mean_step();
    }

    /// Amplitude, re the whole, that the filter takes from the tone `model` (by sample of
    /// [`Analytic::signal`]): what lies in its edges, or folds at 0 Hz and at half the rate.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] above [`MOST_LOST`].
    pub fn lost(&mut self, model: impl Fn(usize) -> Complex64) -> Result<f64, Obstacle> {
        let len = self.signal.len();
        let window = WINDOW.samples(len);
        self.bins.clear();
        self.bins.extend(window.iter().enumerate().map(|(n, w)| model(n) * w));
        self.planner.plan_fft_forward(len).process(&mut self.bins);
        let whole = self.mask.len();
        let (mut taken, mut total) = (0.0, 0.0);
        for (bin, value) in self.bins.iter().enumerate() {
            let kept = self.mask[bin * whole / len];
            total += value.norm_sqr();
            taken += (1.0 - kept).powi(2) * value.norm_sqr();
        }
        let lost = (taken / total).sqrt();
        // Side lobes of the window, -180 dB of the tone, are no loss.
        if lost < WINDOW_FLOOR {
            return Ok(0.0);
        }
        within("share of the tone that folds or leaves the band", lost, 0.0, MOST_LOST)
    }

    /// Sets the carrier to the slope of the phase; returns its standard uncertainty.
    ///
    /// # Errors
    /// See [`StraightLine::through`].
    pub fn settle_carrier(&mut self) -> Result<f64, Obstacle> {
        let phase = self.phase();
        let line = StraightLine::through(phase.iter().enumerate().map(|(n, p)| (n as f64, *p)))?;
        self.carrier += line.slope.value / TAU;
        Ok(line.slope.standard_uncertainty / TAU)
    }

    /// Amplitudes by bin, a cosine of amplitude 1 reads 1; `windowed` by [`LINE_WINDOW`].
    pub fn spectrum(&mut self, samples: &[f64], windowed: bool) -> &[Complex64] {
        let len = samples.len();
        self.bins.clear();
        let scale = 2.0 / len as f64;
        if windowed {
            let window = LINE_WINDOW.samples(len);
            let scaled =
                samples.iter().zip(&window).map(|(x, w)| Complex64::new(x * w * scale, 0.0));
            self.bins.extend(scaled);
        } else {
            self.bins.extend(samples.iter().map(|x| Complex64::new(x * scale, 0.0)));
        }
        self.planner.plan_fft_forward(len).process(&mut self.bins);
        &self.bins[..=len / 2]
    }

    fn mean_step(&self) -> f64 {
        let steps = self.signal.windows(2).map(|pair| (pair[1] * pair[0].conj()).arg() / TAU);
        steps.sum::<f64>() / (self.signal.len() as f64 - 1.0)
    }

    /// Phase about the carrier, in radians, without jumps.
    pub fn phase(&self) -> Vec<f64> {
        let (mut turns, mut last) = (0.0, 0.0);
        self.signal
            .iter()
            .enumerate()
            .map(|(n, z)| {
                let phase = (z * cis(self.carrier, n as f64).conj()).arg();
                turns -= if n > 0 { ((phase - last) / TAU).round() } else { 0.0 };
                last = phase;
                TAU.mul_add(turns, phase)
            })
            .collect()
    }

    /// Magnitude.
    pub fn envelope(&self) -> Vec<f64> {
        self.signal.iter().map(|z| z.norm()).collect()
    }
}

/// 0 to 1 over u = 0..1: the running integral of the window.
fn rise(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    let a = WINDOW.coefficients();
    let wave = |(q, c): (usize, &f64)| {
        let sign = if q % 2 == 0 { 1.0 } else { -1.0 };
        sign * c * (TAU * q as f64 * u).sin() / (TAU * q as f64)
    };
    u + a.iter().enumerate().skip(1).map(wave).sum::<f64>() / a[0]
}
