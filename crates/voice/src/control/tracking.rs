//! Key tracking: how far a cutoff or a level follows the keyboard.
//!
//! | | |
//! |---|---|
//! | Source  | amount · (key − pivot)/12 octaves: 12 keys to the octave |
//! | Units   | key 0 to 127; amount −200 to 200 %, 100 % = octave for octave; pivot: the key that moves nothing; octaves |
//! | float   | f32, u = 2^-24: \|error\| ≤ 2u \|figure\| (7.2e-4 cent at 5 octaves); pivot between two keys: u (3 \|figure\| + 2/12 pivot) |
//! | fixed   | slope and offset Q.40, output Q6.26 rounded: \|error\| ≤ 0.504 LSB (9e-6 cent) |
//! | Usable  | float and fixed: all keys |
//! | Checked | `tests/suite/depth.rs::tracking_follows_all_128_keys` |

use fixed::types::I6F26;

use crate::control::{ControlEntry, Law, Made};
use crate::error::RangeError;
use crate::math::round;
use crate::parameter::{Parameter, Values};

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "tracking",
    file: "control/tracking.rs",
    summary: "key tracking: octaves per octave about a pivot key",
    parameters: &[AMOUNT, PIVOT],
    unit: "octaves",
    codes: |values| Setup::from_values(values).map(|_| u32::from(LARGEST_KEY) + 1),
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

/// How far the keyboard is followed.
pub const AMOUNT: Parameter = Parameter::number("amount", "%", -200.0, 200.0, 100.0);
/// The key that moves nothing.
pub const PIVOT: Parameter = Parameter::number("pivot", "key", 0.0, 127.0, 60.0);

const LARGEST_KEY: u8 = 127;

/// Settings that hold from construction on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// −200 to 200 %.
    pub amount_percent: f64,
    /// Key that moves nothing, 0 to 127; between two keys is allowed.
    pub pivot: f64,
}

impl Default for Setup {
    fn default() -> Self {
        Self { amount_percent: AMOUNT.default, pivot: PIVOT.default }
    }
}

impl Setup {
    /// Takes the settings by name.
    ///
    /// # Errors
    /// `amount` or `pivot` out of range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { amount_percent: values.of(&AMOUNT)?, pivot: values.of(&PIVOT)? })
    }

    /// Octaves per key, and the pivot.
    fn checked(&self) -> Result<(f64, f64), RangeError> {
        Ok((AMOUNT.check(self.amount_percent)? / 1200.0, PIVOT.check(self.pivot)?))
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    slope: f32,
    pivot: f32,
}

impl Float {
    /// Takes the settings.
    ///
    /// # Errors
    /// `amount_percent` outside −200 to 200, `pivot` outside 0 to 127.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let (slope, pivot) = setup.checked()?;
        Ok(Self { slope: slope as f32, pivot: pivot as f32 })
    }

    /// Octaves for a key; keys beyond 127 are taken as 127.
    #[inline]
    pub fn octaves(&self, key: u8) -> f32 {
        self.slope * (f32::from(key.min(LARGEST_KEY)) - self.pivot)
    }
}

impl Law for Float {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.octaves(code.min(LARGEST_KEY.into()) as u8))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    /// Octaves per key, Q.40.
    slope: i64,
    /// Octaves from key 0 to the pivot, Q.40.
    offset: i64,
}

impl Fixed {
    /// Takes the settings.
    ///
    /// # Errors
    /// `amount_percent` outside −200 to 200, `pivot` outside 0 to 127.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let (slope, pivot) = setup.checked()?;
        let q40 = |octaves: f64| round(octaves * (1_u64 << 40) as f64) as i64;
        Ok(Self { slope: q40(slope), offset: q40(slope * pivot) })
    }

    /// Octaves for a key; keys beyond 127 are taken as 127.
    #[inline]
    pub fn octaves(&self, key: u8) -> I6F26 {
        // Q: sum < 2^45 in Q.40, rounded to Q6.26.
        let octaves = i64::from(key.min(LARGEST_KEY)) * self.slope - self.offset;
        I6F26::from_bits(((octaves + (1 << 13)) >> 14) as i32)
    }
}

impl Law for Fixed {
    fn at(&self, code: u32) -> f64 {
        self.octaves(code.min(LARGEST_KEY.into()) as u8).to_num()
    }
}
