//! Ramp, triangle and pulse sampled as they are: the baseline that aliases audibly.
//!
//! | | |
//! |---|---|
//! | Source  | the Fourier series itself: every line k, harmonic or alias, stands at its series amplitude |
//! | Units   | phase 2^-32 cycle; output full scale = 1.0, waveform ±0.5; latency 0 |
//! | float   | f32; the phase rounds to 24 bits: \|error\| ≤ 2^-26 for the ramp, 1.5·2^-25 for the triangle, none for the pulse |
//! | fixed   | Q1.31; the ramp is floored from 32 to 31 bits (≤ 0.5 LSB), triangle and pulse are exact; no overflow: \|y\| ≤ 2^30 |
//! | Usable  | float and fixed: 0 Hz to fs/2 |
//! | Checked | `tests/suite/lines.rs::every_line_of_the_f64_models_matches_the_closed_form` |

use fixed::types::I1F31;

use crate::edges::Cycle;
use crate::phase::Drive;
use crate::registry::{Entry, HZ, Oscillator, Setup, Shape, UsableFrom, WIDTH};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "naive",
    file: "oscillators/naive.rs",
    summary: "uncorrected waveform, the baseline that aliases audibly",
    shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
    parameters: &[HZ, WIDTH],
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

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    cycle: Cycle,
}

impl Float {
    /// Starts at the phase of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup) }
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let now = self.cycle.value();
        self.cycle.advance(drive, |_| {});
        now
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    cycle: Cycle,
}

impl Fixed {
    /// Starts at the phase of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup) }
    }
}

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let now = self.cycle.value_q31();
        self.cycle.advance(drive, |_| {});
        I1F31::from_bits(now)
    }
}
