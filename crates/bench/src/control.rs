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
use crate::script::{ContourTwin, Control, Controller, MadeControl, Script};
use crate::settings::Settings;
use crate::settings_check::{Device, SettingsCheck};
use crate::subject::Twin;

/// Puts a twin of a contour or a law on the bench, against its own closed form.
///
/// # Errors
/// A module that does not exist or has no readings.
pub fn twin(module: &str, twin: Twin) -> Result<SettingsCheck, Error> {
    let device = if is_contour(module) {
        Device::Controller(Arc::new(ContourTwin::named(module, twin)?))
    } else {
        Device::Law(Arc::new(LawTwin::named(module, twin)?))
    };
    Ok(SettingsCheck { twin: Some(twin), ..SettingsCheck::of(device, module)? })
}

/// Puts a user's contour, glide or low-frequency oscillator on the bench, against the closed
/// form of `module`. `make` starts one for a script: a type of your own that is a
/// [`Control`], or [`crate::per_sample`] around a closure.
///
/// # Errors
/// A module that is no contour.
pub fn contour<F, C>(module: &str, make: F) -> Result<SettingsCheck, Error>
where
    F: Fn(&Script) -> C + Send + Sync + 'static,
    C: Control + 'static,
{
    ContourTwin::named(module, Twin::Exact)?;
    let name = format!("own {module}");
    SettingsCheck::of(Device::Controller(Arc::new(MadeControl::new(name, make))), module)
}

/// Puts a user's law on the bench, against the closed form of `module`. `make` takes the sample
/// rate and the settings, and gives a function from a code to a figure in the module's unit.
///
/// # Errors
/// A module that is no law.
pub fn law<F, L>(module: &str, make: F) -> Result<SettingsCheck, Error>
where
    F: Fn(u32, &Settings) -> L + Send + Sync + 'static,
    L: FnMut(u32) -> f64 + 'static,
{
    LawTwin::named(module, Twin::Exact)?;
    let name = format!("own {module}");
    SettingsCheck::of(Device::Law(Arc::new(MadeLaw::new(name, make))), module)
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
) -> Result<SettingsCheck, Error> {
    ContourTwin::named(module, twin)?;
    Ok(SettingsCheck {
        twin: Some(twin),
        ..SettingsCheck::of(Device::Controller(subject), module)?
    })
}

/// [`against`] for a law.
///
/// # Errors
/// See [`law`].
pub fn law_against(
    subject: Arc<dyn CodeLaw>,
    module: &str,
    twin: Twin,
) -> Result<SettingsCheck, Error> {
    LawTwin::named(module, twin)?;
    Ok(SettingsCheck { twin: Some(twin), ..SettingsCheck::of(Device::Law(subject), module)? })
}

fn is_contour(module: &str) -> bool {
    contours::ENTRIES.iter().any(|entry| entry.name == module)
}
