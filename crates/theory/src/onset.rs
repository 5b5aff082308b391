//! Delay of events that are taken only where a block of samples begins.
//!
//! | | |
//! |---|---|
//! | Source  | uniform distribution over `0..B-1`; derived here |
//! | Units   | samples, seconds |
//! | Checked | `tests/suite/theory/onset.rs` |

use crate::ParameterError;

/// Blocks of audio at a sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blocks {
    block_samples: u32,
    sample_rate_hz: f64,
}

impl Blocks {
    /// Blocks of `block_samples` samples.
    ///
    /// # Errors
    /// A block of no samples, or a sample rate that is not positive and finite.
    pub fn new(block_samples: u32, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        ParameterError::check(block_samples > 0, "block_samples", 0.0, "1 and up")?;
        let inside = sample_rate_hz.is_finite() && sample_rate_hz > 0.0;
        ParameterError::check(inside, "sample_rate_hz", sample_rate_hz, "positive and finite")?;
        Ok(Self { block_samples, sample_rate_hz })
    }

    /// Samples from an event at `sample` to the next block, 0 where one begins.
    #[must_use]
    pub fn delay_samples(&self, sample: u64) -> u64 {
        sample.next_multiple_of(u64::from(self.block_samples)) - sample
    }

    /// Mean delay over all places in a block, `(B - 1) / 2` samples, in seconds.
    #[must_use]
    pub fn mean_delay_s(&self) -> f64 {
        0.5 * self.worst_delay_s()
    }

    /// Standard deviation of the delay, `sqrt((B^2 - 1) / 12)` samples, in seconds.
    #[must_use]
    pub fn jitter_s(&self) -> f64 {
        let block = f64::from(self.block_samples);
        ((block * block - 1.0) / 12.0).sqrt() / self.sample_rate_hz
    }

    /// Longest delay, `B - 1` samples, in seconds.
    #[must_use]
    pub fn worst_delay_s(&self) -> f64 {
        f64::from(self.block_samples - 1) / self.sample_rate_hz
    }
}
