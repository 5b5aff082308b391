//! Requirements on contours, glide, low-frequency oscillators and control laws.
//!
//! ```
//! use plumbtone::{Kind, KeyEvent, control, per_sample};
//!
//! // A panel's own attack: a straight line up in 10 ms, held, and straight down again.
//! control::contour("multistage", |script| {
//!     let step = 1.0 / (0.01 * f64::from(script.rate_hz));
//!     let (mut level, mut target) = (0.0_f64, 0.0_f64);
//!     per_sample(move |event| {
//!         match event {
//!             Some(KeyEvent::Down { .. }) => target = 1.0,
//!             Some(KeyEvent::Up) => target = 0.0,
//!             None => {}
//!         }
//!         let now = level;
//!         level += (target - level).clamp(-step, step);
//!         now
//!     })
//! })?
//! .named("straight attack")
//! .setting("points=2 time-1=0.01 level-1=1 bend-1=0 hold=1 time-2=0.01 level-2=0 bend-2=0")?
//! .rates([44_100])
//! .limit(Kind::StageTime, 0.0)
//! .assert();
//! # Ok::<(), plumbtone::Error>(())
//! ```

use std::sync::Arc;

use plumbtone_voice::contours;

use crate::error::Error;
pub use crate::evidence::Report;
use crate::law::{CodeLaw, LawTwin, MadeLaw};
use crate::results::{Kind, Results};
use crate::run::{self, Run};
use crate::script::{ContourTwin, Control, Controller, MadeControl, Script};
use crate::settings::{self, Settings};
use crate::subject::Twin;
use crate::worker::Bound;

/// What lies on the bench: something that follows a script, or a law.
#[derive(Clone)]
pub(crate) enum Device {
    Controller(Arc<dyn Controller>),
    Law(Arc<dyn CodeLaw>),
}

impl Device {
    fn name(&self) -> String {
        match self {
            Self::Controller(controller) => controller.name().into_owned(),
            Self::Law(law) => law.name().into_owned(),
        }
    }
}

/// A subject with its settings and its limits, held against the closed form of a control
/// module. Nothing runs before [`ControlCheck::run`] or [`ControlCheck::assert`].
#[derive(Clone)]
pub struct ControlCheck {
    pub(crate) device: Device,
    /// Name in reports, where it is not that of the device.
    pub(crate) name: Option<String>,
    /// The module whose closed form it is held against.
    pub(crate) module: &'static str,
    pub(crate) twin: Option<Twin>,
    pub(crate) settings: Vec<Settings>,
    pub(crate) rates_hz: Vec<u32>,
    pub(crate) asked: Vec<(Kind, Bound)>,
    pub(crate) known: Option<String>,
}

/// Puts a twin of a contour or a law on the bench, against its own closed form.
///
/// # Errors
/// A module that does not exist or has no readings.
pub fn twin(module: &str, twin: Twin) -> Result<ControlCheck, Error> {
    let device = if is_contour(module) {
        Device::Controller(Arc::new(ContourTwin::named(module, twin)?))
    } else {
        Device::Law(Arc::new(LawTwin::named(module, twin)?))
    };
    Ok(ControlCheck { twin: Some(twin), ..of(device, module)? })
}

/// Puts a user's contour, glide or low-frequency oscillator on the bench, against the closed
/// form of `module`. `make` starts one for a script: a type of your own that is a
/// [`Control`], or [`crate::per_sample`] around a closure.
///
/// # Errors
/// A module that is no contour.
pub fn contour<F, C>(module: &str, make: F) -> Result<ControlCheck, Error>
where
    F: Fn(&Script) -> C + Send + Sync + 'static,
    C: Control + 'static,
{
    ContourTwin::named(module, Twin::Exact)?;
    let name = format!("own {module}");
    of(Device::Controller(Arc::new(MadeControl::new(name, make))), module)
}

/// Puts a user's law on the bench, against the closed form of `module`. `make` takes the sample
/// rate and the settings, and gives a function from a code to a figure in the module's unit.
///
/// # Errors
/// A module that is no law.
pub fn law<F, L>(module: &str, make: F) -> Result<ControlCheck, Error>
where
    F: Fn(u32, &Settings) -> L + Send + Sync + 'static,
    L: FnMut(u32) -> f64 + 'static,
{
    LawTwin::named(module, Twin::Exact)?;
    let name = format!("own {module}");
    of(Device::Law(Arc::new(MadeLaw::new(name, make))), module)
}

/// Holds any subject against the closed form and the derived limits of a twin: a port that is
/// to be the same module, or one that was broken on purpose.
///
/// # Errors
/// See [`contour`].
pub fn against(
    subject: Arc<dyn Controller>,
    module: &str,
    twin: Twin,
) -> Result<ControlCheck, Error> {
    ContourTwin::named(module, twin)?;
    Ok(ControlCheck { twin: Some(twin), ..of(Device::Controller(subject), module)? })
}

/// [`against`] for a law.
///
/// # Errors
/// See [`law`].
pub fn law_against(
    subject: Arc<dyn CodeLaw>,
    module: &str,
    twin: Twin,
) -> Result<ControlCheck, Error> {
    LawTwin::named(module, twin)?;
    Ok(ControlCheck { twin: Some(twin), ..of(Device::Law(subject), module)? })
}

fn is_contour(module: &str) -> bool {
    contours::ENTRIES.iter().any(|entry| entry.name == module)
}

fn of(device: Device, module: &str) -> Result<ControlCheck, Error> {
    Ok(ControlCheck {
        device,
        name: None,
        module: settings::about(module)?.name,
        twin: None,
        settings: vec![Settings::new()],
        rates_hz: vec![44_100, 48_000],
        asked: Vec::new(),
        known: None,
    })
}

impl ControlCheck {
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

    pub(crate) fn is_law(&self) -> bool {
        matches!(self.device, Device::Law(_))
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
        let run = Run { controls: vec![self.clone()], ..Run::new(self.subject(), Vec::new()) };
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
    /// The report that [`ControlCheck::assert`] would panic with.
    pub fn try_assert(&self) -> Result<(), Report> {
        let results = self.run().map_err(|error| Report::from(&error))?;
        if results.all_good() { Ok(()) } else { Err(Report::of_control(self, &results)) }
    }
}
