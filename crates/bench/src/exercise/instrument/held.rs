//! A held note: loudness, crest, mean.

use plumbtone_measure::level::Level;
use plumbtone_measure::loudness::Loudness;
use plumbtone_measure::window::Window;
use plumbtone_measure::{Reading, db};

use super::{Found, Scene};
use crate::exercise::nothing;
use crate::results::Kind;
use crate::worker::{Taken, unreadable};

/// The key that is held, A3.
const KEY: u8 = 57;
/// How long, s.
const SECONDS: f64 = 2.0;

/// What was heard of it.
pub(super) struct Held {
    level: Level,
    loudness_lkfs: Reading,
    /// Weighted, so that no period is cut: full scale = 1.0.
    mean: f64,
}

impl Scene<'_> {
    pub(super) fn held(&mut self) -> Found<Held> {
        let score = self.score(SECONDS).down(0, KEY);
        let heard = match self.sound(&score, self.settings)? {
            Ok(heard) => heard,
            Err(gap) => return Ok(Err(gap)),
        };
        let weights = Window::BlackmanHarris7.samples(heard.len());
        let weighted: f64 =
            heard.iter().zip(&weights).map(|(sample, weight)| sample * weight).sum();
        let read = Level::of(&heard).and_then(|level| {
            let loudness = Loudness::of(&heard, self.hz())?;
            Ok(Held {
                level,
                loudness_lkfs: loudness.lkfs,
                mean: weighted / weights.iter().sum::<f64>(),
            })
        });
        Ok(read.map_err(unreadable))
    }
}

impl Held {
    pub(super) fn take(&self, kind: Kind) -> Taken {
        let root_two = std::f64::consts::SQRT_2;
        match kind {
            Kind::Loudness => Ok((self.loudness_lkfs.value, self.loudness_lkfs.uncertainty, None)),
            Kind::Crest => {
                let note = format!("peak {:.2} dBFS", db(self.level.peak));
                Ok((db(self.level.crest()), 0.0, Some(note)))
            }
            Kind::Dc => Ok((db(self.mean.abs() * root_two), 0.0, None)),
            _ => Err(nothing("is not read of a held note")),
        }
    }
}
