//! Low-frequency oscillator: phase, waveforms, delay and fade.
//!
//! | | |
//! |---|---|
//! | Source  | waveforms by definition; derived here |
//! | Units   | hertz, seconds, samples; phase in cycles; output -1..1 |
//! | Error   | phase exact to 2^-53 cycle, waveforms to a few ulp |
//! | Checked | `tests/suite/theory/lfo.rs` |
//!
//! The phase has 64 bits, so a rate of 0.001 Hz at 192 kHz is off by 5e-12 of itself.

use crate::ParameterError;
use crate::course::check_time;
use std::f64::consts::TAU;

const CYCLE: f64 = 18_446_744_073_709_551_616.0;

/// Waveforms of a phase alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// `2p - 1`.
    Up,
    /// `1 - 2p`.
    Down,
    /// `1 - 4 |p - 1/2|`.
    Triangle,
    /// +1 while the phase is below this width, else -1.
    Pulse(f64),
    /// `sin 2 pi p`.
    Sine,
}

impl Shape {
    /// Value at `phase`, 0 <= phase < 1.
    #[must_use]
    pub fn value(self, phase: f64) -> f64 {
        match self {
            Self::Up => 2.0 * phase - 1.0,
            Self::Down => 1.0 - 2.0 * phase,
            Self::Triangle => 1.0 - 4.0 * (phase - 0.5).abs(),
            Self::Pulse(width) if phase < width => 1.0,
            Self::Pulse(_) => -1.0,
            Self::Sine => (TAU * phase).sin(),
        }
    }
}

/// Value at `phase` of the smoothed sequence between the random value of this cycle and the next:
/// `r0 + (r1 - r0)(3p^2 - 2p^3)`. The held sequence is the value of the cycle itself.
#[must_use]
pub fn smoothed(phase: f64, value: f64, next: f64) -> f64 {
    value + (next - value) * phase * phase * (3.0 - 2.0 * phase)
}

/// A 64-bit phase that wraps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Phase {
    start: u64,
    increment: u64,
}

impl Phase {
    /// Starts at `start_cycles` and advances by the nearest of `hz/fs 2^64` per sample.
    ///
    /// # Errors
    /// `start_cycles` outside 0 <= p < 1, or `hz` not positive and below half the sample rate.
    pub fn new(start_cycles: f64, hz: f64, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        let inside = (0.0..1.0).contains(&start_cycles);
        ParameterError::check(inside, "start_cycles", start_cycles, "0 <= p < 1")?;
        let x = hz / sample_rate_hz;
        ParameterError::check(x > 0.0 && x < 0.5, "hz", hz, "above 0, below half the sample rate")?;
        Ok(Self { start: (start_cycles * CYCLE) as u64, increment: (x * CYCLE).round() as u64 })
    }

    /// Advance per sample in units of 2^-64 cycle.
    #[must_use]
    pub fn increment(&self) -> u64 {
        self.increment
    }

    /// Phase in cycles, 0 <= p < 1, `sample` samples after the start, rounded down to 2^-53.
    #[must_use]
    pub fn cycles(&self, sample: u64) -> f64 {
        let phase = self.start.wrapping_add(self.increment.wrapping_mul(sample));
        (phase >> 11) as f64 * 2.0_f64.powi(-53)
    }

    /// How often the phase has wrapped in `sample` samples: the index of the random value held.
    #[must_use]
    pub fn cycle(&self, sample: u64) -> u64 {
        // At most 2^63 2^64 + 2^64, within 128 bits.
        let total = u128::from(self.start) + u128::from(self.increment) * u128::from(sample);
        (total >> 64) as u64
    }
}

/// Delay and fade after a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fade {
    /// Samples of silence.
    pub delay_samples: u64,
    /// Samples of the rise that follows.
    pub fade_samples: u64,
}

impl Fade {
    /// Times to the nearest sample.
    ///
    /// # Errors
    /// A time outside 0..=100 s, or a sample rate that is not positive and finite.
    pub fn new(delay_s: f64, fade_s: f64, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        check_time("delay_s", delay_s, sample_rate_hz)?;
        check_time("fade_s", fade_s, sample_rate_hz)?;
        Ok(Self {
            delay_samples: (delay_s * sample_rate_hz).round() as u64,
            fade_samples: (fade_s * sample_rate_hz).round() as u64,
        })
    }

    /// Gain `sample` samples after the key: 0, then a straight line, then 1.
    #[must_use]
    pub fn gain(&self, sample: u64) -> f64 {
        match sample.checked_sub(self.delay_samples) {
            None => 0.0,
            Some(n) if n < self.fade_samples => n as f64 / self.fade_samples as f64,
            Some(_) => 1.0,
        }
    }
}
