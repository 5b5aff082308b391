//! Stages too short for their curve to show between the blurs of their corners: the amplitude is
//! held against what the blur makes of a whole stage.

use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::stages::Kind;

use super::trace::{Course, Piece};

/// Distance of the points that are fitted, in sigmas.
const SPACING: f64 = 0.5;
/// How far the blur reaches, in sigmas.
const REACH: f64 = 5.0;
/// Largest bend tried.
const MOST_BEND: f64 = 8.0;

/// The blurred amplitude about one short stage.
pub(super) struct Blurred<'a> {
    pub levels: &'a [f64],
    pub sigma: f64,
    /// Uncertainty of every corner, samples.
    pub corner: f64,
    /// Least rms by which the amplitude may be off.
    pub noise: f64,
}

/// Begin, end and bend of the stage between two curves.
type Place = [f64; 3];

impl Blurred<'_> {
    fn model(&self, left: &Course, right: &Course, [begin, end, bend]: Place, at: f64) -> f64 {
        let (from, to) = (left.at(begin), right.at(end));
        let level = |x: f64| match x {
            _ if x < begin => left.at(x),
            _ if x >= end => right.at(x),
            _ => {
                let u = (x - begin) / (end - begin);
                let way =
                    if bend.abs() < 1e-6 { u } else { (-bend * u).exp_m1() / (-bend).exp_m1() };
                from + (to - from) * way
            }
        };
        let reach = (REACH * self.sigma).ceil() as i32;
        let (mut sum, mut weights) = (0.0, 0.0);
        for k in -reach..=reach {
            let k = f64::from(k);
            let weight = (-0.5 * (k / self.sigma).powi(2)).exp();
            sum += weight * level(at + k);
            weights += weight;
        }
        sum / weights
    }

    /// Rests at the points about the stage.
    fn rests(&self, left: &Course, right: &Course, place: Place, points: &[usize]) -> Vec<f64> {
        let off = |&n: &usize| self.levels[n] - self.model(left, right, place, n as f64);
        points.iter().map(off).collect()
    }

    /// Fits begin, end and, if `bent`, bend; with the covariance for unit variance and the rms of
    /// the rests.
    fn fit(
        &self,
        left: &Course,
        right: &Course,
        first: Place,
        bent: bool,
    ) -> Option<(Place, [[f64; 3]; 3], f64)> {
        let wide = REACH * self.sigma;
        let low = (first[0] - wide).max(0.0) as usize;
        let high = ((first[1] + wide) as usize).min(self.levels.len());
        let spacing = (SPACING * self.sigma).round().max(1.0) as usize;
        let points: Vec<usize> = (low..high).step_by(spacing).collect();
        let used = if bent { 3 } else { 2 };
        let power = |rests: &[f64]| rests.iter().map(|rest| rest * rest).sum::<f64>();
        let limited = |[begin, end, bend]: Place| {
            let begin = begin.max(0.0);
            [begin, end.max(begin + 1e-3 * self.sigma), bend.clamp(-MOST_BEND, MOST_BEND)]
        };
        let (mut place, mut damping) = (limited(first), 1e-3);
        let mut rests = self.rests(left, right, place, &points);
        let mut matrix = [[0.0; 3]; 3];
        for _ in 0..60 {
            let step = [0.02 * self.sigma, 0.02 * self.sigma, 0.02];
            let slopes: Vec<Vec<f64>> = (0..used)
                .map(|i| {
                    let mut next = place;
                    next[i] += step[i];
                    let moved = self.rests(left, right, next, &points);
                    rests.iter().zip(moved).map(|(a, b)| (a - b) / step[i]).collect()
                })
                .collect();
            let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
            let mut right_side = [0.0; 3];
            matrix = [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 1.0]];
            for i in 0..used {
                right_side[i] = product(&slopes[i], &rests);
                for j in 0..used {
                    matrix[i][j] = product(&slopes[i], &slopes[j]);
                }
            }
            let mut damped = matrix;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let change = multiplied(&inverse(&damped)?, right_side);
            let next = limited(std::array::from_fn(|i| place[i] + change[i]));
            let trial = self.rests(left, right, next, &points);
            let gain = power(&rests) - power(&trial);
            if gain >= 0.0 {
                let small = gain <= 1e-9 * power(&rests);
                (place, rests) = (next, trial);
                damping *= 0.2;
                if small {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        let freedom = points.len().saturating_sub(used).max(1) as f64;
        Some((place, inverse(&matrix)?, (power(&rests) / freedom).sqrt()))
    }

    /// The piece between two others, fitted under the blur.
    pub fn piece(&self, left: &Piece, right: &Piece, near: (f64, f64)) -> Option<Piece> {
        let (a, b) = (&left.course, &right.course);
        let first = [near.0, near.1, 0.0];
        let straight = self.fit(a, b, first, false)?;
        // Without room for it, a bend says nothing.
        let room = straight.0[1] - straight.0[0] > 2.0 * self.sigma;
        let starts = [1.5, -1.5].map(|bend| [straight.0[0], straight.0[1], bend]);
        let bent = starts
            .into_iter()
            .filter(|_| room)
            .filter_map(|start| self.fit(a, b, start, true))
            .min_by(|x, y| x.2.total_cmp(&y.2));
        let (best, covariance, rms) = bent.unwrap_or(straight);
        let rms = rms.max(self.noise);
        // Points this close share their noise: the sum of exp(-d²/4s²).
        let shared = 2.0 * std::f64::consts::PI.sqrt() / SPACING;
        let wide = |i: usize| 2.0 * rms * (shared * covariance[i][i]).max(0.0).sqrt();
        let significant = bent.is_some() && best[2].abs() > 1.5 * wide(2);
        let [begin, end, bend] =
            if significant { best } else { [straight.0[0], straight.0[1], 0.0] };
        let (from, to) = (a.at(begin), b.at(end));
        let slope = (to - from).abs() / (end - begin);
        let corner = |x: f64, i: usize, level: f64| {
            let known = if bent.is_some() { wide(i) } else { wide(i).max(self.sigma) };
            Reading::new(x, Unit::Samples, known.hypot(level / slope).hypot(self.corner))
        };
        let level = |value: f64, course: &Course, corner: Reading, known: f64| {
            let steep = course.slope(corner.value).abs() * corner.uncertainty;
            Reading::new(value, Unit::FullScale, steep.hypot(known))
        };
        let known = [left.known[1], right.known[0]];
        let (start, stop) = (corner(begin, 0, known[0]), corner(end, 1, known[1]));
        let length = end - begin;
        let bend_wide = if bent.is_some() { wide(2) } else { f64::INFINITY };
        let tau = length / bend;
        let least = bend_wide.min(0.99 * bend.abs());
        let away = (to - from) / -(-bend).exp_m1();
        let slant = (to - from).abs() / (4.0 * (bend / 2.0).sinh().powi(2));
        let (from, to) = (level(from, a, start, known[0]), level(to, b, stop, known[1]));
        let course = match significant {
            true => Course::toward(begin, from.value, from.value + away, tau),
            false => Course::straight(begin, from.value, (to.value - from.value) / length),
        };
        Some(Piece {
            kind: if significant { Kind::Exponential } else { Kind::Line },
            course,
            start,
            end: stop,
            from,
            to,
            target: Reading::new(
                from.value + away,
                Unit::FullScale,
                (slant * bend_wide).hypot(to.uncertainty),
            ),
            tau: Reading::new(tau, Unit::Samples, tau.abs() * least / (bend.abs() - least)),
            bend: Reading::new(bend, Unit::Ratio, bend_wide),
            known,
            rms,
        })
    }
}

fn multiplied(matrix: &[[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum())
}

/// Inverse by cofactors.
fn inverse(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * minor(0, j)).sum();
    (determinant != 0.0 && determinant.is_finite())
        .then(|| std::array::from_fn(|i| std::array::from_fn(|j| minor(j, i) / determinant)))
}
