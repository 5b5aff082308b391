//! The response between a file that was played and its recording: delay unknown, noise unknown.
//!
//! Whatever was played serves, as long as the recording holds all of it and what follows. The whole
//! of both is transformed once, so nothing is windowed and a linear subject that has decayed by the
//! end is described exactly. The response is the least-squares estimate `sum Y X* / sum |X|^2`
//! (Bendat & Piersol, Random Data, 4th ed. 2010, chapter 6, from memory) over bands of bins, each
//! weighted by the noise about it. The noise is what a straight line over 16 bins leaves.
//!
//! Bands average, and a resonance may be narrower than its band. Each ratio is therefore taken
//! against a reference that the caller gives: with a model that fits, the ratios are 1 and their
//! average has no bias, however narrow the resonance.
//!
//! Floor: rounding of the transforms, below -250 dB re the loudest bin.

use crate::level;
use crate::reading::{Obstacle, within};
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

/// A response over a few neighbouring bins, as a ratio to the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Centre of its weights.
    pub hz: f64,
    /// Response over reference.
    pub ratio: Complex64,
    /// Variance of `ratio`, half of it along either axis.
    pub variance: f64,
    /// Recorded power in this band, sum of the squared bins.
    pub power: f64,
    /// `1 - coherence`: the share of that power that is noise; without bias, so it scatters about 1
    /// where all is.
    pub incoherence: f64,
}

/// Spectra of a file and of its recording, aligned to the sample.
#[derive(Clone, Debug, PartialEq)]
pub struct Transfer {
    sent: Vec<Complex64>,
    back: Vec<Complex64>,
    len: usize,
    rate_hz: f64,
    lag: i64,
    /// Length transformed over length recorded.
    stretch: f64,
}

/// Bins over which the response is taken for a straight line in the estimate of the noise.
const BLOCK: usize = 16;
/// Least blocks that share one figure of noise.
const BLOCKS: usize = 16;
/// Octaves that share one.
const REGION_OCTAVES: f64 = 1.0 / 3.0;
/// A block with this many times the noise of its region holds a line of its own, such as hum. A
/// block has 28 degrees of freedom: chance reaches four times once in 1e10.
const LINE: f64 = 4.0;

impl Transfer {
    /// Aligns a recording with what was sent and transforms both.
    ///
    /// # Errors
    /// What [`level::screen`] refuses of either, [`Obstacle::OutOfRange`] for a rate that is not
    /// positive, [`Obstacle::TooShort`] below 512 samples.
    pub fn between(sent: &[f64], recording: &[f64], rate_hz: f64) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, 1e9)?;
        level::screen(sent)?;
        level::screen(recording)?;
        let shorter = sent.len().min(recording.len());
        if shorter < 2 * BLOCK * BLOCKS {
            return Err(Obstacle::TooShort { have: shorter, need: 2 * BLOCK * BLOCKS });
        }
        let recording = without_mean(recording);
        let lag = lag(&without_mean(sent), &recording);
        let len = sent.len().max(recording.len());
        // What is sent keeps its mean: it lies within the file alone and so in every bin.
        let mut shifted = spectrum(sent, len);
        let back = spectrum(&recording, len);
        for (k, bin) in shifted.iter_mut().enumerate() {
            // Whole numbers: no digit of the phase is lost.
            let turns = (k as i128 * i128::from(lag)).rem_euclid(len as i128);
            *bin *= Complex64::from_polar(1.0, -TAU * turns as f64 / len as f64);
        }
        let stretch = len as f64 / recording.len() as f64;
        Ok(Self { sent: shifted, back, len, rate_hz, lag, stretch })
    }

    /// Samples by which the recording of the file starts after the recording itself; the responses
    /// of [`Transfer::bands`] are without it.
    #[must_use]
    pub const fn lag_samples(&self) -> i64 {
        self.lag
    }

    /// The response over `reference` between two frequencies, in bands of `width` of their own
    /// frequency, at least a bin.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] unless `0 < low < high <= rate/2` and `0 < width <= 1`,
    /// [`Obstacle::TooShort`] where fewer than 256 bins lie between.
    pub fn bands(
        &self,
        low_hz: f64,
        high_hz: f64,
        width: f64,
        reference: impl Fn(f64) -> Complex64,
    ) -> Result<Vec<Band>, Obstacle> {
        within("highest frequency in Hz", high_hz, f64::MIN_POSITIVE, 0.5 * self.rate_hz)?;
        within("lowest frequency in Hz", low_hz, f64::MIN_POSITIVE, high_hz)?;
        within("relative width", width, f64::MIN_POSITIVE, 1.0)?;
        let bin_hz = self.rate_hz / self.len as f64;
        let first = (low_hz / bin_hz).ceil() as usize;
        let last = ((high_hz / bin_hz).floor() as usize).min((self.len - 1) / 2);
        let count = (last + 1).saturating_sub(first);
        if count < BLOCK * BLOCKS {
            return Err(Obstacle::TooShort { have: count, need: BLOCK * BLOCKS });
        }
        let at = |index: usize| (first + index) as f64 * bin_hz;
        let carriers: Vec<Complex64> =
            (0..count).map(|index| reference(at(index)) * self.sent[first + index]).collect();
        let back = &self.back[first..=last];
        let noise = self.noise(first, back, &carriers);
        let mut bands = Vec::new();
        let mut start = 0;
        while start < count {
            let bins = ((at(start) * width / bin_hz) as usize).max(1);
            let end = (start + bins).min(count);
            let (mut cross, mut weight, mut moment) = (Complex64::ZERO, 0.0, 0.0);
            let (mut power, mut hiss) = (0.0, 0.0);
            for index in start..end {
                let noise = noise[(index / BLOCK).min(noise.len() - 1)];
                let drive = carriers[index].norm_sqr() / noise;
                cross += back[index] * carriers[index].conj() / noise;
                weight += drive;
                moment += at(index) * drive;
                power += back[index].norm_sqr();
                hiss += noise;
            }
            if weight > 0.0 && weight.is_finite() {
                bands.push(Band {
                    hz: moment / weight,
                    ratio: cross / weight,
                    variance: weight.recip(),
                    power,
                    incoherence: hiss / power,
                });
            }
            start = end;
        }
        Ok(bands)
    }

    /// Noise power per bin, a figure for each block.
    fn noise(&self, first: usize, back: &[Complex64], carriers: &[Complex64]) -> Vec<f64> {
        let blocks: Vec<f64> = back
            .chunks_exact(BLOCK)
            .zip(carriers.chunks_exact(BLOCK))
            .map(|(back, carriers)| self.stretch * scatter(back, carriers))
            .collect();
        // Rounding of the transforms, so that a subject without noise has a weight.
        let loudest = back.iter().map(|bin| bin.norm_sqr()).fold(0.0, f64::max);
        let least = loudest * f64::EPSILON * f64::EPSILON;
        let octaves = |block: usize| ((first + block * BLOCK) as f64).log2();
        let mut noise = Vec::with_capacity(blocks.len());
        let mut start = 0;
        while start < blocks.len() {
            let mut end = (start + BLOCKS).min(blocks.len());
            while end < blocks.len() && octaves(end) < octaves(start) + REGION_OCTAVES {
                end += 1;
            }
            if blocks.len() - end < BLOCKS {
                end = blocks.len();
            }
            let median = median(&blocks[start..end]).max(least);
            let own = |block: &f64| if *block > LINE * median { *block } else { median };
            noise.extend(blocks[start..end].iter().map(own));
            start = end;
        }
        noise
    }
}

/// Mean power per bin that `(a + b t) carrier` leaves, a and b fitted.
fn scatter(back: &[Complex64], carriers: &[Complex64]) -> f64 {
    let middle = 0.5 * (BLOCK as f64 - 1.0);
    let t = |index: usize| (index as f64 - middle) / middle;
    let (mut s, mut r) = ([0.0; 3], [Complex64::ZERO; 2]);
    for (index, (y, c)) in back.iter().zip(carriers).enumerate() {
        let (power, cross) = (c.norm_sqr(), y * c.conj());
        for (degree, sum) in s.iter_mut().enumerate() {
            *sum += power * t(index).powi(degree as i32);
        }
        r[0] += cross;
        r[1] += cross * t(index);
    }
    let determinant = s[0] * s[2] - s[1] * s[1];
    let (a, b) = if determinant > 0.0 {
        ((r[0] * s[2] - r[1] * s[1]) / determinant, (r[1] * s[0] - r[0] * s[1]) / determinant)
    } else {
        (Complex64::ZERO, Complex64::ZERO)
    };
    let left: f64 = back
        .iter()
        .zip(carriers)
        .enumerate()
        .map(|(index, (y, c))| (y - (a + b * t(index)) * c).norm_sqr())
        .sum();
    left / (BLOCK as f64 - 2.0)
}

/// Median of powers of 28 degrees of freedom, as their mean: the median of chi-square is
/// `n (1 - 2/9n)^3` (Wilson & Hilferty, Proc. Nat. Acad. Sci. 17:684-688, 1931).
fn median(powers: &[f64]) -> f64 {
    let mut sorted = powers.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let freedom = 2.0 * (BLOCK as f64 - 2.0);
    sorted[sorted.len() / 2] / (1.0 - 2.0 / (9.0 * freedom)).powi(3)
}

fn without_mean(samples: &[f64]) -> Vec<f64> {
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    samples.iter().map(|sample| sample - mean).collect()
}

fn spectrum(samples: &[f64], len: usize) -> Vec<Complex64> {
    let mut padded = samples.to_vec();
    padded.resize(len, 0.0);
    let mut bins = vec![Complex64::ZERO; len / 2 + 1];
    let plan = RealFftPlanner::new().plan_fft_forward(len);
    // The lengths are the plan's own: it cannot refuse them.
    let _ = plan.process(&mut padded, &mut bins);
    bins
}

/// Where the cross-correlation is largest, of either sign.
fn lag(sent: &[f64], recording: &[f64]) -> i64 {
    let len = (sent.len() + recording.len()).next_power_of_two();
    let mut cross = spectrum(recording, len);
    for (bin, sent) in cross.iter_mut().zip(spectrum(sent, len)) {
        *bin *= sent.conj();
    }
    // Real by symmetry: what rounding has left of the rest would be refused.
    cross[0].im = 0.0;
    cross[len / 2].im = 0.0;
    let mut correlation = vec![0.0; len];
    let _ = RealFftPlanner::new().plan_fft_inverse(len).process(&mut cross, &mut correlation);
    let largest = (0..len).max_by(|a, b| correlation[*a].abs().total_cmp(&correlation[*b].abs()));
    let at = largest.unwrap_or(0) as i64;
    if at >= recording.len() as i64 { at - len as i64 } else { at }
}
