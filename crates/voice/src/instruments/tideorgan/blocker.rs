//! What keeps the mean of asymmetric pulses out of the amplifier, where it would thump with every
//! key and cost headroom.

use fixed::types::I1F31;

use super::parameters::DC_CUTOFF;
use crate::error::RangeError;
use crate::filters::{Filter, Resonance, Tuning, dc_blocker};
use crate::parameter::Values;
use crate::phase::Rate;

fn tuning(rate: Rate, values: &Values<'_>) -> Result<Tuning, RangeError> {
    let cutoff = rate.increment(values.of(&DC_CUTOFF)?)?;
    Ok(Tuning { cutoff, resonance: Resonance::default() })
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    tuning: Tuning,
    filter: dc_blocker::Float,
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let filter = dc_blocker::Float::new(rate, &Values(&[]))?;
        Ok(Self { tuning: tuning(rate, values)?, filter })
    }

    /// Filters one sample.
    #[inline]
    pub fn tick(&mut self, input: f32) -> f32 {
        self.filter.tick(input, &self.tuning)
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    tuning: Tuning,
    filter: dc_blocker::Fixed,
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let filter = dc_blocker::Fixed::new(rate, &Values(&[]))?;
        Ok(Self { tuning: tuning(rate, values)?, filter })
    }

    /// Filters one sample.
    #[inline]
    pub fn tick(&mut self, input: I1F31) -> I1F31 {
        self.filter.tick(input, &self.tuning)
    }
}
