//! First look: a windowed spectrum, and from it a frequency within a part of a bin.

use crate::reading::Obstacle;
use crate::window::Window;
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Power over the median at which a peak counts as a tone: noise exceeds it in one of
/// e^(30 ln 2) = 1e9 bins.
const TONE_OVER_MEDIAN: f64 = 30.0;

/// A divisor of the strongest line replaces it as the fundamental only if it explains
/// this much more: 3 % of the power lies in orders the line alone does not reach.
const EXPLAINED: f64 = 0.97;

#[derive(Default)]
pub struct Survey {
    plan: Option<Arc<dyn RealToComplex<f64>>>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
    /// Squared amplitude by bin, under [`Self::WINDOW`].
    pub power: Vec<f64>,
    /// The same under [`Self::NARROW`].
    narrow: Vec<f64>,
    covered: Vec<bool>,
    pub sorted: Vec<f64>,
}

impl Survey {
    pub const WINDOW: Window = Window::BlackmanHarris7;

    /// For noise between lines too close for the main lobes of the other.
    const NARROW: Window = Window::BlackmanHarris4;

    pub fn take(&mut self, samples: &[f64]) {
        let len = samples.len();
        let plan = match &self.plan {
            Some(plan) if plan.len() == len => Arc::clone(plan),
            _ => {
                let plan = RealFftPlanner::new().plan_fft_forward(len);
                self.input = plan.make_input_vec();
                self.bins = plan.make_output_vec();
                self.scratch = plan.make_scratch_vec();
                self.plan = Some(Arc::clone(&plan));
                plan
            }
        };
        let mean = samples.iter().sum::<f64>() / len as f64;
        for (x, s) in self.input.iter_mut().zip(samples) {
            *x = s - mean;
        }
        // The buffers come from the plan itself, so their lengths are right.
        let done = plan.process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch);
        debug_assert!(done.is_ok());
        windowed(&self.bins, len, Self::WINDOW, &mut self.power);
        windowed(&self.bins, len, Self::NARROW, &mut self.narrow);
    }

    /// The spectrum that shows the noise between lines `spacing` bins apart.
    pub fn between(&self, spacing: f64) -> (&[f64], Window) {
        if 0.5 * spacing < Self::WINDOW.main_lobe_bins() as f64 + 1.0 {
            (&self.narrow, Self::NARROW)
        } else {
            (&self.power, Self::WINDOW)
        }
    }

    pub fn len(&self) -> f64 {
        self.input.len() as f64
    }

    /// Power at `bin`, the greater of its two neighbours.
    pub fn at(&self, bin: f64) -> f64 {
        let i = (bin as usize).min(self.power.len() - 2);
        self.power[i].max(self.power[i + 1])
    }

    /// The fundamental near `hint` (cycles per sample), from its strongest low order.
    pub fn near(&self, hint: f64, max_order: u32) -> f64 {
        let spacing = hint * self.len();
        (1..=max_order.min(8))
            .take_while(|k| f64::from(*k) * hint < 0.5)
            .map(|k| {
                let k = f64::from(k);
                // 50 cents are 2.9 %.
                let reach = (0.03 * k * spacing).max(2.0).min(0.5 * spacing.max(2.0));
                let peak = self.peak(k * spacing - reach, k * spacing + reach);
                (self.power[peak], self.refine(peak) / k / self.len())
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(hint, |best| best.1)
    }

    /// The fundamental of whatever stands out, in cycles per sample.
    pub fn search(&mut self, max_order: u32) -> Result<f64, Obstacle> {
        let peak = self.peak(1.5, self.power.len() as f64);
        self.sorted.clear();
        self.sorted.extend_from_slice(&self.power);
        let middle = self.sorted.len() / 2;
        let median = *self.sorted.select_nth_unstable_by(middle, f64::total_cmp).1;
        if self.power[peak] <= TONE_OVER_MEDIAN * median {
            return Err(Obstacle::NoTone);
        }
        let line = self.refine(peak);
        // Below six bins everything is explained by any spacing.
        let divisors: Vec<f64> = (1..=max_order.min(8))
            .map(|q| line / f64::from(q))
            .take_while(|spacing| *spacing == line || *spacing >= 6.0)
            .collect();
        let explained: Vec<f64> = divisors.iter().map(|s| self.explained(*s)).collect();
        let most = explained.iter().copied().fold(0.0, f64::max);
        let best = explained.iter().position(|e| *e >= EXPLAINED * most).unwrap_or(0);
        Ok(divisors[best] / self.len())
    }

    /// Power on the first 64 folded orders of a fundamental at bin `spacing`.
    fn explained(&mut self, spacing: f64) -> f64 {
        self.covered.clear();
        self.covered.resize(self.power.len(), false);
        let (len, last) = (self.len(), self.power.len() - 1);
        for k in 1..=64.max((0.5 * len / spacing) as u32) {
            let turns = f64::from(k) * spacing / len;
            let bin = (turns - turns.round()).abs() * len;
            let low = (bin - 2.5).ceil().max(0.0) as usize;
            self.covered[low..=((bin + 2.5) as usize).min(last)].fill(true);
        }
        let hits = self.power.iter().zip(&self.covered).filter(|(_, c)| **c);
        hits.map(|(p, _)| p).sum()
    }

    fn peak(&self, low: f64, high: f64) -> usize {
        let last = self.power.len() - 1;
        let low = (low.ceil().max(1.0) as usize).min(last - 1);
        let high = (high.floor().max(1.0) as usize).clamp(low, last - 1);
        (low..=high).max_by(|a, b| self.power[*a].total_cmp(&self.power[*b])).unwrap_or(low)
    }

    /// Vertex of the parabola through three log powers: for this window within 0.02 bins.
    fn refine(&self, peak: usize) -> f64 {
        let ln = |i: usize| self.power[i].max(f64::MIN_POSITIVE).ln();
        let (a, b, c) = (ln(peak - 1), ln(peak), ln(peak + 1));
        let bend = a - 2.0 * b + c;
        let shift = if bend < 0.0 { 0.5 * (a - c) / bend } else { 0.0 };
        peak as f64 + shift.clamp(-1.0, 1.0)
    }
}

/// Squared amplitudes under a window, applied to the plain transform as a convolution.
fn windowed(bins: &[Complex64], len: usize, window: Window, power: &mut Vec<f64>) {
    let a = window.coefficients();
    let scale = (2.0 / (len as f64 * a[0])).powi(2);
    let last = bins.len() - 1;
    let bin = |i: isize| {
        let (folded, mirrored) = match i.unsigned_abs() {
            i if i > last => (len - i, true),
            j => (j, i < 0),
        };
        if mirrored { bins[folded].conj() } else { bins[folded] }
    };
    power.clear();
    power.extend((0..=last).map(|k| {
        let mut sum = bins[k] * a[0];
        for (q, c) in a.iter().enumerate().skip(1) {
            let half = if q % 2 == 0 { 0.5 * c } else { -0.5 * c };
            let (below, above) = if k >= q && k + q <= last {
                (bins[k - q], bins[k + q])
            } else {
                (bin(k as isize - q as isize), bin((k + q) as isize))
            };
            sum += (below + above) * half;
        }
        sum.norm_sqr() * scale
    }));
}
