//! Gain of a filter in its steady state: one period in, the same period out.
//!
//! A periodic noise keeps the rounding of a fixed-point filter busy, where a dying impulse would
//! leave it in a dead band, and its lines need no window. Floor of f64 subjects: the rounding of
//! the transform, 1e-15 of the rms of what goes in over what a line holds.

use crate::level;
use crate::reading::{Obstacle, within};
use num_complex::Complex64;
use rustfft::FftPlanner;

/// The gain at every line of a periodic input.
#[derive(Clone, Debug, PartialEq)]
pub struct Steady {
    gains: Vec<Complex64>,
    /// Share of the input in each line, as an amplitude re white noise of rms 1.
    shares: Vec<f64>,
    step_hz: f64,
}

impl Steady {
    /// Compares one period of the input with one of the output.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if they differ in length, [`Obstacle::TooShort`] below 16
    /// samples, what [`level::screen`] refuses of the input and [`level::finite`] of the output,
    /// [`Obstacle::OutOfRange`] for a rate that is not positive.
    pub fn new(input: &[f64], output: &[f64], rate_hz: f64) -> Result<Self, Obstacle> {
        let len = input.len();
        if output.len() != len {
            return Err(Obstacle::WrongLength { have: output.len(), need: len });
        }
        if len < 16 {
            return Err(Obstacle::TooShort { have: len, need: 16 });
        }
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        level::screen(input)?;
        level::finite(output)?;
        let (before, after) = (lines(input), lines(output));
        let root = (len as f64).sqrt();
        Ok(Self {
            gains: before.iter().zip(&after).map(|(x, y)| y / x).collect(),
            shares: before.iter().map(|x| x.norm() / root).collect(),
            step_hz: rate_hz / len as f64,
        })
    }

    /// Lines from 0 Hz to half the rate.
    #[must_use]
    pub fn count(&self) -> usize {
        self.gains.len()
    }

    /// Frequency of a line.
    #[must_use]
    pub fn hz(&self, line: usize) -> f64 {
        line as f64 * self.step_hz
    }

    /// The line next to a frequency.
    #[must_use]
    pub fn nearest(&self, hz: f64) -> usize {
        ((hz / self.step_hz).round().max(0.0) as usize).min(self.gains.len() - 1)
    }

    /// Gain at a line; the last one where there are fewer.
    #[must_use]
    pub fn gain(&self, line: usize) -> Complex64 {
        self.gains[line.min(self.gains.len() - 1)]
    }

    /// What white noise of rms 1 at the output does to the gain at a line, rms.
    #[must_use]
    pub fn doubt(&self, line: usize) -> f64 {
        self.shares[line.min(self.shares.len() - 1)].recip()
    }
}

/// The lines of a period, 0 Hz to half the rate; of an odd length the last is just below it.
fn lines(period: &[f64]) -> Vec<Complex64> {
    let mut buffer: Vec<Complex64> = period.iter().map(|x| Complex64::from(*x)).collect();
    FftPlanner::new().plan_fft_forward(buffer.len()).process(&mut buffer);
    buffer.truncate(period.len() / 2 + 1);
    buffer
}
