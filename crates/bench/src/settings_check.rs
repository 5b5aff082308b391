//! Requirements on modules that are measured by sets of settings: all but oscillators.
//!
//! [`crate::control`], [`crate::filter`], [`crate::instrument`] and [`crate::output`] make such
//! checks.

use std::sync::Arc;

use crate::error::Error;
use crate::evidence::Report;
use crate::exercise;
use crate::filter::FilterSubject;
use crate::instrument::{Player, Preset};
use crate::law::CodeLaw;
use crate::output::Rounder;
use crate::results::{Kind, Results};
use crate::run::{self, Run};
use crate::script::Controller;
use crate::settings::{self, Settings};
use crate::subject::Twin;
use crate::worker::Bound;

/// What lies on the bench.
#[derive(Clone)]
pub(crate) enum Device {
    Controller(Arc<dyn Controller>),
    Law(Arc<dyn CodeLaw>),
    Filter(Arc<dyn FilterSubject>),
    Instrument(Arc<dyn Player>),
    Output(Arc<dyn Rounder>),
}

impl Device {
    fn name(&self) -> String {
        match self {
            Self::Controller(controller) => controller.name().into_owned(),
            Self::Law(law) => law.name().into_owned(),
            Self::Filter(filter) => filter.name().into_owned(),
            Self::Instrument(player) => player.name().into_owned(),
            Self::Output(output) => output.name().into_owned(),
        }
    }
}

/// The readings that a module other than an oscillator has, and whether its twins have a limit for
/// each that is derived.
pub fn readings(module: &str) -> impl Iterator<Item = (Kind, bool)> {
    let derived = exercise::readings(module).iter().map(|kind| exercise::derivable(module, *kind));
    exercise::readings(module).iter().copied().zip(derived.collect::<Vec<_>>())
}

/// A subject with its settings and its limits, held against the closed form of a control
/// module. Nothing runs before [`SettingsCheck::run`] or [`SettingsCheck::assert`].
#[derive(Clone)]
pub struct SettingsCheck {
    pub(crate) device: Device,
    /// Name in reports, where it is not that of the device.
    pub(crate) name: Option<String>,
    /// The module whose closed form it is held against.
    pub(crate) module: &'static str,
    pub(crate) twin: Option<Twin>,
    pub(crate) settings: Vec<Settings>,
    pub(crate) rates_hz: Vec<u32>,
    /// Keys of the readings that go over the keyboard.
    pub(crate) keys: Vec<u8>,
    pub(crate) asked: Vec<(Kind, Bound)>,
    pub(crate) known: Option<String>,
}

impl SettingsCheck {
    /// A check of `device` against the closed form of `module`, that asks nothing yet.
    pub(crate) fn of(device: Device, module: &str) -> Result<Self, Error> {
        Ok(Self::new(device, settings::about(module)?.name))
    }

    /// The same of a module that is known to exist.
    pub(crate) fn new(device: Device, module: &'static str) -> Self {
        Self {
            device,
            name: None,
            module,
            twin: None,
            settings: vec![Settings::new()],
            rates_hz: vec![44_100, 48_000],
            keys: (21..=108).step_by(3).collect(),
            asked: Vec::new(),
            known: None,
        }
    }

    /// Names the subject in reports and failure texts.
    pub fn named(self, name: &str) -> Self {
        Self { name: Some(name.to_owned()), ..self }
    }

    /// Sets of settings, each measured on its own.
    pub fn settings(self, settings: impl IntoIterator<Item = Settings>) -> Self {
        Self { settings: settings.into_iter().collect(), ..self }
    }

    /// One set of settings as text: `attack=0.01 restart=legato`.
    ///
    /// # Errors
    /// A name that the module does not have, or a value out of its range.
    pub fn setting(self, text: &str) -> Result<Self, Error> {
        let settings = Settings::parse(self.module, text)?;
        Ok(self.settings([settings]))
    }

    /// The settings of presets, each measured on its own.
    ///
    /// # Errors
    /// A name that is no preset of the module.
    pub fn presets<'a>(self, names: impl IntoIterator<Item = &'a str>) -> Result<Self, Error> {
        let presets = names.into_iter().map(|name| {
            let preset = Preset::named(name)?;
            if preset.instrument != self.module {
                let (whose, module) = (preset.instrument, self.module);
                let message = format!("preset `{name}` is one of `{whose}`, not of `{module}`");
                return Err(Error::Request(message));
            }
            Ok(preset.settings)
        });
        let settings: Vec<Settings> = presets.collect::<Result<_, Error>>()?;
        Ok(self.settings(settings))
    }

    /// Keys of the readings of an instrument that go over the keyboard, 69 = A4; every third of a
    /// piano when nothing is said.
    pub fn keys(self, keys: impl IntoIterator<Item = u8>) -> Self {
        Self { keys: keys.into_iter().collect(), ..self }
    }

    /// Sample rates in Hz, 8 000 to 192 000.
    pub fn rates(self, rates_hz: impl IntoIterator<Item = u32>) -> Self {
        Self { rates_hz: rates_hz.into_iter().collect(), ..self }
    }

    /// A reading against the limit that arithmetic or a closed form gives; twins only.
    pub fn derived(self, kind: Kind) -> Self {
        self.ask(kind, Bound::Derived)
    }

    /// A reading against a limit in its own unit.
    pub fn limit(self, kind: Kind, limit: f64) -> Self {
        self.ask(kind, Bound::Required(limit))
    }

    /// A reading for the record, without a limit.
    pub fn noted(self, kind: Kind) -> Self {
        self.ask(kind, Bound::Noted)
    }

    /// Every limit of this check is expected to be exceeded, and why.
    pub fn expect_failure(self, because: &str) -> Self {
        Self { known: Some(because.to_owned()), ..self }
    }

    fn ask(mut self, kind: Kind, bound: Bound) -> Self {
        self.asked.retain(|(asked, _)| *asked != kind);
        self.asked.push((kind, bound));
        self
    }

    /// Name of the subject in reports.
    pub fn subject(&self) -> String {
        self.name.clone().unwrap_or_else(|| self.device.name())
    }

    /// How a test asks for it again.
    pub(crate) fn maker(&self) -> String {
        let maker = match self.device {
            Device::Controller(_) => "control::contour",
            Device::Law(_) => "control::law",
            Device::Filter(_) => "filter::own",
            Device::Instrument(_) => "instrument::own",
            Device::Output(_) => return "output::own(...)".to_owned(),
        };
        format!("{maker}({:?}, ...)?", self.module)
    }

    /// Which twin it is held against, if any.
    pub fn which(&self) -> Option<Twin> {
        self.twin
    }

    /// Measures everything.
    ///
    /// # Errors
    /// A request that makes no sense, or a subject that refuses its script. Limits that are
    /// exceeded are no errors; they are in the results.
    pub fn run(&self) -> Result<Results, Error> {
        let run =
            Run { settings_checks: vec![self.clone()], ..Run::new(self.subject(), Vec::new()) };
        Ok(run::run(&run)?.0)
    }

    /// Measures everything and panics when a limit is exceeded: worst case first.
    ///
    /// # Panics
    /// When a limit is exceeded, anything cannot be read, or the request makes no sense.
    #[track_caller]
    pub fn assert(&self) {
        if let Err(report) = self.try_assert() {
            panic!("{report}");
        }
    }

    /// The same without the panic.
    ///
    /// # Errors
    /// The report that [`SettingsCheck::assert`] would panic with.
    pub fn try_assert(&self) -> Result<(), Report> {
        let results = self.run().map_err(|error| Report::from(&error))?;
        if results.all_good() { Ok(()) } else { Err(Report::of_settings(self, &results)) }
    }
}
