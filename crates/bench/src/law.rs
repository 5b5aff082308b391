//! Control laws: what makes a pitch, a depth or a position of a code, and who answers.

use std::borrow::Cow;

use plumbtone_voice::Rate;
use plumbtone_voice::control::{ControlEntry, ENTRIES, Made};

use crate::error::Error;
use crate::expect::laws;
use crate::settings::Settings;
use crate::subject::Twin;

/// Something that makes a figure of a code.
pub trait CodeLaw: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// The figure for every code, one code per sample from a fresh start, in the unit of the
    /// module; `out` is as long as `codes`.
    ///
    /// # Errors
    /// Settings that the law does not take.
    fn read(
        &self,
        rate_hz: u32,
        settings: &Settings,
        codes: &[u32],
        out: &mut [f64],
    ) -> Result<(), Error>;
}

/// Every code of a law once, or for a module with memory some steps up and down.
///
/// # Errors
/// Settings that the module does not take.
pub fn codes(module: &str, settings: &Settings, rate_hz: u32) -> Result<Vec<u32>, Error> {
    let entry = entry(module)?;
    if let Made::Follower { .. } = entry.made {
        return laws::steps(module, settings, rate_hz);
    }
    Ok((0..settings.lend(entry.codes)?).collect())
}

/// One twin of a law of the voice crate, or its exact evaluation.
#[derive(Clone, Copy, Debug)]
pub struct LawTwin {
    entry: &'static ControlEntry,
    twin: Twin,
}

impl LawTwin {
    /// Takes a module by name.
    ///
    /// # Errors
    /// [`Error::Unknown`], also for control modules that are no laws.
    pub fn named(module: &str, twin: Twin) -> Result<Self, Error> {
        let entry = entry(module)?;
        if matches!(entry.made, Made::Logic) {
            let message =
                format!("`{module}` only decides: there is nothing to measure or to render");
            return Err(Error::Request(message));
        }
        Ok(Self { entry, twin })
    }

    /// The module's entry.
    pub fn entry(&self) -> &'static ControlEntry {
        self.entry
    }
}

impl CodeLaw for LawTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.entry.name)
    }

    fn read(
        &self,
        rate_hz: u32,
        settings: &Settings,
        codes: &[u32],
        out: &mut [f64],
    ) -> Result<(), Error> {
        let rate = Rate::new(rate_hz)?;
        let pairs = codes.iter().zip(out);
        match (self.twin, self.entry.made) {
            (Twin::Exact, Made::Follower { .. }) => {
                for ((_, figure), exact) in
                    pairs.zip(laws::followed(self.entry.name, settings, rate_hz, codes)?)
                {
                    *figure = exact;
                }
            }
            (Twin::Exact, _) | (_, Made::Logic) => {
                let exact = laws::Exact::new(self.entry.name, settings, rate_hz)?;
                pairs.for_each(|(&code, figure)| *figure = exact.at(code));
            }
            (twin, Made::Law { float, fixed }) => {
                let lend = if twin == Twin::Float { float } else { fixed };
                let mut pairs = Some(pairs);
                settings.lend(|values| {
                    lend(rate, values, &mut |law| {
                        let pairs = pairs.take().into_iter().flatten();
                        pairs.for_each(|(&code, figure)| *figure = law.at(code));
                    })
                })?;
            }
            (twin, Made::Follower { float, fixed }) => {
                let lend = if twin == Twin::Float { float } else { fixed };
                let mut pairs = Some(pairs);
                settings.lend(|values| {
                    lend(rate, values, &mut |follower| {
                        let pairs = pairs.take().into_iter().flatten();
                        pairs.for_each(|(&code, figure)| *figure = follower.follow(code));
                    })
                })?;
            }
        }
        Ok(())
    }
}

/// The control module of that name.
///
/// # Errors
/// [`Error::Unknown`] with the names there are.
pub fn entry(module: &str) -> Result<&'static ControlEntry, Error> {
    ENTRIES.iter().find(|entry| entry.name == module).ok_or_else(|| Error::Unknown {
        kind: "control module",
        name: module.to_owned(),
        choices: ENTRIES.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
    })
}

/// A user's law: a function from a code to a figure, made for a rate and settings.
pub struct MadeLaw<F> {
    name: String,
    make: F,
}

impl<F, L> MadeLaw<F>
where
    F: Fn(u32, &Settings) -> L + Send + Sync,
    L: FnMut(u32) -> f64,
{
    /// Names the law for reports.
    pub fn new(name: impl Into<String>, make: F) -> Self {
        Self { name: name.into(), make }
    }
}

impl<F, L> CodeLaw for MadeLaw<F>
where
    F: Fn(u32, &Settings) -> L + Send + Sync,
    L: FnMut(u32) -> f64,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.name)
    }

    fn read(
        &self,
        rate_hz: u32,
        settings: &Settings,
        codes: &[u32],
        out: &mut [f64],
    ) -> Result<(), Error> {
        let mut law = (self.make)(rate_hz, settings);
        for (&code, figure) in codes.iter().zip(out) {
            *figure = law(code);
        }
        Ok(())
    }
}
