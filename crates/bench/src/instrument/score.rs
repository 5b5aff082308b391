//! What an instrument plays: events by sample.

use std::path::Path;

use plumbtone_voice::Event;

use super::{midi, text};
use crate::error::Error;
use crate::script::between;

/// Key and control events by sample.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Score {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Events with the sample before which they arrive, ascending.
    pub events: Vec<(usize, Event)>,
    /// Samples of the whole score.
    pub length: usize,
    /// Events wait for the next multiple of so many samples, as firmware that works in blocks
    /// lets them; 1 takes every event at its sample.
    pub block: usize,
}

/// How long a score goes on after its last event when it does not say, s.
pub const TAIL_S: f64 = 2.0;
/// The longest score, s.
pub const LONGEST_S: f64 = 3600.0;

impl Score {
    /// A score without events.
    pub fn new(rate_hz: u32, length: usize) -> Self {
        Self { rate_hz, events: Vec::new(), length, block: 1 }
    }

    /// An event before this sample; it comes after those that are there at the same sample.
    pub fn event(mut self, sample: usize, event: Event) -> Self {
        let place = self.events.partition_point(|(other, _)| *other <= sample);
        self.events.insert(place, (sample, event));
        self
    }

    /// A key goes down before this sample; 69 = A4.
    pub fn down(self, sample: usize, key: u8) -> Self {
        self.event(sample, Event::Down { key })
    }

    /// A key goes up before this sample.
    pub fn up(self, sample: usize, key: u8) -> Self {
        self.event(sample, Event::Up { key })
    }

    /// The pitch wheel moves before this sample, 0 to 16383, 8192 at rest.
    pub fn bend(self, sample: usize, code: u16) -> Self {
        self.event(sample, Event::Bend { code })
    }

    /// The level control moves before this sample, 0 to 16383.
    pub fn level(self, sample: usize, code: u16) -> Self {
        self.event(sample, Event::Level { code })
    }

    /// The cutoff control moves before this sample, 0 to 16383, 8192 at rest.
    pub fn cutoff(self, sample: usize, code: u16) -> Self {
        self.event(sample, Event::Cutoff { code })
    }

    /// The same events, each kept waiting for the next block of so many samples.
    pub fn in_blocks(self, block: usize) -> Self {
        Self { block: block.max(1), ..self }
    }

    /// Reads the text form, one event per line: time in seconds, what, value.
    ///
    /// ```text
    /// # Panel 3, the ebb: A2, then E3 before A2 is let go
    /// 0      down 45
    /// 0.9    down 52        # key numbers, 69 = A4, 0 to 127
    /// 1.0    up 45
    /// 1.2    bend 9000      # pitch wheel, 0 to 16383, 8192 at rest
    /// 1.3    cutoff 4096    # cutoff control, 0 to 16383, 8192 at rest
    /// 1.4    level 16383    # level control, 0 to 16383, where it starts
    /// 2      up 52
    /// 3.5    end            # without it two seconds after the last event
    /// ```
    ///
    /// Times never go back and end after an hour; each counts at the nearest sample.
    ///
    /// # Errors
    /// [`Error::Score`] with the line and what to write there; `name` is how it calls the score.
    pub fn from_text(text: &str, name: &str, rate_hz: u32) -> Result<Self, Error> {
        text::read(text, name, rate_hz)
    }

    /// Reads a standard MIDI file of format 0 or 1; all tracks and channels play the one voice.
    ///
    /// Notes become keys, pitch bend the wheel, controller 7 the level (127 full), 74 the cutoff
    /// control (64 at rest), 120 and 123 let all keys go. What a one-voice panel does not have is
    /// passed over: velocities, pedals, programs, other controllers.
    ///
    /// # Errors
    /// [`Error::Score`] when the file is damaged or of another kind.
    pub fn from_midi(bytes: &[u8], name: &str, rate_hz: u32) -> Result<Self, Error> {
        midi::read(bytes, name, rate_hz)
    }

    /// Reads a file: a standard MIDI file if it begins like one, else the text form.
    ///
    /// # Errors
    /// [`Error::File`]; otherwise as [`Score::from_midi`] and [`Score::from_text`].
    pub fn read(path: &Path, rate_hz: u32) -> Result<Self, Error> {
        let bytes = std::fs::read(path).map_err(Error::file("read", path))?;
        let name = path.display().to_string();
        if bytes.starts_with(b"MThd") {
            return Self::from_midi(&bytes, &name, rate_hz);
        }
        let text = std::str::from_utf8(&bytes).map_err(|_| Error::Score {
            score: name.clone(),
            line: None,
            message: "is neither a standard MIDI file nor UTF-8 text".to_owned(),
        })?;
        Self::from_text(text, &name, rate_hz)
    }

    /// Events with the sample at which they take effect.
    pub fn effective(&self) -> impl Iterator<Item = (usize, Event)> + '_ {
        let block = self.block.max(1);
        self.events.iter().map(move |(sample, event)| (sample.next_multiple_of(block), *event))
    }

    /// Plays the score: `event` takes what arrives, `fill` renders what lies between.
    pub fn play<D: ?Sized, S>(
        &self,
        device: &mut D,
        out: &mut [S],
        event: impl FnMut(&mut D, Event),
        fill: impl FnMut(&mut D, &mut [S]),
    ) {
        between(self.effective(), device, out, event, fill);
    }
}
