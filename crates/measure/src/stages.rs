//! Stages of a trace, found without knowing what made it.
//!
//! A stage is the longest run of samples that one curve describes: a constant, a straight
//! line or an exponential toward a target. Each stage is grown from its first sample until
//! no curve fits, which costs a logarithm of its length; the corner is then moved to where
//! two fits share the samples best. Where neighbouring curves cross there, the corner is
//! their crossing, with the uncertainty that the covariance of both fits gives it.
//!
//! Two stages that one curve describes within noise and tolerance are one stage: a decay
//! that meets its sustain level tangentially stands apart only where the last step shows.
//!
//! Floor: [`Options::tolerance`] over the change of slope at a corner, in samples; a stage
//! needs [`MIN_SAMPLES`] samples of its own to be sure of being found.

use crate::curve::{Curve, Sums};
use crate::exponential::Exponential;
use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};

/// Samples a stage must have to be told from its neighbours: three parameters of a curve,
/// and as many again to show that it fits.
pub const MIN_SAMPLES: usize = 6;

/// Least time constant, in samples. A quicker curve would pass for the first sample of the
/// stage after a constant.
const QUICKEST: f64 = 1.0;

/// What the trace may be expected to be. Levels: full scale = 1.0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Largest deviation of a sample from its curve that is no noise: number format and
    /// accumulated rounding. 0 to 1.
    pub tolerance: f64,
    /// Rms of the noise; `None` to estimate it from the differences of the trace.
    pub noise_rms: Option<f64>,
    /// Samples on either side of a corner that are rounded off by whatever recorded it
    /// and are left out of the fits. 0 for a trace that was computed.
    pub blur_samples: usize,
}

impl Options {
    /// A trace computed in f64, with rounding accumulated up to 1e-12.
    pub const F64: Self = Self { tolerance: 1e-12, noise_rms: None, blur_samples: 0 };
    /// A trace within -1..1 whose samples were each rounded to f32: half an ulp, 2^-25.
    pub const F32: Self = Self { tolerance: 1.0 / 33_554_432.0, ..Self::F64 };
    /// A trace whose samples were each rounded to Q1.31: half a step, 2^-32.
    pub const Q31: Self = Self { tolerance: 1.0 / 4_294_967_296.0, ..Self::F64 };
}

impl Default for Options {
    /// The same as [`Options::F64`].
    fn default() -> Self {
        Self::F64
    }
}

/// The curve of a stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// No change beyond three standard deviations.
    Constant,
    /// No bend beyond three standard deviations.
    Line,
    /// A bend beyond three standard deviations.
    Exponential,
}

/// One stage. Positions count samples from the first of the trace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StageReading {
    /// First sample on the curve of this stage, as an index: its sample 0, which lies on
    /// the curve before as well where the trace is continuous.
    pub first: usize,
    /// Corner at which the stage begins; between samples where the curves cross there.
    pub start: Reading,
    /// Corner at which it ends: the start of the next, or the last sample of the trace.
    pub end: Reading,
    /// Level of the curve at `start`.
    pub level_start: Reading,
    /// Level of the curve at `end`.
    pub level_end: Reading,
    /// What kind of curve it is.
    pub kind: Kind,
    /// Time constant, in samples, negative for a growing exponential. Unbounded
    /// uncertainty unless `kind` is an exponential.
    pub time_constant: Reading,
    /// Length (end less start) over time constant.
    pub bend: Reading,
    /// Level that the curve approaches, or leaves if it grows.
    pub target: Reading,
    /// Rms of the samples about the curve.
    pub residual_rms: f64,
}

/// Splits `samples` into stages, in order and without gaps.
///
/// # Errors
/// [`Obstacle::TooShort`] below [`MIN_SAMPLES`], [`Obstacle::NotFinite`], and
/// [`Obstacle::OutOfRange`] for options outside their ranges.
pub fn find(samples: &[f64], options: &Options) -> Result<Vec<StageReading>, Obstacle> {
    level::finite(samples)?;
    if samples.len() < MIN_SAMPLES {
        return Err(Obstacle::TooShort { have: samples.len(), need: MIN_SAMPLES });
    }
    within("tolerance", options.tolerance, 0.0, 1.0)?;
    if let Some(noise) = options.noise_rms {
        within("noise rms", noise, 0.0, f64::MAX)?;
    }
    let most = samples.len() / 8;
    within("blur in samples", options.blur_samples as f64, 0.0, most as f64)?;
    let largest = samples.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
    let search = Search {
        samples,
        sums: Sums::of(samples),
        noise: options.noise_rms.unwrap_or_else(|| noise_rms(samples)),
        tolerance: options.tolerance.max(f64::EPSILON * largest),
        blur: options.blur_samples,
    };
    Ok(search.run())
}

/// Rms of the noise: median of even differences of order 2 to 8 that are not zero, over
/// the gain that white noise has there. A smooth curve has less of each higher order, so
/// the least of them is closest to the noise alone.
fn noise_rms(samples: &[f64]) -> f64 {
    const ORDERS: [(usize, f64); 4] = [(2, 6.0), (4, 70.0), (6, 924.0), (8, 12_870.0)];
    const MOST: usize = 1 << 16;
    let stride = samples.len().div_ceil(MOST);
    ORDERS
        .iter()
        .filter(|(order, _)| samples.len() > 2 * order)
        .map(|&(order, gain)| {
            let mut found: Vec<f64> = samples
                .windows(order + 1)
                .step_by(stride)
                .map(|window| {
                    let mut d = [0.0; 9];
                    d[..=order].copy_from_slice(window);
                    for level in (1..=order).rev() {
                        for i in 0..level {
                            d[i] = d[i + 1] - d[i];
                        }
                    }
                    d[0].abs()
                })
                .filter(|d| *d > 0.0)
                .collect();
            if found.is_empty() {
                return 0.0;
            }
            let middle = found.len() / 2;
            // The median of a normal magnitude is 0.6745 sigma.
            *found.select_nth_unstable_by(middle, f64::total_cmp).1 / (0.6745 * f64::sqrt(gain))
        })
        .fold(f64::INFINITY, f64::min)
}

struct Search<'a> {
    samples: &'a [f64],
    sums: Sums,
    noise: f64,
    tolerance: f64,
    blur: usize,
}

/// A corner between two curves.
struct Corner {
    first: usize,
    place: Reading,
    /// True where the trace leaves one curve for the other without their meeting at a
    /// sample.
    jumps: bool,
}

impl Search<'_> {
    fn run(&self) -> Vec<StageReading> {
        let len = self.samples.len();
        let mut cuts = vec![0];
        let mut end = self.grow(0, 3);
        while end < len {
            let begin = cuts[cuts.len() - 1];
            let resume = (end + 2 * self.blur).min(len - 1);
            let next = self.grow(resume, 3);
            let cut = self.place(begin, end, next);
            cuts.push(cut);
            // What was grown beyond the blur holds for the stage from its corner on.
            end = if self.blur > 0 { next } else { self.grow(cut, next - cut) };
        }
        cuts.push(len);
        self.settle(&mut cuts);
        self.read(cuts)
    }

    /// What a parameter more has to lessen the misfit by: 2.8 sigma, or twice the
    /// tolerance at a sample.
    fn penalty(&self) -> f64 {
        8.0 * self.noise * self.noise + 4.0 * self.tolerance * self.tolerance
    }

    /// Fits the samples of a stage, less those that corners have rounded off.
    fn fit(&self, begin: usize, end: usize, guess: Option<f64>) -> Curve {
        let left = if begin > 0 { self.blur } else { 0 };
        let right = if end < self.samples.len() { self.blur } else { 0 };
        let room = begin + left + right + MIN_SAMPLES <= end;
        let (from, to) = if room { (begin + left, end - right) } else { (begin, end) };
        Curve::plainest(&self.sums, from, to, QUICKEST, guess, self.penalty())
    }

    /// The curve through `from..to`, if there is one within noise and tolerance.
    fn describe(&self, from: usize, to: usize, guess: Option<f64>) -> Option<Curve> {
        let fits = |curve: &Curve| curve.strain(&self.sums, self.noise, self.tolerance) <= 1.0;
        let fit = |guess| Some(Curve::fit(&self.sums, from, to, QUICKEST, guess)).filter(fits);
        guess.and_then(|bend| fit(Some(bend))).or_else(|| fit(None))
    }

    /// One past the last sample that a curve from `from` reaches; `likely` samples are
    /// tried first.
    fn grow(&self, from: usize, likely: usize) -> usize {
        let rest = self.samples.len() - from;
        // Any curve goes through three samples.
        let (mut good, mut bad) = (rest.min(3), rest + 1);
        let mut per_sample = None;
        let mut trial = likely.clamp(good, rest);
        let mut stride = if likely > 3 { 1 } else { good };
        while bad - good > 1 {
            let guess = per_sample.map(|b: f64| b * trial as f64);
            match self.describe(from, from + trial, guess) {
                Some(curve) => {
                    good = trial;
                    per_sample = Some(curve.bend / trial as f64);
                }
                None => bad = trial,
            }
            if bad > rest {
                trial = (good + stride).min(rest);
                stride *= 2;
            } else {
                trial = good.midpoint(bad);
            }
        }
        from + good
    }

    /// Moves the cut between `begin` and `end` to where both fits share the samples best.
    fn place(&self, begin: usize, cut: usize, end: usize) -> usize {
        let (low, high) = (begin + 1, end - 1);
        let mut cut = cut.clamp(low, high);
        if self.blur > 0 {
            for _ in 0..8 {
                let (left, right) = (self.fit(begin, cut, None), self.fit(cut, end, None));
                let reach = (cut - begin).min(end - cut);
                let Some(x) = crossing(&left, &right, cut, reach) else { break };
                let next = (x.round() as usize).clamp(low, high);
                if next == cut {
                    break;
                }
                cut = next;
            }
            return cut;
        }
        let penalty = self.penalty();
        let share = |cut: usize, bends: Option<(f64, f64)>| {
            let left = self.fit(begin, cut, bends.map(|b| b.0));
            let right = self.fit(cut, end, bends.map(|b| b.1));
            (left.cost(penalty) + right.cost(penalty), (left.bend, right.bend))
        };
        let mut best = share(cut, None);
        let mut step = ((cut - begin).min(end - cut) / 8).next_power_of_two();
        while step > 0 {
            let mut moved = false;
            for next in [cut.saturating_sub(step), cut + step] {
                if (low..=high).contains(&next) {
                    let trial = share(next, Some(best.1));
                    if trial.0 < best.0 * (1.0 - 1e-9) {
                        (cut, best, moved) = (next, trial, true);
                        break;
                    }
                }
            }
            if !moved {
                step /= 2;
            }
        }
        cut
    }

    /// Joins stages that one curve describes, then places each corner again between the
    /// stages as they stand.
    fn settle(&self, cuts: &mut Vec<usize>) {
        let mut i = 1;
        while i + 1 < cuts.len() {
            if self.blur == 0 && self.describe(cuts[i - 1], cuts[i + 1], None).is_some() {
                cuts.remove(i);
            } else {
                i += 1;
            }
        }
        for i in 1..cuts.len() - 1 {
            cuts[i] = self.place(cuts[i - 1], cuts[i], cuts[i + 1]);
        }
    }

    /// The corner between two curves that were cut at `cut`.
    fn corner(&self, left: &Curve, right: &Curve, cut: usize) -> Corner {
        let off = |curve: &Curve, i: usize| (self.samples[i] - curve.at(i as f64)).powi(2);
        let variance = left.variance.max(right.variance).max(self.noise * self.noise);
        let power = variance + self.tolerance * self.tolerance;
        // Two standard deviations: cuts whose sum of squares is this close are as likely.
        let slack = 4.0 * power;
        // What the curves say about it: the samples it takes to tell one from the other.
        let apart = |i: usize| {
            let x = i as f64;
            let doubt = left.level_variance(x) + right.level_variance(x);
            ((left.at(x) - right.at(x)).powi(2) - 4.0 * doubt).max(0.0)
        };
        let scan = |step: isize, limit: usize| {
            let (mut at, mut excess, mut told, mut best) = (cut, 0.0, 0.0, (cut, 0.0));
            let mut edge = cut;
            // Four times as far as doubt reaches, lest a run of noise end the search.
            while at != limit && (excess <= best.1 + 4.0 * slack || told <= 16.0 * slack) {
                let sample = if step > 0 { at } else { at - 1 };
                let gain = off(left, sample) - off(right, sample);
                excess += if step > 0 { gain } else { -gain };
                told += apart(sample);
                at = at.wrapping_add_signed(step);
                if excess < best.1 {
                    (best, told) = ((at, excess), 0.0);
                }
                if excess <= best.1 + slack || told <= slack {
                    edge = at;
                }
            }
            (edge, best)
        };
        let (low, down) = scan(-1, left.from + 1);
        let (high, up) = scan(1, right.from + right.len - 1);
        let best = if down.1 < up.1 { down.0 } else { up.0 };
        let doubt = (best - low).max(high - best) as f64 + 0.5;
        let reach = 4 * (high - low) + 4;
        let meeting = self.meeting(left, right, best, reach);
        let sure = 36.0 * power;
        let jumps = best > 0 && off(left, best) > sure && off(right, best - 1) > sure;
        let near = meeting.is_some_and(|m| (m.value - best as f64).abs() <= 1.0);
        match meeting {
            Some(place) if self.blur > 0 || !jumps => {
                Corner { first: place.value.round().max(0.0) as usize, place, jumps: false }
            }
            // Where the curves meet beside a jump, the corner may lie between the samples.
            _ => {
                let wide = if jumps { if near { 0.5 } else { 0.0 } } else { doubt };
                Corner {
                    first: best,
                    place: Reading::new(best as f64, Unit::Samples, wide),
                    jumps: true,
                }
            }
        }
    }

    /// Where two curves meet within their uncertainties: their crossing if they have one,
    /// with the range over which they cannot be told apart.
    fn meeting(&self, left: &Curve, right: &Curve, cut: usize, reach: usize) -> Option<Reading> {
        let coverage = left.coverage.max(right.coverage);
        let gap = |x: f64| (left.at(x) - right.at(x)).abs();
        let together = |x: f64| {
            let wide = coverage * (left.level_variance(x) + right.level_variance(x)).sqrt();
            gap(x) <= wide.hypot(2.0 * self.tolerance)
        };
        let middle = cut as f64;
        let closest = || {
            let at = |i: i32| middle + f64::from(i) / 32.0 * reach as f64;
            (-32..=32).map(at).min_by(|a, b| gap(*a).total_cmp(&gap(*b))).unwrap_or(middle)
        };
        let x = crossing(left, right, cut, reach).unwrap_or_else(closest);
        if !together(x) {
            return None;
        }
        let edge = |limit: f64| {
            let (mut inside, mut outside, mut step) = (x, x, 1e-12 * (1.0 + x));
            let sign = (limit - x).signum();
            while together(outside) {
                inside = outside;
                if (outside - limit) * sign >= 0.0 {
                    return limit;
                }
                outside = x + sign * step.min((limit - x).abs());
                step *= 2.0;
            }
            for _ in 0..40 {
                let half = inside.midpoint(outside);
                if together(half) { inside = half } else { outside = half }
            }
            outside
        };
        let (low, high) = (edge(left.from as f64), edge((right.from + right.len) as f64));
        Some(Reading::new(x, Unit::Samples, (x - low).max(high - x)))
    }

    /// Curves between the cuts, and the corners where they meet.
    fn corners(&self, cuts: &[usize]) -> (Vec<Curve>, Vec<Corner>) {
        let curves: Vec<Curve> =
            cuts.windows(2).map(|pair| self.fit(pair[0], pair[1], None)).collect();
        let mut corners: Vec<Corner> = Vec::with_capacity(cuts.len());
        for (pair, around) in curves.windows(2).zip(cuts.windows(3)) {
            let mut corner = self.corner(&pair[0], &pair[1], around[1]);
            // Where two corners are in doubt over the same samples, they stay in order.
            let low = corners.last().map_or(0, |last| last.first) + 1;
            let high = around[2] - 1;
            if !(low..=high).contains(&corner.first) {
                corner.first = corner.first.clamp(low, high);
                let place = corner.first as f64;
                let moved = (corner.place.value - place).abs();
                let wide = corner.place.uncertainty + moved;
                corner.place = Reading::new(place, Unit::Samples, wide);
            }
            corners.push(corner);
        }
        (curves, corners)
    }

    fn read(&self, mut cuts: Vec<usize>) -> Vec<StageReading> {
        let (mut curves, mut corners) = self.corners(&cuts);
        // The best cut flatters both fits: samples belong to the side of the corner they
        // are on.
        for _ in 0..2 {
            for (i, corner) in corners.iter().enumerate().filter(|(_, c)| !c.jumps) {
                cuts[i + 1] = corner.first.clamp(cuts[i] + 1, cuts[i + 2] - 1);
            }
            (curves, corners) = self.corners(&cuts);
        }
        let fixed = |index: usize| Corner {
            first: index,
            place: Reading::new(index as f64, Unit::Samples, 0.0),
            jumps: true,
        };
        corners.insert(0, fixed(0));
        corners.push(fixed(self.samples.len() - 1));
        curves
            .iter()
            .zip(corners.windows(2))
            .map(|(curve, ends)| {
                let fit = Exponential::read(curve, self.samples, self.tolerance);
                let (start, end) = (ends[0].place, ends[1].place);
                let level = |corner: Reading| {
                    let x = corner.value;
                    let wide = curve.coverage * curve.level_variance(x).sqrt();
                    let moved = curve.slope(x) * corner.uncertainty;
                    let value = curve.at(x);
                    Reading::new(value, Unit::FullScale, wide.hypot(self.tolerance).hypot(moved))
                };
                let rise_wide = (curve.coverage * curve.spread([0.0, 1.0, 0.0]).sqrt())
                    .hypot(2.0 * self.tolerance);
                let kind = if fit.bend.value.abs() > 1.5 * fit.bend.uncertainty {
                    Kind::Exponential
                } else if curve.rise.abs() > 1.5 * rise_wide {
                    Kind::Line
                } else {
                    Kind::Constant
                };
                let ratio = (end.value - start.value) / (curve.len - 1).max(1) as f64;
                let corners_wide =
                    start.uncertainty.hypot(end.uncertainty) / fit.time_constant.value.abs();
                let bend = Reading::new(
                    fit.bend.value * ratio,
                    Unit::Ratio,
                    (fit.bend.uncertainty * ratio).hypot(corners_wide),
                );
                StageReading {
                    first: ends[0].first,
                    start,
                    end,
                    level_start: level(start),
                    level_end: level(end),
                    kind,
                    time_constant: fit.time_constant,
                    bend,
                    target: fit.target,
                    residual_rms: fit.residual_rms,
                }
            })
            .collect()
    }
}

/// Where two curves cross, nearest to `cut` and at most `reach` samples from it.
fn crossing(left: &Curve, right: &Curve, cut: usize, reach: usize) -> Option<f64> {
    let gap = |x: f64| left.at(x) - right.at(x);
    let middle = cut as f64;
    let centre = gap(middle);
    if centre == 0.0 {
        return Some(middle);
    }
    let mut wide = 1;
    loop {
        let wide_f = wide.min(reach) as f64;
        for side in [-wide_f, wide_f] {
            if gap(middle + side) * centre <= 0.0 {
                let (mut near, mut far) = (middle, middle + side);
                for _ in 0..80 {
                    let half = near.midpoint(far);
                    if gap(half) * centre > 0.0 {
                        near = half;
                    } else {
                        far = half;
                    }
                }
                return Some(near.midpoint(far));
            }
        }
        if wide >= reach {
            return None;
        }
        wide *= 2;
    }
}
