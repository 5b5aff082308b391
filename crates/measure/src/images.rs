//! Step noise of control values that are updated less often than every sample.
//!
//! A value held for R samples repeats its spectrum around every multiple of the control rate
//! fs/R, weighted by `sin(pi f R/fs) / (R sin(pi f/fs))`. Where such a value modulates a
//! tone, the same lines stand beside the carrier. The capture must be coherent: whole
//! periods of control, modulation and carrier, so that each image has a bin of its own.
//!
//! Floor: [`crate::coherent::FLOOR_DBC`] of the strongest line, or the noise of the capture.

use crate::coherent::{Coherent, FLOOR_DBC};
use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::{db, power_db};
use std::f64::consts::LN_2;

/// What the capture holds, counted in periods over the whole of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Control {
    /// Samples for which one value is held, R: 2 or more, a divisor of the length.
    pub hold: usize,
    /// Periods of the modulation.
    pub modulation: usize,
    /// Periods of the tone; 0 if the capture is the control value itself.
    pub carrier: usize,
    /// Orders of the modulation to look for on each side: 1 for a sine of small index.
    pub orders: usize,
}

/// One image line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Image {
    /// Multiple of the control rate, 1 to R - 1: it stands at carrier + k fs/R + n rate.
    pub multiple: usize,
    /// Order n of the modulation.
    pub order: i32,
    /// Where it is found, folded, in Hz.
    pub hz: f64,
    /// Level re the wanted modulation, in dB.
    pub level: Reading,
}

/// Images of a capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Images {
    /// Every image, strongest first.
    pub lines: Vec<Image>,
    /// Power of all images re the wanted modulation, in dB.
    pub total: Reading,
    /// Root of the summed squares of the wanted lines, full scale = 1.0.
    pub wanted: f64,
}

impl Images {
    /// The strongest image.
    #[must_use]
    pub fn strongest(&self) -> Option<&Image> {
        self.lines.first()
    }
}

/// Reads the images in `samples`.
///
/// # Errors
/// What [`level::screen`] refuses; [`Obstacle::OutOfRange`] for `control`;
/// [`Obstacle::Unresolved`] if an image falls on a wanted line; [`Obstacle::NoTone`] if
/// there is no wanted modulation.
pub fn images(samples: &[f64], rate_hz: f64, control: &Control) -> Result<Images, Obstacle> {
    let len = samples.len();
    level::screen(samples)?;
    within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
    within("hold in samples", control.hold as f64, 2.0, (len / 2) as f64)?;
    if !len.is_multiple_of(control.hold) {
        let whole = (len / control.hold * control.hold) as f64;
        let (name, value) = ("length in samples, a multiple of the hold", len as f64);
        return Err(Obstacle::OutOfRange { name, value, low: whole, high: whole });
    }
    let bin_hz = rate_hz / len as f64;
    let step = len / control.hold;
    within("periods of the modulation", control.modulation as f64, 1.0, (step / 2) as f64)?;
    within("periods of the carrier", control.carrier as f64, 0.0, (len / 2) as f64)?;
    within("orders of the modulation", control.orders as f64, 1.0, len as f64)?;

    let mut analyser = Coherent::new(len)?;
    let bins = analyser.analyse(samples)?.bins();
    let fold = |multiple: usize, order: i64| {
        let place = (control.carrier + multiple * step) as i64 + order * control.modulation as i64;
        let place = place.rem_euclid(len as i64) as usize;
        place.min(len - place)
    };
    let top = control.orders as i64;
    let mut taken = vec![false; bins.len()];
    taken[0] = true;
    taken[fold(0, 0)] = true;
    let mut wanted = 0.0;
    for order in (-top..=top).filter(|n| *n != 0) {
        let bin = fold(0, order);
        if !taken[bin] {
            wanted += bins[bin].norm_sqr();
        }
        taken[bin] = true;
    }
    let kept = taken.clone();
    let mut found = Vec::new();
    // Low orders first: where two images share a bin, the plainer name is the likelier.
    for order in (0..=top).flat_map(|n| if n == 0 { vec![0] } else { vec![-n, n] }) {
        for multiple in 1..control.hold {
            let bin = fold(multiple, order);
            if kept[bin] && bin > 0 {
                return Err(Obstacle::Unresolved { spacing_hz: 0.0, need_hz: bin_hz });
            }
            if !taken[bin] {
                found.push((multiple, order as i32, bin));
            }
            taken[bin] = true;
        }
    }

    let mut free: Vec<f64> =
        taken.iter().zip(bins).filter(|(t, _)| !**t).map(|(_, b)| b.norm_sqr()).collect();
    let strongest = bins.iter().map(|b| b.norm_sqr()).fold(0.0, f64::max);
    let rounding = strongest * 10f64.powf(FLOOR_DBC / 10.0);
    let noise = if free.is_empty() {
        rounding
    } else {
        let middle = free.len() / 2;
        rounding + *free.select_nth_unstable_by(middle, f64::total_cmp).1 / LN_2
    };
    if wanted <= 30.0 * noise {
        return Err(Obstacle::NoTone);
    }
    let reference = wanted.sqrt();
    // Noise of one coordinate, k = 2, on an image and on the reference alike.
    let doubt = 2.0 * (0.5 * noise).sqrt();
    let relative = |amplitude: f64| db(1.0 + doubt / amplitude + doubt / reference);
    let floor = db(doubt / reference);
    let mut lines: Vec<Image> = found
        .iter()
        .map(|&(multiple, order, bin)| {
            let amplitude = bins[bin].norm();
            Image {
                multiple,
                order,
                hz: bin as f64 * bin_hz,
                level: Reading::new(db(amplitude / reference), Unit::Decibel, relative(amplitude))
                    .with_floor(floor),
            }
        })
        .collect();
    lines.sort_by(|a, b| b.level.value.total_cmp(&a.level.value));
    let power: f64 = found.iter().map(|f| bins[f.2].norm_sqr()).sum();
    let sum_noise = noise * found.len() as f64;
    let total = Reading::new(
        power_db((power - sum_noise).max(0.0) / wanted),
        Unit::Decibel,
        relative(power.sqrt()) + power_db(1.0 + sum_noise / power) / (found.len() as f64).sqrt(),
    );
    Ok(Images { lines, total: total.with_floor(power_db(sum_noise / wanted)), wanted: reference })
}
