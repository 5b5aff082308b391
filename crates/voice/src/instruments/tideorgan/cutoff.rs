//! Where the filter cuts: base, key tracking, control, contour and vibrato, summed in octaves.

use fixed::types::{I1F31, I6F26};

use super::parameters::{CONTOUR, CUTOFF, FILTER_LFO, FILTER_WHEEL, TRACKING, gather};
use super::{octaves_q26, sum_q26};
use crate::control::{bend, tracking};
use crate::error::RangeError;
use crate::frequency;
use crate::math::rint;
use crate::parameter::Values;
use crate::phase::{Increment, Rate};

/// What both twins start from.
struct Setup {
    base: Increment,
    tracking: tracking::Setup,
    wheel: bend::Setup,
    contour_octaves: f64,
    lfo_octaves: f64,
}

impl Setup {
    fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        // Above half the rate it stands at half the rate, where the filter holds it down anyway.
        let cycles = values.of(&CUTOFF)? / f64::from(rate.hz());
        let bits = rint(cycles.min(0.5) * 4_294_967_296.0) as u32;
        Ok(Self {
            base: Increment::saturating_from_bits(bits),
            tracking: tracking::Setup::from_values(&Values(&gather(values, &TRACKING)?))?,
            wheel: bend::Setup::from_values(&Values(&gather(values, &FILTER_WHEEL)?))?,
            contour_octaves: values.of(&CONTOUR)?,
            lfo_octaves: values.of(&FILTER_LFO)?,
        })
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    base: Increment,
    law: tracking::Float,
    bend: bend::Float,
    contour: f32,
    lfo: f32,
    tracking: f32,
    wheel: f32,
}

impl Float {
    /// Stands at the pivot key with the control at rest.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let setup = Setup::new(rate, values)?;
        Ok(Self {
            base: setup.base,
            law: tracking::Float::new(&setup.tracking)?,
            bend: bend::Float::new(&setup.wheel)?,
            contour: setup.contour_octaves as f32,
            lfo: setup.lfo_octaves as f32,
            tracking: 0.0,
            wheel: 0.0,
        })
    }

    /// Another key sounds.
    pub fn key(&mut self, key: u8) {
        self.tracking = self.law.octaves(key);
    }

    /// The control moves.
    pub fn control(&mut self, code: u16) {
        self.wheel = self.bend.octaves(code.into());
    }

    /// The cutoff, as an increment.
    #[inline]
    pub fn tick(&mut self, contour: f32, lfo: f32) -> Increment {
        let octaves = self.tracking + self.wheel + self.contour * contour + self.lfo * lfo;
        frequency::float::exponential(self.base, octaves)
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    base: Increment,
    law: tracking::Fixed,
    bend: bend::Fixed,
    contour: i64,
    lfo: i64,
    tracking: I6F26,
    wheel: I6F26,
}

impl Fixed {
    /// Stands at the pivot key with the control at rest.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let setup = Setup::new(rate, values)?;
        Ok(Self {
            base: setup.base,
            law: tracking::Fixed::new(&setup.tracking)?,
            bend: bend::Fixed::new(&setup.wheel)?,
            contour: octaves_q26(setup.contour_octaves),
            lfo: octaves_q26(setup.lfo_octaves),
            tracking: I6F26::ZERO,
            wheel: I6F26::ZERO,
        })
    }

    /// Another key sounds.
    pub fn key(&mut self, key: u8) {
        self.tracking = self.law.octaves(key);
    }

    /// The control moves.
    pub fn control(&mut self, code: u16) {
        self.wheel = self.bend.octaves(code.into());
    }

    /// The cutoff, as an increment.
    #[inline]
    pub fn tick(&mut self, contour: I1F31, lfo: I1F31) -> Increment {
        let moved = [(self.contour, contour), (self.lfo, lfo)];
        frequency::fixed::exponential(self.base, sum_q26([self.tracking, self.wheel], moved))
    }
}
