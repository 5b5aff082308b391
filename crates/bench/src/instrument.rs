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

use std::borrow::Cow;
use std::sync::Arc;

use plumbtone_voice::instruments::ENTRIES;
use plumbtone_voice::{Instrument, InstrumentEntry, Rate};

pub use preset::{Preset, presets};
pub use score::Score;
pub use staged::{Rendering, Stage, StagedVoice, Stages, Wire};

use crate::error::Error;
use crate::settings::Settings;
use crate::settings_check::{Device, SettingsCheck};
use crate::subject::Twin;

/// Something that plays a score.
pub trait Player: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// Plays a score from power-up to its end.
    ///
    /// # Errors
    /// When the score or the settings ask for something outside what the player takes.
    fn play(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error>;

    /// Which twin of `tideorgan` it is, where the bench may look between the stages.
    fn staged(&self) -> Option<Twin> {
        None
    }
}

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

impl Player for InstrumentTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.entry.name)
    }

    fn play(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error> {
        self.render(score, settings)
    }

    fn staged(&self) -> Option<Twin> {
        Some(self.twin)
    }
}

/// A user's voice: a function from a sample rate and settings to what takes events and ticks.
struct MadePlayer<F> {
    name: String,
    make: F,
}

impl<F, I> Player for MadePlayer<F>
where
    F: Fn(u32, &Settings) -> I + Send + Sync,
    I: Instrument,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.name)
    }

    fn play(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error> {
        let mut out = vec![0; score.length];
        let mut voice = (self.make)(score.rate_hz, settings);
        score.play(&mut voice, &mut out, I::event, I::process);
        Ok(out)
    }
}

/// Puts a twin of an instrument on the bench.
///
/// # Errors
/// As [`InstrumentTwin::named`].
pub fn twin(instrument: &str, twin: Twin) -> Result<SettingsCheck, Error> {
    against(Arc::new(InstrumentTwin::named(instrument, twin)?), instrument, twin)
}

/// Puts a user's voice on the bench; it takes the settings of `instrument`. `make` gets the
/// sample rate and the settings, and gives a voice that is silent, as after power-up.
///
/// ```
/// use plumbtone::voice::{Event, Instrument};
/// use plumbtone::{Kind, instrument};
///
/// /// A panel that only ever plays a soft square wave at A4, while any key is down.
/// struct Tick(u32, bool);
///
/// impl Instrument for Tick {
///     fn event(&mut self, event: Event) {
///         self.1 = matches!(event, Event::Down { .. });
///     }
///     fn tick(&mut self) -> i16 {
///         self.0 = (self.0 + 440) % 44_100;
///         let level = if self.0 < 22_050 { 1000 } else { -1000 };
///         if self.1 { level } else { 0 }
///     }
/// }
///
/// instrument::own("tideorgan", |_rate_hz, _settings| Tick(0, false))?
///     .rates([44_100])
///     .limit(Kind::Whisper, -120.0)
///     .limit(Kind::Dc, -60.0)
///     .assert();
/// # Ok::<(), plumbtone::Error>(())
/// ```
///
/// # Errors
/// An instrument that does not exist.
pub fn own<F, I>(instrument: &str, make: F) -> Result<SettingsCheck, Error>
where
    F: Fn(u32, &Settings) -> I + Send + Sync + 'static,
    I: Instrument + 'static,
{
    InstrumentTwin::named(instrument, Twin::Float)?;
    let made = MadePlayer { name: format!("own {instrument}"), make };
    SettingsCheck::of(Device::Instrument(Arc::new(made)), instrument)
}

/// Holds any voice against a twin: a port that is to be the same, or one that was broken on
/// purpose.
///
/// # Errors
/// As [`InstrumentTwin::named`].
pub fn against(
    player: Arc<dyn Player>,
    instrument: &str,
    twin: Twin,
) -> Result<SettingsCheck, Error> {
    InstrumentTwin::named(instrument, twin)?;
    let check = SettingsCheck::of(Device::Instrument(player), instrument)?;
    Ok(SettingsCheck { twin: Some(twin), ..check })
}
