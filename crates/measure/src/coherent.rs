//! Spectra without a window, of notes chosen so that none is needed: M periods fill N samples to
//! the last one, and M and N share no factor.
//!
//! Then every order k = 1 .. N/2 of the fundamental, harmonic or alias, has a bin of its
//! own. Orders above N/2 share the bins of lower ones; the lowest order names the line.
//!
//! Floor: the worst bin of an exact f64 sine lies below -290 dBc for N = 65536.

use crate::{level, reading::Obstacle};
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Floor of the analysis on f64 samples, in dBc, for lengths up to 65536.
pub const FLOOR_DBC: f64 = -290.0;

/// A tone with a whole number of periods in the capture, coprime to its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tone {
    periods: u32,
    len: usize,
}

impl Tone {
    /// A tone of `periods` periods in `len` samples.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] unless `1 <= periods < len / 2`, and
    /// [`Obstacle::NotCoprime`] if the two share a factor.
    pub fn new(periods: u32, len: usize) -> Result<Self, Obstacle> {
        let high = (len.saturating_sub(1) / 2) as f64;
        crate::reading::within("periods", f64::from(periods), 1.0, high)?;
        match gcd(periods as usize, len) {
            1 => Ok(Self { periods, len }),
            factor => Err(Obstacle::NotCoprime { periods, len, factor }),
        }
    }

    /// The tone of `len` samples at `rate_hz` that lies nearest to `hz`.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] unless `hz` is positive and below half of `rate_hz`, or
    /// the capture is too short for a single period.
    pub fn nearest(hz: f64, rate_hz: f64, len: usize) -> Result<Self, Obstacle> {
        crate::reading::within("tone frequency in Hz", hz, 0.0, rate_hz / 2.0)?;
        let exact = hz / rate_hz * len as f64;
        let wish = exact.round() as u32;
        // Coprime numbers are dense: a few steps to either side always suffice.
        (0..64)
            .flat_map(|step| [wish.saturating_add(step), wish.saturating_sub(step)])
            .filter_map(|periods| Self::new(periods, len).ok())
            .min_by(|a, b| {
                let miss = |t: &Self| (f64::from(t.periods) - exact).abs();
                miss(a).total_cmp(&miss(b))
            })
            .ok_or(Obstacle::OutOfRange {
                name: "periods",
                value: exact,
                low: 1.0,
                high: len as f64 / 2.0,
            })
    }

    /// Periods in the capture: the bin of the fundamental.
    #[must_use]
    pub const fn periods(self) -> u32 {
        self.periods
    }

    /// Samples in the capture.
    #[must_use]
    pub const fn samples(self) -> usize {
        self.len
    }

    /// Frequency at a sample rate of `rate_hz`, in Hz.
    #[must_use]
    pub fn hz(self, rate_hz: f64) -> f64 {
        rate_hz * f64::from(self.periods) / self.len as f64
    }

    /// Phase of sample `n` in turns, 0 <= phase < 1, reduced in integers.
    #[must_use]
    pub fn turns(self, n: usize) -> f64 {
        let reduced = n as u128 * u128::from(self.periods) % self.len as u128;
        reduced as f64 / self.len as f64
    }

    /// The bin on which the order `k` falls.
    #[must_use]
    pub fn fold(self, k: u64) -> usize {
        let bin = (u128::from(k) * u128::from(self.periods) % self.len as u128) as usize;
        bin.min(self.len - bin)
    }
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// One line of a coherent spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Order k: the line comes from k times the fundamental.
    pub order: u32,
    /// The bin it is found on.
    pub bin: usize,
    /// Frequency it is found at over the sample rate, 0 to 0.5.
    pub hz_ratio: f64,
    /// Amplitude and phase (cosine, at the first sample) as found on that bin.
    pub amplitude: Complex64,
    /// True where the order lies above half the sample rate and was folded.
    pub alias: bool,
    /// True where the line is found below the fundamental.
    pub below_fundamental: bool,
}

/// Analyser for captures of one length. Make one per worker and reuse it.
pub struct Coherent {
    plan: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl Coherent {
    /// An analyser for captures of `len` samples.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 4 samples.
    pub fn new(len: usize) -> Result<Self, Obstacle> {
        if len < 4 {
            return Err(Obstacle::TooShort { have: len, need: 4 });
        }
        let plan = RealFftPlanner::new().plan_fft_forward(len);
        Ok(Self {
            input: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        })
    }

    /// Transforms `samples`. A cosine of amplitude 1 reads 1.0 on its bin; bin 0 reads
    /// the mean, and bin N/2 (even N) the amplitude of the alternating sequence.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`], [`Obstacle::NotFinite`].
    pub fn analyse(&mut self, samples: &[f64]) -> Result<Spectrum<'_>, Obstacle> {
        let len = self.input.len();
        if samples.len() != len {
            return Err(Obstacle::WrongLength { have: samples.len(), need: len });
        }
        level::finite(samples)?;
        self.input.copy_from_slice(samples);
        self.plan
            .process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch)
            .map_err(|_| Obstacle::TooShort { have: len, need: 4 })?;
        for bin in &mut self.bins {
            *bin *= 2.0 / len as f64;
        }
        self.bins[0] *= 0.5;
        if len.is_multiple_of(2) {
            self.bins[len / 2] *= 0.5;
        }
        Ok(Spectrum { bins: &self.bins, len })
    }
}

/// Amplitudes by bin; borrowed from the analyser that made them.
#[derive(Clone, Copy, Debug)]
pub struct Spectrum<'a> {
    bins: &'a [Complex64],
    len: usize,
}

impl<'a> Spectrum<'a> {
    /// Complex amplitudes of the bins 0 to N/2.
    #[must_use]
    pub const fn bins(self) -> &'a [Complex64] {
        self.bins
    }

    /// The mean of the capture.
    #[must_use]
    pub fn dc(self) -> f64 {
        self.bins[0].re
    }

    /// Every order of `tone` once, k = 1 .. N/2, in ascending order.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if `tone` was made for another length.
    pub fn lines(self, tone: Tone) -> Result<impl Iterator<Item = Line> + 'a, Obstacle> {
        if tone.len != self.len {
            return Err(Obstacle::WrongLength { have: self.len, need: tone.len });
        }
        let (len, step) = (tone.len, tone.periods as usize);
        let mut position = 0;
        Ok((1..=len / 2).map(move |k| {
            position += step;
            if position >= len {
                position -= len;
            }
            let bin = position.min(len - position);
            Line {
                order: k as u32,
                bin,
                hz_ratio: bin as f64 / len as f64,
                amplitude: self.bins[bin],
                // k up to 2^31 and step below 2^32: the product fits in 64 bits.
                alias: 2 * k as u64 * step as u64 > len as u64,
                below_fundamental: bin < step,
            }
        }))
    }
}
