//! Output stages: samples in, 16 bits out, and requirements on them.
//!
//! ```
//! use plumbtone::{Kind, output};
//!
//! // A panel's own output, rounded to the nearest without dither.
//! output::own(|input: f64| (input * 32_768.0 + 0.5).floor() as i16)
//!     .rates([44_100])
//!     .limit(Kind::Harmonics, 0.05)
//!     .assert();
//! # Ok::<(), plumbtone::Error>(())
//! ```

use std::borrow::Cow;
use std::sync::Arc;

use fixed::types::I1F31;
use plumbtone_voice::level::output::{self, DITHER};

use crate::error::Error;
use crate::settings::Settings;
use crate::settings_check::{Device, SettingsCheck};
use crate::subject::Twin;

/// Something that makes 16 bits of samples.
pub trait Rounder: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// Rounds from a fresh start; full scale of the input = 1.0.
    ///
    /// # Errors
    /// When the settings ask for something that it cannot do.
    fn round(&self, settings: &Settings, input: &[f64]) -> Result<Vec<i16>, Error>;
}

/// One twin of the output stage, or its definition in f64 without dither.
struct OutputTwin(Twin);

impl Rounder for OutputTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(output::ENTRY.name)
    }

    fn round(&self, settings: &Settings, input: &[f64]) -> Result<Vec<i16>, Error> {
        settings.lend(|values| match self.0 {
            Twin::Float => {
                let mut stage = output::Float::new(values)?;
                Ok(input.iter().map(|&x| stage.tick(x as f32)).collect())
            }
            Twin::Fixed => {
                let mut stage = output::Fixed::new(values)?;
                let samples = input.iter().map(|&x| I1F31::saturating_from_num(x));
                Ok(samples.map(|x| stage.tick(x)).collect())
            }
            Twin::Exact if values.choice(&DITHER)? > 0 => Err(Error::Request(
                "the exact output stage has no dither: choose float or fixed".to_owned(),
            )),
            Twin::Exact => Ok(input.iter().map(|x| (x * 32_768.0 + 0.5).floor() as i16).collect()),
        })
    }
}

/// A user's output stage: a function that is called once per sample.
struct MadeRounder<F>(F);

impl<F: Fn(f64) -> i16 + Send + Sync> Rounder for MadeRounder<F> {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed("own output")
    }

    fn round(&self, _settings: &Settings, input: &[f64]) -> Result<Vec<i16>, Error> {
        Ok(input.iter().map(|&x| (self.0)(x)).collect())
    }
}

/// Puts a twin of the output stage on the bench.
///
/// # Errors
/// None for the twins that there are.
pub fn twin(twin: Twin) -> Result<SettingsCheck, Error> {
    against(Arc::new(OutputTwin(twin)), twin)
}

/// Puts a user's output stage without dither on the bench: a function from a sample, full
/// scale = 1.0, to 16 bits.
pub fn own(round: impl Fn(f64) -> i16 + Send + Sync + 'static) -> SettingsCheck {
    SettingsCheck::new(Device::Output(Arc::new(MadeRounder(round))), output::ENTRY.name)
}

/// Holds any output stage against the derived limits of a twin: one that is to be the same, or
/// one that was broken on purpose.
///
/// # Errors
/// None for the twins that there are.
pub fn against(stage: Arc<dyn Rounder>, twin: Twin) -> Result<SettingsCheck, Error> {
    let check = SettingsCheck::of(Device::Output(stage), output::ENTRY.name)?;
    Ok(SettingsCheck { twin: Some(twin), ..check })
}
