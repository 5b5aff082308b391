//! Numbers of about 32 digits as unevaluated sums of two `f64`.
//!
//! Source: Dekker, Numerische Mathematik 18:224-242, 1971, and Knuth's two-sum (from memory).
//! Error below 2^-100 relative per operation, ample for differences that cancel 60 bits.

use std::ops::{Add, Mul, Neg, Sub};

#[derive(Debug, Clone, Copy)]
pub(crate) struct DoubleDouble {
    high: f64,
    low: f64,
}

impl DoubleDouble {
    /// Exact sum of two `f64`.
    pub(crate) fn sum(a: f64, b: f64) -> Self {
        let high = a + b;
        let b_seen = high - a;
        Self { high, low: (a - (high - b_seen)) + (b - b_seen) }
    }

    /// Exact product of two `f64`.
    pub(crate) fn product(a: f64, b: f64) -> Self {
        let high = a * b;
        Self { high, low: a.mul_add(b, -high) }
    }

    /// Fractional part in [0, 1), and whether the integer part is odd.
    pub(crate) fn wrap(self) -> (Self, bool) {
        let mut whole = self.high.floor();
        if whole == self.high && self.low < 0.0 {
            whole -= 1.0;
        }
        (self + Self::from(-whole), whole.rem_euclid(2.0) == 1.0)
    }

    pub(crate) fn to_f64(self) -> f64 {
        self.high + self.low
    }
}

impl From<f64> for DoubleDouble {
    fn from(value: f64) -> Self {
        Self { high: value, low: 0.0 }
    }
}

impl Add for DoubleDouble {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        let high = Self::sum(self.high, other.high);
        let low = Self::sum(self.low, other.low);
        let first = Self::sum(high.high, high.low + low.high);
        Self::sum(first.high, first.low + low.low)
    }
}

impl Neg for DoubleDouble {
    type Output = Self;
    fn neg(self) -> Self {
        Self { high: -self.high, low: -self.low }
    }
}

impl Sub for DoubleDouble {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for DoubleDouble {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        let main = Self::product(self.high, other.high);
        Self::sum(main.high, main.low + (self.high * other.low + self.low * other.high))
    }
}
