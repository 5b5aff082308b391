//! Second-order filters: the four outputs of a state-variable filter, and the two-integrator loop.
//!
//! | | |
//! |---|---|
//! | Source  | `H(s) = n(s)/(s^2 + s/Q + 1)`, any handbook; trapezoidal form: substitute [`crate::ladder::warped_ratio`]; loop: Chamberlin, Musical Applications of Microprocessors, 1980, from memory, z-domain derived here |
//! | Units   | `ratio` frequency over cutoff; `x` cycles per sample; gains as plain ratios |
//! | Checked | `tests/suite/theory/state_variable.rs` |

use crate::ladder::Peak;
use crate::{Complex64, ParameterError};
use std::f64::consts::PI;

/// Which output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Output {
    /// Numerator 1.
    Low,
    /// Numerator `s`: gain Q at the cutoff.
    Band,
    /// Numerator `s^2`.
    High,
    /// Numerator `s^2 + 1`: low and high together.
    Notch,
}

impl Output {
    /// All four.
    pub const ALL: [Self; 4] = [Self::Low, Self::Band, Self::High, Self::Notch];
}

fn check_quality(quality: f64) -> Result<(), ParameterError> {
    let inside = quality > 0.0 && quality.is_finite();
    ParameterError::check(inside, "quality", quality, "0 < Q < infinity")
}

/// Analogue second-order section, frequencies as multiples of its cutoff.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    quality: f64,
}

impl Section {
    /// A section of this `quality`.
    ///
    /// # Errors
    /// `quality` outside `0 < Q < infinity`.
    pub fn new(quality: f64) -> Result<Self, ParameterError> {
        check_quality(quality)?;
        Ok(Self { quality })
    }

    /// Response of one output.
    #[must_use]
    pub fn response(&self, output: Output, ratio: f64) -> Complex64 {
        // 1 - r^2 as a product keeps its digits next to the cutoff.
        let rest = (1.0 - ratio) * (1.0 + ratio);
        let top = match output {
            Output::Low => Complex64::new(1.0, 0.0),
            Output::Band => Complex64::new(0.0, ratio),
            Output::High => Complex64::new(-ratio * ratio, 0.0),
            Output::Notch => Complex64::new(rest, 0.0),
        };
        top / Complex64::new(rest, ratio / self.quality)
    }

    /// Peak of the low-pass: `Q / sqrt(1 - 1/4Q^2)` at `sqrt(1 - 1/2Q^2)`. None up to
    /// `Q = 1/sqrt 2`.
    #[must_use]
    pub fn low_peak(&self) -> Option<Peak> {
        let square = self.quality * self.quality;
        let inside = 1.0 - 0.5 / square;
        (inside > 0.0).then(|| Peak {
            ratio: inside.sqrt(),
            gain: self.quality / (1.0 - 0.25 / square).sqrt(),
        })
    }

    /// Peak of the high-pass: that of the low-pass with the frequency inverted.
    #[must_use]
    pub fn high_peak(&self) -> Option<Peak> {
        self.low_peak().map(|peak| Peak { ratio: 1.0 / peak.ratio, ..peak })
    }

    /// The two frequencies at which the band-pass is 3.01 dB down and the notch too. They lie
    /// `1/Q` apart, and their product is 1.
    #[must_use]
    pub fn half_power_ratios(&self) -> (f64, f64) {
        let half = 0.5 / self.quality;
        let high = half + half.hypot(1.0);
        (1.0 / high, high)
    }

    /// The frequency at which the low-pass has fallen to `1/sqrt 2` of its gain at 0 Hz.
    #[must_use]
    pub fn low_half_power_ratio(&self) -> f64 {
        // u^2 + (1/Q^2 - 2) u - 1 = 0, u the square of the ratio.
        let half = 0.5 * self.quality.powi(-2) - 1.0;
        let root = half.hypot(1.0);
        if half > 0.0 { 1.0 / (half + root) } else { root - half }.sqrt()
    }
}

/// Q of pair `pair`, lowest Q first, of a Butterworth low-pass of order `order`: `1/(2 cos)` of the
/// pole's angle to the negative real axis. Odd orders have a real pole besides.
///
/// # Errors
/// `order` outside 2..=32, `pair` outside 1..=order/2.
pub fn butterworth_quality(order: u32, pair: u32) -> Result<f64, ParameterError> {
    ParameterError::check((2..=32).contains(&order), "order", f64::from(order), "2..=32")?;
    let inside = (1..=order / 2).contains(&pair);
    ParameterError::check(inside, "pair", f64::from(pair), "1..=order/2")?;
    // Angles from the negative real axis: odd orders start at 0, even ones at half a step.
    let steps = if order.is_multiple_of(2) { f64::from(pair) - 0.5 } else { f64::from(pair) };
    Ok(0.5 / (PI * steps / f64::from(order)).cos())
}

/// The classic two-integrator loop, one integrator delayed:
/// `low += f band; high = x - low - q band; band += f high`, with `f = 2 sin(pi fc/fs)`, `q = 1/Q`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoIntegratorLoop {
    f: f64,
    q: f64,
}

impl TwoIntegratorLoop {
    /// A loop tuned to `cutoff` cycles per sample.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff < 1/2`, `quality` outside `0 < Q < infinity`.
    pub fn new(cutoff: f64, quality: f64) -> Result<Self, ParameterError> {
        let inside = cutoff > 0.0 && cutoff < 0.5;
        ParameterError::check(inside, "fc/fs", cutoff, "0 < fc/fs < 0.5")?;
        check_quality(quality)?;
        Ok(Self { f: 2.0 * (PI * cutoff).sin(), q: 1.0 / quality })
    }

    /// `f` and `q`.
    #[must_use]
    pub const fn coefficients(&self) -> (f64, f64) {
        (self.f, self.q)
    }

    /// `(a1, a2)` of the denominator `1 + a1 z^-1 + a2 z^-2` that all outputs share.
    #[must_use]
    pub fn denominator(&self) -> (f64, f64) {
        (self.f * (self.f + self.q) - 2.0, 1.0 - self.f * self.q)
    }

    /// True if both poles lie inside the unit circle: `q f < 2` and `f^2 + 2 q f < 4`.
    #[must_use]
    pub fn is_stable(&self) -> bool {
        let loss = self.f * self.q;
        loss < 2.0 && self.f * self.f + 2.0 * loss < 4.0
    }

    /// Exact response of one output at `x` cycles per sample. `Low` is the value that `high` of
    /// the same sample is made from.
    #[must_use]
    pub fn response(&self, output: Output, x: f64) -> Complex64 {
        let (f, q) = (self.f, self.q);
        let back = Complex64::from_polar(1.0, -2.0 * PI * x);
        // 1 - z^-1 = 2 sin(w/2) exp(j (pi - w)/2): no cancellation at low frequencies.
        let step = Complex64::from_polar(2.0 * (PI * x).sin(), PI * (0.5 - x));
        let bottom = step * step + f * back * (q * step + f);
        let (low, band, high) = (f * f * back, f * step, step * step);
        match output {
            Output::Low => low / bottom,
            Output::Band => band / bottom,
            Output::High => high / bottom,
            Output::Notch => (low + high) / bottom,
        }
    }

    /// Frequency in cycles per sample and radius of the poles; none if they are real.
    #[must_use]
    pub fn pole(&self) -> Option<(f64, f64)> {
        let (a1, a2) = self.denominator();
        // cos w = -a1 / (2 r); by the half angle, so that low frequencies keep their digits.
        let radius = a2.max(0.0).sqrt();
        // 1 + a1 + a2 = f^2 exactly; |1 - r|^2 + 2 r (1 - cos w) = f^2.
        let short = self.f * self.q / (1.0 + radius);
        let sine_square = (self.f * self.f - short * short) / (4.0 * radius);
        (a2 > 0.0 && sine_square > 0.0 && sine_square < 1.0 && a1.is_finite())
            .then(|| (sine_square.sqrt().asin() / PI, radius))
    }
}
