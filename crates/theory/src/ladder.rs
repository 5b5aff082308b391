//! The four-pole ladder with feedback: analogue closed forms and three discretisations.
//!
//! | | |
//! |---|---|
//! | Source  | `H(s) = 1/((1+s)^4 + k)`: Stilson & Smith, ICMC 1996, pp. 398-401, from memory, formulas derived here; compensation polynomials: Välimäki & Huovilainen, CMJ 30(2):19-31, 2006, from memory |
//! | Units   | `ratio` frequency over pole frequency; `x` cycles per sample; `k` feedback, 4 at self-oscillation; gains as plain ratios |
//! | Error   | closed forms below 1e-13 relative, the peak below `k = 3.999` included |
//! | Checked | `tests/suite/theory/ladder.rs` |

use crate::{Complex64, ParameterError};
use std::f64::consts::PI;

/// The analogue ladder, frequencies as multiples of the frequency of its poles without feedback.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ladder {
    k: f64,
}

/// Weights of the input node and the four stages, `sum over n of w_n y_n`.
pub type Mix = [f64; 5];

/// Usual mixes. Each is `numerator(s) / ((1+s)^4 + k)` with the numerator named beside it.
pub mod mixes {
    use super::Mix;

    /// `(1+s)^3`: after one pole.
    pub const LOW_1: Mix = [0.0, 1.0, 0.0, 0.0, 0.0];
    /// `(1+s)^2`: after two poles.
    pub const LOW_2: Mix = [0.0, 0.0, 1.0, 0.0, 0.0];
    /// `1+s`: after three poles.
    pub const LOW_3: Mix = [0.0, 0.0, 0.0, 1.0, 0.0];
    /// `1`: after four poles.
    pub const LOW_4: Mix = [0.0, 0.0, 0.0, 0.0, 1.0];
    /// `2 s (1+s)^2`: 6 dB per octave to either side.
    pub const BAND_2: Mix = [0.0, 2.0, -2.0, 0.0, 0.0];
    /// `4 s^2`: 12 dB per octave to either side.
    pub const BAND_4: Mix = [0.0, 0.0, 4.0, -8.0, 4.0];
    /// `s (1+s)^3`.
    pub const HIGH_1: Mix = [1.0, -1.0, 0.0, 0.0, 0.0];
    /// `s^2 (1+s)^2`.
    pub const HIGH_2: Mix = [1.0, -2.0, 1.0, 0.0, 0.0];
    /// `s^4`: 24 dB per octave.
    pub const HIGH_4: Mix = [1.0, -4.0, 6.0, -4.0, 1.0];
}

/// A maximum of `|H|`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency over pole frequency.
    pub ratio: f64,
    /// `|H|` there.
    pub gain: f64,
}

impl Ladder {
    /// A ladder with feedback `k`.
    ///
    /// # Errors
    /// `k` outside `0 <= k < infinity`. From 4 on it is unstable: its response still exists, as a
    /// formula.
    pub fn new(k: f64) -> Result<Self, ParameterError> {
        ParameterError::check(k >= 0.0 && k.is_finite(), "k", k, "0 <= k < infinity")?;
        Ok(Self { k })
    }

    /// The ladder whose dominant poles have this `quality`: with `m = sqrt(4 Q^2 - 1)`,
    /// `k = 4 (m/(m+1))^4`.
    ///
    /// # Errors
    /// `quality` outside `0.5 <= Q < infinity`.
    pub fn with_quality(quality: f64) -> Result<Self, ParameterError> {
        let inside = quality >= 0.5 && quality.is_finite();
        ParameterError::check(inside, "quality", quality, "0.5 <= Q < infinity")?;
        // 4 Q^2 - 1 as a product: nothing cancels near 1/2.
        let m = ((2.0 * quality - 1.0) * (2.0 * quality + 1.0)).sqrt();
        Self::new(4.0 * (m / (m + 1.0)).powi(4))
    }

    /// Feedback.
    #[must_use]
    pub const fn k(&self) -> f64 {
        self.k
    }

    /// Response at the output of the fourth stage.
    #[must_use]
    pub fn response(&self, ratio: f64) -> Complex64 {
        self.mix(&mixes::LOW_4, ratio)
    }

    /// Response of a mix of the input node and the stages.
    #[must_use]
    pub fn mix(&self, weights: &Mix, ratio: f64) -> Complex64 {
        self.mix_at(weights, Complex64::new(0.0, ratio))
    }

    /// Value of a mix at `s`.
    fn mix_at(&self, weights: &Mix, s: Complex64) -> Complex64 {
        // In powers of s the weights of a high-pass sum to exact zeros; in powers of 1 + s they
        // would cancel only up to rounding, and that at every frequency.
        const POWERS: [[f64; 5]; 5] = [
            [1.0, 4.0, 6.0, 4.0, 1.0],
            [1.0, 3.0, 3.0, 1.0, 0.0],
            [1.0, 2.0, 1.0, 0.0, 0.0],
            [1.0, 1.0, 0.0, 0.0, 0.0],
            [1.0, 0.0, 0.0, 0.0, 0.0],
        ];
        let numerator = (0..5).rev().fold(Complex64::ZERO, |sum, power| {
            let at: f64 = weights.iter().zip(POWERS).map(|(w, row)| w * row[power]).sum();
            sum * s + at
        });
        numerator / self.denominator(s)
    }

    /// `(1+s)^4 + k` as the product of its two quadratics: near a pole the sum would cancel.
    fn denominator(&self, s: Complex64) -> Complex64 {
        // (1+s)^4 + 4 g^4 = ((1+s)^2 - 2 g (1+s) + 2 g^2) ((1+s)^2 + 2 g (1+s) + 2 g^2).
        let g = self.g();
        let quadratic = |g: f64| {
            let b = 1.0 - g;
            s * s + s * (2.0 * b) + (b * b + g * g)
        };
        quadratic(g) * quadratic(-g)
    }

    /// `k^(1/4) / sqrt 2`, 1 at self-oscillation.
    fn g(&self) -> f64 {
        (0.25 * self.k).sqrt().sqrt()
    }

    /// The poles `-1 +- g +- j g`, dominant pair first.
    #[must_use]
    pub fn poles(&self) -> [Complex64; 4] {
        let g = self.g();
        let pole = |re: f64, im: f64| Complex64::new(re - 1.0, im);
        [pole(g, g), pole(g, -g), pole(-g, g), pole(-g, -g)]
    }

    /// Gain at 0 Hz, `1/(1+k)`. Scaling the input by its inverse keeps the passband level.
    #[must_use]
    pub fn dc_gain(&self) -> f64 {
        1.0 / (1.0 + self.k)
    }

    /// `|H|` at the pole frequency, `1/|4-k|`.
    #[must_use]
    pub fn cutoff_gain(&self) -> f64 {
        1.0 / (4.0 - self.k).abs()
    }

    /// Frequency of the dominant poles over the pole frequency without feedback.
    #[must_use]
    pub fn pole_ratio(&self) -> f64 {
        let g = self.g();
        (1.0 - g).hypot(g)
    }

    /// Q of the dominant poles; infinite at `k = 4`, negative beyond.
    #[must_use]
    pub fn quality(&self) -> f64 {
        // 1 - g from 4 - k: near self-oscillation 1 - g itself has lost its digits.
        let g = self.g();
        let rest = (4.0 - self.k) / (4.0 * (1.0 + g) * (1.0 + g * g));
        self.pole_ratio() / (2.0 * rest)
    }

    /// The resonance peak; none for `k <= 1/3`.
    #[must_use]
    pub fn peak(&self) -> Option<Peak> {
        let k = self.k;
        if 3.0 * k <= 1.0 {
            return None;
        }
        // d|H|^-2/du = 0 is v^3 + k v - 4 k = 0 with v = 1 + u, which Cardano solves; the cubic
        // is rewritten so that its two roots do not cancel, then polished once.
        let r = (4.0 * k * k + k * k * k / 27.0).sqrt();
        let high = (2.0 * k + r).cbrt();
        let v = high - k / (3.0 * high);
        let v = v - (v * v * v + k * v - 4.0 * k) / (3.0 * v * v + k);
        let ratio = (v - 1.0).sqrt();
        Some(Peak { ratio, gain: self.response(ratio).norm() })
    }

    /// The frequency at which `|H|` has fallen to `1/sqrt 2` of its value at 0 Hz, above any
    /// peak.
    #[must_use]
    pub fn half_power_ratio(&self) -> f64 {
        // p(u) = |H|^-2 - 2 (1+k)^2 is convex and negative at 0: one positive root, and Newton's
        // method from above falls onto it.
        let k = self.k;
        let mut u = 4.0 + 2.0 * k;
        for _ in 0..60 {
            let v = 1.0 + u;
            let p =
                v.powi(4) + 2.0 * k * (1.0 - 6.0 * u + u * u) + k * k - 2.0 * (1.0 + k) * (1.0 + k);
            u -= p / (4.0 * v.powi(3) + 2.0 * k * (2.0 * u - 6.0));
        }
        u.sqrt()
    }
}

/// `tan(pi x) / tan(pi cutoff)`: the analogue frequency ratio that a trapezoidal filter prewarped
/// to `cutoff` shows at `x`, both in cycles per sample below 1/2.
#[must_use]
pub fn warped_ratio(x: f64, cutoff: f64) -> f64 {
    (PI * x).tan() / (PI * cutoff).tan()
}

/// Inverse of [`warped_ratio`]: where, in cycles per sample, the analogue `ratio` is found.
#[must_use]
pub fn unwarped(ratio: f64, cutoff: f64) -> f64 {
    (ratio * (PI * cutoff).tan()).atan() / PI
}

/// Error in cents of the bilinear transform without prewarping at `x` cycles per sample:
/// the cutoff lands at `atan(pi x)/pi`.
#[must_use]
pub fn unprewarped_cents(x: f64) -> f64 {
    1200.0 * ((PI * x).atan() / (PI * x)).log2()
}

/// A ladder of one-pole stages whose feedback is taken one sample late:
/// `y_n = g (1 + b z^-1)/(1 + b) / (1 - (1-g) z^-1) y_(n-1)`, input `x - k z^-1 y_4`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DelayedLadder {
    g: f64,
    zero: f64,
    scale: f64,
}

/// Where a loop starts to oscillate by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oscillation {
    /// Cycles per sample.
    pub x: f64,
    /// Feedback `k` in the loop at which it does.
    pub threshold: f64,
}

impl DelayedLadder {
    // As printed; that one of them resembles a logarithm is chance.
    #[allow(clippy::approx_constant)]
    const STAGE: [f64; 5] = [0.0, 0.9892, -0.4342, 0.1381, -0.0202];
    const FEEDBACK: [f64; 4] = [1.0029, 0.0526, -0.0926, 0.0218];

    /// The naive form: `g = 1 - exp(-2 pi cutoff)`, no zero, nominal threshold 4.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff < 1/2` cycles per sample.
    pub fn naive(cutoff: f64) -> Result<Self, ParameterError> {
        check_cutoff(cutoff)?;
        Ok(Self { g: -(-2.0 * PI * cutoff).exp_m1(), zero: 0.0, scale: 1.0 })
    }

    /// The compensated form: a zero at `-0.3` in each stage and polynomials in `w = 2 pi cutoff`
    /// for `g` and for `k = 4 r (1.0029 + ...)`, where `r = 1` should oscillate.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff < 1/2` cycles per sample.
    pub fn compensated(cutoff: f64) -> Result<Self, ParameterError> {
        check_cutoff(cutoff)?;
        let w = 2.0 * PI * cutoff;
        let horner = |terms: &[f64]| terms.iter().rev().fold(0.0, |sum, t| sum * w + t);
        let g = horner(&Self::STAGE);
        let scale = horner(&Self::FEEDBACK);
        Ok(Self { g, zero: 0.3, scale })
    }

    /// Coefficient of the stages.
    #[must_use]
    pub const fn g(&self) -> f64 {
        self.g
    }

    /// Feedback in the loop for a setting `r` of resonance that should oscillate at 1.
    #[must_use]
    pub fn feedback(&self, r: f64) -> f64 {
        4.0 * r * self.scale
    }

    /// Response of a stage at `x` cycles per sample.
    #[must_use]
    pub fn stage(&self, x: f64) -> Complex64 {
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        self.g * (1.0 + self.zero * back) / ((1.0 + self.zero) * (1.0 - (1.0 - self.g) * back))
    }

    /// Response of a mix at `x` cycles per sample with feedback `k` in the loop. The input node
    /// is what the first stage is given.
    #[must_use]
    pub fn mix(&self, weights: &Mix, k: f64, x: f64) -> Complex64 {
        let stage = self.stage(x);
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        let sum = weights.iter().rev().fold(Complex64::ZERO, |sum, w| sum * stage + w);
        sum / (1.0 + k * back * stage.powu(4))
    }

    /// Phase of the open loop plus half a turn, radians: zero where it can oscillate.
    fn lag(&self, w: f64) -> f64 {
        let (sin, cos) = w.sin_cos();
        let pole = 1.0 - self.g;
        let stage =
            (pole * sin).atan2(1.0 - pole * cos) + (self.zero * sin).atan2(1.0 + self.zero * cos);
        PI - w - 4.0 * stage
    }

    /// The lowest frequency below half the rate at which the loop can oscillate, and the exact
    /// feedback at which it does, by solving `1 + k z^-1 S(z)^4 = 0` on the unit circle. None if
    /// the phase reaches half a turn at half the rate only.
    #[must_use]
    pub fn oscillation(&self) -> Option<Oscillation> {
        // The phase always meets half a turn at w = pi; stay a hair below.
        const CELLS: u32 = 4096;
        let at = |i: u32| (PI - 1e-6) * f64::from(i) / f64::from(CELLS);
        let cell = (1..=CELLS).find(|i| self.lag(at(*i)) <= 0.0)?;
        let (mut low, mut high) = (at(cell - 1), at(cell));
        // 60 halvings exhaust the digits of f64.
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.lag(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let x = 0.5 * (low + high) / (2.0 * PI);
        Some(Oscillation { x, threshold: self.stage(x).norm().powi(-4) })
    }
}

fn check_cutoff(cutoff: f64) -> Result<(), ParameterError> {
    ParameterError::check(cutoff > 0.0 && cutoff < 0.5, "fc/fs", cutoff, "0 < fc/fs < 0.5")
}
