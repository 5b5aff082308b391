//! Q1.31 helpers: the formats and roundings that the fixed twins share.

use fixed::types::I1F31;

/// 1.0 in Q1.31, which only fits a wider integer.
pub(crate) const ONE: i64 = 1 << 31;

/// Nearest Q1.31 integer to `value`; for constants and tables, never per sample.
pub(crate) fn coefficient(value: f64) -> i64 {
    crate::math::rint(value * ONE as f64) as i64
}

/// Product of two Q1.31 integers, floored to Q1.31.
///
/// The caller keeps |a·b| below 2^63: true whenever both are below 2^31.5.
#[inline(always)]
pub(crate) fn mul(a: i64, b: i64) -> i64 {
    (a * b) >> 31
}

/// Saturates a wide Q.31 integer to Q1.31.
#[inline(always)]
pub(crate) fn saturate(value: i64) -> I1F31 {
    I1F31::from_bits(value.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32)
}
