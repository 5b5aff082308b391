//! The 1 V/octave law: converter codes, volts, keys and bends to phase increments.
//!
//! | | |
//! |---|---|
//! | Source  | volts = low + (high − low)·code/2^bits, trued = (volts + offset)·gain, octaves = trued + (zero-key − 69)/12, f = 440 Hz·2^octaves; A4 = 440 Hz as in ISO 16:1975 (from memory), keys by twelfths of an octave; exponential of [`exp2`] |
//! | Units   | octaves from A4; increments 2^-32 cycle per sample, held at half the rate; 1 V is 1200 cents, one code 1200·gain·\|high − low\|/2^bits |
//! | float   | codes to octaves in integers (Q.48), fraction to f32: \|error\| ≤ 1200·(2^-25 + 2^-31 + 2^(bits − 48)) = 3.6e-5 cents, then [`exp2`], then as fixed; octaves as f32 err by half an ulp, 2.9e-4 cents from 4 to 8 octaves |
//! | fixed   | codes to octaves in integers (Q.48), fraction floored to Q.31: \|error\| ≤ 1200·(2^-31 + 2^(bits − 48)) = 8.4e-7 cents, then [`exp2`]; 440 Hz in 2^-36 cycle 2.9e-11·rate cents; increment rounded, 2.0e-7·rate/f cents; octaves as Q6.26 err by 8.9e-6 cents |
//! | Usable  | float and fixed: ±32 octaves with every bend; above half the rate the increment stays at half the rate |
//! | Checked | `tests/suite/pitch_law.rs::every_code_is_in_tune_within_its_derived_bound` |
//!
//! Control voltages swing over 10 V and more, and may be negative; the pin of a microcontroller
//! takes 3.3 V. `low` and `high` are the volts at the jack that the first and the end of the
//! last code stand for, so a divider and a clamp have to come before the pin. Local electrical
//! codes and the advice of somebody qualified come first.

use ::fixed::types::{I1F31, I6F26, U1F31};

use super::{BITS, ControlEntry, Law, Made, exp2};
use crate::error::RangeError;
use crate::math::{floorf, rint};
use crate::parameter::{Parameter, Values};
use crate::phase::{Increment, Rate};

/// Volts of code 0.
pub const LOW: Parameter = Parameter::number("low", "V", -10.0, 10.0, 0.0);
/// Volts one code beyond the last.
pub const HIGH: Parameter = Parameter::number("high", "V", -10.0, 10.0, 10.0);
/// Key that 0 V plays; 69 is A4.
pub const ZERO_KEY: Parameter = Parameter::number("zero-key", "(key)", 0.0, 127.0, 24.0);
/// Volts to add to what the converter says.
pub const OFFSET: Parameter = Parameter::number("offset", "V", -1.0, 1.0, 0.0);
/// Factor on the sum.
pub const GAIN: Parameter = Parameter::number("gain", "(ratio)", 0.9, 1.1, 1.0);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "pitch",
    file: "control/pitch.rs",
    summary: "1 V/octave: converter code to phase increment, two-point calibration",
    parameters: &[
        BITS,
        LOW,
        HIGH,
        ZERO_KEY,
        OFFSET,
        GAIN,
        exp2::METHOD,
        exp2::DEGREE,
        exp2::POINTS,
    ],
    unit: "2^-32 cycle per sample",
    codes: |values| values.count(&BITS).map(|bits| 1 << bits),
    made: Made::Law {
        float: |rate, values, lend| {
            let mut storage = [0.0; exp2::MAX_STORAGE];
            let exp2 = exp2::Float::new(exp2::Method::from_values(values)?, &mut storage)?;
            lend(&Float::new(rate, &Setup::from_values(values)?, exp2)?);
            Ok(())
        },
        fixed: |rate, values, lend| {
            let mut storage = [U1F31::ZERO; exp2::MAX_STORAGE];
            let exp2 = exp2::Fixed::new(exp2::Method::from_values(values)?, &mut storage)?;
            lend(&Fixed::new(rate, &Setup::from_values(values)?, exp2)?);
            Ok(())
        },
    },
};

/// What a converter's reading lacks to be true: true volts = (volts + offset) · gain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Volts to add, −1 to 1.
    pub offset_volts: f64,
    /// Factor on the sum, 0.9 to 1.1.
    pub gain: f64,
}

impl Default for Calibration {
    fn default() -> Self {
        Self { offset_volts: OFFSET.default, gain: GAIN.default }
    }
}

impl Calibration {
    /// From two readings: what the converter said, and the volts that a meter showed at the
    /// jack. The calibration of `setup` itself is not used.
    ///
    /// # Errors
    /// Readings that make an offset outside ±1 V or a gain outside 0.9 to 1.1; equal codes do.
    pub fn from_two_points(
        setup: &Setup,
        (code_1, volts_1): (u32, f64),
        (code_2, volts_2): (u32, f64),
    ) -> Result<Self, RangeError> {
        let (read_1, read_2) = (setup.volts(code_1)?, setup.volts(code_2)?);
        let gain = GAIN.check((volts_2 - volts_1) / (read_2 - read_1))?;
        let offset_volts = OFFSET.check(volts_1 / gain - read_1)?;
        Ok(Self { offset_volts, gain })
    }
}

/// Settings of converter, keyboard and calibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Bits of the converter, 10 to 16.
    pub bits: u32,
    /// Volts of code 0, −10 to 10.
    pub low_volts: f64,
    /// Volts one code beyond the last, −10 to 10; below `low_volts` where the input inverts.
    pub high_volts: f64,
    /// Key at 0 V, 0 to 127.
    pub zero_key: f64,
    /// What the readings lack.
    pub calibration: Calibration,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            bits: BITS.default as u32,
            low_volts: LOW.default,
            high_volts: HIGH.default,
            zero_key: ZERO_KEY.default,
            calibration: Calibration::default(),
        }
    }
}

impl Setup {
    /// Reads the parameters of this module except those of the exponential.
    ///
    /// # Errors
    /// A value outside its range, or bits that are no whole number.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self {
            bits: values.count(&BITS)?,
            low_volts: values.of(&LOW)?,
            high_volts: values.of(&HIGH)?,
            zero_key: values.of(&ZERO_KEY)?,
            calibration: Calibration { offset_volts: values.of(&OFFSET)?, gain: values.of(&GAIN)? },
        })
    }

    /// Volts that a code stands for, before calibration.
    ///
    /// # Errors
    /// Bits or volts outside their ranges.
    pub fn volts(&self, code: u32) -> Result<f64, RangeError> {
        let codes = f64::from(1_u32 << BITS.check(f64::from(self.bits))? as u32);
        let low = LOW.check(self.low_volts)?;
        let span = HIGH.check(self.high_volts)? - low;
        Ok(low + span * f64::from(code).min(codes - 1.0) / codes)
    }

    /// Octaves from A4 at 0 V, calibration included.
    fn zero_octaves(&self) -> Result<f64, RangeError> {
        let Calibration { offset_volts, gain } = self.calibration;
        let key = ZERO_KEY.check(self.zero_key)?;
        Ok(OFFSET.check(offset_volts)? * GAIN.check(gain)? + (key - 69.0) / 12.0)
    }
}

/// What both twins do in integers: codes to octaves, ratios to increments.
#[derive(Clone, Copy, Debug)]
struct Scale {
    last: u32,
    /// Octaves at code 0, and per code; Q.48.
    first: i64,
    step: i64,
    /// 440 Hz in 2^-36 cycle per sample: the four bits more keep 192 kHz within 6e-6 cent.
    a4: u64,
}

/// Fraction bits of octaves on the way from a code.
const FINE: u32 = 48;

impl Scale {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let fine = |octaves: f64| rint(octaves * (1_u64 << FINE) as f64) as i64;
        let gain = setup.calibration.gain;
        let low = setup.volts(0)?;
        let per_code = (setup.high_volts - low) / f64::from(1_u32 << setup.bits);
        Ok(Self {
            last: (1 << setup.bits) - 1,
            first: fine(low * gain + setup.zero_octaves()?),
            step: fine(per_code * gain),
            a4: rint(440.0 / f64::from(rate.hz()) * (1_u64 << 36) as f64) as u64,
        })
    }

    /// Octaves in Q.48; a code beyond the last is the last.
    #[inline(always)]
    fn octaves(&self, code: u32) -> i64 {
        // Q: |octaves| < 18, 53 bits.
        self.first + i64::from(code.min(self.last)) * self.step
    }

    /// Nearest increment for 440 Hz · ratio · 2^whole, the ratio in Q.31.
    #[inline(always)]
    fn increment(&self, whole: i32, ratio: u64) -> Increment {
        // Q: below 2^32 both (440 Hz at 8 kHz is 0.88 of it): product < 2^64 in 2^-67 cycle.
        let product = self.a4 * ratio;
        let shift = 35 - whole;
        if shift < 1 {
            return Increment::MAX;
        }
        // Q: rounded half up; what is shifted out as a whole is below half a unit.
        let rounded = product.checked_shr(shift as u32 - 1).map_or(0, |twice| (twice + 1) >> 1);
        Increment::saturating_from_bits(rounded.min(u64::from(u32::MAX)) as u32)
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float<'a> {
    scale: Scale,
    zero: f32,
    gain_above_1: f32,
    exp2: exp2::Float<'a>,
}

/// Whole octaves and the rest, 0 to 1; both parts of a value that is no number are 0 or none.
#[inline(always)]
fn split(octaves: f32) -> (i32, f32) {
    let floor = floorf(octaves);
    (floor as i32, octaves - floor)
}

impl<'a> Float<'a> {
    /// Takes the settings and the exponential.
    ///
    /// # Errors
    /// A setting outside its range.
    pub fn new(rate: Rate, setup: &Setup, exp2: exp2::Float<'a>) -> Result<Self, RangeError> {
        let scale = Scale::new(rate, setup)?;
        let gain_above_1 = (setup.calibration.gain - 1.0) as f32;
        Ok(Self { scale, zero: setup.zero_octaves()? as f32, gain_above_1, exp2 })
    }

    /// Octaves of a code.
    #[inline]
    pub fn octaves_at(&self, code: u32) -> f32 {
        // Integers of 26 fraction bits convert in one instruction, those of 48 do not.
        ((self.scale.octaves(code) + (1 << 21)) >> 22) as i32 as f32 * (1.0 / 67_108_864.0)
    }

    /// Octaves of volts that were read elsewhere, calibrated; \|error\| ≤ 3.5·2^-22
    /// octave (0.001 cent) up to 8 octaves and 10 V.
    #[inline]
    pub fn octaves_of_volts(&self, volts: f32) -> f32 {
        // The excess of the gain is small, and so is its rounding.
        volts + (volts * self.gain_above_1 + self.zero)
    }

    /// Octaves of a key, 0 to 127, and a fraction in semitones; \|error\| ≤ half an ulp of the
    /// result and 1.7·2^-24 octave (1.2e-4 cents) for a fraction of −1 to 1.
    #[inline]
    pub fn octaves_of_key(key: u8, fraction: f32) -> f32 {
        // Whole octaves apart: a sum of up to 69 semitones would drop the fraction's low bits.
        let semitones = i32::from(key.min(127)) - 69;
        let rest = semitones.rem_euclid(12) as f32 + fraction;
        semitones.div_euclid(12) as f32 + rest * (1.0 / 12.0)
    }

    /// Increment of a pitch and a bend, both in octaves and each held within ±32. What is no
    /// number plays 0 Hz.
    #[inline]
    pub fn increment(&self, octaves: f32, bend: f32) -> Increment {
        let (whole, x) = split(octaves.clamp(-32.0, 32.0));
        self.bent(whole, x, bend)
    }

    /// Increment of a code and a bend in octaves, held within ±32.
    #[inline]
    pub fn increment_at(&self, code: u32, bend: f32) -> Increment {
        let octaves = self.scale.octaves(code);
        let fraction = (octaves >> (FINE - 31)) as i32 & i32::MAX;
        self.bent((octaves >> FINE) as i32, fraction as f32 * (1.0 / 2_147_483_648.0), bend)
    }

    /// The bend joins the fraction only, so that high octaves cost it no bits.
    #[inline(always)]
    fn bent(&self, whole: i32, x: f32, bend: f32) -> Increment {
        let (over, x) = split(x + bend.clamp(-32.0, 32.0));
        // Exact: the ratio has 24 bits, and 30 fraction bits hold 2.0 as well.
        let ratio = (self.exp2.ratio(x) * 1_073_741_824.0) as u32;
        self.scale.increment(whole + over, u64::from(ratio) << 1)
    }
}

impl Law for Float<'_> {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.increment_at(code, 0.0).bits())
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed<'a> {
    scale: Scale,
    zero: i64,
    gain: i64,
    exp2: exp2::Fixed<'a>,
}

impl<'a> Fixed<'a> {
    /// Takes the settings and the exponential.
    ///
    /// # Errors
    /// A setting outside its range.
    pub fn new(rate: Rate, setup: &Setup, exp2: exp2::Fixed<'a>) -> Result<Self, RangeError> {
        let scale = Scale::new(rate, setup)?;
        // Q: gain Q.30, zero Q.56 as their product with Q6.26 volts.
        let gain = rint(setup.calibration.gain * (1 << 30) as f64) as i64;
        let zero = rint(setup.zero_octaves()? * (1_u64 << 56) as f64) as i64;
        Ok(Self { scale, zero, gain, exp2 })
    }

    /// Octaves of a code.
    #[inline]
    pub fn octaves_at(&self, code: u32) -> I6F26 {
        // Q: rounded from Q.48; |octaves| < 18.
        I6F26::from_bits(((self.scale.octaves(code) + (1 << 21)) >> 22) as i32)
    }

    /// Octaves of volts that were read elsewhere, calibrated, saturating at ±32;
    /// \|error\| ≤ 0.7·2^-26 octave (1.3e-5 cent) up to 12 V.
    #[inline]
    pub fn octaves_of_volts(&self, volts: I6F26) -> I6F26 {
        // Q: product < 2^31·2^30.2, zero < 2^59; rounded from Q.56, saturating.
        let octaves = (i64::from(volts.to_bits()) * self.gain + self.zero + (1 << 29)) >> 30;
        I6F26::from_bits(octaves.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32)
    }

    /// Octaves of a key, 0 to 127, and a fraction in semitones; \|error\| ≤ 0.9·2^-26 octave, and
    /// the nearest Q6.26 without fraction.
    #[inline]
    pub fn octaves_of_key(key: u8, fraction: I1F31) -> I6F26 {
        // Q: 2^35/12, which errs by 1.2e-10 of at most 5.75 octaves.
        const TWELFTH: i64 = 2_863_311_531;
        let whole = i64::from(key.min(127)) - 69;
        // Q: semitones floored to Q.24, 31 bits; octaves in Q.59, 63 bits, rounded.
        let semitones = (whole << 24) + i64::from(fraction.to_bits() >> 7);
        I6F26::from_bits(((semitones * TWELFTH + (1 << 32)) >> 33) as i32)
    }

    /// Increment of a pitch and a bend, both in octaves; their sum saturates at ±32.
    #[inline]
    pub fn increment(&self, octaves: I6F26, bend: I6F26) -> Increment {
        let octaves = octaves.saturating_add(bend).to_bits();
        // Q: floor and 26 fraction bits, widened to Q.31.
        let x = i64::from(octaves & ((1 << 26) - 1)) << 5;
        self.scale.increment(octaves >> 26, self.exp2.ratio_q31(x) as u64)
    }

    /// Increment of a code and a bend in octaves.
    #[inline]
    pub fn increment_at(&self, code: u32, bend: I6F26) -> Increment {
        // Q: Q6.26 widened to Q.48; |sum| < 50.
        let octaves = self.scale.octaves(code) + (i64::from(bend.to_bits()) << 22);
        // Q: fraction floored to Q.31.
        let x = (octaves >> (FINE - 31)) & ((1 << 31) - 1);
        self.scale.increment((octaves >> FINE) as i32, self.exp2.ratio_q31(x) as u64)
    }
}

impl Law for Fixed<'_> {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.increment_at(code, I6F26::ZERO).bits())
    }
}
