//! Power spectral density of noise by averaged, windowed periodograms.
//!
//! Welch, IEEE Trans. Audio Electroacoust. 15(2):70-73, 1967. Hann window, overlap 50 %.
//! Density is one-sided, in full-scale squared per Hz.

use crate::{level, power_db, reading::Obstacle, window::Window};
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Analyser with segments of one length. Make one per worker and reuse it.
pub struct Psd {
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
    density: Vec<f64>,
}

impl Psd {
    /// An analyser with segments of `segment` samples.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 16 samples.
    pub fn new(segment: usize) -> Result<Self, Obstacle> {
        if segment < 16 {
            return Err(Obstacle::TooShort { have: segment, need: 16 });
        }
        let plan = RealFftPlanner::new().plan_fft_forward(segment);
        Ok(Self {
            window: Window::Hann.samples(segment),
            input: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            density: vec![0.0; segment / 2 + 1],
            plan,
        })
    }

    /// Averages the periodograms of `samples`, the mean removed first.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] with less than one segment, [`Obstacle::NotFinite`],
    /// [`Obstacle::OutOfRange`] for a rate that is not positive.
    pub fn analyse(&mut self, samples: &[f64], rate_hz: f64) -> Result<Density<'_>, Obstacle> {
        let len = self.input.len();
        crate::reading::within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        level::finite(samples)?;
        if samples.len() < len {
            return Err(Obstacle::TooShort { have: samples.len(), need: len });
        }
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        self.density.fill(0.0);
        let mut segments = 0;
        for start in (0..=samples.len() - len).step_by(len / 2) {
            for ((x, s), w) in self.input.iter_mut().zip(&samples[start..]).zip(&self.window) {
                *x = (s - mean) * w;
            }
            self.plan
                .process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch)
                .map_err(|_| Obstacle::TooShort { have: len, need: 16 })?;
            for (d, bin) in self.density.iter_mut().zip(&self.bins) {
                *d += bin.norm_sqr();
            }
            segments += 1;
        }
        // The window has mean 1, so its sum of squares is len times its noise bandwidth.
        let energy = len as f64 * Window::Hann.enbw_bins();
        let last = self.density.len() - 1;
        for (k, d) in self.density.iter_mut().enumerate() {
            let sides = if k == 0 || (k == last && len.is_multiple_of(2)) { 1.0 } else { 2.0 };
            *d *= sides / (energy * rate_hz * f64::from(segments));
        }
        Ok(Density { density: &self.density, bin_hz: rate_hz / len as f64, segments })
    }
}

/// An averaged density; borrowed from the analyser that made it.
#[derive(Clone, Copy, Debug)]
pub struct Density<'a> {
    density: &'a [f64],
    bin_hz: f64,
    segments: u32,
}

/// Mean density over a band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Geometric centre, in Hz.
    pub centre_hz: f64,
    /// Mean density, full-scale squared per Hz.
    pub density: f64,
    /// Degrees of freedom of the chi-square law the density follows.
    pub freedom: f64,
}

impl Band {
    /// Density, in dB re 1/Hz.
    #[must_use]
    pub fn db(&self) -> f64 {
        power_db(self.density)
    }

    /// Expanded uncertainty (k = 2) of [`Band::db`]: a chi-square of v degrees of freedom
    /// has relative standard deviation sqrt(2/v).
    #[must_use]
    pub fn uncertainty_db(&self) -> f64 {
        2.0 * 10.0 / std::f64::consts::LN_10 * (2.0 / self.freedom).sqrt()
    }
}

/// Straight line through band levels over log frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// In dB per octave.
    pub db_per_octave: f64,
    /// Expanded uncertainty (k = 2), in dB per octave, from the chi-square law.
    pub uncertainty_db: f64,
    /// Largest departure of a band from the line, in dB.
    pub flatness_db: f64,
}

impl<'a> Density<'a> {
    /// Density by bin, from 0 Hz, full-scale squared per Hz.
    #[must_use]
    pub const fn bins(self) -> &'a [f64] {
        self.density
    }

    /// Spacing of the bins, in Hz.
    #[must_use]
    pub const fn bin_hz(self) -> f64 {
        self.bin_hz
    }

    /// Mean density of the bins within `low_hz..=high_hz`. The two bins next to DC and
    /// the two next to half the rate belong to no band: the window mixes them.
    ///
    /// # Errors
    /// [`Obstacle::Unresolved`] if no bin lies in the band.
    pub fn band(self, low_hz: f64, high_hz: f64) -> Result<Band, Obstacle> {
        let first = ((low_hz / self.bin_hz).ceil().max(2.0)) as usize;
        let end = ((high_hz / self.bin_hz).floor() + 1.0).min(self.density.len() as f64 - 2.0);
        let end = end.max(0.0) as usize;
        if first >= end {
            return Err(Obstacle::Unresolved {
                spacing_hz: high_hz - low_hz,
                need_hz: self.bin_hz,
            });
        }
        let bins = (end - first) as f64;
        let density = self.density[first..end].iter().sum::<f64>() / bins;
        // Neighbours share noise through the Hann window: periodograms at lag 1 and 2 bins
        // correlate by (2/3)^2 and (1/6)^2, half-overlapped segments by (1/6)^2 (Welch).
        let (s, n) = (f64::from(self.segments), bins);
        let in_frequency =
            1.0 + 2.0 * ((n - 1.0).max(0.0) / n * 4.0 / 9.0 + (n - 2.0).max(0.0) / n / 36.0);
        let in_time = 1.0 + 2.0 * (s - 1.0) / s / 36.0;
        Ok(Band {
            centre_hz: (first as f64 * (end - 1) as f64).sqrt() * self.bin_hz,
            density,
            freedom: 2.0 * n * s / (in_frequency * in_time),
        })
    }

    /// Weighted line fit through bands of `bands_per_octave` from `low_hz` to `high_hz`.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] with less than two bands, [`Obstacle::Unresolved`] if a
    /// band holds no bin, [`Obstacle::Silent`] if one holds no power.
    pub fn slope(
        self,
        low_hz: f64,
        high_hz: f64,
        bands_per_octave: u32,
    ) -> Result<Slope, Obstacle> {
        let octaves = (high_hz / low_hz).log2();
        let count = (octaves * f64::from(bands_per_octave)).round();
        crate::reading::within("bands", count, 2.0, 1e4)?;
        let edge = |i: f64| low_hz * (octaves * i / count).exp2();
        let mut points = Vec::with_capacity(count as usize);
        for i in 0..count as u32 {
            let (low, high) = (edge(f64::from(i)), edge(f64::from(i) + 1.0));
            let band = self.band(low, high)?;
            if band.density <= 0.0 {
                return Err(Obstacle::Silent);
            }
            // The band's middle in log frequency, not the bin centre: levels of steep
            // spectra are means over the band and every band has the same shape.
            points.push(((low * high).sqrt().log2(), band.db(), band.uncertainty_db().powi(-2)));
        }
        let sum = |f: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(f).sum::<f64>();
        let weight = sum(&|p| p.2);
        let (x0, y0) = (sum(&|p| p.2 * p.0) / weight, sum(&|p| p.2 * p.1) / weight);
        let spread = sum(&|p| p.2 * (p.0 - x0).powi(2));
        let slope = sum(&|p| p.2 * (p.0 - x0) * (p.1 - y0)) / spread;
        let off = |p: &(f64, f64, f64)| (p.1 - y0 - slope * (p.0 - x0)).abs();
        Ok(Slope {
            db_per_octave: slope,
            // The weights already hold k = 2.
            uncertainty_db: spread.sqrt().recip(),
            flatness_db: points.iter().map(off).fold(0.0, f64::max),
        })
    }
}
