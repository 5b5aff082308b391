//! Where both oscillators go: glide, bend and vibrato, summed in octaves from A4.

use fixed::types::{I1F31, I6F26};

use super::parameters::{BEND, DETUNE, GLIDE, INTERVAL, PITCH_LFO, TUNE, gather};
use super::{octaves_q26, sum_q26};
use crate::contours::{Contour, KeyEvent, glide};
use crate::control::bend;
use crate::error::RangeError;
use crate::frequency;
use crate::math::exp2;
use crate::parameter::Values;
use crate::phase::{Increment, Rate};

/// What both twins start from.
struct Setup {
    glide: glide::Setup,
    bend: bend::Setup,
    /// Increments of both oscillators at A4: the interval costs no rounding of its own.
    bases: [Increment; 2],
    depth_octaves: f64,
}

impl Setup {
    fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let tune = values.of(&TUNE)?;
        let interval = 100.0 * values.of(&INTERVAL)? + values.of(&DETUNE)?;
        let base = |cents: f64| rate.increment(440.0 * exp2(cents / 1200.0));
        Ok(Self {
            glide: glide::Setup::from_values(&Values(&gather(values, &GLIDE)?))?,
            bend: bend::Setup::from_values(&Values(&gather(values, &BEND)?))?,
            bases: [base(tune)?, base(tune + interval)?],
            depth_octaves: values.of(&PITCH_LFO)? / 1200.0,
        })
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    glide: glide::Float,
    bend: bend::Float,
    bases: [Increment; 2],
    depth: f32,
    wheel: f32,
}

impl Float {
    /// Stands at A4 with the wheel at rest.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let setup = Setup::new(rate, values)?;
        Ok(Self {
            glide: glide::Float::new(rate, &setup.glide)?,
            bend: bend::Float::new(&setup.bend)?,
            bases: setup.bases,
            depth: setup.depth_octaves as f32,
            wheel: 0.0,
        })
    }

    /// A key changes.
    pub fn event(&mut self, event: KeyEvent) {
        self.glide.event(event);
    }

    /// The wheel moves.
    pub fn bend(&mut self, code: u16) {
        self.wheel = self.bend.octaves(code.into());
    }

    /// Increments of both oscillators.
    #[inline]
    pub fn tick(&mut self, lfo: f32) -> [Increment; 2] {
        let octaves = self.glide.tick() + self.wheel + self.depth * lfo;
        self.bases.map(|base| frequency::float::exponential(base, octaves))
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    glide: glide::Fixed,
    bend: bend::Fixed,
    bases: [Increment; 2],
    depth: i64,
    wheel: I6F26,
}

impl Fixed {
    /// Stands at A4 with the wheel at rest.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let setup = Setup::new(rate, values)?;
        Ok(Self {
            glide: glide::Fixed::new(rate, &setup.glide)?,
            bend: bend::Fixed::new(&setup.bend)?,
            bases: setup.bases,
            depth: octaves_q26(setup.depth_octaves),
            wheel: I6F26::ZERO,
        })
    }

    /// A key changes.
    pub fn event(&mut self, event: KeyEvent) {
        self.glide.event(event);
    }

    /// The wheel moves.
    pub fn bend(&mut self, code: u16) {
        self.wheel = self.bend.octaves(code.into());
    }

    /// Increments of both oscillators.
    #[inline]
    pub fn tick(&mut self, lfo: I1F31) -> [Increment; 2] {
        let octaves = sum_q26([self.glide.tick(), self.wheel], [(self.depth, lfo)]);
        self.bases.map(|base| frequency::fixed::exponential(base, octaves))
    }
}
