//! Modulation depth with its unit: what a knob at full travel means.
//!
//! | | |
//! |---|---|
//! | Source  | 1200 cents per octave; 1 V per octave; 100 percent = 1 |
//! | Units   | x: knob or modulating signal, −1 to 1; cents, octaves and volts make octaves, percent makes a fraction of level or width; code: 0 to 2^bits − 1 |
//! | float   | f32: \|error\| ≤ 2u \|figure\| from x, 4u \|figure\| from a code, u = 2^-24; 8.3 octaves: 2.4e-3 cent |
//! | fixed   | x Q1.31; octaves Q6.26, \|error\| ≤ 1 LSB (1.8e-5 cent) from x, (1 + 1/32 per octave) LSB from a code; fraction Q1.31, ≤ 1 LSB from x, 2 LSB from a code; both rounded |
//! | Usable  | float and fixed: 10 000 cents, 31 octaves or volts, 100 percent |
//! | Checked | `tests/suite/depth.rs::every_unit_means_what_it_says_at_every_code` |

use fixed::types::{I1F31, I6F26};

use crate::control::{BITS, ControlEntry, Law, Made};
use crate::error::RangeError;
use crate::math::round;
use crate::parameter::{Parameter, Values};
use crate::q31::{ONE, coefficient};

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "depth",
    file: "control/depth.rs",
    summary: "modulation depth in cents, octaves, volts or percent",
    parameters: &[BITS, AMOUNT, UNIT],
    unit: "octaves (percent: fraction)",
    codes: |values| Ok(1 << Setup::from_values(values)?.bits),
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

/// Depth at full travel; what the unit allows may be less.
pub const AMOUNT: Parameter = Parameter::number("amount", "of the unit", 0.0, 10_000.0, 10.0);
/// Unit of the depth.
pub const UNIT: Parameter = Parameter::choice("unit", &["cents", "octaves", "volts", "percent"]);

/// Unit of a depth.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unit {
    /// 1200 to the octave.
    #[default]
    Cents,
    /// Doublings of the frequency.
    Octaves,
    /// 1 V per octave.
    Volts,
    /// Of level or width.
    Percent,
}

impl Unit {
    /// All units, in the order of their words in [`UNIT`].
    pub const ALL: [Self; 4] = [Self::Cents, Self::Octaves, Self::Volts, Self::Percent];

    /// The largest amount: what Q6.26 octaves and a Q1.31 fraction hold.
    const fn range(self) -> Parameter {
        let (unit, max) = match self {
            Self::Cents => ("cents", 10_000.0),
            Self::Octaves => ("octaves", 31.0),
            Self::Volts => ("volts", 31.0),
            Self::Percent => ("percent", 100.0),
        };
        Parameter::number(AMOUNT.name, unit, 0.0, max, 0.0)
    }
}

/// Settings that hold from construction on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Resolution of the knob, 10 to 16.
    pub bits: u32,
    /// Depth at full travel: up to 10 000 cents, 31 octaves or volts, 100 percent.
    pub amount: f64,
    /// Unit of the amount.
    pub unit: Unit,
}

impl Default for Setup {
    fn default() -> Self {
        Self { bits: BITS.default as u32, amount: AMOUNT.default, unit: Unit::Cents }
    }
}

impl Setup {
    /// Takes the settings by name.
    ///
    /// # Errors
    /// `bits`, `amount` or `unit` out of range, or `bits` not whole.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let bits = values.count(&BITS)?;
        Ok(Self { bits, amount: values.of(&AMOUNT)?, unit: Unit::ALL[values.choice(&UNIT)?] })
    }

    /// The largest code, and octaves and fraction at full travel, one of which is 0.
    fn full(&self) -> Result<(u32, f64, f64), RangeError> {
        BITS.check(f64::from(self.bits))?;
        let amount = self.unit.range().check(self.amount)?;
        let (octaves, fraction) = match self.unit {
            Unit::Cents => (amount / 1200.0, 0.0),
            Unit::Octaves | Unit::Volts => (amount, 0.0),
            Unit::Percent => (0.0, amount / 100.0),
        };
        Ok(((1 << self.bits) - 1, octaves, fraction))
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    largest: u32,
    per_code: f32,
    octaves: f32,
    fraction: f32,
}

impl Float {
    /// Takes the settings.
    ///
    /// # Errors
    /// `bits` outside 10 to 16, or `amount` beyond what its unit allows.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let (largest, octaves, fraction) = setup.full()?;
        let per_code = (1.0 / f64::from(largest)) as f32;
        Ok(Self { largest, per_code, octaves: octaves as f32, fraction: fraction as f32 })
    }

    /// Position of a knob, 0 to 1; codes beyond the largest are taken as the largest.
    #[inline]
    pub fn position(&self, code: u32) -> f32 {
        code.min(self.largest) as f32 * self.per_code
    }

    /// Octaves at `x`, −1 to 1; always 0 when the depth is in percent.
    #[inline]
    pub fn octaves(&self, x: f32) -> f32 {
        self.octaves * x
    }

    /// Fraction at `x`, −1 to 1; always 0 when the depth is one of pitch.
    #[inline]
    pub fn fraction(&self, x: f32) -> f32 {
        self.fraction * x
    }
}

impl Law for Float {
    fn at(&self, code: u32) -> f64 {
        let x = self.position(code);
        // One of the two is 0.
        f64::from(self.octaves(x)) + f64::from(self.fraction(x))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    largest: u32,
    /// Position per code, Q.55.
    per_code: u64,
    /// Octaves at full travel, Q.26.
    octaves: i64,
    /// Fraction at full travel, Q.31.
    fraction: i64,
}

impl Fixed {
    /// Takes the settings.
    ///
    /// # Errors
    /// `bits` outside 10 to 16, or `amount` beyond what its unit allows.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let (largest, octaves, fraction) = setup.full()?;
        let per_code = round((1_u64 << 55) as f64 / f64::from(largest)) as u64;
        let octaves = round(octaves * f64::from(1 << 26)) as i64;
        Ok(Self { largest, per_code, octaves, fraction: coefficient(fraction) })
    }

    /// Position of a knob, 0 to 1 − 2^-31; codes beyond the largest are taken as the largest.
    #[inline]
    pub fn position(&self, code: u32) -> I1F31 {
        // Q: product ≤ 2^55 + 2^15, rounded from Q.55 to Q.31; 1 has no place and saturates.
        let position = (u64::from(code.min(self.largest)) * self.per_code + (1 << 23)) >> 24;
        I1F31::from_bits(position.min(ONE as u64 - 1) as i32)
    }

    /// Octaves at `x`; always 0 when the depth is in percent.
    #[inline]
    pub fn octaves(&self, x: I1F31) -> I6F26 {
        // Q: |octaves| ≤ 31 · 2^26: product < 2^62, rounded to Q6.26.
        I6F26::from_bits(((self.octaves * i64::from(x.to_bits()) + (1 << 30)) >> 31) as i32)
    }

    /// Fraction at `x`; always 0 when the depth is one of pitch.
    #[inline]
    pub fn fraction(&self, x: I1F31) -> I1F31 {
        // Q: fraction ≤ 2^31, which as a factor changes nothing; rounded to Q1.31.
        I1F31::from_bits(((self.fraction * i64::from(x.to_bits()) + (1 << 30)) >> 31) as i32)
    }
}

impl Law for Fixed {
    fn at(&self, code: u32) -> f64 {
        let x = self.position(code);
        // One of the two is 0.
        self.octaves(x).to_num::<f64>() + self.fraction(x).to_num::<f64>()
    }
}
