//! How far the twins of a voice lie apart, and which stage makes it so.

use plumbtone_measure::difference::Difference;
use plumbtone_measure::lag;
use plumbtone_measure::{db, level};
use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::Event;

use super::{Found, Read, Scene};
use crate::error::Error;
use crate::evidence::key_name;
use crate::exercise::nothing;
use crate::expect::instruments;
use crate::instrument::{InstrumentTwin, Player, Score, Stage, Stages, Wire};
use crate::subject::Twin;
use crate::worker::{Taken, unreadable};

/// Samples over which a lag is read.
const WINDOW: usize = 4096;

impl Scene<'_> {
    /// Both sides of a comparison before the output stage, or behind it where a voice shows no
    /// more; with the pitch in common where that can be had. Two silent sides would agree.
    fn sides(&mut self, score: &Score, common_pitch: bool) -> Found<[Vec<f64>; 2]> {
        let sides = self.both(score, common_pitch)?;
        Ok(sides
            .iter()
            .try_for_each(|side| level::screen(side))
            .map_err(unreadable)
            .map(|()| sides))
    }

    fn both(&mut self, score: &Score, common_pitch: bool) -> Result<[Vec<f64>; 2], Error> {
        match self.player.staged() {
            Some(twin) => {
                let mut other = Stages::all(other(twin));
                if common_pitch {
                    other = other.with(Stage::Pitch, twin);
                }
                let own = self.wire(score, self.settings, Stages::all(twin), Wire::Amplified)?;
                Ok([own, self.wire(score, self.settings, other, Wire::Amplified)?])
            }
            None => {
                let own = self.play(score, self.settings)?;
                let twin = self.which.unwrap_or(Twin::Fixed);
                let twin = InstrumentTwin::named(self.module, twin)?;
                let reference = twin.play(score, self.settings)?;
                Ok([
                    own,
                    reference.into_iter().map(|sample| f64::from(sample) / 32_768.0).collect(),
                ])
            }
        }
    }

    pub(super) fn residual(&mut self) -> Read {
        let score = instruments::phrase(self.rate_hz);
        let [own, other] = match self.sides(&score, true)? {
            Ok(sides) => sides,
            Err(gap) => return Ok(Err(gap)),
        };
        let apart = match Difference::of(&own, &other) {
            Ok(apart) => apart,
            Err(why) => return Ok(Err(unreadable(why))),
        };
        if apart.rms == 0.0 {
            return Ok(Ok((f64::NEG_INFINITY, 0.0, Some("no sample differs".to_owned()))));
        }
        let note = format!(
            "{:.1} bits; bias {:.1e}; worst {:.1e} FS at {:.3} s, {}",
            apart.effective_bits(),
            apart.bias,
            apart.peak,
            apart.worst_index as f64 / self.hz(),
            sounding(&score, apart.worst_index, self.hz())
        );
        Ok(Ok((db(apart.rms * std::f64::consts::SQRT_2), 0.0, Some(note))))
    }

    /// What each stage does alone, in a voice that is the other twin otherwise.
    pub(super) fn stages(&mut self) -> Result<Vec<(Stage, Taken)>, Error> {
        let Some(twin) = self.player.staged() else { return Ok(Vec::new()) };
        let score = instruments::phrase(self.rate_hz);
        let wires = [Wire::Amplified, Wire::Output];
        let others = Stages::all(other(twin));
        let base = self.staged(&score, self.settings, others, &wires)?;
        let heard = level::screen(&base.captures[0].1).map_err(unreadable);
        let mut stages = Vec::with_capacity(Stage::ALL.len());
        for stage in Stage::ALL {
            if let Err(gap) = &heard {
                stages.push((stage, Err(gap.clone())));
                continue;
            }
            let swapped = others.with(stage, twin);
            let swapped = self.staged(&score, self.settings, swapped, &wires)?;
            // Before the output, where its rounding does not hide the rest.
            let wire = usize::from(stage == Stage::Output);
            let apart = Difference::of(&swapped.captures[wire].1, &base.captures[wire].1);
            let taken = apart.map_err(unreadable).map(|apart| {
                let bits = (apart.rms > 0.0).then(|| format!("{:.1} bits", apart.effective_bits()));
                let note = bits.unwrap_or_else(|| "no sample differs".to_owned());
                (db(apart.rms * std::f64::consts::SQRT_2), 0.0, Some(note))
            });
            stages.push((stage, taken));
        }
        Ok(stages)
    }

    /// The largest lag of the twins, and how far their pitch laws allow them to drift.
    pub(super) fn lag(&mut self) -> Result<(Option<f64>, Taken), Error> {
        let score = instruments::phrase(self.rate_hz);
        let [own, other] = match self.sides(&score, false)? {
            Ok(sides) => sides,
            Err(gap) => return Ok((None, Err(gap))),
        };
        // Both start at the same sample: of a periodic sound no period may be skipped.
        let drift = match lag::drift(&own, &other, WINDOW, Some(0)) {
            Ok(drift) => drift,
            Err(why) => return Ok((None, Err(unreadable(why)))),
        };
        let unlike = drift.iter().find_map(|(start, lag)| Some((start, lag.as_ref().err()?)));
        if let Some((start, why)) = unlike {
            let place = *start as f64 / self.hz();
            return Ok((None, Err(unreadable(format!("at {place:.2} s: {why}")))));
        }
        let drift = drift.into_iter().filter_map(|(start, lag)| Some((start, lag.ok()?)));
        let drift: Vec<_> = drift.collect();
        let worst = drift
            .iter()
            .max_by(|(_, a), (_, b)| a.samples.value.abs().total_cmp(&b.samples.value.abs()));
        let Some((start, worst)) = worst else {
            return Ok((None, Err(nothing("the phrase is silent"))));
        };
        let limit = self.drift_limit(start + WINDOW)?;
        let note =
            format!("{:+.1e} samples at {:.2} s", worst.samples.value, *start as f64 / self.hz());
        Ok((Some(limit), Ok((worst.samples.value.abs(), worst.samples.uncertainty, Some(note)))))
    }

    /// How far the pitch laws let the twins drift apart in so many samples.
    fn drift_limit(&self, samples: usize) -> Result<f64, Error> {
        // The lowest key of the phrase, an oscillator below it, and vibrato.
        let below =
            self.value("interval")?.min(0.0) / 12.0 - self.value("pitch-lfo")?.abs() / 1200.0;
        let hz = key_hz(45.0) * below.exp2();
        Ok(instruments::drift_samples(samples, hz, self.hz()))
    }

    /// Samples at which anything stands at the limit of its format, by stage.
    pub(super) fn saturation(&mut self) -> Read {
        let score = instruments::phrase(self.rate_hz);
        let Some(twin) = self.player.staged() else {
            let played = match self.sound(&score, self.settings)? {
                Ok(played) => played,
                Err(gap) => return Ok(Err(gap)),
            };
            let full = |sample: &&f64| sample.abs() >= 32_767.0 / 32_768.0;
            let count = played.iter().filter(full).count();
            return Ok(Ok((count as f64, 0.0, Some("at the output".to_owned()))));
        };
        let wires = [Wire::Mixed];
        let played = self.staged(&score, self.settings, Stages::all(twin), &wires)?;
        if let Err(why) = level::screen(&played.captures[0].1) {
            return Ok(Err(unreadable(why)));
        }
        let all: usize = played.saturated.iter().map(|(_, count)| count).sum();
        let stages = played.saturated.iter().filter(|(_, count)| *count > 0);
        let stages: Vec<String> =
            stages.map(|(stage, count)| format!("{} {count}", stage.name())).collect();
        let note = if stages.is_empty() { "no stage".to_owned() } else { stages.join(", ") };
        Ok(Ok((all as f64, 0.0, Some(note))))
    }
}

fn other(twin: Twin) -> Twin {
    if twin == Twin::Float { Twin::Fixed } else { Twin::Float }
}

/// "A3 held, 0.041 s after `down 57`".
fn sounding(score: &Score, sample: usize, rate_hz: f64) -> String {
    let mut keys: Vec<u8> = Vec::new();
    let mut last = None;
    for (at, event) in score.effective().take_while(|(at, _)| *at <= sample) {
        match event {
            Event::Down { key } => keys.push(key),
            Event::Up { key } => keys.retain(|other| *other != key),
            _ => {}
        }
        last = Some((at, event));
    }
    let held: Vec<String> = keys.into_iter().map(key_name).collect();
    let held = if held.is_empty() { "no key".to_owned() } else { held.join(" and ") };
    let Some((at, event)) = last else { return "before the first key".to_owned() };
    let what = match event {
        Event::Down { key } => format!("down {key}"),
        Event::Up { key } => format!("up {key}"),
        Event::Bend { code } => format!("bend {code}"),
        Event::Level { code } => format!("level {code}"),
        Event::Cutoff { code } => format!("cutoff {code}"),
    };
    format!("{held} held, {:.3} s after {what}", (sample - at) as f64 / rate_hz)
}
