//! Grades recordings: of an [`oscillator`], or of a [`contour`] and other control traces.
//!
//! Every figure comes with its uncertainty (k = 2) or its floor.

mod contour;
mod oscillator;

pub use contour::{
    Adsr, CONTOUR_PARAMETERS, CONTOUR_SCHEMA, ContourSettings, ContourSheet, Coupling, Played,
    Stage, StageKind, Straightness, contour,
};
pub use oscillator::{HarmonicLevel, SCHEMA, Settings, Sheet, oscillator};

use plumbtone_measure::level;

use crate::error::Error;

/// Flat tops at full scale are clipping; flat tops below it may be the waveform itself.
fn refuse_clipping(samples: &[f64]) -> Result<(), Error> {
    match level::longest_clipped_run(samples) {
        Some(run) if run.value.abs() >= 0.999 => Err(Error::Request(format!(
            "the recording is clipped: {} samples in a row at full scale from sample {}; \
             record it 6 dB lower",
            run.run, run.index
        ))),
        _ => Ok(()),
    }
}
