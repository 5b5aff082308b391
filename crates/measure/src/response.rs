//! Small-signal response: from an impulse response, at any frequency, and from a synchronised
//! exponential sweep, on the bins of the record.
//!
//! The sweep is `sin(2 pi f1 L e^(t/L))` (Novak, Lotton, Simon, JAES 63(10):786-798, 2015), faded
//! outside the band asked for. The linear response divides by the sweep's own transform, which is
//! exact for a linear subject that has decayed at the end of the record. Harmonic responses divide
//! by the spectrum of the endless sweep, `L Gamma(-j w L) (-j 2 pi f1 L)^(j w L) / 2j`: the stationary
//! phase of the publication and the next terms of Stirling's series, without which the phase would be
//! off by `1/(12 w L)`.
//!
//! Floor: rounding of the transforms in each bin, stated with each point; below -250 dB re the highest
//! gain on f64 subjects.

use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::ringing::Ringing;
use num_complex::Complex64;
use realfft::RealFftPlanner;
use rustfft::FftPlanner;
use std::f64::consts::{LN_10, PI, TAU};

/// The response at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Frequency.
    pub hz: f64,
    /// Complex gain.
    pub gain: Complex64,
    /// Group delay in samples.
    pub delay_samples: f64,
    /// Expanded uncertainty (k = 2) of `gain`, as a distance in the complex plane: truncation,
    /// rounding and, where takes were compared, their scatter.
    pub uncertainty: f64,
    /// `1 - coherence` between stimulus and takes, 0 for a subject that is linear and free of noise;
    /// none with a single take.
    pub incoherence: Option<f64>,
}

impl Point {
    /// Gain in dB.
    #[must_use]
    pub fn db(&self) -> Reading {
        let size = self.gain.norm();
        let reading = Reading::new(
            crate::db(size),
            Unit::Decibel,
            20.0 / LN_10 * (self.uncertainty / size).ln_1p(),
        );
        reading.with_floor(crate::db(self.uncertainty))
    }

    /// Phase in radians, -pi..pi, and its expanded uncertainty.
    #[must_use]
    pub fn phase_rad(&self) -> (f64, f64) {
        let reach = self.uncertainty / self.gain.norm();
        (self.gain.arg(), if reach < 1.0 { reach.asin() } else { PI })
    }
}

/// `sum x_n z^-n` and `sum n x_n z^-n` over `samples`, n from `first`, at `x` cycles per sample.
fn transform(samples: &[f64], first: i64, x: f64) -> (Complex64, Complex64) {
    // A fresh phase every 64 samples keeps rotation errors at 64 roundings.
    const RUN: usize = 64;
    let turn = Complex64::from_polar(1.0, -TAU * x);
    let (mut sum, mut weighted) = (Complex64::ZERO, Complex64::ZERO);
    for (run, chunk) in samples.chunks(RUN).enumerate() {
        let start = (first + (run * RUN) as i64) as f64;
        let product = x * start;
        let cycles = (product - product.round()) + x.mul_add(start, -product);
        let mut phase = Complex64::from_polar(1.0, -TAU * cycles);
        let (mut here, mut moment) = (Complex64::ZERO, Complex64::ZERO);
        for (n, value) in chunk.iter().enumerate() {
            let term = phase * *value;
            here += term;
            moment += term * n as f64;
            phase *= turn;
        }
        sum += here;
        weighted += here * start + moment;
    }
    (sum, weighted)
}

/// Bound on the sum of magnitudes after the end of `samples`, from how their last two eighths
/// compare; infinite where nothing decays.
fn rest(samples: &[f64]) -> f64 {
    let part = samples.len() / 8;
    if part == 0 {
        return f64::INFINITY;
    }
    let size = |s: &[f64]| s.iter().map(|x| x.abs()).sum::<f64>();
    let last = size(&samples[samples.len() - part..]);
    let before = size(&samples[samples.len() - 2 * part..samples.len() - part]);
    if last == 0.0 {
        0.0
    } else if last < before {
        // Geometric: an eighth adds `last/before` of the one ahead of it.
        last * last / (before - last)
    } else if last <= 1e-13 * size(samples) {
        // Rounding that never dies, as long again.
        8.0 * last
    } else {
        f64::INFINITY
    }
}

/// A mode, or its mirror image, beyond the end of a capture.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Tail {
    pole: Complex64,
    /// What it contributes at the sample after the last.
    at: Complex64,
    /// Relative expanded uncertainty of the pole, and samples over which it acted up to `at`.
    uncertainty: f64,
    ahead: f64,
}

/// A captured impulse response, possibly continued by the modes it rings out with.
#[derive(Clone, Debug, PartialEq)]
pub struct ImpulseResponse {
    samples: Vec<f64>,
    rate_hz: f64,
    tail: Vec<Tail>,
    uncertainty: f64,
}

impl ImpulseResponse {
    /// The response to a unit impulse at the first sample.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 16 samples, what [`level::finite`] refuses,
    /// [`Obstacle::OutOfRange`] for a rate that is not positive.
    pub fn new(samples: &[f64], rate_hz: f64) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        level::finite(samples)?;
        if samples.len() < 16 {
            return Err(Obstacle::TooShort { have: samples.len(), need: 16 });
        }
        let rounding = 64.0 * f64::EPSILON * samples.iter().map(|x| x.abs()).sum::<f64>();
        let uncertainty = rest(samples) + rounding;
        Ok(Self { samples: samples.to_vec(), rate_hz, tail: Vec::new(), uncertainty })
    }

    /// Continues the response beyond its end with `ringing`, fitted to its samples from `start`
    /// on: a resonance whose decay is far longer than the capture.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] for a `start` beyond the end, or modes that do not decay.
    pub fn continued(self, start: usize, ringing: &Ringing) -> Result<Self, Obstacle> {
        let len = self.samples.len();
        within("first sample of the ringing", start as f64, 0.0, len as f64)?;
        let mut tail = Vec::new();
        for mode in &ringing.modes {
            within("pole radius", mode.pole.norm(), 0.0, 1.0 - f64::EPSILON)?;
            let ahead = (len - start) as f64;
            let reached = Complex64::from_polar(
                mode.pole.norm().powf(ahead),
                (mode.pole.arg() * ahead).rem_euclid(TAU),
            );
            let at = mode.residue * reached * 0.5;
            let uncertainty = mode.pole_uncertainty();
            tail.extend([
                Tail { pole: mode.pole, at, uncertainty, ahead },
                Tail { pole: mode.pole.conj(), at: at.conj(), uncertainty, ahead },
            ]);
        }
        // What the fit left may go on as well, in step at worst, as long as the slowest mode.
        let slowest = ringing.modes.iter().map(|m| m.pole.norm()).fold(0.0, f64::max);
        let rounding = 64.0 * f64::EPSILON * self.samples.iter().map(|x| x.abs()).sum::<f64>();
        let uncertainty = rounding + ringing.residual_rms / (1.0 - slowest).max(1e-300);
        Ok(Self { tail, uncertainty, ..self })
    }

    /// The response at `hz`.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] unless `0 <= hz <= rate/2`.
    pub fn at(&self, hz: f64) -> Result<Point, Obstacle> {
        within("frequency in Hz", hz, 0.0, self.rate_hz / 2.0)?;
        let x = hz / self.rate_hz;
        let (mut gain, mut moment) = transform(&self.samples, 0, x);
        let len = self.samples.len() as f64;
        let product = x * len;
        let cycles = (product - product.round()) + x.mul_add(len, -product);
        let end = Complex64::from_polar(1.0, -TAU * cycles);
        let back = Complex64::from_polar(1.0, -TAU * x);
        let mut uncertainty = self.uncertainty;
        for tail in &self.tail {
            let q = tail.pole * back;
            let sum = end * tail.at / (1.0 - q);
            // d(sum)/d(pole), relative: through `at` and through the geometric series.
            uncertainty += sum.norm() * tail.uncertainty * (tail.ahead + (1.0 - q).norm().recip());
            gain += sum;
            moment += sum * (len + q / (1.0 - q));
        }
        Ok(Point { hz, gain, delay_samples: (moment / gain).re, uncertainty, incoherence: None })
    }

    /// Magnitude at `hz`, 0 outside 0 to half the rate.
    #[must_use]
    pub fn magnitude(&self, hz: f64) -> f64 {
        self.at(hz).map_or(0.0, |point| point.gain.norm())
    }

    /// Sample rate in Hz.
    #[must_use]
    pub const fn rate_hz(&self) -> f64 {
        self.rate_hz
    }
}

/// A synchronised exponential sweep of amplitude 1, followed by silence.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    samples: Vec<f64>,
    rate_hz: f64,
    low_hz: f64,
    high_hz: f64,
    start_hz: f64,
    /// Time in which the frequency grows by e, in seconds.
    growth_s: f64,
    silence: usize,
}

/// One capture of a subject that was given the stimulus times `level`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Take<'a> {
    /// Factor on the stimulus, not 0; negative to invert it.
    pub level: f64,
    /// As many samples as the stimulus has.
    pub samples: &'a [f64],
}

/// Rounding of a transform re its largest bin. The last steps take every bin from a sum with others,
/// whose twiddles are rounded; 12 ulp have been seen from a bin at the other end of the spectrum.
const TRANSFORM_ROUNDING: f64 = 16.0 * f64::EPSILON;

/// Octaves of fade at the beginning.
const FADE_IN_OCTAVES: f64 = 0.5;
/// Octaves from there to the band. Few cycles pass down there, and the edge of a harmonic response
/// smears; an octave up it has died to 1e-3 dB in a sweep of 8 s from 20 Hz.
const LEAD_OCTAVES: f64 = 1.0;
/// Octaves of fade above it, as far as half the rate allows.
const FADE_OUT_OCTAVES: f64 = 0.25;

impl Sweep {
    /// A sweep over `low_hz..=high_hz` of `sweep_s` seconds, fades included, and `silence_s` of
    /// silence for the subject to ring out.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] unless `0 < low < high/2`, `high <= 0.4999 rate`, the sweep lasts
    /// 10 periods of its start at least, which is 1.5 octaves below the band, and 600 s at most, and
    /// the silence from 0 to 600 s.
    pub fn new(
        rate_hz: f64,
        low_hz: f64,
        high_hz: f64,
        sweep_s: f64,
        silence_s: f64,
    ) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, 1e9)?;
        within("highest frequency in Hz", high_hz, 0.0, 0.4999 * rate_hz)?;
        within("lowest frequency in Hz", low_hz, f64::MIN_POSITIVE, high_hz / 2.0)?;
        let start_hz = low_hz * (-FADE_IN_OCTAVES - LEAD_OCTAVES).exp2();
        let stop_hz = (high_hz * FADE_OUT_OCTAVES.exp2()).min(0.5 * rate_hz);
        within("sweep in seconds", sweep_s, 10.0 / start_hz, 600.0)?;
        within("silence in seconds", silence_s, 0.0, 600.0)?;
        let growth_s = sweep_s / (stop_hz / start_hz).ln();
        let (len, silence) = ((sweep_s * rate_hz) as usize, (silence_s * rate_hz) as usize);
        let mut samples: Vec<f64> = (0..len)
            .map(|n| {
                let t = n as f64 / rate_hz;
                let octaves = t / growth_s * std::f64::consts::LOG2_E;
                let above = (stop_hz / start_hz).log2() - octaves;
                let last = (stop_hz / high_hz).log2();
                let fade = ease(octaves / FADE_IN_OCTAVES) * ease(above / last);
                let cycles = start_hz * growth_s * (t / growth_s).exp();
                fade * (TAU * (cycles - cycles.floor())).sin()
            })
            .collect();
        samples.resize(len + silence, 0.0);
        Ok(Self { samples, rate_hz, low_hz, high_hz, start_hz, growth_s, silence })
    }

    /// The stimulus, amplitude 1, silence included.
    #[must_use]
    pub fn stimulus(&self) -> &[f64] {
        &self.samples
    }

    /// The linear response on every bin within the band. Two takes or more, of different levels or
    /// signs, give a coherence: rounding, noise and distortion do not scale with the level. The
    /// uncertainty of a single take of a noisy subject is wide or infinite: its noise might be a tail
    /// that does not decay.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] without a take, [`Obstacle::WrongLength`], what [`level::screen`]
    /// refuses, [`Obstacle::OutOfRange`] for a level of 0.
    pub fn response(&self, takes: &[Take]) -> Result<Vec<Point>, Obstacle> {
        if takes.is_empty() {
            return Err(Obstacle::TooShort { have: 0, need: 1 });
        }
        for take in takes {
            self.check(take.samples)?;
            within("size of the level", take.level.abs(), f64::MIN_POSITIVE, f64::MAX)?;
        }
        let (input, input_moment) = both_spectra(&self.samples);
        let drive: f64 = takes.iter().map(|t| t.level * t.level).sum();
        let spectra: Vec<_> = takes.iter().map(|t| spectrum(t.samples)).collect();
        // Both sums weigh each take by its level: the least-squares estimate for like noise.
        let mut mean = vec![0.0; self.samples.len()];
        for take in takes {
            for (m, x) in mean.iter_mut().zip(take.samples) {
                *m += take.level / drive * x;
            }
        }
        let left = self.tail(takes, &mean);
        let (output, output_moment) = both_spectra(&mean);
        let largest = |bins: &[Complex64]| bins.iter().map(|b| b.norm()).fold(0.0, f64::max);
        let (loudest, drive_loudest) = (largest(&output), largest(&input));
        let bin_hz = self.rate_hz / self.samples.len() as f64;
        let first = (self.low_hz / bin_hz).ceil() as usize;
        let last = (self.high_hz / bin_hz).floor() as usize;
        Ok((first..=last)
            .map(|bin| {
                let gain = output[bin] / input[bin];
                let scatter: f64 = spectra
                    .iter()
                    .zip(takes)
                    .map(|(s, t)| (s[bin] - t.level * gain * input[bin]).norm_sqr())
                    .sum();
                let total: f64 = spectra.iter().map(|s| s[bin].norm_sqr()).sum();
                let size = input[bin].norm();
                let rounding = TRANSFORM_ROUNDING * (loudest + gain.norm() * drive_loudest);
                let mut uncertainty = (rounding + left) / size;
                if takes.len() > 1 {
                    // Complex variance of the mean, half of it along the gain; k = 2.
                    let variance = scatter / (takes.len() - 1) as f64 / (drive * size * size);
                    uncertainty += 2.0 * (variance / 2.0).sqrt();
                }
                let delay = output_moment[bin] / output[bin] - input_moment[bin] / input[bin];
                Point {
                    hz: bin as f64 * bin_hz,
                    gain,
                    delay_samples: delay.re,
                    uncertainty,
                    incoherence: (takes.len() > 1).then(|| scatter / total),
                }
            })
            .collect())
    }

    /// Harmonic responses of orders 1 to `top`: each maps a frequency of the sweep to amplitude and
    /// phase of that harmonic in `capture`.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`], what [`level::screen`] refuses, [`Obstacle::OutOfRange`] unless
    /// `1 <= top <= 32` and the harmonics of the highest frequency stay below half the rate: beyond,
    /// they alias into the others.
    pub fn harmonics(&self, capture: &[f64], top: u32) -> Result<Vec<HarmonicResponse>, Obstacle> {
        self.check(capture)?;
        within("highest order", f64::from(top), 1.0, 32.0)?;
        let limit = 0.5 * self.rate_hz / f64::from(top);
        within("highest frequency of the sweep in Hz", self.high_hz, 0.0, limit)?;
        let len = capture.len();
        let mut bins = spectrum(capture);
        let bin_hz = self.rate_hz / len as f64;
        bins[0] = Complex64::ZERO;
        for (k, bin) in bins.iter_mut().enumerate().skip(1) {
            *bin /= self.endless(k as f64 * bin_hz) * self.rate_hz;
        }
        let inverse = FftPlanner::new().plan_fft_inverse(len);
        let lead = |order: u32| self.growth_s * f64::from(order).ln();
        Ok((1..=top)
            .map(|order| {
                // Half a spectrum: the impulse response comes out analytic, which is all that a
                // positive frequency needs.
                let mut moved = vec![Complex64::ZERO; len];
                for (k, (m, bin)) in moved.iter_mut().zip(&bins).enumerate() {
                    let cycles = k as f64 * bin_hz * lead(order);
                    *m = bin
                        * Complex64::from_polar(1.0 / len as f64, -TAU * (cycles - cycles.floor()));
                }
                inverse.process(&mut moved);
                // The next order arrives ahead of this one, the one before behind it. Causal
                // responses extend to the right.
                let ahead = 0.4 * (lead(order + 1) - lead(order)) * self.rate_hz;
                let behind = match order {
                    1 => (len as f64 / 2.0).min(self.rate_hz * self.growth_s),
                    _ => 0.6 * (lead(order) - lead(order - 1)) * self.rate_hz,
                };
                let (ahead, behind) = (ahead as i64, behind as i64);
                let samples = (-ahead..=behind)
                    .map(|n| {
                        let side =
                            if n < 0 { -n as f64 / ahead as f64 } else { n as f64 / behind as f64 };
                        // Flat over the inner half.
                        moved[n.rem_euclid(len as i64) as usize] * ease(2.0 - 2.0 * side)
                    })
                    .collect();
                HarmonicResponse { order, samples, first: -ahead, rate_hz: self.rate_hz }
            })
            .collect())
    }

    /// Bound on what the record cuts off. Where the takes scatter as much as their mean still
    /// moves at the end, that is noise, which the scatter in each bin accounts for.
    fn tail(&self, takes: &[Take], mean: &[f64]) -> f64 {
        let silence = self.samples.len() - self.silence..;
        let end = self.samples.len() - self.silence / 4..;
        let power: f64 = mean[end.clone()].iter().map(|m| m * m).sum();
        let scatter: f64 = takes
            .iter()
            .flat_map(|t| {
                t.samples[end.clone()].iter().zip(&mean[end.clone()]).map(|(s, m)| s - t.level * m)
            })
            .map(|d| d * d)
            .sum();
        let drive: f64 = takes.iter().map(|t| t.level * t.level).sum();
        let expected = scatter / (takes.len().max(2) - 1) as f64 / drive;
        if power > 0.0 && power <= 4.0 * expected { 0.0 } else { rest(&mean[silence]) }
    }

    fn check(&self, capture: &[f64]) -> Result<(), Obstacle> {
        if capture.len() != self.samples.len() {
            return Err(Obstacle::WrongLength { have: capture.len(), need: self.samples.len() });
        }
        level::screen(capture)
    }

    /// Spectrum of the sweep without beginning or end, in seconds.
    fn endless(&self, hz: f64) -> Complex64 {
        let y = TAU * hz * self.growth_s;
        // Below a radian Stirling's series is of no use, and no band starts there.
        let stirling = if y > 1.0 { (1.0 + 1.0 / (30.0 * y * y)) / (12.0 * y) } else { 0.0 };
        let phase = y * (1.0 - (hz / self.start_hz).ln()) - PI / 4.0 + stirling;
        Complex64::from_polar(0.5 * (self.growth_s / hz).sqrt(), phase)
    }
}

/// How one harmonic depends on the frequency of the fundamental.
#[derive(Clone, Debug, PartialEq)]
pub struct HarmonicResponse {
    /// Order of the harmonic; 1 is the linear response and what odd orders add to it.
    pub order: u32,
    samples: Vec<Complex64>,
    first: i64,
    rate_hz: f64,
}

impl HarmonicResponse {
    /// Amplitude `B` and phase `theta` of the harmonic, as `B e^(j theta)`, for a fundamental at
    /// `hz`: input `sin(phi)` gives `B sin(order phi + theta)`.
    #[must_use]
    pub fn at(&self, hz: f64) -> Complex64 {
        let x = f64::from(self.order) * hz / self.rate_hz;
        let part = |pick: fn(&Complex64) -> f64| -> Complex64 {
            let samples: Vec<f64> = self.samples.iter().map(pick).collect();
            transform(&samples, self.first, x).0
        };
        part(|c| c.re) + Complex64::I * part(|c| c.im)
    }
}

/// Smooth from 0 to 1 over 0..1, flat outside, with continuous slopes up to the third.
fn ease(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x.powi(4) * (35.0 - x * (84.0 - x * (70.0 - 20.0 * x)))
}

fn spectrum(samples: &[f64]) -> Vec<Complex64> {
    let mut bins = vec![Complex64::ZERO; samples.len() / 2 + 1];
    let plan = RealFftPlanner::new().plan_fft_forward(samples.len());
    // The lengths are the plan's own: it cannot refuse them.
    let _ = plan.process(&mut samples.to_vec(), &mut bins);
    bins
}

/// Spectra of the samples and of the samples times their index.
fn both_spectra(samples: &[f64]) -> (Vec<Complex64>, Vec<Complex64>) {
    let moments: Vec<f64> = samples.iter().enumerate().map(|(n, x)| n as f64 * x).collect();
    (spectrum(samples), spectrum(&moments))
}
