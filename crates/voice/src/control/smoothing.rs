//! Smoothing of converter codes: a one-pole low-pass, then hysteresis.
//!
//! | | |
//! |---|---|
//! | Source  | y += k (code − y), k = 1 − exp(−1/(tau·rate)); a step from y0 leaves code − y = (code − y0)(1 − k)^n after n codes; hysteresis: the output moves only when \|y − out\| > h/2, and then to h/2 from y |
//! | Units   | codes 0 to 65535; tau in s, hysteresis h in codes; starts at 0; the output stays h/2 behind and asks for h codes to turn around |
//! | float   | f32 in two parts, so small steps are not lost: dead band 2^-49·code/k (2.3e-4 codes at 10 s, 192 kHz and 16 bits; one part alone would stall at 3750); error ≤ (6·2^-24 + 2^-49/k)·code |
//! | fixed   | Q16.16, k with 30 bits, remainder carried: no dead band, the code itself is reached; error ≤ 1.5·2^-16 + 2^-31·code codes |
//! | Usable  | float and fixed: tau 0 to 10 s at every rate |
//! | Checked | `tests/suite/smoothing.rs::a_step_follows_its_closed_form` |

use ::fixed::types::U16F16;

use super::{ControlEntry, Follower, Made};
use crate::error::RangeError;
use crate::math;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// Time constant of the low-pass.
pub const TAU: Parameter = Parameter::number("tau", "s", 0.0, 10.0, 0.01);
/// Width of the hysteresis.
pub const HYSTERESIS: Parameter = Parameter::number("hysteresis", "codes", 0.0, 64.0, 2.0);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "smoothing",
    file: "control/smoothing.rs",
    summary: "one-pole smoothing of codes, then hysteresis",
    parameters: &[TAU, HYSTERESIS],
    unit: "codes",
    codes: |values| Setup::from_values(values).map(|_| LAST + 1),
    made: Made::Follower {
        float: |rate, values, lend| {
            lend(&mut Float::new(rate, &Setup::from_values(values)?)?);
            Ok(())
        },
        fixed: |rate, values, lend| {
            lend(&mut Fixed::new(rate, &Setup::from_values(values)?)?);
            Ok(())
        },
    },
};

const LAST: u32 = 0xffff;

/// Settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Time constant in s, 0 to 10; 0 lets every code through at once.
    pub tau_s: f64,
    /// Width of the hysteresis in codes, 0 to 64.
    pub hysteresis_codes: f64,
}

impl Default for Setup {
    fn default() -> Self {
        Self { tau_s: TAU.default, hysteresis_codes: HYSTERESIS.default }
    }
}

impl Setup {
    /// Reads [`TAU`] and [`HYSTERESIS`].
    ///
    /// # Errors
    /// A value outside its range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { tau_s: values.of(&TAU)?, hysteresis_codes: values.of(&HYSTERESIS)? })
    }

    /// k and h/2.
    fn figures(&self, rate: Rate) -> Result<(f64, f64), RangeError> {
        let samples = TAU.check(self.tau_s)? * f64::from(rate.hz());
        // 0 samples: exp(−∞) = 0 and k = 1.
        Ok((-math::expm1(-1.0 / samples), HYSTERESIS.check(self.hysteresis_codes)? / 2.0))
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    k: f32,
    half: f32,
    /// The smoothed code: what an f32 holds of it, and what it does not.
    y: f32,
    rest: f32,
    out: f32,
}

impl Float {
    /// Starts at code 0.
    ///
    /// # Errors
    /// `tau` outside 0 to 10 s, `hysteresis` outside 0 to 64 codes.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let (k, half) = setup.figures(rate)?;
        Ok(Self { k: k as f32, half: half as f32, y: 0.0, rest: 0.0, out: 0.0 })
    }

    /// Goes to a code at once, for instance to the first reading after power-up.
    pub fn jump(&mut self, code: u32) {
        let code = code.min(LAST) as f32;
        (self.y, self.rest, self.out) = (code, 0.0, code);
    }

    /// Takes the present code and returns the output in codes.
    #[inline]
    pub fn next(&mut self, code: u32) -> f32 {
        let step = self.k * ((code.min(LAST) as f32 - self.y) - self.rest) + self.rest;
        // The exact error of a sum (Knuth, The Art of Computer Programming 2, 4.2.2).
        let sum = self.y + step;
        let taken = sum - self.y;
        self.rest = (self.y - (sum - taken)) + (step - taken);
        self.y = sum;
        let ahead = self.y - self.out;
        if ahead > self.half {
            self.out = self.y - self.half;
        } else if ahead < -self.half {
            self.out = self.y + self.half;
        }
        self.out
    }
}

impl Follower for Float {
    fn follow(&mut self, code: u32) -> f64 {
        f64::from(self.next(code))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed {
    /// k · 2^shift.
    k: i64,
    shift: u32,
    half: i64,
    y: i64,
    rest: i64,
    out: i64,
}

impl Fixed {
    /// Starts at code 0.
    ///
    /// # Errors
    /// `tau` outside 0 to 10 s, `hysteresis` outside 0 to 64 codes.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let (mut k, half) = setup.figures(rate)?;
        // Q: k ≥ 5e-7 as an integer of 2^29 to 2^30 over a power of two, 29 to 50.
        let mut shift = 0;
        while k < (1 << 29) as f64 {
            k *= 2.0;
            shift += 1;
        }
        let half = math::rint(half * 65_536.0) as i64;
        Ok(Self { k: math::rint(k) as i64, shift, half, y: 0, rest: 0, out: 0 })
    }

    /// Goes to a code at once, for instance to the first reading after power-up.
    pub fn jump(&mut self, code: u32) {
        let code = i64::from(code.min(LAST)) << 16;
        (self.y, self.rest, self.out) = (code, 0, code);
    }

    /// Takes the present code and returns the output in codes.
    #[inline]
    pub fn next(&mut self, code: u32) -> U16F16 {
        // Q: difference in Q.16 below 2^32, k ≤ 2^30, remainder below 2^50: sum < 2^63.
        let step = ((i64::from(code.min(LAST)) << 16) - self.y) * self.k + self.rest;
        // Q: floored to Q.16; what is cut off counts with the next code.
        self.rest = step & ((1 << self.shift) - 1);
        self.y += step >> self.shift;
        let ahead = self.y - self.out;
        if ahead > self.half {
            self.out = self.y - self.half;
        } else if ahead < -self.half {
            self.out = self.y + self.half;
        }
        // Q: y and out stay between the codes that came in: 32 bits.
        U16F16::from_bits(self.out as u32)
    }
}

impl Follower for Fixed {
    fn follow(&mut self, code: u32) -> f64 {
        self.next(code).to_num()
    }
}
