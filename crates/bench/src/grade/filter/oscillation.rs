//! Grades a filter that swings by itself.

use std::fmt;

use plumbtone_measure::db;
use plumbtone_measure::harmonic;
use plumbtone_measure::level::Level;
use plumbtone_measure::pitch::{Model, Pitch};
use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_theory::tuning::key_hz;
use serde::Serialize;

use super::command;
use crate::error::Error;
use crate::evidence::key_name;
use crate::grade::contour::Setting;
use crate::grade::{SCHEMA, refuse_clipping, steady_part};
use crate::wav::Recording;

/// Highest order that is listed.
const TOP: u32 = 7;
/// Most noise beside the tone, re its amplitude.
const NOISY: f64 = 0.1;
/// Equivalent noise bandwidth of the window, HFT223D, in bins (Heinzel et al. 2002).
const NOISE_BINS: f64 = 5.3888;

/// One harmonic of a self-oscillation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Harmonic {
    /// Order, 2 and up.
    pub order: u32,
    /// Level re the fundamental.
    pub level: Reading,
}

/// The grades of a self-oscillation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Oscillation {
    /// Version of this layout.
    pub schema: &'static str,
    /// What was graded: "filter".
    pub graded: &'static str,
    /// From what: "self_oscillation".
    pub from: &'static str,
    /// Sample format of the file.
    pub format: String,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Seconds that were used.
    pub seconds: f64,
    /// Pitch: the cutoff, at the edge of self-oscillation.
    pub pitch: Reading,
    /// Nearest key.
    pub key: u8,
    /// Deviation from the nearest key.
    pub deviation: Reading,
    /// Amplitude of the fundamental, full scale = 1.0.
    pub amplitude: Reading,
    /// Change of the level from the first half to the second, dB.
    pub drift_db: f64,
    /// Orders 2 to 7 below half the rate.
    pub harmonics: Vec<Harmonic>,
    /// Settings of our ladder that swings at this pitch.
    pub settings: Vec<Setting>,
}

/// Grades the recording of a filter that swings by itself.
///
/// # Errors
/// [`Error::Request`] or [`Error::Measure`] in one line for silence, clipping, no steady tone, or a
/// recording that is too short for its pitch.
pub fn self_oscillation(recording: &Recording) -> Result<Oscillation, Error> {
    let rate_hz = f64::from(recording.rate_hz);
    let samples = steady_part(recording)?;
    refuse_clipping(samples)?;
    let unsteady = || {
        Error::Request(
            "no steady tone: record self-oscillation alone, or give the file that was played with \
             --sent"
                .to_owned(),
        )
    };
    let model = Model { max_lines: 8, max_order: 16, band_limited: false };
    let pitch = Pitch::new().estimate(samples, rate_hz, None, &model).map_err(|_| unsteady())?;
    let seconds = samples.len() as f64 / rate_hz;
    let need = 24.0 / pitch.hz;
    if seconds < need {
        return Err(Error::Request(format!(
            "the recording is too short for its pitch: {seconds:.2} s of {:.1} Hz, record {need:.2} \
             s",
            pitch.hz
        )));
    }
    let analysis = harmonic::Harmonic::new(samples.len())
        .and_then(|mut harmonic| harmonic.analyse(samples, rate_hz, pitch.hz, TOP))
        .map_err(Error::measuring("harmonics of the recording"))?;
    let amplitude = analysis.fundamental();
    if pitch.noise_rms > NOISY * amplitude {
        return Err(unsteady());
    }
    let bin = rate_hz / samples.len() as f64;
    // Deviation of a line's amplitude by the noise in its bin; the density is of power. Rounding
    // to the file's own format is the least.
    let least = recording.half_step * recording.half_step / 3.0 / (0.5 * rate_hz);
    let density = analysis.noise_density.unwrap_or(0.0).max(least);
    let doubt = 2.0 * (2.0 * density * bin * NOISE_BINS).sqrt();
    // Whole periods, or their fraction would pass for a change.
    let period = rate_hz / pitch.hz;
    let whole = ((0.5 * samples.len() as f64 / period).floor() * period).round() as usize;
    let halves = (&samples[..whole], &samples[samples.len() - whole..]);
    let size = |half: &[f64]| {
        Level::of(half)
            .map(|level| level.ac_rms)
            .map_err(Error::measuring("level of the recording"))
    };
    let drift_db = db(size(halves.1)? / size(halves.0)?);
    // The window weighs the middle; the level has moved by half the drift to either end.
    let drifted = 0.5 * amplitude * (10f64.powf(drift_db.abs() / 20.0) - 1.0);
    let harmonics = analysis
        .lines
        .iter()
        .filter(|line| line.order > 1 && !line.alias && line.resolved)
        .map(|line| {
            let size = line.amplitude.norm();
            let spread = db(1.0 + doubt / size.max(doubt)).hypot(db(1.0 + doubt / amplitude));
            let floor = db(doubt / amplitude).max(harmonic::FLOOR_DBC);
            let level = Reading::new(db(size / amplitude), Unit::Dbc, spread).with_floor(floor);
            Harmonic { order: line.order, level }
        })
        .collect();
    let key = (69.0 + 12.0 * (pitch.hz / 440.0).log2()).round().clamp(0.0, 127.0) as u8;
    let setting = |name: &str, value: f64, uncertainty: f64| Setting {
        name: name.to_owned(),
        value,
        uncertainty,
    };
    Ok(Oscillation {
        schema: SCHEMA,
        graded: "filter",
        from: "self_oscillation",
        format: recording.format.clone(),
        rate_hz: recording.rate_hz,
        seconds,
        pitch: pitch.reading(),
        key,
        deviation: pitch.cents_from(key_hz(f64::from(key))),
        amplitude: Reading::new(amplitude, Unit::FullScale, doubt.hypot(drifted)),
        drift_db,
        harmonics,
        settings: vec![
            setting("cutoff", pitch.hz, pitch.uncertainty_hz),
            setting("resonance", 1.0, 0.0),
        ],
    })
}

impl fmt::Display for Oscillation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { format, rate_hz, seconds, .. } = self;
        writeln!(f, "recording    {format}, {rate_hz} Hz, {seconds:.2} s of steady tone used")?;
        writeln!(f, "from         self-oscillation")?;
        writeln!(f, "pitch        {}", self.pitch)?;
        writeln!(
            f,
            "             {} from key {} ({})",
            self.deviation,
            self.key,
            key_name(self.key)
        )?;
        writeln!(f, "             the cutoff, at the edge of self-oscillation; with more")?;
        writeln!(f, "             resonance a saturating ladder swings below its cutoff")?;
        writeln!(f, "amplitude    {} of WAV full scale", self.amplitude)?;
        writeln!(f, "drift        {:+.3} dB from first half to second", self.drift_db)?;
        writeln!(f, "harmonics    order   level")?;
        for Harmonic { order, level } in &self.harmonics {
            match level.at_floor() {
                true => writeln!(f, "             {order:>5}   below the floor")?,
                false => writeln!(f, "             {order:>5}   {level}")?,
            }
        }
        if let Some(floor) = self.harmonics.first().and_then(|line| line.level.floor) {
            writeln!(f, "             floor of a line: {floor:.1} dBc")?;
        }
        writeln!(f)?;
        writeln!(
            f,
            "as ladder-tanh\n{}",
            command("ladder-tanh", &self.settings, "low24", *rate_hz, true)
        )
    }
}
