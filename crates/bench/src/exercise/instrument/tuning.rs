//! Pitch: of every key, of the beginning of a note, and of two oscillators against each other.

use plumbtone_measure::beats::Beat;
use plumbtone_measure::pitch::{Model, Pitch};
use plumbtone_measure::{cents, wander};
use plumbtone_theory::tuning::key_hz;

use super::{ALONE, Scene};
use crate::error::Error;
use crate::exercise::{clocked, nothing};
use crate::expect::instruments;
use crate::instrument::{Score, Stages, Wire};
use crate::results::Gap;
use crate::subject::Twin;
use crate::worker::{Taken, unreadable};

/// Steps of a cycle.
const CYCLE: f64 = 4_294_967_296.0;
/// A key's pitch is read from here to there, s: contours at rest.
const SETTLED_S: [f64; 2] = [0.1, 2.1];
/// The beginning of a note: from half of its attack on, or from here, for so long, s, and for so
/// many periods.
const BEGINNING_S: f64 = 0.005;
const BEGINNING_LASTS_S: f64 = 0.2;
const BEGINNING_PERIODS: f64 = 7.0;
/// Beats to read, and the longest time that they may take, s.
const BEATS: f64 = 5.0;
const LONGEST_S: f64 = 24.0;
/// The key that beats, A4.
const BEATING: u8 = 69;

impl Scene<'_> {
    /// Every key against equal temperament, with its limit and where the deviation comes from.
    pub(super) fn tuning(&mut self) -> Result<Vec<(u8, Option<f64>, Taken)>, Error> {
        let settings = self.but(&format!(
            "{ALONE} shape-a=triangle filter=ladder cutoff=20000 resonance=0 filter-contour=0 filter-lfo=0 \
             filter-tracking=0 level-attack=0 level-decay=0 level-sustain=1"
        ))?;
        let tune = self.value("tune")?;
        let mut meter = Pitch::new();
        let mut read = Vec::with_capacity(self.keys.len());
        for &key in self.keys {
            let hz = key_hz(f64::from(key) + tune / 100.0);
            let score = self.score(SETTLED_S[1]).down(0, key);
            let limit = self.which.map(|twin| instruments::pitch_cents(twin, hz, self.hz()));
            let heard = match self.sound(&score, &settings)? {
                Ok(heard) => heard,
                Err(gap) => {
                    read.push((key, limit, Err(gap)));
                    continue;
                }
            };
            let settled = &heard[self.at(SETTLED_S[0])..];
            let found = clocked(&mut self.spent.pitch, || {
                meter.estimate(settled, f64::from(self.rate_hz), Some(hz), &Model::default())
            });
            let parts = self.parts(&score, &settings, hz)?;
            let taken = found.map_err(unreadable).map(|found| {
                let off = found.cents_from(hz);
                let note = parts.map(|[law, increment]| {
                    let rest = off.value - law - increment;
                    format!("law {law:+.1e}, increment {increment:+.1e}, all behind {rest:+.1e}")
                });
                (off.value, off.uncertainty, note)
            });
            read.push((key, limit, taken));
        }
        Ok(read)
    }

    /// What the pitch law and what the rounding of the increment do to a pitch, in cents.
    fn parts(
        &mut self,
        score: &Score,
        settings: &crate::Settings,
        hz: f64,
    ) -> Result<Option<[f64; 2]>, Error> {
        let Some(twin) = self.player.staged() else { return Ok(None) };
        // The increment stands still: a few samples show it.
        let score = Score { length: 16, ..score.clone() };
        let increments = self.wire(&score, settings, Stages::all(twin), Wire::IncrementA)?;
        let Some(&bits) = increments.last() else { return Ok(None) };
        let rate_hz = self.hz();
        let whole = cents(bits / CYCLE * rate_hz, hz);
        let increment = cents((hz / rate_hz * CYCLE).round() / CYCLE * rate_hz, hz);
        Ok(Some([whole - increment, increment]))
    }

    /// How far filter and contours bend the beginning of a note.
    pub(super) fn bending(&mut self) -> Result<Vec<(u8, Taken)>, Error> {
        let settings = self.but(ALONE)?;
        let tune = self.value("tune")?;
        let begins_s = BEGINNING_S.max(0.5 * self.value("level-attack")?);
        let from = self.at(begins_s);
        let mut read = Vec::with_capacity(self.keys.len());
        for &key in self.keys {
            let hz = key_hz(f64::from(key) + tune / 100.0);
            let lasts_s = BEGINNING_LASTS_S.max(BEGINNING_PERIODS / hz);
            let score = self.score(begins_s + lasts_s).down(0, key);
            let taken = match self.player.staged() {
                Some(twin) => self.bending_by_stage(&score, &settings, twin, hz, from)?,
                None => self.sound(&score, &settings)?.and_then(|heard| {
                    let off = self.beginning(&heard[from..], hz)?;
                    Ok((off.0, off.1, None))
                }),
            };
            read.push((key, taken));
        }
        Ok(read)
    }

    fn bending_by_stage(
        &mut self,
        score: &Score,
        settings: &crate::Settings,
        twin: Twin,
        hz: f64,
        from: usize,
    ) -> Result<Taken, Error> {
        let wires = [Wire::Mixed, Wire::Blocked, Wire::Amplified];
        let played = self.staged(score, settings, Stages::all(twin), &wires)?;
        let mut pitches = Vec::with_capacity(wires.len());
        for (_, samples) in &played.captures {
            match self.beginning(&samples[from..], hz) {
                Ok(pitch) => pitches.push(pitch),
                Err(gap) => return Ok(Err(gap)),
            }
        }
        let [mixed, filtered, amplified] = pitches[..] else {
            return Ok(Err(nothing("a wire is missing")));
        };
        let (filter, level) = (filtered.0 - mixed.0, amplified.0 - filtered.0);
        let note = format!("filter {filter:+.3}, level contour {level:+.3}");
        Ok(Ok((amplified.0, amplified.1, Some(note))))
    }

    /// Deviation in cents and its uncertainty.
    fn beginning(&mut self, samples: &[f64], hz: f64) -> Result<(f64, f64), (Gap, String)> {
        let rate_hz = self.hz();
        let read = clocked(&mut self.spent.pitch, || wander::mean_offset(samples, rate_hz, hz));
        let offset = read.map_err(unreadable)?;
        Ok((cents(hz + offset.value, hz), cents(hz + offset.uncertainty, hz)))
    }

    /// Both oscillators in unison but for their detune.
    pub(super) fn beat(&mut self) -> Result<(Option<f64>, Taken), Error> {
        let detune = self.value("detune")?;
        if detune == 0.0 || self.value("sync")? != 0.0 {
            return Ok((None, Err(nothing("its oscillators do not beat: no detune, or sync"))));
        }
        if self.value("gain-a")? * self.value("gain-b")? == 0.0 {
            return Ok((None, Err(nothing("one oscillator alone does not beat"))));
        }
        let settings = self.but(
            "interval=0 gain-noise=0 pitch-lfo=0 filter-lfo=0 glide=0 filter=ladder \
             filter-contour=0 cutoff=20000 resonance=0 level-attack=0 level-decay=0 \
             level-sustain=1 dither=off",
        )?;
        let hz = key_hz(f64::from(BEATING) + self.value("tune")? / 100.0);
        let expected = hz * ((detune / 1200.0).exp2() - 1.0).abs();
        let seconds = (BEATS / expected).clamp(2.0, LONGEST_S);
        let score = self.score(seconds).down(0, BEATING);
        let heard = match self.sound(&score, &settings)? {
            Ok(heard) => heard,
            Err(gap) => return Ok((None, Err(gap))),
        };
        let limit = self
            .which
            .map(|twin| 100.0 * instruments::beat_hz(twin, hz, detune, self.hz()) / expected);
        let slowest = 0.5 * expected;
        let taken = Beat::of(&heard, self.hz(), hz, slowest).map_err(unreadable).map(|beat| {
            let note = format!("{:.6} Hz of {expected:.6} Hz", beat.rate_hz.value);
            let percent = 100.0 / expected;
            let off = percent * (beat.rate_hz.value - expected);
            (off, percent * beat.rate_hz.uncertainty, Some(note))
        });
        Ok((limit, taken))
    }
}
