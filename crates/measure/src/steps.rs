//! Steps between neighbouring samples, and excursions beyond a level.
//!
//! Exact: a step is one subtraction, right to 2^-53 of the samples.

use crate::level;
use crate::reading::{Obstacle, within};
use std::ops::Range;

/// The largest step a range of samples may show.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// Samples that the bound holds for; a step belongs to the sample it leads to.
    pub samples: Range<usize>,
    /// Largest step allowed, as a magnitude; full scale = 1.0, above 0.
    pub bound: f64,
}

/// A step between two neighbouring samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Index of the sample that the step leads to.
    pub index: usize,
    /// That sample less the one before, full scale = 1.0.
    pub size: f64,
}

/// The step that comes nearest to its bound, or exceeds it most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoundedStep {
    /// The step.
    pub step: Step,
    /// The bound it was held against.
    pub bound: f64,
    /// Magnitude over bound: above 1 is a click.
    pub ratio: f64,
}

/// An excursion beyond a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overshoot {
    /// How far beyond the level, full scale = 1.0; 0 if nowhere.
    pub amount: f64,
    /// The first sample that far beyond.
    pub index: usize,
}

/// The largest step of a trace, the first of equals.
///
/// # Errors
/// [`Obstacle::TooShort`] below two samples, [`Obstacle::NotFinite`].
pub fn largest(samples: &[f64]) -> Result<Step, Obstacle> {
    let whole = Region { samples: 0..samples.len(), bound: 1.0 };
    Ok(worst(samples, &[whole])?.step)
}

/// The step with the largest ratio to the bound of its region, the first of equals.
///
/// # Errors
/// [`Obstacle::TooShort`] below two samples, where a region reaches beyond the samples, or
/// where no region holds a step; [`Obstacle::NotFinite`]; [`Obstacle::OutOfRange`] for a
/// bound that is not positive.
pub fn worst(samples: &[f64], regions: &[Region]) -> Result<BoundedStep, Obstacle> {
    level::finite(samples)?;
    let mut worst: Option<BoundedStep> = None;
    for region in regions {
        let bound = within("largest step allowed", region.bound, f64::MIN_POSITIVE, f64::MAX)?;
        if region.samples.end > samples.len() {
            return Err(Obstacle::TooShort { have: samples.len(), need: region.samples.end });
        }
        for index in region.samples.start.max(1)..region.samples.end {
            let size = samples[index] - samples[index - 1];
            let ratio = size.abs() / bound;
            if worst.is_none_or(|w| ratio > w.ratio) {
                worst = Some(BoundedStep { step: Step { index, size }, bound, ratio });
            }
        }
    }
    worst.ok_or(Obstacle::TooShort { have: samples.len().min(1), need: 2 })
}

/// How far the trace goes beyond `level`: above it if `rising`, below it otherwise.
///
/// # Errors
/// [`Obstacle::TooShort`] on an empty slice, [`Obstacle::NotFinite`], and
/// [`Obstacle::OutOfRange`] for a level that is not finite.
pub fn overshoot(samples: &[f64], level: f64, rising: bool) -> Result<Overshoot, Obstacle> {
    level::finite(samples)?;
    within("level", level, f64::MIN, f64::MAX)?;
    let mut most = Overshoot { amount: 0.0, index: 0 };
    for (index, x) in samples.iter().enumerate() {
        let amount = if rising { x - level } else { level - x };
        if amount > most.amount {
            most = Overshoot { amount, index };
        }
    }
    Ok(most)
}
