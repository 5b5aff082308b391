//! Sine by an odd polynomial of degree 9 on the folded phase.
//!
//! | | |
//! |---|---|
//! | Source  | minimax fit of sin(πx/2) on ±1 by exchange (Remez); coefficients and error in `reference-tables/sine-minimax` |
//! | Units   | phase 2^-32 cycle; output full scale = 1.0, waveform ±0.5; latency 0 |
//! | float   | f32; fit 1.7e-9, rounding \|error\| ≤ 2^-23 |
//! | fixed   | Q1.31; argument and Horner steps Q.31 in 64 bits; fit 1.7e-9 (3.6 LSB), rounding ≤ 5 LSB; \|y\| ≤ 2^30 + 9 |
//! | Usable  | float and fixed: 0 Hz to fs/2 |
//! | Checked | `tests/suite/sine.rs::sine_stays_within_its_fit_and_rounding` |

use fixed::types::I1F31;

use crate::phase::Drive;
use crate::q31::mul;
use crate::registry::{Entry, HZ, Oscillator, Setup, Shape, UsableFrom};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "sine",
    file: "oscillators/sine.rs",
    summary: "sine, odd minimax polynomial of degree 9",
    shapes: &[Shape::Sine],
    parameters: &[HZ],
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

/// Coefficients of x, x^3, ... x^9; largest error 3.338e-9.
pub const MINIMAX: [f64; 5] = [
    1.570_796_290_022_369_4,
    -0.645_963_359_865_879_3,
    0.079_688_480_540_294_7,
    -0.004_672_227_923_193_1,
    0.000_150_820_564_520_76,
];

/// Phase folded into the rising quarters, where the sine is odd and monotonic: ±2^30.
#[inline(always)]
fn fold(phase: u32) -> i32 {
    let half = phase as i32;
    // Beyond a quarter cycle the sine of the distance to the half cycle is the same.
    if half.unsigned_abs() > 1 << 30 { i32::MIN.wrapping_sub(half) } else { half }
}

/// Half of the sine of a phase in 2^-32 cycle, ±0.5.
#[inline(always)]
pub(crate) fn half_sine(phase: u32) -> f32 {
    // Half the coefficients: the waveform swings ±0.5.
    const C: [f32; 5] = {
        let mut half = [0.0; 5];
        let mut i = 0;
        while i < 5 {
            half[i] = (0.5 * MINIMAX[i]) as f32;
            i += 1;
        }
        half
    };
    let x = fold(phase) as f32 * (1.0 / 1_073_741_824.0);
    let square = x * x;
    let sum = ((C[4] * square + C[3]) * square + C[2]) * square + C[1];
    (sum * square + C[0]) * x
}

/// Half of the sine of a phase in 2^-32 cycle, Q1.31: |y| ≤ 2^30 + 9.
#[inline(always)]
pub(crate) fn half_sine_q31(phase: u32) -> i32 {
    // Q: half the coefficients in Q.31, all below 2^31.
    const C: [i64; 5] = {
        let mut half = [0; 5];
        let mut i = 0;
        while i < 5 {
            let scaled = MINIMAX[i] * 1_073_741_824.0;
            half[i] = (scaled + if scaled < 0.0 { -0.5 } else { 0.5 }) as i64;
            i += 1;
        }
        half
    };
    // Q: Q.31 in 64 bits, so that x = 1 has a place.
    let x = i64::from(fold(phase)) << 1;
    let square = mul(x, x);
    let sum = mul(mul(mul(C[4], square) + C[3], square) + C[2], square) + C[1];
    // Q: |y| ≤ 2^30 + 9, far from saturation.
    mul(mul(sum, square) + C[0], x) as i32
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    phase: u32,
}

impl Float {
    /// Starts at the phase of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self { phase: setup.start }
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let now = half_sine(self.phase);
        self.phase = drive.next_phase(self.phase);
        now
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    phase: u32,
}

impl Fixed {
    /// Starts at the phase of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self { phase: setup.start }
    }
}

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let now = half_sine_q31(self.phase);
        self.phase = drive.next_phase(self.phase);
        I1F31::from_bits(now)
    }
}
