//! Grades the recording of a contour: times, curves and levels of its stages, and the settings of
//! our own contours that make the same trace.
//!
//! A DC-coupled recording holds the trace itself, at any gain and polarity. Else the trace is the
//! amplitude of a tone, which blurs its corners over a period or two.

mod again;
mod blur;
mod tone;
mod trace;

use std::fmt;

use plumbtone_measure::db;
use plumbtone_measure::decay::Decay;
use plumbtone_measure::level;
use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::stages::Kind;
use plumbtone_measure::steps;
use plumbtone_voice::parameter::Parameter;
use serde::Serialize;

pub(in crate::grade) use again::wrapped;
pub use again::{Again, Setting};
use trace::{Piece, Trace, leaps, scaled, widened};

use crate::error::Error;
use crate::grade::{SCHEMA, refuse_clipping};
use crate::settings::Settings;
use crate::wav::Recording;

/// How the trace reached the recording.
pub const COUPLING: Parameter = Parameter::choice("coupling", &["auto", "dc", "tone"]);
/// Frequency of the tone; found when 0.
pub const HZ: Parameter = Parameter::number("hz", "Hz (0: found)", 0.0, 96_000.0, 0.0);
/// Level that counts as 1, negative for an inverted trace; the peak when 0.
pub const FULL: Parameter =
    Parameter::number("full", "of WAV full scale (0: the peak)", -1.0, 1.0, 0.0);
/// What can be said of the recording beforehand.
pub const PARAMETERS: &[Parameter] = &[COUPLING, HZ, FULL];

/// Fewest samples: a few stages of the fewest that can be told apart.
const LEAST_SAMPLES: usize = 64;
/// A trace passes this share of its swing on either side of its mean before it counts as a swing.
const SWING: f64 = 0.1;
/// Slowest tone, Hz.
const SLOWEST_HZ: f64 = 15.0;
/// Most dB over which the straightness of a release is read.
const SPAN_DB: f64 = 60.0;
/// Least way of a stage, of the full level: beyond what 16 bits show, and ten times the step in
/// which our own stages settle.
const LEAST_WAY: f64 = 1e-5;
/// 10 to 90 % rise of a Gaussian step response over its sigma.
const RISE_PER_SIGMA: f64 = 2.563_103_131;
/// Why there are no settings where the stages are off.
const NOT_DESCRIBED: &str = "the stages found do not describe the recording";
/// How far the lowest level of that span lies above its error.
const CLEARANCE: f64 = 30.0;

/// How a trace was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Coupling {
    /// The samples are the trace.
    Dc,
    /// The amplitude of a tone is the trace.
    Tone,
}

/// The curve of a stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Curve {
    /// No change beyond three standard deviations.
    Constant,
    /// No bend beyond three standard deviations.
    Line,
    /// A bend beyond three standard deviations.
    Exponential,
}

/// One stage. Levels: 0 before the first stage, 1 at the full level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Stage {
    /// When it begins, s from the first sample.
    pub begins: Reading,
    /// How long it lasts, s.
    pub lasts: Reading,
    /// Level at its begin.
    pub from: Reading,
    /// Level at its end.
    pub to: Reading,
    /// Kind of curve.
    pub curve: Curve,
    /// Time constant of an exponential, s; negative where it grows.
    pub time_constant: Option<Reading>,
    /// Level that an exponential approaches, or leaves if it grows.
    pub target: Option<Reading>,
    /// Time constants that the stage lasts: 0 for a line.
    pub bend: Reading,
}

/// How straight a release is in dB.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Straightness {
    /// Number of the stage, from 1.
    pub stage: usize,
    /// Span below its begin that was read, dB.
    pub span_db: f64,
    /// Slope of the line, dB/s.
    pub slope_db_per_s: f64,
    /// Largest deviation from the line; its floor is what the error of a level is worth at the
    /// lower end.
    pub deviation: Reading,
}

/// A difference and when it occurs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Step {
    /// When, s from the first sample.
    pub at_s: f64,
    /// How far, 1 at the full level.
    pub size: Reading,
}

/// What counts as 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ZeroFrom {
    /// The level before the first stage.
    Rest,
    /// The recording begins with the first stage: the zero of the file.
    File,
    /// A tone is silent at 0.
    Silence,
}

/// The grades of one recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sheet {
    /// Version of this layout.
    pub schema: &'static str,
    /// What was graded: "contour".
    pub graded: &'static str,
    /// Sample format of the file.
    pub format: String,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Length of the recording, s.
    pub seconds: f64,
    /// How the trace was recorded.
    pub coupling: Coupling,
    /// Whether that was found rather than given.
    pub coupling_found: bool,
    /// Frequency of the tone, Hz.
    pub tone_hz: Option<f64>,
    /// Time in which the amplitude of the tone rises from 10 to 90 % at a step, s.
    pub rise_s: Option<f64>,
    /// Noise about the curves, rms re the full level, and its floor, rounding to the format.
    pub noise: Reading,
    /// The level that counts as 0, WAV full scale.
    pub zero: Reading,
    /// Why it does.
    pub zero_from: ZeroFrom,
    /// The level that counts as 1, less that of 0, WAV full scale; negative where the trace is
    /// inverted.
    pub full: Reading,
    /// Whether that was given rather than the peak.
    pub full_given: bool,
    /// Stages from the first that moves.
    pub stages: Vec<Stage>,
    /// Level that the first stage aims at re the level it reaches, where it is an exponential
    /// that ends before its target.
    pub overshoot: Option<Reading>,
    /// How straight the last decay is in dB.
    pub release: Option<Straightness>,
    /// Largest deviation of the recording from the stages, away from corners under a blur.
    pub deviation: Step,
    /// The largest step from one sample to the next; none for a tone.
    pub step: Option<Step>,
    /// Settings of `multistage` that make the trace, or why there are none.
    #[serde(serialize_with = "again::serialized")]
    pub multistage: Result<Again, String>,
    /// Settings of `adsr` that make it, where it has that shape, or why it has not.
    #[serde(serialize_with = "again::serialized")]
    pub adsr: Result<Again, String>,
}

/// Grades the recording of a contour; `settings` are of [`PARAMETERS`].
///
/// # Errors
/// [`Error::Request`] or [`Error::Measure`] in one line for silence, clipping, noise, a trace that
/// does not move or is too short; a full level below the peak.
pub fn contour(recording: &Recording, settings: &Settings) -> Result<Sheet, Error> {
    let samples = &recording.samples;
    level::screen(samples).map_err(Error::measuring("recording"))?;
    if samples.len() < LEAST_SAMPLES {
        return Err(Error::Request(format!(
            "the recording is too short: {} samples, record the contour from before the key to \
             after the release",
            samples.len()
        )));
    }
    refuse_clipping(samples)?;
    let coupling = match settings.value(&COUPLING)? as usize {
        1 => Coupling::Dc,
        2 => Coupling::Tone,
        _ => coupling(recording),
    };
    let trace = match coupling {
        Coupling::Dc => trace::direct(recording)?,
        Coupling::Tone => {
            let hz = Some(settings.value(&HZ)?).filter(|hz| *hz > 0.0);
            if let Some(hz) = hz {
                plumbtone_voice::Rate::new(recording.rate_hz)?.increment(hz)?;
            }
            tone::carried(recording, hz)?
        }
    };
    describe(recording, settings, coupling, trace)
}

/// What swings about its mean at audio rate is a tone.
fn coupling(recording: &Recording) -> Coupling {
    let samples = &recording.samples;
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    let (low, high) = samples.iter().fold((mean, mean), |(low, high), x| (x.min(low), x.max(high)));
    let (below, above) = (mean + SWING * (low - mean), mean + SWING * (high - mean));
    let mut upper = samples[0] > mean;
    let mut swings = Vec::new();
    for (n, &sample) in samples.iter().enumerate() {
        if if upper { sample < below } else { sample > above } {
            upper = !upper;
            swings.push(n);
        }
    }
    let mut gaps: Vec<usize> = swings.windows(2).map(|pair| pair[1] - pair[0]).collect();
    gaps.sort_unstable();
    let slowest = f64::from(recording.rate_hz) / (2.0 * SLOWEST_HZ);
    match gaps.get(gaps.len() / 2) {
        // A control trace may swing a few times, even fast.
        Some(&gap) if gaps.len() >= 16 && (gap as f64) < slowest => Coupling::Tone,
        _ => Coupling::Dc,
    }
}

/// Zero and full level of a trace.
struct Scale {
    zero: Reading,
    full: Reading,
}

impl Scale {
    fn level(&self, level: Reading) -> Reading {
        let value = (level.value - self.zero.value) / self.full.value;
        let wide = level.uncertainty.hypot(self.zero.uncertainty) / self.full.value.abs();
        let scale = value * self.full.uncertainty / self.full.value;
        Reading::new(value, Unit::Ratio, wide.hypot(scale))
    }

    fn stage(&self, piece: &Piece, rate_hz: f64) -> Stage {
        let bent = piece.kind == Kind::Exponential;
        let seconds = |reading| scaled(reading, 1.0 / rate_hz, Unit::Seconds);
        let length = Reading::new(piece.length(), Unit::Samples, piece.length_wide());
        let bend = if bent { piece.bend } else { Reading { value: 0.0, ..piece.bend } };
        Stage {
            begins: seconds(piece.start),
            lasts: seconds(length),
            from: self.level(piece.from),
            to: self.level(piece.to),
            curve: match piece.kind {
                Kind::Constant => Curve::Constant,
                Kind::Line => Curve::Line,
                Kind::Exponential => Curve::Exponential,
            },
            time_constant: bent.then(|| seconds(piece.tau)),
            target: bent.then(|| self.level(piece.target)),
            bend,
        }
    }
}

fn describe(
    recording: &Recording,
    settings: &Settings,
    coupling: Coupling,
    mut trace: Trace,
) -> Result<Sheet, Error> {
    let rate_hz = f64::from(recording.rate_hz);
    let rests = trace.pieces.first().is_some_and(|piece| piece.kind == Kind::Constant);
    let (zero, zero_from) = match (coupling, trace.pieces.first()) {
        (Coupling::Tone, _) => {
            (Reading::new(0.0, Unit::FullScale, 2.0 * trace.noise), ZeroFrom::Silence)
        }
        (Coupling::Dc, Some(piece)) if rests => (piece.from, ZeroFrom::Rest),
        _ => (Reading::new(0.0, Unit::FullScale, recording.half_step), ZeroFrom::File),
    };
    let before = rests.then(|| trace.pieces.remove(0));
    let begins_within = trace.tone.map_or(0.0, |tone| 6.0 * tone.sigma);
    let moves = trace.pieces.iter().any(|piece| piece.kind != Kind::Constant)
        || trace.pieces.iter().any(|piece| piece.start.value > begins_within);
    if trace.pieces.is_empty() || !moves {
        let what = match coupling {
            Coupling::Dc => "the level stays where it is",
            Coupling::Tone => "the tone keeps its level",
        };
        return Err(Error::Request(format!(
            "nothing to grade: {what}; record the contour from before the key to after the release"
        )));
    }
    let given = settings.value(&FULL)?;
    let full = full(&trace.pieces, zero, given)?;
    let scale = Scale { zero, full };
    settle(&mut trace.pieces, LEAST_WAY * full.value.abs());
    let stages: Vec<Stage> = trace.pieces.iter().map(|piece| scale.stage(piece, rate_hz)).collect();
    let noise_floor = recording.half_step / 3f64.sqrt() / full.value.abs();
    let noise = trace.noise / full.value.abs();
    let rest = trace.pieces.last().filter(|piece| piece.kind == Kind::Constant);
    let silence = rest.or(before.as_ref()).map_or(0.0, |piece| piece.rms);
    let overshoot = stages.first().and_then(|stage| {
        let target = stage.target.filter(|_| stage.bend.value > 0.0)?;
        let ratio = target.value / stage.to.value;
        // Less than a thousandth to go: it arrives.
        let arrives = ratio < 1.001 || stage.bend.value > 1000f64.ln();
        let wide = ratio * (target.uncertainty / target.value).hypot(stage.to.uncertainty);
        (!arrives).then(|| Reading::new(ratio, Unit::Ratio, wide))
    });
    let step =
        (coupling == Coupling::Dc).then(|| largest_step(recording, &trace, &scale)).transpose()?;
    let release = release(recording, &trace, &scale, silence);
    let error = (0.25 * noise).max(0.5 * recording.half_step / full.value.abs());
    let seconds = recording.samples.len() as f64 / rate_hz;
    let deviation = deviation(&trace, &scale, rate_hz);
    // Six standard deviations of the noise, and a hundredth for what no curve follows quite.
    let sound = deviation.size.value <= 6.0 * noise.max(noise_floor) + 0.01;
    let described = || if sound { Ok(()) } else { Err(NOT_DESCRIBED.to_owned()) };
    let multistage =
        described().and_then(|()| again::multistage(&stages, recording.rate_hz, seconds, error));
    let rise_s = trace.tone.map(|tone| RISE_PER_SIGMA * tone.sigma / rate_hz);
    let instant = rise_s.unwrap_or(1.0 / rate_hz);
    let adsr = described().and_then(|()| {
        again::adsr(&stages, &trace.pieces, &scale, recording.rate_hz, seconds, instant)
    });
    Ok(Sheet {
        schema: SCHEMA,
        graded: "contour",
        format: recording.format.clone(),
        rate_hz: recording.rate_hz,
        seconds,
        coupling,
        coupling_found: settings.value(&COUPLING)? == 0.0,
        tone_hz: trace.tone.map(|tone| tone.hz),
        rise_s,
        noise: Reading::new(db(noise), Unit::Decibel, 0.0).with_floor(db(noise_floor)),
        zero,
        zero_from,
        full,
        full_given: given != 0.0,
        stages,
        overshoot,
        release,
        deviation,
        step,
        multistage,
        adsr,
    })
}

/// Takes for constant what moves by less than `way`, such as the last step of a stage that settles,
/// and joins constants that are the same.
fn settle(pieces: &mut Vec<Piece>, way: f64) {
    for piece in pieces.iter_mut() {
        if (piece.to.value - piece.from.value).abs() < way {
            *piece = piece.resting();
        }
    }
    pieces.dedup_by(|next, last| {
        let both = [&*next, &*last].iter().all(|piece| piece.kind == Kind::Constant);
        let same = both && (next.from.value - last.to.value).abs() < way;
        if same {
            last.end = next.end;
        }
        same
    });
}

/// The level that counts as 1: as given, or the one furthest from 0, as well as it is known.
fn full(pieces: &[Piece], zero: Reading, given: f64) -> Result<Reading, Error> {
    let above = |level: &Reading| Reading { value: level.value - zero.value, ..*level };
    let levels: Vec<Reading> =
        pieces.iter().flat_map(|piece| [above(&piece.from), above(&piece.to)]).collect();
    let Some(most) = levels.iter().max_by(|a, b| a.value.abs().total_cmp(&b.value.abs())) else {
        return Err(Error::Request("nothing to grade: no stage was found".to_owned()));
    };
    // Of two sides of one corner, the one that is known better.
    let alike = levels.iter().filter(|level| {
        let off = (level.value - most.value).abs();
        off <= (level.uncertainty + most.uncertainty).min(0.05 * most.value.abs())
    });
    let peak = alike.min_by(|a, b| a.uncertainty.total_cmp(&b.uncertainty)).unwrap_or(most);
    let peak = widened(*peak, zero.uncertainty);
    if given == 0.0 {
        return Ok(peak);
    }
    if peak.value.abs() - peak.uncertainty > given.abs() {
        return Err(Error::Request(format!(
            "full = {given} is below the peak of {:.4}: give that or more",
            peak.value
        )));
    }
    Ok(Reading::new(given, Unit::FullScale, zero.uncertainty))
}

fn deviation(trace: &Trace, scale: &Scale, rate_hz: f64) -> Step {
    let sigma = trace.tone.map_or(0.0, |tone| tone.sigma);
    let blur = 4.0 * sigma;
    let (mut worst, mut at) = (0.0, 0);
    for piece in &trace.pieces {
        let course = piece.course.blurred(sigma);
        let from = (piece.start.value + blur).ceil() as usize;
        let to = ((piece.end.value - blur).floor().max(0.0) as usize).min(trace.levels.len());
        for (n, level) in trace.levels.iter().enumerate().take(to).skip(from) {
            let off = (level - course.at(n as f64)).abs();
            if off > worst {
                (worst, at) = (off, n);
            }
        }
    }
    let full = scale.full.value.abs();
    let size = Reading::new(worst / full, Unit::Ratio, 2.0 * trace.noise / full);
    Step { at_s: at as f64 / rate_hz, size }
}

fn largest_step(recording: &Recording, trace: &Trace, scale: &Scale) -> Result<Step, Error> {
    let from = trace.pieces.first().map_or(0.0, |piece| piece.start.value.floor());
    let from = (from as usize).saturating_sub(1).min(recording.samples.len() - 2);
    let step = steps::largest(&recording.samples[from..])
        .map_err(Error::measuring("largest step of the recording"))?;
    // Two samples, each with its noise; two standard deviations.
    let wide = 2.0 * 2f64.sqrt() * trace.noise + 2.0 * recording.half_step;
    let full = scale.full.value;
    Ok(Step {
        at_s: (from + step.index) as f64 / f64::from(recording.rate_hz),
        size: Reading::new(step.size / full, Unit::Ratio, wide / full.abs()),
    })
}

/// Reads how straight the last decay toward 0 is, as far down as noise and rounding let it.
fn release(
    recording: &Recording,
    trace: &Trace,
    scale: &Scale,
    silence: f64,
) -> Option<Straightness> {
    let falls = |piece: &Piece| {
        let (from, to) = (scale.level(piece.from).value, scale.level(piece.to).value);
        piece.kind == Kind::Exponential && piece.tau.value > 0.0 && from > 2.0 * to.abs()
    };
    let index = trace.pieces.iter().rposition(falls)?;
    let piece = &trace.pieces[index];
    let blur = trace.tone.map_or(0.0, |tone| 3.0 * tone.sigma);
    let first = (piece.start.value + blur).ceil() as usize;
    let last = ((piece.end.value - blur).floor() as usize).min(trace.levels.len());
    // The mean over a block keeps an exponential straight and lessens the noise.
    let block = (piece.tau.value / 16.0).floor().max(1.0) as usize;
    let inverse = 1.0 / scale.full.value;
    let levels: Vec<f64> = trace
        .levels
        .get(first..last)?
        .chunks_exact(block)
        .map(|chunk| {
            let mean = chunk.iter().sum::<f64>() / block as f64;
            (mean - scale.zero.value) * inverse
        })
        .collect();
    let own = if trace.tone.is_some() { 1.0 } else { (block as f64).sqrt() };
    let noise = 2.0 * trace.noise.max(silence) / own;
    let error =
        (noise + recording.half_step).hypot(scale.zero.uncertainty) / scale.full.value.abs();
    let start = *levels.first()?;
    let lowest = levels.iter().copied().fold(f64::INFINITY, f64::min).max(CLEARANCE * error);
    let span_db = db(start / lowest).min(SPAN_DB);
    let span_db = (span_db / 10.0).floor() * 10.0;
    if span_db.is_nan() || span_db < 10.0 {
        return None;
    }
    let rate_hz = f64::from(recording.rate_hz) / block as f64;
    let fit = Decay::fit(&levels, rate_hz, span_db, 0.0).ok()?;
    let floor = db(1.0 + error / (start * 10f64.powf(-span_db / 20.0)));
    let deviation = Reading::new(fit.deviation_db.value, Unit::Decibel, floor).with_floor(floor);
    Some(Straightness { stage: index + 1, span_db, slope_db_per_s: fit.slope_db_per_s, deviation })
}

impl fmt::Display for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { format, rate_hz, seconds, full, zero, .. } = self;
        writeln!(f, "recording    {format}, {rate_hz} Hz, {seconds:.3} s")?;
        let found = if self.coupling_found { "found" } else { "given" };
        match (self.tone_hz, self.rise_s) {
            (Some(hz), Some(rise)) => {
                writeln!(f, "coupling     tone of {hz:.2} Hz ({found})")?;
                let rise = 1000.0 * rise;
                writeln!(f, "             its amplitude is blurred: a step rises in {rise:.2} ms")?;
            }
            _ => writeln!(f, "coupling     DC ({found})")?,
        }
        let at = match self.zero_from {
            ZeroFrom::Rest => "the level before the first stage",
            ZeroFrom::File => "the file's own: no rest precedes",
            ZeroFrom::Silence => "silence",
        };
        writeln!(f, "zero         {:.6} of WAV full scale, {at}", zero.value)?;
        let why = if self.full_given { "as given" } else { "the peak" };
        let inverted = if full.value < 0.0 { "; the trace is inverted" } else { "" };
        writeln!(f, "full level   {:.6} of WAV full scale, {why}{inverted}", full.value)?;
        match self.noise.at_floor() {
            true => writeln!(f, "noise        no more than rounding to the format")?,
            false => writeln!(f, "noise        {:.1} dB re the full level, rms", self.noise.value)?,
        }
        writeln!(f, "stages       no.  begins at s      lasts s     from       to   curve")?;
        for (number, stage) in (1..).zip(&self.stages) {
            write_stage(f, number, stage)?;
        }
        let Step { at_s, size } = &self.deviation;
        writeln!(
            f,
            "             off by {:.1e} of the full level at most, at {at_s:.6} s",
            size.value
        )?;
        if let Some(ratio) = self.overshoot {
            writeln!(f, "overshoot    {ratio} of what the first stage reaches")?;
        }
        if let Some(release) = &self.release {
            let Straightness { stage, span_db, slope_db_per_s, deviation } = release;
            writeln!(f, "decay in dB  stage {stage}: {slope_db_per_s:.2} dB/s over {span_db} dB")?;
            let floor = deviation.floor.unwrap_or_default();
            match deviation.at_floor() {
                true => writeln!(f, "             straight within {floor:.3} dB, the floor")?,
                false => {
                    let value = deviation.value;
                    writeln!(f, "             off a line by {value:.3} dB (floor {floor:.3})")?;
                }
            }
        }
        match &self.step {
            Some(step) => {
                writeln!(f, "largest step {} of the full level at {:.6} s", step.size, step.at_s)?
            }
            None => writeln!(f, "largest step cannot be told from a tone")?,
        }
        for (module, again) in [("multistage", &self.multistage), ("adsr", &self.adsr)] {
            writeln!(f)?;
            match again {
                Ok(again) => writeln!(f, "as {module}\n{again}")?,
                Err(why) => writeln!(f, "as {module}: no, {why}")?,
            }
        }
        Ok(())
    }
}

fn write_stage(f: &mut fmt::Formatter<'_>, number: usize, stage: &Stage) -> fmt::Result {
    let curve = match stage.curve {
        Curve::Constant => "constant",
        Curve::Line => "line",
        Curve::Exponential => "exponential",
    };
    let Stage { begins, lasts, from, to, .. } = stage;
    writeln!(
        f,
        "             {number:>3} {:>12.6} {:>12.6} {:>8.4} {:>8.4}   {curve}",
        begins.value,
        lasts.value,
        shown_level(from.value),
        shown_level(to.value)
    )?;
    writeln!(
        f,
        "               ± {:>12.1e} {:>12.1e} {:>8.0e} {:>8.0e}",
        begins.uncertainty, lasts.uncertainty, from.uncertainty, to.uncertainty
    )?;
    if let Some(tau) = stage.time_constant {
        let bend = stage.bend;
        writeln!(
            f,
            "                 time constant {:.6} ± {:.1e} s, bend {:.4} ± {:.1e}",
            tau.value, tau.uncertainty, bend.value, bend.uncertainty
        )?;
    }
    Ok(())
}

/// Without the sign of a zero.
fn shown_level(level: f64) -> f64 {
    if level.abs() < 5e-5 { 0.0 } else { level }
}

/// Whether two levels part by more than their uncertainties.
fn apart(left: &Reading, right: &Reading) -> bool {
    leaps(left, right, LEAST_WAY)
}
