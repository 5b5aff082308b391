//! Output stage: samples to 16 bits, with or without dither.
//!
//! Dither is the sum of two uniform values of one step each (triangular, two steps wide), which
//! makes mean and power of the rounding error independent of the sound. A dithered output never
//! falls silent; `gated` adds none while its input is exactly 0.
//!
//! | | |
//! |---|---|
//! | Source  | Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40(5):355-375, 1992 (triangular dither; from memory); shift register of `oscillators/white.rs` |
//! | Units   | input full scale = 1.0; one step is 2^-15; dither within ±1 step in multiples of 2^-16; latency 0 |
//! | float   | f32; nearest, halves up; \|error\| ≤ ½ step + 2^-8 from the sums in f32, and the dither |
//! | fixed   | Q1.31 to Q1.15, nearest, halves up; \|error\| ≤ ½ step, and the dither; the same dither as the float twin |
//! | Usable  | float and fixed: any input; both saturate at −1 and 1 − 2^-15; what is no number gives 0 |
//! | Checked | `tests/suite/level.rs::the_output_rounds_to_the_nearest_and_dithers_in_a_triangle` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::math::floorf;
use crate::oscillators::white::Register;
use crate::parameter::{Parameter, Values};
use crate::registry::{About, Family, SEED};

/// How lists find this module.
pub const ENTRY: About = About {
    family: Family::Level,
    name: "output",
    file: "level/output.rs",
    summary: "16-bit output stage, saturating, with optional triangular dither",
    parameters: &[DITHER, SEED],
};

/// Whether the output is dithered: always, or while there is a sound.
pub const DITHER: Parameter = Parameter::choice("dither", &["off", "on", "gated"]);

/// Dither in integers, the same for both twins.
#[derive(Clone, Debug)]
struct Dither {
    on: bool,
    gated: bool,
    register: Register,
}

impl Dither {
    fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        let choice = values.choice(&DITHER)?;
        let register = Register::new(values.count(&SEED)?);
        Ok(Self { on: choice > 0, gated: choice == 2, register })
    }

    /// The next value in 2^-16 step, −2^16 to 2^16.
    #[inline(always)]
    fn draw(&mut self, silent: bool) -> i32 {
        if !self.on {
            return 0;
        }
        // The register moves on in silence too, or twins would part where one is silent first.
        let sum = (self.register.draw() >> 16) + (self.register.draw() >> 16);
        if self.gated && silent { 0 } else { sum }
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    dither: Dither,
}

impl Float {
    /// Takes the dither and its seed.
    ///
    /// # Errors
    /// `dither` or `seed` out of range.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { dither: Dither::new(values)? })
    }

    /// Rounds one sample.
    #[inline]
    pub fn tick(&mut self, input: f32) -> i16 {
        let dither = self.dither.draw(input == 0.0) as f32 * (1.0 / 65_536.0);
        // The cast saturates, and makes 0 of what is no number.
        floorf(input * 32_768.0 + (dither + 0.5)) as i16
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    dither: Dither,
}

impl Fixed {
    /// Takes the dither and its seed.
    ///
    /// # Errors
    /// `dither` or `seed` out of range.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { dither: Dither::new(values)? })
    }

    /// Rounds one sample.
    #[inline]
    pub fn tick(&mut self, input: I1F31) -> i16 {
        let dither = i64::from(self.dither.draw(input == I1F31::ZERO));
        // Q: one step is 2^16 LSB of Q1.31, so the dither needs no shift.
        let step = (i64::from(input.to_bits()) + (dither + (1 << 15))) >> 16;
        step.clamp(i16::MIN.into(), i16::MAX.into()) as i16
    }
}
