//! Levels in the time domain, and the checks a capture passes before anything else.

use crate::reading::Obstacle;

/// Samples in a row at the extreme value that count as clipping. Two equal samples at
/// the top occur in a clean sine that is sampled symmetrically about its peak.
pub const CLIP_RUN: usize = 3;

/// Levels of a capture, full scale = 1.0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Mean.
    pub dc: f64,
    /// Root mean square, DC included.
    pub rms: f64,
    /// Root mean square about the mean.
    pub ac_rms: f64,
    /// Largest magnitude.
    pub peak: f64,
    /// Index of the first sample of that magnitude.
    pub peak_index: usize,
}

impl Level {
    /// Reads the levels of `samples`.
    ///
    /// Floor: the mean of n samples is good to about `1e-16 * peak * sqrt(n)`.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] on an empty slice, [`Obstacle::NotFinite`].
    pub fn of(samples: &[f64]) -> Result<Self, Obstacle> {
        finite(samples)?;
        let n = samples.len() as f64;
        let dc = samples.iter().sum::<f64>() / n;
        // Second pass about the mean: a large DC must not swallow a small AC.
        let (sum, square) = samples.iter().fold((0.0, 0.0), |(s, q), x| {
            let d = x - dc;
            (s + d, q + d * d)
        });
        let ac_power = ((square - sum * sum / n) / n).max(0.0);
        let (peak_index, peak) = samples
            .iter()
            .enumerate()
            .fold((0, 0.0), |best, (i, x)| if x.abs() > best.1 { (i, x.abs()) } else { best });
        Ok(Self { dc, rms: (ac_power + dc * dc).sqrt(), ac_rms: ac_power.sqrt(), peak, peak_index })
    }

    /// Peak over rms, as a ratio. NaN for silence.
    #[must_use]
    pub fn crest(&self) -> f64 {
        self.peak / self.rms
    }

    /// Rms level re a full-scale sine (rms `1/sqrt 2`, AES17-2015 3.12.1), in dBFS.
    #[must_use]
    pub fn dbfs(&self) -> f64 {
        crate::db(self.rms * std::f64::consts::SQRT_2)
    }
}

/// A run of samples stuck at the largest or the smallest value of the capture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClippedRun {
    /// First sample of the run.
    pub index: usize,
    /// Length in samples.
    pub run: usize,
    /// The value, full scale = 1.0.
    pub value: f64,
}

/// The longest run of at least [`CLIP_RUN`] equal samples at the extreme value, if any.
///
/// A pulse wave rests at its extremes by nature: ask this only of signals that do not.
#[must_use]
pub fn longest_clipped_run(samples: &[f64]) -> Option<ClippedRun> {
    let high = samples.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = samples.iter().copied().fold(f64::INFINITY, f64::min);
    let mut best: Option<ClippedRun> = None;
    let mut index = 0;
    for chunk in samples.chunk_by(|a, b| a == b) {
        let (run, value) = (chunk.len(), chunk[0]);
        let extreme = value == high || value == low;
        if extreme && run >= CLIP_RUN && best.is_none_or(|b| run > b.run) {
            best = Some(ClippedRun { index, run, value });
        }
        index += run;
    }
    best
}

/// Refuses what no instrument can use: no samples, NaN or infinity.
///
/// # Errors
/// [`Obstacle::TooShort`], [`Obstacle::NotFinite`].
pub fn finite(samples: &[f64]) -> Result<(), Obstacle> {
    if samples.is_empty() {
        return Err(Obstacle::TooShort { have: 0, need: 1 });
    }
    match samples.iter().position(|x| !x.is_finite()) {
        Some(index) => Err(Obstacle::NotFinite { index }),
        None => Ok(()),
    }
}

/// Refuses captures without a signal: what [`finite`] refuses, silence, and pure DC.
///
/// # Errors
/// [`Obstacle::TooShort`], [`Obstacle::NotFinite`], [`Obstacle::Silent`],
/// [`Obstacle::Constant`].
pub fn screen(samples: &[f64]) -> Result<(), Obstacle> {
    finite(samples)?;
    let value = samples[0];
    match samples.iter().all(|x| *x == value) {
        true if value == 0.0 => Err(Obstacle::Silent),
        true => Err(Obstacle::Constant { value }),
        false => Ok(()),
    }
}

/// Refuses a capture that is clipped, for signals that do not rest at their extremes.
///
/// # Errors
/// [`Obstacle::Clipped`] with the longest run.
pub fn unclipped(samples: &[f64]) -> Result<(), Obstacle> {
    match longest_clipped_run(samples) {
        Some(ClippedRun { index, run, value }) => Err(Obstacle::Clipped { index, run, value }),
        None => Ok(()),
    }
}
