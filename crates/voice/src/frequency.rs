//! Frequency modulation per sample: linear in Hz and exponential in octaves.
//!
//! Both twins turn a control signal into an [`Increment`]; the phase stays in integers.
//! Results are held between 0 Hz and half the sample rate.
//!
//! The exponential is that of [`crate::control::exp2`] at degree 5, 1.3e-4 cent at most; f32
//! arithmetic makes it 2.7e-4. Increments are rounded to whole steps of 2^-32 cycle, half of which
//! is 0.00118 cent at key 0 and 48 kHz.

use crate::phase::Increment;

pub use crate::control::exp2::MINIMAX_5 as EXP2_MINIMAX;

/// Float twins.
pub mod float {
    use super::Increment;
    use crate::control::exp2::{FLOAT_5, polynomial};

    /// `base + deviation · signal`, the deviation in 2^-32 cycle per sample.
    #[inline]
    pub fn linear(base: Increment, deviation: i32, signal: f32) -> Increment {
        // The base stays an integer: an f32 would cut it to 24 bits.
        let shift = (deviation as f32 * signal) as i64;
        Increment::saturating_from_bits((i64::from(base.bits()) + shift).clamp(0, LIMIT) as u32)
    }

    /// `base · 2^octaves`; octaves −32 to +32.
    #[inline]
    pub fn exponential(base: Increment, octaves: f32) -> Increment {
        let octaves = octaves.clamp(-32.0, 32.0);
        let floor = crate::math::floorf(octaves);
        let x = octaves - floor;
        let ratio = polynomial(&FLOAT_5, x);
        let scaled = f32::from_bits(((floor as i32 + 127) as u32) << 23) * ratio;
        // A control value that is no number leaves the pitch at 0 Hz: the cast makes it 0.
        Increment::saturating_from_bits((base.bits() as f32 * scaled + 0.5) as u32)
    }

    const LIMIT: i64 = Increment::MAX.bits() as i64;
}

/// Fixed twins.
pub mod fixed {
    use ::fixed::types::{I1F31, I6F26};

    use super::Increment;
    use crate::control::exp2::{Q31_5, polynomial_q31};

    /// `base + deviation · signal`, the deviation in 2^-32 cycle per sample.
    #[inline]
    pub fn linear(base: Increment, deviation: i32, signal: I1F31) -> Increment {
        // Q: product < 2^62, floored to whole increments.
        let shift = (i64::from(deviation) * i64::from(signal.to_bits())) >> 31;
        let limit = i64::from(Increment::MAX.bits());
        Increment::saturating_from_bits((i64::from(base.bits()) + shift).clamp(0, limit) as u32)
    }

    /// `base · 2^octaves`; octaves in Q6.26, −32 to just under +32.
    #[inline]
    pub fn exponential(base: Increment, octaves: I6F26) -> Increment {
        // Q: floor and 26 fraction bits, widened to Q.31; Horner sums stay below 2^32.
        let floor = octaves.to_bits() >> 26;
        let x = i64::from(octaves.to_bits() & ((1 << 26) - 1)) << 5;
        let ratio = polynomial_q31(&Q31_5, x);
        // Q: base ≤ 2^31, ratio < 2^32: product < 2^63 in Q.31; the octaves are a shift, rounded.
        let product = i64::from(base.bits()) * ratio;
        let limit = i64::from(Increment::MAX.bits());
        let shift = 31 - floor;
        let scaled = match shift {
            // Q: with every fraction bit used up, only a base of 0 stays within the limit.
            ..=0 if product > 0 => limit,
            ..=0 => 0,
            1..=62 => (product >> (shift - 1)).wrapping_add(1) >> 1,
            _ => 0,
        };
        Increment::saturating_from_bits(scaled.clamp(0, limit) as u32)
    }
}
