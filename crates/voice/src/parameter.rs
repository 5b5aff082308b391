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
        Self { name, unit, min, max, default, choices: &[], per_point: false }
    }

    /// One of several words; the first is the default.
    pub const fn choice(name: &'static str, choices: &'static [&'static str]) -> Self {
        let max = choices.len() as f64 - 1.0;
        Self { name, unit: "", min: 0.0, max, default: 0.0, choices, per_point: false }
    }

    /// The same parameter, once for every point of a contour.
    pub const fn per_point(self) -> Self {
        Self { per_point: true, ..self }
    }

    /// Holds a value against the range.
    ///
    /// # Errors
    /// The value lies outside `min` to `max`, or is not a number.
    pub fn check(&self, value: f64) -> Result<f64, RangeError> {
        in_range(self.name, value, self.min, self.max, self.unit)
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

    /// The index of a choice.
    ///
    /// # Errors
    /// An index that stands for no word.
    pub fn choice(&self, parameter: &Parameter) -> Result<usize, RangeError> {
        let value = self.of(parameter)?;
        let index = value as usize;
        if index as f64 == value { Ok(index) } else { Err(parameter.refuse(value)) }
    }
}
