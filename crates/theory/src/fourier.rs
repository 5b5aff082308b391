//! Fourier coefficients of the classical waveforms and of any piecewise-linear periodic signal.
//!
//! | | |
//! |---|---|
//! | Source | Fourier series of the periodic Bernoulli polynomials; textbook, derived below |
//! | Units  | phase in cycles; swing -1..+1; slopes per cycle |
//! | Origin | ramp `2 phi - 1`, falls at the wrap; pulse +1 for `phi < width`; triangle -1 at `phi = 0`, +1 at `phi = 1/2`; sine `sin(2 pi phi)` |
//! | Checked | `tests/suite/theory/fourier.rs` |
//!
//! A unit step at phase 0 is `-B_1({phi}) = 1/2 - {phi}` with coefficients `1/(i 2 pi k)`; a unit
//! slope change is `-B_2({phi})/2` with coefficients `1/(i 2 pi k)^2`. A mean and a list of breaks
//! therefore hold the whole signal, provided that the slope changes sum to zero.

use crate::{Complex64, ParameterError};
use std::f64::consts::TAU;

/// A point at which a periodic signal jumps or bends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Break {
    /// Where, in cycles, in [0, 1).
    pub at_cycles: f64,
    /// Value after minus value before.
    pub step: f64,
    /// Slope after minus slope before, per cycle.
    pub slope_change: f64,
}

/// A periodic signal made of straight pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct PiecewiseLinear {
    mean: f64,
    breaks: Vec<Break>,
}

/// Which one-sided limit to take at a break.
#[derive(Clone, Copy)]
enum Side {
    Before,
    After,
}

impl Side {
    /// Distance past a break in cycles: [0, 1) after it, (0, 1] before it.
    fn past(self, distance: f64) -> f64 {
        match self {
            Self::After => distance - distance.floor(),
            Self::Before => distance - (distance.ceil() - 1.0),
        }
    }
}

impl PiecewiseLinear {
    /// A signal of the given mean with the given breaks.
    ///
    /// # Errors
    /// A break outside [0, 1), a value that is not finite, or slope changes that do not sum to
    /// zero within 1e-9 of the largest.
    pub fn new(mean: f64, breaks: Vec<Break>) -> Result<Self, ParameterError> {
        ParameterError::check(mean.is_finite(), "mean", mean, "finite")?;
        let (mut sum, mut largest) = (0.0, 0.0_f64);
        for b in &breaks {
            let inside = (0.0..1.0).contains(&b.at_cycles);
            ParameterError::check(inside, "at_cycles", b.at_cycles, "0 <= at_cycles < 1")?;
            ParameterError::check(b.step.is_finite(), "step", b.step, "finite")?;
            let finite = b.slope_change.is_finite();
            ParameterError::check(finite, "slope_change", b.slope_change, "finite")?;
            sum += b.slope_change;
            largest = largest.max(b.slope_change.abs());
        }
        let closed = sum.abs() <= 1e-9 * largest;
        ParameterError::check(closed, "sum of slope_change", sum, "zero over one cycle")?;
        Ok(Self { mean, breaks })
    }

    /// `2 phi - 1`: rises, and falls by 2 at the wrap. Coefficients `i/(pi k)`.
    #[must_use]
    pub fn ramp() -> Self {
        Self { mean: 0.0, breaks: vec![Break { at_cycles: 0.0, step: -2.0, slope_change: 0.0 }] }
    }

    /// +1 for `phi < width`, else -1. Mean `2 width - 1`, amplitude `4/(pi k) |sin(pi k width)|`.
    ///
    /// # Errors
    /// `width` not inside (0, 1).
    pub fn pulse(width: f64) -> Result<Self, ParameterError> {
        ParameterError::check(width > 0.0 && width < 1.0, "width", width, "0 < width < 1")?;
        let edge = |at_cycles, step| Break { at_cycles, step, slope_change: 0.0 };
        Self::new(2.0 * width - 1.0, vec![edge(0.0, 2.0), edge(width, -2.0)])
    }

    /// `1 - 4 |phi - 1/2|`. Coefficients `-4/(pi k)^2` at odd `k`.
    #[must_use]
    pub fn triangle() -> Self {
        let corner = |at_cycles, slope_change| Break { at_cycles, step: 0.0, slope_change };
        Self { mean: 0.0, breaks: vec![corner(0.0, 8.0), corner(0.5, -8.0)] }
    }

    /// This signal as the slave of a hard sync: it runs at `ratio` times the master's frequency
    /// and starts anew at phase 0 whenever the master wraps. The result's cycle is the master's.
    ///
    /// # Errors
    /// `ratio` outside 1..=1000.
    pub fn hard_synced(&self, ratio: f64) -> Result<Self, ParameterError> {
        ParameterError::check((1.0..=1000.0).contains(&ratio), "ratio", ratio, "1..=1000")?;
        let mut breaks = vec![Break {
            at_cycles: 0.0,
            step: self.limit(0.0, Side::After) - self.limit(ratio, Side::Before),
            slope_change: ratio * (self.slope(0.0, Side::After) - self.slope(ratio, Side::Before)),
        }];
        for own in &self.breaks {
            let mut slave_phase = own.at_cycles;
            while slave_phase < ratio {
                let at_cycles = slave_phase / ratio;
                if slave_phase > 0.0 && at_cycles < 1.0 {
                    let slope_change = own.slope_change * ratio;
                    breaks.push(Break { at_cycles, step: own.step, slope_change });
                }
                slave_phase += 1.0;
            }
        }
        Self::new((self.integral(ratio) - self.integral(0.0)) / ratio, breaks)
    }

    /// Mean over one cycle.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// The breaks, in no particular order.
    #[must_use]
    pub fn breaks(&self) -> &[Break] {
        &self.breaks
    }

    /// Value at any phase; at a step, the value after it.
    #[must_use]
    pub fn value(&self, phi: f64) -> f64 {
        self.limit(phi, Side::After)
    }

    fn limit(&self, phi: f64, side: Side) -> f64 {
        self.breaks.iter().fold(self.mean, |sum, b| {
            let u = side.past(phi - b.at_cycles);
            sum + b.step * (0.5 - u) - b.slope_change * 0.5 * (u * u - u + 1.0 / 6.0)
        })
    }

    fn slope(&self, phi: f64, side: Side) -> f64 {
        self.breaks.iter().fold(0.0, |sum, b| {
            sum - b.step + b.slope_change * (0.5 - side.past(phi - b.at_cycles))
        })
    }

    /// An antiderivative of the value.
    fn integral(&self, phi: f64) -> f64 {
        self.breaks.iter().fold(self.mean * phi, |sum, b| {
            let u = Side::After.past(phi - b.at_cycles);
            let cubic = u * (u - 0.5) * (u - 1.0);
            sum - b.step * 0.5 * (u * u - u + 1.0 / 6.0) - b.slope_change * cubic / 6.0
        })
    }

    /// Coefficient `c_k` of `exp(i 2 pi k phi)`; `c_0` is the mean.
    #[must_use]
    pub fn coefficient(&self, order: i64) -> Complex64 {
        if order == 0 {
            return self.mean.into();
        }
        let k = order as f64;
        let one_over = Complex64::new(0.0, -1.0 / (TAU * k));
        self.breaks
            .iter()
            .map(|b| {
                // The whole cycles in k t carry no phase; dropping them keeps its digits.
                let turns = (k * b.at_cycles).rem_euclid(1.0);
                let weight = one_over * (one_over * b.slope_change + b.step);
                weight * Complex64::cis(-TAU * turns)
            })
            .sum()
    }

    /// Amplitude of the line of order `k >= 1`: `2 |c_k|`.
    #[must_use]
    pub fn amplitude(&self, order: u32) -> f64 {
        2.0 * self.coefficient(i64::from(order)).norm()
    }

    /// Root mean square about the mean.
    #[must_use]
    pub fn ac_rms(&self) -> f64 {
        let mut corners: Vec<f64> = self.breaks.iter().map(|b| b.at_cycles).collect();
        corners.sort_by(f64::total_cmp);
        let Some(first) = corners.first() else { return 0.0 };
        corners.push(first + 1.0);
        // Simpson's rule is exact on the square of a straight piece.
        let square = |v: f64| (v - self.mean) * (v - self.mean);
        let total: f64 = corners
            .windows(2)
            .map(|pair| {
                let (start, end) = (pair[0], pair[1]);
                let left = square(self.limit(start, Side::After));
                let middle = square(self.limit(0.5 * (start + end), Side::After));
                let right = square(self.limit(end, Side::Before));
                (end - start) * (left + 4.0 * middle + right) / 6.0
            })
            .sum();
        total.sqrt()
    }

    /// Total harmonic distortion re the fundamental, as a ratio, all harmonics included.
    #[must_use]
    pub fn thd(&self) -> f64 {
        let fundamental = self.amplitude(1) / std::f64::consts::SQRT_2;
        let ac = self.ac_rms();
        (ac * ac - fundamental * fundamental).max(0.0).sqrt() / fundamental
    }
}
