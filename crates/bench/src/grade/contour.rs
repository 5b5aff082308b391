//! Grades a recorded contour: stage times, curves and levels, and the parameters that make it
//! again.
//!
//! A DC-coupled trace is read as it is, at any polarity, scale and offset. Of a tone its
//! amplitude is read; where the recording opens with the note, silence is taken to come
//! before it. The level before the first stage counts as 0: of a tone, or where the recording
//! opens with the first stage, its first level.
//!
//! Rounding to the file's format is no noise: it stands still where the trace does. Its half
//! step δ counts as an offset of a whole tail, which moves a fitted time constant by `4 δ/A`
//! of itself (least squares of `A e^(-x) - δ` by an exponential that ends at 0) and a bend
//! by `8 δ/A` (a bend b bows a straight way A by `A b/8`).

use std::fmt;

use plumbtone_measure::decay::Decay;
use plumbtone_measure::envelope::{Envelope, REJECTION_DB};
use plumbtone_measure::exponential::Exponential;
use plumbtone_measure::pitch::{Model, Pitch};
use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::stages::{self, Kind, StageReading};
use plumbtone_measure::{db, level};
use plumbtone_voice::contours::multistage::MAX_POINTS;
use plumbtone_voice::parameter::Parameter;
use serde::Serialize;

use super::refuse_clipping;
use crate::error::Error;
use crate::settings::Settings;
use crate::wav::Recording;

/// How the contour was recorded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Coupling {
    /// To be found: what swings around zero at audio rate is a tone.
    #[default]
    Auto,
    /// The control signal itself.
    Dc,
    /// The amplitude of a tone.
    Tone,
}

/// What is known of the recording beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ContourSettings {
    /// How it was recorded.
    pub coupling: Coupling,
    /// Frequency of the tone, Hz; found when not given.
    pub hz: Option<f64>,
    /// Level that counts as 1, full scale = 1.0, from the level that counts as 0; the peak when
    /// not given.
    pub full: Option<f64>,
}

const COUPLING: Parameter = Parameter::choice("coupling", &["auto", "dc", "tone"]);
const TONE_HZ: Parameter = Parameter::number("hz", "Hz (0: found)", 0.0, 96_000.0, 0.0);
const FULL: Parameter = Parameter::number("full", "of full scale (0: the peak)", -8.0, 8.0, 0.0);

/// What [`ContourSettings::read`] takes.
pub const CONTOUR_PARAMETERS: [Parameter; 3] = [COUPLING, TONE_HZ, FULL];

impl ContourSettings {
    /// Takes settings by name, of [`CONTOUR_PARAMETERS`].
    ///
    /// # Errors
    /// None for settings made by [`Settings::set`] with these parameters.
    pub fn read(settings: &Settings) -> Result<Self, Error> {
        let given = |parameter| {
            let value = settings.value(parameter)?;
            Ok::<_, Error>((value != 0.0).then_some(value))
        };
        let coupling = match settings.value(&COUPLING)? {
            1.0 => Coupling::Dc,
            2.0 => Coupling::Tone,
            _ => Coupling::Auto,
        };
        Ok(Self { coupling, hz: given(&TONE_HZ)?, full: given(&FULL)? })
    }
}

/// Curve of a stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum StageKind {
    /// No change.
    Constant,
    /// No bend.
    Line,
    /// Toward a target, or away from one.
    Exponential,
}

/// One stage of the recording. Levels are re the one that counts as 1.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stage {
    /// Position in the recording, s.
    pub begins: Reading,
    /// Length, s; of an exponential that has settled, up to the next change.
    pub lasts: Reading,
    /// Level of the curve at its beginning.
    pub from: Reading,
    /// Level of the curve at its end.
    pub to: Reading,
    /// What curve it is.
    pub kind: StageKind,
    /// Time constant of an exponential, s; negative if it grows.
    pub time_constant: Option<Reading>,
    /// Length over time constant, for an exponential.
    pub bend: Option<Reading>,
    /// Level that an exponential approaches, or leaves.
    pub target: Option<Reading>,
}

impl Stage {
    /// An exponential that lasts more than `SETTLED` time constants: it has arrived, and what
    /// remains is a level that is held.
    pub fn settles(&self) -> bool {
        self.bend.is_some_and(|bend| bend.value > SETTLED)
    }
}

/// Time constants after which nothing tells an exponential from its target at 60 dB.
const SETTLED: f64 = 6.907_755;

/// Parameters of a module that make the contour again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Played {
    /// Module name.
    pub module: &'static str,
    /// `NAME=VALUE`, in the order of the points.
    pub set: Vec<String>,
    /// How long the key is held, s; none where it does not matter.
    pub hold_s: Option<f64>,
    /// From the key to the end of the recording, s.
    pub seconds: f64,
}

/// Parameters of an adsr, with their uncertainties; none for what the recording does not show.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Adsr {
    /// Time from 0 to 1, s. The module ends it at a sample: half a sample is included.
    pub attack: Reading,
    /// Level that the attack aims at.
    pub overshoot: Option<Reading>,
    /// Time to come within 60 dB, s.
    pub decay: Option<Reading>,
    /// Level that is held.
    pub sustain: Reading,
    /// Time to fall by 60 dB, s.
    pub release: Option<Reading>,
    /// As the bench takes them.
    pub played: Played,
}

/// How straight the release falls in dB.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Straightness {
    /// Largest deviation from the line, dB. Floor: what noise and rounding may add.
    pub deviation: Reading,
    /// Span below the beginning of the release that was looked at, dB.
    pub span_db: f64,
}

/// The grades of one recorded contour.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContourSheet {
    /// Version of this layout.
    pub schema: &'static str,
    /// Sample format of the file.
    pub format: String,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Length of the recording, s.
    pub seconds: f64,
    /// How it was recorded, as given or as found.
    pub coupling: Coupling,
    /// Whether the coupling was found rather than given.
    pub coupling_found: bool,
    /// The tone, Hz.
    pub tone_hz: Option<f64>,
    /// For a tone: time in which a step of its amplitude rises from 10 to 90 %, s.
    pub rise_s: Option<f64>,
    /// Shortest stage that is sure to be found, s.
    pub shortest_s: f64,
    /// Level that counts as 0, full scale = 1.0.
    pub zero: Reading,
    /// Distance from there to the level that counts as 1, negative where that lies below.
    pub full: Reading,
    /// Whether [`ContourSheet::full`] is the peak rather than given.
    pub full_found: bool,
    /// Rms of the trace about its curves, dB re 1; of a tone, of its amplitude.
    pub noise_db: f64,
    /// The stages in order.
    pub stages: Vec<Stage>,
    /// Target over end of the first stage that moves, where it is cut before its target.
    pub overshoot: Option<Reading>,
    /// Of the last stage, where it decays to 0 exponentially.
    pub straightness: Option<Straightness>,
    /// Parameters for `multistage`, where sixteen points are enough.
    pub multistage: Option<Played>,
    /// Parameters for `adsr`, where the contour has its shape.
    pub adsr: Option<Adsr>,
}

/// Value of [`ContourSheet::schema`].
pub const CONTOUR_SCHEMA: &str = "plumbtone.grade.contour/1";

/// Values of a tone's envelope that are left out beside a corner: two that the Gaussian rounds
/// off, and one for the doubt about where it is.
const REACH: usize = 3;

/// Values over time that stages are looked for in.
struct Trace {
    values: Vec<f64>,
    /// Sample of the recording that the first value belongs to; negative in front of it.
    first: f64,
    /// Samples of the recording from one to the next.
    step: f64,
    /// Error of a value that is no noise, full scale = 1.0.
    tolerance: f64,
    /// Sigma of the Gaussian that the values are averaged with, in values.
    sigma: f64,
    tone: Option<(f64, f64)>,
}

/// Grades a recording of a contour.
///
/// # Errors
/// [`Error::Request`] or [`Error::Measure`] in one line for silence, clipping, no stages, no tone,
/// or a recording that is too short; [`Error::Range`] for a tone out of range.
pub fn contour(recording: &Recording, settings: &ContourSettings) -> Result<ContourSheet, Error> {
    let samples = &recording.samples;
    level::screen(samples).map_err(Error::measuring("recording"))?;
    refuse_clipping(samples)?;
    let rate_hz = f64::from(recording.rate_hz);
    let coupling = match settings.coupling {
        Coupling::Auto if swings(samples, rate_hz) => Coupling::Tone,
        Coupling::Auto => Coupling::Dc,
        given => given,
    };
    let mut trace = match coupling {
        Coupling::Tone => Trace::of_tone(recording, settings.hz)?,
        _ => Trace {
            values: samples.clone(),
            first: 0.0,
            step: 1.0,
            tolerance: recording.half_step,
            sigma: 0.0,
            tone: None,
        },
    };
    let mut found = trace.stages()?;
    // An amplitude has no sign: where the tone is gone, noise of this rms reads as its mean of
    // sqrt(pi/2) (Rice, Bell Syst. Tech. J. 24, 1945, 46-156), and counts as an offset.
    if trace.tone.is_some() {
        trace.tolerance += (0.5 * std::f64::consts::PI).sqrt() * noise_rms(&found);
        for s in &mut found {
            for level in [&mut s.level_start, &mut s.level_end, &mut s.target] {
                level.uncertainty = level.uncertainty.hypot(trace.tolerance);
            }
        }
    }
    let scale = Scale::of(&found, settings.full, &trace)?;
    let stages: Vec<Stage> = found.iter().map(|s| scale.stage(s, &trace, rate_hz)).collect();
    let one = scale.full.value.abs();
    let noise = noise_rms(&found);
    // What cannot be told from the level that is approached.
    let least = (trace.tolerance.max(noise) / one).max(2_f64.powi(-20));
    let moving = moving(&stages);
    let overshoot = moving.first().and_then(|first| overshoot(&stages[*first]));
    let straightness =
        moving.last().and_then(|&last| straightness(&stages[last], &scale, &trace, noise, rate_hz));
    Ok(ContourSheet {
        schema: CONTOUR_SCHEMA,
        format: recording.format.clone(),
        rate_hz: recording.rate_hz,
        seconds: samples.len() as f64 / rate_hz,
        coupling,
        coupling_found: settings.coupling == Coupling::Auto,
        tone_hz: trace.tone.map(|tone| tone.0),
        rise_s: trace.tone.map(|tone| tone.1 / rate_hz),
        shortest_s: (stages::MIN_SAMPLES + 2 * trace.blur()) as f64 * trace.step / rate_hz,
        zero: scale.zero,
        full: scale.full,
        full_found: settings.full.is_none(),
        noise_db: db(noise / one),
        overshoot,
        straightness,
        multistage: multistage(&stages, &moving, least, rate_hz),
        adsr: adsr(&stages, &moving, rate_hz),
        stages,
    })
}

/// Whether the recording crosses zero at audio rate: 16 swings of a twentieth of the peak or
/// more to both sides, half of them within 1/40 s of the one before.
fn swings(samples: &[f64], rate_hz: f64) -> bool {
    let crossings = crossings(samples);
    let mut apart: Vec<usize> = crossings.windows(2).map(|pair| pair[1] - pair[0]).collect();
    apart.sort_unstable();
    apart.len() >= 16 && apart[apart.len() / 2] as f64 <= rate_hz / 40.0
}

/// Where the samples leave one side of zero for the other by a twentieth of the peak.
fn crossings(samples: &[f64]) -> Vec<usize> {
    let limit = samples.iter().fold(0.0_f64, |peak, x| peak.max(x.abs())) / 20.0;
    let mut side = 0.0;
    let mut found = Vec::new();
    for (index, x) in samples.iter().enumerate().filter(|(_, x)| x.abs() > limit) {
        if x.signum() != side {
            side = x.signum();
            found.push(index);
        }
    }
    found
}

/// Frequency from the first crossing to the last: two to a cycle.
fn crossed_hz(samples: &[f64], rate_hz: f64) -> Option<f64> {
    let found = crossings(samples);
    let (first, last) = (found.first()?, found.last()?);
    // Each crossing is known to a sample.
    let sure = found.len() > 32;
    sure.then(|| 0.5 * rate_hz * (found.len() - 1) as f64 / (last - first) as f64)
}

/// The half second, or all there is, with the most power: where the pitch is clearest.
fn loudest(samples: &[f64], rate_hz: f64) -> &[f64] {
    let span = ((rate_hz / 2.0) as usize).min(samples.len()) & !1;
    let power = |first: usize| samples[first..first + span].iter().map(|x| x * x).sum::<f64>();
    let hop = (span / 8).max(1);
    let firsts = (0..=samples.len() - span).step_by(hop);
    let best = firsts.max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap_or(0);
    &samples[best..best + span]
}

impl Trace {
    /// The amplitude of the tone, at the spacing where its noise is independent.
    fn of_tone(recording: &Recording, hz: Option<f64>) -> Result<Self, Error> {
        let rate_hz = f64::from(recording.rate_hz);
        let samples = &recording.samples;
        let hz = match hz {
            Some(hz) => hz,
            None => {
                let loud = loudest(samples, rate_hz);
                let pitch = Pitch::new().estimate(loud, rate_hz, None, &Model::default());
                // A level that moves fast smears the lines, but not the crossings.
                let crossed = || crossed_hz(loud, rate_hz).ok_or_else(no_tone);
                pitch.map(|pitch| pitch.hz).or_else(|_| crossed())?
            }
        };
        let read = |samples: &[f64]| {
            Envelope::of(samples, rate_hz, hz, REJECTION_DB)
                .map_err(Error::measuring("amplitude of the tone"))
        };
        // The recording may open with the note: silence before it keeps the beginning.
        let plain = read(samples)?;
        let edge = plain.edge_samples;
        let front = 2 * edge + (36.0 * plain.sigma_samples).ceil() as usize;
        let peak = samples.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
        let opens = samples.iter().take(front).any(|x| x.abs() > 0.01 * peak);
        let (front, envelope) = if opens {
            let mut padded = vec![0.0; front];
            padded.extend_from_slice(samples);
            (front, read(&padded)?)
        } else {
            (0, plain)
        };
        let share = envelope.amplitude.iter().map(|a| a * a / 2.0).sum::<f64>()
            / samples.iter().map(|x| x * x).sum::<f64>();
        // White noise has this share of its power in the band.
        let noise_share = 2.0 * envelope.noise_gain * envelope.noise_gain;
        if share < (2.0 * noise_share).clamp(0.05, 0.5) {
            return Err(no_tone());
        }
        let thin = envelope.thinned();
        // Rounding of a sine follows it: a square wave of half a step has 4/pi at the tone.
        let rounding = 4.0 / std::f64::consts::PI * recording.half_step;
        Ok(Self {
            first: thin.first_sample as f64 - front as f64,
            step: thin.step_samples as f64,
            tolerance: rounding + envelope.ripple * peak,
            sigma: envelope.sigma_samples / thin.step_samples as f64,
            tone: Some((hz, envelope.rise_samples)),
            values: thin.amplitude,
        })
    }

    /// Values on either side of a corner that the Gaussian rounds off: six sigma.
    fn blur(&self) -> usize {
        if self.tone.is_some() { 2 } else { 0 }
    }

    fn stages(&self) -> Result<Vec<StageReading>, Error> {
        let options = stages::Options {
            tolerance: self.tolerance,
            noise_rms: None,
            blur_samples: self.blur(),
        };
        let mut found = stages::find(&self.values, &options)
            .map_err(Error::measuring("stages of the recording"))?;
        if self.tone.is_some() {
            found = self.rejoin(&found);
            self.sharpen(&mut found);
        }
        // An adsr arrives with a step of 2^-20 of its way: that is no stage of its own.
        let way = |s: &StageReading| (s.level_end.value - s.level_start.value).abs();
        let least = found.iter().map(way).fold(0.0, f64::max) * 2_f64.powi(-19);
        for s in &mut found {
            if way(s) <= least.max(4.0 * self.tolerance) {
                s.kind = Kind::Constant;
            }
        }
        // Rounding stands still for long where a trace hardly moves: one level is one stage.
        found.dedup_by(|next, last| {
            let apart = (next.level_start.value - last.level_end.value).abs();
            let doubt = next.level_start.uncertainty + last.level_end.uncertainty;
            let one = (last.kind, next.kind) == (Kind::Constant, Kind::Constant)
                && apart <= 2.0 * doubt + 2.0 * self.tolerance;
            if one {
                if next.end.value - next.start.value > last.end.value - last.start.value {
                    (last.level_start, last.level_end) = (next.level_start, next.level_end);
                }
                last.end = next.end;
            }
            one
        });
        Ok(found)
    }

    /// Stages of a tone, each fitted clear of its corners, and joined where one curve describes
    /// two: where noise is low, what is left of a corner passes for a stage.
    fn rejoin(&self, found: &[StageReading]) -> Vec<StageReading> {
        let last = (self.values.len() - 1) as f64;
        let length = |s: &StageReading| s.end.value - s.start.value;
        let mut cuts = vec![0.0];
        for (index, s) in found.iter().enumerate().skip(1) {
            let previous = &found[index - 1];
            if length(previous) < REACH as f64 && cuts.len() > 1 {
                // The middle of a corner that passed for a stage.
                let corner = previous.start.value.midpoint(s.start.value);
                cuts.pop();
                cuts.push(corner);
            } else {
                cuts.push(s.start.value);
            }
        }
        cuts.push(last);
        let long = |s: &&StageReading| length(s) >= 12.0;
        let noise = found.iter().filter(long).map(|s| s.residual_rms).fold(0.0, f64::max);
        let limit = 6.0 * noise + 2.0 * self.tolerance;
        let inner = |from: f64, to: f64| {
            let begin = from.ceil() as usize + if from > 0.0 { REACH } else { 0 };
            let end = (to.floor() as usize + 1) - if to < last { REACH } else { 0 };
            (begin + 1 < end).then_some((begin, end))
        };
        let fit = |from: f64, to: f64| {
            let (begin, end) = inner(from, to)?;
            Some((begin, Exponential::fit(&self.values[begin..end]).ok()?))
        };
        let mut i = 1;
        while i + 1 < cuts.len() {
            let alone = fit(cuts[i - 1], cuts[i]).is_none() || fit(cuts[i], cuts[i + 1]).is_none();
            let joined = fit(cuts[i - 1], cuts[i + 1]);
            if joined.is_some_and(|(_, curve)| curve.residual_peak <= limit) {
                cuts.remove(i);
                i = i.saturating_sub(1).max(1);
            } else if alone && fit(cuts[i - 1], cuts[i]).is_none() && i > 1 {
                // Too short to be a stage: the corner lies within it.
                cuts[i - 1] = cuts[i - 1].midpoint(cuts[i]);
                cuts.remove(i);
            } else {
                i += 1;
            }
        }
        let read = |pair: &[f64]| {
            let (begin, curve) = fit(pair[0], pair[1])?;
            let whole = inner(pair[0], pair[1]).map_or(1, |(from, to)| to - from - 1) as f64;
            let (bend, rise) = (curve.bend.value, curve.end.value - curve.start.value);
            let kind = if rise.abs() <= 4.0 * self.tolerance {
                Kind::Constant
            } else if bend.abs() > 1.5 * curve.bend.uncertainty {
                Kind::Exponential
            } else {
                Kind::Line
            };
            let level = |x: f64, near: Reading| {
                let u = (x - begin as f64) / whole;
                let value = match kind {
                    Kind::Constant => curve.start.value.midpoint(curve.end.value),
                    Kind::Line => curve.start.value + rise * u,
                    Kind::Exponential => {
                        let gone = -(-(u * whole) / curve.time_constant.value).exp_m1();
                        curve.start.value + (curve.target.value - curve.start.value) * gone
                    }
                };
                let wide = near.uncertainty.hypot(self.tolerance);
                Reading::new(value, Unit::FullScale, wide)
            };
            let place = |x: f64| Reading::new(x, Unit::Samples, 0.0);
            Some(StageReading {
                first: begin,
                start: place(pair[0]),
                end: place(pair[1]),
                level_start: level(pair[0], curve.start),
                level_end: level(pair[1], curve.end),
                kind,
                time_constant: curve.time_constant,
                bend: curve.bend,
                target: curve.target,
                residual_rms: curve.residual_rms,
            })
        };
        cuts.windows(2).filter_map(read).collect()
    }

    /// Where the values pass `middle` near `cut`, within half a value.
    fn edge(&self, cut: f64, middle: f64) -> (f64, f64) {
        let low = (cut as usize).saturating_sub(REACH);
        let near = &self.values[low..(cut as usize + REACH + 2).min(self.values.len())];
        let passes = |pair: &[f64]| (pair[0] - middle) * (pair[1] - middle) <= 0.0;
        near.windows(2).position(passes).map_or((cut, REACH as f64), |i| {
            let share = (middle - near[i]) / (near[i + 1] - near[i]);
            (low as f64 + i as f64 + if share.is_finite() { share } else { 0.5 }, 0.5)
        })
    }

    /// Takes back what the Gaussian does to exponentials, and moves the corners to where the
    /// curves then meet.
    fn sharpen(&self, found: &mut [StageReading]) {
        let curve = |s: &StageReading| {
            let (from, to) = (s.level_start.value, s.level_end.value);
            let (start, end) = (s.start.value, s.end.value);
            let (target, constant) = (s.target.value, s.time_constant.value);
            let bent = s.kind == Kind::Exponential;
            let gain = (-0.5 * (self.sigma / constant).powi(2)).exp();
            move |x: f64| {
                if bent {
                    target + (from - target) * gain * (-(x - start) / constant).exp()
                } else {
                    from + (to - from) * (x - start) / (end - start).max(1.0)
                }
            }
        };
        let curves: Vec<_> = found.iter().map(curve).collect();
        for i in 1..found.len() {
            let old = found[i].start;
            let (left, right) = (&curves[i - 1], &curves[i]);
            let gap = |x: f64| left(x) - right(x);
            let doubt = found[i - 1].level_end.uncertainty + found[i].level_start.uncertainty;
            let mut x = old.value;
            let slope = |x: f64| gap(x + 0.5) - gap(x - 0.5);
            for _ in 0..8 {
                let step = gap(x) / slope(x);
                x = (x - if step.is_finite() { step } else { 0.0 })
                    .clamp(old.value - REACH as f64, old.value + REACH as f64);
            }
            let doubt = doubt + 2.0 * self.tolerance;
            let (x, wide) = if gap(x).abs() <= doubt {
                (x, doubt / slope(x).abs())
            } else {
                self.edge(old.value, left(old.value).midpoint(right(old.value)))
            };
            let place = Reading::new(x, Unit::Samples, wide);
            found[i - 1].end = place;
            found[i].start = place;
            found[i - 1].level_end.value = left(x);
            found[i].level_start.value = right(x);
        }
        for s in found.iter_mut().filter(|s| s.kind == Kind::Exponential) {
            let (ends, constant) = (s.start.uncertainty.hypot(s.end.uncertainty), s.time_constant);
            let bend = (s.end.value - s.start.value) / constant.value;
            let share = constant.uncertainty / constant.value;
            s.bend = Reading::new(bend, Unit::Ratio, (bend * share).hypot(ends / constant.value));
        }
    }
}

fn no_tone() -> Error {
    Error::Request(
        "no tone stands out of the recording: give its frequency with --set hz=..., or \
         --set coupling=dc for a control trace"
            .to_owned(),
    )
}

/// Rms about the curves, over all stages by their lengths.
fn noise_rms(found: &[StageReading]) -> f64 {
    let length = |s: &StageReading| s.end.value - s.start.value;
    let power: f64 = found.iter().map(|s| s.residual_rms.powi(2) * length(s)).sum();
    (power / found.iter().map(length).sum::<f64>()).sqrt()
}

/// What counts as 0 and as 1.
struct Scale {
    zero: Reading,
    full: Reading,
}

impl Scale {
    fn of(found: &[StageReading], full: Option<f64>, trace: &Trace) -> Result<Self, Error> {
        let zero = found[0].level_start;
        let nothing = || {
            Error::Request(
                "no stage moves in the recording: record the contour from before its first \
                 stage to its end"
                    .to_owned(),
            )
        };
        let ends = found.iter().flat_map(|s| [s.level_start, s.level_end]);
        let peak = ends
            .max_by(|a, b| (a.value - zero.value).abs().total_cmp(&(b.value - zero.value).abs()))
            .ok_or_else(nothing)?;
        let way = peak.value - zero.value;
        let least = 4.0 * noise_rms(found) + 4.0 * trace.tolerance;
        if way.abs() <= least || found.iter().all(|s| s.kind == Kind::Constant) && found.len() < 2 {
            return Err(nothing());
        }
        let full = match full {
            Some(full) => Reading::new(full, Unit::FullScale, 0.0),
            None => {
                let wide = peak.uncertainty.hypot(zero.uncertainty);
                Reading::new(way, Unit::FullScale, wide)
            }
        };
        Ok(Self { zero, full })
    }

    fn level(&self, level: Reading) -> Reading {
        let value = (level.value - self.zero.value) / self.full.value;
        let wide = level
            .uncertainty
            .hypot(self.zero.uncertainty * (1.0 - value))
            .hypot(self.full.uncertainty * value);
        Reading::new(value, Unit::Ratio, wide / self.full.value.abs())
    }

    fn stage(&self, s: &StageReading, trace: &Trace, rate_hz: f64) -> Stage {
        let unit = trace.step / rate_hz;
        let seconds = |value: f64, wide: f64| Reading::new(value, Unit::Seconds, wide);
        let kind = match s.kind {
            Kind::Constant => StageKind::Constant,
            Kind::Line => StageKind::Line,
            Kind::Exponential => StageKind::Exponential,
        };
        let bent = kind == StageKind::Exponential;
        let way = (s.level_end.value - s.level_start.value).abs().max(f64::MIN_POSITIVE);
        let rounding = trace.tolerance / way;
        let (bend, constant) = (s.bend, s.time_constant);
        let share = 4.0 * rounding;
        // A short bend is read off its bow, a long one off its beginning.
        let bend_wide = (8.0 * rounding).max(share * bend.value.abs());
        let constant_wide = constant.value.abs() * bend_wide / bend.value.abs();
        Stage {
            begins: seconds(
                (trace.first + s.start.value * trace.step) / rate_hz,
                s.start.uncertainty * unit,
            ),
            lasts: seconds(
                (s.end.value - s.start.value) * unit,
                s.start.uncertainty.hypot(s.end.uncertainty) * unit,
            ),
            from: self.level(s.level_start),
            to: self.level(s.level_end),
            kind,
            time_constant: bent.then(|| {
                let wide = constant.uncertainty.hypot(constant_wide);
                seconds(constant.value * unit, wide * unit)
            }),
            bend: bent
                .then(|| Reading::new(bend.value, Unit::Ratio, bend.uncertainty.hypot(bend_wide))),
            target: bent.then(|| self.level(s.target)),
        }
    }
}

/// Indices of the stages from the first that moves on, without constants.
fn moving(stages: &[Stage]) -> Vec<usize> {
    let moves = |i: &usize| stages[*i].kind != StageKind::Constant;
    (0..stages.len()).filter(moves).collect()
}

/// Target over end, of an exponential from 0 that is cut: 1/(1 - e^-b).
fn overshoot(stage: &Stage) -> Option<Reading> {
    let bend = stage.bend.filter(|bend| bend.value > 0.0 && !stage.settles())?;
    let gone = (-bend.value).exp();
    let kept = -(-bend.value).exp_m1();
    Some(Reading::new(1.0 / kept, Unit::Ratio, gone / (kept * kept) * bend.uncertainty))
}

/// How straight the stage falls, from its beginning down to where noise and rounding may add half
/// a dB.
fn straightness(
    stage: &Stage,
    scale: &Scale,
    trace: &Trace,
    noise: f64,
    rate_hz: f64,
) -> Option<Straightness> {
    let target = stage.target.filter(|target| target.value.abs() <= 0.01)?;
    stage.bend.filter(|bend| bend.value > 0.0)?;
    let place = |s: f64| ((s * rate_hz - trace.first) / trace.step).max(0.0);
    let begin = place(stage.begins.value).ceil() as usize + trace.blur();
    let end = (place(stage.begins.value + stage.lasts.value) as usize)
        .saturating_sub(trace.blur())
        .min(trace.values.len());
    let values: Vec<f64> = trace
        .values
        .get(begin..end)?
        .iter()
        .map(|v| (v - scale.zero.value) / scale.full.value - target.value)
        .collect();
    let doubt = (trace.tolerance + 4.0 * noise) / scale.full.value.abs();
    let lowest = doubt / (10_f64.powf(0.5 / 20.0) - 1.0);
    let span_db = db(values.first()? / lowest).min(60.0);
    let low = values[0] * 10_f64.powf(-span_db / 20.0);
    let until = values.iter().position(|v| *v < low).unwrap_or(values.len());
    let reached = values[..until].iter().copied().fold(f64::INFINITY, f64::min);
    let span_db = db(values[0] / reached);
    if span_db < 6.0 {
        return None;
    }
    let decay =
        Decay::fit(&values[..until], rate_hz / trace.step, span_db, (2.0 * doubt).min(1.0)).ok()?;
    Some(Straightness { deviation: decay.deviation_db, span_db })
}

/// A point of `multistage` and how long its level stands.
struct Point {
    samples: f64,
    level: f64,
    bend: f64,
    wait: f64,
}

fn multistage(stages: &[Stage], moving: &[usize], least: f64, rate_hz: f64) -> Option<Played> {
    let at = |s: f64| (s * rate_hz).round();
    // A jump out of rest shows as a level that was not there before.
    let first = usize::from(stages[0].kind == StageKind::Constant);
    let mut points: Vec<Point> = Vec::new();
    let mut level = Reading::new(0.0, Unit::Ratio, 0.0);
    for stage in &stages[first..] {
        let length = at(stage.begins.value + stage.lasts.value) - at(stage.begins.value);
        let (from, to) = (stage.from.value, stage.to.value);
        if (from - level.value).abs() > stage.from.uncertainty + level.uncertainty + least {
            points.push(Point { samples: 0.0, level: from, bend: 0.0, wait: 0.0 });
        }
        level = stage.to;
        let bend = stage.bend.map_or(0.0, |bend| bend.value);
        if stage.kind == StageKind::Constant {
            match points.last_mut() {
                // The level is clearer where it stands than where it is reached.
                Some(point) => (point.wait, point.level) = (point.wait + length, from),
                None => points.push(Point { samples: length, level: from, bend, wait: 0.0 }),
            }
            continue;
        }
        // What has arrived waits; what bends more than a point can is cut in equal parts.
        let way = ((to - from) / least).abs().max(1.0).ln();
        let used = if bend > 8.0 { (way / bend).min(1.0) } else { 1.0 };
        let parts = (bend.abs() * used / 8.0).ceil().max(1.0);
        let per_part = bend * used / parts;
        let whole = (length * used).round();
        for part in 1..=parts as usize {
            let share = part as f64 / parts;
            let gone = if bend == 0.0 { share } else { (bend * used * share).exp_m1() };
            let all = if bend == 0.0 { 1.0 } else { (bend * used).exp_m1() };
            // (1 - e^-bx)/(1 - e^-b), written so that neither end overflows.
            let way = if bend == 0.0 { 1.0 } else { (bend * used * (1.0 - share)).exp() };
            let level =
                if part as f64 == parts { to } else { from + (to - from) * gone * way / all };
            let samples = (whole * share).round() - (whole * (share - 1.0 / parts)).round();
            points.push(Point { samples, level, bend: per_part, wait: 0.0 });
        }
        if let Some(point) = points.last_mut() {
            point.wait = length - whole;
        }
    }
    moving.first()?;
    let seconds = points.iter().map(|point| point.samples + point.wait).sum::<f64>() / rate_hz;
    let held = (0..points.len().saturating_sub(1)).rev().find(|i| points[*i].wait > 0.0);
    let last = points.len() - 1;
    let (mut shown, mut hold, mut elapsed): (Vec<Point>, _, _) = (Vec::new(), None, 0.0);
    for (index, point) in points.into_iter().enumerate() {
        let Point { level, wait, .. } = point;
        elapsed += point.samples + wait;
        shown.push(point);
        if Some(index) == held {
            hold = Some((shown.len(), elapsed / rate_hz));
        } else if wait > 0.0 && index < last {
            shown.push(Point { samples: wait, level, bend: 0.0, wait: 0.0 });
        }
    }
    if shown.len() == 1 {
        shown.push(Point { samples: 0.0, level: shown[0].level, bend: 0.0, wait: 0.0 });
    }
    if shown.len() > MAX_POINTS || shown.iter().any(|point| point.samples > 100.0 * rate_hz) {
        return None;
    }
    let mut set = vec![format!("points={}", shown.len())];
    for (index, point) in shown.iter().enumerate() {
        let i = index + 1;
        set.push(format!("time-{i}={}", figure(point.samples / rate_hz, 7)));
        set.push(format!("level-{i}={}", figure(point.level.clamp(-1.0, 1.0), 7)));
        set.push(format!("bend-{i}={}", figure(point.bend.clamp(-8.0, 8.0), 5)));
    }
    if let Some((point, _)) = hold {
        set.push(format!("hold={point}"));
    }
    Some(Played { module: "multistage", set, hold_s: hold.map(|hold| hold.1), seconds })
}

/// A number without trailing zeros.
fn figure(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// The contour as an adsr: up to 1, down to a level, hold, down to 0.
fn adsr(stages: &[Stage], moving: &[usize], rate_hz: f64) -> Option<Adsr> {
    let is = |reading: Reading, value: f64| {
        (reading.value - value).abs() <= (3.0 * reading.uncertainty).max(0.005)
    };
    let aims = |stage: &Stage, value: f64| stage.target.is_some_and(|target| is(target, value));
    let decays = |stage: &Stage| {
        stage.bend.is_some_and(|bend| bend.value > 0.0) && stage.to.value < stage.from.value
    };
    let mut rest: Vec<&Stage> = moving.iter().map(|i| &stages[*i]).collect();
    let first = usize::from(stages[0].kind == StageKind::Constant);
    let opening = stages.get(first)?;
    let half = 0.5 / rate_hz;
    let (attack, overshoot) = if is(opening.from, 1.0) {
        // Up within a sample.
        (Reading::new(0.0, Unit::Seconds, half), None)
    } else {
        let attack = rest.remove(0);
        let straight = attack.kind == StageKind::Line;
        if !is(attack.from, 0.0) || !is(attack.to, 1.0) || attack.begins != opening.begins {
            return None;
        }
        // The parameter reaches from 1.01 to 100: bends of 4.6 to 0.01.
        let overshoot = overshoot(attack).filter(|a| (1.01..=100.0).contains(&a.value));
        if overshoot.is_none() && !straight {
            return None;
        }
        let wide = attack.lasts.uncertainty.hypot(half);
        (Reading { uncertainty: wide, ..attack.lasts }, overshoot)
    };
    let sixty_db = |stage: &Stage| {
        let constant = stage.time_constant?;
        let wide = SETTLED * constant.uncertainty;
        Some(Reading::new(SETTLED * constant.value, Unit::Seconds, wide))
    };
    let standing = || stages[first..].iter().find(|s| s.kind == StageKind::Constant);
    let (decay, release) = match rest[..] {
        [decay, release] if decays(decay) && decays(release) && aims(release, 0.0) => {
            (Some(decay), Some(release))
        }
        // Held at 1, or gone down to 0 before the key came up, or never let go.
        [release]
            if decays(release)
                && aims(release, 0.0)
                && standing().is_some_and(|s| is(s.from, 1.0)) =>
        {
            (None, Some(release))
        }
        [decay] if decays(decay) => (Some(decay), None),
        _ => return None,
    };
    let sustain = match decay {
        Some(decay) => decay.target.filter(|target| target.value > -0.01)?,
        None => standing()?.from,
    };
    let (decay_s, release_s) = (decay.and_then(sixty_db), release.and_then(sixty_db));
    let begins = opening.begins.value;
    let ends = stages.last()?;
    let ends = ends.begins.value + ends.lasts.value;
    let hold_s = release.map(|release| release.begins.value - begins);
    let mut set = vec![format!("attack={}", figure(attack.value, 7))];
    set.push(format!("overshoot={}", figure(overshoot.map_or(100.0, |a| a.value), 5)));
    if let Some(decay) = decay_s {
        set.push(format!("decay={}", figure(decay.value, 7)));
    }
    set.push(format!("sustain={}", figure(sustain.value.clamp(0.0, 1.0), 7)));
    if let Some(release) = release_s {
        set.push(format!("release={}", figure(release.value, 7)));
    }
    let seconds = ends - begins;
    let hold_s = hold_s.or(Some(seconds));
    let played = Played { module: "adsr", set, hold_s, seconds };
    Some(Adsr { attack, overshoot, decay: decay_s, sustain, release: release_s, played })
}

impl fmt::Display for Played {
    /// A command line, in lines of at most 66 characters.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words: Vec<String> = self.set.iter().map(|pair| format!("--set {pair}")).collect();
        words.extend(self.hold_s.map(|hold| format!("--hold {}", figure(hold, 7))));
        words.push(format!("--seconds {}", figure(self.seconds.clamp(0.01, 600.0), 7)));
        words.push("-o again.wav".to_owned());
        let mut line = format!("plumbtone render {}", self.module);
        for word in words {
            if line.chars().count() + word.len() > 63 {
                writeln!(f, "{line} \\")?;
                line = " ".repeat(13 + 4) + &word;
            } else {
                line += " ";
                line += &word;
            }
        }
        f.write_str(&line)
    }
}

impl fmt::Display for ContourSheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { format, rate_hz, seconds, zero, full, .. } = self;
        let found = if self.coupling_found { "found" } else { "given" };
        writeln!(f, "recording    {format}, {rate_hz} Hz, {seconds:.2} s")?;
        match (self.tone_hz, self.rise_s) {
            (Some(hz), Some(rise)) => {
                let rise = 1e3 * rise;
                writeln!(f, "coupling     amplitude of a tone ({found}), {hz:.1} Hz")?;
                writeln!(f, "             a step of it rises within {rise:.2} ms (10 to 90 %)")?;
            }
            _ => writeln!(f, "coupling     DC ({found})")?,
        }
        writeln!(
            f,
            "shortest     stage that is sure to be found: {:.2} ms",
            1e3 * self.shortest_s
        )?;
        writeln!(f, "level 0      {zero}, before the first stage")?;
        let peak = if self.full_found { "the peak" } else { "as given" };
        writeln!(f, "level 1      {full} from there, {peak}")?;
        writeln!(f, "noise        {:.1} dB re level 1, rms about the curves", self.noise_db)?;
        writeln!(f, "stages       begins, s    lasts, s         ±      from        to  curve")?;
        for (index, stage) in self.stages.iter().enumerate() {
            let Stage { begins, lasts, from, to, .. } = stage;
            let kind = match stage.kind {
                StageKind::Constant => "constant",
                StageKind::Line => "line",
                StageKind::Exponential => "exponential",
            };
            writeln!(
                f,
                "          {:>2} {:>10.5} {:>11.5} {:>9} {:>9.5} {:>9.5}  {kind}",
                index + 1,
                begins.value,
                lasts.value,
                small(lasts.uncertainty),
                from.value,
                to.value
            )?;
            if let (Some(constant), Some(bend)) = (stage.time_constant, stage.bend) {
                let settled = if stage.settles() { ", settles" } else { "" };
                writeln!(
                    f,
                    "             time constant {constant}\n             bend {bend}{settled}"
                )?;
            }
        }
        if let Some(overshoot) = self.overshoot {
            writeln!(f, "overshoot    {overshoot}: what the first rise aims at, re its end")?;
        }
        if let Some(Straightness { deviation, span_db }) = &self.straightness {
            let Reading { value, uncertainty, .. } = deviation;
            writeln!(
                f,
                "release      straight within {value:.3} ± {uncertainty:.3} dB over {span_db:.1} dB"
            )?;
        }
        match &self.multistage {
            Some(played) => writeln!(f, "multistage   {played}")?,
            None => writeln!(f, "multistage   takes more points or time than it has")?,
        }
        let Some(adsr) = &self.adsr else { return Ok(()) };
        writeln!(f, "adsr         {}", adsr.played)?;
        let named = [
            ("attack", Some(adsr.attack)),
            ("overshoot", adsr.overshoot),
            ("decay", adsr.decay),
            ("sustain", Some(adsr.sustain)),
            ("release", adsr.release),
        ];
        for (name, reading) in named {
            match reading {
                Some(reading) => writeln!(f, "             {name:<9} {reading}")?,
                None => writeln!(f, "             {name:<9} cannot be told")?,
            }
        }
        Ok(())
    }
}

/// An uncertainty with two digits.
fn small(value: f64) -> String {
    if value <= 0.0 {
        return "exact".to_owned();
    }
    let digits = (1.0 - value.log10().floor()).clamp(0.0, 7.0) as usize;
    format!("{value:.digits$}")
}
