//! A tone that a sine moves in pitch, and the depth that it is found to have.

use plumbtone_measure::modulation::{Known, Modulation};
use plumbtone_measure::reading::{Obstacle, Reading};

use crate::error::Error;
use crate::subject::Twin;

/// Deepest vibrato that can be demodulated, octaves either way.
pub const MOST_OCTAVES: f64 = 2.0;
/// Its rate, Hz: a whole number of periods in a second.
pub const RATE_HZ: f64 = 6.0;
/// The tone in its middle, Hz.
pub const TONE_HZ: f64 = 1000.0;

/// Depth of a vibrato of `octaves` either way, as a demodulator reads it from the tone, in
/// octaves.
///
/// The modulation goes through the twin's own exponential, increments are rounded as those of an
/// oscillator are, and the phase runs on as theirs does.
///
/// # Errors
/// A sample rate outside 8 000 to 192 000 Hz; inside, why a tone cannot be read.
pub fn demodulated(
    twin: Twin,
    octaves: f64,
    rate_hz: u32,
) -> Result<Result<Reading, Obstacle>, Error> {
    let tone = tone(twin, octaves, rate_hz)?;
    let known = Known { rate_hz: Some(RATE_HZ), ..Known::default() };
    let read = Modulation::new().frequency(&tone, f64::from(rate_hz), &known);
    // Without octaves the pitch passes 0 Hz.
    Ok(read.and_then(|read| read.octaves.map(|it| it.modulation.depth).ok_or(Obstacle::NoTone)))
}

/// One second of a tone whose pitch a sine moves by `octaves` either way, through the twin's own
/// exponential.
fn tone(twin: Twin, octaves: f64, rate_hz: u32) -> Result<Vec<f64>, Error> {
    use plumbtone_voice::frequency;
    let rate = plumbtone_voice::Rate::new(rate_hz)?;
    let base = rate.increment(TONE_HZ)?;
    let fs = f64::from(rate_hz);
    let mut phase = 0_u32;
    let mut exact_phase = 0.0_f64;
    let tone = (0..rate_hz).map(|n| {
        let control = (std::f64::consts::TAU * RATE_HZ * f64::from(n) / fs).sin() * octaves;
        let now = match twin {
            Twin::Exact => exact_phase,
            _ => f64::from(phase) / 4_294_967_296.0,
        };
        match twin {
            Twin::Exact => {
                exact_phase = (exact_phase + TONE_HZ / fs * control.exp2()).fract();
            }
            Twin::Float => {
                phase =
                    phase.wrapping_add(frequency::float::exponential(base, control as f32).bits());
            }
            Twin::Fixed => {
                let control = fixed::types::I6F26::from_num(control);
                phase = phase.wrapping_add(frequency::fixed::exponential(base, control).bits());
            }
        }
        (std::f64::consts::TAU * now).sin()
    });
    Ok(tone.collect())
}
