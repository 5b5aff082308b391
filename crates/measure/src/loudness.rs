//! Loudness of a mono capture: K-weighted level, ungated and gated (ITU-R BS.1770-4).
//!
//! The weighting is a high shelf and a high-pass. The recommendation prints coefficients for
//! 48 kHz; those of other rates follow from the same analog prototypes by the bilinear transform
//! (constants from memory; they reproduce the printed coefficients). Away from 48 kHz the warping
//! of frequencies shows: by 0.006 dB at most from 44.1 kHz up, 0.01 dB at 32 kHz, 0.3 dB at 8 kHz.
//! How much it may be is the uncertainty.
//!
//! Floor: f64 rounding of the recursion, 1e-9 dB.

use crate::level::{self, Level};
use crate::power_db;
use crate::reading::{Obstacle, Reading, Unit, within};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Level of a mean square of 1, in LKFS: takes the weighting's gain at 997 Hz off.
const OFFSET: f64 = -0.691;

/// Blocks of the gated value: length, and how far apart they begin, in seconds.
const BLOCK_S: f64 = 0.4;
const HOP_S: f64 = 0.1;

/// Blocks below this are left out, in LKFS; then those that are [`RELATIVE_GATE`] below the rest.
const ABSOLUTE_GATE: f64 = -70.0;
const RELATIVE_GATE: f64 = -10.0;

/// Rounding of recursion and sums, in dB.
const ROUNDING_DB: f64 = 1e-9;

/// Places at which the response is held against that of 48 kHz, a tenth of an octave apart.
const PLACES: i32 = 100;
/// Lowest of them, Hz, and the highest as a share of the lower of both rates.
const LOWEST_HZ: f64 = 20.0;
const HIGHEST: f64 = 0.45;

/// A second-order section, `y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y''`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// `b0`, `b1`, `b2`.
    pub forward: [f64; 3],
    /// `a1`, `a2`.
    pub feedback: [f64; 2],
}

impl Section {
    /// Magnitude of the response at `cycles` per sample, in dB.
    fn gain_db(&self, cycles: f64) -> f64 {
        let delay = Complex64::from_polar(1.0, -TAU * cycles);
        let sum = |c: [f64; 3]| c[0] + delay * (c[1] + delay * c[2]);
        let [a1, a2] = self.feedback;
        crate::db((sum(self.forward) / sum([1.0, a1, a2])).norm())
    }
}

/// Shelf and high-pass of the K weighting at `rate_hz`.
///
/// # Errors
/// [`Obstacle::OutOfRange`] for a rate below 8 kHz.
pub fn weighting(rate_hz: f64) -> Result<[Section; 2], Obstacle> {
    within("sample rate in Hz", rate_hz, 8e3, f64::MAX)?;
    let shelf = {
        let (k, damped, scale) = prototype(1_681.974_450_955_533, 0.707_175_236_955_419_6, rate_hz);
        let high = 10f64.powf(3.999_843_853_973_347 / 20.0);
        let band = high.powf(0.499_666_774_154_541_6) * damped;
        Section {
            forward: [high + band + k * k, 2.0 * (k * k - high), high - band + k * k]
                .map(|b| b / scale),
            feedback: feedback(k, damped, scale),
        }
    };
    let high_pass = {
        let (hz, quality) = (38.135_470_876_024_44, 0.500_327_037_323_877_3);
        let (k, damped, scale) = prototype(hz, quality, rate_hz);
        // Printed as 1, -2, 1 at 48 kHz: its gain far above the corner, 0.04 dB, stays.
        let gain = prototype(hz, quality, 48e3).2 / scale;
        Section { forward: [gain, -2.0 * gain, gain], feedback: feedback(k, damped, scale) }
    };
    Ok([shelf, high_pass])
}

/// `tan(pi f / rate)`, that over Q, and the sum that coefficients are divided by.
fn prototype(hz: f64, quality: f64, rate_hz: f64) -> (f64, f64, f64) {
    let k = (PI * hz / rate_hz).tan();
    (k, k / quality, 1.0 + k / quality + k * k)
}

fn feedback(k: f64, damped: f64, scale: f64) -> [f64; 2] {
    [2.0 * (k * k - 1.0) / scale, (1.0 - damped + k * k) / scale]
}

/// How loud a capture is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// K-weighted level of the whole capture, ungated.
    pub lkfs: Reading,
    /// Integrated level of the blocks of 400 ms that pass both gates; `None` if the capture is
    /// shorter than one, or none passes.
    pub integrated_lkfs: Option<Reading>,
    /// Largest sample magnitude re full scale, in dB.
    pub peak_dbfs: f64,
    /// Peak over rms without weighting, in dB.
    pub crest_db: f64,
}

impl Loudness {
    /// Reads a mono capture.
    ///
    /// # Errors
    /// What [`level::screen`] refuses; [`Obstacle::OutOfRange`] for a rate below 8 kHz.
    pub fn of(samples: &[f64], rate_hz: f64) -> Result<Self, Obstacle> {
        let sections = weighting(rate_hz)?;
        level::screen(samples)?;
        let level = Level::of(samples)?;
        let squares: Vec<f64> = weighted(samples, &sections).map(|y| y * y).collect();
        let doubt = ROUNDING_DB + warping_db(&sections, rate_hz)?;
        let reading = |power: f64| Reading::new(lkfs(power), Unit::Lkfs, doubt);
        Ok(Self {
            lkfs: reading(mean(&squares)),
            integrated_lkfs: integrated(&squares, rate_hz).map(reading),
            peak_dbfs: crate::db(level.peak),
            crest_db: crate::db(level.crest()),
        })
    }
}

/// How far the response is from that of 48 kHz at most, in dB.
fn warping_db(sections: &[Section; 2], rate_hz: f64) -> Result<f64, Obstacle> {
    let published = weighting(48e3)?;
    let top = HIGHEST * rate_hz.min(48e3);
    let places = (0..PLACES).map(|n| LOWEST_HZ * (0.1 * f64::from(n)).exp2());
    let apart = places.take_while(|hz| *hz <= top).map(|hz| {
        let gain = |sections: &[Section; 2], rate_hz: f64| -> f64 {
            sections.iter().map(|section| section.gain_db(hz / rate_hz)).sum()
        };
        (gain(sections, rate_hz) - gain(&published, 48e3)).abs()
    });
    Ok(apart.fold(0.0, f64::max))
}

fn lkfs(power: f64) -> f64 {
    OFFSET + power_db(power)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Mean power of the blocks that pass the gates.
fn integrated(squares: &[f64], rate_hz: f64) -> Option<f64> {
    let block = (BLOCK_S * rate_hz).round() as usize;
    let starts = (0..).map(|i| (f64::from(i) * HOP_S * rate_hz).round() as usize);
    let mut powers: Vec<f64> = starts
        .map_while(|start| squares.get(start..start + block))
        .map(mean)
        .filter(|power| lkfs(*power) > ABSOLUTE_GATE)
        .collect();
    if powers.is_empty() {
        return None;
    }
    let gate = lkfs(mean(&powers)) + RELATIVE_GATE;
    powers.retain(|power| lkfs(*power) > gate);
    Some(mean(&powers))
}

/// The samples through both sections, from rest.
fn weighted(samples: &[f64], sections: &[Section; 2]) -> impl Iterator<Item = f64> {
    let mut states = [[0.0; 2]; 2];
    samples.iter().map(move |x| {
        sections.iter().zip(&mut states).fold(*x, |x, (section, state)| {
            // Direct form II, transposed.
            let ([b0, b1, b2], [a1, a2]) = (section.forward, section.feedback);
            let y = b0 * x + state[0];
            *state = [b1 * x - a1 * y + state[1], b2 * x - a2 * y];
            y
        })
    })
}
