//! Mixer of two oscillators and noise.
//!
//! | | |
//! |---|---|
//! | Source  | y = ½ Σ gᵢ xᵢ, by definition; the half is headroom: three sources of ±0.5 at full gain stay within ±0.75 |
//! | Units   | gains 0 to 1; input and output full scale = 1.0; latency 0 |
//! | float   | f32; \|error\| ≤ 2^-23 Σ \|gᵢ xᵢ\| |
//! | fixed   | gains Q1.30, products and sum Q.61, rounded to Q1.31 and saturated; \|error\| ≤ ½ LSB (1 + Σ \|xᵢ\|) |
//! | Usable  | float and fixed: any input; inputs within ±0.5 never saturate |
//! | Checked | `tests/suite/level.rs::the_mixer_sums_within_its_bound` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::parameter::{Parameter, Values};
use crate::q31::saturate;
use crate::registry::{About, Family};
use crate::wide::fixed::coefficient;

/// How lists find this module.
pub const ENTRY: About = About {
    family: Family::Level,
    name: "mixer",
    file: "level/mixer.rs",
    summary: "two oscillators and noise to one, with headroom for all three",
    parameters: &[GAIN_A, GAIN_B, GAIN_NOISE],
};

/// Gain of the first oscillator.
pub const GAIN_A: Parameter = Parameter::number("gain-a", "times", 0.0, 1.0, 1.0);
/// Gain of the second oscillator.
pub const GAIN_B: Parameter = Parameter::number("gain-b", "times", 0.0, 1.0, 0.0);
/// Gain of the noise.
pub const GAIN_NOISE: Parameter = Parameter::number("gain-noise", "times", 0.0, 1.0, 0.0);

fn gains(values: &Values<'_>) -> Result<[f64; 3], RangeError> {
    Ok([values.of(&GAIN_A)?, values.of(&GAIN_B)?, values.of(&GAIN_NOISE)?])
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    gains: [f32; 3],
}

impl Float {
    /// Takes the gains.
    ///
    /// # Errors
    /// A gain outside 0 to 1.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { gains: gains(values)?.map(|gain| gain as f32) })
    }

    /// Mixes one sample of each source.
    #[inline]
    pub fn tick(&self, sources: [f32; 3]) -> f32 {
        let sum: f32 = self.gains.iter().zip(sources).map(|(gain, source)| gain * source).sum();
        0.5 * sum
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    gains: [i64; 3],
}

impl Fixed {
    /// Takes the gains.
    ///
    /// # Errors
    /// A gain outside 0 to 1.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { gains: gains(values)?.map(coefficient) })
    }

    /// Mixes one sample of each source.
    #[inline]
    pub fn tick(&self, sources: [I1F31; 3]) -> I1F31 {
        let products = self.gains.iter().zip(sources);
        // Q: three products of at most 2^61 each: sum below 2^63.
        let sum: i64 = products.map(|(gain, source)| gain * i64::from(source.to_bits())).sum();
        // Q: Q.61, halved and rounded to Q.31; saturates only for inputs beyond ±0.5.
        saturate((sum + (1 << 30)) >> 31)
    }
}
