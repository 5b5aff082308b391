//! Differentiated polynomial waveforms of order 2, 3 and 4.
//!
//! | | |
//! |---|---|
//! | Source  | Välimäki, Nam, Smith, Abel, IEEE TASLP 18(4):786-798, 2010 (ramp, simple scaling); triangle from the Euler polynomials, pulse as a difference of two ramps (derived) |
//! | Units   | phase 2^-32 cycle; output full scale = 1.0, waveform ±0.5; latency (N − 1)/2 samples |
//! | float   | f32; the polynomial's rounding noise (rms 2^-26 to 2^-25) is raised by c·√C(2N−2, N−1), so low notes drown |
//! | fixed   | polynomial rounded to Q1.31, differences exact in 64 bits, gain 31-bit mantissa and exponent, output saturates; its rounding noise (rms 2^-32.8 and more) is raised alike |
//! | Usable  | ramp with its noise 60 dB down, at 48 kHz: float from 0.6 (N = 2), 85 (3), 502 Hz (4); fixed from 0.004 (2), 8 (3), 102 Hz (4); as fractions of the rate in `ENTRY_2` to `ENTRY_4` |
//! | Checked | `tests/suite/ranges.rs::rounding_noise_of_differentiated_polynomials_is_as_predicted` |
//!
//! With s = 2φ − 1 the ramp is c·Δ^(N−1) p(s): p = s², s³ − s, s⁴ − 2s² with
//! c = P/4, P²/24, P³/192 and P = fs/f0. On each half cycle the triangle is the same with
//! s² − 1, s³ − 3s, s⁴ − 6s² + 5, alternating in sign, and c = P/8, P²/96, P³/1536.
//! Frequency may change from sample to sample; the gain follows at once, the history is
//! N − 1 samples old. At 0 Hz the differences vanish and so does the output.

use fixed::types::I1F31;

use crate::phase::Drive;
use crate::q31::{mul, saturate};
use crate::registry::{Entry, HZ, Oscillator, Setup, Shape, UsableFrom, WIDTH};

/// How the bench finds order 2.
pub const ENTRY_2: Entry = entry::<2>(
    "diffpoly2",
    "differentiated polynomial of order 2",
    UsableFrom { float: 1.32e-5, fixed: 8.24e-8 },
);
/// How the bench finds order 3.
pub const ENTRY_3: Entry = entry::<3>(
    "diffpoly3",
    "differentiated polynomial of order 3",
    UsableFrom { float: 1.777e-3, fixed: 1.657e-4 },
);
/// How the bench finds order 4.
pub const ENTRY_4: Entry = entry::<4>(
    "diffpoly4",
    "differentiated polynomial of order 4",
    UsableFrom { float: 1.046e-2, fixed: 2.126e-3 },
);

const fn entry<const N: usize>(
    name: &'static str,
    summary: &'static str,
    usable_from: UsableFrom,
) -> Entry {
    Entry {
        name,
        file: "oscillators/diffpoly.rs",
        summary,
        shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
        parameters: &[HZ, WIDTH],
        corrects_sync: false,
        latency_samples: |_| (N - 1) as f64 / 2.0,
        usable_from,
        float: |setup, lend| {
            lend(&mut Float::<N>::new(setup));
            Ok(())
        },
        fixed: |setup, lend| {
            lend(&mut Fixed::<N>::new(setup));
            Ok(())
        },
    }
}

/// Float twin of order `N`: 2, 3 or 4.
#[derive(Clone, Debug)]
pub struct Float<const N: usize> {
    shape: Shape,
    phase: u32,
    width: u32,
    /// Last value, last first difference, last second difference.
    past: [f32; 3],
    increment: u32,
    gain: f32,
    /// Past samples still to be filled in, after a start or a restart.
    stale: bool,
}

impl<const N: usize> Float<N> {
    /// Starts at the phase of the setup; the first sample already has its history.
    pub fn new(setup: &Setup) -> Self {
        const { assert!(N >= 2 && N <= 4) }
        Self {
            shape: setup.shape,
            phase: setup.start,
            width: setup.width.bits(),
            past: [0.0; 3],
            increment: 0,
            gain: 0.0,
            stale: true,
        }
    }

    /// The polynomial at a phase.
    #[inline(always)]
    fn polynomial(&self, phase: u32) -> f32 {
        match self.shape {
            Shape::Triangle => {
                let s = signed(phase << 1) as f32 * (1.0 / 2_147_483_648.0);
                let square = s * s;
                let p = match N {
                    2 => square - 1.0,
                    3 => (square - 3.0) * s,
                    _ => (square - 6.0) * square + 5.0,
                };
                if phase < 1 << 31 { p } else { -p }
            }
            Shape::Pulse => self.ramp(phase.wrapping_sub(self.width)) - self.ramp(phase),
            Shape::Ramp | Shape::Sine => self.ramp(phase),
        }
    }

    #[inline(always)]
    fn ramp(&self, phase: u32) -> f32 {
        let s = signed(phase) as f32 * (1.0 / 2_147_483_648.0);
        let square = s * s;
        match N {
            2 => square,
            3 => (square - 1.0) * s,
            _ => (square - 2.0) * square,
        }
    }

    /// Polynomial, then N − 1 differences.
    #[inline(always)]
    fn difference(&mut self, phase: u32) -> f32 {
        let mut step = self.polynomial(phase);
        for past in self.past.iter_mut().take(N - 1) {
            let now = step;
            step -= *past;
            *past = now;
        }
        step
    }

    #[cold]
    fn retune(&mut self, increment: u32) {
        self.increment = increment;
        let period = 4_294_967_296.0 / increment as f32;
        let cycle = if self.shape == Shape::Triangle { 0.5 * period } else { period };
        // Half of c: the waveform swings ±0.5. For the triangle c is P/8 = (P/2)/4,
        // P²/96 = (P/2)²/24, P³/1536 = (P/2)³/192: the ramp's, of half a cycle.
        let gain = match N {
            2 => 0.5 * cycle / 4.0,
            3 => 0.5 * cycle * cycle / 24.0,
            _ => 0.5 * cycle * cycle * cycle / 192.0,
        };
        self.gain = if increment == 0 { 0.0 } else { gain };
    }

    #[cold]
    fn recall(&mut self) {
        for back in (1..N as u32).rev() {
            self.difference(self.phase.wrapping_sub(self.increment.wrapping_mul(back)));
        }
        self.stale = false;
    }
}

impl<const N: usize> Oscillator<f32> for Float<N> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        if drive.increment.bits() != self.increment {
            self.retune(drive.increment.bits());
        }
        if self.stale {
            self.recall();
        }
        let mut now = self.difference(self.phase) * self.gain;
        if self.shape == Shape::Pulse {
            now += (self.width as f32) * (1.0 / 4_294_967_296.0) - 0.5;
        }
        self.phase = drive.next_phase(self.phase);
        self.stale = drive.sync.is_some();
        self.width = drive.width.bits();
        now
    }
}

/// Fixed twin of order `N`: 2, 3 or 4.
#[derive(Clone, Debug)]
pub struct Fixed<const N: usize> {
    shape: Shape,
    phase: u32,
    width: u32,
    past: [i64; 3],
    increment: u32,
    gain: Gain,
    stale: bool,
}

/// Q: `mantissa · 2^-shift`, mantissa at most 31 bits; a negative shift is a left shift.
#[derive(Clone, Copy, Debug, Default)]
struct Gain {
    mantissa: i64,
    shift: i32,
}

impl Gain {
    /// Half of c for order `n`, a cycle of 2^32 / `increment` samples.
    fn new(n: usize, increment: u64) -> Self {
        if increment == 0 {
            return Self::default();
        }
        // Period = r · 2^octaves with 1 < r ≤ 2 in Q.59, so that r³ still fits.
        let zeros = increment.leading_zeros();
        let octaves = zeros as i32 - 32;
        let r = (1_u128 << 123) / u128::from(increment << zeros);
        // Halves of P/4, P²/24 and P³/192 as value · 2^exponent.
        let (value, exponent) = match n {
            2 => (r, octaves - 3),
            3 => (((r * r) >> 59) / 3, 2 * octaves - 4),
            _ => (((((r * r) >> 59) * r) >> 59) / 3, 3 * octaves - 7),
        };
        let value = value as u64;
        // Keep 31 bits at most, and no more than 31 of them behind the point.
        let spare = 33 - value.leading_zeros() as i32;
        let shift = 59 - exponent - spare;
        let excess = (shift - 31).max(0);
        Self { mantissa: (value >> (spare + excess).min(63)) as i64, shift: shift - excess }
    }

    #[inline(always)]
    fn apply(self, difference: i64) -> i64 {
        // Q: a steady tone stays below 2^62; a frequency that falls abruptly meets old, large
        // differences with the new, large gain: saturate.
        let product = difference.saturating_mul(self.mantissa);
        if self.shift >= 0 {
            product >> self.shift
        } else {
            product.saturating_mul(1_i64 << (-self.shift).min(62))
        }
    }
}

impl<const N: usize> Fixed<N> {
    /// Starts at the phase of the setup; the first sample already has its history.
    pub fn new(setup: &Setup) -> Self {
        const { assert!(N >= 2 && N <= 4) }
        Self {
            shape: setup.shape,
            phase: setup.start,
            width: setup.width.bits(),
            past: [0; 3],
            increment: 0,
            gain: Gain::default(),
            stale: true,
        }
    }

    #[inline(always)]
    fn polynomial(&self, phase: u32) -> i64 {
        match self.shape {
            Shape::Triangle => {
                let s = signed(phase << 1);
                // Q: Q2.62, exact.
                let square = s * s;
                let p = match N {
                    2 => round_q62(square - (1 << 62)),
                    // Q: s³ − 3s spans ±2, s⁴ − 6s² + 5 spans 0 to 5; split so that every
                    // product stays within 2^62.
                    3 => mul(round_q62(square - (1 << 62)), s) - (s << 1),
                    _ => {
                        let square = round_q62(square);
                        mul(square - (2 << 31), square) - (square << 2) + (5 << 31)
                    }
                };
                if phase < 1 << 31 { p } else { -p }
            }
            Shape::Pulse => self.ramp(phase.wrapping_sub(self.width)) - self.ramp(phase),
            Shape::Ramp | Shape::Sine => self.ramp(phase),
        }
    }

    #[inline(always)]
    fn ramp(&self, phase: u32) -> i64 {
        let s = signed(phase);
        let square = s * s;
        match N {
            2 => round_q62(square),
            3 => mul(round_q62(square - (1 << 62)), s),
            _ => {
                let square = round_q62(square);
                mul(square - (2 << 31), square)
            }
        }
    }

    #[inline(always)]
    fn difference(&mut self, phase: u32) -> i64 {
        let mut step = self.polynomial(phase);
        for past in self.past.iter_mut().take(N - 1) {
            let now = step;
            // Q: exact; |step| < 2^34 · 2^(N−1).
            step -= *past;
            *past = now;
        }
        step
    }

    #[cold]
    fn retune(&mut self, increment: u32) {
        self.increment = increment;
        // The triangle's polynomial repeats twice per cycle.
        let cycles = if self.shape == Shape::Triangle { 2 } else { 1 };
        self.gain = Gain::new(N, cycles * u64::from(increment));
    }

    #[cold]
    fn recall(&mut self) {
        for back in (1..N as u32).rev() {
            self.difference(self.phase.wrapping_sub(self.increment.wrapping_mul(back)));
        }
        self.stale = false;
    }
}

impl<const N: usize> Oscillator<I1F31> for Fixed<N> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        if drive.increment.bits() != self.increment {
            self.retune(drive.increment.bits());
        }
        if self.stale {
            self.recall();
        }
        let difference = self.difference(self.phase);
        let mut now = self.gain.apply(difference);
        if self.shape == Shape::Pulse {
            // Q: width − ½ from 32 to 31 fraction bits.
            now = now.saturating_add((i64::from(self.width) - (1 << 31)) >> 1);
        }
        self.phase = drive.next_phase(self.phase);
        self.stale = drive.sync.is_some();
        self.width = drive.width.bits();
        // Q: amplified rounding noise may exceed full scale below the usable range.
        saturate(now)
    }
}

/// Phase as a number s = 2φ − 1 in Q1.31, widened.
#[inline(always)]
fn signed(phase: u32) -> i64 {
    i64::from(phase.wrapping_sub(1 << 31) as i32)
}

/// Q2.62 rounded to 31 fraction bits.
///
/// A floor would do for the last step, where its mean vanishes in the differences; before a
/// product its mean is multiplied by s and leaves a step at every wrap.
#[inline(always)]
fn round_q62(value: i64) -> i64 {
    (value + (1 << 30)) >> 31
}
