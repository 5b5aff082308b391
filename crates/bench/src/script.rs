//! Control signals: what contours, glide and low-frequency oscillators are fed, and who answers.

use std::borrow::Cow;

use fixed::types::I6F26;
use plumbtone_voice::contours::{ENTRIES, FixedContour};
use plumbtone_voice::{Contour, ContourEntry, KeyEvent, Rate};

use crate::error::Error;
use crate::expect::controls;
use crate::settings::Settings;
use crate::subject::{Sample, Twin};

/// Key events by sample, and the settings of the module that answers them.
#[derive(Clone, Debug, PartialEq)]
pub struct Script {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Settings of the module.
    pub settings: Settings,
    /// Events with the sample before which they arrive, ascending.
    pub events: Vec<(usize, KeyEvent)>,
    /// Samples of the whole script.
    pub length: usize,
    /// Events wait for the next multiple of so many samples, as firmware that works in blocks
    /// lets them; 1 takes every event at its sample.
    pub block: usize,
}

impl Script {
    /// A script without events.
    pub fn new(rate_hz: u32, settings: Settings, length: usize) -> Self {
        Self { rate_hz, settings, events: Vec::new(), length, block: 1 }
    }

    /// A key goes down before this sample.
    pub fn down(mut self, sample: usize, octaves: f64, legato: bool) -> Self {
        let octaves = I6F26::saturating_from_num(octaves);
        self.events.push((sample, KeyEvent::Down { octaves, legato }));
        self
    }

    /// The last key goes up before this sample.
    pub fn up(mut self, sample: usize) -> Self {
        self.events.push((sample, KeyEvent::Up));
        self
    }

    /// The same events, each kept waiting for the next block of so many samples.
    pub fn in_blocks(self, block: usize) -> Self {
        Self { block: block.max(1), ..self }
    }

    /// Events with the sample at which they take effect.
    pub fn effective(&self) -> impl Iterator<Item = (usize, KeyEvent)> + '_ {
        self.events.iter().map(|(sample, event)| (sample.next_multiple_of(self.block), *event))
    }

    /// Plays the script: `event` takes what arrives, `fill` renders what lies between.
    pub fn play<D: ?Sized>(
        &self,
        device: &mut D,
        out: &mut [f64],
        event: impl FnMut(&mut D, KeyEvent),
        fill: impl FnMut(&mut D, &mut [f64]),
    ) {
        between(self.effective(), device, out, event, fill);
    }
}

/// Hands every event to the device at its sample and fills what lies between. An event at the end
/// or beyond never arrives.
pub(crate) fn between<D: ?Sized, E, S>(
    events: impl Iterator<Item = (usize, E)>,
    device: &mut D,
    out: &mut [S],
    mut event: impl FnMut(&mut D, E),
    mut fill: impl FnMut(&mut D, &mut [S]),
) {
    let mut at = 0;
    for (sample, what) in events {
        let sample = sample.clamp(at, out.len());
        fill(device, &mut out[at..sample]);
        at = sample;
        if at < out.len() {
            event(device, what);
        }
    }
    fill(device, &mut out[at..]);
}

/// A script that lets a module show what it does: a key held for `held` samples; a glide is
/// played an octave up and back.
pub fn demonstration(
    module: &str,
    settings: Settings,
    rate_hz: u32,
    length: usize,
    held: usize,
) -> Script {
    let script = Script::new(rate_hz, settings, length);
    let early = (length / 10).min(held / 2);
    if module == "glide" {
        script.down(0, -1.0, false).down(early, 0.0, true).down(held, -1.0, true)
    } else {
        script.down(0, 0.0, false).up(held)
    }
}

/// Something that makes a control signal from a script.
pub trait Controller: Send + Sync {
    /// Name in reports and failure texts.
    fn name(&self) -> Cow<'_, str>;

    /// Renders from a fresh start: a level with full scale = 1.0, or octaves from A4.
    ///
    /// # Errors
    /// When the script asks for something outside what the subject takes.
    fn render(&self, script: &Script, out: &mut [f64]) -> Result<(), Error>;
}

/// One twin of a contour of the voice crate, or its exact evaluation.
#[derive(Clone, Copy, Debug)]
pub struct ContourTwin {
    entry: &'static ContourEntry,
    twin: Twin,
}

impl ContourTwin {
    /// Takes a module by name.
    ///
    /// # Errors
    /// [`Error::Unknown`].
    pub fn named(module: &str, twin: Twin) -> Result<Self, Error> {
        let entry = ENTRIES.iter().find(|entry| entry.name == module);
        let entry = entry.ok_or_else(|| Error::Unknown {
            kind: "contour",
            name: module.to_owned(),
            choices: ENTRIES.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
        })?;
        Ok(Self { entry, twin })
    }

    /// The module's entry.
    pub fn entry(&self) -> &'static ContourEntry {
        self.entry
    }
}

impl Controller for ContourTwin {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.entry.name)
    }

    fn render(&self, script: &Script, out: &mut [f64]) -> Result<(), Error> {
        let rate = Rate::new(script.rate_hz)?;
        script.settings.lend(|values| {
            match (self.twin, self.entry.fixed) {
                (Twin::Exact, _) => return controls::render_exact(self.entry.name, script, out),
                (Twin::Float, _) => (self.entry.float)(rate, values, &mut |contour| {
                    play(script, contour, out, f64::from);
                })?,
                (Twin::Fixed, FixedContour::Level(lend)) => lend(rate, values, &mut |contour| {
                    play(script, contour, out, |level| level.to_num());
                })?,
                (Twin::Fixed, FixedContour::Octaves(lend)) => lend(rate, values, &mut |contour| {
                    play(script, contour, out, |octaves| octaves.to_num());
                })?,
            }
            Ok(())
        })
    }
}

fn play<S: Copy + Default>(
    script: &Script,
    contour: &mut dyn Contour<S>,
    out: &mut [f64],
    convert: impl Fn(S) -> f64,
) {
    let mut block = [S::default(); crate::subject::BLOCK];
    script.play(
        contour,
        out,
        |contour, event| contour.event(event),
        |contour, out| {
            for part in out.chunks_mut(crate::subject::BLOCK) {
                let block = &mut block[..part.len()];
                contour.process(block);
                for (to, from) in part.iter_mut().zip(block) {
                    *to = convert(*from);
                }
            }
        },
    );
}

/// A user's contour, glide or low-frequency oscillator: a running one, made for a script.
///
/// Closures `FnMut(Option<KeyEvent>) -> sample` are controls too: called once per sample, with
/// the event that arrives before it, if any.
pub trait Control {
    /// Sample format.
    type Sample: Sample;

    /// Takes an event.
    fn event(&mut self, event: KeyEvent);

    /// The next sample.
    fn next_sample(&mut self) -> Self::Sample;
}

/// Made by [`per_sample`].
pub struct PerSample<F> {
    tick: F,
    pending: Option<KeyEvent>,
}

/// A control from a closure that is called once per sample, with the event that arrives before
/// it, if any; of several events at one sample the last counts.
pub fn per_sample<S: Sample, F: FnMut(Option<KeyEvent>) -> S>(tick: F) -> PerSample<F> {
    PerSample { tick, pending: None }
}

impl<S: Sample, F: FnMut(Option<KeyEvent>) -> S> Control for PerSample<F> {
    type Sample = S;

    fn event(&mut self, event: KeyEvent) {
        self.pending = Some(event);
    }

    fn next_sample(&mut self) -> S {
        (self.tick)(self.pending.take())
    }
}

/// A user's module: a function from a script to a running control.
pub struct MadeControl<F> {
    name: String,
    make: F,
}

impl<F, C> MadeControl<F>
where
    F: Fn(&Script) -> C + Send + Sync,
    C: Control,
{
    /// Names the module for reports.
    pub fn new(name: impl Into<String>, make: F) -> Self {
        Self { name: name.into(), make }
    }
}

impl<F, C> Controller for MadeControl<F>
where
    F: Fn(&Script) -> C + Send + Sync,
    C: Control,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.name)
    }

    fn render(&self, script: &Script, out: &mut [f64]) -> Result<(), Error> {
        let mut control = (self.make)(script);
        script.play(&mut control, out, C::event, |control, out| {
            out.fill_with(|| control.next_sample().to_f64());
        });
        Ok(())
    }
}
