//! How long a signal takes to stay near where it ends.

use crate::level;
use crate::reading::{Obstacle, within};

/// Approach of a signal to its final value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Samples after which it never leaves the band again; 0 if it never is outside.
    pub samples: usize,
    /// Largest excursion beyond the final value, seen from the first sample, full scale = 1.0.
    pub overshoot: f64,
    /// Largest distance from the final value after settling.
    pub remaining: f64,
}

/// Reads the settling of `samples` to within `tolerance` of `target`. None if the last sample still
/// lies outside.
///
/// # Errors
/// What [`level::finite`] refuses, [`Obstacle::OutOfRange`] for a tolerance that is not positive or a
/// target that is not finite.
pub fn settling(
    samples: &[f64],
    target: f64,
    tolerance: f64,
) -> Result<Option<Settling>, Obstacle> {
    level::finite(samples)?;
    within("tolerance", tolerance, f64::MIN_POSITIVE, f64::MAX)?;
    within("target", target, f64::MIN, f64::MAX)?;
    let after = samples.iter().rposition(|x| (x - target).abs() > tolerance).map_or(0, |i| i + 1);
    if after == samples.len() {
        return Ok(None);
    }
    let direction = if target >= samples[0] { 1.0 } else { -1.0 };
    let past = samples.iter().map(|x| direction * (x - target));
    let distance = samples[after..].iter().map(|x| (x - target).abs());
    Ok(Some(Settling {
        samples: after,
        overshoot: past.fold(0.0, f64::max),
        remaining: distance.fold(0.0, f64::max),
    }))
}
