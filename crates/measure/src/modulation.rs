//! Depth, rate and phase of a tone's modulation, read in two ways that must agree.
//!
//! [`Modulation::frequency`] and [`Modulation::amplitude`] demodulate: the analytic signal by
//! a one-sided filter, its phase or envelope, and a periodic fit to that.
//! [`Modulation::sidebands`] reads the lines beside the carrier and needs no demodulator.
//! [`Modulation::width`] reads a pulse's width from its first two harmonics.
//!
//! A frequency is what a phase accumulator adds per sample: the difference of two phases.
//! For a sine of index beta and rate f it swings by `(beta fs/pi) sin(pi f/fs)`, which is
//! the textbook's `beta f` times `sinc(f/fs)`.
//!
//! Floors on f64 samples, relative: 1e-12/beta of the index in a coherent capture and
//! 1e-11/beta in any other by demodulation; 4e-15/beta and 2e-11/beta by lines.

mod analytic;
mod demodulated;
mod sidebands;

use crate::level;
use crate::periodic::{self, Periodic, Shape};
use crate::reading::{Obstacle, Reading, Unit, within};
use analytic::Analytic;
pub(crate) use demodulated::depth;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

pub use demodulated::{Amplitude, Depth, Frequency, Octaves, Width};
pub use sidebands::{CarrierNull, Sideband, Sidebands, carrier_nulls};

/// Fewest samples that any of these instruments takes.
pub const LEAST_SAMPLES: usize = 1024;

/// Systematic uncertainty of a demodulated line, relative to the tone: rounding where the
/// capture is periodic.
const EXACT: f64 = 1e-12;

/// The same elsewhere: a step at the ends of the capture, through the filter's edges. Their
/// response is the window's transform over pi t: -180 dB at the 56 samples or more dropped.
const BLURRED: f64 = 1e-11;

/// The same of a width: a quotient of two such signals, the smaller far below the tone.
const WIDTH_FLOOR: f64 = 1e-9;

/// Bins off a whole number that still count as one: leaks 1e-9 of a line at most.
const WHOLE_BINS: f64 = 1e-9;

/// Highest order of the modulation that is fitted.
const MOST_ORDERS: usize = 32;

/// What is known beforehand. Whatever is `None` is found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Known {
    /// Carrier: exact for [`Modulation::sidebands`]; elsewhere the mean is always measured.
    pub carrier_hz: Option<f64>,
    /// Rate of the modulation, exact.
    pub rate_hz: Option<f64>,
    /// Band that holds the carrier and all its sidebands, low and high edge; `None` is all.
    /// Give it where the tone has harmonics or other tones beside it.
    pub band_hz: Option<(f64, f64)>,
}

/// Modulation meter. FFT plans are kept: make one per worker and reuse it.
#[derive(Default)]
pub struct Modulation {
    analytic: Analytic,
}

impl Modulation {
    /// A meter without plans; the first capture makes them.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Demodulates the frequency of the tone in `samples`.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below [`LEAST_SAMPLES`]; what [`level::screen`] refuses;
    /// [`Obstacle::OutOfRange`] for rates and bands, and where more than a hundredth of the tone
    /// folds at 0 Hz or at half the rate, or leaves the band; [`Obstacle::NoTone`] if no modulation
    /// stands out or its fit does not settle.
    pub fn frequency(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        known: &Known,
    ) -> Result<Frequency, Obstacle> {
        let band = checked(samples, rate_hz, known)?;
        self.analytic.filter(samples, band, false);
        let mut found = self.phase_fit(rate_hz, known)?;
        let mean = self.analytic.carrier + found.trend / TAU;
        let doubt = found.trend_variance.sqrt() / TAU;
        let whole = coherent(&found, mean, doubt, samples.len());
        if let Some((carrier, turns)) = whole {
            self.analytic.filter(samples, band, true);
            self.analytic.carrier = carrier;
            found = self.phase_fit_at(turns, known.rate_hz.is_some())?;
        }
        let carrier = self.analytic.carrier;
        let lost = self.analytic.lost(|n| {
            let phase = found.at(n as f64);
            Complex64::cis(phase) * periodic::cis(carrier, n as f64)
        })?;
        let floor = if whole.is_some() { EXACT } else { BLURRED } + lost;
        Ok(demodulated::frequency(&found, &self.analytic, rate_hz, floor))
    }

    /// Demodulates the envelope of the tone in `samples`.
    ///
    /// The envelope is a magnitude: a depth above 1 reads as what it sounds like, a folded
    /// envelope, and noise of rms s lifts it by `s^2/2` over the amplitude.
    ///
    /// # Errors
    /// See [`Modulation::frequency`].
    pub fn amplitude(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        known: &Known,
    ) -> Result<Amplitude, Obstacle> {
        let band = checked(samples, rate_hz, known)?;
        self.analytic.filter(samples, band, false);
        let shape = Shape { orders: 1, trend: false, free_period: known.rate_hz.is_none() };
        let envelope = self.analytic.envelope();
        let start = match known.rate_hz {
            Some(hz) => hz / rate_hz,
            None => periodic::strongest(&envelope)?,
        };
        let mut found = Periodic::grow(&envelope, start, 3, shape)?;
        let mut doubt = self.analytic.settle_carrier()?;
        let whole = coherent(&found, self.analytic.carrier, doubt, samples.len());
        if let Some((carrier, turns)) = whole {
            self.analytic.filter(samples, band, true);
            self.analytic.carrier = carrier;
            let fixed = Shape { free_period: false, ..shape };
            found = Periodic::grow(&self.analytic.envelope(), turns, 3, fixed)?;
            doubt = self.analytic.settle_carrier()?;
        }
        let carrier = self.analytic.carrier;
        let lost = self.analytic.lost(|n| found.at(n as f64) * periodic::cis(carrier, n as f64))?;
        let floor = if whole.is_some() { EXACT } else { BLURRED } + lost;
        Ok(demodulated::amplitude(&found, &self.analytic, rate_hz, floor, doubt))
    }

    /// Reads the lines at carrier + n rate, and from them index and depth.
    ///
    /// # Errors
    /// See [`Modulation::frequency`], and [`Obstacle::Unresolved`] where lines, folded ones
    /// included, fall closer together than the capture separates.
    pub fn sidebands(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        known: &Known,
    ) -> Result<Sidebands, Obstacle> {
        checked(samples, rate_hz, known)?;
        let (carrier, turns) = match (known.carrier_hz, known.rate_hz) {
            (Some(carrier), Some(rate)) => (carrier / rate_hz, rate / rate_hz),
            _ => self.carrier_and_rate(samples, rate_hz, known)?,
        };
        let whole = |turns: f64| {
            let bins = turns * samples.len() as f64;
            (bins - bins.round()).abs() <= WHOLE_BINS
        };
        let windowed = !(whole(carrier) && whole(turns));
        let bins = self.analytic.spectrum(samples, windowed);
        sidebands::read(bins, samples.len(), windowed, rate_hz, carrier, turns)
    }

    /// Width of a pulse over its cycle, from the harmonics 1 and 2 around `pulse_hz`.
    ///
    /// With `c_1`, `c_2` their complex envelopes, `cos(pi w) = Re(c_2 |c_1| / c_1^2)`: an exact
    /// law of the pulse, whichever of its edges moves. `second_re_first` is what the source
    /// does to harmonic 2 against harmonic 1, as an amplitude ratio: 1 for an ideal pulse.
    ///
    /// Floor: 1e-9 of a band-limited pulse. Aliases that fall on the sidebands themselves
    /// cannot be told from them and are not in the uncertainty: a trivially sampled pulse of
    /// 2 kHz at 48 kHz reads up to 0.004 wrong.
    ///
    /// # Errors
    /// See [`Modulation::frequency`]; [`Obstacle::OutOfRange`] unless `2.5 pulse_hz` lies
    /// below half of `rate_hz`.
    pub fn width(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        pulse_hz: f64,
        second_re_first: f64,
        known: &Known,
    ) -> Result<Width, Obstacle> {
        within("pulse frequency in Hz", pulse_hz, f64::MIN_POSITIVE, rate_hz / 5.0)?;
        within("second_re_first", second_re_first, 1e-6, 1e6)?;
        checked(samples, rate_hz, known)?;
        let around = |order: f64| {
            let f = pulse_hz / rate_hz;
            Some(((order - 0.5) * f, (order + 0.5) * f))
        };
        self.analytic.filter(samples, around(1.0), false);
        let first = self.analytic.signal.clone();
        self.analytic.filter(samples, around(2.0), false);
        let widths: Vec<f64> = first
            .iter()
            .zip(&self.analytic.signal)
            .map(|(c1, c2)| {
                let cos = (c2 * c1.norm() / (c1 * c1)).re / second_re_first;
                cos.clamp(-1.0, 1.0).acos() / PI
            })
            .collect();
        let start = match known.rate_hz {
            Some(hz) => hz / rate_hz,
            None => periodic::strongest(&widths)?,
        };
        let shape = Shape { orders: 1, trend: false, free_period: known.rate_hz.is_none() };
        let found = Periodic::grow(&widths, start, 3, shape)?;
        Ok(Width {
            mean: Reading::new(
                found.mean,
                Unit::Ratio,
                2.0 * found.mean_variance.sqrt() + WIDTH_FLOOR,
            ),
            modulation: depth(&found, Unit::Ratio, rate_hz, self.analytic.start, WIDTH_FLOOR),
        })
    }

    fn carrier_and_rate(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        known: &Known,
    ) -> Result<(f64, f64), Obstacle> {
        let found = self.frequency(samples, rate_hz, known);
        let (carrier, turns) = match found {
            Ok(found) if found.modulation.stands_out() => {
                (found.carrier_hz.value, found.modulation.rate_hz.value)
            }
            other => {
                let found = self.amplitude(samples, rate_hz, known).or(Err(match other {
                    Err(obstacle) => obstacle,
                    Ok(_) => Obstacle::NoTone,
                }))?;
                (found.carrier_hz.value, found.modulation.rate_hz.value)
            }
        };
        Ok((
            known.carrier_hz.unwrap_or(carrier) / rate_hz,
            known.rate_hz.unwrap_or(turns) / rate_hz,
        ))
    }

    fn phase_fit(&mut self, rate_hz: f64, known: &Known) -> Result<Periodic, Obstacle> {
        let start = match known.rate_hz {
            Some(hz) => hz / rate_hz,
            None => periodic::strongest(&self.analytic.phase())?,
        };
        self.phase_fit_at(start, known.rate_hz.is_some())
    }

    fn phase_fit_at(&mut self, turns: f64, exact: bool) -> Result<Periodic, Obstacle> {
        let shape = Shape { orders: 1, trend: true, free_period: !exact };
        Periodic::grow(&self.analytic.phase(), turns, MOST_ORDERS, shape)
    }
}

/// What every instrument here asks of a capture; the band in cycles per sample.
fn checked(samples: &[f64], rate_hz: f64, known: &Known) -> Result<Option<(f64, f64)>, Obstacle> {
    if samples.len() < LEAST_SAMPLES {
        return Err(Obstacle::TooShort { have: samples.len(), need: LEAST_SAMPLES });
    }
    level::screen(samples)?;
    within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
    let half = rate_hz / 2.0;
    if let Some(hz) = known.carrier_hz {
        within("carrier in Hz", hz, f64::MIN_POSITIVE, half)?;
    }
    if let Some(hz) = known.rate_hz {
        within("rate of modulation in Hz", hz, 0.3 * rate_hz / samples.len() as f64, half)?;
    }
    let Some((low, high)) = known.band_hz else { return Ok(None) };
    within("low edge of the band in Hz", low, 0.0, half)?;
    within("high edge of the band in Hz", high, low, half)?;
    Ok(Some((low / rate_hz, high / rate_hz)))
}

/// Carrier and rate in cycles per sample if both are whole numbers of periods in the capture,
/// as near as the fit can tell.
fn coherent(found: &Periodic, carrier: f64, doubt: f64, len: usize) -> Option<(f64, f64)> {
    let len = len as f64;
    let whole = |turns: f64, doubt: f64| {
        let bins = turns * len;
        let near = (bins - bins.round()).abs() <= 1e-6 + 2.0 * doubt * len;
        (near && bins.round() >= 1.0).then(|| bins.round() / len)
    };
    Some((whole(carrier, doubt)?, whole(found.turns_per_sample, found.turns_variance.sqrt())?))
}

/// Amplitude of frequency steps, in cycles per sample, of a phase line of order `k`.
fn per_step(line: Complex64, k: usize, turns: f64) -> Complex64 {
    // phase(n + 1/2) - phase(n - 1/2): a quarter turn on, and 2 sin of half the step.
    line * Complex64::I * (2.0 * (PI * k as f64 * turns).sin() / TAU)
}
