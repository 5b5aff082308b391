//! Behaviour in time: settling after a step, and the step that a jump of the cutoff makes.

use std::f64::consts::TAU;

use plumbtone_measure::settling::settling;
use plumbtone_measure::{level, steps};
use plumbtone_voice::{Increment, Tuning};

use super::{PATIENCE, Read, Scene};
use crate::exercise::nothing;
use crate::worker::unreadable;

/// Share of a step within which it counts as settled: 60 dB.
const SETTLED: f64 = 1e-3;
/// The tone that is filtered while the cutoff jumps, in cycles per sample.
const TONE: f64 = 1.0 / 512.0;
/// Samples from one jump of the cutoff to the next.
const BETWEEN: usize = 1_500;

impl Scene<'_> {
    /// Samples that a step takes to settle, less those of the exact evaluation.
    pub(super) fn settling(&mut self) -> Read {
        let Some(long) = self.ringing_samples() else {
            return Ok((None, Err(nothing("it rings longer than can be waited for"))));
        };
        let height = self.height;
        let passage = self.passage(vec![height; long.min(PATIENCE)], self.tuning);
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        let target = exact.last().copied().unwrap_or(0.0);
        let tolerance = SETTLED * height;
        let read = |samples: &[f64]| {
            let found = settling(samples, target, tolerance).map_err(unreadable)?;
            found.ok_or_else(|| unreadable("it does not settle"))
        };
        let taken = read(&got).and_then(|got| {
            let expected = read(&exact)?;
            let note = format!("{} samples, overshoot {:.3}", got.samples, got.overshoot / height);
            Ok((got.samples as f64 - expected.samples as f64, 0.0, Some(note)))
        });
        Ok((None, taken))
    }

    /// Steps between samples of a slow tone while the cutoff jumps an octave down and up again:
    /// how much the largest step of the difference from the exact evaluation adds to the largest
    /// of the exact evaluation. That is no less than the largest of the output, and a jump that
    /// is smoothed or late counts as well.
    pub(super) fn step(&mut self) -> Read {
        let height = self.height;
        let input = (0..8 * BETWEEN).map(|n| height * (TAU * (TONE * n as f64).fract()).sin());
        let mut passage = self.passage(input.collect(), self.tuning);
        let half = Increment::saturating_from_bits(self.tuning.cutoff.bits() / 2);
        passage.tunings = (0..8)
            .map(|jump| {
                let cutoff = if jump % 2 == 0 { self.tuning.cutoff } else { half };
                (jump * BETWEEN, Tuning { cutoff, ..self.tuning })
            })
            .collect();
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        if let Err(why) = level::finite(&got) {
            return Ok((None, Err(unreadable(why))));
        }
        let apart: Vec<f64> = got.iter().zip(&exact).map(|(y, e)| y - e).collect();
        let largest = |samples: &[f64]| steps::largest(samples).map_err(unreadable);
        let taken = largest(&exact).and_then(|expected| {
            let found = largest(&apart)?;
            let note = format!("off by {:.2e} at sample {}", found.size, found.index);
            Ok((1.0 + found.size.abs() / expected.size.abs(), 0.0, Some(note)))
        });
        Ok((None, taken))
    }
}
