//! Control laws: from keys, knobs and voltages to pitch, depth and position.
//!
//! A module is one file and one line in [`ENTRIES`].

pub mod bend;
pub mod depth;
pub mod exp2;
pub mod keys;
pub mod pitch;
pub mod smoothing;
pub mod taper;
pub mod tracking;
pub mod update;

use crate::error::RangeError;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;

/// One twin of a law without memory: a code in, a figure out. Cannot fail, panic or allocate.
pub trait Law {
    /// The figure at `code`, in the entry's unit; exactly what the module's own method returns.
    /// Codes beyond the largest are taken as the largest.
    fn at(&self, code: u32) -> f64;
}

/// One twin of a module that follows a sequence of codes. Cannot fail, panic or allocate.
pub trait Follower {
    /// Takes the code of the present sample and returns the figure, in the entry's unit.
    fn follow(&mut self, code: u32) -> f64;
}

/// Builds a twin of a law from its values and lends it to the caller.
pub type LendLaw = fn(Rate, &Values<'_>, &mut dyn FnMut(&dyn Law)) -> Result<(), RangeError>;

/// Builds a twin of a follower from its values and lends it to the caller.
pub type LendFollower =
    fn(Rate, &Values<'_>, &mut dyn FnMut(&mut dyn Follower)) -> Result<(), RangeError>;

/// What kind of module an entry makes.
#[derive(Clone, Copy, Debug)]
pub enum Made {
    /// A law, as float and as fixed twin.
    Law {
        /// Float twin.
        float: LendLaw,
        /// Fixed twin.
        fixed: LendLaw,
    },
    /// A follower, as float and as fixed twin.
    Follower {
        /// Float twin.
        float: LendFollower,
        /// Fixed twin.
        fixed: LendFollower,
    },
    /// Integers and decisions only: both twins are one.
    Logic,
}

/// One module of this family, as the benches, `list` and the reports see it.
#[derive(Clone, Copy, Debug)]
pub struct ControlEntry {
    /// Name on the command line and in plans.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Parameters it takes.
    pub parameters: &'static [Parameter],
    /// Unit of the figures that it makes.
    pub unit: &'static str,
    /// Number of codes of a law for given values: codes 0 to one less.
    pub codes: fn(&Values<'_>) -> Result<u32, RangeError>,
    /// How to make its twins.
    pub made: Made,
}

/// Every control module, in the order in which reports show them.
pub const ENTRIES: &[ControlEntry] = &[
    pitch::ENTRY,
    exp2::ENTRY,
    bend::ENTRY,
    tracking::ENTRY,
    depth::ENTRY,
    taper::ENTRY,
    smoothing::ENTRY,
    update::ENTRY,
    keys::ENTRY,
];

/// Width of a converter's codes.
pub const BITS: Parameter = Parameter::count("bits", "bits", 10.0, 16.0, 12.0);
