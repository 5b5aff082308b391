//! How far the fundamental of a short sound strays from its nominal frequency on average, as a
//! phase that runs ahead or falls behind.
//!
//! The fundamental is shifted to 0 Hz and weighted by a window of four of its periods, whose nulls
//! lie on the other harmonics; how far its phase gets from the first window to the last is the mean
//! frequency in between. Growth and decay that are exponential change nothing: every window sees
//! the same shape.
//!
//! Doubt: what a second window, with other side lobes, reads differently.

use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::window::Window;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Periods within a window.
const PERIODS: f64 = 4.0;
/// Windows from one end of a window to the other: the phase must not turn by half a cycle from
/// one to the next.
const HOPS: usize = 16;
/// A fundamental this far below its own peak has no phase.
const LEAST_SHARE: f64 = 1e-7;

/// Mean frequency of the fundamental over `samples` less `hz`, in Hz.
///
/// # Errors
/// What [`level::screen`] refuses; [`Obstacle::OutOfRange`] for a rate or a frequency that does
/// not fit; [`Obstacle::TooShort`] for less than six periods; [`Obstacle::NoTone`] where the
/// fundamental vanishes, or its phase turns too fast to be followed.
pub fn mean_offset(samples: &[f64], rate_hz: f64, hz: f64) -> Result<Reading, Obstacle> {
    level::screen(samples)?;
    within("sample rate", rate_hz, 1.0, f64::MAX)?;
    within("frequency", hz, f64::MIN_POSITIVE, 0.25 * rate_hz)?;
    let period = rate_hz / hz;
    let need = (1.5 * PERIODS * period).ceil() as usize;
    if samples.len() < need {
        return Err(Obstacle::TooShort { have: samples.len(), need });
    }
    let advance =
        |window| advance(samples, hz / rate_hz, (PERIODS * period).round() as usize, window);
    let (sharp, soft) = (advance(Window::BlackmanHarris4)?, advance(Window::Hann)?);
    Ok(Reading::new(sharp * rate_hz, Unit::Hertz, (sharp - soft).abs() * rate_hz))
}

/// Cycles per sample by which the phase gets ahead of `cycles` per sample.
fn advance(samples: &[f64], cycles: f64, len: usize, window: Window) -> Result<f64, Obstacle> {
    let weights = window.samples(len);
    let hop = (len / HOPS).max(1);
    let last = (samples.len() - len) / hop * hop;
    let line = |start: usize| -> Complex64 {
        let weighted = samples[start..start + len].iter().zip(&weights).enumerate();
        weighted
            .map(|(n, (x, w))| {
                let turns = cycles * (start + n) as f64;
                Complex64::from_polar(x * w, -TAU * turns.fract())
            })
            .sum()
    };
    let lines: Vec<Complex64> = (0..=last).step_by(hop).map(line).collect();
    let most = lines.iter().map(|line| line.norm()).fold(0.0, f64::max);
    let mut turned = 0.0;
    for pair in lines.windows(2) {
        let step = (pair[1] * pair[0].conj()).arg();
        if pair[1].norm() < LEAST_SHARE * most || step.abs() > 0.5 * PI {
            return Err(Obstacle::NoTone);
        }
        turned += step;
    }
    Ok(turned / TAU / last as f64)
}
