//! When a subject responds to events: the delay of each, and how the delays scatter.
//!
//! Exact to the sample. A subject that looks at its events once per block of B samples
//! shows delays spread over 0..B, with standard deviation `sqrt((B^2 - 1)/12)` where the
//! events fall evenly.

use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};
use std::collections::BTreeMap;

/// What counts as a response.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Response {
    /// The first sample that differs by more than `least` from the sample before the
    /// event (or the event's own, at index 0). For a subject at rest before the event.
    Change {
        /// Largest difference that is none yet, full scale = 1.0, 0 or more.
        least: f64,
    },
    /// The first sample at or beyond `level`, coming from the other side of it: a trace
    /// that is beyond it at the event must go back first.
    Threshold {
        /// The level, full scale = 1.0.
        level: f64,
        /// True to wait for samples at or above the level, false for at or below.
        rising: bool,
    },
}

/// Delays from events to responses, in samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Onsets {
    /// Delay for each event, in the order given; `None` if the next event came first.
    pub delays: Vec<Option<usize>>,
    /// Least delay.
    pub min: usize,
    /// Largest delay.
    pub max: usize,
    /// Mean delay with its standard error, k = 2.
    pub mean: Reading,
    /// Standard deviation of the delays, n - 1 in its denominator: the jitter.
    pub deviation: Reading,
    /// How often each delay occurred.
    pub histogram: BTreeMap<usize, usize>,
    /// Events without a response.
    pub missed: usize,
}

impl Onsets {
    /// Finds the response to each of `events`, given as ascending sample indices: a delay
    /// of 0 is a response in the event's own sample.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] without samples or events, [`Obstacle::NotFinite`],
    /// [`Obstacle::OutOfRange`] for events that do not ascend or lie beyond the samples,
    /// and [`Obstacle::NoResponse`] if no event has one.
    pub fn find(samples: &[f64], events: &[usize], response: Response) -> Result<Self, Obstacle> {
        level::finite(samples)?;
        let Some(last) = events.last() else {
            return Err(Obstacle::TooShort { have: 0, need: 1 });
        };
        let top = samples.len() - 1;
        within("event in samples", *last as f64, 0.0, top as f64)?;
        for pair in events.windows(2) {
            let least = (pair[0] + 1) as f64;
            within("event in samples", pair[1] as f64, least, top as f64)?;
        }
        match response {
            Response::Change { least } => within("least change", least, 0.0, f64::MAX)?,
            Response::Threshold { level, .. } => within("level", level, f64::MIN, f64::MAX)?,
        };
        let ends = events[1..].iter().copied().chain([samples.len()]);
        let delays: Vec<Option<usize>> = events
            .iter()
            .zip(ends)
            .map(|(&event, end)| delay(samples, event, end, response))
            .collect();
        Self::gather(delays).ok_or(Obstacle::NoResponse { events: events.len() })
    }

    fn gather(delays: Vec<Option<usize>>) -> Option<Self> {
        let mut histogram = BTreeMap::new();
        for delay in delays.iter().flatten() {
            *histogram.entry(*delay).or_insert(0) += 1;
        }
        let (min, max) = (*histogram.first_key_value()?.0, *histogram.last_key_value()?.0);
        let count: usize = histogram.values().sum();
        let n = count as f64;
        let sum = |f: &dyn Fn(f64) -> f64| -> f64 {
            histogram.iter().map(|(delay, times)| f(*delay as f64) * *times as f64).sum()
        };
        let mean = sum(&|d| d) / n;
        let spread = (sum(&|d| (d - mean).powi(2)) / (n - 1.0).max(1.0)).sqrt();
        // Of one delay nothing is known about the spread.
        let unknown = if count == 1 { f64::INFINITY } else { 0.0 };
        let wide = 2.0 * spread / n.sqrt() + unknown;
        // Standard error of a standard deviation from the fourth moment.
        let fourth = sum(&|d| (d - mean).powi(4)) / n;
        let of_spread = if spread > 0.0 {
            ((fourth - spread.powi(4)).max(0.0) / n).sqrt() / spread
        } else {
            0.0
        };
        Some(Self {
            missed: delays.len() - count,
            delays,
            min,
            max,
            mean: Reading::new(mean, Unit::Samples, wide),
            deviation: Reading::new(spread, Unit::Samples, of_spread + unknown),
            histogram,
        })
    }
}

fn delay(samples: &[f64], event: usize, end: usize, response: Response) -> Option<usize> {
    let own = &samples[event..end];
    match response {
        Response::Change { least } => {
            let before = samples[event.saturating_sub(1)];
            own.iter().position(|x| (x - before).abs() > least)
        }
        Response::Threshold { level, rising } => {
            let beyond = |x: &f64| if rising { *x >= level } else { *x <= level };
            let before = samples[event.saturating_sub(1)];
            let ready = if beyond(&before) { own.iter().position(|x| !beyond(x))? } else { 0 };
            own[ready..].iter().position(beyond).map(|i| i + ready)
        }
    }
}
