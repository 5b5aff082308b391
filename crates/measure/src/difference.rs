//! Difference of two captures of the same thing, sample by sample.

use crate::level::{self, Level};
use crate::reading::Obstacle;

/// How far `subject` departs from `reference`. Full scale = 1.0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// Mean of subject minus reference.
    pub bias: f64,
    /// Rms of the difference, bias included.
    pub rms: f64,
    /// Largest magnitude of the difference.
    pub peak: f64,
    /// First sample at which that is reached.
    pub worst_index: usize,
    /// Rms of the reference about its mean.
    pub reference_ac_rms: f64,
}

impl Difference {
    /// Compares two captures that start at the same sample.
    ///
    /// Floor: f64 rounding of the captures, 1.1e-16 of the sample value.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if they differ in length, [`Obstacle::TooShort`],
    /// [`Obstacle::NotFinite`].
    pub fn of(subject: &[f64], reference: &[f64]) -> Result<Self, Obstacle> {
        if subject.len() != reference.len() {
            return Err(Obstacle::WrongLength { have: subject.len(), need: reference.len() });
        }
        level::finite(subject)?;
        let reference_ac_rms = Level::of(reference)?.ac_rms;
        let residual: Vec<f64> = subject.iter().zip(reference).map(|(s, r)| s - r).collect();
        let level = Level::of(&residual)?;
        Ok(Self {
            bias: level.dc,
            rms: level.rms,
            peak: level.peak,
            worst_index: level.peak_index,
            reference_ac_rms,
        })
    }

    /// Bits b of the quantizer over -1..1 whose rounding noise `2^(1-b) / sqrt 12` has
    /// the same rms as the difference. Infinite for equal captures.
    #[must_use]
    pub fn effective_bits(&self) -> f64 {
        1.0 - (self.rms * 12f64.sqrt()).log2()
    }

    /// Difference over the reference's AC level, in dB.
    #[must_use]
    pub fn residual_db(&self) -> f64 {
        crate::db(self.rms / self.reference_ac_rms)
    }
}
