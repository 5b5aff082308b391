//! Tapers of a panel knob: linear, logarithmic, S-shaped.
//!
//! | | |
//! |---|---|
//! | Source  | x = code/(2^bits − 1); linear x; logarithmic (r^x − 1)/(r − 1) with r = ((1 − m)/m)², which passes m at half travel (derived); S 3x² − 2x³ |
//! | Units   | middle m 0.01 to 0.49; output 0 to 1, both ends exact; never falls as the code rises |
//! | float   | f32; \|error\| ≤ 2^-23 (linear), 2^-22 (S), (7.5e-8·(v + 1) + 2^-24·(2v + 1))/(r − 1) + 3·2^-24 with v = r^x (logarithmic: 3.8e-7 at m = 0.1) |
//! | fixed   | Q1.31 unsigned; \|error\| ≤ 1 LSB (linear), 5 LSB (S), (7.5e-8·(v + 1) + 2^-31·(6v + 2))/(r − 1) + 1 LSB (logarithmic) |
//! | Usable  | float and fixed: every code |
//! | Checked | `tests/suite/taper.rs::every_code_follows_its_curve` |

use ::fixed::types::U1F31;

use super::exp2::{FLOAT_5, Q31_5, polynomial, polynomial_q31};
use super::{BITS, ControlEntry, Law, Made};
use crate::error::RangeError;
use crate::math;
use crate::parameter::{Parameter, Values};
use crate::q31::{ONE, mul};

/// Shape of the curve.
pub const CURVE: Parameter = Parameter::choice("curve", &["linear", "log", "s"]);
/// Output of the logarithmic curve at half travel.
pub const MIDDLE: Parameter = Parameter::number("middle", "of full scale", 0.01, 0.49, 0.1);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "taper",
    file: "control/taper.rs",
    summary: "taper of a panel knob: linear, logarithmic or S-shaped",
    parameters: &[BITS, CURVE, MIDDLE],
    unit: "of full scale",
    codes: |values| values.count(&BITS).map(|bits| 1 << bits),
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

/// Shape of the curve.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Curve {
    /// x.
    #[default]
    Linear,
    /// (r^x − 1)/(r − 1), r = ((1 − middle)/middle)².
    Logarithmic {
        /// Output at half travel, 0.01 to 0.49.
        middle: f64,
    },
    /// 3x² − 2x³.
    S,
}

/// Settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Bits of the converter, 10 to 16.
    pub bits: u32,
    /// Shape of the curve.
    pub curve: Curve,
}

impl Default for Setup {
    fn default() -> Self {
        Self { bits: BITS.default as u32, curve: Curve::Linear }
    }
}

impl Setup {
    /// Reads [`BITS`], [`CURVE`] and [`MIDDLE`].
    ///
    /// # Errors
    /// A value outside its range, or bits that are no whole number.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let middle = values.of(&MIDDLE)?;
        let curve = match values.choice(&CURVE)? {
            0 => Curve::Linear,
            1 => Curve::Logarithmic { middle },
            _ => Curve::S,
        };
        Ok(Self { bits: values.count(&BITS)?, curve })
    }

    fn last(&self) -> Result<u32, RangeError> {
        Ok((1 << BITS.check(f64::from(self.bits))? as u32) - 1)
    }
}

/// Exponent of the logarithmic curve per code in octaves, Q.48, and 1/(r − 1).
fn logarithmic(middle: f64, last: u32) -> Result<(i64, f64), RangeError> {
    let middle = MIDDLE.check(middle)?;
    let root = (1.0 - middle) / middle;
    // Q: at most 13.3 octaves over all codes: 52 bits.
    let step = 2.0 * math::log2(root) / f64::from(last) * (1_u64 << 48) as f64;
    Ok((math::rint(step) as i64, 1.0 / (root * root - 1.0)))
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    last: u32,
    unit: f32,
    curve: FloatCurve,
}

#[derive(Clone, Copy, Debug)]
enum FloatCurve {
    Linear,
    Logarithmic { step: i64, scale: f32 },
    S,
}

impl Float {
    /// Takes bits and curve.
    ///
    /// # Errors
    /// `bits` outside 10 to 16, `middle` outside 0.01 to 0.49.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let last = setup.last()?;
        let curve = match setup.curve {
            Curve::Linear => FloatCurve::Linear,
            Curve::Logarithmic { middle } => {
                let (step, scale) = logarithmic(middle, last)?;
                FloatCurve::Logarithmic { step, scale: scale as f32 }
            }
            Curve::S => FloatCurve::S,
        };
        Ok(Self { last, unit: (1.0 / f64::from(last)) as f32, curve })
    }

    /// The knob's position through the curve, 0 to 1.
    #[inline]
    pub fn position(&self, code: u32) -> f32 {
        if code >= self.last {
            // By definition, not by the luck of rounding.
            return 1.0;
        }
        match self.curve {
            FloatCurve::Linear => code as f32 * self.unit,
            FloatCurve::Logarithmic { step, scale } => {
                let octaves = i64::from(code) * step;
                let fraction = (octaves >> 17) as i32 & i32::MAX;
                let ratio = polynomial(&FLOAT_5, fraction as f32 * (1.0 / 2_147_483_648.0));
                let value = f32::from_bits((((octaves >> 48) + 127) as u32) << 23) * ratio;
                // Less the polynomial's own value at 0, which is not quite 1.
                ((value - FLOAT_5[0]) * scale).min(1.0)
            }
            FloatCurve::S => {
                // The upper half mirrored: near 1 the curve is flatter than an f32 resolves.
                let mirrored = code > self.last / 2;
                let x = if mirrored { self.last - code } else { code } as f32 * self.unit;
                let y = x * x * (3.0 - 2.0 * x);
                if mirrored { 1.0 - y } else { y }
            }
        }
    }
}

impl Law for Float {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.position(code))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    last: u32,
    unit: i64,
    curve: FixedCurve,
}

#[derive(Clone, Copy, Debug)]
enum FixedCurve {
    Linear,
    Logarithmic { step: i64, scale: u64, shift: u32, zero: i64 },
    S,
}

/// Q: ratio (Q.31, below 2^32) times scale (below 2^31), rounded down to Q.31.
#[inline(always)]
fn scaled(ratio: i64, scale: u64, shift: u32) -> i64 {
    ((ratio as u64 * scale + (1 << (shift - 1))) >> shift) as i64
}

impl Fixed {
    /// Takes bits and curve.
    ///
    /// # Errors
    /// `bits` outside 10 to 16, `middle` outside 0.01 to 0.49.
    pub fn new(setup: &Setup) -> Result<Self, RangeError> {
        let last = setup.last()?;
        let curve = match setup.curve {
            Curve::Linear => FixedCurve::Linear,
            Curve::Logarithmic { middle } => {
                let (step, mut scale) = logarithmic(middle, last)?;
                // Q: 1/(r − 1) as an integer of 30 to 31 bits over a power of two, 27 to 44.
                let mut shift = 0;
                while scale < (1 << 30) as f64 {
                    scale *= 2.0;
                    shift += 1;
                }
                let scale = math::rint(scale) as u64;
                FixedCurve::Logarithmic { step, scale, shift, zero: scaled(Q31_5[0], scale, shift) }
            }
            Curve::S => FixedCurve::S,
        };
        let unit = math::rint((1_u64 << 47) as f64 / f64::from(last)) as i64;
        Ok(Self { last, unit, curve })
    }

    /// The knob's position through the curve, 0 to 1.
    #[inline]
    pub fn position(&self, code: u32) -> U1F31 {
        if code >= self.last {
            return U1F31::ONE;
        }
        // Q: rounded from Q.47.
        let linear = |code: u32| (i64::from(code) * self.unit + (1 << 15)) >> 16;
        let y = match self.curve {
            FixedCurve::Linear => linear(code),
            FixedCurve::Logarithmic { step, scale, shift, zero } => {
                let octaves = i64::from(code) * step;
                let ratio = polynomial_q31(&Q31_5, (octaves >> 17) & (ONE - 1));
                // Q: the octaves come off the shift, which stays at 27 or more.
                let value = scaled(ratio, scale, shift - (octaves >> 48) as u32);
                (value - zero).min(ONE)
            }
            FixedCurve::S => {
                let mirrored = code > self.last / 2;
                let x = linear(if mirrored { self.last - code } else { code });
                // Q: x ≤ 2^30: products < 2^62, floored.
                let y = mul(mul(x, x), 3 * ONE - 2 * x);
                if mirrored { ONE - y } else { y }
            }
        };
        U1F31::from_bits(y as u32)
    }
}

impl Law for Fixed {
    fn at(&self, code: u32) -> f64 {
        self.position(code).to_num()
    }
}
