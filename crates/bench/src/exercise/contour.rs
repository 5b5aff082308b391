//! Contours, glide and low-frequency oscillators.

use std::ops::Range;
use std::time::Instant;

use plumbtone_measure::decay::Decay;
use plumbtone_measure::difference::Difference;
use plumbtone_measure::exponential::Exponential;
use plumbtone_measure::low_frequency::LowFrequency;
use plumbtone_measure::onset::{Onsets, Response};
use plumbtone_measure::stages::{self, Options};
use plumbtone_measure::steps::{self, Region};
use plumbtone_measure::{db, glide};
use plumbtone_voice::contours::lfo;

use super::{Bench, Spread, clocked, nothing};
use crate::error::Error;
use crate::expect::controls::{self, Ideal, Part};
use crate::results::Kind;
use crate::script::{Controller, Script};
use crate::subject::{BLOCK, Twin};
use crate::worker::{Taken, unreadable};

/// Span over which a decay has to be straight, dB.
const DECAY_SPAN_DB: f64 = 100.0;
/// Fewest samples from which a time constant is fitted.
const FIT_SAMPLES: usize = 12;
/// How near to its target a glide has arrived, cents.
const ARRIVED_CENTS: f64 = 1.0;

impl Bench<'_> {
    fn render(&mut self, controller: &dyn Controller, script: &Script) -> Result<Vec<f64>, Error> {
        let mut samples = vec![0.0; script.length];
        clocked(&mut self.spent.render, || controller.render(script, &mut samples))?;
        Ok(samples)
    }

    pub(super) fn contour(&mut self, controller: &dyn Controller) -> Result<(), Error> {
        let module = self.check.module;
        let script = controls::exercise(module, self.settings, self.rate_hz)?;
        let ideal = clocked(&mut self.spent.theory, || Ideal::new(module, &script))?;
        let samples = self.render(controller, &script)?;
        let clock = Instant::now();
        let bound = ideal.bound(self.twin);
        if let Some(bad) = samples.iter().position(|sample| !sample.is_finite()) {
            for &(kind, _) in &self.check.asked {
                self.enter(kind, None, Err(unreadable(format!("sample {bad} is not a number"))));
            }
            return Ok(());
        }
        if self.wants(Kind::Rounding) {
            let taken = Difference::of(&samples, &ideal.levels)
                .map(|apart| (apart.peak, 0.0, Some(format!("at sample {}", apart.worst_index))))
                .map_err(unreadable);
            self.enter(Kind::Rounding, Some(bound), taken);
        }
        if self.wants(Kind::StageTime) {
            let (limit, taken) = self.stage_time(&samples, &ideal);
            self.enter(Kind::StageTime, Some(limit), taken);
        }
        if self.wants(Kind::TimeConstant) {
            let taken = time_constant(&samples, &ideal, bound);
            self.enter(Kind::TimeConstant, None, taken);
        }
        if self.wants(Kind::DecayLine) {
            let (limit, taken) = self.decay_line(&samples, &ideal);
            self.enter(Kind::DecayLine, Some(limit), taken);
        }
        if self.wants(Kind::Step) {
            let taken = largest_step(&samples, &ideal, bound);
            self.enter(Kind::Step, Some(1.0), taken);
        }
        if self.wants(Kind::Path) {
            let taken = path(&samples, &ideal);
            self.enter(Kind::Path, Some(bound * 1200.0), taken);
        }
        if self.wants(Kind::Arrival) {
            let taken = arrival(&samples, &ideal, &script);
            self.enter(Kind::Arrival, None, taken);
        }
        if self.wants(Kind::Rate) {
            let taken = self.rate(&samples)?;
            self.enter(Kind::Rate, None, taken);
        }
        self.spent.control += clock.elapsed().as_secs_f64();
        if self.wants(Kind::Onset) {
            let taken = self.onset(controller, bound)?;
            self.enter(Kind::Onset, Some((BLOCK - 1) as f64), taken);
        }
        Ok(())
    }

    /// Worst deviation of the end of a stage, in samples, and its limit.
    fn stage_time(&self, samples: &[f64], ideal: &Ideal) -> (f64, Taken) {
        let options = match self.twin {
            Twin::Exact => Options::F64,
            Twin::Float => Options { tolerance: ideal.bound(Twin::Float), ..Options::F32 },
            Twin::Fixed => Options::Q31,
        };
        let mut limit: f64 = 0.0;
        let (mut placed, mut smooth) = (0, 0);
        let mut worst: Option<(f64, f64, String)> = None;
        let mut keep = |deviation: f64, doubt: f64, part: &Part, length: usize| {
            limit = limit.max(ideal.end_error(self.twin, length));
            if worst.as_ref().is_none_or(|(most, ..)| deviation.abs() > most.abs()) {
                worst = Some((deviation, doubt, format!("end of {} at {}", part.name, part.end)));
            }
        };
        for (index, part) in ideal.parts.iter().enumerate() {
            if !part.complete || part.end <= part.start || part.end >= samples.len() {
                continue;
            }
            let length = part.end - part.start;
            if part.settles {
                // A stage that creeps has no corner: the trace stands still from its end on.
                let until = ideal.parts[index + 1..]
                    .iter()
                    .find(|next| next.end > next.start)
                    .map_or(samples.len(), |next| next.end);
                let own = &samples[part.start..until];
                let Some(rest) = own.last() else { continue };
                let still = own.iter().rposition(|level| level != rest).map_or(0, |last| last + 1);
                keep(still as f64 - length as f64, 0.0, part, length);
                continue;
            }
            // Only what surrounds the corner: a neighbour on either side, whole.
            let next = ideal.parts[index + 1..].iter().find(|next| next.end > next.start);
            let Some(next) = next else { continue };
            let from = part.start;
            let found = match stages::find(&samples[from..next.end.min(samples.len())], &options) {
                Ok(found) => found,
                Err(why) => return (limit, Err(unreadable(why))),
            };
            let expected = length as f64;
            let nearest = found.iter().skip(1).min_by(|a, b| {
                (a.start.value - expected).abs().total_cmp(&(b.start.value - expected).abs())
            });
            match nearest {
                // A corner known to half a sample is known to the sample.
                Some(corner) if corner.start.uncertainty <= 0.5 => {
                    keep(corner.first as f64 - expected, 0.0, part, length);
                    placed += 1;
                }
                Some(_) => smooth += 1,
                None => {
                    let what = format!("no corner where {} ends, at {}", part.name, part.end);
                    return (limit, Err(unreadable(what)));
                }
            }
        }
        let taken = match worst {
            // Where neighbours part too slowly, `rounding` has to do.
            Some((deviation, doubt, what)) if smooth > 0 => {
                let all = placed + smooth;
                let what = format!("{what}; {smooth} of {all} corners are too smooth to place");
                Ok((deviation + 0.0, doubt, Some(what)))
            }
            Some((deviation, doubt, what)) => Ok((deviation + 0.0, doubt, Some(what))),
            None if smooth > 0 => Err(unreadable("every corner is too smooth to be placed")),
            None => Err(nothing("no stage comes to an end")),
        };
        (limit, taken)
    }

    /// Deviation of the release from a straight line in dB, and its limit: what the error of a
    /// sample is worth at the lower end.
    fn decay_line(&self, samples: &[f64], ideal: &Ideal) -> (f64, Taken) {
        let release = ideal.parts.iter().rfind(|part| part.settles && part.end > part.start);
        let Some(release) = release else { return (0.0, Err(nothing("nothing decays"))) };
        let own = &samples[release.start..release.end.min(samples.len())];
        let start = ideal.levels[release.start];
        let lowest = start * 10_f64.powf(-DECAY_SPAN_DB / 20.0);
        let limit = db(1.0 + Ideal::decay_error(self.twin, lowest) / lowest);
        // The line is fitted to samples that are off as well.
        let limit = 2.0 * limit;
        let taken = Decay::fit(own, f64::from(self.rate_hz), DECAY_SPAN_DB, 0.0)
            .map_err(unreadable)
            .map(|decay| {
                let at = release.start + decay.worst_index;
                (decay.deviation_db.value, 0.0, Some(format!("at sample {at}")))
            });
        (limit, taken)
    }

    /// Deviation of the frequency in percent.
    fn rate(&self, samples: &[f64]) -> Result<Taken, Error> {
        let word = self.settings.value(&lfo::SHAPE)?;
        if word >= 5.0 {
            return Ok(Err(nothing("a random shape has no cycle to time")));
        }
        let hz = self.settings.value(&lfo::HZ)?;
        let from = controls::full_depth_from(self.settings, self.rate_hz)?;
        let read = LowFrequency::of(&samples[from..], f64::from(self.rate_hz), None);
        Ok(read.map_err(unreadable).map(|read| {
            let found = read.rate_hz();
            let note = Some(format!("{:.9} Hz", found.value));
            (100.0 * (found.value / hz - 1.0), 100.0 * found.uncertainty / hz, note)
        }))
    }

    /// Spread of the onset over all places of an event in a block, in samples.
    fn onset(&mut self, controller: &dyn Controller, bound: f64) -> Result<Taken, Error> {
        let mut spread = Spread::default();
        for place in 0..BLOCK {
            // Every place of a block, in an odd and in an even block: a subject may have longer ones.
            let event = BLOCK + place + place % 2 * BLOCK;
            let script = Script::new(self.rate_hz, self.settings.clone(), 8 * BLOCK)
                .down(event, 0.0, false)
                .in_blocks(BLOCK);
            let samples = self.render(controller, &script)?;
            let response = Response::Change { least: bound.max(f64::MIN_POSITIVE) };
            match Onsets::find(&samples, &[event], response) {
                Ok(onsets) => spread.add(onsets.min),
                Err(why) => return Ok(Err(unreadable(why))),
            }
        }
        Ok(Ok(spread.taken(self.rate_hz)))
    }
}

/// Worst deviation of a fitted time constant, in percent.
fn time_constant(samples: &[f64], ideal: &Ideal, bound: f64) -> Taken {
    let mut worst: Option<(f64, f64, String)> = None;
    for part in &ideal.parts {
        let Some(tau) = part.tau else { continue };
        // A stage that ends early must not bring in what follows; its curve is known before.
        let length = part.end.min(samples.len()).saturating_sub(part.start);
        let range: Range<usize> = part.start..part.start + length - length / 8;
        if range.len() < FIT_SAMPLES {
            continue;
        }
        let fit = Exponential::fit(&samples[range]).map_err(unreadable)?;
        let found = fit.time_constant;
        let (deviation, doubt) =
            (100.0 * (found.value / tau - 1.0), 100.0 * found.uncertainty / tau.abs());
        if fit.residual_peak > 8.0 * bound.max(1e-12) {
            let what = format!("{} is no exponential: off by {:.1e}", part.name, fit.residual_peak);
            return Err(unreadable(what));
        }
        let beyond = |deviation: f64, doubt: f64| deviation.abs() - doubt;
        if worst.as_ref().is_none_or(|(d, u, _)| beyond(deviation, doubt) > beyond(*d, *u)) {
            worst = Some((deviation, doubt, format!("{}, tau {tau:.1} samples", part.name)));
        }
    }
    let (deviation, doubt, what) =
        worst.ok_or_else(|| nothing("no stage is long and bent enough to be fitted"))?;
    Ok((deviation, doubt, Some(what)))
}

/// Largest step over the largest that the closed form has in the same stage.
fn largest_step(samples: &[f64], ideal: &Ideal, bound: f64) -> Taken {
    let mut regions = Vec::new();
    for part in &ideal.parts {
        let end = part.end.min(samples.len());
        if part.start >= end {
            continue;
        }
        // Two samples, each off by the bound.
        let allowed = (part.largest_step + 2.0 * bound).max(f64::MIN_POSITIVE);
        if part.start > 0 {
            let before = ideal.levels[part.start] - ideal.levels[part.start - 1];
            let bound = (before.abs() + 2.0 * bound).max(f64::MIN_POSITIVE);
            regions.push(Region { samples: part.start..part.start + 1, bound });
        }
        regions.push(Region { samples: part.start + 1..end, bound: allowed });
    }
    let worst = steps::worst(samples, &regions).map_err(unreadable)?;
    let note = format!("{:.2e} at sample {}", worst.step.size, worst.step.index);
    Ok((worst.ratio, 0.0, Some(note)))
}

/// Samples around the end of an exponential glide that a sample of difference may touch.
const LANDING: usize = 2;

/// Largest deviation of a glide from its closed form, in cents, landings left out.
fn path(samples: &[f64], ideal: &Ideal) -> Taken {
    let (mut got, mut wanted, mut places) = (Vec::new(), Vec::new(), Vec::new());
    let landings: Vec<usize> =
        ideal.parts.iter().filter(|part| part.settles && part.complete).map(|p| p.end).collect();
    for (index, (sample, level)) in samples.iter().zip(&ideal.levels).enumerate() {
        if landings.iter().all(|landing| landing.abs_diff(index) > LANDING) {
            got.push(*sample);
            wanted.push(*level);
            places.push(index);
        }
    }
    let apart = glide::path_deviation(&got, &wanted).map_err(unreadable)?;
    Ok((apart.cents, 0.0, Some(format!("at sample {}", places[apart.index]))))
}

/// Worst deviation of the sample from which a glide stays within a cent of its target.
fn arrival(samples: &[f64], ideal: &Ideal, script: &Script) -> Taken {
    let mut events: Vec<usize> = script.events.iter().map(|(sample, _)| *sample).collect();
    events.push(samples.len());
    let mut worst: Option<(f64, String)> = None;
    for pair in events.windows(2).filter(|pair| pair[1] > pair[0]) {
        let range = pair[0]..pair[1];
        let Some(target) = ideal.levels[range.clone()].last().copied() else { continue };
        let arrived = |trace: &[f64]| {
            glide::arrival(&trace[range.clone()], target, ARRIVED_CENTS).map_err(unreadable)
        };
        let expected = arrived(&ideal.levels)?.ok_or_else(|| unreadable("no arrival"))?;
        let found = arrived(samples)?
            .ok_or_else(|| unreadable(format!("the glide of {} does not arrive", pair[0])))?;
        let deviation = found as f64 - expected as f64;
        if worst.as_ref().is_none_or(|(most, _)| deviation.abs() > most.abs()) {
            let finer = glide::arrival(&samples[range.clone()], target, 0.1 * ARRIVED_CENTS);
            let finer = finer.map_err(unreadable)?.map_or("never".to_owned(), |n| n.to_string());
            let what =
                format!("key at {}: 1 cent after {found} samples, 0.1 after {finer}", pair[0]);
            worst = Some((deviation, what));
        }
    }
    let (deviation, what) = worst.ok_or_else(|| nothing("no glide"))?;
    Ok((deviation, 0.0, Some(what)))
}
