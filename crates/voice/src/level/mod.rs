//! Levels: the mixer, the amplifier behind the filter, and the 16-bit output.
//!
//! A module is one file and one line in [`ENTRIES`].

pub mod amplifier;
pub mod mixer;
pub mod output;

use crate::registry::About;

/// Every level module, in the order of the signal.
pub const ENTRIES: &[About] = &[mixer::ENTRY, amplifier::ENTRY, output::ENTRY];
