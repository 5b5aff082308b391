//! Grades recordings: an oscillator by its spectrum, a contour by its stages, a filter by its response
//! or its self-oscillation.

pub mod contour;
pub mod filter;
mod oscillator;

use plumbtone_measure::level;

pub use contour::contour;
pub use filter::{filter, self_oscillation};
pub use oscillator::{HarmonicLevel, Settings, Sheet, oscillator};

use crate::error::Error;
use crate::wav::Recording;

/// Value of the field `schema` of every sheet.
pub const SCHEMA: &str = "plumbtone.grade/1";

/// The part of a recording in which the note is steady: no silence before and after it, and
/// a twentieth off either end for attack and decay.
fn steady_part(recording: &Recording) -> Result<&[f64], Error> {
    let samples = &recording.samples;
    level::screen(samples).map_err(Error::measuring("recording"))?;
    let block = (recording.rate_hz / 50) as usize;
    let powers: Vec<f64> = samples
        .chunks(block)
        .map(|chunk| {
            let mean = chunk.iter().sum::<f64>() / chunk.len() as f64;
            chunk.iter().map(|s| (s - mean) * (s - mean)).sum::<f64>() / chunk.len() as f64
        })
        .collect();
    let loudest = powers.iter().copied().fold(0.0, f64::max);
    let sounds = |power: &f64| *power > 0.25 * loudest;
    let first = powers.iter().position(sounds).unwrap_or(0) * block;
    let last = ((powers.iter().rposition(sounds).unwrap_or(0) + 1) * block).min(samples.len());
    let margin = (last - first) / 20;
    let part = &samples[first + margin..last - margin];
    // An even length suits the transform and costs one sample at most.
    Ok(&part[..part.len() & !1])
}

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
