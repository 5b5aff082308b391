//! Where a loop starts to oscillate by itself, and what it then sounds like.

use crate::harmonic::Harmonic;
use crate::level::Level;
use crate::pitch::{Model, Pitch, PitchReading};
use crate::reading::{Obstacle, within};
use crate::ringing;

/// The setting at which ringing neither grows nor decays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// The setting.
    pub value: f64,
    /// Half the bracket that is left.
    pub uncertainty: f64,
    /// Frequency of the ringing there, in cycles per sample.
    pub cycles_per_sample: f64,
}

/// Bisects `low..=high` for the setting at which the ringing that `render` returns turns from decay
/// to growth, down to a bracket of `tolerance` relative. The first third of each rendering is left
/// out, for other modes to die; the rest should hold 20 periods or more and stay small enough to be
/// linear.
///
/// # Errors
/// [`Obstacle::OutOfRange`] unless `0 < low < high`, `1e-12 <= tolerance <= 0.1`;
/// [`Obstacle::NoTone`] unless the ringing decays at `low` and grows at `high`; what `render` and
/// [`ringing::fit`] refuse.
pub fn threshold(
    low: f64,
    high: f64,
    tolerance: f64,
    mut render: impl FnMut(f64) -> Result<Vec<f64>, Obstacle>,
) -> Result<Threshold, Obstacle> {
    within("lowest setting", low, f64::MIN_POSITIVE, f64::MAX)?;
    within("highest setting", high, low * (1.0 + f64::EPSILON), f64::MAX)?;
    within("tolerance", tolerance, 1e-12, 0.1)?;
    let mut mode = |setting: f64| {
        let samples = render(setting)?;
        let found = ringing::fit(&samples[samples.len() / 3..], 1.0, 1)?;
        Ok::<_, Obstacle>((found.modes[0].decay_per_s().0, found.modes[0].hz().value))
    };
    if mode(low)?.0 <= 0.0 || mode(high)?.0 > 0.0 {
        return Err(Obstacle::NoTone);
    }
    let (mut low, mut high) = (low, high);
    let mut cycles_per_sample = 0.0;
    while high - low > tolerance * low || cycles_per_sample == 0.0 {
        let middle = 0.5 * (low + high);
        let (decay, hz) = mode(middle)?;
        cycles_per_sample = hz;
        if decay > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(Threshold { value: 0.5 * (low + high), uncertainty: 0.5 * (high - low), cycles_per_sample })
}

/// A sustained oscillation.
#[derive(Clone, Debug, PartialEq)]
pub struct Oscillation {
    /// Pitch.
    pub pitch: PitchReading,
    /// Amplitude of the fundamental, full scale = 1.0.
    pub amplitude: f64,
    /// Levels of the orders 2, 3, ... re the fundamental, in dB.
    pub harmonics_dbc: Vec<f64>,
    /// Change of the rms from the first half to the second, in dB: how far it has settled.
    pub drift_db: f64,
}

/// Reads a self-oscillation expected near `target_hz`, harmonics up to order `top`.
///
/// # Errors
/// What [`Pitch::estimate`] and [`Harmonic::analyse`] refuse; [`Obstacle::OutOfRange`] for `top`
/// outside 2..=64.
pub fn read(
    samples: &[f64],
    rate_hz: f64,
    target_hz: f64,
    top: u32,
) -> Result<Oscillation, Obstacle> {
    within("highest order", f64::from(top), 2.0, 64.0)?;
    // Symmetric or not, a loop's harmonics fall quickly; the first few carry the pitch.
    let model = Model { max_lines: 8, max_order: 16, band_limited: false };
    let pitch = Pitch::new().estimate_anywhere(samples, rate_hz, target_hz, &model)?;
    let analysis = Harmonic::new(samples.len())?.analyse(samples, rate_hz, pitch.hz, top)?;
    let harmonics_dbc = (2..=top).filter_map(|order| analysis.dbc(order)).collect();
    let (first, second) = samples.split_at(samples.len() / 2);
    let drift_db = crate::db(Level::of(second)?.ac_rms / Level::of(first)?.ac_rms);
    Ok(Oscillation { pitch, amplitude: analysis.fundamental(), harmonics_dbc, drift_db })
}
