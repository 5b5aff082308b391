//! How late one capture of a sound runs behind another, to small parts of a sample.
//!
//! The whole-sample part comes from the cross-correlation. Then the reference, interpolated by a
//! windowed sinc, is fitted to the subject by least squares in lag and gain (Gauss-Newton); its
//! slope comes from the derivative of the same kernel, so that a lag far below a sample costs no
//! digits. Kernel: 64 samples to each side under a seven-term Blackman-Harris window (Albrecht,
//! ICASSP 2001, pp. 3045-3048, from memory), flat up to 0.445 of the rate. What a sound holds
//! above that, and what the two captures do not share, remains.
//!
//! The uncertainty takes what remains for white noise.
//!
//! Floor: 1e-9 samples times `sin(2 pi lag)`, from the side lobes of the window, and 1e-13
//! samples from rounding.

use crate::difference::Difference;
use crate::level;
use crate::reading::{Obstacle, Reading, Unit};
use crate::window::Window;
use num_complex::Complex64;
use rustfft::FftPlanner;
use std::f64::consts::{LN_10, PI};
use std::ops::Range;

/// Samples that the kernel reaches to each side.
const HALF: usize = 64;

/// Side lobes of the kernel's window, as an amplitude.
const LEAK: f64 = 1e-9;

/// Samples that rounding may hide.
const ROUNDING: f64 = 1e-13;

/// Least samples to be compared, kernel not counted.
const LEAST: usize = 64;

/// Share of the power that has to agree: a correlation of one half.
const LEAST_SHARE: f64 = 0.25;

/// Whole-sample lags that are tried by a fit, and samples that each is tried on.
const CANDIDATES: usize = 64;
const TRIAL: usize = 2048;

const MAX_STEPS: usize = 40;

/// One capture against another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// Delay of the subject; negative where it runs ahead.
    pub samples: Reading,
    /// Level of the subject re the reference.
    pub gain_db: Reading,
    /// What is left with lag and gain taken out; `worst_index` counts in the subject.
    pub remaining: Difference,
}

impl Lag {
    /// Reads the lag of `subject` behind `reference`, up to a quarter of their length.
    ///
    /// Of a periodic sound the lag is known but for whole periods: of lags that fit alike, the
    /// smallest magnitude is taken.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if they differ in length; what [`level::screen`] refuses;
    /// [`Obstacle::TooShort`] below 256 samples, or where the lag leaves less than 64 to compare;
    /// [`Obstacle::Unrelated`] if the captures do not correlate by one half at any lag.
    pub fn between(subject: &[f64], reference: &[f64]) -> Result<Self, Obstacle> {
        let pair = Captures::new(subject, reference, subject.len())?;
        let start = pair.whole(0..subject.len())?;
        pair.lag(0..subject.len(), start)
    }
}

/// First sample of a stretch, and its lag or why it has none.
pub type Stretch = (usize, Result<Lag, Obstacle>);

/// The lag over time: first sample and lag of each stretch of `window` samples, or why it has
/// none. A stretch in which either capture rests is left out.
///
/// From one stretch to the next the lag may change by less than half a period of the highest
/// strong line. `near` is the lag that the first stretch is looked for at, in samples; without it
/// all are tried, and of a periodic sound whole periods may be lost.
///
/// # Errors
/// Those of [`Lag::between`]; [`Obstacle::OutOfRange`] for a window below 256 samples.
pub fn drift(
    subject: &[f64],
    reference: &[f64],
    window: usize,
    near: Option<isize>,
) -> Result<Vec<Stretch>, Obstacle> {
    crate::reading::within("window in samples", window as f64, MIN_LEN as f64, f64::MAX)?;
    let pair = Captures::new(subject, reference, window)?;
    let mut found = Vec::new();
    let mut last = near;
    for start in (0..=subject.len() - window).step_by(window) {
        let range = start..start + window;
        if !pair.sounds(range.clone()) {
            continue;
        }
        let near = match last {
            Some(last) => Ok(pair.climb(range.clone(), last)),
            None => pair.whole(range.clone()),
        };
        let lag = near.and_then(|near| pair.lag(range, near));
        if let Ok(lag) = &lag {
            last = Some(lag.samples.value.round() as isize);
        }
        found.push((start, lag));
    }
    if found.is_empty() { Err(Obstacle::Silent) } else { Ok(found) }
}

/// Kernel on both sides, and as much again to compare.
const MIN_LEN: usize = 4 * HALF;

struct Captures<'a> {
    subject: &'a [f64],
    reference: &'a [f64],
    /// Cosine sum of the window about its middle, 1 there.
    window: Vec<f64>,
}

/// State of the fit.
struct Fit {
    lag: f64,
    gain: f64,
    /// Deviations of lag and gain for residuals of unit variance.
    deviations: [f64; 2],
    /// Of what remains and of the subject, sums of squares.
    rest: f64,
    power: f64,
    count: usize,
}

impl<'a> Captures<'a> {
    fn new(subject: &'a [f64], reference: &'a [f64], least: usize) -> Result<Self, Obstacle> {
        if subject.len() != reference.len() {
            return Err(Obstacle::WrongLength { have: subject.len(), need: reference.len() });
        }
        level::screen(subject)?;
        level::screen(reference)?;
        let need = least.max(MIN_LEN);
        if subject.len() < need {
            return Err(Obstacle::TooShort { have: subject.len(), need });
        }
        let terms = Window::BlackmanHarris7.coefficients();
        let peak: f64 = terms.iter().sum();
        Ok(Self { subject, reference, window: terms.iter().map(|a| a / peak).collect() })
    }

    fn sounds(&self, range: Range<usize>) -> bool {
        [self.subject, self.reference].iter().all(|x| level::screen(&x[range.clone()]).is_ok())
    }

    /// Subject's samples within `range` that the reference, this late, covers kernel and all.
    fn covered(&self, range: Range<usize>, lag: isize) -> Range<usize> {
        // Two more, for the fit to move within.
        let reach = HALF as isize + 2;
        let end = (self.reference.len() as isize + lag - reach).clamp(0, range.end as isize);
        let start = (lag + reach).max(range.start as isize).min(end);
        start as usize..end as usize
    }

    /// Whole-sample lag of `range`: of the peaks of the cross-correlation, each tried by a fit on
    /// some of the samples, the smallest that leaves as little as any.
    fn whole(&self, range: Range<usize>) -> Result<isize, Obstacle> {
        let most = range.len() / 4;
        let from = range.start.saturating_sub(most);
        let around = from..(range.end + most).min(self.reference.len());
        let len = (range.len() + around.len()).next_power_of_two();
        let mut planner = FftPlanner::new();
        let forward = planner.plan_fft_forward(len);
        let transform = |samples: &[f64]| {
            let mean = samples.iter().sum::<f64>() / samples.len() as f64;
            let mut bins: Vec<Complex64> = samples.iter().map(|x| (x - mean).into()).collect();
            bins.resize(len, Complex64::ZERO);
            forward.process(&mut bins);
            bins
        };
        let mut product = transform(&self.subject[range.clone()]);
        let reference = transform(&self.reference[around]);
        product.iter_mut().zip(&reference).for_each(|(s, r)| *s *= r.conj());
        planner.plan_fft_inverse(len).process(&mut product);
        // Subject and reference were cut at different places.
        let offset = (range.start - from) as isize;
        let most = most as isize;
        let common = |lag: isize| product[(lag - offset).rem_euclid(len as isize) as usize].re;
        let is_peak = |&lag: &isize| {
            common(lag) >= common(lag - 1) && common(lag) >= common(lag + 1) && common(lag) > 0.0
        };
        let mut peaks: Vec<isize> = (-most..=most).filter(is_peak).collect();
        peaks.sort_by(|a, b| common(*b).total_cmp(&common(*a)));
        // Half a sample beside its place a peak of white noise still has 2 / pi of its height.
        let least = peaks.first().map_or(0.0, |lag| 0.5 * common(*lag));
        peaks.retain(|lag| common(*lag) >= least);
        peaks.truncate(CANDIDATES);
        let stride = (range.len() / TRIAL).max(1);
        let mut tried: Vec<(isize, f64)> = peaks
            .into_iter()
            .filter_map(|lag| {
                let fit = self.fit(self.covered(range.clone(), lag), lag as f64, stride)?;
                Some((fit.lag.round() as isize, fit.rest / fit.power))
            })
            .collect();
        let least = tried.iter().map(|t| t.1).fold(f64::INFINITY, f64::min);
        // What remains scatters by a few percent over the samples of a trial; below the leak of
        // the kernel it says nothing.
        let bound = 1.25 * least + (10.0 * LEAK).powi(2);
        tried.retain(|t| t.1 <= bound);
        let nearest = tried.into_iter().min_by_key(|t| t.0.abs());
        nearest.map(|t| t.0).ok_or(Obstacle::Unrelated { share: 0.0, need: LEAST_SHARE })
    }

    /// The peak of the correlation next to `lag`. It is normalized, or the climb would run after
    /// the louder part of a sound that grows or fades.
    fn climb(&self, range: Range<usize>, mut lag: isize) -> isize {
        let common = |lag: isize| -> f64 {
            let pairs = self.covered(range.clone(), lag);
            let pairs =
                pairs.map(|n| (self.subject[n], self.reference[(n as isize - lag) as usize]));
            let (both, power) =
                pairs.fold((0.0, 0.0), |(both, power), (s, r)| (both + s * r, power + r * r));
            if power > 0.0 { both / power.sqrt() } else { 0.0 }
        };
        let mut here = common(lag);
        loop {
            let (back, on) = (common(lag - 1), common(lag + 1));
            if back.max(on) <= here {
                return lag;
            }
            (lag, here) = if back > on { (lag - 1, back) } else { (lag + 1, on) };
        }
    }

    fn lag(&self, range: Range<usize>, start: isize) -> Result<Lag, Obstacle> {
        let covered = self.covered(range, start);
        if covered.len() < LEAST {
            return Err(Obstacle::TooShort { have: covered.len(), need: LEAST });
        }
        let none = Obstacle::Unrelated { share: 0.0, need: LEAST_SHARE };
        let fit = self.fit(covered.clone(), start as f64, 1).ok_or(none)?;
        let share = 1.0 - fit.rest / fit.power;
        if share < LEAST_SHARE {
            return Err(Obstacle::Unrelated { share, need: LEAST_SHARE });
        }
        let kernel = self.kernel(fit.lag);
        let late: Vec<f64> =
            covered.clone().map(|n| fit.gain * self.at(&kernel, fit.lag, n).0).collect();
        let mut remaining = Difference::of(&self.subject[covered.clone()], &late)?;
        remaining.worst_index += covered.start;
        let noise = (fit.rest / (fit.count - 2) as f64).sqrt();
        let part = PI * (fit.lag - fit.lag.round());
        let [lag_doubt, gain_doubt] = fit.deviations.map(|deviation| 2.0 * deviation * noise);
        // By symmetry the side lobes shift nothing at half a sample, where they weaken most.
        let floor = LEAK * (2.0 * part).sin().abs() + ROUNDING + f64::EPSILON * fit.lag.abs();
        let samples = Reading::new(fit.lag, Unit::Samples, lag_doubt + floor);
        let relative = gain_doubt / fit.gain + LEAK * part.sin().abs() + 8.0 * f64::EPSILON;
        let gain_db = Reading::new(crate::db(fit.gain), Unit::Decibel, 20.0 / LN_10 * relative);
        Ok(Lag { samples, gain_db, remaining })
    }

    /// Gauss-Newton on lag and gain over every `stride`th sample of `covered`; `None` if it leaves
    /// the neighbourhood of `start`, or fits no positive gain.
    fn fit(&self, covered: Range<usize>, start: f64, stride: usize) -> Option<Fit> {
        let mut lag = start;
        for _ in 0..MAX_STEPS {
            let kernel = self.kernel(lag);
            let places = || covered.clone().step_by(stride);
            let (mut yy, mut yd, mut dd, mut sy, mut power) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for n in places() {
                let (s, (y, d)) = (self.subject[n], self.at(&kernel, lag, n));
                (yy, yd, dd) = (yy + y * y, yd + y * d, dd + d * d);
                (sy, power) = (sy + s * y, power + s * s);
            }
            let gain = sy / yy;
            // What the slope leaves once it is orthogonal to the value.
            let slope = dd - yd * yd / yy;
            if !(gain > 0.0 && slope > 1e-12 * dd) {
                return None;
            }
            let (mut along, mut rest) = (0.0, 0.0);
            for n in places() {
                let (y, d) = self.at(&kernel, lag, n);
                // Residuals first: sums of products would lose half the digits.
                let left = self.subject[n] - gain * y;
                along += left * (d - y * yd / yy);
                rest += left * left;
            }
            let count = places().len();
            let step = -along / (slope * gain);
            let deviations = [1.0 / (slope.sqrt() * gain), (dd / (yy * slope)).sqrt()];
            let noise = (rest / count as f64).sqrt();
            if step.abs() <= (1e-3 * noise * deviations[0]).max(0.1 * ROUNDING) {
                return Some(Fit { lag: lag + step, gain, deviations, rest, power, count });
            }
            lag += step.clamp(-0.5, 0.5);
            if (lag - start).abs() > 1.5 {
                return None;
            }
        }
        None
    }

    /// Values and slopes of the kernel for the part of `lag` below a sample, from the latest
    /// sample of the reference to the earliest.
    fn kernel(&self, lag: f64) -> Vec<(f64, f64)> {
        let part = lag - lag.round();
        let sin = -(PI * part).sin();
        let half = HALF as isize;
        (-half..=half)
            .map(|k| {
                let p = k as f64 - part;
                let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
                let sinc = if p == 0.0 { 1.0 } else { sign * sin / (PI * p) };
                // Nearly 0 over nearly 0 at the middle. The slope only steers the fit and weighs its
                // doubt: the first term of the series will do.
                let slope = if p.abs() < 1e-3 {
                    -PI * PI * p / 3.0
                } else {
                    (sign * (PI * part).cos() - sinc) / p
                };
                let turn = PI * p / half as f64;
                let (mut w, mut dw) = (0.0, 0.0);
                // Beyond its ends the window is over.
                if turn.abs() < PI {
                    for (q, a) in self.window.iter().enumerate() {
                        let q = q as f64;
                        w += a * (q * turn).cos();
                        dw -= a * q * PI / half as f64 * (q * turn).sin();
                    }
                }
                (sinc * w, slope * w + sinc * dw)
            })
            .collect()
    }

    /// The reference and its slope at `n - lag`.
    fn at(&self, kernel: &[(f64, f64)], lag: f64, n: usize) -> (f64, f64) {
        let centre = (n as isize - lag.round() as isize) as usize;
        let around = &self.reference[centre - HALF..=centre + HALF];
        around
            .iter()
            .rev()
            .zip(kernel)
            .fold((0.0, 0.0), |(y, d), (x, (h, slope))| (y + x * h, d + x * slope))
    }
}
