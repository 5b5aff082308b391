//! Pink noise: one white source and sixteen that are each held twice as long as the last.
//!
//! | | |
//! |---|---|
//! | Source  | sum of held sources after R. F. Voss, as told by Gardner, Scientific American 238(4), 1978; one row per sample chosen by the trailing zeros of a counter (common practice); power density Σ 2^-j (sin π2^j f / sin πf)² |
//! | Units   | seed 1 to 2^32 − 1; output full scale = 1.0, within ±0.27; latency 0 |
//! | float   | f32; rows of 18 bits, so all sums are exact and nothing drifts |
//! | fixed   | Q1.31; the same bits |
//! | Usable  | float and fixed: any rate; −3.01 dB per octave from rate/2^16 to rate/4 |
//! | Checked | `tests/suite/noise.rs::pink_noise_follows_its_power_density` |

use fixed::types::I1F31;

use super::white::Register;
use crate::phase::Drive;
use crate::registry::{Entry, Oscillator, SEED, Setup, UsableFrom};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "pink",
    file: "oscillators/pink.rs",
    summary: "pink noise, one white and sixteen held sources",
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

/// Number of held sources; row j holds for 2^(j+1) samples.
pub const ROWS: usize = 16;

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    register: Register,
    counter: u32,
    rows: [f32; ROWS],
    sum: f32,
}

impl Float {
    /// Starts at the seed of the setup, with every row already drawn.
    pub fn new(setup: &Setup) -> Self {
        let mut register = Register::new(setup.seed);
        let rows = core::array::from_fn(|_| draw(&mut register));
        Self { register, counter: 0, rows, sum: rows.iter().sum() }
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, _: &Drive) -> f32 {
        self.counter = self.counter.wrapping_add(1);
        if let Some(row) = self.rows.get_mut(self.counter.trailing_zeros() as usize) {
            let fresh = draw(&mut self.register);
            self.sum += fresh - *row;
            *row = fresh;
        }
        self.sum + draw(&mut self.register)
    }
}

/// 18 bits, so that a sum of 17 fits the 24 bits of an f32 exactly.
#[inline]
fn draw(register: &mut Register) -> f32 {
    (register.draw() >> 14) as f32 * (1.0 / 8_388_608.0)
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    register: Register,
    counter: u32,
    rows: [i32; ROWS],
    sum: i32,
}

impl Fixed {
    /// Starts at the seed of the setup, with every row already drawn.
    pub fn new(setup: &Setup) -> Self {
        let mut register = Register::new(setup.seed);
        let rows = core::array::from_fn(|_| draw_q31(&mut register));
        Self { register, counter: 0, rows, sum: rows.iter().sum() }
    }
}

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, _: &Drive) -> I1F31 {
        self.counter = self.counter.wrapping_add(1);
        if let Some(row) = self.rows.get_mut(self.counter.trailing_zeros() as usize) {
            let fresh = draw_q31(&mut self.register);
            // Q: 17 rows of 2^25 at most: |sum| ≤ 17/64.
            self.sum += fresh - *row;
            *row = fresh;
        }
        I1F31::from_bits(self.sum + draw_q31(&mut self.register))
    }
}

#[inline]
fn draw_q31(register: &mut Register) -> i32 {
    // Q: the float twin's 18 bits at the same scale, 2^-6 of full scale.
    (register.draw() >> 14) << 8
}
