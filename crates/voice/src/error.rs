//! The one error of this crate: a parameter outside its range.

use core::fmt;

/// A parameter was outside its range; nothing was changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeError {
    /// Name of the parameter, as `plumbtone list` prints it.
    pub parameter: &'static str,
    /// The value that was refused, in `unit`.
    pub value: f64,
    /// Smallest allowed value, in `unit`.
    pub min: f64,
    /// Largest allowed value, in `unit`.
    pub max: f64,
    /// Unit of the three figures, or a further condition such as "a power of two".
    pub unit: &'static str,
}

impl fmt::Display for RangeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { parameter, value, min, max, unit } = self;
        write!(f, "{parameter} = {value} is out of range: give {min} to {max} {unit}")
    }
}

impl core::error::Error for RangeError {}

/// Returns `value` when it lies in `min..=max`; NaN never does.
pub(crate) fn in_range(
    parameter: &'static str,
    value: f64,
    min: f64,
    max: f64,
    unit: &'static str,
) -> Result<f64, RangeError> {
    if value >= min && value <= max {
        Ok(value)
    } else {
        Err(RangeError { parameter, value, min, max, unit })
    }
}
