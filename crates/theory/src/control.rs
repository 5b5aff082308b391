//! Control laws: pitch from volts, bend, tapers, depth, tracking, and what their arithmetic costs.
//!
//! | | |
//! |---|---|
//! | Source  | 1 V/octave: common practice; cent: Ellis 1885; interpolation error `h^2 f''/8` (textbook), exact form derived here; minimax: `reference-tables/exp2-minimax`; thermal law from the SI constants of 2019 |
//! | Units   | octaves from A4, volts, cents, codes |
//! | Error   | a few ulp |
//! | Checked | `tests/suite/theory/control.rs` |

use crate::ParameterError;
use crate::rc::charged;
use crate::tables::{self, TableError};
use crate::tuning::{A4_HZ, A4_KEY};
use std::f64::consts::LN_2;

/// Cents per millivolt at 1 V/octave.
pub const CENTS_PER_MV: f64 = 1.2;

fn check_bits(bits: u32) -> Result<(), ParameterError> {
    ParameterError::check((1..=24).contains(&bits), "bits", f64::from(bits), "1..=24")
}

/// Cents of a frequency ratio `1 + error`.
fn cents_of_error(error: f64) -> f64 {
    1200.0 / LN_2 * error.ln_1p()
}

/// What a two-point calibration finds: `true volts = (volts + offset_v) * gain`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibration {
    /// Added first, volts.
    pub offset_v: f64,
    /// Multiplied last.
    pub gain: f64,
}

impl Calibration {
    /// Nothing to correct.
    pub const NONE: Self = Self { offset_v: 0.0, gain: 1.0 };

    /// From two pairs of volts as the law reads them and volts as they are.
    ///
    /// # Errors
    /// Two equal readings, or equal true volts.
    pub fn from_two_points(
        (read_a_v, true_a_v): (f64, f64),
        (read_b_v, true_b_v): (f64, f64),
    ) -> Result<Self, ParameterError> {
        let apart = "different at the two points";
        ParameterError::check(read_a_v != read_b_v, "volts read", read_b_v, apart)?;
        ParameterError::check(true_a_v != true_b_v, "volts applied", true_b_v, apart)?;
        let gain = (true_b_v - true_a_v) / (read_b_v - read_a_v);
        Ok(Self { offset_v: true_a_v / gain - read_a_v, gain })
    }
}

/// Converter code to volts to octaves, 1 V per octave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchLaw {
    bits: u32,
    low_v: f64,
    high_v: f64,
    zero_key: f64,
    calibration: Calibration,
}

impl PitchLaw {
    /// A converter of `bits` bits over `low_v..high_v`; 0 V plays `zero_key`.
    ///
    /// # Errors
    /// `bits` outside 1..=24, volts outside -10..=10 or not rising, a key outside 0..=127.
    pub fn new(
        bits: u32,
        low_v: f64,
        high_v: f64,
        zero_key: f64,
        calibration: Calibration,
    ) -> Result<Self, ParameterError> {
        check_bits(bits)?;
        ParameterError::check((-10.0..=10.0).contains(&low_v), "low_v", low_v, "-10..=10")?;
        let inside = high_v > low_v && high_v <= 10.0;
        ParameterError::check(inside, "high_v", high_v, "above low_v, up to 10")?;
        ParameterError::check((0.0..=127.0).contains(&zero_key), "zero_key", zero_key, "0..=127")?;
        Ok(Self { bits, low_v, high_v, zero_key, calibration })
    }

    /// Volts that a code stands for, before calibration.
    #[must_use]
    pub fn volts(&self, code: f64) -> f64 {
        self.low_v + (self.high_v - self.low_v) * code / f64::from(self.bits).exp2()
    }

    /// Octaves from A4 at volts as the converter reads them.
    #[must_use]
    pub fn octaves_at_volts(&self, volts: f64) -> f64 {
        let Calibration { offset_v, gain } = self.calibration;
        (volts + offset_v) * gain + (self.zero_key - A4_KEY) / 12.0
    }

    /// Octaves from A4 at a code.
    #[must_use]
    pub fn octaves(&self, code: f64) -> f64 {
        self.octaves_at_volts(self.volts(code))
    }

    /// Cents from one code to the next.
    #[must_use]
    pub fn code_step_cents(&self) -> f64 {
        let span_v = self.high_v - self.low_v;
        1200.0 * span_v * self.calibration.gain / f64::from(self.bits).exp2()
    }
}

/// Octaves from A4 of a key; fractions allowed.
#[must_use]
pub fn key_octaves(key: f64) -> f64 {
    (key - A4_KEY) / 12.0
}

/// Frequency in hertz.
#[must_use]
pub fn octaves_hz(octaves: f64) -> f64 {
    A4_HZ * octaves.exp2()
}

/// Exact increment of a 32-bit phase before rounding, at most half a cycle, 2^31.
#[must_use]
pub fn increment(octaves: f64, sample_rate_hz: f64) -> f64 {
    (octaves_hz(octaves) / sample_rate_hz * 32.0_f64.exp2()).min(31.0_f64.exp2())
}

/// Octaves of a 14-bit bend code, 8192 in the middle, over `range_semitones` either way.
#[must_use]
pub fn bend_octaves(code: f64, range_semitones: f64) -> f64 {
    (code - 8192.0) / 8192.0 * range_semitones / 12.0
}

/// Travel of a panel control, 0..=1: `code / (2^bits - 1)`.
///
/// # Errors
/// `bits` outside 1..=24.
pub fn travel(code: f64, bits: u32) -> Result<f64, ParameterError> {
    check_bits(bits)?;
    Ok(code / (f64::from(bits).exp2() - 1.0))
}

/// Law of a panel control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Taper {
    /// `x`.
    Linear,
    /// `(r^x - 1)/(r - 1)` with `r = ((1-m)/m)^2`: `m` at half travel.
    Logarithmic {
        /// Output at half travel, below one half.
        middle: f64,
    },
    /// `3x^2 - 2x^3`.
    S,
}

impl Taper {
    /// Output 0..=1 at a travel of 0..=1.
    #[must_use]
    pub fn output(self, travel: f64) -> f64 {
        match self {
            Self::Linear => travel,
            Self::Logarithmic { middle } => {
                let log = 2.0 * ((1.0 - middle) / middle).ln();
                (log * travel).exp_m1() / log.exp_m1()
            }
            Self::S => travel * travel * (3.0 - 2.0 * travel),
        }
    }
}

/// Unit of a modulation depth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DepthUnit {
    /// 1/1200 octave.
    Cents,
    /// Octaves.
    Octaves,
    /// Volts at 1 V/octave.
    Volts,
    /// Hundredths of level or width.
    Percent,
}

/// Depth at a travel of 0..=1: octaves, or a fraction for [`DepthUnit::Percent`].
#[must_use]
pub fn depth(travel: f64, amount: f64, unit: DepthUnit) -> f64 {
    let full = match unit {
        DepthUnit::Cents => amount / 1200.0,
        DepthUnit::Octaves | DepthUnit::Volts => amount,
        DepthUnit::Percent => amount / 100.0,
    };
    full * travel
}

/// Octaves that `amount_percent` of key tracking adds at a key.
#[must_use]
pub fn tracking_octaves(key: f64, pivot: f64, amount_percent: f64) -> f64 {
    amount_percent / 100.0 * (key - pivot) / 12.0
}

/// Output in codes of the smoothed and gated follower, `updates` updates after a rest at `from`
/// gave way to `code`: one-pole, then a dead zone `hysteresis` codes wide that the output leaves
/// only as its far edge is pushed.
///
/// # Errors
/// A time constant or hysteresis below 0.
pub fn follower_step(
    from: f64,
    code: f64,
    tau_samples: f64,
    hysteresis: f64,
    updates: u64,
) -> Result<f64, ParameterError> {
    ParameterError::check(tau_samples >= 0.0, "tau_samples", tau_samples, "0 and up")?;
    ParameterError::check(hysteresis >= 0.0, "hysteresis", hysteresis, "0 and up")?;
    let share = if updates == 0 { 0.0 } else { charged(updates as f64 / tau_samples) };
    let moved = (code - from) * share;
    Ok(from + moved.signum() * (moved.abs() - 0.5 * hysteresis).max(0.0))
}

/// Voltage per octave of an exponential converter at a temperature: `(kT/q) ln 2`, millivolts.
#[must_use]
pub fn thermal_mv_per_octave(kelvin: f64) -> f64 {
    // Boltzmann constant over elementary charge, both exact since 2019.
    const VOLTS_PER_KELVIN: f64 = 1.380_649e-23 / 1.602_176_634e-19;
    1000.0 * VOLTS_PER_KELVIN * kelvin * LN_2
}

/// Drift of such a converter in cents per kelvin for each octave from its reference: `1200 / T`.
#[must_use]
pub fn thermal_cents_per_kelvin_octave(kelvin: f64) -> f64 {
    1200.0 / kelvin
}

/// Error in cents at `x` octaves of `2^x` read from `points` points per octave with linear
/// interpolation. Never flat: the chord lies above the curve.
///
/// # Errors
/// `points` of 0.
pub fn table_error_cents(points: u32, x: f64) -> Result<f64, ParameterError> {
    ParameterError::check(points > 0, "points", 0.0, "1 and up")?;
    let place = (x * f64::from(points)).rem_euclid(1.0);
    Ok(chord_cents(points, place))
}

/// Largest error in cents of that table. `(ln 2 / points)^2 / 8` as a ratio is its first order.
///
/// # Errors
/// `points` of 0.
pub fn table_worst_cents(points: u32) -> Result<f64, ParameterError> {
    ParameterError::check(points > 0, "points", 0.0, "1 and up")?;
    // d/du of ln(1 + u (r - 1)) - u ln r vanishes there, with r = 2^(1/points).
    let cell = LN_2 / f64::from(points);
    Ok(chord_cents(points, 1.0 / cell - 1.0 / cell.exp_m1()))
}

/// Chord over curve at `place` (0..=1) of a cell.
fn chord_cents(points: u32, place: f64) -> f64 {
    let cell = LN_2 / f64::from(points);
    1200.0 / LN_2 * ((place * cell.exp_m1()).ln_1p() - place * cell)
}

/// Largest errors in cents `(flat, sharp)` of the polynomial of this degree nearest to `2^x` in one
/// octave. `None` for a degree that the table does not hold.
///
/// # Errors
/// A damaged table.
pub fn polynomial_worst_cents(degree: u32) -> Result<Option<(f64, f64)>, TableError> {
    let polynomial = tables::exp2_minimax(degree)?;
    Ok(polynomial.map(|p| (cents_of_error(-p.error), cents_of_error(p.error))))
}

/// Error in cents of that polynomial at `x` within 0..=1, to 1e-12.
///
/// # Errors
/// A damaged table.
pub fn polynomial_error_cents(degree: u32, x: f64) -> Result<Option<f64>, TableError> {
    let polynomial = tables::exp2_minimax(degree)?;
    Ok(polynomial.map(|p| {
        let value = p.coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c);
        cents_of_error((value - x.exp2()) / x.exp2())
    }))
}
