//! The ladder that is chosen, at a resonance that holds from construction on.

use fixed::types::I1F31;

use super::parameters::{FILTER, LADDER, RESONANCE, gather};
use crate::error::RangeError;
use crate::filters::{Filter, Resonance, Tuning, ladder, ladder_tanh};
use crate::parameter::Values;
use crate::phase::{Increment, Rate};

#[derive(Clone, Debug)]
#[allow(clippy::large_enum_variant, reason = "there is no heap to box the larger one on")]
enum Ladder<L, T> {
    Linear(L),
    Tanh(T),
}

impl<L, T> Ladder<L, T> {
    #[inline]
    fn tick<S: Copy>(&mut self, input: S, tuning: &Tuning) -> S
    where
        L: Filter<S>,
        T: Filter<S>,
    {
        match self {
            Self::Linear(ladder) => ladder.tick(input, tuning),
            Self::Tanh(ladder) => ladder.tick(input, tuning),
        }
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    ladder: Ladder<ladder::Float, ladder_tanh::Float>,
    resonance: Resonance,
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let pairs = gather(values, &LADDER)?;
        let ladder = match values.choice(&FILTER)? {
            0 => Ladder::Linear(ladder::Float::new(rate, &Values(&pairs))?),
            _ => Ladder::Tanh(ladder_tanh::Float::new(rate, &Values(&pairs))?),
        };
        Ok(Self { ladder, resonance: Resonance::new(values.of(&RESONANCE)?)? })
    }

    /// Filters one sample.
    #[inline]
    pub fn tick(&mut self, input: f32, cutoff: Increment) -> f32 {
        self.ladder.tick(input, &Tuning { cutoff, resonance: self.resonance })
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    ladder: Ladder<ladder::Fixed, ladder_tanh::Fixed>,
    resonance: Resonance,
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let pairs = gather(values, &LADDER)?;
        let ladder = match values.choice(&FILTER)? {
            0 => Ladder::Linear(ladder::Fixed::new(rate, &Values(&pairs))?),
            _ => Ladder::Tanh(ladder_tanh::Fixed::new(rate, &Values(&pairs))?),
        };
        Ok(Self { ladder, resonance: Resonance::new(values.of(&RESONANCE)?)? })
    }

    /// Filters one sample.
    #[inline]
    pub fn tick(&mut self, input: I1F31, cutoff: Increment) -> I1F31 {
        self.ladder.tick(input, &Tuning { cutoff, resonance: self.resonance })
    }
}
