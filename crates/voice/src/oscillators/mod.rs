//! Oscillators and noise.
//!
//! A module is one file and one line in [`ENTRIES`]; the benches, the suite, `list` and the
//! reports walk that list.

pub mod diffpoly;
pub mod naive;
pub mod pink;
pub mod sine;
pub mod spline2;
pub mod spline4;
pub mod step_table;
pub mod wavetable;
pub mod white;

use crate::registry::Entry;

/// Every oscillator and noise source, in the order in which reports show them.
pub const ENTRIES: &[Entry] = &[
    naive::ENTRY,
    spline2::ENTRY,
    spline4::ENTRY,
    diffpoly::ENTRY_2,
    diffpoly::ENTRY_3,
    diffpoly::ENTRY_4,
    step_table::ENTRY,
    wavetable::ENTRY,
    sine::ENTRY,
    white::ENTRY,
    pink::ENTRY,
];
