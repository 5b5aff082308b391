//! Instruments: whole voices that play a score, twin by twin or stage by stage.
//!
//! ```
//! use plumbtone::{InstrumentTwin, Preset, Score, Twin};
//!
//! let preset = Preset::named("foghorn")?;
//! // A3 for a second, and a second more to fall silent.
//! let score = Score::new(44_100, 88_200).down(0, 57).up(44_100, 57);
//! let fixed = InstrumentTwin::named("tideorgan", Twin::Fixed)?;
//! let samples = fixed.render(&score, &preset.settings)?;
//! assert_eq!(samples.len(), 88_200);
//! # Ok::<(), plumbtone::Error>(())
//! ```

mod midi;
mod preset;
mod score;
mod staged;
mod text;

use plumbtone_voice::instruments::ENTRIES;
use plumbtone_voice::{InstrumentEntry, Rate};

pub use preset::{Preset, presets};
pub use score::Score;
pub use staged::{Rendering, Stage, StagedVoice, Stages, Wire};

use crate::error::Error;
use crate::settings::Settings;
use crate::subject::Twin;

/// One twin of an instrument of the voice crate.
#[derive(Clone, Copy, Debug)]
pub struct InstrumentTwin {
    entry: &'static InstrumentEntry,
    twin: Twin,
}

impl InstrumentTwin {
    /// Takes an instrument by name.
    ///
    /// # Errors
    /// [`Error::Unknown`]; [`Error::Request`] for the exact evaluation, which exists for the parts
    /// only.
    pub fn named(instrument: &str, twin: Twin) -> Result<Self, Error> {
        let found = ENTRIES.iter().find(|entry| entry.name == instrument);
        let entry = found.ok_or_else(|| Error::Unknown {
            kind: "instrument",
            name: instrument.to_owned(),
            choices: ENTRIES.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
        })?;
        if twin == Twin::Exact {
            return Err(Error::Request(format!(
                "`{instrument}` has no exact evaluation as a whole: choose float or fixed"
            )));
        }
        Ok(Self { entry, twin })
    }

    /// The instrument's entry.
    pub fn entry(&self) -> &'static InstrumentEntry {
        self.entry
    }

    /// Plays a score from power-up to its end.
    ///
    /// # Errors
    /// A sample rate or a setting out of range.
    pub fn render(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error> {
        let rate = Rate::new(score.rate_hz)?;
        let lend = if self.twin == Twin::Float { self.entry.float } else { self.entry.fixed };
        let mut out = vec![0; score.length];
        settings.lend(|values| {
            lend(rate, values, &mut |instrument| {
                score.play(
                    instrument,
                    &mut out,
                    |instrument, event| instrument.event(event),
                    |instrument, part| instrument.process(part),
                );
            })
        })?;
        Ok(out)
    }
}
