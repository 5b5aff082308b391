//! Filters: what they are fed, who answers, and requirements on them.
//!
//! ```
//! use plumbtone::{Kind, filter, voice::Tuning};
//!
//! // A panel's own one-pole low-pass, before it goes into firmware.
//! filter::own("one-pole", |_rate_hz, _settings| {
//!     let mut state = 0.0_f64;
//!     move |input: f64, tuning: &Tuning| {
//!         let g = (std::f64::consts::PI * tuning.cutoff.cycles_per_sample()).tan();
//!         let step = g / (1.0 + g) * (input - state);
//!         let low = state + step;
//!         state = low + step;
//!         low
//!     }
//! })?
//! .setting("cutoff=440")?
//! .rates([44_100])
//! .limit(Kind::Response, 0.001)
//! .assert();
//! # Ok::<(), plumbtone::Error>(())
//! ```

use std::borrow::Cow;
use std::marker::PhantomData;
use std::sync::Arc;

use fixed::types::I1F31;
use plumbtone_theory::evaluation::NO_PUSHES;
use plumbtone_voice::filters::{CUTOFF, ENTRIES, RESONANCE};
use plumbtone_voice::{FilterEntry, Rate, Resonance, Tuning};

use crate::error::Error;
use crate::expect::filters::Expected;
use crate::settings::Settings;
use crate::settings_check::{Device, SettingsCheck};
use crate::subject::{Sample, Twin};

/// What a filter is fed: a sound, and a tuning that may change at any sample.
#[derive(Clone, Debug, PartialEq)]
pub struct Passage {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Settings of the module; cutoff and resonance are those of `tunings`.
    pub settings: Settings,
    /// What goes in, full scale = 1.0.
    pub input: Vec<f64>,
    /// Tunings with the sample from which they hold, ascending; the first from sample 0.
    pub tunings: Vec<(usize, Tuning)>,
}

impl Passage {
    /// A sound under the tuning that the settings name.
    ///
    /// # Errors
    /// A sample rate or a cutoff out of range.
    pub fn new(rate_hz: u32, settings: &Settings, input: Vec<f64>) -> Result<Self, Error> {
        let tunings = vec![(0, tuning(settings, rate_hz)?)];
        Ok(Self { rate_hz, settings: settings.clone(), input, tunings })
    }

    /// The tuning of every sample.
    pub fn tuning_per_sample(&self) -> impl Iterator<Item = Tuning> + '_ {
        let quiet = Tuning { cutoff: Default::default(), resonance: Resonance::default() };
        let (mut now, mut next) = (quiet, 0);
        (0..self.input.len()).map(move |sample| {
            while let Some((_, tuning)) = self.tunings.get(next).filter(|(from, _)| *from <= sample)
            {
                now = *tuning;
                next += 1;
            }
            now
        })
    }
}

/// The tuning that settings name.
///
/// # Errors
/// A sample rate out of range, or a cutoff above half of it.
pub fn tuning(settings: &Settings, rate_hz: u32) -> Result<Tuning, Error> {
    let cutoff = Rate::new(rate_hz)?.increment(settings.value(&CUTOFF)?)?;
    Ok(Tuning { cutoff, resonance: Resonance::new(settings.value(&RESONANCE)?)? })
}

/// Something that turns one sound into another.
pub trait FilterSubject: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// Filters from a fresh start; `out` has the length of the input, full scale = 1.0.
    ///
    /// # Errors
    /// When the passage asks for something outside what the subject takes.
    fn render(&self, passage: &Passage, out: &mut [f64]) -> Result<(), Error>;
}

/// One twin of a filter of the voice crate, or its exact evaluation.
#[derive(Clone, Copy, Debug)]
pub struct FilterTwin {
    entry: &'static FilterEntry,
    twin: Twin,
}

impl FilterTwin {
    /// Takes a module by name.
    ///
    /// # Errors
    /// [`Error::Unknown`].
    pub fn named(module: &str, twin: Twin) -> Result<Self, Error> {
        Ok(Self { entry: entry(module)?, twin })
    }

    /// The module's entry.
    pub fn entry(&self) -> &'static FilterEntry {
        self.entry
    }
}

/// The filter of that name.
///
/// # Errors
/// [`Error::Unknown`] with the names there are.
pub fn entry(module: &str) -> Result<&'static FilterEntry, Error> {
    ENTRIES.iter().find(|entry| entry.name == module).ok_or_else(|| Error::Unknown {
        kind: "filter",
        name: module.to_owned(),
        choices: ENTRIES.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
    })
}

impl FilterSubject for FilterTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.entry.name)
    }

    fn render(&self, passage: &Passage, out: &mut [f64]) -> Result<(), Error> {
        let rate = Rate::new(passage.rate_hz)?;
        let samples = || passage.input.iter().zip(passage.tuning_per_sample());
        passage.settings.lend(|values| {
            match self.twin {
                Twin::Exact => return exact(self.entry, passage, out),
                Twin::Float => (self.entry.float)(rate, values, &mut |filter| {
                    for (out, (input, tuning)) in out.iter_mut().zip(samples()) {
                        *out = f64::from(filter.tick(*input as f32, &tuning));
                    }
                })?,
                Twin::Fixed => (self.entry.fixed)(rate, values, &mut |filter| {
                    for (out, (input, tuning)) in out.iter_mut().zip(samples()) {
                        let input = I1F31::saturating_from_num(*input);
                        *out = filter.tick(input, &tuning).to_num();
                    }
                })?,
            }
            Ok(())
        })
    }
}

/// The published algorithm in f64.
fn exact(entry: &FilterEntry, passage: &Passage, out: &mut [f64]) -> Result<(), Error> {
    let expected = Expected::new(entry.name, &passage.settings)?;
    let mut filter = expected.algorithm().start();
    let samples = passage.input.iter().zip(passage.tuning_per_sample());
    for (out, (input, tuning)) in out.iter_mut().zip(samples) {
        let (cutoff, resonance) = expected.held(&tuning, passage.rate_hz);
        *out = filter.tick(*input, cutoff, resonance, &NO_PUSHES);
    }
    Ok(())
}

/// A user's module: a function from a sample rate and settings to a running filter.
struct MadeFilter<F, S> {
    name: String,
    make: F,
    sample: PhantomData<fn(S) -> S>,
}

impl<F, L, S> FilterSubject for MadeFilter<F, S>
where
    F: Fn(u32, &Settings) -> L + Send + Sync,
    L: FnMut(S, &Tuning) -> S,
    S: Sample,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.name)
    }

    fn render(&self, passage: &Passage, out: &mut [f64]) -> Result<(), Error> {
        let mut tick = (self.make)(passage.rate_hz, &passage.settings);
        let samples = passage.input.iter().zip(passage.tuning_per_sample());
        for (out, (input, tuning)) in out.iter_mut().zip(samples) {
            *out = tick(S::from_f64(*input), &tuning).to_f64();
        }
        Ok(())
    }
}

/// Puts a twin of a filter on the bench, against its own closed form.
///
/// # Errors
/// A module that is no filter.
pub fn twin(module: &str, twin: Twin) -> Result<SettingsCheck, Error> {
    against(Arc::new(FilterTwin::named(module, twin)?), module, twin)
}

/// Puts a user's filter on the bench, against the closed form of `module`. `make` takes the
/// sample rate and the settings and gives a closure that is called once per sample.
///
/// # Errors
/// A module that is no filter.
pub fn own<F, L, S>(module: &str, make: F) -> Result<SettingsCheck, Error>
where
    F: Fn(u32, &Settings) -> L + Send + Sync + 'static,
    L: FnMut(S, &Tuning) -> S + 'static,
    S: Sample + 'static,
{
    entry(module)?;
    let name = format!("own {module}");
    let made = MadeFilter { name, make, sample: PhantomData };
    SettingsCheck::of(Device::Filter(Arc::new(made)), module)
}

/// Holds any filter against the closed form and the derived limits of a twin: a port that is to
/// be the same module, or one that was broken on purpose.
///
/// # Errors
/// A module that is no filter.
pub fn against(
    subject: Arc<dyn FilterSubject>,
    module: &str,
    twin: Twin,
) -> Result<SettingsCheck, Error> {
    entry(module)?;
    Ok(SettingsCheck { twin: Some(twin), ..SettingsCheck::of(Device::Filter(subject), module)? })
}
