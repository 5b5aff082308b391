//! Equal temperament and the pitch error of a phase accumulator.
//!
//! | | |
//! |---|---|
//! | Source | ISO 16:1975 (A4 = 440 Hz); cent after Ellis 1885; accumulator error derived here |
//! | Units  | keys as MIDI key numbers, may be fractional; hertz; cents |

use crate::ParameterError;

/// Key number of A4.
pub const A4_KEY: f64 = 69.0;
/// Frequency of A4 in hertz.
pub const A4_HZ: f64 = 440.0;

/// Frequency of a key in hertz: `440 * 2^((key - 69) / 12)`. Fractions of a key are allowed.
#[must_use]
pub fn key_hz(key: f64) -> f64 {
    A4_HZ * ((key - A4_KEY) / 12.0).exp2()
}

/// Cents from `from_hz` up to `to_hz`; negative when `to_hz` is lower.
#[must_use]
pub fn cents(from_hz: f64, to_hz: f64) -> f64 {
    // ln_1p keeps the digits of intervals far below a cent.
    1200.0 / std::f64::consts::LN_2 * ((to_hz - from_hz) / from_hz).ln_1p()
}

/// How an exact increment becomes an integer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rounding {
    /// To the nearest integer, ties away from zero.
    Nearest,
    /// Toward zero.
    Truncate,
}

/// A phase accumulator of `bits` bits clocked at the sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accumulator {
    bits: u32,
    sample_rate_hz: f64,
}

impl Accumulator {
    /// An accumulator of `bits` bits at `sample_rate_hz`.
    ///
    /// # Errors
    /// `bits` outside 8..=48, or a sample rate that is not positive and finite.
    pub fn new(bits: u32, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        ParameterError::check((8..=48).contains(&bits), "bits", f64::from(bits), "8..=48")?;
        ParameterError::check(
            sample_rate_hz.is_finite() && sample_rate_hz > 0.0,
            "sample_rate_hz",
            sample_rate_hz,
            "positive and finite",
        )?;
        Ok(Self { bits, sample_rate_hz })
    }

    /// The increment that would be exact, in units of the accumulator's last bit.
    #[must_use]
    pub fn exact_increment(&self, f0_hz: f64) -> f64 {
        f0_hz / self.sample_rate_hz * f64::from(self.bits).exp2()
    }

    /// Signed error in cents of the realised frequency at `f0_hz`.
    /// Negative infinity when the increment rounds to zero.
    #[must_use]
    pub fn error_cents(&self, f0_hz: f64, rounding: Rounding) -> f64 {
        let exact = self.exact_increment(f0_hz);
        let realised = match rounding {
            Rounding::Nearest => exact.round(),
            Rounding::Truncate => exact.trunc(),
        };
        cents(exact, realised)
    }

    /// Largest errors in cents near `f0_hz` as `(flat, sharp)`: half a unit either way when
    /// rounding, a whole unit flat when truncating. The flat side is the larger one, since cents
    /// are logarithmic.
    #[must_use]
    pub fn worst_error_cents(&self, f0_hz: f64, rounding: Rounding) -> (f64, f64) {
        let exact = self.exact_increment(f0_hz);
        match rounding {
            Rounding::Nearest => (cents(exact, exact - 0.5), cents(exact, exact + 0.5)),
            Rounding::Truncate => (cents(exact, exact - 1.0), 0.0),
        }
    }
}
