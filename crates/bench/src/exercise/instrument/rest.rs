//! What is left when all keys are up, and of one note when the next one sounds.

use plumbtone_measure::db;
use plumbtone_measure::line::Line;
use plumbtone_measure::silence::Silence;
use plumbtone_theory::tuning::key_hz;

use super::{ALONE, Found, Read, Scene};
use crate::exercise::nothing;
use crate::expect::instruments;
use crate::instrument::Score;
use crate::results::Kind;
use crate::worker::{Taken, unreadable};

/// The key, A3, and how long it is held, s.
const KEY: u8 = 57;
const HELD_S: f64 = 1.0;
/// What a voice gets to fall silent in beyond its release, s.
const PATIENCE_S: f64 = 2.0;
/// The key that follows, E4: no harmonic of it comes near A3.
const NEXT_KEY: u8 = 64;

/// What came after the key was let go.
pub(super) struct Rest {
    silence: Silence,
    rate_hz: f64,
    /// When the closed form of the release is 0, s.
    release_s: f64,
    waited_s: f64,
}

impl Scene<'_> {
    pub(super) fn rest(&mut self, at_least_s: f64) -> Found<Rest> {
        let release_s = instruments::release_s(self.value("level-release")?);
        // The last quarter is listened to: by then the contour must be 0.
        let waited_s = (1.5 * release_s + PATIENCE_S).max(at_least_s + PATIENCE_S);
        let up = self.at(HELD_S);
        let score = self.score(HELD_S + waited_s).down(0, KEY).up(up, KEY);
        let heard = match self.sound(&score, self.settings)? {
            Ok(heard) => heard,
            Err(gap) => return Ok(Err(gap)),
        };
        let rate_hz = self.hz();
        let silence = Silence::of(&heard[up..], rate_hz).map_err(unreadable);
        Ok(silence.map(|silence| Rest { silence, rate_hz, release_s, waited_s }))
    }

    /// A3, then E4 with nothing that could sound like A3.
    pub(super) fn leakage(&mut self) -> Read {
        let settings = self.but(&format!("{ALONE} filter-lfo=0"))?;
        let [change, from, to] = [1.5, 2.0, 3.5].map(|seconds| self.at(seconds));
        let score =
            Score::new(self.rate_hz, to).down(0, KEY).up(change, KEY).down(change, NEXT_KEY);
        let heard = match self.sound(&score, &settings)? {
            Ok(heard) => heard,
            Err(gap) => return Ok(Err(gap)),
        };
        let hz = key_hz(f64::from(KEY) + self.value("tune")? / 100.0);
        let line = |samples: &[f64]| Line::at(samples, self.hz(), hz).map_err(unreadable);
        let read = line(&heard[..change]).and_then(|own| Ok((own, line(&heard[from..])?)));
        Ok(read.map(|(own, left)| {
            // Below the floor a line cannot be told from what surrounds it.
            let most = left.amplitude.value.max(left.floor);
            let doubt =
                left.amplitude.uncertainty / most + own.amplitude.uncertainty / own.amplitude.value;
            (db(most / own.amplitude.value), db(1.0 + doubt), None)
        }))
    }
}

impl Rest {
    /// Longest time to silence.
    pub(super) fn limit(&self, kind: Kind) -> Option<f64> {
        // A sample more: the release begins in the sample after its event.
        (kind == Kind::Silence).then_some(self.release_s + 1.0 / self.rate_hz)
    }

    pub(super) fn take(&self, kind: Kind) -> Taken {
        let Silence { last_sound, digital, level_dbfs, line, .. } = &self.silence;
        match kind {
            Kind::Silence if !digital => {
                let waited = self.waited_s;
                Ok((waited, 0.0, Some("at least: it is not silent yet".to_owned())))
            }
            Kind::Silence => {
                let samples = last_sound.map_or(0, |last| last + 1);
                let closed = format!("the release is 0 after {:.3} s", self.release_s);
                Ok((samples as f64 / self.rate_hz, 0.0, Some(closed)))
            }
            Kind::Whisper => {
                let note = digital.then(|| "digital silence".to_owned());
                Ok((level_dbfs.value, level_dbfs.uncertainty, note))
            }
            Kind::Hum => Ok(match line {
                Some(tone) => (tone.dbfs, 0.0, Some(format!("{:.1} Hz", tone.hz))),
                None => (f64::NEG_INFINITY, 0.0, Some("no line stands out".to_owned())),
            }),
            _ => Err(nothing("is not read of a release")),
        }
    }
}
