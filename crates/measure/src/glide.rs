//! Readings of a pitch trace in octaves: when it arrives, and how far two paths part.
//!
//! Exact to the sample; levels to 2^-53 of the trace.

use crate::level;
use crate::reading::{Obstacle, within};

const CENTS_PER_OCTAVE: f64 = 1200.0;

/// How far two paths part, at most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PathDeviation {
    /// Subject less reference where they part most, in cents.
    pub cents: f64,
    /// The first sample with that deviation.
    pub index: usize,
}

/// The first sample from which the trace stays within `cents` of `target`, both in
/// octaves; `None` if its last sample is not.
///
/// # Errors
/// [`Obstacle::TooShort`] on an empty slice, [`Obstacle::NotFinite`], and
/// [`Obstacle::OutOfRange`] for a target that is not finite or cents that are not positive.
pub fn arrival(octaves: &[f64], target: f64, cents: f64) -> Result<Option<usize>, Obstacle> {
    level::finite(octaves)?;
    within("target in octaves", target, f64::MIN, f64::MAX)?;
    within("width in cents", cents, f64::MIN_POSITIVE, f64::MAX)?;
    let far = |x: &f64| (x - target).abs() * CENTS_PER_OCTAVE > cents;
    let arrived = octaves.iter().rposition(far).map_or(0, |last| last + 1);
    Ok((arrived < octaves.len()).then_some(arrived))
}

/// The largest deviation of one path from another, both in octaves.
///
/// # Errors
/// [`Obstacle::WrongLength`] if they differ in length, [`Obstacle::TooShort`],
/// [`Obstacle::NotFinite`].
pub fn path_deviation(subject: &[f64], reference: &[f64]) -> Result<PathDeviation, Obstacle> {
    if subject.len() != reference.len() {
        return Err(Obstacle::WrongLength { have: subject.len(), need: reference.len() });
    }
    level::finite(subject)?;
    level::finite(reference)?;
    let mut most = PathDeviation { cents: 0.0, index: 0 };
    for (index, (s, r)) in subject.iter().zip(reference).enumerate() {
        let cents = (s - r) * CENTS_PER_OCTAVE;
        if cents.abs() > most.cents.abs() {
            most = PathDeviation { cents, index };
        }
    }
    Ok(most)
}
