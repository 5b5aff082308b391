//! Cosine-sum windows and their figures for long records.
//!
//! | | |
//! |---|---|
//! | Source  | Harris 1978; Nuttall 1981; Heinzel, Rüdiger, Schilling 2002 (coefficients); figures derived from the transform |
//! | Units   | `u` in record lengths, -1/2..1/2; offsets in bins; decibels |
//! | Checked | `tests/suite/theory/windows.rs`, `reference-tables/windows` |
//!
//! The centred window is `sum of a_m cos(2 pi m u)` and its transform at `v` bins
//! `sum of a_m/2 [sinc(v - m) + sinc(v + m)]`.

use crate::{db, sinc};
use std::f64::consts::PI;

/// A window `sum of a_m cos(2 pi m u)`, `-1/2 <= u <= 1/2`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CosineSum {
    name: &'static str,
    coefficients: &'static [f64],
}

macro_rules! windows {
    ($($name:ident, $text:literal, [$($a:expr),*];)*) => {
        $(
            #[doc = concat!("`", $text, "`")]
            pub const $name: CosineSum = CosineSum { name: $text, coefficients: &[$($a),*] };
        )*
        /// Every window named here.
        pub const ALL: &[CosineSum] = &[$($name),*];
    };
}

windows! {
    RECTANGULAR, "rectangular", [1.0];
    HANN, "hann", [0.5, 0.5];
    HAMMING, "hamming", [0.54, 0.46];
    BLACKMAN, "blackman", [0.42, 0.5, 0.08];
    EXACT_BLACKMAN, "exact-blackman", [7938.0 / 18608.0, 9240.0 / 18608.0, 1430.0 / 18608.0];
    BLACKMAN_HARRIS_3, "blackman-harris-3", [0.42323, 0.49755, 0.07922];
    BLACKMAN_HARRIS_4, "blackman-harris-4", [0.35875, 0.48829, 0.14128, 0.01168];
    NUTTALL_4B, "nuttall-4b", [0.355768, 0.487396, 0.144232, 0.012604];
    NUTTALL_4C, "nuttall-4c", [0.3635819, 0.4891775, 0.1365995, 0.0106411];
    FLAT_TOP, "flat-top", [1.0, 1.933, 1.286, 0.388, 0.0322];
    HFT70, "hft70", [1.0, 1.90796, 1.07349, 0.18199];
    HFT95, "hft95", [1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665];
    HFT90D, "hft90d", [1.0, 1.942604, 1.340318, 0.440811, 0.043097];
    HFT116D, "hft116d", [1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288];
    HFT144D, "hft144d",
        [1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360];
    HFT169D, "hft169d",
        [1.0, 1.97441843, 1.65409889, 0.95788187, 0.33673420, 0.06364622, 0.00521942, 0.00010599];
    HFT196D, "hft196d",
        [1.0, 1.979280420, 1.710288951, 1.081629853, 0.448734314, 0.112376628, 0.015122992,
         0.000871252, 0.000011896];
    HFT223D, "hft223d",
        [1.0, 1.98298997309, 1.75556083063, 1.19037717712, 0.56155440797, 0.17296769663,
         0.03233247087, 0.00324954578, 0.00013801040, 0.00000132725];
    HFT248D, "hft248d",
        [1.0, 1.985844164102, 1.791176438506, 1.282075284005, 0.667777530266, 0.240160796576,
         0.056656381764, 0.008134974479, 0.000624544650, 0.000019808998, 0.000000132974];
}

impl CosineSum {
    /// Short name, as in `reference-tables/windows`.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// `a_0, a_1, ...`
    #[must_use]
    pub fn coefficients(&self) -> &'static [f64] {
        self.coefficients
    }

    /// Value at `u` record lengths from the middle; 0 outside.
    #[must_use]
    pub fn value(&self, u: f64) -> f64 {
        if u.abs() > 0.5 {
            return 0.0;
        }
        let terms = self.coefficients.iter().enumerate();
        terms.map(|(m, a)| a * (2.0 * PI * m as f64 * u).cos()).sum()
    }

    /// Largest value, at the middle.
    fn peak(&self) -> f64 {
        self.coefficients.iter().sum()
    }

    /// Mean square over the record.
    fn mean_square(&self) -> f64 {
        let [first, rest @ ..] = self.coefficients else { return 0.0 };
        first * first + 0.5 * rest.iter().map(|a| a * a).sum::<f64>()
    }

    /// Transform at an offset of `bins`, 1 at zero offset.
    #[must_use]
    pub fn transform(&self, bins: f64) -> f64 {
        let terms = self.coefficients.iter().enumerate();
        let sum: f64 =
            terms.map(|(m, a)| 0.5 * a * (sinc(bins - m as f64) + sinc(bins + m as f64))).sum();
        sum / self.coefficients[0]
    }

    /// Mean over the record, re the peak.
    #[must_use]
    pub fn coherent_gain(&self) -> f64 {
        self.coefficients[0] / self.peak()
    }

    /// Equivalent noise bandwidth in bins; also the variance of a windowed amplitude estimate re
    /// the best possible.
    #[must_use]
    pub fn noise_bandwidth_bins(&self) -> f64 {
        self.mean_square() / (self.coefficients[0] * self.coefficients[0])
    }

    /// Deviation of largest magnitude within half a bin of zero offset, in decibels: the
    /// scalloping loss, or the flatness of a flat-top.
    #[must_use]
    pub fn deviation_db(&self) -> f64 {
        let level = |bins: f64| db(self.transform(bins).abs());
        let (top, bottom) = (highest(level, 0.0, 0.5), -highest(|bins| -level(bins), 0.0, 0.5));
        if top > -bottom { top } else { bottom }
    }

    /// Highest sidelobe in decibels: the largest magnitude beyond the first zero of the transform,
    /// searched over 40 bins.
    #[must_use]
    pub fn sidelobe_db(&self) -> f64 {
        let reach = self.coefficients.len() + 40;
        // A change of sign, or a zero at an integer offset, which rounding leaves near 1e-16.
        let crosses = |bins: &f64| self.transform(*bins) <= 1e-15;
        let first = (1..reach * 100).map(|i| i as f64 * 0.01).find(crosses);
        let first = first.unwrap_or(reach as f64);
        db(highest(|bins| self.transform(bins).abs(), first, reach as f64))
    }

    /// Variance of the frequency at the peak of the windowed transform, re the Cramér-Rao bound,
    /// for a complex exponential in white noise: `int u^2 w^2 int u^2 / (int u^2 w)^2`.
    #[must_use]
    pub fn frequency_variance(&self) -> f64 {
        // Integrals over the record of u^2 cos(2 pi m u): 1/12 at m = 0, else (-1)^m / (2 pi^2 m^2).
        let moment = |m: usize| match m {
            0 => 1.0 / 12.0,
            m => (if m % 2 == 0 { 0.5 } else { -0.5 }) / (PI * m as f64).powi(2),
        };
        let a = self.coefficients;
        let linear: f64 = a.iter().enumerate().map(|(m, a)| a * moment(m)).sum();
        let square: f64 = a
            .iter()
            .enumerate()
            .flat_map(|(m, am)| a.iter().enumerate().map(move |(n, an)| (m, n, am * an)))
            .map(|(m, n, product)| 0.5 * product * (moment(m + n) + moment(m.abs_diff(n))))
            .sum();
        square / 12.0 / (linear * linear)
    }
}

/// Highest value of `f` on an interval: the best of points 0.05 apart, each inner peak among them
/// refined by ternary search.
fn highest(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    const STEP: f64 = 0.05;
    let count = ((high - low) / STEP).round().max(1.0) as usize;
    let at = |i: usize| low + (high - low) * i as f64 / count as f64;
    let values: Vec<f64> = (0..=count).map(|i| f(at(i))).collect();
    let peaks = (1..count).filter(|&i| values[i] >= values[i - 1] && values[i] >= values[i + 1]);
    let refined = peaks.map(|i| {
        let (mut left, mut right) = (at(i - 1), at(i + 1));
        // Each round keeps two thirds: 40 of them leave 1e-8 bins, where a peak is flat.
        for _ in 0..40 {
            let third = (right - left) / 3.0;
            if f(left + third) < f(right - third) { left += third } else { right -= third }
        }
        f(0.5 * (left + right))
    });
    refined.chain([values[0], values[count]]).fold(f64::NEG_INFINITY, f64::max)
}
