//! A control code taken once per block: held, ramped or smoothed until the next.
//!
//! | | |
//! |---|---|
//! | Source  | hold y = c; ramp from the last code to the present one, there with the last sample of the block; smoothing y += k (c − y), k = 1 − exp(−1/(tau·rate)) |
//! | Units   | codes 0 to 65535, one per sample, of which every `every`-th is taken; 1 to 1024 samples; tau in s; starts at 0 |
//! | float   | f32, u = 2^-24: hold exact; ramp \|error\| ≤ 4u·65536 codes; smoothing as [`super::smoothing`] |
//! | fixed   | Q16.16: hold exact; ramp the nearest, \|error\| ≤ 2^-17 codes, one division per block; smoothing as [`super::smoothing`] |
//! | Usable  | float and fixed: every block length; 1 lets every code through |
//! | Checked | `tests/suite/update.rs::every_fill_follows_its_definition` |
//!
//! A held code steps once per block and repeats the control's spectrum around every multiple of
//! the update rate. A ramp costs a block of delay and squares the attenuation of these images; a
//! low-pass lowers them by its own response.

use fixed::types::U16F16;

use super::{ControlEntry, Follower, Made, smoothing};
use crate::error::RangeError;
use crate::line::Line;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// Length of a block.
pub const EVERY: Parameter = Parameter::count("every", "samples", 1.0, 1024.0, 128.0);
/// What fills a block.
pub const FILL: Parameter = Parameter::choice("fill", &["hold", "ramp", "smooth"]);
/// Time constant, where it is smoothed.
pub const TAU: Parameter = Parameter::number("tau", "s", 0.0, 10.0, 0.005);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "update",
    file: "control/update.rs",
    summary: "code taken once per block: held, ramped or smoothed",
    parameters: &[EVERY, FILL, TAU],
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

/// What fills a block.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Fill {
    /// The code.
    #[default]
    Hold,
    /// A straight line from the code before.
    Ramp,
    /// The code through a one-pole low-pass.
    Smooth {
        /// Its time constant in s, 0 to 10.
        tau_s: f64,
    },
}

/// Settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Length of a block in samples, 1 to 1024.
    pub every: u32,
    /// What fills it.
    pub fill: Fill,
}

impl Default for Setup {
    fn default() -> Self {
        Self { every: EVERY.default as u32, fill: Fill::Hold }
    }
}

impl Setup {
    /// Reads [`EVERY`], [`FILL`] and [`TAU`].
    ///
    /// # Errors
    /// A value outside its range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let tau_s = values.of(&TAU)?;
        let fill = [Fill::Hold, Fill::Ramp, Fill::Smooth { tau_s }][values.choice(&FILL)?];
        Ok(Self { every: values.of(&EVERY)? as u32, fill })
    }

    fn every(&self) -> Result<u32, RangeError> {
        EVERY.check(f64::from(self.every)).map(|_| self.every)
    }

    /// The low-pass of a smoothed block; lets everything through elsewhere.
    fn smoothing(&self) -> smoothing::Setup {
        let tau_s = match self.fill {
            Fill::Smooth { tau_s } => tau_s,
            Fill::Hold | Fill::Ramp => 0.0,
        };
        smoothing::Setup { tau_s, hysteresis_codes: 0.0 }
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float {
    every: u32,
    fill: Fill,
    /// 1 / every.
    share: f32,
    /// Samples of the block that are done.
    done: u32,
    from: f32,
    code: u32,
    low_pass: smoothing::Float,
}

impl Float {
    /// Starts at code 0 with the beginning of a block.
    ///
    /// # Errors
    /// `every` outside 1 to 1024 samples, `tau` outside 0 to 10 s.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let every = setup.every()?;
        let low_pass = smoothing::Float::new(rate, &setup.smoothing())?;
        let share = 1.0 / every as f32;
        Ok(Self { every, fill: setup.fill, share, done: 0, from: 0.0, code: 0, low_pass })
    }

    /// Takes the code of the present sample and returns the output in codes.
    #[inline]
    pub fn next(&mut self, code: u32) -> f32 {
        if self.done == 0 {
            self.from = self.code as f32;
            self.code = code.min(LAST);
        }
        self.done += 1;
        let now = match self.fill {
            Fill::Hold => self.code as f32,
            // The end of a ramp is the code itself.
            Fill::Ramp if self.done == self.every => self.code as f32,
            Fill::Ramp => {
                self.from + (self.code as f32 - self.from) * (self.done as f32 * self.share)
            }
            Fill::Smooth { .. } => self.low_pass.next(self.code),
        };
        if self.done == self.every {
            self.done = 0;
        }
        now
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
    every: u32,
    fill: Fill,
    done: u32,
    /// Q16.16.
    ramp: Line,
    code: u32,
    low_pass: smoothing::Fixed,
}

impl Fixed {
    /// Starts at code 0 with the beginning of a block.
    ///
    /// # Errors
    /// `every` outside 1 to 1024 samples, `tau` outside 0 to 10 s.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let every = setup.every()?;
        let low_pass = smoothing::Fixed::new(rate, &setup.smoothing())?;
        Ok(Self { every, fill: setup.fill, done: 0, ramp: Line::at(0), code: 0, low_pass })
    }

    /// Takes the code of the present sample and returns the output in codes.
    #[inline]
    pub fn next(&mut self, code: u32) -> U16F16 {
        if self.done == 0 {
            let from = i64::from(self.code) << 16;
            self.code = code.min(LAST);
            if self.fill == Fill::Ramp {
                self.ramp = Line::new(from, i64::from(self.code) << 16, self.every);
            }
        }
        self.done += 1;
        let now = match self.fill {
            // Q: a 16-bit code fills the integer part.
            Fill::Hold => U16F16::from_bits(self.code << 16),
            Fill::Ramp => {
                self.ramp.advance();
                // Q: between two codes, so 32 bits hold it.
                U16F16::from_bits(self.ramp.now() as u32)
            }
            Fill::Smooth { .. } => self.low_pass.next(self.code),
        };
        if self.done == self.every {
            self.done = 0;
        }
        now
    }
}

impl Follower for Fixed {
    fn follow(&mut self, code: u32) -> f64 {
        self.next(code).to_num()
    }
}
