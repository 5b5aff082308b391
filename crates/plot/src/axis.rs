//! Axes: scales, ranges, ticks and their texts.

use crate::PlotError;

/// Larger magnitudes are treated like infinities, so that no difference of two values overflows.
const LARGEST: f64 = 1e150;
/// No keyboard is near it; it bounds the number of ticks.
const LARGEST_KEY: f64 = 1000.0;
/// Narrowest range relative to its magnitude: ticks need distinct decimal texts.
const NARROWEST: f64 = 1e-9;

/// How values map to positions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Proportional.
    Linear,
    /// Proportional to the decimal logarithm; values must be above 0.
    Log10,
    /// Key numbers, C4 = 60 (so A0 = 21 and C8 = 108); fractions allowed, ticks bear note names.
    Keys,
}

/// What part of an axis is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Range {
    /// All data, marks and stem floors, and a little margin.
    Auto,
    /// From the first to the second value, ascending.
    Fixed(f64, f64),
}

/// One axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Quantity, for example `Frequency`.
    pub label: String,
    /// Unit, for example `kHz`; may be empty.
    pub unit: String,
    /// Scale.
    pub scale: Scale,
    /// Part shown.
    pub range: Range,
}

impl Axis {
    fn new(label: impl Into<String>, unit: impl Into<String>, scale: Scale) -> Self {
        Self { label: label.into(), unit: unit.into(), scale, range: Range::Auto }
    }

    /// A linear axis that shows all data.
    pub fn linear(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self::new(label, unit, Scale::Linear)
    }

    /// A logarithmic axis that shows all data above 0.
    pub fn log10(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self::new(label, unit, Scale::Log10)
    }

    /// An axis of key numbers with note names.
    pub fn keys(label: impl Into<String>) -> Self {
        Self::new(label, "", Scale::Keys)
    }

    /// Fixes the range.
    pub fn range(mut self, low: f64, high: f64) -> Self {
        self.range = Range::Fixed(low, high);
        self
    }
}

/// What one side of a plot area stands for, so that a place in it can be read.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruler {
    /// Quantity.
    pub label: String,
    /// Unit; may be empty.
    pub unit: String,
    /// Scale between the two ends.
    pub scale: Scale,
    /// Value at the left or lower end, in the unit.
    pub low: f64,
    /// Value at the right or upper end, in the unit.
    pub high: f64,
}

/// A value to read out: the last digits of a logarithm differ from one system's library to the
/// next, and nobody wants to hear them.
pub(crate) fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// A tick; minor ticks have no text.
pub(crate) struct Tick {
    /// Position, 0 at the low and 1 at the high end.
    pub at: f64,
    pub text: String,
}

/// Room for ticks on one axis, px.
#[derive(Clone, Copy)]
pub(crate) struct Room {
    pub length: f64,
    /// Wanted distance between texts.
    pub pitch: f64,
}

/// An axis with its range resolved. `low` and `high` are logarithms on a logarithmic axis.
pub(crate) struct Span {
    scale: Scale,
    low: f64,
    high: f64,
    /// Texts of a linear axis are divided by 10 to this power.
    exponent: i32,
}

impl Span {
    pub fn resolve(
        axis: &Axis,
        name: &str,
        values: impl Iterator<Item = f64>,
    ) -> Result<Self, PlotError> {
        let coordinate = |value| coordinate(axis.scale, value);
        let (low, high) = match axis.range {
            Range::Auto => widened(axis.scale, values.filter_map(coordinate)),
            Range::Fixed(low, high) => {
                let fixed = coordinate(low).zip(coordinate(high));
                fixed.filter(|(l, h)| h - l > NARROWEST * l.abs().max(h.abs())).ok_or_else(
                    || PlotError::OutOfRange {
                        parameter: format!("{name} range"),
                        value: format!("{low} to {high}"),
                        allowed: "ascending by more than 1e-9 of its magnitude, within ±1e150, \
                                  above 1e-150 on a logarithmic axis, within ±1000 for keys",
                    },
                )?
            }
        };
        let magnitude = low.abs().max(high.abs()).log10();
        let plain = axis.scale != Scale::Linear || (-2.0..5.0).contains(&magnitude);
        let exponent = if plain { 0 } else { (magnitude / 3.0).floor() as i32 * 3 };
        Ok(Self { scale: axis.scale, low, high, exponent })
    }

    /// Position of a value, 0 at the low and 1 at the high end; `None` if the axis cannot show it.
    pub fn position(&self, value: f64) -> Option<f64> {
        coordinate(self.scale, value).map(|c| self.fraction(c))
    }

    fn fraction(&self, coordinate: f64) -> f64 {
        (coordinate - self.low) / (self.high - self.low)
    }

    /// Label with its unit, which bears the power of ten taken out of the tick texts.
    pub fn title(&self, axis: &Axis) -> String {
        let power = match self.exponent {
            0 => String::new(),
            e => power_of_ten(e),
        };
        let unit = [power.as_str(), axis.unit.as_str()].join(" ");
        match unit.trim() {
            "" => axis.label.clone(),
            unit => format!("{} ({unit})", axis.label),
        }
    }

    /// The range in words.
    pub fn words(&self) -> String {
        let key = if self.scale == Scale::Keys { "key " } else { "" };
        let (low, high) = self.ends();
        format!("{key}{} to {key}{}", six_digits(low), six_digits(high))
    }

    /// The values at both ends.
    fn ends(&self) -> (f64, f64) {
        match self.scale {
            Scale::Log10 => (10f64.powf(self.low), 10f64.powf(self.high)),
            _ => (self.low, self.high),
        }
    }

    pub fn ruler(&self, axis: &Axis) -> Ruler {
        let (low, high) = self.ends();
        let (label, unit) = (axis.label.clone(), axis.unit.clone());
        Ruler { label, unit, scale: self.scale, low, high }
    }

    pub fn ticks(&self, room: Room) -> Vec<Tick> {
        match self.scale {
            Scale::Linear => self.linear_ticks(room, |c| c),
            Scale::Log10 => self.log_ticks(room),
            Scale::Keys => self.key_ticks(room),
        }
    }

    /// Steps of 1, 2 or 5 times a power of ten, in the value that `coordinate` maps.
    fn linear_ticks(&self, room: Room, coordinate: impl Fn(f64) -> f64) -> Vec<Tick> {
        let (low, high, exponent) = match self.scale {
            Scale::Log10 => (10f64.powf(self.low), 10f64.powf(self.high), 0),
            _ => (self.low, self.high, self.exponent),
        };
        let least = (high - low) / (room.length / room.pitch).max(2.0);
        let decade = least.log10().floor() as i32;
        let (step, decade) = [(1, 0), (2, 0), (5, 0), (1, 1)]
            .map(|(m, up)| (f64::from(m) * 10f64.powi(decade + up), decade + up))
            .into_iter()
            .find(|(step, _)| *step >= least * (1.0 - 1e-9))
            .unwrap_or((least, decade));
        let decimals = (exponent - decade).max(0) as usize;
        let count = |edge: f64| edge / step;
        let first = (count(low) - 1e-6).ceil() as i64;
        let last = (count(high) + 1e-6).floor() as i64;
        (first..=last)
            .map(|i| {
                let value = i as f64 * step;
                Tick {
                    at: self.fraction(coordinate(value)),
                    text: number(value / 10f64.powi(exponent), decimals),
                }
            })
            .collect()
    }

    fn log_ticks(&self, room: Room) -> Vec<Tick> {
        let decade_px = room.length / (self.high - self.low);
        let every = (room.pitch * 0.6 / decade_px).ceil().max(1.0) as i32;
        let named = |mantissa, exponent: i32| match mantissa {
            1 => exponent.rem_euclid(every) == 0,
            2 | 5 => decade_px > 2.5 * room.pitch,
            _ => false,
        };
        let mut ticks = Vec::new();
        for exponent in self.low.floor() as i32..=self.high.floor() as i32 {
            for mantissa in 1..=9 {
                let at = self.fraction(f64::from(exponent) + f64::from(mantissa).log10());
                let shown = mantissa == 1 || decade_px > 40.0;
                if (-1e-9..=1.0 + 1e-9).contains(&at) && shown {
                    let text = if named(mantissa, exponent) {
                        log_number(mantissa, exponent)
                    } else {
                        String::new()
                    };
                    ticks.push(Tick { at, text });
                }
            }
        }
        let texts = ticks.iter().filter(|t| !t.text.is_empty()).count();
        if texts < 3 && self.high - self.low < 1.0 {
            // Less than a decade in view: decimal steps, logarithmically spaced.
            return self.linear_ticks(room, f64::log10);
        }
        ticks
    }

    /// The lowest whole key and each C, or each key where there is room.
    fn key_ticks(&self, room: Room) -> Vec<Tick> {
        let key_px = room.length / (self.high - self.low);
        let first = (self.low - 1e-6).ceil() as i64;
        let last = (self.high + 1e-6).floor() as i64;
        let every = match key_px {
            px if px >= room.pitch * 0.5 => 1,
            px => 12 * (room.pitch * 0.5 / (12.0 * px)).ceil() as i64,
        };
        let step = if key_px >= 4.0 { 1 } else { 12 };
        (first..=last)
            .filter(|key| key.rem_euclid(step) == 0 || *key == first)
            .map(|key| Tick {
                at: self.fraction(key as f64),
                text: if key.rem_euclid(every) == 0 || key == first {
                    note_name(key)
                } else {
                    String::new()
                },
            })
            .collect()
    }
}

fn coordinate(scale: Scale, value: f64) -> Option<f64> {
    let shown = match scale {
        Scale::Linear => value.abs() <= LARGEST,
        Scale::Log10 => (1.0 / LARGEST..=LARGEST).contains(&value),
        Scale::Keys => value.abs() <= LARGEST_KEY,
    };
    shown.then(|| match scale {
        Scale::Log10 => value.log10(),
        _ => value,
    })
}

/// The extent of the coordinates with a margin of 3 % at each end.
fn widened(scale: Scale, coordinates: impl Iterator<Item = f64>) -> (f64, f64) {
    let extent =
        coordinates.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| (l.min(c), h.max(c)));
    match (extent, scale) {
        ((l, h), Scale::Keys) if l > h => (21.0, 108.0),
        ((l, h), _) if l > h => (0.0, 1.0),
        ((l, h), _) => {
            let magnitude = l.abs().max(h.abs());
            let margin = match h - l {
                span if span > 2.0 * NARROWEST * magnitude => 0.03 * span,
                // One single value: show it in the middle.
                _ if scale == Scale::Linear && magnitude > 0.0 => 0.1 * magnitude,
                _ => 1.0,
            };
            (l - margin, h + margin)
        }
    }
}

/// Decimal text with a true minus sign, and none before zero.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| b == b'0' || b == b'.') => digits.into(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

fn log_number(mantissa: i32, exponent: i32) -> String {
    match (mantissa, exponent) {
        (_, -3..=5) => {
            number(f64::from(mantissa) * 10f64.powi(exponent), (-exponent).max(0) as usize)
        }
        (1, _) => power_of_ten(exponent),
        _ => format!("{mantissa}×{}", power_of_ten(exponent)),
    }
}

fn power_of_ten(exponent: i32) -> String {
    let raised = exponent.to_string();
    let raised = raised.chars().map(|c| match c.to_digit(10) {
        Some(d) => ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'][d as usize],
        None => '⁻',
    });
    format!("10{}", raised.collect::<String>())
}

/// Scientific pitch notation, C4 = key 60.
fn note_name(key: i64) -> String {
    const NAMES: [&str; 12] = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
    let name = NAMES[key.rem_euclid(12) as usize];
    format!("{name}{}", key.div_euclid(12) - 1)
}
