//! The trace that a tone carries: its amplitude, and the corners under the blur.

use std::f64::consts::{PI, TAU};

use plumbtone_measure::db;
use plumbtone_measure::envelope::Envelope;
use plumbtone_measure::pitch::{Model, Pitch};
use plumbtone_measure::reading::{Obstacle, Reading, Unit};
use plumbtone_measure::stages::{self, Kind, Options, StageReading};

use super::blur::Blurred;
use super::trace::{Piece, Tone, Trace, crossing, leaps};
use crate::error::Error;
use crate::wav::Recording;

/// What a neighbouring harmonic may leave of itself, re the fundamental.
const RIPPLE: f64 = 1e-4;
/// Sigmas on either side of a corner where the blur shows: φ(3) − 3 Q(3) = 0.0004 of a sigma
/// times the change of slope.
const BLUR_SIGMAS: f64 = 3.0;
/// Periods by which the image at the negative frequency moves a corner between curves that meet:
/// 1/(4π)², and three of that.
const CORNER_PERIODS: f64 = 0.02;
/// Sigmas to which a leap is known: it may be a stage that is shorter than the blur, whose middle
/// is what shows. Half the rise time.
const LEAP_SIGMAS: f64 = 1.28;
/// Periods of silence put before the recording, lest its first stage be lost in the edge.
const LEAD_PERIODS: f64 = 30.0;

/// Splits the amplitude of a tone.
pub(super) fn carried(recording: &Recording, hz: Option<f64>) -> Result<Trace, Error> {
    let rate_hz = f64::from(recording.rate_hz);
    let (loud, steady) = levelled(recording);
    let hz = match hz {
        Some(hz) => hz,
        None => match Pitch::new().estimate(&steady, rate_hz, None, &Model::default()) {
            Ok(pitch) => pitch.hz,
            // A level that moves fast smears the lines, but not the crossings.
            Err(why) => rate_hz * crossings(&steady).ok_or(why).map_err(no_tone)?,
        },
    };
    let tone = hz / rate_hz;
    let room = tone.min(0.5 - tone);
    let mean = recording.samples.iter().sum::<f64>() / recording.samples.len() as f64;
    let lead = (LEAD_PERIODS / room.max(1e-4)).ceil() as usize;
    let mut padded = vec![0.0; lead];
    padded.extend(recording.samples.iter().map(|sample| sample - mean));
    let neighbour = line(&steady, 2.0 * tone) / line(&steady, tone);
    let rejection_db = db(neighbour / RIPPLE).clamp(40.0, 120.0);
    let envelope = Envelope::of(&padded, rate_hz, hz, rejection_db)
        .map_err(Error::measuring("amplitude of the tone"))?;
    refuse_noise(loud, &envelope, &envelope.amplitude[lead..])?;

    let sigma = envelope.sigma_samples;
    let step = sigma.round().max(1.0);
    let edge = envelope.edge_samples;
    let inner = &envelope.amplitude[edge..envelope.amplitude.len() - edge];
    let thin: Vec<f64> = inner.iter().copied().step_by(step as usize).collect();
    let peak = thin.iter().copied().fold(0.0, f64::max);
    let own = &thin[((lead - edge) as f64 / step) as usize..];
    let rounding = recording.half_step / 3f64.sqrt() * envelope.noise_gain;
    let noise = noise_rms(own).hypot(rounding);
    // Neighbours a step d apart share exp(−d²/4s²) of their noise: as if it were that much more.
    let shared = (2.0 * PI.sqrt() * sigma / step).sqrt().max(1.0);
    let options = Options {
        // An amplitude is never below 0: the mean of noise alone is 1.25 of its rms.
        tolerance: (RIPPLE * peak).hypot(1.25 * noise),
        noise_rms: Some(shared * noise),
        blur_samples: (BLUR_SIGMAS * sigma / step).ceil() as usize,
    };
    let found = stages::find(&thin, &options).map_err(Error::measuring("amplitude of the tone"))?;

    let levels = envelope.amplitude[lead..].to_vec();
    let grid = Grid { thin: &thin, first: edge as f64 - lead as f64, step, sigma, shared, options };
    let mut pieces: Vec<Piece> = found.iter().map(|stage| grid.piece(stage, 0)).collect();
    // Corners of leaps are found up to four sigmas early; the second time they are where they are.
    for margins in [(8.0, 4.0), (4.0, 4.0)] {
        for piece in &mut pieces {
            grid.read_inside(piece, margins);
        }
        for i in 1..pieces.len() {
            place(&mut pieces, i, &levels, sigma, 1.0 / tone);
        }
    }
    grid.unite(&mut pieces);
    for i in 1..pieces.len() {
        place(&mut pieces, i, &levels, sigma, 1.0 / tone);
    }
    let noise_or_ripple = (RIPPLE * peak).hypot(noise);
    let corner = CORNER_PERIODS / tone;
    let blurred = Blurred { levels: &levels, sigma, corner, noise: noise_or_ripple };
    refine(&mut pieces, &blurred, 1.0 / tone);
    if let Some(piece) = pieces.first_mut() {
        piece.start = Reading::new(0.0, Unit::Samples, 0.0);
    }
    Ok(Trace { pieces, levels, noise, tone: Some(Tone { hz, sigma }) })
}

/// The amplitude at the spacing at which stages are looked for.
struct Grid<'a> {
    thin: &'a [f64],
    /// Sample of the recording at the first point, and samples from one to the next.
    first: f64,
    step: f64,
    sigma: f64,
    /// Standard deviations of sums over those that independent noise would give.
    shared: f64,
    options: Options,
}

impl Grid<'_> {
    /// A stage in samples of the recording, `skipped` points after the first.
    fn piece(&self, stage: &StageReading, skipped: usize) -> Piece {
        let Self { step, shared, .. } = *self;
        let first = self.first + skipped as f64 * step;
        let mut piece = Piece::of(stage);
        piece.course = piece.course.sharpened(self.sigma, step, first);
        let place = |corner: Reading| {
            let wide = shared * step * corner.uncertainty;
            Reading::new(first + step * corner.value, Unit::Samples, wide)
        };
        let level = |level: Reading| Reading { uncertainty: shared * level.uncertainty, ..level };
        (piece.start, piece.end) = (place(piece.start), place(piece.end));
        (piece.from, piece.to) = (level(piece.from), level(piece.to));
        piece.target = level(piece.target);
        piece.known = piece.known.map(|known| shared * known);
        let tau = piece.tau;
        piece.tau = Reading::new(tau.value * step, tau.unit, shared * step * tau.uncertainty);
        piece.bend.uncertainty *= shared;
        piece
    }

    /// Reads a piece again, so many sigmas from its corners; false where that is not one curve.
    fn read_inside(&self, piece: &mut Piece, (after, before): (f64, f64)) -> bool {
        let point = |sample: f64| ((sample - self.first) / self.step).max(0.0);
        let from = point(piece.start.value + after * self.sigma).ceil() as usize;
        // What ends the recording has no blur.
        let last =
            piece.end.value + 1.5 * self.step >= self.first + self.thin.len() as f64 * self.step;
        let to = point(piece.end.value - before * self.sigma).floor() as usize;
        let to = if last { self.thin.len() } else { to.min(self.thin.len()) };
        let Some(own) = self.thin.get(from..to).filter(|own| own.len() > stages::MIN_SAMPLES)
        else {
            return false;
        };
        let options = Options { blur_samples: 0, ..self.options };
        let found = stages::find(own, &options);
        let Ok([stage]) = found.as_deref() else { return false };
        let again = self.piece(stage, from);
        *piece = Piece { start: piece.start, end: piece.end, ..again };
        true
    }

    /// Joins neighbours that one curve describes.
    fn unite(&self, pieces: &mut Vec<Piece>) {
        let mut i = 1;
        while i < pieces.len() {
            let mut both = Piece { end: pieces[i].end, ..pieces[i - 1] };
            if self.read_inside(&mut both, (4.0, 4.0)) {
                pieces[i - 1] = both;
                pieces.remove(i);
            } else {
                i += 1;
            }
        }
    }
}

/// Puts the corner before piece `i` where the sharpened curves cross, or where the amplitude is
/// halfway between them.
fn place(pieces: &mut [Piece], i: usize, levels: &[f64], sigma: f64, period: f64) {
    let (left, right) = (pieces[i - 1], pieces[i]);
    let near = right.start.value;
    let reach = 2.0 * BLUR_SIGMAS * sigma;
    let half = |x: f64| left.course.at(x).midpoint(right.course.at(x));
    let crossing = crossing(&left.course, &right.course, near, reach);
    let corner = crossing.or_else(|| {
        let sign = (right.course.at(near) - left.course.at(near)).signum();
        let low = (near - reach).max(0.0) as usize;
        let range = low..((near + 2.0 * reach) as usize).min(levels.len());
        let over = |n: &usize| (levels[*n] - half(*n as f64)) * sign >= 0.0;
        range.into_iter().find(over).map(|n| n as f64)
    });
    let corner = corner.unwrap_or(near).max(0.0);
    let wide = match crossing {
        // Both curves are known to so much, and meet at an angle.
        Some(x) => {
            let angle = (left.course.slope(x) - right.course.slope(x)).abs();
            (CORNER_PERIODS * period).hypot(left.known[1].hypot(right.known[0]) / angle)
        }
        None => LEAP_SIGMAS * sigma,
    };
    let start = Reading::new(corner, Unit::Samples, wide);
    let level = |piece: &Piece, known: f64| {
        // As far as the corner is off, so is the level of the curve there.
        let steep = piece.course.slope(corner).abs() * wide;
        Reading::new(piece.course.at(corner), Unit::FullScale, steep.hypot(known))
    };
    (pieces[i - 1].end, pieces[i].start) = (start, start);
    pieces[i - 1].to = level(&left, left.known[1]);
    pieces[i].from = level(&right, right.known[0]);
    pieces[i - 1].bend_again();
    pieces[i].bend_again();
}

/// Looks under the blur: at stages that leave no room between their corners, and at leaps, which
/// may be short stages. What is no longer than its doubt was only the blur of a corner.
fn refine(pieces: &mut Vec<Piece>, blurred: &Blurred<'_>, period: f64) {
    let Blurred { levels, sigma, .. } = *blurred;
    let (all_blur, room) = (2.0 * BLUR_SIGMAS * sigma, 12.0 * sigma);
    // Of neighbours that are both all blur one says as much.
    let mut i = 1;
    while i + 2 < pieces.len() {
        if pieces[i].length() < all_blur && pieces[i + 1].length() < all_blur {
            pieces[i].end = pieces[i + 1].end;
            pieces.remove(i + 1);
        } else {
            i += 1;
        }
    }
    let told = |piece: &Piece| piece.length() > piece.length_wide();
    i = 1;
    while i < pieces.len() {
        let (left, right) = (pieces[i - 1], pieces[i]);
        let short =
            right.length() < all_blur || right.length() < room && right.kind != Kind::Constant;
        if let Some(next) = pieces.get(i + 1).filter(|_| short) {
            let near = (right.start.value, right.end.value);
            match blurred.piece(&left, next, near) {
                Some(piece) if told(&piece) => {
                    pieces[i] = piece;
                    join(pieces, i);
                }
                _ => {
                    pieces.remove(i);
                    pieces[i].start = right.start;
                    place(pieces, i, levels, sigma, period);
                    continue;
                }
            }
        } else if leaps(&left.to, &right.from, 4.0 * blurred.noise) {
            let at = right.start.value;
            let piece = blurred.piece(&left, &right, (at - sigma, at + sigma));
            if let Some(piece) = piece.filter(told) {
                pieces.insert(i, piece);
                join(pieces, i);
            }
        }
        i += 1;
    }
}

/// Gives the neighbours of piece `i` its corners.
fn join(pieces: &mut [Piece], i: usize) {
    let own = pieces[i];
    (pieces[i - 1].end, pieces[i - 1].to) = (own.start, own.from);
    pieces[i - 1].bend_again();
    if let Some(next) = pieces.get_mut(i + 1) {
        (next.start, next.from) = (own.end, own.to);
        next.bend_again();
    }
}

/// The part about the loudest place that is at most 20 dB below it, and the same with its level
/// taken out, so that what moves the amplitude does not smear the lines.
fn levelled(recording: &Recording) -> (&[f64], Vec<f64>) {
    let samples = &recording.samples;
    let block = (recording.rate_hz / 20) as usize;
    let mean_power = |x: &[f64]| x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64;
    let powers: Vec<f64> = samples.chunks(block).map(mean_power).collect();
    let loudest = (0..powers.len()).max_by(|a, b| powers[*a].total_cmp(&powers[*b])).unwrap_or(0);
    let loud = |power: &&f64| **power > 0.01 * powers[loudest];
    let after = powers[loudest..].iter().take_while(loud).count();
    let before = powers[..loudest].iter().rev().take_while(loud).count();
    let last = ((loudest + after) * block).min(samples.len());
    let part = &samples[(loudest - before) * block..last];
    let mut sums = vec![0.0];
    for x in part {
        sums.push(sums[sums.len() - 1] + x * x);
    }
    let level = |n: usize| {
        let (from, to) = (n.saturating_sub(block / 2), (n + block / 2 + 1).min(part.len()));
        ((sums[to] - sums[from]) / (to - from) as f64).max(f64::MIN_POSITIVE).sqrt()
    };
    let even = part.iter().enumerate().map(|(n, x)| x / level(n)).collect();
    (part, even)
}

fn no_tone(_: Obstacle) -> Error {
    Error::Request(
        "no tone stands out of the noise: give its frequency with --set hz=..., or \
         --set coupling=dc for a control trace"
            .to_owned(),
    )
}

/// Cycles per sample from upward crossings of samples of rms 1, if nine in ten are regular.
fn crossings(samples: &[f64]) -> Option<f64> {
    // Well beyond the noise and well within every wave.
    const BESIDE: f64 = 0.3;
    let (mut low, mut ups) = (false, Vec::new());
    for (n, &sample) in samples.iter().enumerate() {
        if sample < -BESIDE {
            low = true;
        } else if sample > BESIDE && low {
            low = false;
            ups.push(n);
        }
    }
    let mut gaps: Vec<usize> = ups.windows(2).map(|pair| pair[1] - pair[0]).collect();
    gaps.sort_unstable();
    let period = *gaps.get(gaps.len() / 2)? as f64;
    let regular = |gap: &&usize| (**gap as f64 - period).abs() <= 1.0 + 0.02 * period;
    let own: Vec<usize> = gaps.iter().filter(regular).copied().collect();
    let mean = own.iter().sum::<usize>() as f64 / own.len() as f64;
    (own.len() * 10 >= gaps.len() * 9 && own.len() > 3 && period > 3.0).then_some(1.0 / mean)
}

/// Amplitude at a frequency in cycles per sample, through a Hann window.
fn line(samples: &[f64], cycles: f64) -> f64 {
    let count = samples.len() as f64;
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in samples.iter().enumerate() {
        let n = n as f64;
        let weight = 1.0 - (TAU * n / count).cos();
        let (sin, cos) = (TAU * (cycles * n).fract()).sin_cos();
        re += weight * sample * cos;
        im += weight * sample * sin;
    }
    2.0 * re.hypot(im) / count
}

/// Rms of white noise from fourth differences of every third sigma, where it is nearly white.
fn noise_rms(thin: &[f64]) -> f64 {
    let apart: Vec<f64> = thin.iter().copied().step_by(3).collect();
    let mut found: Vec<f64> = apart
        .windows(5)
        .map(|w| (w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4]).abs())
        .collect();
    if found.is_empty() {
        return 0.0;
    }
    let middle = found.len() / 2;
    // The median of a normal magnitude is 0.6745 sigma; 70 is the sum of squared weights.
    *found.select_nth_unstable_by(middle, f64::total_cmp).1 / (0.6745 * 70f64.sqrt())
}

/// Noise through the band of the envelope has an amplitude too: a tone must hold more of the
/// power than that.
fn refuse_noise(loud: &[f64], envelope: &Envelope, levels: &[f64]) -> Result<(), Error> {
    let power = loud.iter().map(|x| x * x).sum::<f64>() / loud.len() as f64;
    let loudest = levels.iter().copied().fold(0.0, f64::max);
    let high: Vec<f64> = levels.iter().copied().filter(|a| *a > 0.5 * loudest).collect();
    let carried = high.iter().map(|a| a * a).sum::<f64>() / high.len().max(1) as f64 / 2.0;
    if carried > 3.0 * envelope.noise_gain.powi(2) * power {
        return Ok(());
    }
    Err(no_tone(Obstacle::NoTone))
}
