//! Instruments: whole voices, from key and control events to 16-bit samples.
//!
//! A module is one file and one line in [`ENTRIES`]; the folder of its name holds its parts.

pub mod tideorgan;

use crate::error::RangeError;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// What the panel says at a sample boundary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// A key is pressed.
    Down {
        /// Its number, 69 = A4; beyond 127 it is taken as 127.
        key: u8,
    },
    /// A key is let go.
    Up {
        /// Its number.
        key: u8,
    },
    /// The pitch wheel moves, 0 to 16383, 8192 at rest; beyond, the last code.
    Bend {
        /// Its code.
        code: u16,
    },
    /// The level control moves, 0 to 16383, which is also where it starts; beyond, the last code.
    Level {
        /// Its code.
        code: u16,
    },
    /// The cutoff control moves, 0 to 16383, 8192 at rest; beyond, the last code.
    Cutoff {
        /// Its code.
        code: u16,
    },
}

/// One twin of an instrument. No method can fail, panic or allocate.
pub trait Instrument {
    /// Takes an event. Pitch, cutoff and level controls count from the next [`Instrument::tick`]
    /// on; contours stand still in that tick and move from the one after it.
    fn event(&mut self, event: Event);

    /// The next sample.
    fn tick(&mut self) -> i16;

    /// Fills a block without events. Any partition into blocks gives the same bits.
    fn process(&mut self, out: &mut [i16]) {
        for sample in out {
            *sample = self.tick();
        }
    }
}

/// Builds a twin from its values and lends it to the caller.
pub type LendInstrument =
    fn(Rate, &Values<'_>, &mut dyn FnMut(&mut dyn Instrument)) -> Result<(), RangeError>;

/// One instrument, as the bench, `list` and the reports see it.
#[derive(Clone, Copy, Debug)]
pub struct InstrumentEntry {
    /// Name on the command line.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Parameters it takes.
    pub parameters: &'static [Parameter],
    /// Float twin.
    pub float: LendInstrument,
    /// Fixed twin.
    pub fixed: LendInstrument,
}

/// Every instrument, in the order in which reports show them.
pub const ENTRIES: &[InstrumentEntry] = &[tideorgan::ENTRY];
