//! Amplitude of a tone over time, for recordings that hold a note and no contour.
//!
//! The analytic signal about the tone (Gabor, J. IEE 93(III):429-457, 1946), through a
//! Gaussian band so narrow that 0 Hz and the neighbouring harmonics are down by the
//! rejection asked for. A Gaussian has the least product of duration and bandwidth and no
//! overshoot: a step of the amplitude rises from 10 to 90 % within `2.563 s` samples,
//! `s = sqrt(R ln(10)/10)/(2 pi f)` for R dB of rejection over a distance of f cycles per
//! sample. That is 2.14 periods at 120 dB. What a sudden step throws into the band from the
//! image at -f moves it by up to 0.08 periods, depending on the phase it comes at.
//!
//! Lines pass unchanged. An exponential keeps its time constant T, and its level is read
//! `exp(s^2/2T^2)` times too high, as though it came `s^2/2T` samples late.
//!
//! Floor: 1e-14 of the largest amplitude, f64 rounding of the transforms, or the ripple.

use crate::level;
use crate::reading::{Obstacle, within};
use num_complex::Complex64;
use realfft::RealFftPlanner;
use rustfft::FftPlanner;
use std::f64::consts::{LN_10, PI, TAU};

/// Rejection at which ripple vanishes beside 16-bit recordings, in dB.
pub const REJECTION_DB: f64 = 120.0;

/// 10 to 90 % rise of a Gaussian step response over its sigma.
const RISE_PER_SIGMA: f64 = 2.563_103_131;

/// Edge of what a Gaussian still reaches: `exp(-6^2/2) = 1.5e-8`.
const REACH_SIGMAS: f64 = 6.0;

/// The amplitude of a tone at every sample.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope {
    /// Peak amplitude of the tone, full scale = 1.0.
    pub amplitude: Vec<f64>,
    /// Sigma of the Gaussian that the amplitude is averaged with, in samples.
    pub sigma_samples: f64,
    /// Time in which a step of the amplitude rises from 10 to 90 %, in samples.
    pub rise_samples: f64,
    /// Samples at either end that hold part of what lies outside the capture.
    pub edge_samples: usize,
    /// Ripple per unit amplitude of 0 Hz or a neighbouring harmonic, as a ratio.
    pub ripple: f64,
    /// Rms noise of the amplitude over rms noise of the samples, for white noise well
    /// below the tone.
    pub noise_gain: f64,
}

/// An envelope at the spacing where its samples are nearly independent.
#[derive(Clone, Debug, PartialEq)]
pub struct Thinned {
    /// The amplitudes, without the edges of the capture.
    pub amplitude: Vec<f64>,
    /// Sample of the capture that the first belongs to.
    pub first_sample: usize,
    /// Samples of the capture from one to the next.
    pub step_samples: usize,
}

impl Envelope {
    /// Reads the amplitude of the tone of `hz` in `samples`; neighbours at 0 Hz, `2 hz` and
    /// half the rate are down by `rejection_db` at least.
    ///
    /// # Errors
    /// What [`level::screen`] refuses; [`Obstacle::OutOfRange`] for a rate that is not
    /// positive, a tone not between 0 Hz and half the rate, or a rejection outside 20 to
    /// 200 dB; [`Obstacle::TooShort`] if the edges meet.
    pub fn of(samples: &[f64], rate_hz: f64, hz: f64, rejection_db: f64) -> Result<Self, Obstacle> {
        level::screen(samples)?;
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        let least = rate_hz * 1e-9;
        within("tone in Hz", hz, least, rate_hz / 2.0 - least)?;
        within("rejection in dB", rejection_db, 20.0, 200.0)?;
        let tone = hz / rate_hz;
        let room = tone.min(0.5 - tone);
        let width = room / (rejection_db * LN_10 / 10.0).sqrt();
        let sigma = 1.0 / (TAU * width);
        let edge = (REACH_SIGMAS * sigma).ceil();
        if samples.len() as f64 <= 2.0 * edge {
            return Err(Obstacle::TooShort { have: samples.len(), need: 2 * edge as usize + 1 });
        }
        // Padded, so that neither end reaches round to the other.
        let padded = (samples.len() + 2 * edge as usize).next_power_of_two();
        let forward = RealFftPlanner::new().plan_fft_forward(padded);
        let mut input = forward.make_input_vec();
        input[..samples.len()].copy_from_slice(samples);
        let mut bins = forward.make_output_vec();
        let short = Obstacle::TooShort { have: samples.len(), need: padded };
        forward.process(&mut input, &mut bins).map_err(|_| short)?;
        for (bin, value) in bins.iter_mut().enumerate() {
            let distance = (bin as f64 / padded as f64 - tone) / width;
            *value *= (-0.5 * distance * distance).exp();
        }
        bins.resize(padded, Complex64::ZERO);
        FftPlanner::new().plan_fft_inverse(padded).process(&mut bins);
        let scale = 2.0 / padded as f64;
        let amplitude = bins[..samples.len()].iter().map(|z| z.norm() * scale).collect();
        Ok(Self {
            amplitude,
            sigma_samples: sigma,
            rise_samples: RISE_PER_SIGMA * sigma,
            edge_samples: edge as usize,
            ripple: 10f64.powf(-rejection_db / 20.0),
            noise_gain: (1.0 / (PI.sqrt() * sigma)).sqrt(),
        })
    }

    /// One sample in three sigma, where neighbours share 10 % of their noise: what the
    /// search for stages takes for independent. Corners there are rounded off over two
    /// samples.
    #[must_use]
    pub fn thinned(&self) -> Thinned {
        let step_samples = (3.0 * self.sigma_samples).round().max(1.0) as usize;
        let inner = &self.amplitude[self.edge_samples..self.amplitude.len() - self.edge_samples];
        Thinned {
            amplitude: inner.iter().copied().step_by(step_samples).collect(),
            first_sample: self.edge_samples,
            step_samples,
        }
    }
}
