//! A measured figure with its unit and uncertainty, and the reasons for having none.

use serde::{Deserialize, Serialize};
use std::fmt;

/// What a figure is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Ratio of two levels, in dB.
    Decibel,
    /// Level below the carrier or fundamental, in dB.
    Dbc,
    /// Level re the rms of a full-scale sine (AES17-2015, 3.12.1), in dB.
    Dbfs,
    /// Musical interval, 1200 to the octave.
    Cents,
    /// Frequency.
    Hertz,
    /// Sample value, full scale = 1.0.
    FullScale,
    /// Binary digits.
    Bits,
    /// Plain ratio.
    Ratio,
    /// Time counted in samples.
    Samples,
    /// Time.
    Seconds,
    /// Hundredths.
    Percent,
    /// Musical interval, 1 to a doubling of frequency.
    Octaves,
    /// Angle, 1 to the full circle.
    Turns,
    /// Error of a pitch law by interval asked for.
    CentsPerOctave,
    /// Bend of a pitch law.
    CentsPerSquareOctave,
    /// Angle, 360 to the full circle.
    Degrees,
    /// Steepness of a response.
    DecibelsPerOctave,
    /// Level re full scale, K-weighted (ITU-R BS.1770).
    Lkfs,
}

impl Unit {
    /// The symbol printed after a figure.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Decibel => "dB",
            Self::Dbc => "dBc",
            Self::Dbfs => "dBFS",
            Self::Cents => "cents",
            Self::Hertz => "Hz",
            Self::FullScale => "FS",
            Self::Bits => "bits",
            Self::Ratio => "",
            Self::Samples => "samples",
            Self::Seconds => "s",
            Self::Percent => "%",
            Self::Octaves => "octaves",
            Self::Turns => "turns",
            Self::CentsPerOctave => "cents/octave",
            Self::CentsPerSquareOctave => "cents/octave²",
            Self::Degrees => "deg",
            Self::DecibelsPerOctave => "dB/octave",
            Self::Lkfs => "LKFS",
        }
    }
}

/// One measured figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The figure, in `unit`.
    pub value: f64,
    /// What `value`, `uncertainty` and `floor` are counted in.
    pub unit: Unit,
    /// Expanded uncertainty, coverage factor k = 2 (about 95 %), never negative.
    pub uncertainty: f64,
    /// The least value the instrument can tell from its own noise, where it has one.
    pub floor: Option<f64>,
}

impl Reading {
    /// A reading without a floor; `uncertainty` is expanded, k = 2.
    #[must_use]
    pub const fn new(value: f64, unit: Unit, uncertainty: f64) -> Self {
        Self { value, unit, uncertainty, floor: None }
    }

    /// The same reading with the instrument's floor stated.
    #[must_use]
    pub const fn with_floor(self, floor: f64) -> Self {
        Self { floor: Some(floor), ..self }
    }

    /// True where the value lies at or below the floor: an upper bound, not a figure.
    #[must_use]
    pub fn at_floor(&self) -> bool {
        self.floor.is_some_and(|floor| self.value <= floor)
    }
}

impl fmt::Display for Reading {
    /// Prints two significant digits of uncertainty and the value to the same place.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, prefix) = match self.floor {
            Some(floor) if self.at_floor() => (floor, "<= "),
            _ => (self.value, ""),
        };
        let digits = if self.uncertainty > 0.0 && self.uncertainty.is_finite() {
            (1 - self.uncertainty.log10().floor() as i32).clamp(0, 12) as usize
        } else {
            6
        };
        write!(f, "{prefix}{value:.digits$}")?;
        if self.uncertainty > 0.0 {
            write!(f, " ± {:.digits$}", self.uncertainty)?;
        }
        match self.unit.symbol() {
            "" => Ok(()),
            symbol => write!(f, " {symbol}"),
        }
    }
}

/// Why something cannot be measured.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Obstacle {
    /// Too few samples.
    #[error("{have} samples given, at least {need} needed")]
    TooShort {
        /// Samples given.
        have: usize,
        /// Samples needed.
        need: usize,
    },
    /// The buffer does not have the length the analyser was made for.
    #[error("{have} samples given, the analyser was made for {need}")]
    WrongLength {
        /// Samples given.
        have: usize,
        /// Length of the analyser.
        need: usize,
    },
    /// A sample is NaN or infinite.
    #[error("sample {index} is not a finite number")]
    NotFinite {
        /// The first such sample.
        index: usize,
    },
    /// Every sample is zero.
    #[error("the capture is silent: every sample is zero")]
    Silent,
    /// Every sample has the same value.
    #[error("the capture is constant at {value}: there is nothing but DC")]
    Constant {
        /// That value, full scale = 1.0.
        value: f64,
    },
    /// The signal sits at its extreme value for several samples in a row.
    #[error("clipped: {run} samples in a row at {value}, from sample {index}")]
    Clipped {
        /// First sample of the longest run.
        index: usize,
        /// Length of the run.
        run: usize,
        /// The value, full scale = 1.0.
        value: f64,
    },
    /// Periods and length share a factor, so aliases fall on harmonics.
    #[error("{periods} periods in {len} samples share the factor {factor}: choose coprime numbers")]
    NotCoprime {
        /// Periods in the capture.
        periods: u32,
        /// Samples in the capture.
        len: usize,
        /// Greatest common divisor.
        factor: usize,
    },
    /// A parameter lies outside its range.
    #[error("{name} is {value}, must be {}", range(*low, *high))]
    OutOfRange {
        /// Parameter name, with its unit.
        name: &'static str,
        /// Value given.
        value: f64,
        /// Least value allowed.
        low: f64,
        /// Largest value allowed.
        high: f64,
    },
    /// No periodic component stands out.
    #[error("no tone found: nothing stands out of the noise")]
    NoTone,
    /// Two captures do not hold the same sound.
    #[error(
        "the captures have nothing in common: a share of {share} of the power agrees, {need} needed"
    )]
    Unrelated {
        /// Share of the subject's power that the reference accounts for.
        share: f64,
        /// Share needed.
        need: f64,
    },
    /// No event is followed by a response.
    #[error("none of {events} events is followed by a response")]
    NoResponse {
        /// Events given.
        events: usize,
    },
    /// A level in dB needs samples above zero.
    #[error("sample {index} is {value}: a level in dB needs samples above 0")]
    NotPositive {
        /// The first such sample.
        index: usize,
        /// Its value, full scale = 1.0.
        value: f64,
    },
    /// A trace ends before it reaches the level asked for.
    #[error("the trace falls {have_db} dB, {need_db} dB needed: capture longer or ask for less")]
    TooShallow {
        /// How far it falls, in dB.
        have_db: f64,
        /// How far it should fall, in dB.
        need_db: f64,
    },
    /// Lines lie closer together than the capture can separate.
    #[error("lines {spacing_hz} Hz apart cannot be separated, {need_hz} Hz needed: capture longer")]
    Unresolved {
        /// Spacing of the lines, in Hz.
        spacing_hz: f64,
        /// Spacing this capture can separate, in Hz.
        need_hz: f64,
    },
}

/// A range in words; the ends of the number format are no limits worth naming.
fn range(low: f64, high: f64) -> String {
    let above =
        if low == f64::MIN_POSITIVE { "above 0".to_owned() } else { format!("at least {low}") };
    match (low == f64::MIN, high == f64::MAX) {
        (true, true) => "a finite number".to_owned(),
        (true, false) => format!("at most {high}"),
        (false, true) => above,
        (false, false) => format!("within {low} to {high}"),
    }
}

/// Checks that `value` lies within `low..=high`.
///
/// # Errors
/// [`Obstacle::OutOfRange`] otherwise, also for NaN.
pub(crate) fn within(name: &'static str, value: f64, low: f64, high: f64) -> Result<f64, Obstacle> {
    if (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(Obstacle::OutOfRange { name, value, low, high })
    }
}
