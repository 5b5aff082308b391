//! Grades a recording of an oscillator: pitch, harmonics, aliasing, noise.
//!
//! Gain, phase and polarity of the recording are unknown and do not matter; levels are re the
//! fundamental. Every figure comes with its floor.

use std::fmt;

use plumbtone_measure::aliasing::Aliasing;
use plumbtone_measure::audibility::Component;
use plumbtone_measure::harmonic::{FLOOR_DBC, Harmonic};
use plumbtone_measure::level::Level;
use plumbtone_measure::pitch::{Model, Pitch, PitchReading};
use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::{db, power_db};
use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::Shape;
use serde::Serialize;

use crate::error::Error;
use crate::evidence::key_name;
use crate::expect::series;
use crate::grade::{SCHEMA, refuse_clipping, steady_part};
use crate::wav::Recording;

/// What is known of the recording beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// Frequency, Hz; found when not given.
    pub hz: Option<f64>,
    /// Waveform; found when not given.
    pub shape: Option<Shape>,
    /// Pulse width, fraction of the cycle; found when not given.
    pub width: Option<f64>,
}

/// One harmonic of the recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HarmonicLevel {
    /// Order, 1 is the fundamental.
    pub order: u32,
    /// Frequency, Hz.
    pub hz: f64,
    /// Level re the fundamental.
    pub level: Reading,
    /// What the Fourier series of the shape says, dBc; none where it has a null.
    pub expected_dbc: Option<f64>,
}

/// The grades of one recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sheet {
    /// Version of this layout.
    pub schema: &'static str,
    /// Sample format of the file.
    pub format: String,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Seconds of the recording that were used.
    pub seconds: f64,
    /// Fundamental, Hz.
    pub pitch: Reading,
    /// Nearest key.
    pub key: u8,
    /// Deviation from the nearest key.
    pub deviation: Reading,
    /// Waveform, as given or as found.
    pub shape: &'static str,
    /// Whether the shape was found rather than given.
    pub shape_found: bool,
    /// Whether a found shape stands out: at least three harmonics above −60 dBc, within 1 dB of the
    /// series.
    pub shape_sure: bool,
    /// Pulse width, fraction of the cycle, for a pulse; w and 1 − w sound alike.
    pub width: Option<f64>,
    /// For a ramp: whether it rises, as a positive gain would have it.
    pub rising: Option<bool>,
    /// Rms deviation of the first harmonics from the shape, dB.
    pub shape_deviation_db: f64,
    /// Mean of the recording, full scale = 1.0.
    pub dc: f64,
    /// Peak, dB re full scale.
    pub peak_dbfs: f64,
    /// Harmonics up to 20 kHz, at most 16.
    pub harmonics: Vec<HarmonicLevel>,
    /// Total harmonic distortion re a pure sine, over the harmonics up to 20 kHz.
    pub thd: Reading,
    /// Power of all other lines over power of the harmonics, 20 Hz to 20 kHz.
    pub aliases: Reading,
    /// Strongest other line, 20 Hz to 20 kHz, and where it is.
    pub worst_alias: Option<(f64, Reading)>,
    /// Noise between the lines, 20 Hz to 20 kHz, re the fundamental.
    pub noise: Option<Reading>,
}

/// Grades a recording.
///
/// # Errors
/// [`Error::Request`] in one line for silence, DC, clipping, no tone, or a recording that is
/// too short for its note; [`Error::Range`] for settings out of range.
pub fn oscillator(recording: &Recording, settings: &Settings) -> Result<Sheet, Error> {
    let rate_hz = f64::from(recording.rate_hz);
    if let Some(hz) = settings.hz {
        plumbtone_voice::Rate::new(recording.rate_hz)?.increment(hz)?;
    }
    let samples = steady_part(recording)?;
    refuse_clipping(samples)?;
    let mut meter = Pitch::new();
    let pitch = match settings.hz {
        Some(hz) => meter.estimate_anywhere(samples, rate_hz, hz, &Model::default()),
        None => meter.estimate(samples, rate_hz, None, &Model::default()),
    }
    .map_err(Error::measuring("pitch of the recording"))?;
    // The main lobes of neighbouring harmonics must not touch: 2 · 10 bins, and a few to spare.
    let need = 24.0 / pitch.hz;
    let seconds = samples.len() as f64 / rate_hz;
    if seconds < need {
        return Err(Error::Request(format!(
            "the recording is too short for its note: {seconds:.2} s of {:.1} Hz, record {need:.2} s",
            pitch.hz
        )));
    }
    let mut harmonic =
        Harmonic::new(samples.len()).map_err(Error::measuring("spectrum of the recording"))?;
    let lines = lines(&mut harmonic, samples, rate_hz, &pitch)?;
    describe(recording, samples, settings, &pitch, &lines)
}

/// Equivalent noise bandwidth of the window of [`Harmonic`], HFT223D, in bins (Heinzel et al. 2002).
const NOISE_BINS: f64 = 5.3888;

/// Lines and noise of the recording.
struct Lines {
    components: Vec<Component>,
    harmonics: Vec<f64>,
    /// Second harmonic's phase against twice the first's, turns.
    turn: f64,
    /// Noise power, 20 Hz to 20 kHz, full scale squared; none without free bins.
    noise_power: Option<f64>,
    /// Amplitude under which a line drowns in noise.
    floor: f64,
}

fn lines(
    harmonic: &mut Harmonic,
    samples: &[f64],
    rate_hz: f64,
    pitch: &PitchReading,
) -> Result<Lines, Error> {
    let top = (0.5 * rate_hz / pitch.hz).floor() as u32;
    let mut components = Vec::new();
    harmonic
        .components(samples, rate_hz, pitch.hz, &mut components)
        .map_err(Error::measuring("lines of the recording"))?;
    let analysis = harmonic
        .analyse(samples, rate_hz, pitch.hz, top.clamp(2, 4096))
        .map_err(Error::measuring("harmonics of the recording"))?;
    let harmonics: Vec<f64> =
        components.iter().filter(|line| line.is_harmonic).map(|line| line.amplitude).collect();
    let turn = match (analysis.phase_turns(1), analysis.phase_turns(2)) {
        (Some(first), Some(second)) => (second - 2.0 * first).rem_euclid(1.0),
        _ => 0.0,
    };
    let band = Aliasing::AUDIO_BAND_HZ;
    let noise_power =
        analysis.noise_density.map(|density| density * (band.1.min(0.5 * rate_hz) - band.0));
    // Noise of one bin, doubled: what a line must exceed to be told from it.
    let bin = rate_hz / samples.len() as f64;
    let floor = analysis
        .noise_density
        .map_or(0.0, |density| 2.0 * (2.0 * density * bin * NOISE_BINS).sqrt());
    Ok(Lines { components, harmonics, turn, noise_power, floor })
}

fn describe(
    recording: &Recording,
    samples: &[f64],
    settings: &Settings,
    pitch: &PitchReading,
    lines: &Lines,
) -> Result<Sheet, Error> {
    let fundamental = lines.harmonics.first().copied().unwrap_or(0.0);
    let floor_dbc = db(lines.floor / fundamental).max(FLOOR_DBC);
    let (shape, width, shape_deviation_db) = match settings.shape {
        Some(Shape::Pulse) => match settings.width {
            Some(width) => (Shape::Pulse, width, mismatch(lines, pitch.hz, Shape::Pulse, width)?),
            None => best_pulse(lines, pitch.hz)?,
        },
        Some(shape) => (shape, 0.5, mismatch(lines, pitch.hz, shape, 0.5)?),
        None => best_shape(lines, pitch.hz)?,
    };
    let expected = series(shape, width)?;
    let audible = |order: usize| (order as f64) * pitch.hz <= Aliasing::AUDIO_BAND_HZ.1;
    let reading = |amplitude: f64| {
        // Noise of the bin adds to the line, at worst in phase.
        let spread = db(1.0 + lines.floor / amplitude.max(lines.floor));
        Reading::new(db(amplitude / fundamental), Unit::Dbc, spread).with_floor(floor_dbc)
    };
    let harmonics = lines
        .harmonics
        .iter()
        .enumerate()
        .take_while(|(index, _)| *index < 16 && audible(index + 1))
        .map(|(index, &amplitude)| {
            let order = index as u32 + 1;
            let ideal = expected(order) / expected(1);
            HarmonicLevel {
                order,
                hz: f64::from(order) * pitch.hz,
                level: reading(amplitude),
                expected_dbc: (ideal > 1e-6).then(|| db(ideal)),
            }
        })
        .collect();
    let overtones: f64 = lines
        .harmonics
        .iter()
        .enumerate()
        .skip(1)
        .take_while(|(index, _)| audible(index + 1))
        .map(|(_, amplitude)| amplitude * amplitude)
        .sum();
    let aliasing =
        Aliasing::rate(pitch.hz, lines.components.iter().copied(), Aliasing::AUDIO_BAND_HZ)
            .map_err(Error::measuring("aliases of the recording"))?;
    if aliasing.worst.is_some_and(|line| line.amplitude > fundamental) {
        return Err(Error::Request(format!(
            "no single note stands out at {:.1} Hz: give its frequency with --set hz=...",
            pitch.hz
        )));
    }
    let level = Level::of(samples).map_err(Error::measuring("level of the recording"))?;
    let key = (69.0 + 12.0 * (pitch.hz / 440.0).log2()).round().clamp(0.0, 127.0) as u8;
    let noise = lines.noise_power.map(|power| {
        let ratio = power_db(2.0 * power / (fundamental * fundamental));
        // Rounding to the file's own format is the least noise it can hold.
        let format = recording.half_step * recording.half_step / 3.0;
        Reading::new(ratio, Unit::Dbc, noise_spread_db(samples.len()))
            .with_floor(power_db(2.0 * format / (fundamental * fundamental)))
    });
    let noise_ratio = lines.noise_power.map_or(0.0, |power| 2.0 * power / aliasing.harmonic_power);
    let standing = lines.harmonics.iter().filter(|level| **level > 1e-3 * fundamental).count();
    Ok(Sheet {
        schema: SCHEMA,
        format: recording.format.clone(),
        rate_hz: recording.rate_hz,
        seconds: samples.len() as f64 / f64::from(recording.rate_hz),
        pitch: pitch.reading(),
        key,
        deviation: pitch.cents_from(key_hz(f64::from(key))),
        shape: shape.name(),
        shape_found: settings.shape.is_none(),
        shape_sure: settings.shape.is_some()
            || shape_deviation_db < 1.0 && (shape == Shape::Sine || standing > 2),
        width: (shape == Shape::Pulse).then_some(width),
        // The harmonics of a rising ramp are −sin: their phases differ by a quarter turn.
        rising: (shape == Shape::Ramp).then_some(lines.turn > 0.5),
        shape_deviation_db,
        dc: level.dc,
        peak_dbfs: db(level.peak),
        harmonics,
        // At worst the noise of every bin adds in phase.
        thd: Reading::new(
            db(overtones.sqrt() / fundamental),
            Unit::Dbc,
            db(1.0 + lines.floor * (lines.harmonics.len() as f64).sqrt() / overtones.sqrt()),
        )
        .with_floor(floor_dbc),
        // Noise is counted among the aliases: that much less they may be.
        aliases: Reading::new(
            aliasing.alias_to_signal_db(),
            Unit::Decibel,
            power_db(1.0 + noise_ratio * aliasing.harmonic_power / aliasing.alias_power),
        )
        .with_floor(power_db(noise_ratio)),
        worst_alias: aliasing.worst.map(|line| (line.hz, reading(line.amplitude))),
        noise,
    })
}

/// Uncertainty (k = 2) of a noise level from the median of the free bins, dB: taken as a quarter
/// of all, one in [`NOISE_BINS`] independent; a median scatters by 1/ln 2 of a mean.
fn noise_spread_db(samples: usize) -> f64 {
    let independent = samples as f64 / 2.0 / 4.0 / NOISE_BINS;
    2.0 * power_db(1.0 + 1.0 / (std::f64::consts::LN_2 * independent.sqrt()))
}

/// Rms deviation, dB, of the first harmonics from a shape, re the fundamental.
fn mismatch(lines: &Lines, f0_hz: f64, shape: Shape, width: f64) -> Result<f64, Error> {
    let ideal = series(shape, width)?;
    // Corrections droop towards the top: judge by what lies below 5 kHz, at least three.
    let count = ((5_000.0 / f0_hz) as usize).clamp(3, 12).min(lines.harmonics.len());
    let fundamental = lines.harmonics.first().copied().unwrap_or(1.0);
    // Harmonics that the shape lacks count against what they should be: nothing above −60 dB.
    let level = |ratio: f64| db(ratio.max(1e-3));
    let squares: f64 = (1..count)
        .map(|index| {
            let order = index as u32 + 1;
            let found = level(lines.harmonics[index] / fundamental);
            (found - level(ideal(order) / ideal(1))).powi(2)
        })
        .sum();
    Ok((squares / (count.max(2) - 1) as f64).sqrt())
}

fn best_shape(lines: &Lines, f0_hz: f64) -> Result<(Shape, f64, f64), Error> {
    let mut best = best_pulse(lines, f0_hz)?;
    for shape in [Shape::Ramp, Shape::Triangle, Shape::Sine] {
        let deviation = mismatch(lines, f0_hz, shape, 0.5)?;
        // A pulse has its width to adapt with: it must fit three times better than a shape that
        // has nothing, so that the droop of a corrected ramp is not taken for a width.
        let handicap = if best.0 == Shape::Pulse && best.1 < 0.499 { 3.0 } else { 1.0 };
        if deviation <= handicap * best.2 {
            best = (shape, 0.5, deviation);
        }
    }
    Ok(best)
}

/// The pulse width from 1 % to 50 % that fits best.
fn best_pulse(lines: &Lines, f0_hz: f64) -> Result<(Shape, f64, f64), Error> {
    let mut best = (Shape::Pulse, 0.5, mismatch(lines, f0_hz, Shape::Pulse, 0.5)?);
    let try_width = |width: f64, best: &mut (Shape, f64, f64)| -> Result<(), Error> {
        let deviation = mismatch(lines, f0_hz, Shape::Pulse, width)?;
        if deviation < best.2 {
            *best = (Shape::Pulse, width, deviation);
        }
        Ok(())
    };
    for step in 10..=500 {
        try_width(f64::from(step) / 1000.0, &mut best)?;
    }
    let coarse = best.1;
    for step in -50..=50 {
        try_width((coarse + f64::from(step) * 2e-5).clamp(0.01, 0.5), &mut best)?;
    }
    Ok(best)
}

impl fmt::Display for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { format, rate_hz, seconds, .. } = self;
        writeln!(f, "recording    {format}, {rate_hz} Hz, {seconds:.2} s of steady tone used")?;
        writeln!(
            f,
            "level        peak {:.1} dBFS, DC {:.1e} of full scale",
            self.peak_dbfs, self.dc
        )?;
        writeln!(f, "pitch        {}", self.pitch)?;
        writeln!(
            f,
            "             {} from key {} ({})",
            self.deviation,
            self.key,
            key_name(self.key)
        )?;
        let found = match (self.shape_found, self.shape_sure) {
            (false, _) => "given",
            (true, true) => "found",
            (true, false) => "best match",
        };
        let width = match self.width {
            Some(width) if (width - 0.5).abs() < 1e-4 => ", width 50 %".to_owned(),
            Some(width) => {
                format!(", width {:.2} or {:.2} %", 100.0 * width, 100.0 - 100.0 * width)
            }
            None => String::new(),
        };
        let polarity = match self.rising {
            Some(true) => ", rising",
            Some(false) => ", falling",
            None => "",
        };
        let deviation = self.shape_deviation_db;
        writeln!(
            f,
            "shape        {} ({found}){width}{polarity}; {deviation:.2} dB rms off the series",
            self.shape
        )?;
        writeln!(f, "harmonics    order      Hz       level      series   deviation")?;
        for line in &self.harmonics {
            let (order, hz, level) = (line.order, line.hz, line.level.value);
            match line.expected_dbc {
                _ if line.level.at_floor() => {
                    writeln!(f, "             {order:>5} {hz:>9.1}  below the floor")?;
                }
                Some(expected) => writeln!(
                    f,
                    "             {order:>5} {hz:>9.1} {level:>8.2} dBc {expected:>7.2} dBc {:>7.2} dB",
                    level - expected
                )?,
                None => {
                    writeln!(f, "             {order:>5} {hz:>9.1} {level:>8.2} dBc        none")?
                }
            }
        }
        if let Some(first) = self.harmonics.first().and_then(|line| line.level.floor) {
            writeln!(f, "             floor of a line: {first:.1} dBc")?;
        }
        writeln!(f, "THD          {} (harmonics up to 20 kHz)", brief(&self.thd))?;
        writeln!(f, "aliases      {} of harmonic power, 20 Hz to 20 kHz", brief(&self.aliases))?;
        if let Some((hz, level)) = &self.worst_alias {
            writeln!(f, "worst alias  {} at {hz:.1} Hz", brief(level))?;
        }
        match &self.noise {
            Some(noise) => writeln!(f, "noise        {}, 20 Hz to 20 kHz", brief(noise)),
            None => writeln!(f, "noise        cannot be told: the lines leave no room"),
        }
    }
}

fn brief(reading: &Reading) -> String {
    let unit = reading.unit.symbol();
    match reading.floor {
        Some(floor) if reading.at_floor() => format!("below {floor:.1} {unit}, its floor"),
        Some(floor) => format!("{:.2} {unit} (floor {floor:.1})", reading.value),
        None => format!("{:.2} {unit}", reading.value),
    }
}
