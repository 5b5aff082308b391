//! What the stages of several contours share: restart, two-part floats, carried products.
//!
//! This file is no module. A stage moves by small steps, 2^-31 of its way per sample at worst,
//! and must neither stall nor lose its end. The float twins therefore keep their state in two
//! [`f32`], the fixed twins in 64 bits with the rest of every product carried to the next.

use crate::error::RangeError;
use crate::math::rint;
use crate::parameter::{Parameter, Values};

/// What a key does to a contour that still moves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Restart {
    /// The first stage begins at the present level.
    #[default]
    Present,
    /// The level jumps to 0, then the first stage begins.
    Zero,
    /// As `Present`, but a legato key while the gate is on changes nothing.
    Legato,
}

/// What a key does to a contour that still moves: present, zero or legato.
pub const RESTART: Parameter = Parameter::choice("restart", &["present", "zero", "legato"]);

impl Restart {
    /// Reads the choice.
    pub(super) fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let all = [Self::Present, Self::Zero, Self::Legato];
        Ok(all[values.choice(&RESTART)?])
    }

    /// Whether a key event changes nothing.
    pub(super) fn ignores(self, legato: bool, gate: bool) -> bool {
        self == Self::Legato && legato && gate
    }
}

/// An unevaluated sum of two f32, `hi` being the sum rounded: 48 bits.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Pair {
    pub(super) hi: f32,
    pub(super) lo: f32,
}

impl Pair {
    /// One part.
    pub(super) const fn single(value: f32) -> Self {
        Self { hi: value, lo: 0.0 }
    }

    /// Two parts of a double: 48 bits of its 53.
    pub(super) fn split(value: f64) -> Self {
        let hi = value as f32;
        Self { hi, lo: (value - f64::from(hi)) as f32 }
    }

    /// The sum in one double, exact.
    pub(super) fn joined(self) -> f64 {
        f64::from(self.hi) + f64::from(self.lo)
    }

    /// Sum of two pairs.
    ///
    /// Knuth's exact two-term sum (The Art of Computer Programming 2, 4.2.2) takes the upper
    /// parts, so only the lower parts round: by 2^-48 of the sum's power of two at most, 2^-49
    /// where one of them is 0.
    #[inline(always)]
    pub(super) fn plus(self, other: Self) -> Self {
        let sum = self.hi + other.hi;
        let mine = sum - other.hi;
        let lost = (self.hi - mine) + (other.hi - (sum - mine));
        let low = lost + (self.lo + other.lo);
        let hi = sum + low;
        Self { hi, lo: low - (hi - sum) }
    }
}

/// A factor as ± mantissa · 2^-(32 + shift).
///
/// Q: the mantissa is rounded to 32 bits: relative error 2^-32 at most, down to the factor
/// 2^-41; smaller ones keep an absolute error of 2^-73. A factor of 1 and above has a negative
/// shift.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Factor {
    mantissa: u32,
    shift: i32,
    negative: bool,
}

impl Factor {
    const MAX_SHIFT: i32 = 40;

    /// The nearest factor; for constructors.
    pub(super) fn new(value: f64) -> Self {
        let (mut scaled, mut shift) = (value.abs() * 4_294_967_296.0, 0);
        while shift < Self::MAX_SHIFT && scaled < 2_147_483_648.0 {
            (scaled, shift) = (2.0 * scaled, shift + 1);
        }
        // The largest mantissa is 2^32 − 1; what would round to 2^32 is 2^31 once more.
        while rint(scaled) > 4_294_967_295.0 {
            (scaled, shift) = (scaled / 2.0, shift - 1);
        }
        Self { mantissa: rint(scaled) as u32, shift, negative: value < 0.0 }
    }

    /// The factor that the rounded mantissa stands for, exact.
    pub(super) fn value(self) -> f64 {
        let shifted = (1_u64 << self.shift.max(0)) as f64 / (1_u64 << (-self.shift).max(0)) as f64;
        let value = f64::from(self.mantissa) / 4_294_967_296.0 / shifted;
        if self.negative { -value } else { value }
    }

    /// `x` times the factor, in the format of `x`.
    ///
    /// Q: the caller keeps |x| and the product below 2^62. Two products of 32 bits make one of
    /// 96, floored by 32: at 2^-shift of a unit. What then lies below one unit waits in `rest`.
    /// Without the rest up to 1/factor units would gather; so at most 2 units do, from the floor,
    /// and 1 that waits.
    #[inline(always)]
    pub(super) fn times(self, x: i64, rest: &mut i64) -> i64 {
        let (high, low) = (i64::from((x >> 32) as i32), u64::from(x as u32));
        let mantissa = self.mantissa;
        let product = high * i64::from(mantissa) + ((low * u64::from(mantissa)) >> 32) as i64;
        let product = if self.negative { -product } else { product };
        if self.shift < 0 { product << -self.shift } else { carried(product, self.shift, rest) }
    }
}

/// `value` · 2^-shift, floored; the rest waits for the next call.
#[inline(always)]
pub(super) fn carried(value: i64, shift: i32, rest: &mut i64) -> i64 {
    let sum = value + *rest;
    *rest = sum & ((1 << shift) - 1);
    sum >> shift
}
