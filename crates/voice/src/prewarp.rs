//! Coefficients of first-order sections from the cutoff, by polynomials, without a division.
//!
//! With x the cutoff in cycles per sample, 0 to 0.45, and y = 4x − 1:
//! - trapezoidal, prewarped: G = tan(πx)/(1 + tan(πx)) = ½(1 + tan(πy/4)), which stays smooth
//!   where the tangent itself runs to infinity. Degree 10, relative error 3.26e-7, that is at
//!   most 0.00057 cent of cutoff.
//! - unit-delay: 1 − exp(−2πx), degree 7, relative error 1.77e-7.
//!
//! The fits are of G/x and the like, so the error stays relative down to 0 Hz. Rounding: f32 adds
//! 4·2^-24 (0.0004 cent); the fixed twins round to Q2.30, half a unit of which is 0.0025 cent at
//! 5 Hz and 48 kHz, 0.010 cent at 192 kHz. Coefficients: `reference-tables/prewarp-minimax`.

/// Largest cutoff of the fits, in cycles per sample.
pub const HIGHEST: f64 = 0.45;

/// Coefficients of G / x in y, from y^0 up.
pub const TRAPEZOIDAL: [f64; 11] = [
    1.999_999_348_211_606_96,
    -0.429_203_528_315_399_10,
    0.429_253_344_386_212_82,
    -0.106_227_649_011_613_63,
    0.105_617_714_358_782_69,
    -0.026_513_169_786_259_35,
    0.029_133_427_641_724_28,
    -0.006_479_803_832_768_50,
    0.001_872_803_932_144_61,
    -0.002_224_289_754_743_38,
    0.005_066_550_531_526_09,
];

/// Coefficients of (1 − exp(−2πx)) / x in y, from y^0 up.
pub const DECAY: [f64; 8] = [
    3.168_481_201_469_850_91,
    -1.862_333_109_180_135_39,
    0.836_510_147_469_561_65,
    -0.299_400_350_420_837_90,
    0.088_312_820_694_004_83,
    -0.022_023_120_048_618_41,
    0.005_053_874_232_752_23,
    -0.001_069_574_252_297_08,
];

/// Float twins; the cutoff in 2^-32 cycle per sample.
pub mod float {
    use super::{DECAY, TRAPEZOIDAL};

    #[inline(always)]
    fn fit<const N: usize>(fit: &[f64; N], cutoff: u32) -> f32 {
        let x = cutoff as f32 * (1.0 / 4_294_967_296.0);
        let y = 4.0 * x - 1.0;
        x * fit.iter().rev().fold(0.0, |sum, &c| sum * y + c as f32)
    }

    /// G of a trapezoidal section.
    #[inline]
    pub fn trapezoidal(cutoff: u32) -> f32 {
        fit(&TRAPEZOIDAL, cutoff)
    }

    /// 1 − exp(−2πx).
    #[inline]
    pub fn decay(cutoff: u32) -> f32 {
        fit(&DECAY, cutoff)
    }
}

/// Fixed twins; the cutoff in 2^-32 cycle per sample, the result in Q.34.
pub mod fixed {
    use super::{DECAY, TRAPEZOIDAL};
    use crate::wide::fixed::coefficient;

    const fn rounded<const N: usize>(fit: [f64; N]) -> [i64; N] {
        let mut c = [0; N];
        let mut i = 0;
        while i < N {
            c[i] = coefficient(fit[i]);
            i += 1;
        }
        c
    }

    #[inline(always)]
    fn fit<const N: usize>(fit: &[i64; N], cutoff: u32) -> i64 {
        // Q: x in 2^-32 is 4x in Q.30, so y costs one subtraction.
        let y = i64::from(cutoff) - (1 << 30);
        let sum = fit.iter().rev().fold(0, |sum, &c| ((sum * y) >> 30) + c);
        // Q: x < 2^31, sum below 2π in Q.30, < 2^32.7 only where x is small: product < 2^62.5.
        (i64::from(cutoff) * sum + (1 << 27)) >> 28
    }

    /// G of a trapezoidal section.
    #[inline]
    pub fn trapezoidal(cutoff: u32) -> i64 {
        const C: [i64; 11] = rounded(TRAPEZOIDAL);
        fit(&C, cutoff)
    }

    /// 1 − exp(−2πx).
    #[inline]
    pub fn decay(cutoff: u32) -> i64 {
        const C: [i64; 8] = rounded(DECAY);
        fit(&C, cutoff)
    }

    /// A coefficient of Q.34 in Q2.30.
    #[inline(always)]
    pub(crate) fn q30(coefficient: i64) -> i64 {
        (coefficient + 8) >> 4
    }
}
