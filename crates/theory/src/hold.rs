//! Images of a control that is updated only every `R` samples ("zipper noise").
//!
//! | | |
//! |---|---|
//! | Source  | hold and straight line as sums of `R` samples (Dirichlet kernel), derived here; images at multiples of the update rate: textbook (Oppenheim & Schafer) |
//! | Units   | frequencies in cycles per sample of the audio rate; levels as amplitude ratios |
//! | Error   | a few ulp |
//! | Checked | `tests/suite/theory/hold.rs`, `reference-tables/hold-images` |
//!
//! Updates every `R` samples repeat the line of the control at `m/R +- x` for every `m`, and what
//! fills the samples between is a filter: `sin(pi f R) / (R sin(pi f))` for a hold, its square for
//! a straight line. At an image `|sin(pi f R)|` is that of the control itself, so an image of a
//! hold lies at `sin(pi x) / sin(pi f)` of the control's own line, for any `R`.

use crate::{ParameterError, sinc};
use std::f64::consts::{PI, TAU};

/// What fills the samples between two updates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fill {
    /// The last value.
    Held,
    /// A straight line.
    Interpolated,
    /// The last value through `y += k (value - y)`.
    Smoothed {
        /// Coefficient, 0 < k <= 1.
        k: f64,
    },
}

/// One image of a sine control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Image {
    /// Multiple of the update rate that it belongs to, from 1.
    pub order: u32,
    /// Above that multiple, or below.
    pub above: bool,
    /// Its frequency, cycles per sample.
    pub x: f64,
    /// Its amplitude re the line of the control in the same output.
    pub ratio: f64,
}

/// A control updated every so many samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Updates {
    every: u32,
    fill: Fill,
}

impl Updates {
    /// Updates every `every` samples.
    ///
    /// # Errors
    /// `every` outside 1..=65536, `k` outside 0 < k <= 1.
    pub fn new(every: u32, fill: Fill) -> Result<Self, ParameterError> {
        let inside = (1..=65_536).contains(&every);
        ParameterError::check(inside, "every", f64::from(every), "1..=65536")?;
        if let Fill::Smoothed { k } = fill {
            ParameterError::check(k > 0.0 && k <= 1.0, "k", k, "0 < k <= 1")?;
        }
        Ok(Self { every, fill })
    }

    /// Magnitude of the filter that the fill is, at `x` cycles per sample; 1 at 0.
    #[must_use]
    pub fn gain(&self, x: f64) -> f64 {
        // sin(pi x R) / (R sin(pi x)) through sinc, which is safe at 0.
        let place = x - x.round();
        let hold = (sinc(place * f64::from(self.every)) / sinc(place)).abs();
        self.shaped(hold, x)
    }

    /// The gain that a hold of gain `hold` becomes at `x`.
    fn shaped(&self, hold: f64, x: f64) -> f64 {
        match self.fill {
            Fill::Held => hold,
            Fill::Interpolated => hold * hold,
            Fill::Smoothed { k } => hold * one_pole_gain(k, x),
        }
    }

    /// Every image up to half the sample rate of a sine control at `x` cycles per sample, rising
    /// in frequency.
    ///
    /// # Errors
    /// `x` outside 0 < x < 1/(2 every): at half the update rate the control is its own image.
    pub fn images(&self, x: f64) -> Result<Vec<Image>, ParameterError> {
        let every = f64::from(self.every);
        let inside = x > 0.0 && 2.0 * x * every < 1.0;
        ParameterError::check(inside, "x", x, "above 0, below half the update rate")?;
        let own = self.shaped(1.0, x);
        let sides = (1..=self.every / 2).flat_map(|order| [(order, false), (order, true)]);
        // For an even number of samples, above the last multiple lies its own mirror image.
        let images = sides.filter(|&(order, above)| !above || 2 * order < self.every);
        Ok(images
            .map(|(order, above)| {
                let multiple = f64::from(order) / every;
                let image_x = if above { multiple + x } else { multiple - x };
                let hold = (PI * x).sin() / (PI * image_x).sin();
                Image { order, above, x: image_x, ratio: self.shaped(hold, image_x) / own }
            })
            .collect())
    }
}

/// Magnitude at `x` cycles per sample of `y += k (input - y)`:
/// `k / sqrt(k^2 + 4 (1 - k) sin^2(pi x))`.
#[must_use]
pub fn one_pole_gain(k: f64, x: f64) -> f64 {
    // 1 - 2 q cos w + q^2 with q = 1 - k, without the loss of digits at small k and w.
    let half = (0.5 * TAU * x).sin();
    k / (k * k + 4.0 * (1.0 - k) * half * half).sqrt()
}
