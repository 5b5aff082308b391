//! Names, units and ranges of what a module can be told, and the figures it is told.

use crate::error::{RangeError, in_range};

/// Name, unit and range of one parameter; error texts, `list` and test generators read it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Name for `--set` and for plans.
    pub name: &'static str,
    /// Unit or further condition.
    pub unit: &'static str,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
    /// Value when nothing is said.
    pub default: f64,
    /// The words that stand for 0, 1, 2, ... where the parameter is a choice; else none.
    pub choices: &'static [&'static str],
    /// Whether only whole numbers make sense.
    pub whole: bool,
    /// Whether every point of a contour has its own, under the names `name-1`, `name-2`, ...
    pub per_point: bool,
}

impl Parameter {
    /// A figure in a unit.
    pub const fn number(
        name: &'static str,
        unit: &'static str,
        min: f64,
        max: f64,
        default: f64,
    ) -> Self {
        Self { name, unit, min, max, default, choices: &[], whole: false, per_point: false }
    }

    /// A whole number of things.
    pub const fn count(
        name: &'static str,
        unit: &'static str,
        min: f64,
        max: f64,
        default: f64,
    ) -> Self {
        Self { whole: true, ..Self::number(name, unit, min, max, default) }
    }

    /// One of several words; the first is the default.
    pub const fn choice(name: &'static str, choices: &'static [&'static str]) -> Self {
        let max = choices.len() as f64 - 1.0;
        Self { choices, ..Self::count(name, "", 0.0, max, 0.0) }
    }

    /// The same parameter, once for every point of a contour.
    pub const fn per_point(self) -> Self {
        Self { per_point: true, ..self }
    }

    /// Holds a value against the range.
    ///
    /// # Errors
    /// The value lies outside `min` to `max`, is not a number, or not a whole one where only
    /// those make sense.
    pub fn check(&self, value: f64) -> Result<f64, RangeError> {
        let value = in_range(self.name, value, self.min, self.max, self.unit)?;
        if self.whole && value != crate::math::rint(value) {
            return Err(self.refuse(value));
        }
        Ok(value)
    }

    /// The error for a value that the range alone does not exclude.
    pub(crate) fn refuse(&self, value: f64) -> RangeError {
        let Self { name: parameter, min, max, unit, .. } = *self;
        RangeError { parameter, value, min, max, unit }
    }
}

/// Figures by name, as a plan or a command line gives them; what is not named keeps its
/// default. A choice is given by the index of its word.
#[derive(Clone, Copy, Debug, Default)]
pub struct Values<'a>(pub &'a [(&'a str, f64)]);

impl Values<'_> {
    /// The value of a parameter, held against its range.
    ///
    /// # Errors
    /// See [`Parameter::check`].
    pub fn of(&self, parameter: &Parameter) -> Result<f64, RangeError> {
        let given = self.0.iter().rev().find(|(name, _)| *name == parameter.name);
        parameter.check(given.map_or(parameter.default, |(_, value)| *value))
    }

    /// The value of a parameter at a point of a contour, counted from 1: `time-3`.
    ///
    /// # Errors
    /// See [`Parameter::check`].
    pub fn at_point(&self, parameter: &Parameter, point: usize) -> Result<f64, RangeError> {
        let wanted = |name: &str| {
            let number = name.strip_prefix(parameter.name).and_then(|rest| rest.strip_prefix('-'));
            number.and_then(|number| number.parse().ok()) == Some(point)
        };
        let given = self.0.iter().rev().find(|(name, _)| wanted(name));
        parameter.check(given.map_or(parameter.default, |(_, value)| *value))
    }

    /// A whole number, of a parameter that takes no other.
    ///
    /// # Errors
    /// See [`Parameter::check`].
    pub fn count(&self, parameter: &Parameter) -> Result<u32, RangeError> {
        Ok(self.of(parameter)? as u32)
    }

    /// The index of a choice.
    ///
    /// # Errors
    /// An index that stands for no word.
    pub fn choice(&self, parameter: &Parameter) -> Result<usize, RangeError> {
        Ok(self.of(parameter)? as usize)
    }
}
