//! White noise from a 32-bit shift register.
//!
//! | | |
//! |---|---|
//! | Source  | Marsaglia, J. Statistical Software 8(14), 2003: shifts 13, 17, 5; period 2^32 − 1 |
//! | Units   | seed 1 to 2^32 − 1; output full scale = 1.0, uniform over ±0.5, rms 0.5/√3; latency 0 |
//! | float   | f32; the upper 24 bits, exact |
//! | fixed   | Q1.31; the same 24 bits, exact, so that both twins hiss alike |
//! | Usable  | float and fixed: any rate |
//! | Checked | `tests/suite/noise.rs::white_noise_is_flat_and_uniform` |

use fixed::types::I1F31;

use crate::phase::Drive;
use crate::registry::{Entry, Oscillator, SEED, Setup, UsableFrom};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "white",
    file: "oscillators/white.rs",
    summary: "white noise, uniform, period 2^32 - 1",
    shapes: &[],
    parameters: &[SEED],
    corrects_sync: false,
    latency_samples: |_| 0.0,
    usable_from: UsableFrom::ANYWHERE,
    float: |setup, lend| {
        lend(&mut Float::new(setup));
        Ok(())
    },
    fixed: |setup, lend| {
        lend(&mut Fixed::new(setup));
        Ok(())
    },
};

/// The shift register that every noise source of this crate draws from.
#[derive(Clone, Debug)]
pub struct Register(u32);

impl Register {
    /// Starts at `seed`; 0, which the register cannot leave, becomes 1.
    pub fn new(seed: u32) -> Self {
        Self(seed.max(1))
    }

    /// The next 32 bits as a signed integer; every value but 0 once per period.
    #[inline]
    pub fn draw(&mut self) -> i32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0 as i32
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float(Register);

impl Float {
    /// Starts at the seed of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self(Register::new(setup.seed))
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, _: &Drive) -> f32 {
        (self.0.draw() >> 8) as f32 * (1.0 / 16_777_216.0)
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed(Register);

impl Fixed {
    /// Starts at the seed of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self(Register::new(setup.seed))
    }
}

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, _: &Drive) -> I1F31 {
        // Q: 24 bits set at half of full scale.
        I1F31::from_bits((self.0.draw() >> 8) << 7)
    }
}
