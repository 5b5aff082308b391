//! The twelve panels of the tide organ.

use serde::Deserialize;

use crate::error::Error;
use crate::settings::Settings;

/// Settings of an instrument under a name.
#[derive(Clone, Debug, PartialEq)]
pub struct Preset {
    /// Its name, as `--preset` takes it.
    pub name: &'static str,
    /// The panel that it is made for, 1 to 12.
    pub panel: u8,
    /// Name of the instrument.
    pub instrument: String,
    /// What it is meant to sound like.
    pub about: String,
    /// Why it never reaches digital silence, where it does not.
    pub whispers: Option<String>,
    /// The settings.
    pub settings: Settings,
}

/// A preset as its file states it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    panel: u8,
    instrument: String,
    about: String,
    whispers: Option<String>,
    settings: toml::Table,
}

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        [$(($name, include_str!(concat!("../../presets/", $name, ".toml")))),*]
    };
}

/// By panel.
const FILES: [(&str, &str); 12] = files![
    "slack-water",
    "spring-tide",
    "neap-tide",
    "ebb",
    "foghorn",
    "bell-buoy",
    "sea-breeze",
    "squall",
    "mooring-line",
    "capstan",
    "lock-gate",
    "gull",
];

impl Preset {
    /// The preset of that name.
    ///
    /// # Errors
    /// [`Error::Unknown`] with the names there are.
    pub fn named(name: &str) -> Result<Self, Error> {
        let found = FILES.iter().find(|(other, _)| *other == name);
        let (name, text) = found.ok_or_else(|| Error::Unknown {
            kind: "preset",
            name: name.to_owned(),
            choices: FILES.map(|(name, _)| name).join(", "),
        })?;
        read(name, text)
    }
}

/// Every preset, by panel.
///
/// # Errors
/// None for the presets that are built in.
pub fn presets() -> Result<Vec<Preset>, Error> {
    FILES.iter().map(|(name, text)| read(name, text)).collect()
}

fn read(name: &'static str, text: &str) -> Result<Preset, Error> {
    let fail =
        |message: String| Error::Score { score: format!("preset {name}"), line: None, message };
    let file: File = toml::from_str(text).map_err(|error| fail(error.message().to_owned()))?;
    let about = crate::settings::about(&file.instrument)?;
    let mut settings = Settings::new();
    for (parameter, value) in &file.settings {
        let value = match value {
            toml::Value::String(word) => word.clone(),
            number => number.to_string(),
        };
        settings
            .set(&format!("module `{}`", about.name), about.parameters, parameter, &value)
            .map_err(|error| fail(error.to_string()))?;
    }
    let File { panel, instrument, about, whispers, .. } = file;
    let settings = settings.called(name);
    Ok(Preset { name, panel, instrument, about, whispers, settings })
}
