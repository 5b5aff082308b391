//! Figures of a filter's response: cutoff, slope, gain at 0 Hz, resonance.
//!
//! They work on any magnitude that can be asked for at any frequency, such as
//! [`crate::response::ImpulseResponse::magnitude`]. A peak narrower than a hundredth of an octave has
//! to be pointed at: take its place from [`crate::ringing::fit`].

use crate::reading::{Obstacle, within};
use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};

/// A maximum of the magnitude.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Frequency.
    pub hz: f64,
    /// Magnitude there, as a ratio.
    pub gain: f64,
}

/// Steps per octave of a search.
const STEPS: f64 = 96.0;

fn band(low_hz: f64, high_hz: f64) -> Result<(), Obstacle> {
    within("lowest frequency in Hz", low_hz, f64::MIN_POSITIVE, f64::MAX)?;
    within("highest frequency in Hz", high_hz, low_hz * (1.0 + f64::EPSILON), f64::MAX)?;
    Ok(())
}

/// The highest frequency within `low_hz..=high_hz` at which `magnitude` passes `level`, as a ratio;
/// for a half-power point `level` is the reference over the root of 2.
///
/// # Errors
/// [`Obstacle::OutOfRange`] for a band without width, [`Obstacle::NoTone`] if nothing passes.
pub fn crossing_hz(
    magnitude: impl Fn(f64) -> f64,
    level: f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<f64, Obstacle> {
    band(low_hz, high_hz)?;
    let octaves = (high_hz / low_hz).log2();
    let count = (octaves * STEPS).ceil().max(1.0);
    let at = |i: f64| high_hz * (-octaves * i / count).exp2();
    let side = |hz: f64| magnitude(hz) >= level;
    let above = side(high_hz);
    let cell = (1..=count as u32).find(|i| side(at(f64::from(*i))) != above);
    let cell = f64::from(cell.ok_or(Obstacle::NoTone)?);
    let (mut low, mut high) = (at(cell), at(cell - 1.0));
    // 52 halvings exhaust the digits of f64.
    for _ in 0..52 {
        let middle = 0.5 * (low + high);
        if side(middle) == above {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(0.5 * (low + high))
}

/// Where a low-pass is 3.01 dB below `reference`, as a ratio, highest such frequency.
///
/// # Errors
/// See [`crossing_hz`].
pub fn cutoff_hz(
    magnitude: impl Fn(f64) -> f64,
    reference: f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<f64, Obstacle> {
    crossing_hz(magnitude, reference * FRAC_1_SQRT_2, low_hz, high_hz)
}

/// Mean slope between two frequencies, in dB per octave.
///
/// # Errors
/// [`Obstacle::OutOfRange`] for a band without width, [`Obstacle::Silent`] where nothing passes.
pub fn slope_db_per_octave(
    magnitude: impl Fn(f64) -> f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<f64, Obstacle> {
    band(low_hz, high_hz)?;
    let (low, high) = (magnitude(low_hz), magnitude(high_hz));
    if low <= 0.0 || high <= 0.0 {
        return Err(Obstacle::Silent);
    }
    Ok(crate::db(high / low) / (high_hz / low_hz).log2())
}

/// The highest inner maximum within `low_hz..=high_hz`; none if the magnitude has its largest value
/// at an end.
///
/// # Errors
/// [`Obstacle::OutOfRange`] for a band without width.
pub fn peak(
    magnitude: impl Fn(f64) -> f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<Option<Peak>, Obstacle> {
    band(low_hz, high_hz)?;
    let octaves = (high_hz / low_hz).log2();
    let count = (octaves * STEPS).ceil().max(8.0) as u32;
    let at = |i: u32| low_hz * (octaves * f64::from(i) / f64::from(count)).exp2();
    let values: Vec<f64> = (0..=count).map(|i| magnitude(at(i))).collect();
    let top = (0..values.len()).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(0);
    if top == 0 || top == values.len() - 1 {
        return Ok(None);
    }
    let (hz, gain) = climb(&magnitude, at(top as u32 - 1), at(top as u32 + 1));
    Ok(Some(Peak { hz, gain }))
}

/// The maximum next to `hz`, of a resonance of this `quality`.
///
/// # Errors
/// [`Obstacle::OutOfRange`] unless both are positive.
pub fn peak_near(magnitude: impl Fn(f64) -> f64, hz: f64, quality: f64) -> Result<Peak, Obstacle> {
    within("frequency in Hz", hz, f64::MIN_POSITIVE, f64::MAX)?;
    within("quality", quality, 0.5, f64::MAX)?;
    let reach = 0.5 / quality;
    let (hz, gain) = climb(&magnitude, hz * (1.0 - reach), hz * (1.0 + reach));
    Ok(Peak { hz, gain })
}

/// Golden-section search, then a parabola through points a thousandth of the bracket apart: a search
/// alone stops at the root of the rounding.
fn climb(magnitude: &impl Fn(f64) -> f64, low: f64, high: f64) -> (f64, f64) {
    const SHORT: f64 = 0.381_966_011_250_105_1;
    let width = high - low;
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (low + SHORT * width, high - SHORT * width);
    let (mut at_a, mut at_b) = (magnitude(a), magnitude(b));
    while high - low > 1e-4 * width {
        if at_a < at_b {
            (low, a, at_a) = (a, b, at_b);
            b = high - SHORT * (high - low);
            at_b = magnitude(b);
        } else {
            (high, b, at_b) = (b, a, at_a);
            a = low + SHORT * (high - low);
            at_a = magnitude(a);
        }
    }
    let (middle, step) = (0.5 * (low + high), 1e-3 * width);
    // Of the inverse square: for a resonance that is a parabola over much more than its tip.
    let flat = |hz: f64| magnitude(hz).powi(-2);
    let (left, here, right) = (flat(middle - step), flat(middle), flat(middle + step));
    let bend = left - 2.0 * here + right;
    let shift = if bend > 0.0 { 0.5 * (left - right) / bend } else { 0.0 };
    let hz = middle + step * shift.clamp(-1.0, 1.0);
    (hz, magnitude(hz))
}

/// Q of a band-pass from its peak and the two points 3.01 dB below, as `peak / width`.
///
/// # Errors
/// [`Obstacle::NoTone`] if the magnitude is not that high at the peak or does not
/// fall that far within an octave to either side.
pub fn quality_by_width(magnitude: impl Fn(f64) -> f64, peak: Peak) -> Result<f64, Obstacle> {
    let level = peak.gain / SQRT_2;
    if magnitude(peak.hz) < level {
        return Err(Obstacle::NoTone);
    }
    let edge = |sign: f64| -> Result<f64, Obstacle> {
        let outside = |reach: f64| magnitude(peak.hz * (sign * reach).exp2()) < level;
        // Double the distance until outside, then halve the bracket.
        let mut reach = 1e-6;
        while !outside(reach) {
            reach *= 2.0;
            if reach > 1.0 {
                return Err(Obstacle::NoTone);
            }
        }
        let (mut inner, mut outer) = (0.5 * reach, reach);
        for _ in 0..52 {
            let middle = 0.5 * (inner + outer);
            if outside(middle) { outer = middle } else { inner = middle }
        }
        Ok(peak.hz * (sign * inner).exp2())
    };
    Ok(peak.hz / (edge(1.0)? - edge(-1.0)?))
}
