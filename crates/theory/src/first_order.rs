//! First-order filters and the half-band decimator.
//!
//! | | |
//! |---|---|
//! | Source  | difference equations as written, responses derived here |
//! | Units   | `x` cycles per sample; responses as plain ratios |
//! | Checked | `tests/suite/theory/first_order.rs` |

use crate::{Complex64, ParameterError};
use std::f64::consts::PI;

/// `y += a (x - y)` with `a = 1 - exp(-2 pi fc/fs)`: the sampled step response of an RC section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnePole {
    a: f64,
}

impl OnePole {
    /// Tuned to `cutoff` cycles per sample.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff < 1/2`.
    pub fn new(cutoff: f64) -> Result<Self, ParameterError> {
        let inside = cutoff > 0.0 && cutoff < 0.5;
        ParameterError::check(inside, "fc/fs", cutoff, "0 < fc/fs < 0.5")?;
        Self::with_coefficient(-(-2.0 * PI * cutoff).exp_m1())
    }

    /// With this coefficient.
    ///
    /// # Errors
    /// `a` outside `0 < a <= 1`.
    pub fn with_coefficient(a: f64) -> Result<Self, ParameterError> {
        ParameterError::check(a > 0.0 && a <= 1.0, "a", a, "0 < a <= 1")?;
        Ok(Self { a })
    }

    /// The coefficient.
    #[must_use]
    pub const fn coefficient(&self) -> f64 {
        self.a
    }

    /// Response of `y`.
    #[must_use]
    pub fn low(&self, x: f64) -> Complex64 {
        // 1 - (1-a) z^-1 = (1 - z^-1) + a z^-1.
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        self.a / (one_minus_back(x) + self.a * back)
    }

    /// Response of `x - y`, the new `y`.
    #[must_use]
    pub fn high(&self, x: f64) -> Complex64 {
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        (1.0 - self.a) * one_minus_back(x) / (one_minus_back(x) + self.a * back)
    }

    /// Where the low-pass is 3.01 dB down, cycles per sample; none if it never falls that far.
    #[must_use]
    pub fn half_power(&self) -> Option<f64> {
        // a^2 = 4 (1-a) sin^2(w/2) at |y|^2 = 1/2.
        let sine = 0.5 * self.a / (1.0 - self.a).sqrt();
        (sine <= 1.0).then(|| sine.asin() / PI)
    }
}

/// Trapezoidal one-pole prewarped to `cutoff`: low-pass `1/(1 + j r)`, high-pass `j r/(1 + j r)`
/// with `r` the [`crate::ladder::warped_ratio`].
#[must_use]
pub fn trapezoidal(x: f64, cutoff: f64) -> (Complex64, Complex64) {
    let s = Complex64::new(0.0, crate::ladder::warped_ratio(x, cutoff));
    let low = 1.0 / (1.0 + s);
    (low, s * low)
}

/// `y[n] = x[n] - x[n-1] + r y[n-1]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DcBlocker {
    r: f64,
}

impl DcBlocker {
    /// With its pole at `r`.
    ///
    /// # Errors
    /// `r` outside `0 <= r < 1`.
    pub fn new(r: f64) -> Result<Self, ParameterError> {
        ParameterError::check((0.0..1.0).contains(&r), "r", r, "0 <= r < 1")?;
        Ok(Self { r })
    }

    /// The blocker whose response is 3.01 dB below that at half the rate at `cutoff` cycles per
    /// sample: `r = (1 - t)/(1 + t)`, `t = tan(pi cutoff)`.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff <= 1/4`.
    pub fn with_half_power(cutoff: f64) -> Result<Self, ParameterError> {
        let inside = cutoff > 0.0 && cutoff <= 0.25;
        ParameterError::check(inside, "fc/fs", cutoff, "0 < fc/fs <= 0.25")?;
        let t = (PI * cutoff).tan();
        // At a quarter of the rate t is 1 up to rounding.
        Self::new(((1.0 - t) / (1.0 + t)).max(0.0))
    }

    /// The pole.
    #[must_use]
    pub const fn pole(&self) -> f64 {
        self.r
    }

    /// Response; `2/(1+r)` at half the rate.
    #[must_use]
    pub fn response(&self, x: f64) -> Complex64 {
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        let step = one_minus_back(x);
        step / (step + (1.0 - self.r) * back)
    }

    /// Where the response is 3.01 dB below that at half the rate, cycles per sample.
    #[must_use]
    pub fn half_power(&self) -> f64 {
        ((1.0 - self.r) / (1.0 + self.r)).atan() / PI
    }
}

/// `1 - z^-1` without the cancellation at low frequencies.
fn one_minus_back(x: f64) -> Complex64 {
    Complex64::from_polar(2.0 * (PI * x).sin(), PI * (0.5 - x))
}

/// Half-band filter of odd length: middle tap 1/2, every other tap zero, symmetric.
#[derive(Debug, Clone, PartialEq)]
pub struct HalfBand {
    taps: Vec<f64>,
}

impl HalfBand {
    /// From the taps to one side at odd distances 1, 3, 5, ... from the middle.
    ///
    /// # Errors
    /// No taps, or taps whose sum is off 1/4 by more than `1e-3`: then 0 Hz would not pass at 1.
    pub fn new(taps: &[f64]) -> Result<Self, ParameterError> {
        ParameterError::check(!taps.is_empty(), "taps", 0.0, "at least 1")?;
        let sum: f64 = taps.iter().sum();
        let close = (sum - 0.25).abs() <= 1e-3;
        ParameterError::check(close, "sum of taps", sum, "1/4 within 1e-3")?;
        Ok(Self { taps: taps.to_vec() })
    }

    /// Response about the middle tap, which is real: `1/2 + 2 sum h_d cos(2 pi d x)`, `d` odd.
    /// `response(x) + response(1/2 - x)` is 1.
    #[must_use]
    pub fn response(&self, x: f64) -> f64 {
        let taps = self.taps.iter().enumerate();
        0.5 + taps
            .map(|(i, tap)| 2.0 * tap * (2.0 * PI * (2 * i + 1) as f64 * x).cos())
            .sum::<f64>()
    }

    /// Largest `|response|` from `1/2 - edge` to 1/2, which is also the largest deviation from 1
    /// from 0 to `edge`.
    #[must_use]
    pub fn ripple(&self, edge: f64) -> f64 {
        // 64 points per ripple miss the top of one by 3e-4 of it.
        let points = 64 * (self.taps.len() as u32 + 1);
        let at = |i: u32| 0.5 - edge * f64::from(i) / f64::from(points);
        (0..=points).map(|i| self.response(at(i)).abs()).fold(0.0, f64::max)
    }
}
