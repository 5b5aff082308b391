//! Glide: pitch goes to the next note in a straight line or like a capacitor.
//!
//! | | |
//! |---|---|
//! | Source  | line p0 + (p1 − p0) n/N; first-order lag p1 + (p0 − p1) qⁿ, q = exp(−1/(τ fs)), whole at 2^-20 octave from its goal; ln 1200 = 7.0901 τ to 1 cent of an octave, ln 12000 = 9.3927 τ to 0.1 cent |
//! | Units   | pitch in octaves from A4, −32 to 32 (before the first note 0); time 0 to 100 s: duration, seconds per octave, or τ |
//! | float   | f32, u = 2^-24, d = p0 − p1, P = max(\|p0\|, \|p1\|): line \|error\| ≤ u (5 \|d\| + 2P); rc \|error\| ≤ u (\|d\| qⁿ (2 + 4n (e^x − 1) + n u e^x) + 2P), x = 1/(τ fs), landing at most 1 + u (n (4 + u/x) + (2 + 2P/\|d\|)/x) samples off |
//! | fixed   | output Q6.26; line: quotient and carried remainder, \|error\| ≤ ½ LSB; rc: distance Q8.56, k as 32-bit mantissa and shift, remainder carried, \|error\| ≤ ½ LSB + \|d\| qⁿ n (e^x − 1) 2^-32 + 2^-54, landing at most 1 + n 2^-32 + 2^-34/x samples off |
//! | Usable  | float and fixed: any rate and time; below half a sample the pitch jumps |
//! | Checked | `tests/suite/glide.rs::every_mode_follows_its_closed_form` |
//!
//! Each error is counted against the definition at the pitches of the event, to the first order
//! in u. The length of a line is exact in both twins; the float twin counts the way of a note
//! that begins within a glide to 2^-26 octave.

use fixed::types::I6F26;

use crate::contours::{Contour, ContourEntry, FixedContour, KeyEvent};
use crate::error::RangeError;
use crate::line::Line;
use crate::math::{expm1, rint, round};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// How the bench finds this module.
pub const ENTRY: ContourEntry = ContourEntry {
    name: "glide",
    file: "contours/glide.rs",
    summary: "glide of the pitch: constant time, constant rate or RC",
    parameters: &[MODE, TIME, LEGATO_ONLY],
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    },
    fixed: FixedContour::Octaves(|rate, values, lend| {
        lend(&mut Fixed::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    }),
};

/// What the time means.
pub const MODE: Parameter = Parameter::choice("mode", &["time", "rate", "rc"]);
/// Duration, time per octave, or time constant.
pub const TIME: Parameter = Parameter::number("time", "s", 0.0, 100.0, 0.1);
/// Whether only a note within a legato glides.
pub const LEGATO_ONLY: Parameter = Parameter::choice("legato-only", &["off", "on"]);

/// What [`Setup::time_s`] means.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// The duration of every glide.
    #[default]
    Time,
    /// The time for one octave.
    Rate,
    /// The time constant of an exponential approach.
    Rc,
}

/// Settings that hold from construction on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// What the time means.
    pub mode: Mode,
    /// Seconds, 0 to 100.
    pub time_s: f64,
    /// Whether a note that is not legato jumps.
    pub legato_only: bool,
}

impl Default for Setup {
    fn default() -> Self {
        Self { mode: Mode::Time, time_s: TIME.default, legato_only: false }
    }
}

impl Setup {
    /// Takes the settings by name.
    ///
    /// # Errors
    /// `mode`, `time` or `legato-only` out of range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let mode = [Mode::Time, Mode::Rate, Mode::Rc][values.choice(&MODE)?];
        let legato_only = values.choice(&LEGATO_ONLY)? == 1;
        Ok(Self { mode, time_s: values.of(&TIME)?, legato_only })
    }
}

/// How a note is reached.
enum Route {
    Jump,
    Line { samples: u32 },
    Rc,
}

/// Decides in integers, the same for both twins, how the next note is reached.
#[derive(Clone, Debug)]
struct Rules {
    mode: Mode,
    legato_only: bool,
    /// The time in 2^-32 sample.
    time: u64,
    sounded: bool,
}

const OCTAVE: u64 = 1 << 26;

impl Rules {
    /// The rules, and k = 1 − q per sample.
    fn new(rate: Rate, setup: &Setup) -> Result<(Self, f64), RangeError> {
        let samples = TIME.check(setup.time_s)? * f64::from(rate.hz());
        let time = round(samples * 4_294_967_296.0) as u64;
        // A time of 0 makes k = 1; nothing asks for it, as the pitch jumps.
        let k = -expm1(-1.0 / samples);
        let Setup { mode, legato_only, .. } = *setup;
        Ok((Self { mode, legato_only, time, sounded: false }, k))
    }

    /// The way to go, in 2^-26 octave, decides with the mode.
    fn route(&mut self, way: i64, legato: bool) -> Route {
        let first = !core::mem::replace(&mut self.sounded, true);
        let octaves = if self.mode == Mode::Rate { way.unsigned_abs() } else { OCTAVE };
        // At most 2^32 · 2^57, and 2^31 samples; half a sample counts as one.
        let samples = ((u128::from(octaves) * u128::from(self.time) + (1 << 57)) >> 58) as u32;
        match self.mode {
            _ if first || self.legato_only && !legato || way == 0 || samples == 0 => Route::Jump,
            Mode::Rc => Route::Rc,
            _ => Route::Line { samples },
        }
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    rules: Rules,
    k: f32,
    now: f32,
    target: f32,
    /// The target before its rounding to f32.
    target_q26: i32,
    /// Of a line: octaves per sample, and samples to go.
    step: f32,
    left: u32,
    /// Of rc: octaves from the target, and what f32 drops of them.
    distance: f32,
    rest: f32,
}

impl Float {
    /// Starts at A4, before the first note.
    ///
    /// # Errors
    /// `time_s` outside 0 to 100.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let (rules, k) = Rules::new(rate, setup)?;
        let (now, target, target_q26) = (0.0, 0.0, 0);
        let (step, left, distance, rest) = (0.0, 0, 0.0, 0.0);
        Ok(Self { rules, k: k as f32, now, target, target_q26, step, left, distance, rest })
    }
}

impl Contour<f32> for Float {
    fn event(&mut self, event: KeyEvent) {
        let KeyEvent::Down { octaves, legato } = event else { return };
        let from = if self.at_rest() {
            i64::from(self.target_q26)
        } else {
            rint(f64::from(self.now) * OCTAVE as f64) as i64
        };
        self.target_q26 = octaves.to_bits();
        self.target = octaves.to_num();
        (self.left, self.distance, self.rest) = (0, 0.0, 0.0);
        match self.rules.route(i64::from(self.target_q26) - from, legato) {
            Route::Line { samples } => {
                self.step = (self.target - self.now) / samples as f32;
                self.left = samples;
            }
            Route::Rc if (self.now - self.target).abs() > NEAR => {
                self.distance = self.now - self.target;
            }
            _ => self.now = self.target,
        }
    }

    #[inline]
    fn tick(&mut self) -> f32 {
        let now = self.now;
        if self.left > 0 {
            // Counted from the goal: no sum that could stall, and 0 steps from it is the goal.
            self.left -= 1;
            self.now = self.target - self.step * self.left as f32;
        } else if self.distance != 0.0 {
            // What the sum drops waits for the next sample (Kahan, Comm. ACM 8(1):40, 1965, from memory).
            let change = self.rest - self.k * self.distance;
            let distance = self.distance + change;
            self.rest = change - (distance - self.distance);
            self.distance = if distance.abs() <= NEAR { 0.0 } else { distance };
            self.now = self.target + self.distance;
        }
        now
    }

    fn at_rest(&self) -> bool {
        self.left == 0 && self.distance == 0.0
    }
}

/// As near as rc comes before it lands, in octaves: 0.0011 cent.
const NEAR: f32 = 1.0 / 1_048_576.0;

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    rules: Rules,
    /// k · 2^(32 + shift), between 2^31 and 2^32.
    mantissa: u32,
    shift: u32,
    now: i32,
    target: i32,
    line: Line,
    /// Of rc: from the target, Q8.56, and what the last step leaves to the next.
    distance: i64,
    rest: i64,
}

impl Fixed {
    /// Starts at A4, before the first note.
    ///
    /// # Errors
    /// `time_s` outside 0 to 100.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let (rules, mut k) = Rules::new(rate, setup)?;
        let mut shift = 0;
        // Q: 24 bits of shift for 100 s at 192 kHz.
        while k < 0.5 {
            k *= 2.0;
            shift += 1;
        }
        let mantissa = round(k * 4_294_967_296.0) as u32;
        let (now, target, line, distance, rest) = (0, 0, Line::at(0), 0, 0);
        Ok(Self { rules, mantissa, shift, now, target, line, distance, rest })
    }
}

impl Contour<I6F26> for Fixed {
    fn event(&mut self, event: KeyEvent) {
        let KeyEvent::Down { octaves, legato } = event else { return };
        self.target = octaves.to_bits();
        let (from, to) = (i64::from(self.now), i64::from(self.target));
        (self.line, self.distance, self.rest) = (Line::at(to), 0, 0);
        match self.rules.route(to - from, legato) {
            Route::Line { samples } => self.line = Line::new(from, to, samples),
            // Q: |distance| < 2^32 in Q.26, 2^62 in Q.56.
            Route::Rc if (from - to).abs() << 30 > NEAR_Q56 => self.distance = (from - to) << 30,
            _ => self.now = self.target,
        }
    }

    #[inline]
    fn tick(&mut self) -> I6F26 {
        let now = self.now;
        if self.line.moves() {
            // Q: between two Q6.26 pitches, so the 32 bits suffice.
            self.line.advance();
            self.now = self.line.now() as i32;
        } else if self.distance != 0 {
            // Q: 64 by 32 bits, floored by 32: upper product < 2^62, lower < 2^64.
            let k = self.mantissa;
            let lower = (u64::from(self.distance as u32) * u64::from(k)) >> 32;
            let product = (self.distance >> 32) * i64::from(k) + lower as i64 + self.rest;
            // Q: floored to Q.56 by the shift, the remainder carried.
            self.rest = product & ((1 << self.shift) - 1);
            let distance = self.distance - (product >> self.shift);
            self.distance = if distance.abs() <= NEAR_Q56 { 0 } else { distance };
            // Q: rounded to Q6.26; between two pitches, as above.
            self.now = (i64::from(self.target) + ((self.distance + (1 << 29)) >> 30)) as i32;
        }
        I6F26::from_bits(now)
    }

    fn at_rest(&self) -> bool {
        !self.line.moves() && self.distance == 0
    }
}

/// 2^-20 octave.
const NEAR_Q56: i64 = 1 << 36;
