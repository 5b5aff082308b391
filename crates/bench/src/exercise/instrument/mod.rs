//! Whole voices: what they play, and what is read of it.

mod apart;
mod events;
mod held;
mod rest;
mod tuning;

use plumbtone_measure::level;
use plumbtone_theory::{Reference, references};

use super::{Bench, clocked};
use crate::error::Error;
use crate::instrument::{Player, Rendering, Score, StagedVoice, Stages, Wire};
use crate::results::{Gap, Kind};
use crate::settings::Settings;
use crate::subject::Twin;
use crate::worker::{Bound, Spent, Taken, unreadable};

/// The readings that instruments have.
pub(super) const READINGS: &[Kind] = &[
    Kind::Pitch,
    Kind::Onset,
    Kind::Residual,
    Kind::Stages,
    Kind::Lag,
    Kind::Saturation,
    Kind::Bending,
    Kind::Beat,
    Kind::Loudness,
    Kind::Crest,
    Kind::Click,
    Kind::Leakage,
    Kind::Silence,
    Kind::Whisper,
    Kind::Hum,
    Kind::Dc,
];

/// Something on the way to a reading: the inner error is that of an instrument of measure.
type Found<T> = Result<Result<T, (Gap, String)>, Error>;
/// A reading that may need more than it gets.
type Read = Result<Taken, Error>;

/// Where derived limits come from.
pub(super) const fn because(kind: Kind) -> &'static str {
    match kind {
        Kind::Lag => "both pitch laws at their bounds, for as long as the phrase lasts",
        Kind::Silence => "the contour's release is 0 by then, whatever the sound",
        Kind::Onset => "an event waits for the next block, one sample less than a block at most",
        _ => "half steps of the increments, the bounds of exponential and sum in octaves",
    }
}

/// The work that a reading rests on.
pub(super) const fn reference(kind: Kind) -> Reference {
    match kind {
        Kind::Pitch | Kind::Beat | Kind::Bending => references::EQUAL_TEMPERAMENT,
        Kind::Loudness => references::LOUDNESS,
        _ => references::DEFINITIONS,
    }
}

/// Longest limit on silence that is waited for, s.
const MOST_PATIENCE_S: f64 = 600.0;
/// One oscillator alone, nothing that moves its pitch but the keys.
const ALONE: &str = "gain-a=1 gain-b=0 gain-noise=0 sync=off blend-a=0 pitch-lfo=0 glide=0 \
                     dither=off";

/// One voice under one set of settings.
struct Scene<'a> {
    player: &'a dyn Player,
    module: &'static str,
    settings: &'a Settings,
    rate_hz: u32,
    /// Which twin's arithmetic it is held against; none for a user's own.
    which: Option<Twin>,
    keys: &'a [u8],
    spent: Spent,
}

impl Bench<'_> {
    pub(super) fn instrument(&mut self, player: &dyn Player) -> Result<(), Error> {
        let keys = self.check.keys.clone();
        let mut scene = Scene {
            player,
            module: self.check.module,
            settings: self.settings,
            rate_hz: self.rate_hz,
            which: self.check.twin,
            keys: &keys,
            spent: Spent::default(),
        };
        let name = self.settings.to_string();
        let (mut held, mut rest) = (None, None);
        // A limit on silence is waited for.
        let silence = self.check.asked.iter().find_map(|(kind, bound)| match bound {
            Bound::Required(limit) if *kind == Kind::Silence => Some(*limit),
            _ => None,
        });
        let patience_s = silence.map_or(0.0, |limit| limit.min(MOST_PATIENCE_S));
        for &(kind, _) in &self.check.asked {
            match kind {
                Kind::Pitch => {
                    for (key, limit, taken) in scene.tuning()? {
                        self.enter_at(kind, (Some(key), name.clone()), limit, taken);
                    }
                }
                Kind::Bending => {
                    for (key, taken) in scene.bending()? {
                        self.enter_at(kind, (Some(key), name.clone()), None, taken);
                    }
                }
                Kind::Stages => {
                    for (stage, taken) in scene.stages()? {
                        let place = format!("{name}, {}", stage.name());
                        self.enter_at(kind, (None, place), None, taken);
                    }
                }
                Kind::Residual => self.enter(kind, None, scene.residual()?),
                Kind::Lag => {
                    let (limit, taken) = scene.lag()?;
                    self.enter(kind, limit, taken);
                }
                Kind::Saturation => self.enter(kind, None, scene.saturation()?),
                Kind::Beat => {
                    let (limit, taken) = scene.beat()?;
                    self.enter(kind, limit, taken);
                }
                Kind::Loudness | Kind::Crest | Kind::Dc => {
                    if held.is_none() {
                        held = Some(scene.held()?);
                    }
                    let taken = match &held {
                        Some(Ok(held)) => held.take(kind),
                        Some(Err(gap)) => Err(gap.clone()),
                        None => continue,
                    };
                    self.enter(kind, None, taken);
                }
                Kind::Silence | Kind::Whisper | Kind::Hum => {
                    if rest.is_none() {
                        rest = Some(scene.rest(patience_s)?);
                    }
                    let (limit, taken) = match &rest {
                        Some(Ok(rest)) => (rest.limit(kind), rest.take(kind)),
                        Some(Err(gap)) => (None, Err(gap.clone())),
                        None => continue,
                    };
                    self.enter(kind, limit, taken);
                }
                Kind::Click => self.enter(kind, None, scene.click()?),
                Kind::Leakage => self.enter(kind, None, scene.leakage()?),
                Kind::Onset => self.enter(kind, Some(127.0), scene.onset()?),
                _ => {}
            }
        }
        self.spent.add(&scene.spent);
        Ok(())
    }
}

impl Scene<'_> {
    fn hz(&self) -> f64 {
        f64::from(self.rate_hz)
    }

    /// The sample at so many seconds.
    fn at(&self, seconds: f64) -> usize {
        (seconds * self.hz()).round() as usize
    }

    /// An empty score of so many seconds.
    fn score(&self, seconds: f64) -> Score {
        Score::new(self.rate_hz, self.at(seconds))
    }

    /// A setting of the voice by name.
    fn value(&self, name: &str) -> Result<f64, Error> {
        let parameters = crate::settings::about(self.module)?.parameters;
        let found = parameters.iter().find(|parameter| parameter.name == name);
        let parameter = found.ok_or_else(|| {
            Error::Request(format!("`{}` has no parameter `{name}` to read by", self.module))
        })?;
        self.settings.value(parameter)
    }

    /// The settings, and what a reading needs to be otherwise.
    fn but(&self, text: &str) -> Result<Settings, Error> {
        self.settings.with(self.module, text)
    }

    /// What the voice plays, full scale = 1.0.
    fn play(&mut self, score: &Score, settings: &Settings) -> Result<Vec<f64>, Error> {
        let played = clocked(&mut self.spent.render, || self.player.play(score, settings))?;
        Ok(played.into_iter().map(|sample| f64::from(sample) / 32_768.0).collect())
    }

    /// The same with something to hear in it.
    fn sound(&mut self, score: &Score, settings: &Settings) -> Found<Vec<f64>> {
        let played = self.play(score, settings)?;
        Ok(level::screen(&played).map_err(unreadable).map(|()| played))
    }

    /// What goes over the wires of a voice built of stages.
    fn staged(
        &mut self,
        score: &Score,
        settings: &Settings,
        stages: Stages,
        wires: &[Wire],
    ) -> Result<Rendering, Error> {
        clocked(&mut self.spent.render, || StagedVoice::render(score, settings, stages, wires))
    }

    /// What goes over one wire.
    fn wire(
        &mut self,
        score: &Score,
        settings: &Settings,
        stages: Stages,
        wire: Wire,
    ) -> Result<Vec<f64>, Error> {
        let mut played = self.staged(score, settings, stages, &[wire])?;
        Ok(played.captures.pop().map(|(_, samples)| samples).unwrap_or_default())
    }
}
