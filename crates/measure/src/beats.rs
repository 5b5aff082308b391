//! Two oscillators nearly in tune: how fast they beat, and the frequency of each.
//!
//! The fundamentals are shifted to 0 Hz and thinned out by a window of about eight periods that
//! keeps all other harmonics 180 dB away (seven-term Blackman-Harris, Albrecht, ICASSP 2001,
//! pp. 3045-3048, from memory). Two complex exponentials are then fitted by least squares:
//! the stronger first, the other from what is left, then both by Gauss-Newton steps (efficient in white
//! noise: Rife & Boorstyn, Bell Syst. Tech. J. 55(9):1389-1410, 1976, from memory).
//!
//! Only the fundamentals are read. A third oscillator, or a drift in pitch, is left over by the
//! fit and counts towards the uncertainty.
//!
//! Floor: what the window lets through of the other harmonics, 1e-9 of the capture, as far as the
//! fit can take it for a shift; and 1e-12 cycles over the capture, from rounding of the phases.

use crate::level::{self, Level};
use crate::qr;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::window::Window;
use num_complex::Complex64;
use rustfft::FftPlanner;
use std::f64::consts::{PI, TAU};

const WINDOW: Window = Window::BlackmanHarris7;

/// Side lobes of the window, as an amplitude.
const LEAK: f64 = 1e-9;

/// Periods of the nominal pitch within the window. Its main lobe then ends before 0 Hz and the
/// second harmonic, for fundamentals up to [`REACH`] away.
const PERIODS: f64 = 8.0;

/// Farthest a fundamental may be from the nominal pitch, as a share of it: 100 cents.
const REACH: f64 = 0.059_463;

/// A fundamental this far below the other is none: aliases and rounding of a single tone leave
/// lines, too.
const LEAST_RATIO: f64 = 1e-3;

/// Chance that noise beside a single tone passes for a second one.
const FALSE_ALARM: f64 = 1e-9;

/// Windows needed, so that the fit's six unknowns leave enough to judge the noise by.
const LEAST_WINDOWS: usize = 5;

/// Points of the grid per bin of the capture.
const PADDING: usize = 4;

/// Steps of the fit; one that has not settled by then never will.
const MAX_STEPS: usize = 50;

/// A beating pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beat {
    /// Upper less lower frequency.
    pub rate_hz: Reading,
    /// The lower fundamental.
    pub lower_hz: Reading,
    /// The upper fundamental.
    pub upper_hz: Reading,
    /// Amplitudes of the lower and of the upper fundamental, full scale = 1.0.
    pub amplitudes: [f64; 2],
}

impl Beat {
    /// Reads the pair whose fundamentals both lie within 100 cents of `near_hz`, in a capture of
    /// constant level. `least_hz` is the slowest beat to be told from a single tone: the capture
    /// has to hold two of it.
    ///
    /// # Errors
    /// What [`level::screen`] refuses; [`Obstacle::OutOfRange`] unless the rates are positive and
    /// `near_hz` below a quarter of `rate_hz`; [`Obstacle::TooShort`] for less than two beats or
    /// 44 periods; [`Obstacle::NoTone`] if there is only one tone, none, or one of less
    /// than a thousandth of the other; [`Obstacle::Unresolved`] if the beat found is slower than
    /// `least_hz`.
    pub fn of(
        samples: &[f64],
        rate_hz: f64,
        near_hz: f64,
        least_hz: f64,
    ) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        within("nominal pitch in Hz", near_hz, f64::MIN_POSITIVE, 0.25 * rate_hz)?;
        within("slowest beat in Hz", least_hz, f64::MIN_POSITIVE, 2.0 * REACH * near_hz)?;
        level::screen(samples)?;
        // An even window, so that half of it is whole.
        let window = 2 * (0.5 * PERIODS * rate_hz / near_hz).ceil() as usize;
        let two_beats = (2.0 * rate_hz / least_hz).ceil();
        let need = two_beats.max((LEAST_WINDOWS * window) as f64) as usize + window / 2;
        if samples.len() < need {
            return Err(Obstacle::TooShort { have: samples.len(), need });
        }
        let thin = Thinned::of(samples, near_hz / rate_hz, window);
        let reach = REACH * near_hz / rate_hz * thin.hop as f64;
        thin.pair(reach)?.reading(&thin, Level::of(samples)?.rms, rate_hz, near_hz, least_hz)
    }
}

/// The region of the fundamentals at 0 Hz, one value per half window, counted from the middle.
struct Thinned {
    values: Vec<Complex64>,
    hop: usize,
    window: usize,
}

impl Thinned {
    fn of(samples: &[f64], turns: f64, window: usize) -> Self {
        let hop = window / 2;
        // The mean goes first: a large offset would leak like a harmonic.
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        let shift: Vec<Complex64> = WINDOW
            .samples(window)
            .iter()
            .enumerate()
            .map(|(n, w)| cis(-turns * (n as f64 - hop as f64)) * (w / window as f64))
            .collect();
        let starts = (0..=samples.len() - window).step_by(hop);
        let values = starts
            .map(|start| {
                let sum: Complex64 =
                    samples[start..].iter().zip(&shift).map(|(x, s)| s * (x - mean)).sum();
                // Twice: a cosine of amplitude 1 is then a value of magnitude 1.
                sum * cis(-turns * start as f64) * 2.0
            })
            .collect();
        Self { values, hop, window }
    }

    fn place(&self, index: usize) -> f64 {
        index as f64 - 0.5 * (self.values.len() - 1) as f64
    }

    /// Strongest line of `values` within `reach`, in turns per value, to part of a bin.
    fn peak(&self, values: &[Complex64], reach: f64) -> f64 {
        let len = (PADDING * values.len()).next_power_of_two();
        let mut bins = values.to_vec();
        bins.resize(len, Complex64::ZERO);
        FftPlanner::new().plan_fft_forward(len).process(&mut bins);
        let most = (reach * len as f64).floor() as i64;
        let power = |k: i64| bins[k.rem_euclid(len as i64) as usize].norm_sqr();
        let best = (-most..=most).max_by(|a, b| power(*a).total_cmp(&power(*b)));
        best.unwrap_or(0) as f64 / len as f64
    }

    /// The pair: the strongest tone by itself, the strongest of what it leaves, then both. Two that
    /// are hard to tell apart may at first look like one in their middle: that start is tried, too.
    fn pair(&self, reach: f64) -> Result<Fit, Obstacle> {
        let one = self.fit(vec![self.peak(&self.values, reach)], reach)?;
        let first = one.turns[0];
        let second = self.peak(&one.rest, reach);
        let half_bin = 0.5 / self.values.len() as f64;
        let starts = [vec![first, second], vec![first - half_bin, first + half_bin]];
        let fits = starts.into_iter().filter_map(|start| self.fit(start, reach).ok());
        let best = fits.min_by(|a, b| a.residual_rms.total_cmp(&b.residual_rms));
        best.ok_or(Obstacle::NoTone)
    }

    /// Gauss-Newton on the frequencies and complex amplitudes of one or two tones.
    fn fit(&self, mut turns: Vec<f64>, reach: f64) -> Result<Fit, Obstacle> {
        let count = turns.len();
        let solve = |turns: &[f64], slopes: &[Vec<Complex64>]| {
            let mut columns: Vec<Vec<f64>> = Vec::with_capacity(3 * count);
            for turns in turns {
                columns.push(self.rows(|t| cis(turns * t)));
                columns.push(self.rows(|t| cis(turns * t) * Complex64::I));
            }
            for slope in slopes {
                columns.push(self.rows(|t| {
                    let terms = slope.iter().zip(turns).map(|(a, turns)| a * cis(turns * t));
                    terms.sum::<Complex64>() * Complex64::new(0.0, TAU * t)
                }));
            }
            let mut values = self.values.iter().flat_map(|v| [v.re, v.im]).collect::<Vec<_>>();
            qr::solve(&mut columns, &mut values).ok_or(Obstacle::NoTone)
        };
        let amplitudes = |x: &[f64]| -> Vec<Complex64> {
            x[..2 * count].chunks(2).map(|a| Complex64::new(a[0], a[1])).collect()
        };
        let mut levels = amplitudes(&solve(&turns, &[])?.x);
        // Half a cell of the grid per step: farther than that the law is not straight.
        let cell = 0.5 / (PADDING * self.values.len()) as f64;
        let floor = 1e-13 / self.values.len() as f64;
        for _ in 0..MAX_STEPS {
            let alone = |i: usize| -> Vec<Complex64> {
                (0..count).map(|j| if i == j { levels[j] } else { Complex64::ZERO }).collect()
            };
            let slopes: Vec<Vec<Complex64>> = (0..count).map(alone).collect();
            let solved = solve(&turns, &slopes)?;
            let mut settled = true;
            let steps = solved.x[2 * count..].iter().zip(&solved.deviation[2 * count..]);
            for (turns, (step, deviation)) in turns.iter_mut().zip(steps) {
                settled &= step.abs() <= (1e-3 * deviation * solved.residual_rms).max(floor);
                *turns += step.clamp(-cell, cell);
            }
            if turns.iter().any(|turns| turns.abs() > reach) {
                return Err(Obstacle::NoTone);
            }
            levels = amplitudes(&solved.x);
            if settled {
                let mut deviations = solved.deviation[2 * count..].to_vec();
                if count == 2 {
                    // A shift of both and their distance as unknowns: the second is the beat.
                    let together = [levels.clone(), slopes[1].clone()];
                    deviations.push(solve(&turns, &together)?.deviation[5]);
                }
                let rest = self.values.iter().enumerate().map(|(n, v)| {
                    let tones = levels.iter().zip(&turns);
                    v - tones.map(|(a, turns)| a * cis(turns * self.place(n))).sum::<Complex64>()
                });
                let (rest, residual_rms) = (rest.collect(), solved.residual_rms);
                return Ok(Fit { turns, levels, deviations, rest, residual_rms });
            }
        }
        Err(Obstacle::NoTone)
    }

    /// Real and imaginary part of `value` at every place.
    fn rows(&self, value: impl Fn(f64) -> Complex64) -> Vec<f64> {
        let places = (0..self.values.len()).map(|n| self.place(n));
        places
            .flat_map(|t| {
                let v = value(t);
                [v.re, v.im]
            })
            .collect()
    }
}

/// Fitted tones.
struct Fit {
    /// Frequencies, turns per value.
    turns: Vec<f64>,
    /// Complex amplitudes at the middle.
    levels: Vec<Complex64>,
    /// Of the frequencies, and of the distance of two, for residuals of unit variance.
    deviations: Vec<f64>,
    /// What the tones leave of the values.
    rest: Vec<Complex64>,
    /// Per coordinate of a value.
    residual_rms: f64,
}

impl Fit {
    fn reading(
        self,
        thin: &Thinned,
        rms: f64,
        rate_hz: f64,
        near_hz: f64,
        least_hz: f64,
    ) -> Result<Beat, Obstacle> {
        let count = thin.values.len();
        let [a, b] = [self.levels[0].norm(), self.levels[1].norm()];
        let common = dirichlet(self.turns[1] - self.turns[0], count);
        let (weaker, stronger) = (a.min(b), a.max(b));
        // What the weaker tone adds to the fit over what is left. Beside one tone, white noise
        // gives more than r at one frequency with chance (1 + r)^-(n - 2), n complex values; the
        // search sees `tries` of them (the ratio of two chi-squares of 2 and 2(n - 2) degrees).
        let left = self.residual_rms.powi(2) * (2 * count - 6) as f64;
        let gain = weaker * weaker * count as f64 * (1.0 - common * common);
        let tries = (PADDING * count) as f64;
        let proven = (gain / left).ln_1p() * (count - 2) as f64 > (tries / FALSE_ALARM).ln();
        if !proven || weaker < LEAST_RATIO * stronger {
            return Err(Obstacle::NoTone);
        }
        let scale = rate_hz / thin.hop as f64;
        let duration_s = count as f64 / scale;
        let floor_hz = 1e-12 / duration_s + 4.0 * f64::EPSILON * near_hz;
        // Neighbours share half a window: noise that is white in the capture is stronger at the
        // middle of the band than its variance says.
        let colour = overlap(thin.window).sqrt();
        // No disturbance of given size shifts a linear estimate by more than its deviation times
        // the size's norm (Cauchy-Schwarz).
        let most = LEAK * rms * (2.0 * count as f64).sqrt();
        let doubt = |deviation: f64| {
            scale * deviation * (2.0 * colour * self.residual_rms + most) + floor_hz
        };
        let reading = |hz: f64, i: usize| Reading::new(hz, Unit::Hertz, doubt(self.deviations[i]));
        let tone = |i: usize| {
            let bins = self.turns[i] * thin.window as f64 / thin.hop as f64;
            let level = self.levels[i].norm() / WINDOW.transform(bins, thin.window).norm();
            (reading(near_hz + self.turns[i] * scale, i), level)
        };
        let (low, high) = if self.turns[0] < self.turns[1] { (0, 1) } else { (1, 0) };
        let beat_hz = (self.turns[high] - self.turns[low]) * scale;
        let beat = reading(beat_hz, 2);
        if beat_hz + beat.uncertainty < least_hz {
            return Err(Obstacle::Unresolved { spacing_hz: beat_hz, need_hz: least_hz });
        }
        let ((lower_hz, lower), (upper_hz, upper)) = (tone(low), tone(high));
        Ok(Beat { rate_hz: beat, lower_hz, upper_hz, amplitudes: [lower, upper] })
    }
}

/// Density at 0 over variance, for white noise seen through windows that overlap by half.
fn overlap(window: usize) -> f64 {
    let w = WINDOW.samples(window);
    let product = |lag: usize| -> f64 { w[lag..].iter().zip(&w).map(|(a, b)| a * b).sum() };
    1.0 + 2.0 * product(window / 2) / product(0)
}

/// Mean of `cis(turns t)` over `count` places about 0.
fn dirichlet(turns: f64, count: usize) -> f64 {
    let half = PI * turns;
    if half.sin().abs() < 1e-12 {
        1.0
    } else {
        (half * count as f64).sin() / (count as f64 * half.sin())
    }
}

fn cis(turns: f64) -> Complex64 {
    Complex64::cis(TAU * (turns - turns.round()))
}
