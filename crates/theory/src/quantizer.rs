//! What rounding to a grid makes of a sine, with and without dither.
//!
//! | | |
//! |---|---|
//! | Source  | sum over the thresholds, derived in the text below; Blachman, IEEE Trans. ASSP 33(6):1417-1426, 1985; dither: Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40(5):355-375, 1992; busy signals: Bennett, Bell Syst. Tech. J. 27:446-472, 1948; all from memory |
//! | Units   | amplitudes in steps of the grid, powers in squared steps |
//! | Model   | mid-tread, to the nearest step, no overload; the phase of the sine is evenly spread over the samples |
//! | Error   | harmonics 1e-15 times the number of thresholds; error power `1e-15 A^2` |
//! | Checked | `tests/suite/theory/quantizer.rs`, `reference-tables/quantizer-harmonics` |
//!
//! The rounded sine rises by one step where `A sin t` passes `j - 1/2`, at `t_j`, and falls at
//! `pi - t_j`. Harmonic `k` of one such pulse, with its mirror image below, is
//! `4 cos(k t_j) / (pi k)` for odd `k`, and nothing for even `k`.

use crate::ParameterError;
use std::f64::consts::{FRAC_PI_2, PI};

/// Error power of a signal that crosses many steps from sample to sample: `1/12`.
pub const BUSY_ERROR_POWER: f64 = 1.0 / 12.0;

/// Total error power under triangular dither two steps wide, the sum of two even distributions of
/// one step: `1/4` for any signal, white, and free of harmonics. The dither is part of it.
pub const TRIANGULAR_DITHER_ERROR_POWER: f64 = 0.25;

/// Largest amplitude that is accepted, in steps.
pub const LARGEST_AMPLITUDE: f64 = 16_777_216.0;

/// A sine `A sin t` that is rounded to whole steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundedSine {
    amplitude: f64,
}

impl RoundedSine {
    /// A sine of `amplitude` steps.
    ///
    /// # Errors
    /// An amplitude outside 0..=2^24.
    pub fn new(amplitude: f64) -> Result<Self, ParameterError> {
        let inside = (0.0..=LARGEST_AMPLITUDE).contains(&amplitude);
        ParameterError::check(inside, "amplitude", amplitude, "0..=2^24 steps")?;
        Ok(Self { amplitude })
    }

    /// Thresholds that the sine passes, each with its angle before the crest: `pi/2 - t_j`.
    fn thresholds(self) -> impl Iterator<Item = (f64, f64)> {
        let a = self.amplitude;
        (1..=(a + 0.5).floor() as u32).map(move |j| {
            let threshold = f64::from(j) - 0.5;
            // Both factors are exact where the sine hardly reaches the threshold; asin is not.
            (threshold, ((a - threshold) * (a + threshold)).sqrt().atan2(threshold))
        })
    }

    /// Amplitude of harmonic `k` re `sin(k t)`, in steps; 0 for even `k`.
    #[must_use]
    pub fn harmonic(self, k: u32) -> f64 {
        if k.is_multiple_of(2) {
            return 0.0;
        }
        // cos(k (pi/2 - x)) is sin(k x) for k = 1, 5, 9, ..., and the negative for 3, 7, 11, ...
        let sign = if k % 4 == 1 { 1.0 } else { -1.0 };
        let order = f64::from(k);
        let sum: f64 = self.thresholds().map(|(_, before)| (order * before).sin()).sum();
        sign * 4.0 * sum / (PI * order)
    }

    /// Mean square of rounded less given sine, harmonics included, in squared steps.
    #[must_use]
    pub fn error_power(self) -> f64 {
        // Mean of q^2 - 2 q x + x^2. A level above threshold c adds (c + 1/2)^2 - (c - 1/2)^2 = 2 c
        // for the share of time spent there; the mean of q x is that of the fundamental alone.
        let squares: f64 =
            self.thresholds().map(|(threshold, before)| 2.0 * threshold * before / FRAC_PI_2).sum();
        squares - self.amplitude * (self.harmonic(1) - 0.5 * self.amplitude)
    }

    /// Mean square of what is neither the sine nor a multiple of it: [`Self::error_power`] less
    /// the change of the fundamental, in squared steps.
    #[must_use]
    pub fn distortion_power(self) -> f64 {
        self.error_power() - 0.5 * (self.harmonic(1) - self.amplitude).powi(2)
    }
}
