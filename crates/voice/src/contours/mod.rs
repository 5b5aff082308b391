//! Contours, glide and low-frequency oscillators: what moves while a key is held.
//!
//! Every module here answers key events and delivers one value per sample. A module is one
//! file and one line in [`ENTRIES`].

pub mod adsr;
pub mod glide;
pub mod lfo;
pub mod multistage;
mod segment;

pub use segment::{RESTART, Restart};

use fixed::types::{I1F31, I6F26};

use crate::error::RangeError;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// What the keyboard side of a voice says at a sample boundary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyEvent {
    /// A note begins.
    Down {
        /// Pitch in octaves from A4; a key is 1/12, rounded to 1.8e-5 cent.
        octaves: I6F26,
        /// Whether another key was still held.
        legato: bool,
    },
    /// The last key is let go.
    Up,
}

/// One twin of a contour. No method can fail, panic or allocate.
pub trait Contour<S> {
    /// Takes an event; it shows from the next step on, so the sample that the following
    /// [`Contour::tick`] returns is the last before the change, unless the module jumps.
    fn event(&mut self, event: KeyEvent);

    /// Returns the present value, then moves on by one sample.
    fn tick(&mut self) -> S;

    /// Fills a block without events. Any partition into blocks gives the same bits.
    fn process(&mut self, out: &mut [S]) {
        for sample in out {
            *sample = self.tick();
        }
    }

    /// Whether the value stays where it is until the next event.
    fn at_rest(&self) -> bool;
}

/// Builds a twin from its values and lends it to the caller.
pub type LendContour<S> =
    fn(Rate, &Values<'_>, &mut dyn FnMut(&mut dyn Contour<S>)) -> Result<(), RangeError>;

/// The fixed twin of a contour, by the format of its output.
#[derive(Clone, Copy, Debug)]
pub enum FixedContour {
    /// A level, 0 to 1 or −1 to 1, in Q1.31; 1 is the largest value, 1 − 2^-31.
    Level(LendContour<I1F31>),
    /// A pitch in octaves from A4, in Q6.26.
    Octaves(LendContour<I6F26>),
}

/// One module of this family, as the benches, `list` and the reports see it.
#[derive(Clone, Copy, Debug)]
pub struct ContourEntry {
    /// Name on the command line and in plans.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Parameters it takes.
    pub parameters: &'static [Parameter],
    /// Float twin; a level, or octaves from A4.
    pub float: LendContour<f32>,
    /// Fixed twin.
    pub fixed: FixedContour,
}

/// Every contour, in the order in which reports show them.
pub const ENTRIES: &[ContourEntry] = &[adsr::ENTRY, multistage::ENTRY, glide::ENTRY, lfo::ENTRY];
