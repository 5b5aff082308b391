//! Amplifier: sound times contour times level.
//!
//! | | |
//! |---|---|
//! | Source  | y = x · contour · level · code/16383, by definition; the code smoothed by `control/smoothing.rs` |
//! | Units   | level 0 to 1; code 0 to 16383, at power-up 16383; time constant in s; full scale = 1.0; latency 0 |
//! | float   | f32, u = 2^-24: \|error\| ≤ 4.01u \|y\|, and that of the smoothed code |
//! | fixed   | slope Q.46, level and gain Q.31 rounded, output Q1.31 rounded; \|error\| ≤ (½ + 1¼ \|x\|) LSB, and that of the smoothed code |
//! | Usable  | float and fixed: any input; a contour of 0 gives exactly 0 |
//! | Checked | `tests/suite/level.rs::the_amplifier_multiplies_within_its_bound` |

use fixed::types::I1F31;

use crate::control::smoothing;
use crate::error::RangeError;
use crate::math::rint;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::q31::saturate;
use crate::registry::{About, Family};

/// How lists find this module.
pub const ENTRY: About = About {
    family: Family::Level,
    name: "amplifier",
    file: "level/amplifier.rs",
    summary: "sound times contour times level, the level's control smoothed",
    parameters: &[LEVEL, TAU],
};

/// Level with its control fully up.
pub const LEVEL: Parameter = Parameter::number("level", "of full scale", 0.0, 1.0, 1.0);
/// Time constant of the level's control.
pub const TAU: Parameter = Parameter::number("tau", "s", 0.0, 10.0, 0.005);

/// The largest code of the level's control.
pub const FULL_CODE: u16 = 16_383;

fn smoothing_setup(values: &Values<'_>) -> Result<smoothing::Setup, RangeError> {
    Ok(smoothing::Setup { tau_s: values.of(&TAU)?, hysteresis_codes: 0.0 })
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    /// Level per code.
    slope: f32,
    code: u16,
    smoothed: smoothing::Float,
}

impl Float {
    /// Starts with the control fully up.
    ///
    /// # Errors
    /// `level` or `tau` out of range.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let mut smoothed = smoothing::Float::new(rate, &smoothing_setup(values)?)?;
        smoothed.jump(FULL_CODE.into());
        let slope = values.of(&LEVEL)? / f64::from(FULL_CODE);
        Ok(Self { slope: slope as f32, code: FULL_CODE, smoothed })
    }

    /// Moves the control; a code beyond the last is the last.
    pub fn control(&mut self, code: u16) {
        self.code = code.min(FULL_CODE);
    }

    /// Amplifies one sample.
    #[inline]
    pub fn tick(&mut self, input: f32, contour: f32) -> f32 {
        let level = self.smoothed.next(self.code.into()) * self.slope;
        let gain = contour * level;
        input * gain
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    slope: i64,
    code: u16,
    smoothed: smoothing::Fixed,
}

impl Fixed {
    /// Starts with the control fully up.
    ///
    /// # Errors
    /// `level` or `tau` out of range.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let mut smoothed = smoothing::Fixed::new(rate, &smoothing_setup(values)?)?;
        smoothed.jump(FULL_CODE.into());
        // Q: level per code is at most 2^-13.99: Q.46 takes 33 bits.
        let slope = values.of(&LEVEL)? / f64::from(FULL_CODE) * (1_u64 << 46) as f64;
        Ok(Self { slope: rint(slope) as i64, code: FULL_CODE, smoothed })
    }

    /// Moves the control; a code beyond the last is the last.
    pub fn control(&mut self, code: u16) {
        self.code = code.min(FULL_CODE);
    }

    /// Amplifies one sample.
    #[inline]
    pub fn tick(&mut self, input: I1F31, contour: I1F31) -> I1F31 {
        let code = i64::from(self.smoothed.next(self.code.into()).to_bits());
        // Q: code in Q.16 below 2^30, product below 2^62.1 in Q.62, rounded to Q.31.
        let level = (code * self.slope + (1 << 30)) >> 31;
        // Q: |contour| and level ≤ 2^31, |input| ≤ 2^31: products ≤ 2^62, rounded to Q.31.
        let gain = (i64::from(contour.to_bits()) * level + (1 << 30)) >> 31;
        saturate((i64::from(input.to_bits()) * gain + (1 << 30)) >> 31)
    }
}
