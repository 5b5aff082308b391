//! Attack, decay, sustain, release: each stage charges exponentially toward a target.
//!
//! | | |
//! |---|---|
//! | Source  | `y[n+1] = y[n] + k (target − y[n])`, k = 1 − exp(−1/(τ fs)), the sampled first-order charge; the attack aims at the overshoot a with τ = t / ln(a/(a−1)) and so reaches 1 after t (common practice of analog contours: Chamberlin, Musical Applications of Microprocessors, 2nd ed. 1985, from memory); decay and release come within 1/1000 in their time |
//! | Units   | times 0 to 100 s; level 0 to 1, full scale = 1.0; first value 0 |
//! | float   | f32 coefficients, state in two f32; \|error\| ≤ 5·2^-24 + n·2^-49 after n samples of a stage; no stall |
//! | fixed   | coefficients 32-bit mantissa and shift; state Q9.55, product floored, rest carried; output nearest Q1.31, 1 becomes 1 − 2^-31; \|error\| ≤ 1.0001 LSB, no stall, no overflow (\|state\| ≤ 100) |
//! | Usable  | float and fixed: every allowed time at every rate |
//! | Checked | `tests/suite/contours.rs::adsr_follows_its_closed_form` |
//!
//! # When a stage ends
//!
//! The attack ends at the sample nearest to the crossing of 1: the first one at which the mean
//! of it and its successor reaches 1, `y[n]` ≥ θ = 1 − (a−1)(k/2)/(1 − k/2). This sample is
//! exactly 1. Decay and release end at the first sample within 2^-20 of their target, which
//! becomes the target exactly; the decay looks from the sample after the peak on, so the peak
//! is 1 whatever the sustain. A time below half a sample is zero: an attack then stands at 1
//! and a release at 0 at the event itself, a decay one sample after the peak.
//!
//! # Errors of the twins
//!
//! A relative error ε of every step moves y by at most `ε |y[n] − y[0]|`, because
//! 1 − (1−k)^n ≥ n k (1−k)^(n−1); and it moves the end of a stage by at most ε n samples.
//!
//! - float: k, the distance to the target (twice) and the product each round by 2^-24, so
//!   ε = 4·2^-24. The lower part of the state rounds by 2^-49 per sample. Sustain level and
//!   output round by 2^-25 each. See [`float_error`] and [`float_end_error`].
//! - fixed: only k rounds in proportion, ε = 2^-32: at most half an LSB, and the output
//!   another half. The state errs by 3·2^-55. The end errs by n·2^-32 samples, below 0.01 for
//!   all allowed times. An attack of a whole number of samples from 0 crosses 1 half a sample
//!   from its decision and so ends exactly; other ends are exact unless the crossing falls that
//!   close to a sample.

use fixed::types::I1F31;

use super::segment::{Factor, Pair};
use super::{Contour, ContourEntry, FixedContour, KeyEvent, RESTART, Restart};
use crate::error::RangeError;
use crate::math::{expm1, log, rint};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::q31::saturate;

/// How the bench finds this module.
pub const ENTRY: ContourEntry = ContourEntry {
    name: "adsr",
    file: "contours/adsr.rs",
    summary: "attack, decay, sustain, release with exponential stages",
    parameters: &[ATTACK, DECAY, SUSTAIN, RELEASE, OVERSHOOT, RESTART],
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    },
    fixed: FixedContour::Level(|rate, values, lend| {
        lend(&mut Fixed::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    }),
};

/// Time from 0 to 1.
pub const ATTACK: Parameter = Parameter::number("attack", "s", 0.0, 100.0, 0.01);
/// Time to come within 1/1000 of the way (60 dB) from 1 to the sustain level.
pub const DECAY: Parameter = Parameter::number("decay", "s", 0.0, 100.0, 0.2);
/// Level that is held.
pub const SUSTAIN: Parameter = Parameter::number("sustain", "of full scale", 0.0, 1.0, 0.5);
/// Time to fall to 1/1000 (60 dB) of the level at which the key was let go.
pub const RELEASE: Parameter = Parameter::number("release", "s", 0.0, 100.0, 0.3);
/// Level that the attack aims at; the lower, the more it bends.
pub const OVERSHOOT: Parameter = Parameter::number("overshoot", "of full scale", 1.01, 100.0, 1.3);

/// Distance at which decay and release have arrived.
pub const ARRIVED: f64 = 1.0 / 1_048_576.0;

/// Bound of the float twin's error, of full scale, `samples` after the stage began.
pub fn float_error(samples: f64) -> f64 {
    5.0 / 16_777_216.0 + samples * ROUNDED_LOW
}

/// Bound of the float twin's error in the end of an attack, in samples.
///
/// For a decay or release take the overshoot 2: their steps and roundings shrink together.
pub fn float_end_error(samples: f64, k: f64, overshoot: f64) -> f64 {
    samples * (4.0 / 16_777_216.0 + 2.0 * ROUNDED_LOW / (k * (overshoot - 1.0).min(1.0)))
}

/// Bound of the fixed twin's error, of full scale.
pub const FIXED_ERROR: f64 = 1.0001 / 2_147_483_648.0;

/// Time constants in the time of a decay or release: 60 dB.
const LN_1000: f64 = 3.0 * core::f64::consts::LN_10;

/// Rounding of the lower part of a two-part sum below 1.
const ROUNDED_LOW: f64 = 1.0 / 562_949_953_421_312.0;

/// Settings of a contour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// [`ATTACK`] in seconds.
    pub attack: f64,
    /// [`DECAY`] in seconds.
    pub decay: f64,
    /// [`SUSTAIN`], of full scale.
    pub sustain: f64,
    /// [`RELEASE`] in seconds.
    pub release: f64,
    /// [`OVERSHOOT`], of full scale.
    pub overshoot: f64,
    /// What a key does to a contour that still moves.
    pub restart: Restart,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            attack: ATTACK.default,
            decay: DECAY.default,
            sustain: SUSTAIN.default,
            release: RELEASE.default,
            overshoot: OVERSHOOT.default,
            restart: Restart::Present,
        }
    }
}

impl Setup {
    /// Reads the settings by name.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self {
            attack: values.of(&ATTACK)?,
            decay: values.of(&DECAY)?,
            sustain: values.of(&SUSTAIN)?,
            release: values.of(&RELEASE)?,
            overshoot: values.of(&OVERSHOOT)?,
            restart: Restart::from_values(values)?,
        })
    }
}

/// What the setup means per sample, before any rounding.
struct Exact {
    attack_k: f64,
    decay_k: f64,
    release_k: f64,
    theta: f64,
    release_end: f64,
}

impl Exact {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let a = OVERSHOOT.check(setup.overshoot)?;
        SUSTAIN.check(setup.sustain)?;
        // k for a stage that takes `constants` time constants; 1 for a stage without length.
        let k = |seconds: f64, constants: f64| {
            let samples = seconds * f64::from(rate.hz());
            if samples < 0.5 { 1.0 } else { -expm1(-constants / samples) }
        };
        let attack_k = k(ATTACK.check(setup.attack)?, log(a / (a - 1.0)));
        let release_k = k(RELEASE.check(setup.release)?, LN_1000);
        Ok(Self {
            attack_k,
            decay_k: k(DECAY.check(setup.decay)?, LN_1000),
            release_k,
            // Without length every level is already beyond the end.
            theta: if attack_k < 1.0 {
                1.0 - (a - 1.0) * (attack_k / 2.0) / (1.0 - attack_k / 2.0)
            } else {
                0.0
            },
            release_end: if release_k < 1.0 { ARRIVED } else { 1.0 },
        })
    }
}

/// Where the contour is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stage {
    /// At 0, waiting for a key.
    #[default]
    Idle,
    /// Toward the overshoot, until 1.
    Attack,
    /// From 1 toward the sustain level.
    Decay,
    /// At the sustain level.
    Sustain,
    /// Toward 0.
    Release,
}

impl Stage {
    fn gate(self) -> bool {
        !matches!(self, Self::Idle | Self::Release)
    }
}

#[derive(Clone, Copy, Debug)]
struct FloatCoefficients {
    overshoot: Pair,
    theta: Pair,
    sustain: f32,
    attack_k: f32,
    decay_k: f32,
    release_k: f32,
    release_end: f32,
}

impl FloatCoefficients {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let exact = Exact::new(rate, setup)?;
        Ok(Self {
            overshoot: Pair::split(setup.overshoot),
            theta: Pair::split(exact.theta),
            sustain: setup.sustain as f32,
            attack_k: exact.attack_k as f32,
            decay_k: exact.decay_k as f32,
            release_k: exact.release_k as f32,
            release_end: exact.release_end as f32,
        })
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    rate: Rate,
    restart: Restart,
    coefficients: FloatCoefficients,
    stage: Stage,
    /// The sustain level in decay and sustain, else 0.
    base: f32,
    /// Level above the base, so that the way to the base keeps its relative accuracy.
    above: Pair,
}

impl Float {
    /// Stands at 0 and waits for a key.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        Ok(Self {
            rate,
            restart: setup.restart,
            coefficients: FloatCoefficients::new(rate, setup)?,
            stage: Stage::Idle,
            base: 0.0,
            above: Pair::default(),
        })
    }

    /// Takes new settings: the present stage begins anew at the present level.
    ///
    /// A changed sustain level is approached with the decay's time constant, also when the old
    /// one was already held. Four transcendental functions in f64: per block, not per sample.
    ///
    /// # Errors
    /// A value outside the range of its parameter; nothing was changed.
    pub fn set(&mut self, setup: &Setup) -> Result<(), RangeError> {
        self.coefficients = FloatCoefficients::new(self.rate, setup)?;
        self.restart = setup.restart;
        match self.stage {
            Stage::Sustain if self.base == self.coefficients.sustain => {}
            Stage::Idle => {}
            Stage::Attack => self.attack(),
            Stage::Decay | Stage::Sustain => self.decay(),
            Stage::Release => self.release(),
        }
        Ok(())
    }

    /// The present stage.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// Keeps the level and measures it from another base.
    fn rebase(&mut self, base: f32) {
        let level = self.above.plus(Pair::single(self.base));
        self.above = level.plus(Pair::single(-base));
        self.base = base;
    }

    fn attack(&mut self) {
        self.rebase(0.0);
        self.stage = Stage::Attack;
        self.end_attack();
    }

    fn end_attack(&mut self) {
        let theta = self.coefficients.theta;
        // Upper parts first: near the end their difference is exact.
        if (self.above.hi - theta.hi) + (self.above.lo - theta.lo) >= 0.0 {
            self.above = Pair::single(1.0);
            self.decay();
        }
    }

    fn decay(&mut self) {
        self.rebase(self.coefficients.sustain);
        self.stage = Stage::Decay;
    }

    fn release(&mut self) {
        self.rebase(0.0);
        self.stage = Stage::Release;
        self.end_release();
    }

    fn end_release(&mut self) {
        if self.above.hi <= self.coefficients.release_end {
            self.above = Pair::default();
            self.stage = Stage::Idle;
        }
    }
}

impl Contour<f32> for Float {
    fn event(&mut self, event: KeyEvent) {
        match event {
            KeyEvent::Down { legato, .. } => {
                if self.restart.ignores(legato, self.stage.gate()) {
                    return;
                }
                if self.restart == Restart::Zero {
                    (self.base, self.above) = (0.0, Pair::default());
                }
                self.attack();
            }
            // Without a gate: on with the release, or at 0 as before.
            KeyEvent::Up => self.release(),
        }
    }

    #[inline]
    fn tick(&mut self) -> f32 {
        let now = self.base + self.above.hi;
        let Pair { hi, lo } = self.above;
        match self.stage {
            Stage::Idle | Stage::Sustain => {}
            Stage::Attack => {
                let a = self.coefficients.overshoot;
                let step = self.coefficients.attack_k * ((a.hi - hi) + (a.lo - lo));
                self.above = self.above.plus(Pair::single(step));
                self.end_attack();
            }
            Stage::Decay => {
                let step = self.coefficients.decay_k * -hi;
                self.above = self.above.plus(Pair::single(step));
                if self.above.hi.abs() <= ARRIVED as f32 {
                    self.above = Pair::default();
                    self.stage = Stage::Sustain;
                }
            }
            Stage::Release => {
                let step = self.coefficients.release_k * -hi;
                self.above = self.above.plus(Pair::single(step));
                self.end_release();
            }
        }
        now
    }

    fn at_rest(&self) -> bool {
        matches!(self.stage, Stage::Idle | Stage::Sustain)
    }
}

// Q: levels in Q9.55, room for the overshoot of 100 and its sign.
const FRACTION: u32 = 55;
const ONE: i64 = 1 << FRACTION;
const ARRIVED_Q55: i64 = ONE >> 20;

fn q55(value: f64) -> i64 {
    rint(value * ONE as f64) as i64
}

#[derive(Clone, Copy, Debug)]
struct FixedCoefficients {
    overshoot: i64,
    theta: i64,
    sustain: i64,
    attack_k: Factor,
    decay_k: Factor,
    release_k: Factor,
    release_end: i64,
}

impl FixedCoefficients {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let exact = Exact::new(rate, setup)?;
        Ok(Self {
            overshoot: q55(setup.overshoot),
            theta: q55(exact.theta),
            sustain: q55(setup.sustain),
            attack_k: Factor::new(exact.attack_k),
            decay_k: Factor::new(exact.decay_k),
            release_k: Factor::new(exact.release_k),
            release_end: q55(exact.release_end),
        })
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    rate: Rate,
    restart: Restart,
    coefficients: FixedCoefficients,
    stage: Stage,
    base: i64,
    above: i64,
    /// What the last step left over, below 2^-55.
    rest: i64,
}

impl Fixed {
    /// Stands at 0 and waits for a key.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        Ok(Self {
            rate,
            restart: setup.restart,
            coefficients: FixedCoefficients::new(rate, setup)?,
            stage: Stage::Idle,
            base: 0,
            above: 0,
            rest: 0,
        })
    }

    /// Takes new settings, as [`Float::set`] does.
    ///
    /// # Errors
    /// A value outside the range of its parameter; nothing was changed.
    pub fn set(&mut self, setup: &Setup) -> Result<(), RangeError> {
        self.coefficients = FixedCoefficients::new(self.rate, setup)?;
        self.restart = setup.restart;
        match self.stage {
            Stage::Sustain if self.base == self.coefficients.sustain => {}
            Stage::Idle => {}
            Stage::Attack => self.attack(),
            Stage::Decay | Stage::Sustain => self.decay(),
            Stage::Release => self.release(),
        }
        Ok(())
    }

    /// The present stage.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// Keeps the level and measures it from another base.
    fn rebase(&mut self, base: i64) {
        // Q: integers of one format, exact; the rest belongs to the shift of the old stage.
        self.above += self.base - base;
        self.base = base;
        self.rest = 0;
    }

    fn attack(&mut self) {
        self.rebase(0);
        self.stage = Stage::Attack;
        self.end_attack();
    }

    fn end_attack(&mut self) {
        if self.above >= self.coefficients.theta {
            self.above = ONE;
            self.decay();
        }
    }

    fn decay(&mut self) {
        self.rebase(self.coefficients.sustain);
        self.stage = Stage::Decay;
    }

    fn release(&mut self) {
        self.rebase(0);
        self.stage = Stage::Release;
        self.end_release();
    }

    fn end_release(&mut self) {
        if self.above <= self.coefficients.release_end {
            self.above = 0;
            self.stage = Stage::Idle;
        }
    }
}

impl Contour<I1F31> for Fixed {
    fn event(&mut self, event: KeyEvent) {
        match event {
            KeyEvent::Down { legato, .. } => {
                if self.restart.ignores(legato, self.stage.gate()) {
                    return;
                }
                if self.restart == Restart::Zero {
                    (self.base, self.above) = (0, 0);
                }
                self.attack();
            }
            // Without a gate: on with the release, or at 0 as before.
            KeyEvent::Up => self.release(),
        }
    }

    #[inline]
    fn tick(&mut self) -> I1F31 {
        // Q: Q9.55 to the nearest Q1.31; 1 saturates to 1 − 2^-31.
        let now = saturate((self.base + self.above + (1 << (FRACTION - 32))) >> (FRACTION - 31));
        let rest = &mut self.rest;
        match self.stage {
            Stage::Idle | Stage::Sustain => {}
            Stage::Attack => {
                // Q: |distance| ≤ 100·2^55 < 2^62.
                let distance = self.coefficients.overshoot - self.above;
                self.above += self.coefficients.attack_k.times(distance, rest);
                self.end_attack();
            }
            Stage::Decay => {
                self.above += self.coefficients.decay_k.times(-self.above, rest);
                if self.above.abs() <= ARRIVED_Q55 {
                    self.above = 0;
                    self.stage = Stage::Sustain;
                }
            }
            Stage::Release => {
                self.above += self.coefficients.release_k.times(-self.above, rest);
                self.end_release();
            }
        }
        now
    }

    fn at_rest(&self) -> bool {
        matches!(self.stage, Stage::Idle | Stage::Sustain)
    }
}
