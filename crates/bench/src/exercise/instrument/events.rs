//! What events do: steps where nothing may jump, and when they take effect.

use plumbtone_measure::onset::{Onsets, Response};
use plumbtone_measure::{level, steps};

use super::{ALONE, Read, Scene};
use crate::exercise::{Spread, nothing};
use crate::instrument::Score;
use crate::worker::unreadable;

/// Samples of a block of firmware.
const BLOCK: usize = 128;
/// How long after an event a step is held against it, s.
const AFTER_S: f64 = 0.05;

impl Scene<'_> {
    /// Largest step after any event over the largest of the notes held.
    pub(super) fn click(&mut self) -> Read {
        let settings = self.but(&format!("{ALONE} shape-a=triangle"))?;
        let at = |seconds: f64| self.at(seconds);
        // Level and cutoff in notes that are held, a key on top of another, back, a second stroke
        // into the release.
        let score = self
            .score(3.5)
            .down(at(0.3), 57)
            .level(at(0.9), 8_192)
            .level(at(1.2), 16_383)
            .cutoff(at(1.5), 9_000)
            .down(at(1.8), 64)
            .up(at(2.2), 57)
            .up(at(2.4), 64)
            .down(at(2.43), 57)
            .bend(at(2.9), 8_600)
            .up(at(3.2), 57);
        let heard = match self.sound(&score, &settings)? {
            Ok(heard) => heard,
            Err(gap) => return Ok(Err(gap)),
        };
        let after = self.at(AFTER_S);
        let mut held = 0.0_f64;
        let mut worst: Option<(f64, String)> = None;
        let starts: Vec<usize> = score.effective().map(|(sample, _)| sample).collect();
        for (nth, &start) in starts.iter().enumerate() {
            let end = starts.get(nth + 1).copied().unwrap_or(heard.len());
            let middle = (start + after).min(end);
            // A step belongs to the sample that it leads to.
            let largest = |from: usize, to: usize| {
                steps::largest(&heard[from.saturating_sub(1)..to]).map(|step| step.size.abs())
            };
            // Two events may be too close for anything to be held between them.
            let far = if middle < end { largest(middle, end) } else { Ok(0.0) };
            let (near, far) = match (largest(start, middle), far) {
                (Ok(near), Ok(far)) => (near, far),
                (Err(why), _) | (_, Err(why)) => return Ok(Err(unreadable(why))),
            };
            held = held.max(far);
            if worst.as_ref().is_none_or(|(most, _)| near > *most) {
                worst = Some((near, format!("{:.1} s", start as f64 / self.hz())));
            }
        }
        if held == 0.0 {
            return Ok(Err(nothing("nothing sounds while keys are held")));
        }
        Ok(match worst {
            Some((step, place)) => {
                let note = format!("step of {step:.1e} FS after the event at {place}");
                Ok((step / held, 0.0, Some(note)))
            }
            None => Err(nothing("no event")),
        })
    }

    /// Spread of the onset over all places of an event in a block, in samples.
    pub(super) fn onset(&mut self) -> Read {
        // Loud from the first sample on.
        let settings = self.but(&format!(
            "{ALONE} shape-a=pulse filter=ladder filter-output=low24 cutoff=20000 resonance=0 \
             filter-contour=0 filter-lfo=0 level-attack=0 level=1"
        ))?;
        let mut spread = Spread::default();
        for place in 0..BLOCK {
            let event = BLOCK + place + place % 2 * BLOCK;
            let score = Score::new(self.rate_hz, 8 * BLOCK).down(event, 69).in_blocks(BLOCK);
            let heard = self.play(&score, &settings)?;
            if let Err(why) = level::finite(&heard) {
                return Ok(Err(unreadable(why)));
            }
            match Onsets::find(&heard, &[event], Response::Change { least: f64::MIN_POSITIVE }) {
                Ok(onsets) => spread.add(onsets.min),
                Err(why) => return Ok(Err(unreadable(why))),
            }
        }
        Ok(Ok(spread.taken(self.rate_hz)))
    }
}
