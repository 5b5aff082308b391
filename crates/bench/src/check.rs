//! Requirements as one readable chain, for `#[test]` functions and for plans alike.
//!
//! ```
//! use plumbtone::check::{self, Shape};
//!
//! // One panel of the tide organ: a ramp with an f64 phase.
//! check::oscillator(Shape::Ramp, |note| {
//!     let (step, mut phase) = (note.hz / note.rate_hz, 0.0_f64);
//!     move || {
//!         let now = 2.0 * phase - 1.0;
//!         phase = (phase + step).fract();
//!         now
//!     }
//! })
//! .named("naive ramp")
//! .keys([45, 57, 69])
//! .rates([44_100])
//! .pitch_within_cents(0.5)
//! .assert();
//! ```

use std::sync::Arc;

use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::Setup;
pub use plumbtone_voice::Shape;

use crate::error::Error;
pub use crate::evidence::Report;
use crate::expect::{NoiseLaw, Yardstick};
use crate::results::{Kind, Results};
use crate::run::{self, Run};
use crate::subject::{Generator, Made, Stimulus, Subject, Twin, VoiceTwin};
use crate::worker::{Anchor, Bound};

/// A subject with its notes and its limits. Nothing runs before [`Check::run`] or
/// [`Check::assert`].
#[derive(Clone)]
pub struct Check {
    pub(crate) subject: Arc<dyn Subject>,
    pub(crate) twin: Option<Twin>,
    pub(crate) yardstick: Option<Arc<Yardstick>>,
    pub(crate) noise: Option<NoiseLaw>,
    pub(crate) anchor: Option<Anchor>,
    pub(crate) shape: Option<Shape>,
    pub(crate) width: f64,
    pub(crate) keys: Vec<u8>,
    pub(crate) rates_hz: Vec<u32>,
    pub(crate) harmonics_up_to_hz: f64,
    pub(crate) asked: Vec<(Kind, Bound)>,
    pub(crate) known: Option<String>,
}

/// Puts a user's oscillator on the bench: `make` starts a note from a stimulus.
///
/// The note is anything that implements [`Generator`]: a closure `FnMut() -> sample`, a type of
/// your own, or [`crate::per_block`] around a closure that fills blocks. Samples may be f32,
/// f64, i16 or i32. Without further words: keys 21 to 108 at 44.1 and 48 kHz, and a name made
/// of the file and line of the call.
#[track_caller]
pub fn oscillator<F, G>(shape: Shape, make: F) -> Check
where
    F: Fn(&Stimulus) -> G + Send + Sync + 'static,
    G: Generator + 'static,
{
    let place = std::panic::Location::caller();
    let file = std::path::Path::new(place.file()).file_stem().unwrap_or_default();
    let name = format!("{}:{}", file.to_string_lossy(), place.line());
    Check::of(Arc::new(Made::new(name, make)), Some(shape))
}

/// Puts a twin of the voice crate on the bench, against its own closed forms.
///
/// # Errors
/// An unknown module, a shape it cannot make, or settings out of range.
pub fn twin(module: &str, twin: Twin, shape: Shape, setup: Setup) -> Result<Check, Error> {
    let subject = VoiceTwin::named(module, twin)?.with_setup(setup);
    let shaped = !subject.entry().shapes.is_empty();
    let stimulus = Stimulus::note(shape, 440.0, 48_000).with_width(setup.width.fraction());
    let setup = subject.setup_for(&stimulus)?;
    let yardstick = Yardstick::new(subject.entry(), &setup)?.map(Arc::new);
    let entry = subject.entry();
    let subject: Arc<dyn Subject> = match (twin, &yardstick) {
        (Twin::Exact, Some(yardstick)) => Arc::clone(yardstick) as _,
        _ => Arc::new(subject),
    };
    Ok(Check {
        twin: Some(twin),
        yardstick,
        noise: NoiseLaw::new(entry)?,
        width: setup.width.fraction(),
        ..Check::of(subject, shaped.then_some(shape))
    })
}

/// Holds any subject against the closed forms and derived limits of a twin: a port that is
/// to be the same module, or a module that was broken on purpose.
///
/// # Errors
/// See [`twin`].
pub fn against(
    subject: Arc<dyn Subject>,
    module: &str,
    which: Twin,
    shape: Shape,
    setup: Setup,
) -> Result<Check, Error> {
    Ok(Check { subject, ..twin(module, which, shape, setup)? })
}

impl Check {
    fn of(subject: Arc<dyn Subject>, shape: Option<Shape>) -> Self {
        Self {
            subject,
            twin: None,
            yardstick: None,
            noise: None,
            anchor: None,
            shape,
            width: 0.5,
            keys: (21..=108).collect(),
            rates_hz: vec![44_100, 48_000],
            harmonics_up_to_hz: 5_000.0,
            asked: Vec::new(),
            known: None,
        }
    }

    /// Names the subject in reports and failure texts.
    pub fn named(mut self, name: &str) -> Self {
        self.subject = Arc::new(Renamed { name: name.to_owned(), subject: self.subject });
        self
    }

    /// Keys to play: 69 is A4 at 440 Hz, 21 to 108 is the piano.
    pub fn keys(mut self, keys: impl IntoIterator<Item = u8>) -> Self {
        self.keys = keys.into_iter().collect();
        self
    }

    /// Sample rates in Hz, 8 000 to 192 000.
    pub fn rates(mut self, rates_hz: impl IntoIterator<Item = u32>) -> Self {
        self.rates_hz = rates_hz.into_iter().collect();
        self
    }

    /// Pulse width, fraction of the cycle. A twin takes its width from its setup instead.
    pub fn width(mut self, fraction: f64) -> Self {
        self.width = fraction;
        self
    }

    /// Every key within so many cents of equal temperament at A4 = 440 Hz.
    pub fn pitch_within_cents(self, cents: f64) -> Self {
        self.ask(Kind::Pitch, Bound::Required(cents))
    }

    /// The strongest alias line between 20 Hz and 20 kHz below so many dB re the fundamental.
    pub fn aliases_below_db(self, db: f64) -> Self {
        self.ask(Kind::WorstAlias, Bound::Required(db))
    }

    /// The power of all aliases between 20 Hz and 20 kHz below so many dB re the harmonics.
    pub fn alias_power_below_db(self, db: f64) -> Self {
        self.ask(Kind::Aliases, Bound::Required(db))
    }

    /// No alias above the masked threshold, by the criterion that every report prints.
    pub fn aliases_inaudible(self) -> Self {
        self.ask(Kind::Audible, Bound::Required(0.0))
    }

    /// Every harmonic up to `up_to_hz` within so many dB of the Fourier series of the shape,
    /// both re the fundamental.
    pub fn harmonics_within_db(mut self, db: f64, up_to_hz: f64) -> Self {
        self.harmonics_up_to_hz = up_to_hz;
        self.ask(Kind::Harmonics, Bound::Required(db))
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

    /// The highest clean note within so many percent of a published one.
    pub fn clean_note_within_percent(mut self, percent: f64, anchor: Anchor) -> Self {
        self.anchor = Some(anchor);
        self.ask(Kind::CleanNote, Bound::Required(percent))
    }

    /// Every limit of this check is expected to be exceeded, and why.
    pub fn expect_failure(mut self, because: &str) -> Self {
        self.known = Some(because.to_owned());
        self
    }

    fn ask(mut self, kind: Kind, bound: Bound) -> Self {
        self.asked.retain(|(asked, _)| *asked != kind);
        self.asked.push((kind, bound));
        self
    }

    /// The stimulus of one key at one rate.
    pub(crate) fn stimulus(&self, key: u8, rate_hz: u32) -> Stimulus {
        let shape = self.shape.unwrap_or_default();
        Stimulus::note(shape, key_hz(f64::from(key)), rate_hz).with_width(self.width)
    }

    /// Measures everything.
    ///
    /// # Errors
    /// A request that makes no sense, or a subject that refuses a stimulus. Limits that are
    /// exceeded are no errors; they are in the results.
    pub fn run(&self) -> Result<Results, Error> {
        let title = self.subject.name().into_owned();
        Ok(run::run(&Run::new(title, vec![self.clone()]))?.0)
    }

    /// Measures everything and panics when a limit is exceeded: worst case first, with the
    /// places of the WAV and the plot.
    ///
    /// # Panics
    /// When a limit is exceeded, any note cannot be read, or the request makes no sense.
    #[track_caller]
    pub fn assert(&self) {
        if let Err(report) = self.try_assert() {
            panic!("{report}");
        }
    }

    /// The same without the panic.
    ///
    /// # Errors
    /// The report that [`Check::assert`] would panic with.
    pub fn try_assert(&self) -> Result<(), Report> {
        let results = self.run().map_err(|error| Report::from(&error))?;
        if results.all_good() { Ok(()) } else { Err(Report::of(self, &results)) }
    }
}

/// A subject under another name.
struct Renamed {
    name: String,
    subject: Arc<dyn Subject>,
}

impl Subject for Renamed {
    fn name(&self) -> std::borrow::Cow<'_, str> {
        std::borrow::Cow::Borrowed(&self.name)
    }

    fn render(&self, stimulus: &Stimulus, out: &mut [f64]) -> Result<(), Error> {
        self.subject.render(stimulus, out)
    }
}
