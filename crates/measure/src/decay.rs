//! How straight a decay is in dB.
//!
//! A decay toward zero falls by `20/ln 10 = 8.685890` dB per time constant. The level in dB
//! is fitted with a straight line over a stated span below its first sample.
//!
//! Floor: samples rounded to steps of q deviate by up to `20 log10(1 + q/2y)` at level y,
//! 2.0e-4 dB for Q1.31 at -100 dB. In f64 a sample is good to 1e-15 dB of itself and to
//! 1e-14 dB through its logarithm, which 100 dB are computed from.

use crate::curve::coverage;
use crate::db;
use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};

/// dB per time constant of an exponential decay toward zero, `20/ln 10`.
pub const DB_PER_TAU: f64 = 8.685_889_638_065_037;

/// A straight line through a decay in dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decay {
    /// Slope in dB per second, negative for a decay.
    pub slope_db_per_s: f64,
    /// Expanded uncertainty of the slope, k = 2, in dB per second.
    pub slope_uncertainty_db_per_s: f64,
    /// Time constant that slope stands for, in seconds; positive for a decay.
    pub time_constant_s: Reading,
    /// Level of the line at the first sample, in dB re full scale 1.0.
    pub start_db: f64,
    /// Largest deviation from the line, in dB, as a magnitude. Uncertainty and floor: what
    /// rounding to the stated quantum may add at that sample, and at the lowest.
    pub deviation_db: Reading,
    /// The first sample with that deviation.
    pub worst_index: usize,
    /// Rms deviation from the line, in dB.
    pub rms_db: f64,
    /// Samples that the line was fitted to, from the first on.
    pub samples: usize,
}

impl Decay {
    /// Fits the level from the first sample down to `span_db` below it.
    ///
    /// `quantum` is the step that samples are rounded to, full scale = 1.0: 2^-31 for
    /// Q1.31, 0 for f64.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] if the span holds fewer than 4 samples,
    /// [`Obstacle::NotFinite`], [`Obstacle::OutOfRange`] for a rate, span or quantum out of
    /// range, [`Obstacle::NotPositive`] for a sample within the span that has no level, and
    /// [`Obstacle::TooShallow`] if the trace does not fall that far.
    pub fn fit(
        samples: &[f64],
        rate_hz: f64,
        span_db: f64,
        quantum: f64,
    ) -> Result<Self, Obstacle> {
        level::finite(samples)?;
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        within("span in dB", span_db, f64::MIN_POSITIVE, 6000.0)?;
        within("quantum", quantum, 0.0, 1.0)?;
        let mut levels = Vec::new();
        let mut lowest = f64::INFINITY;
        let mut reached = false;
        for (index, &value) in samples.iter().enumerate() {
            if value <= 0.0 {
                return Err(Obstacle::NotPositive { index, value });
            }
            let level = db(value);
            let first = *levels.first().unwrap_or(&level);
            lowest = lowest.min(level);
            if level < first - span_db {
                reached = true;
                break;
            }
            levels.push(level);
        }
        // The last sample may stand on the span itself.
        if !reached && levels[0] - lowest < span_db * (1.0 - 1e-12) {
            return Err(Obstacle::TooShallow { have_db: levels[0] - lowest, need_db: span_db });
        }
        if levels.len() < 4 {
            return Err(Obstacle::TooShort { have: levels.len(), need: 4 });
        }
        Ok(Self::line(&levels, rate_hz, quantum))
    }

    fn line(levels: &[f64], rate_hz: f64, quantum: f64) -> Self {
        let n = levels.len() as f64;
        let middle = (n - 1.0) / 2.0;
        let square = n * (n * n - 1.0) / 12.0;
        // About the chord: what is left to sum is small, and so is its rounding.
        let chord = (levels[levels.len() - 1] - levels[0]) / (n - 1.0);
        let above = |i: usize| levels[i] - levels[0] - chord * i as f64;
        let mean = (0..levels.len()).map(above).sum::<f64>() / n;
        let tilt = (0..levels.len()).map(|i| (i as f64 - middle) * above(i)).sum::<f64>() / square;
        let rest = |i: usize| above(i) - mean - tilt * (i as f64 - middle);
        let (mut power, mut worst, mut worst_index) = (0.0, 0.0, 0);
        for i in 0..levels.len() {
            let rest = rest(i);
            power += rest * rest;
            if rest.abs() > worst {
                (worst, worst_index) = (rest.abs(), i);
            }
        }
        let slope = chord + tilt;
        let half_step = |level: f64| {
            let amplitude = 10f64.powf(level / 20.0);
            let step = (quantum / 2.0).max(amplitude * f64::EPSILON);
            DB_PER_TAU * (step / amplitude).ln_1p()
        };
        let lowest = levels.iter().copied().fold(f64::INFINITY, f64::min);
        let coverage = coverage(n - 2.0);
        let wide = coverage * (power / (n - 2.0) / square).sqrt();
        let wide = wide.hypot(half_step(lowest) / n).hypot(f64::EPSILON * slope);
        let slope_db_per_s = slope * rate_hz;
        let tau = -DB_PER_TAU / slope_db_per_s;
        Self {
            slope_db_per_s,
            slope_uncertainty_db_per_s: wide * rate_hz,
            time_constant_s: Reading::new(tau, Unit::Seconds, (tau * wide / slope).abs()),
            start_db: levels[0] + mean - tilt * middle,
            deviation_db: Reading::new(worst, Unit::Decibel, half_step(levels[worst_index]))
                .with_floor(half_step(lowest)),
            worst_index,
            rms_db: (power / n).sqrt(),
            samples: levels.len(),
        }
    }
}
