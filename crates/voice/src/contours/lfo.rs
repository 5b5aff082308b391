//! Low-frequency oscillator with delay, fade-in and key sync.
//!
//! | | |
//! |---|---|
//! | Source  | shapes by definition; sine: minimax polynomial of `reference-tables/sine-minimax`; noise: shift register of `oscillators/white.rs`, values joined by 3p² − 2p³ |
//! | Units   | phase and increment 2^-64 cycle; output full scale = 1.0, ±1; times in s; before the first key as if one fell at the first sample |
//! | float   | f32, u = 2^-24: up, down, triangle u + 2^-31; pulse, sampled exact; sine 4u + 5e-9; smoothed 13u; while it fades (gain below 1) 2u + 2^-32 more |
//! | fixed   | Q1.31, +1 is 1 − 2^-31: up, down, triangle, pulse 1 LSB; sampled exact; sine 21 LSB, saturated; smoothed 8 LSB; while it fades 1.5 LSB more, product floored |
//! | Usable  | float and fixed: 0.001 to 200 Hz, rounded by at most 2^-65 fs + 2^-53 hz |
//! | Checked | `tests/suite/lfo.rs::every_shape_follows_its_definition` |

use fixed::types::I1F31;

use crate::contours::{Contour, ContourEntry, FixedContour, KeyEvent};
use crate::error::RangeError;
use crate::line::Line;
use crate::math::round;
use crate::oscillators::sine::{half_sine, half_sine_q31};
use crate::oscillators::white::Register;
use crate::parameter::{Parameter, Values};
use crate::phase::{Rate, Width};
use crate::q31::{ONE, mul, saturate};
use crate::registry::{SEED, WIDTH};

/// How the bench finds this module.
pub const ENTRY: ContourEntry = ContourEntry {
    name: "lfo",
    file: "contours/lfo.rs",
    summary: "low-frequency oscillator: seven shapes, delay, fade-in, key sync",
    parameters: &[HZ, SHAPE, WIDTH, DELAY, FADE, SYNC, PHASE, SEED],
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    },
    fixed: FixedContour::Level(|rate, values, lend| {
        lend(&mut Fixed::new(rate, &Setup::from_values(values)?)?);
        Ok(())
    }),
};

/// Frequency.
pub const HZ: Parameter = Parameter::number("hz", "Hz", 0.001, 200.0, 1.0);
/// Waveform.
pub const SHAPE: Parameter =
    Parameter::choice("shape", &["up", "down", "triangle", "pulse", "sine", "sampled", "smoothed"]);
/// How long it is silent after a key.
pub const DELAY: Parameter = Parameter::number("delay", "s", 0.0, 100.0, 0.0);
/// How long it then takes to full depth.
pub const FADE: Parameter = Parameter::number("fade", "s", 0.0, 100.0, 0.0);
/// Whether a key begins the cycle anew.
pub const SYNC: Parameter = Parameter::choice("sync", &["free", "key"]);
/// Phase at power-up and after a key that synchronises.
pub const PHASE: Parameter = Parameter::number("phase", "of the cycle (below 1)", 0.0, 1.0, 0.0);

/// A waveform, ±1, of the phase p in cycles.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Shape {
    /// 2p − 1.
    #[default]
    Up,
    /// 1 − 2p.
    Down,
    /// 1 − 4 |p − ½|.
    Triangle,
    /// +1 while p is below the width, −1 after.
    Pulse,
    /// sin 2πp.
    Sine,
    /// A random value, uniform over −1 to 1, for every cycle.
    Sampled,
    /// From one such value to the next, level at both ends.
    Smoothed,
}

impl Shape {
    /// All shapes, in the order of their words in [`SHAPE`].
    pub const ALL: [Self; 7] = [
        Self::Up,
        Self::Down,
        Self::Triangle,
        Self::Pulse,
        Self::Sine,
        Self::Sampled,
        Self::Smoothed,
    ];
}

/// Settings that hold from construction on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Frequency, 0.001 to 200 Hz.
    pub hz: f64,
    /// Waveform.
    pub shape: Shape,
    /// Pulse width.
    pub width: Width,
    /// Silence after a key, 0 to 100 s.
    pub delay_s: f64,
    /// Way to full depth, 0 to 100 s.
    pub fade_s: f64,
    /// Whether a key begins the cycle anew; a legato never does.
    pub key_sync: bool,
    /// Phase at power-up and after such a key, 0 to below 1 cycle.
    pub phase: f64,
    /// Start of the random sequence, 1 to 2^32 − 1.
    pub seed: u32,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            hz: HZ.default,
            shape: Shape::Up,
            width: Width::HALF,
            delay_s: DELAY.default,
            fade_s: FADE.default,
            key_sync: false,
            phase: PHASE.default,
            seed: 1,
        }
    }
}

impl Setup {
    /// Takes the settings by name.
    ///
    /// # Errors
    /// One of `hz`, `shape`, `width`, `delay`, `fade`, `sync`, `phase`, `seed` out of range, or
    /// a seed that is not whole.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self {
            hz: values.of(&HZ)?,
            shape: Shape::ALL[values.choice(&SHAPE)?],
            width: Width::new(values.of(&WIDTH)?)?,
            delay_s: values.of(&DELAY)?,
            fade_s: values.of(&FADE)?,
            key_sync: values.choice(&SYNC)? == 1,
            phase: values.of(&PHASE)?,
            seed: values.count(&SEED)?,
        })
    }

    /// Phase advance per sample in 2^-64 cycle, the nearest.
    ///
    /// # Errors
    /// `hz` outside 0.001 to 200.
    pub fn increment(&self, rate: Rate) -> Result<u64, RangeError> {
        Ok(round(HZ.check(self.hz)? / f64::from(rate.hz()) * CYCLE) as u64)
    }
}

const CYCLE: f64 = 18_446_744_073_709_551_616.0;

/// Phase, gain and random values in integers, the same for both twins.
#[derive(Clone, Debug)]
struct Cycle {
    shape: Shape,
    /// Pulse width, 2^-64 cycle.
    width: u64,
    phase: u64,
    increment: u64,
    /// Where a key sets the phase.
    start: Option<u64>,
    register: Register,
    /// The random value of this cycle and that of the next, in 2^-23.
    random: [i32; 2],
    /// Samples of silence to go, then the gain in 2^-31.
    wait: u32,
    gain: Line,
    /// Both as a key sets them.
    delay: u32,
    fade: Line,
}

impl Cycle {
    fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        let samples = |seconds: f64| round(seconds * f64::from(rate.hz())) as u32;
        if PHASE.check(setup.phase)? == PHASE.max {
            return Err(PHASE.refuse(setup.phase));
        }
        SEED.check(f64::from(setup.seed))?;
        let phase = round(setup.phase * CYCLE) as u64;
        let mut register = Register::new(setup.seed);
        let random = [draw(&mut register), draw(&mut register)];
        let delay = samples(DELAY.check(setup.delay_s)?);
        let fade = Line::new(0, ONE, samples(FADE.check(setup.fade_s)?));
        Ok(Self {
            shape: setup.shape,
            width: u64::from(setup.width.bits()) << 32,
            phase,
            increment: setup.increment(rate)?,
            start: setup.key_sync.then_some(phase),
            register,
            random,
            wait: delay,
            gain: fade,
            delay,
            fade,
        })
    }

    fn event(&mut self, event: KeyEvent) {
        if let KeyEvent::Down { legato: false, .. } = event {
            if let Some(start) = self.start {
                // A new cycle has a new value, or fast playing would repeat one for ever.
                self.phase = start;
                self.random = [self.random[1], draw(&mut self.register)];
            }
            (self.wait, self.gain) = (self.delay, self.fade);
        }
    }

    /// The phase in 2^-32 cycle.
    #[inline(always)]
    fn phase(&self) -> u32 {
        (self.phase >> 32) as u32
    }

    /// Q1.31 value of the shapes that take no arithmetic; 0 for the others.
    #[inline(always)]
    fn straight(&self) -> i32 {
        let centred = self.phase().wrapping_sub(1 << 31) as i32;
        match self.shape {
            Shape::Up => centred,
            // Not −x but −x − 1, which has no overflow; both are within 1 of 1 − 2p.
            Shape::Down => !centred,
            Shape::Triangle => {
                // 33 bits, as the slope is twice that of the ramp.
                let centred = (self.phase >> 31) as i64 - (1 << 32);
                (ONE - centred.abs()).min(ONE - 1) as i32
            }
            Shape::Pulse if self.phase < self.width => i32::MAX,
            Shape::Pulse => i32::MIN,
            Shape::Sampled => self.random[0] << 8,
            Shape::Sine | Shape::Smoothed => 0,
        }
    }

    /// The gain in 2^-31, 0 to 2^31.
    #[inline(always)]
    fn gain(&self) -> u32 {
        if self.wait > 0 { 0 } else { self.gain.now() as u32 }
    }

    #[inline(always)]
    fn advance(&mut self) {
        if self.wait > 0 {
            self.wait -= 1;
        } else {
            self.gain.advance();
        }
        let (phase, wrapped) = self.phase.overflowing_add(self.increment);
        self.phase = phase;
        if wrapped {
            self.random = [self.random[1], draw(&mut self.register)];
        }
    }
}

/// 24 bits, which an f32 holds exactly: both twins move alike.
#[inline]
fn draw(register: &mut Register) -> i32 {
    register.draw() >> 8
}

const UNIT: f32 = 1.0 / 2_147_483_648.0;

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    cycle: Cycle,
}

impl Float {
    /// Starts at the phase of the setup, as if a key fell.
    ///
    /// # Errors
    /// A figure of the setup outside its range.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        Ok(Self { cycle: Cycle::new(rate, setup)? })
    }
}

impl Contour<f32> for Float {
    fn event(&mut self, event: KeyEvent) {
        self.cycle.event(event);
    }

    #[inline]
    fn tick(&mut self) -> f32 {
        let cycle = &self.cycle;
        let level = match cycle.shape {
            Shape::Sine => 2.0 * half_sine(cycle.phase()),
            Shape::Smoothed => {
                let p = cycle.phase() as f32 * (0.5 * UNIT);
                let [from, to] = cycle.random.map(|value| value as f32 * (256.0 * UNIT));
                from + (to - from) * (p * p * (3.0 - 2.0 * p))
            }
            _ => cycle.straight() as f32 * UNIT,
        };
        let now = level * (cycle.gain() as f32 * UNIT);
        self.cycle.advance();
        now
    }

    fn at_rest(&self) -> bool {
        false
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    cycle: Cycle,
}

impl Fixed {
    /// Starts at the phase of the setup, as if a key fell.
    ///
    /// # Errors
    /// A figure of the setup outside its range.
    pub fn new(rate: Rate, setup: &Setup) -> Result<Self, RangeError> {
        Ok(Self { cycle: Cycle::new(rate, setup)? })
    }
}

impl Contour<I1F31> for Fixed {
    fn event(&mut self, event: KeyEvent) {
        self.cycle.event(event);
    }

    #[inline]
    fn tick(&mut self) -> I1F31 {
        let cycle = &self.cycle;
        let level = match cycle.shape {
            // Q: twice the polynomial may pass ±1 by 18 LSB.
            Shape::Sine => saturate(2 * i64::from(half_sine_q31(cycle.phase()))).to_bits(),
            Shape::Smoothed => {
                let p = u64::from(cycle.phase());
                let [from, to] = cycle.random.map(i64::from);
                // Q: p and p² in Q.32; p² (3 − 2p) < 1, so the product fits 64 bits; down to Q.31.
                let weight = (((p * p) >> 32) * ((3 << 32) - 2 * p)) >> 33;
                // Q: |to − from| < 2^24 in Q.23, weight < 2^31: product < 2^55, floored to Q.31.
                ((from << 8) + (((to - from) * weight as i64) >> 23)) as i32
            }
            _ => cycle.straight(),
        };
        // Q: floored; a gain of 2^31 changes nothing.
        let now = mul(i64::from(level), i64::from(cycle.gain()));
        self.cycle.advance();
        I1F31::from_bits(now as i32)
    }

    fn at_rest(&self) -> bool {
        false
    }
}
