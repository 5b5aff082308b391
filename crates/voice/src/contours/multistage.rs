//! Up to sixteen points, each with time, level and bend; hold, loop and release point.
//!
//! | | |
//! |---|---|
//! | Source  | `y[n] = L0 + (L − L0) (1 − e^(−b n/N)) / (1 − e^(−b))`, n/N for b = 0: the charge of a first-order circuit cut after b time constants; stepped as y += s, s += κ s with κ = e^(−b/N) − 1 (first difference of a geometric sequence) |
//! | Units   | times 0 to 100 s, N = round(t fs); levels −1 to 1, full scale = 1.0; bend b −8 to 8; first value 0 |
//! | float   | f32 κ, level and step in two f32 each; \|error\| ≤ \|L − L0\| (1 + 2 A)·2^-24 + N·2^-46 + 2^-24, A = \|b/(e^b − 1) − 1\| ≤ 7.003; stages end exactly; no stall |
//! | fixed   | κ 32-bit mantissa and shift; level Q4.60, step Q4.60 and shift, both rests carried; output nearest Q1.31, 1 becomes 1 − 2^-31; \|error\| ≤ \|L − L0\|/2 + 0.5001 LSB; stages end exactly; no stall, no overflow (\|state\| ≤ 2^61) |
//! | Usable  | float and fixed: every allowed time at every rate |
//! | Checked | `tests/suite/contours.rs::multistage_follows_its_closed_form` |
//!
//! # Order of stages
//!
//! Stage i goes from the present level to the level of point i. At its last sample: if i holds
//! and the key is down, wait; else if i closes the loop and the loop goes on, begin the loop's
//! first stage; else if i is the last point, rest; else begin i + 1. A stage without length
//! jumps, and the next one begins at the same sample; at most sixteen in a row, because a loop
//! without length is refused. Letting the key go begins the release stage if the contour is
//! before it; otherwise it ends the waiting, wherever the held point lies. So every contour
//! comes to rest once the key is up.
//!
//! # Errors of the twins
//!
//! The first step s = (L − L0) κ/((1 + κ)^N − 1) is computed in the constructor from the rounded
//! κ, so the stage arrives where it should and the rounding of κ only bends it: by at most its
//! relative error times |L − L0| (0.95 for N = 2, 0.37 for long stages).
//!
//! - float: the product κ s rounds, and leaves out the lower part of s: 2·2^-24 of each change
//!   of the step. This is a wrong κ that the first step does not know of, and moves the end by
//!   A times as much; a growing step (b < 0) amplifies it: A(−8) = 7.003, A(0) = 0,
//!   A(8) = 0.997. The lower parts of level and step round by 1.25·2^-48 and 2·2^-48 per
//!   sample, levels and output by 2^-25 each. See [`float_error`].
//! - fixed: κ is right within 2^-32, which bends by half an LSB per unit of way; the output
//!   rounds by another half. The first step is as right as the double it comes from. The step
//!   is kept in Q4.60, shifted so that its largest value fills the format; a growing one (e^8 at
//!   most) takes its roundings along, to 2^-45 of the level at most.
//!
//! The last step lands on the level exactly and takes these errors with it.

use fixed::types::I1F31;

use super::segment::{Factor, Pair, carried};
use super::{Contour, ContourEntry, FixedContour, KeyEvent, RESTART, Restart};
use crate::error::RangeError;
use crate::math::{expm1, log1p, rint, round};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::q31::saturate;

/// How the bench finds this module.
pub const ENTRY: ContourEntry = ContourEntry {
    name: "multistage",
    file: "contours/multistage.rs",
    summary: "up to 16 points with time, level and bend; hold, loop, release point",
    parameters: &[
        POINTS, TIME, LEVEL, BEND, HOLD, LOOP_FROM, LOOP_TO, LOOP_COUNT, RELEASE, RESTART,
    ],
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    },
    fixed: FixedContour::Level(|rate, values, lend| {
        lend(&mut Fixed::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    }),
};

/// Most points of a contour.
pub const MAX_POINTS: usize = 16;
/// Number of points.
pub const POINTS: Parameter = Parameter::count("points", "", 2.0, 16.0, 4.0);
/// Time to a point; points 1 to 4 have the defaults of [`Setup::default`].
pub const TIME: Parameter = Parameter::number("time", "s", 0.0, 100.0, 0.1).per_point();
/// Level of a point; points 1 to 4 have the defaults of [`Setup::default`].
pub const LEVEL: Parameter =
    Parameter::number("level", "of full scale", -1.0, 1.0, 0.0).per_point();
/// Time constants that the way to a point spans: 0 straight, positive fast first.
pub const BEND: Parameter = Parameter::number("bend", "time constants", -8.0, 8.0, 0.0).per_point();
/// Point that waits while the key is down.
pub const HOLD: Parameter = Parameter::count("hold", "(point; 0: none)", 0.0, 16.0, 0.0);
/// Stage that begins after `loop-to`.
pub const LOOP_FROM: Parameter = Parameter::count("loop-from", "(point; 0: none)", 0.0, 16.0, 0.0);
/// Point after which the loop begins again.
pub const LOOP_TO: Parameter = Parameter::count("loop-to", "(point; 0: none)", 0.0, 16.0, 0.0);
/// How often the loop is repeated.
pub const LOOP_COUNT: Parameter =
    Parameter::count("loop-count", "repeats (0: while the key is down)", 0.0, 1000.0, 0.0);
/// Stage that begins when the key is let go.
pub const RELEASE: Parameter = Parameter::count("release", "(point; 0: none)", 0.0, 16.0, 0.0);

/// Bound of the float twin's error, of full scale, in a stage of `samples` samples that goes
/// `way` far (up to 2) with this bend.
pub fn float_error(samples: f64, way: f64, bend: f64) -> f64 {
    let growth = if bend == 0.0 { 1.0 } else { bend / expm1(bend) };
    way * (1.0 + 2.0 * (growth - 1.0).abs()) / 16_777_216.0
        + samples / 70_368_744_177_664.0
        + 1.0 / 16_777_216.0
}

/// Bound of the fixed twin's error, of full scale, in a stage that goes `way` far (up to 2).
///
/// At least one LSB, by which a level of 1 leaves the format.
pub fn fixed_error(way: f64) -> f64 {
    (way / 2.0 + 0.5001).max(1.0) / 2_147_483_648.0
}

/// One point and the way to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// [`TIME`] in seconds.
    pub time: f64,
    /// [`LEVEL`], of full scale.
    pub level: f64,
    /// [`BEND`] in time constants.
    pub bend: f64,
}

impl Default for Point {
    fn default() -> Self {
        Self { time: TIME.default, level: LEVEL.default, bend: BEND.default }
    }
}

/// Settings of a contour. Points count from 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// The points; only the first `count` matter.
    pub points: [Point; MAX_POINTS],
    /// [`POINTS`].
    pub count: usize,
    /// [`HOLD`], 0 for none.
    pub hold: usize,
    /// [`LOOP_FROM`], 0 for none.
    pub loop_from: usize,
    /// [`LOOP_TO`], 0 for none.
    pub loop_to: usize,
    /// [`LOOP_COUNT`], 0 for while the key is down.
    pub loop_count: usize,
    /// [`RELEASE`], 0 for none.
    pub release: usize,
    /// What a key does to a contour that still moves.
    pub restart: Restart,
}

impl Default for Setup {
    /// Four straight stages: 10 ms to 1, 100 ms to 0.5, 300 ms to 0.25, 200 ms to 0.
    fn default() -> Self {
        let mut points = [Point::default(); MAX_POINTS];
        let start = [(0.01, 1.0), (0.1, 0.5), (0.3, 0.25), (0.2, 0.0)];
        for (point, (time, level)) in points.iter_mut().zip(start) {
            *point = Point { time, level, ..*point };
        }
        Self {
            points,
            count: 4,
            hold: 0,
            loop_from: 0,
            loop_to: 0,
            loop_count: 0,
            release: 0,
            restart: Restart::Present,
        }
    }
}

impl Setup {
    /// Takes 2 to 16 points, without hold, loop and release point.
    ///
    /// # Errors
    /// Fewer than 2 points or more than 16. What the points hold is checked with the rate.
    pub fn new(points: &[Point]) -> Result<Self, RangeError> {
        let count = whole(&POINTS, points.len() as f64)?;
        let mut setup = Self { count, ..Self::default() };
        setup.points[..count].copy_from_slice(points);
        Ok(setup)
    }

    /// Reads the settings by name: `time-1`, `level-1`, `bend-1` and so on.
    ///
    /// # Errors
    /// A value outside the range of its parameter, or not whole where it counts.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let count = |parameter: &Parameter| whole(parameter, values.of(parameter)?);
        let mut setup = Self {
            count: count(&POINTS)?,
            hold: count(&HOLD)?,
            loop_from: count(&LOOP_FROM)?,
            loop_to: count(&LOOP_TO)?,
            loop_count: count(&LOOP_COUNT)?,
            release: count(&RELEASE)?,
            restart: Restart::from_values(values)?,
            ..Self::default()
        };
        for (i, point) in setup.points[..setup.count].iter_mut().enumerate() {
            let at = |parameter: Parameter, default| {
                values.at_point(&Parameter { default, ..parameter }, i + 1)
            };
            *point = Point {
                time: at(TIME, point.time)?,
                level: at(LEVEL, point.level)?,
                bend: at(BEND, point.bend)?,
            };
        }
        Ok(setup)
    }
}

/// A value that counts something.
fn whole(parameter: &Parameter, value: f64) -> Result<usize, RangeError> {
    let count = parameter.check(value)? as usize;
    if count as f64 == value { Ok(count) } else { Err(parameter.refuse(value)) }
}

/// Which stages there are, and in which order they come.
#[derive(Clone, Copy, Debug)]
struct Route {
    samples: [u32; MAX_POINTS],
    count: usize,
    hold: usize,
    loop_from: usize,
    loop_to: usize,
    loop_count: usize,
    release: usize,
    restart: Restart,
}

impl Route {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let Setup { count, hold, loop_from, loop_to, loop_count, release, restart, .. } = *setup;
        whole(&POINTS, count as f64)?;
        whole(&LOOP_COUNT, loop_count as f64)?;
        let mut samples = [0; MAX_POINTS];
        for (samples, point) in samples.iter_mut().zip(&setup.points[..count]) {
            *samples = round(TIME.check(point.time)? * f64::from(rate.hz())) as u32;
            LEVEL.check(point.level)?;
            BEND.check(point.bend)?;
        }
        let among = |parameter: Parameter, min: usize, unit| Parameter {
            min: min as f64,
            max: count as f64,
            unit,
            ..parameter
        };
        for (parameter, point) in [(HOLD, hold), (RELEASE, release)] {
            among(parameter, 0, "(a point; 0: none)").check(point as f64)?;
        }
        if loop_from != 0 || loop_to != 0 {
            among(LOOP_FROM, 1, "(a point; 0 only if loop-to is 0)").check(loop_from as f64)?;
            let last = among(LOOP_TO, loop_from, "(a point of a loop that takes time)");
            last.check(loop_to as f64)?;
            if samples[loop_from - 1..loop_to].iter().all(|&samples| samples == 0) {
                return Err(last.refuse(loop_to as f64));
            }
        }
        Ok(Self { samples, count, hold, loop_from, loop_to, loop_count, release, restart })
    }
}

/// Which stage runs and what follows: integers, the same for both twins.
#[derive(Clone, Copy, Debug)]
struct Walk {
    route: Route,
    /// The present stage, from 1; 0 before the first key.
    stage: usize,
    /// Samples until it ends; 0 at rest and while waiting.
    left: u32,
    waiting: bool,
    gate: bool,
    repeats: usize,
}

/// What happens between this sample and the next.
enum Motion {
    Still,
    Moving,
    Arrived,
}

impl Walk {
    fn new(route: Route) -> Self {
        Self { route, stage: 0, left: 0, waiting: false, gate: false, repeats: 0 }
    }

    /// The stage that an event begins.
    fn event(&mut self, event: KeyEvent) -> Option<usize> {
        match event {
            KeyEvent::Down { legato, .. } if self.route.restart.ignores(legato, self.gate) => None,
            KeyEvent::Down { .. } => {
                self.gate = true;
                self.repeats = self.route.loop_count;
                Some(1)
            }
            KeyEvent::Up if !self.gate => None,
            KeyEvent::Up => {
                self.gate = false;
                if self.stage < self.route.release {
                    Some(self.route.release)
                } else if self.waiting {
                    self.after()
                } else {
                    None
                }
            }
        }
    }

    /// Begins a stage; false if it has no length.
    fn enter(&mut self, stage: usize) -> bool {
        self.stage = stage;
        self.left = self.route.samples[stage - 1];
        self.waiting = false;
        self.left > 0
    }

    /// The stage that follows the present one, which has ended.
    fn after(&mut self) -> Option<usize> {
        let Route { count, hold, loop_from, loop_to, loop_count, .. } = self.route;
        self.waiting = self.stage == hold && self.gate;
        let again = if loop_count == 0 { self.gate } else { self.repeats > 0 };
        if self.waiting {
            None
        } else if self.stage == loop_to && again {
            self.repeats = self.repeats.saturating_sub(1);
            Some(loop_from)
        } else if self.stage == count {
            None
        } else {
            Some(self.stage + 1)
        }
    }

    #[inline(always)]
    fn advance(&mut self) -> Motion {
        let motion = match self.left {
            0 => return Motion::Still,
            1 => Motion::Arrived,
            _ => Motion::Moving,
        };
        self.left -= 1;
        motion
    }
}

/// κ = e^(−b/N) − 1; a stage of one step has nothing to grow.
fn growth(samples: u32, bend: f64) -> f64 {
    if samples > 1 { expm1(-bend / f64::from(samples)) } else { 0.0 }
}

/// First step of a stage that goes 1 far, for the κ that the twin really uses.
fn first_step(samples: u32, growth: f64) -> f64 {
    let samples = f64::from(samples.max(1));
    if growth == 0.0 { 1.0 / samples } else { growth / expm1(samples * log1p(growth)) }
}

#[derive(Clone, Copy, Debug, Default)]
struct FloatStage {
    level: f32,
    first_step: f64,
    growth: f32,
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    stages: [FloatStage; MAX_POINTS],
    walk: Walk,
    level: Pair,
    step: Pair,
    growth: f32,
}

impl Float {
    /// Stands at 0 and waits for a key.
    ///
    /// # Errors
    /// A value outside the range of its parameter; hold, loop or release beyond the last point;
    /// a loop that runs backwards or takes no time.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let route = Route::new(rate, setup)?;
        let stages = core::array::from_fn(|i| {
            let Point { level, bend, .. } = setup.points[i];
            let growth = growth(route.samples[i], bend) as f32;
            let first_step = first_step(route.samples[i], f64::from(growth));
            FloatStage { level: level as f32, first_step, growth }
        });
        let (level, step) = (Pair::default(), Pair::default());
        Ok(Self { stages, walk: Walk::new(route), level, step, growth: 0.0 })
    }

    /// The present or last stage, from 1; 0 before the first key.
    pub fn stage(&self) -> usize {
        self.walk.stage
    }

    /// Begins a stage, after those without length.
    fn begin(&mut self, stage: usize) {
        let mut next = Some(stage);
        while let Some(number) = next {
            let stage = self.stages[number - 1];
            if self.walk.enter(number) {
                // Once per stage, in doubles: the step starts as exact as its two parts hold.
                let way = f64::from(stage.level) - self.level.joined();
                self.step = Pair::split(way * stage.first_step);
                self.growth = stage.growth;
                return;
            }
            self.level = Pair::single(stage.level);
            next = self.walk.after();
        }
    }
}

impl Contour<f32> for Float {
    fn event(&mut self, event: KeyEvent) {
        if let Some(stage) = self.walk.event(event) {
            let down = matches!(event, KeyEvent::Down { .. });
            if down && self.walk.route.restart == Restart::Zero {
                self.level = Pair::default();
            }
            self.begin(stage);
        }
    }

    #[inline]
    fn tick(&mut self) -> f32 {
        let now = self.level.hi;
        match self.walk.advance() {
            Motion::Still => {}
            Motion::Moving => {
                self.level = self.level.plus(self.step);
                let change = self.growth * self.step.hi;
                self.step = self.step.plus(Pair::single(change));
            }
            Motion::Arrived => {
                self.level = Pair::single(self.stages[self.walk.stage - 1].level);
                if let Some(stage) = self.walk.after() {
                    self.begin(stage);
                }
            }
        }
        now
    }

    fn at_rest(&self) -> bool {
        self.walk.left == 0
    }
}

// Q: levels in Q4.60, room for a way of 2 and its sign.
const FRACTION: u32 = 60;
// Q: first steps of a way of 1 in Q2.62, so that no bit of the double is lost.
const STEP_FRACTION: u32 = 62;

#[derive(Clone, Copy, Debug, Default)]
struct FixedStage {
    level: i64,
    first_step: i64,
    /// Steps are kept 2^shift times as large as they are.
    shift: i32,
    growth: Factor,
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    stages: [FixedStage; MAX_POINTS],
    walk: Walk,
    level: i64,
    /// What the last step left over of the level.
    level_rest: i64,
    step: i64,
    /// What the last change left over of the step.
    step_rest: i64,
    shift: i32,
    growth: Factor,
}

impl Fixed {
    /// Stands at 0 and waits for a key.
    ///
    /// # Errors
    /// As [`Float::new`].
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let route = Route::new(rate, setup)?;
        let stages = core::array::from_fn(|i| {
            let Point { level, bend, .. } = setup.points[i];
            let growth = Factor::new(growth(route.samples[i], bend));
            let mut first_step = first_step(route.samples[i], growth.value());
            // Q: shifted until the largest step, first or last, lies in 1/2 to 1 of the way.
            let last = f64::from(route.samples[i].max(1) - 1) * log1p(growth.value());
            let mut largest = first_step * (1.0 + expm1(last.max(0.0)));
            let mut shift = 0;
            while largest < 0.5 {
                (largest, first_step, shift) = (2.0 * largest, 2.0 * first_step, shift + 1);
            }
            let level = rint(level * (1_i64 << FRACTION) as f64) as i64;
            let first_step = rint(first_step * (1_i64 << STEP_FRACTION) as f64) as i64;
            FixedStage { level, first_step, shift, growth }
        });
        let (level, level_rest, step, step_rest) = (0, 0, 0, 0);
        let growth = Factor::default();
        let walk = Walk::new(route);
        Ok(Self { stages, walk, level, level_rest, step, step_rest, shift: 0, growth })
    }

    /// The present or last stage, from 1; 0 before the first key.
    pub fn stage(&self) -> usize {
        self.walk.stage
    }

    /// Begins a stage, after those without length.
    fn begin(&mut self, stage: usize) {
        let mut next = Some(stage);
        while let Some(number) = next {
            let stage = self.stages[number - 1];
            if self.walk.enter(number) {
                // Q: |way| ≤ 2^61 times at most 2^62, floored to Q4.60.
                let way = i128::from(stage.level - self.level);
                self.step = ((way * i128::from(stage.first_step)) >> STEP_FRACTION) as i64;
                self.growth = stage.growth;
                // Q: rests belong to the shifts of the old stage.
                (self.shift, self.level_rest, self.step_rest) = (stage.shift, 0, 0);
                return;
            }
            self.level = stage.level;
            next = self.walk.after();
        }
    }
}

impl Contour<I1F31> for Fixed {
    fn event(&mut self, event: KeyEvent) {
        if let Some(stage) = self.walk.event(event) {
            let down = matches!(event, KeyEvent::Down { .. });
            if down && self.walk.route.restart == Restart::Zero {
                self.level = 0;
            }
            self.begin(stage);
        }
    }

    #[inline]
    fn tick(&mut self) -> I1F31 {
        // Q: Q4.60 to the nearest Q1.31; 1 saturates to 1 − 2^-31.
        let now = saturate((self.level + (1 << (FRACTION - 32))) >> (FRACTION - 31));
        match self.walk.advance() {
            Motion::Still => {}
            Motion::Moving => {
                // Q: |step| ≤ |way| ≤ 2^61, shifted down to what is due per sample.
                self.level += carried(self.step, self.shift, &mut self.level_rest);
                self.step += self.growth.times(self.step, &mut self.step_rest);
            }
            Motion::Arrived => {
                self.level = self.stages[self.walk.stage - 1].level;
                if let Some(stage) = self.walk.after() {
                    self.begin(stage);
                }
            }
        }
        now
    }

    fn at_rest(&self) -> bool {
        self.walk.left == 0
    }
}
