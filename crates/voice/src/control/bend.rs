//! Pitch bend: a 14-bit code to octaves.
//!
//! | | |
//! |---|---|
//! | Source  | octaves = (code − 8192)/8192 · range/12; two 7-bit bytes with 8192 at rest as in the MIDI 1.0 specification (from memory) |
//! | Units   | code 0 to 16383; range in semitones, 0 to 24; one code is 100·range/8192 cents: 0.0244 at ±2 semitones |
//! | float   | f32; \|error\| ≤ 2^-23 of the bend (0.000 29 cent at two octaves), 0 exact |
//! | fixed   | slope Q.50 in 64 bits, octaves rounded to Q6.26; \|error\| ≤ 2^-27 octave + 2^-38 (9e-6 cent), 0 exact |
//! | Usable  | float and fixed: every code; the top one is 1/8192 short of the range |
//! | Checked | `tests/suite/pitch_law.rs::every_bend_code_follows_its_definition` |

use ::fixed::types::I6F26;

use super::{ControlEntry, Law, Made};
use crate::error::RangeError;
use crate::math::rint;
use crate::parameter::{Parameter, Values};

/// Bend at the ends of the wheel.
pub const RANGE: Parameter = Parameter::number("range", "semitones", 0.0, 24.0, 2.0);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "bend",
    file: "control/bend.rs",
    summary: "pitch bend, 14-bit code to octaves",
    parameters: &[RANGE],
    unit: "octaves",
    codes: |values| values.of(&RANGE).map(|_| CODES),
    made: Made::Law {
        float: |_, values, lend| {
            lend(&Float::new(&Setup::from_values(values)?)?);
            Ok(())
        },
        fixed: |_, values, lend| {
            lend(&Fixed::new(&Setup::from_values(values)?)?);
            Ok(())
        },
    },
};

const CODES: u32 = 1 << 14;
/// The code of a wheel at rest.
pub const REST: u32 = CODES / 2;

/// Settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Bend at the ends of the wheel, in semitones, 0 to 24.
    pub range_semitones: f64,
}

impl Default for Setup {
    fn default() -> Self {
        Self { range_semitones: RANGE.default }
    }
}

impl Setup {
    /// Reads [`RANGE`].
    ///
    /// # Errors
    /// A value outside its range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { range_semitones: values.of(&RANGE)? })
    }

    fn octaves_per_code(&self) -> Result<f64, RangeError> {
        Ok(RANGE.check(self.range_semitones)? / (12.0 * f64::from(REST)))
    }
}

/// Signed distance from rest; a code beyond the last is the last.
#[inline(always)]
fn from_rest(code: u32) -> i32 {
    code.min(CODES - 1) as i32 - REST as i32
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    slope: f32,
}

impl Float {
    /// Takes the range.
    ///
    /// # Errors
    /// `range` outside 0 to 24 semitones.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        Ok(Self { slope: setup.octaves_per_code()? as f32 })
    }

    /// The bend in octaves.
    #[inline]
    pub fn octaves(&self, code: u32) -> f32 {
        from_rest(code) as f32 * self.slope
    }
}

impl Law for Float {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.octaves(code))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    slope: i64,
}

impl Fixed {
    /// Takes the range.
    ///
    /// # Errors
    /// `range` outside 0 to 24 semitones.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        // Q: octaves per code ≤ 2^-12: Q.50 takes 38 bits.
        Ok(Self { slope: rint(setup.octaves_per_code()? * (1_u64 << 50) as f64) as i64 })
    }

    /// The bend in octaves.
    #[inline]
    pub fn octaves(&self, code: u32) -> I6F26 {
        // Q: product ≤ 2^51, rounded from Q.50 to Q.26.
        I6F26::from_bits(((i64::from(from_rest(code)) * self.slope + (1 << 23)) >> 24) as i32)
    }
}

impl Law for Fixed {
    fn at(&self, code: u32) -> f64 {
        self.octaves(code).to_num()
    }
}
