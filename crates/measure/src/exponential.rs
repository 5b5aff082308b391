//! Time constant, target and amplitude of an exponential: `y = c + A exp(-n/T)`.
//!
//! Nonlinear least squares in the levels at both ends and the bend `length/T`, by
//! Gauss-Newton with Marquardt's damping (J. SIAM 11(2):431-441, 1963). A straight line
//! is the plain case of bend 0: the time constant then has no bounded uncertainty, the
//! bend still has one.
//!
//! Uncertainties come from the covariance of the fit and the residuals found, for white
//! noise, with Student's factor where samples are few. Floor: f64 rounding of samples up
//! to `m` moves the bend by `(8 + 3 |bend|) 2^-52 m / |rise|`; it is part of every
//! uncertainty.

use crate::curve::{Curve, Sums};
use crate::level;
use crate::reading::{Obstacle, Reading, Unit};

/// A fitted exponential. Levels: full scale = 1.0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exponential {
    /// Time constant, in samples; negative for a growing exponential. Its uncertainty is
    /// infinite where the samples cannot be told from a straight line or a constant.
    pub time_constant: Reading,
    /// Length over time constant: 0 for a straight line, positive for an approach,
    /// negative for a growing exponential. The length is counted from the first sample to
    /// the last.
    pub bend: Reading,
    /// The level c that the curve approaches, or leaves if it grows.
    pub target: Reading,
    /// The factor A at the first sample: level there less the target.
    pub amplitude: Reading,
    /// Level at the first sample.
    pub start: Reading,
    /// Level at the last sample.
    pub end: Reading,
    /// Rms of the samples about the curve.
    pub residual_rms: f64,
    /// Largest deviation of a sample from the curve.
    pub residual_peak: f64,
    /// Index of the first sample with that deviation.
    pub peak_index: usize,
}

/// Fewest samples: three parameters, and one more to know the noise by.
pub const MIN_SAMPLES: usize = 5;

/// Least time constant tried, in samples: `exp(-8)` from one sample to the next.
const QUICKEST: f64 = 0.125;

impl Exponential {
    /// Fits every one of `samples`.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below [`MIN_SAMPLES`], [`Obstacle::NotFinite`].
    pub fn fit(samples: &[f64]) -> Result<Self, Obstacle> {
        level::finite(samples)?;
        if samples.len() < MIN_SAMPLES {
            return Err(Obstacle::TooShort { have: samples.len(), need: MIN_SAMPLES });
        }
        let curve = Curve::fit(&Sums::of(samples), 0, samples.len(), QUICKEST, None);
        Ok(Self::read(&curve, samples, 0.0))
    }

    /// Readings of a curve fitted to a range of `samples` that may each be off by
    /// `tolerance`.
    pub(crate) fn read(curve: &Curve, samples: &[f64], tolerance: f64) -> Self {
        let own = &samples[curve.from..curve.from + curve.len];
        let largest = own.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
        let quantum = tolerance.max(f64::EPSILON * largest);
        let span = (curve.len - 1).max(1) as f64;
        let wide = |gradient, quanta: f64| {
            (curve.coverage * curve.spread(gradient).sqrt()).hypot(quanta * quantum)
        };
        let full = |value, uncertainty| Reading::new(value, Unit::FullScale, uncertainty);

        let bend = curve.bend;
        let bend_quanta = (8.0 + 3.0 * bend.abs()) / curve.rise.abs();
        let bend_wide = if curve.bent || curve.used < 3 {
            wide([0.0, 0.0, 1.0], bend_quanta)
        } else {
            f64::INFINITY
        };
        let tau = span / bend;
        // The far end of the interval: 1/b is not symmetric about b.
        let tau_wide = if bend_wide < bend.abs() {
            tau.abs() * bend_wide / (bend.abs() - bend_wide)
        } else {
            f64::INFINITY
        };
        let whole = -(-bend).exp_m1();
        let slant = 1.0 / (4.0 * (bend / 2.0).sinh().powi(2));
        let by_bend = curve.rise * slant;
        let away = if bend_wide < bend.abs() {
            wide(
                [1.0, 1.0 / whole, -by_bend],
                1.0 + 1.0 / whole.abs() + slant * bend_quanta * curve.rise.abs(),
            )
        } else {
            f64::INFINITY
        };
        // A constant is its own target.
        let reach = if curve.rise == 0.0 { 0.0 } else { curve.rise / whole };
        let rest = |i: usize| samples[i] - curve.at(i as f64);
        let (mut square, mut peak, mut peak_index) = (0.0, 0.0, curve.from);
        for i in curve.from..curve.from + curve.len {
            let rest = rest(i);
            square += rest * rest;
            if rest.abs() > peak {
                (peak, peak_index) = (rest.abs(), i);
            }
        }
        Self {
            time_constant: Reading::new(tau, Unit::Samples, tau_wide),
            bend: Reading::new(bend, Unit::Ratio, bend_wide),
            target: full(curve.start + reach, away),
            amplitude: full(-reach, away),
            start: full(curve.start, wide([1.0, 0.0, 0.0], 1.0)),
            end: full(curve.start + curve.rise, wide([1.0, 1.0, 0.0], 1.0)),
            residual_rms: (square / curve.len as f64).sqrt(),
            residual_peak: peak,
            peak_index,
        }
    }
}
