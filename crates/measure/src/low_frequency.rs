//! A low-frequency oscillator read from its own trace: rate, phase, depth.
//!
//! Rate and phase come from a fit of the fundamental and its harmonics over the whole trace,
//! and again from the moments at which the trace rises through its mean. The fit serves any
//! smooth shape; a shape that jumps is known to half a sample per jump either way.
//!
//! Floor of the rate on an f64 sine: 1e-13 relative. Of a shape that jumps: one sample
//! over the length of the trace.

use crate::level;
use crate::modulation::{Depth, depth};
use crate::periodic::{self, Periodic, Shape};
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::straight_line::StraightLine;

/// Highest order that is fitted. What a corner or a jump has beyond counts as doubt.
const MOST_ORDERS: usize = 12;

/// A low-frequency oscillator's trace in figures.
#[derive(Clone, Debug)]
pub struct LowFrequency {
    /// Fundamental of the trace: amplitude, rate, phase at the first sample re sine, harmonics.
    pub modulation: Depth,
    /// Mean of the trace.
    pub mean: Reading,
    /// Rate from the rises through the mean; `None` below four of them.
    pub crossing_hz: Option<Reading>,
    fit: Periodic,
    /// True if the trace jumps somewhere.
    jumps: bool,
}

impl LowFrequency {
    /// Reads `trace`, one value per sample; `hz` is the exact rate where it is known.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 64 samples; what [`level::screen`] refuses;
    /// [`Obstacle::OutOfRange`] for the rates; [`Obstacle::NoTone`] if nothing periodic
    /// stands out.
    pub fn of(trace: &[f64], rate_hz: f64, hz: Option<f64>) -> Result<Self, Obstacle> {
        if trace.len() < 64 {
            return Err(Obstacle::TooShort { have: trace.len(), need: 64 });
        }
        level::screen(trace)?;
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        let start = match hz {
            Some(hz) => {
                within("rate in Hz", hz, 0.3 * rate_hz / trace.len() as f64, rate_hz / 2.0)?
                    / rate_hz
            }
            None => periodic::strongest(trace)?,
        };
        let shape = Shape { orders: 1, trend: false, free_period: hz.is_none() };
        let fit = Periodic::grow(trace, start, MOST_ORDERS, shape)?;
        let size = fit.lines[0].norm();
        let rounding = 4.0 * f64::EPSILON * size;
        let jumps = trace.windows(2).any(|pair| (pair[1] - pair[0]).abs() > 0.5 * size);
        let mut modulation = depth(&fit, Unit::FullScale, rate_hz, 0, rounding);
        if jumps {
            // Half a sample at the first and at the last jump, which the scatter need not show.
            modulation.rate_hz.uncertainty += modulation.rate_hz.value / trace.len() as f64;
            modulation.phase.uncertainty += 0.5 * fit.turns_per_sample;
        }
        Ok(Self {
            modulation,
            mean: Reading::new(
                fit.mean,
                Unit::FullScale,
                2.0 * fit.mean_variance.sqrt() + rounding,
            ),
            crossing_hz: crossings(trace, fit.mean, 0.25 * size)
                .and_then(|times| from_crossings(&times, jumps, rate_hz)),
            fit,
            jumps,
        })
    }

    /// Rate by whichever of fit and rises knows it better.
    #[must_use]
    pub fn rate_hz(&self) -> Reading {
        let fitted = self.modulation.rate_hz;
        self.crossing_hz.filter(|c| c.uncertainty < fitted.uncertainty).unwrap_or(fitted)
    }

    /// Phase of the fundamental re sine at sample `event`, 0 to 1 turn.
    #[must_use]
    pub fn phase_at(&self, event: f64) -> Reading {
        let fit = &self.fit;
        let in_middle = (fit.start_variance - fit.middle.powi(2) * fit.turns_variance).max(0.0);
        let away = (event - fit.middle).powi(2) * fit.turns_variance;
        let turns = (fit.turns_at(event) + 0.25).rem_euclid(1.0);
        let hidden = if self.jumps { 0.5 * fit.turns_per_sample } else { 4.0 * f64::EPSILON };
        Reading::new(turns, Unit::Turns, 2.0 * (in_middle + away).sqrt() + hidden)
    }
}

/// Times at which the trace rises through `level`, swings of less than `guard` left out.
fn crossings(trace: &[f64], level: f64, guard: f64) -> Option<Vec<f64>> {
    let mut armed = false;
    let mut candidate = None;
    let mut times = Vec::new();
    for (n, pair) in trace.windows(2).enumerate() {
        let (before, after) = (pair[0] - level, pair[1] - level);
        armed |= before < -guard;
        if armed && before < 0.0 && after >= 0.0 {
            candidate = Some(n as f64 - before / (after - before));
        }
        if after > guard
            && let Some(time) = candidate.take()
        {
            times.push(time);
            armed = false;
        }
    }
    (times.len() >= 4).then_some(times)
}

fn from_crossings(times: &[f64], jump: bool, rate_hz: f64) -> Option<Reading> {
    let points = times.iter().enumerate().map(|(i, t)| (i as f64, *t));
    let period = StraightLine::through(points).ok()?.slope;
    let n = times.len() as f64;
    // A jump happens anywhere between two samples, and the scatter need not show it.
    let hidden = if jump { (n * (n * n - 1.0)).sqrt().recip() } else { 0.0 };
    let doubt = 2.0 * period.standard_uncertainty.hypot(hidden);
    let hz = rate_hz / period.value;
    Some(Reading::new(hz, Unit::Hertz, hz * (doubt / period.value + 4.0 * f64::EPSILON)))
}
