//! A recorded trace as a row of pieces, each on one curve.

use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::stages::{self, Kind, Options, StageReading};

use crate::error::Error;
use crate::wav::Recording;

/// A trace and what is known of it. Times in samples, levels in WAV full scale.
pub(super) struct Trace {
    /// Neighbours share their corner.
    pub pieces: Vec<Piece>,
    /// The samples, or the amplitude of the tone.
    pub levels: Vec<f64>,
    /// Rms of the noise about the pieces.
    pub noise: f64,
    /// The tone, where there is one.
    pub tone: Option<Tone>,
}

/// A tone that carries the trace.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tone {
    pub hz: f64,
    /// Sigma of what its amplitude is averaged with, samples.
    pub sigma: f64,
}

/// The curve of a piece: straight, or an exponential toward a target.
#[derive(Clone, Copy, Debug)]
pub(super) struct Course {
    /// Where `level` holds.
    anchor: f64,
    level: f64,
    bent: Bent,
}

#[derive(Clone, Copy, Debug)]
enum Bent {
    Straight { slope: f64 },
    Toward { target: f64, tau: f64 },
}

impl Course {
    fn of(stage: &StageReading) -> Self {
        let (anchor, level) = (stage.start.value, stage.level_start.value);
        let length = stage.end.value - anchor;
        let bent = match stage.kind {
            Kind::Exponential => {
                Bent::Toward { target: stage.target.value, tau: stage.time_constant.value }
            }
            Kind::Line if length > 0.0 => {
                Bent::Straight { slope: (stage.level_end.value - level) / length }
            }
            _ => Bent::Straight { slope: 0.0 },
        };
        Self { anchor, level, bent }
    }

    pub fn straight(anchor: f64, level: f64, slope: f64) -> Self {
        Self { anchor, level, bent: Bent::Straight { slope } }
    }

    pub fn toward(anchor: f64, level: f64, target: f64, tau: f64) -> Self {
        Self { anchor, level, bent: Bent::Toward { target, tau } }
    }

    pub fn at(&self, sample: f64) -> f64 {
        let n = sample - self.anchor;
        match self.bent {
            Bent::Straight { slope } => self.level + slope * n,
            Bent::Toward { target, tau } => target + (self.level - target) * (-n / tau).exp(),
        }
    }

    pub fn slope(&self, sample: f64) -> f64 {
        match self.bent {
            Bent::Straight { slope } => slope,
            Bent::Toward { target, tau } => (target - self.at(sample)) / tau,
        }
    }

    /// Where the curve, drawn on, reaches a level.
    pub fn reaches(&self, level: f64) -> Option<f64> {
        let n = match self.bent {
            Bent::Straight { slope } => (level - self.level) / slope,
            Bent::Toward { target, tau } => tau * ((self.level - target) / (level - target)).ln(),
        };
        n.is_finite().then_some(self.anchor + n)
    }

    /// What an average over a Gaussian makes of the curve, away from its ends.
    pub fn blurred(self, sigma: f64) -> Self {
        match self.bent {
            Bent::Straight { .. } => self,
            Bent::Toward { target, tau } => {
                let lift = (0.5 * (sigma / tau).powi(2)).exp();
                Self { level: target + (self.level - target) * lift, ..self }
            }
        }
    }

    /// The curve that an average over a Gaussian turns into this one: an exponential comes out
    /// exp(s²/2T²) times as high above its target.
    pub fn sharpened(self, sigma: f64, samples_per_unit: f64, first: f64) -> Self {
        let anchor = first + self.anchor * samples_per_unit;
        match self.bent {
            Bent::Straight { slope } => {
                let bent = Bent::Straight { slope: slope / samples_per_unit };
                Self { anchor, level: self.level, bent }
            }
            Bent::Toward { target, tau } => {
                let tau = tau * samples_per_unit;
                let lift = (0.5 * (sigma / tau).powi(2)).exp();
                let level = target + (self.level - target) / lift;
                Self { anchor, level, bent: Bent::Toward { target, tau } }
            }
        }
    }
}

/// One stage of a trace.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece {
    pub kind: Kind,
    pub course: Course,
    pub start: Reading,
    pub end: Reading,
    pub from: Reading,
    pub to: Reading,
    /// Level that an exponential approaches or leaves.
    pub target: Reading,
    /// Time constant, negative for a growing exponential.
    pub tau: Reading,
    /// Time constants from start to end.
    pub bend: Reading,
    /// Uncertainty of the curve's own level at start and end.
    pub known: [f64; 2],
    /// Rms of the samples about the curve.
    pub rms: f64,
}

impl Piece {
    pub fn of(stage: &StageReading) -> Self {
        let course = Course::of(stage);
        // The reading holds what the doubt about its corner is worth: without it.
        let known = |level: Reading, corner: Reading| {
            let moved = course.slope(corner.value) * corner.uncertainty;
            (level.uncertainty.powi(2) - moved.powi(2)).max(0.0).sqrt()
        };
        Self {
            kind: stage.kind,
            course,
            start: stage.start,
            end: stage.end,
            from: stage.level_start,
            to: stage.level_end,
            target: stage.target,
            tau: stage.time_constant,
            bend: stage.bend,
            known: [known(stage.level_start, stage.start), known(stage.level_end, stage.end)],
            rms: stage.residual_rms,
        }
    }

    /// The same stage without its movement.
    pub fn resting(&self) -> Self {
        let course = Course::straight(self.end.value, self.to.value, 0.0);
        let bend = Reading::new(0.0, Unit::Ratio, f64::INFINITY);
        Self { kind: Kind::Constant, course, from: self.to, bend, ..*self }
    }

    /// The bend of an exponential whose corners were moved.
    pub fn bend_again(&mut self) {
        if self.kind == Kind::Exponential {
            let bend = self.length() / self.tau.value;
            let wide = bend * self.tau.uncertainty / self.tau.value;
            let wide = wide.hypot(self.length_wide() / self.tau.value);
            self.bend = Reading::new(bend, Unit::Ratio, wide);
        }
    }

    pub fn length(&self) -> f64 {
        self.end.value - self.start.value
    }

    /// Uncertainty of the length.
    pub fn length_wide(&self) -> f64 {
        self.start.uncertainty.hypot(self.end.uncertainty)
    }
}

pub(super) fn widened(reading: Reading, by: f64) -> Reading {
    Reading { uncertainty: reading.uncertainty.hypot(by), ..reading }
}

/// Whether the level leaps from one piece to the next.
pub(super) fn leaps(left: &Reading, right: &Reading, least: f64) -> bool {
    (left.value - right.value).abs() > 2.0 * (left.uncertainty + right.uncertainty) + least
}

/// Splits a DC-coupled trace.
pub(super) fn direct(recording: &Recording) -> Result<Trace, Error> {
    let samples = &recording.samples;
    let options = Options { tolerance: recording.half_step, ..Options::F64 };
    let stages = stages::find(samples, &options).map_err(Error::measuring("recording"))?;
    let mut pieces: Vec<Piece> = stages.iter().map(Piece::of).collect();
    for (i, stage) in stages.iter().enumerate().skip(1) {
        let leaps = leaps(&pieces[i - 1].to, &pieces[i].from, 2.0 * recording.half_step);
        // A corner that falls between the samples may have been put on the nearest one, and a
        // leap happens anywhere between its two samples.
        let off = (stage.start.value - stage.first as f64).abs();
        let off = if leaps { 0.5 } else { off };
        pieces[i - 1].end = widened(pieces[i - 1].end, off);
        pieces[i].start = widened(pieces[i].start, off);
        if !leaps {
            let steep = |piece: &Piece| off * piece.course.slope(stage.start.value).abs();
            pieces[i - 1].to = widened(pieces[i - 1].to, steep(&pieces[i - 1]));
            pieces[i].from = widened(pieces[i].from, steep(&pieces[i]));
        }
    }
    rest_again(&mut pieces, samples, &options);
    let power: f64 = pieces.iter().map(|piece| piece.rms.powi(2) * piece.length()).sum();
    let noise = (power / samples.len() as f64).sqrt();
    Ok(Trace { pieces, levels: samples.clone(), noise, tone: None })
}

/// Least share of the swing that a stage moves by, if it might as well be a rest.
const SLIGHT: f64 = 0.02;
/// By how many variances a description with fewer parameters may be worse: twice the 99.9 % point
/// of chi-squared for the three of a curve.
const SLACK: f64 = 32.0;

/// A stage that starts or ends slowly hides in the noise, and the rest beside it passes for a
/// slant. Where half of a slight stage is at rest and all of it as well described as a rest, it is
/// one, and its neighbours reach to where their own curves leave that level.
fn rest_again(pieces: &mut Vec<Piece>, samples: &[f64], options: &Options) {
    let levels = || pieces.iter().flat_map(|piece| [piece.from.value, piece.to.value]);
    let swing = levels().fold(f64::MIN, f64::max) - levels().fold(f64::MAX, f64::min);
    for i in 0..pieces.len() {
        let piece = pieces[i];
        let way = (piece.to.value - piece.from.value).abs();
        if piece.kind == Kind::Constant || way > SLIGHT * swing {
            continue;
        }
        let place = |at: f64| (piece.start.value + at * piece.length()).round() as usize;
        for half in [0.0, 0.5] {
            let found = samples
                .get(place(half)..place(half + 0.5))
                .and_then(|own| stages::find(own, options).ok());
            let Some([constant]) = found.as_deref() else { continue };
            if constant.kind != Kind::Constant {
                continue;
            }
            let still = Piece::of(constant);
            let mut trial = pieces.clone();
            trial[i] = Piece { start: piece.start, end: piece.end, ..still };
            for right in i.max(1)..(i + 2).min(pieces.len()) {
                meet(&mut trial, right);
            }
            let around = i.saturating_sub(1)..(i + 2).min(pieces.len());
            let variance = trial[i].rms.powi(2).max(options.tolerance.powi(2));
            let worse = misfit(&trial[around.clone()], samples) - misfit(&pieces[around], samples);
            if worse <= SLACK * variance {
                *pieces = trial;
                break;
            }
        }
    }
}

/// Puts the corner before a piece where the curves cross.
fn meet(pieces: &mut [Piece], right: usize) {
    let (a, b) = (pieces[right - 1], pieces[right]);
    let near = b.start.value;
    let reach = 0.5 * a.length().min(b.length());
    let Some(corner) = crossing(&a.course, &b.course, near, reach) else { return };
    let angle = (a.course.slope(corner) - b.course.slope(corner)).abs();
    let start = Reading::new(corner, Unit::Samples, a.known[1].hypot(b.known[0]) / angle);
    let level =
        |piece: &Piece, known: f64| Reading::new(piece.course.at(corner), Unit::FullScale, known);
    let [left, right] = [right - 1, right];
    (pieces[left].end, pieces[left].to) = (start, level(&a, a.known[1]));
    (pieces[right].start, pieces[right].from) = (start, level(&b, b.known[0]));
    pieces[left].bend_again();
    pieces[right].bend_again();
}

/// Sum of squares about the curves.
fn misfit(pieces: &[Piece], samples: &[f64]) -> f64 {
    let of = |piece: &Piece| {
        let from = piece.start.value.round() as usize;
        let to = (piece.end.value.round() as usize).clamp(from, samples.len());
        let off = |n: usize| (samples[n] - piece.course.at(n as f64)).powi(2);
        (from..to).map(off).sum::<f64>()
    };
    pieces.iter().map(of).sum()
}

/// A corner between two curves: where they cross within `reach`, nearest to `near`.
pub(super) fn crossing(left: &Course, right: &Course, near: f64, reach: f64) -> Option<f64> {
    let gap = |x: f64| left.at(x) - right.at(x);
    let centre = gap(near);
    let far =
        (1..=64).flat_map(|i| [1.0, -1.0].map(|sign| near + sign * reach * f64::from(i) / 64.0));
    let mut outside = far.into_iter().find(|x| gap(*x) * centre <= 0.0)?;
    let mut inside = near;
    for _ in 0..60 {
        let half = inside.midpoint(outside);
        if gap(half) * centre > 0.0 { inside = half } else { outside = half }
    }
    Some(inside.midpoint(outside))
}

/// A reading in another unit.
pub(super) fn scaled(reading: Reading, by: f64, unit: Unit) -> Reading {
    Reading::new(reading.value * by, unit, reading.uncertainty * by.abs())
}
