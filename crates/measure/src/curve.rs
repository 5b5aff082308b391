//! Least-squares fit of one curve `y = c + A exp(-n/T)`, shared by the instruments that
//! read stages and time constants.
//!
//! The curve is written by its levels at both ends and its bend `b = length/T`:
//! `y = start + rise * s(u)`, `s(u) = (1 - exp(-b u))/(1 - exp(-b))`, u = 0..1. So a
//! straight line is the plain case b = 0, and a growing exponential is b < 0.
//! Samples are gathered into blocks, single at both ends and growing inwards; the mean
//! of the curve over a block is known in closed form, so a fit over a million samples
//! costs as much as one over four hundred.

/// Running sums of a trace, so that the mean over any range costs two look-ups. The
/// second part of each pair holds what rounding took from the first: without it, means
/// late in a long trace would lose five digits.
pub(crate) struct Sums(Vec<(f64, f64)>);

/// The mean of `size` samples about `centre`, counted from the first sample fitted.
#[derive(Clone, Copy)]
struct Block {
    centre: f64,
    size: f64,
    mean: f64,
}

/// Distance from the nearer end, in blocks: larger is finer.
const GRAIN: usize = 16;

impl Sums {
    pub(crate) fn of(samples: &[f64]) -> Self {
        let mut sums = Vec::with_capacity(samples.len() + 1);
        let (mut high, mut low) = (0.0, 0.0);
        sums.push((high, low));
        for x in samples {
            // Two-sum: Knuth, The Art of Computer Programming 2, 4.2.2 (from memory).
            let sum = high + x;
            let part = sum - high;
            low += (high - (sum - part)) + (x - part);
            high = sum;
            sums.push((high, low));
        }
        Self(sums)
    }

    fn sum(&self, from: usize, to: usize) -> f64 {
        let ((a, b), (c, d)) = (self.0[from], self.0[to]);
        (c - a) + (d - b)
    }

    fn blocks(&self, from: usize, to: usize) -> Vec<Block> {
        let len = to - from;
        let sizes = |span: usize| {
            let mut done = 0;
            std::iter::from_fn(move || {
                let size = (done / GRAIN).max(1).min(span - done);
                done += size;
                (size > 0).then_some(size)
            })
        };
        let mut all: Vec<usize> = sizes(len / 2).collect();
        let mut inner: Vec<usize> = sizes(len - len / 2).collect();
        inner.reverse();
        all.append(&mut inner);
        let mut at = 0;
        all.into_iter()
            .map(|size| {
                let first = at;
                at += size;
                let mean = self.sum(from + first, from + at) / size as f64;
                Block { centre: first as f64 + (size - 1) as f64 / 2.0, size: size as f64, mean }
            })
            .collect()
    }
}

/// A fitted curve.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Curve {
    /// Index of the first sample fitted.
    pub from: usize,
    /// Number of samples fitted.
    pub len: usize,
    /// Level at the first sample.
    pub start: f64,
    /// Level at the last sample less level at the first.
    pub rise: f64,
    /// Time constants from the first sample to the last, negative for a growing one.
    pub bend: f64,
    /// Parameters fitted: 1 for a constant, 2 for a line, 3 for an exponential.
    pub used: usize,
    /// Sum of squared residuals of the block means, weighted by block size.
    pub misfit: f64,
    /// Variance of a sample about the curve, as the blocks show it.
    pub variance: f64,
    /// Coverage factor of a probability of 95.45 % at the degrees of freedom there are.
    pub coverage: f64,
    /// Covariance of start, rise and bend over `variance`.
    covariance: [[f64; 3]; 3],
    /// False where the samples say nothing about the bend.
    pub bent: bool,
}

/// `ln(sinh(x)/x)`.
fn ln_sinhc(x: f64) -> f64 {
    let x = x.abs();
    if x < 0.3 {
        let z = x * x;
        z * (1.0 / 6.0
            - z * (1.0 / 180.0 - z * (1.0 / 2835.0 - z * (1.0 / 37_800.0 - z / 467_775.0))))
    } else {
        x + (-(-2.0 * x).exp_m1() / (2.0 * x)).ln()
    }
}

/// Mean of `s` over a block of `size` samples about `u`, and its slope in the bend.
fn shape(bend: f64, u: f64, size: f64, span: f64) -> (f64, f64) {
    if bend < 0.0 {
        let (s, d) = shape(-bend, 1.0 - u, size, span);
        return (1.0 - s, d);
    }
    let bow = u * (1.0 - u);
    if bend < 1e-100 {
        return (u, bow / 2.0);
    }
    let whole = -(-bend).exp_m1();
    let gone = (-bend * u).exp_m1();
    let rest = gone + 1.0;
    let mut s = -gone / whole;
    let d = if bend < 1e-4 {
        bow / 2.0 + bend * bow * (1.0 - 2.0 * u) / 6.0
    } else {
        (u * rest - s * (1.0 - whole)) / whole
    };
    if size > 1.0 {
        // Mean of exp over a block: its middle times sinh(B h)/(B sinh h), h = 1/2T.
        let half = bend / (2.0 * span);
        let gain = ln_sinhc(size * half) - ln_sinhc(half);
        let more = if gain < 1.0 { rest * gain.exp_m1() } else { (gain - bend * u).exp() - rest };
        s -= more / whole;
    }
    (s, d)
}

/// Cholesky solution of a symmetric system scaled to unit diagonal; `None` if singular.
fn solve(matrix: &[[f64; 3]; 3], right: [f64; 3], damping: f64, used: usize) -> Option<[f64; 3]> {
    let scale: [f64; 3] = std::array::from_fn(|i| matrix[i][i].sqrt());
    if scale[..used].iter().any(|s| *s <= 0.0 || !s.is_finite()) {
        return None;
    }
    let mut lower = [[0.0; 3]; 3];
    let mut x = [0.0; 3];
    for i in 0..used {
        for j in 0..=i {
            let mut sum = matrix[i][j] / (scale[i] * scale[j]);
            if i == j {
                sum += damping;
            }
            sum -= (0..j).map(|k| lower[i][k] * lower[j][k]).sum::<f64>();
            if i == j {
                if sum <= 1e-15 {
                    return None;
                }
                lower[i][i] = sum.sqrt();
            } else {
                lower[i][j] = sum / lower[j][j];
            }
        }
        let sum: f64 = (0..i).map(|k| lower[i][k] * x[k]).sum();
        x[i] = (right[i] / scale[i] - sum) / lower[i][i];
    }
    for i in (0..used).rev() {
        let sum: f64 = (i + 1..used).map(|k| lower[k][i] * x[k]).sum();
        x[i] = (x[i] - sum) / lower[i][i];
    }
    Some(std::array::from_fn(|i| if i < used { x[i] / scale[i] } else { 0.0 }))
}

/// Quantile of Student's t for the probability that k = 2 covers in a normal
/// distribution: Abramowitz & Stegun, 1964, 26.7.5 (from memory).
pub(crate) fn coverage(freedom: f64) -> f64 {
    let v = 1.0 / freedom;
    2.0 + v * (2.5 + v * (294.0 / 96.0 + v * 1098.0 / 384.0))
}

struct Problem {
    blocks: Vec<Block>,
    span: f64,
    used: usize,
    /// Largest magnitude of the bend.
    most: f64,
}

/// One linearisation: normal matrix, right side, misfit.
struct Normal {
    matrix: [[f64; 3]; 3],
    right: [f64; 3],
    misfit: f64,
}

impl Problem {
    fn of(sums: &Sums, from: usize, to: usize, quickest: f64) -> Self {
        let span = (to - from - 1).max(1) as f64;
        let used = (to - from).min(if to - from < 4 { 2 } else { 3 });
        Self { blocks: sums.blocks(from, to), span, used, most: span / quickest }
    }

    fn mean(&self) -> f64 {
        let (size, sum) = self
            .blocks
            .iter()
            .fold((0.0, 0.0), |(size, sum), b| (size + b.size, sum + b.size * b.mean));
        sum / size
    }

    fn normal(&self, [start, rise, bend]: [f64; 3]) -> Normal {
        let mut normal = Normal { matrix: [[0.0; 3]; 3], right: [0.0; 3], misfit: 0.0 };
        for block in &self.blocks {
            let (s, d) = shape(bend, block.centre / self.span, block.size, self.span);
            let row = [1.0, s, rise * d];
            let rest = block.mean - start - rise * s;
            normal.misfit += block.size * rest * rest;
            for i in 0..self.used {
                normal.right[i] += block.size * row[i] * rest;
                for j in 0..=i {
                    normal.matrix[i][j] += block.size * row[i] * row[j];
                }
            }
        }
        for i in 0..3 {
            for j in i + 1..3 {
                normal.matrix[i][j] = normal.matrix[j][i];
            }
        }
        normal
    }

    /// The best levels for a given bend, and their misfit, by every `stride`-th block.
    fn levels(&self, bend: f64, stride: usize) -> ([f64; 3], f64) {
        let point = |block: &Block| {
            let s = shape(bend, block.centre / self.span, block.size, self.span).0;
            (block.size, s, block.mean)
        };
        let points: Vec<(f64, f64, f64)> = self.blocks.iter().step_by(stride).map(point).collect();
        let (weight, s1, y1) =
            points.iter().fold((0.0, 0.0, 0.0), |(weight, s1, y1), (w, s, y)| {
                (weight + w, s1 + w * s, y1 + w * y)
            });
        let (s_mean, y_mean) = (s1 / weight, y1 / weight);
        let (mut ss, mut sy, mut yy) = (0.0, 0.0, 0.0);
        for (w, s, y) in points {
            let (ds, dy) = (s - s_mean, y - y_mean);
            ss += w * ds * ds;
            sy += w * ds * dy;
            yy += w * dy * dy;
        }
        let rise = if ss > 0.0 { sy / ss } else { 0.0 };
        ([y_mean - rise * s_mean, rise, bend], yy - rise * sy)
    }

    /// The best of a coarse ladder of bends, from a straight line up, by a hundred blocks.
    fn ladder(&self) -> [f64; 3] {
        let stride = 1 + self.blocks.len() / 100;
        let mut best = self.levels(0.0, stride);
        let mut bend = 0.7;
        while bend < self.most {
            for signed in [bend, -bend] {
                let next = self.levels(signed, stride);
                if next.1 < best.1 {
                    best = next;
                }
            }
            bend *= 2.5;
        }
        self.levels(best.0[2], 1).0
    }

    /// Gauss-Newton with Marquardt's damping where a full step would overshoot.
    fn descend(&self, mut at: [f64; 3]) -> ([f64; 3], Normal) {
        let mut normal = self.normal(at);
        let mut damping = 0.0;
        for _ in 0..60 {
            let Some(mut step) = solve(&normal.matrix, normal.right, damping, self.used) else {
                break;
            };
            let reach = 1.0 + 0.5 * at[2].abs();
            step[2] = step[2].clamp(-reach, reach);
            let gain: f64 = step.iter().zip(&normal.right).map(|(s, r)| s * r).sum();
            let mut next: [f64; 3] = std::array::from_fn(|i| at[i] + step[i]);
            next[2] = next[2].clamp(-self.most, self.most);
            let trial = self.normal(next);
            let small = step[2].abs() <= 1e-14 * at[2].abs() || gain.abs() <= 1e-9 * normal.misfit;
            if trial.misfit <= normal.misfit {
                (at, normal) = (next, trial);
                damping *= 0.1;
            } else {
                damping = (damping * 10.0).max(1e-4);
            }
            if small || damping > 1e6 {
                break;
            }
        }
        (at, normal)
    }
}

impl Curve {
    /// Fits samples `from..to` with time constants of `quickest` samples at least. `guess`
    /// is a bend to start from; without one a ladder of bends is tried. Up to three
    /// samples carry no bend, one carries no rise.
    pub(crate) fn fit(
        sums: &Sums,
        from: usize,
        to: usize,
        quickest: f64,
        guess: Option<f64>,
    ) -> Self {
        let problem = Problem::of(sums, from, to, quickest);
        let bent = problem.used == 3;
        let first = match guess {
            Some(bend) if bent => problem.levels(bend, 1).0,
            None if bent => problem.ladder(),
            _ => problem.levels(0.0, 1).0,
        };
        let (at, normal) = problem.descend(first);
        Self::of(&problem, from, to, at, &normal)
    }

    /// The plainest curve that does: a constant or a line, unless a parameter more lessens
    /// the misfit by more than `penalty`.
    pub(crate) fn plainest(
        sums: &Sums,
        from: usize,
        to: usize,
        quickest: f64,
        guess: Option<f64>,
        penalty: f64,
    ) -> Self {
        let mut problem = Problem::of(sums, from, to, quickest);
        let mut best = Self::fit(sums, from, to, quickest, guess);
        for used in (1..best.used).rev() {
            problem.used = used;
            let at = if used == 2 { problem.levels(0.0, 1).0 } else { [problem.mean(), 0.0, 0.0] };
            let plain = Self::of(&problem, from, to, at, &problem.normal(at));
            if plain.cost(penalty) <= best.cost(penalty) {
                best = plain;
            }
        }
        best
    }

    fn of(
        problem: &Problem,
        from: usize,
        to: usize,
        [start, rise, bend]: [f64; 3],
        normal: &Normal,
    ) -> Self {
        let freedom = (problem.blocks.len() as f64 - problem.used as f64).max(1.0);
        let mut carried = problem.used;
        let mut covariance = [[0.0; 3]; 3];
        // A constant carries no bend: whatever it is, the levels are what they are.
        while carried > 0 {
            let columns: [Option<[f64; 3]>; 3] = std::array::from_fn(|i| {
                let unit = std::array::from_fn(|j| f64::from(u8::from(i == j)));
                solve(&normal.matrix, unit, 0.0, carried)
            });
            if let [Some(a), Some(b), Some(c)] = columns {
                covariance = [a, b, c];
                break;
            }
            carried -= 1;
        }
        Self {
            from,
            len: to - from,
            start,
            rise,
            bend,
            used: problem.used,
            misfit: normal.misfit,
            variance: normal.misfit / freedom,
            coverage: coverage(freedom),
            covariance,
            bent: carried == 3,
        }
    }

    /// Misfit with `penalty` for each parameter.
    pub(crate) fn cost(&self, penalty: f64) -> f64 {
        self.misfit + penalty * self.used as f64
    }

    fn span(&self) -> f64 {
        (self.len - 1).max(1) as f64
    }

    fn place(&self, x: f64) -> f64 {
        (x - self.from as f64) / self.span()
    }

    /// Level at sample `x`, which may lie between samples and outside the range fitted.
    pub(crate) fn at(&self, x: f64) -> f64 {
        self.start + self.rise * shape(self.bend, self.place(x), 1.0, self.span()).0
    }

    /// Change of level per sample at `x`.
    pub(crate) fn slope(&self, x: f64) -> f64 {
        let (b, u) = (self.bend, self.place(x));
        let steepness = if b.abs() < 1e-9 {
            1.0 + b * (0.5 - u)
        } else if b > 0.0 {
            b * (-b * u).exp() / -(-b).exp_m1()
        } else {
            b * (b * (1.0 - u)).exp() / b.exp_m1()
        };
        self.rise * steepness / self.span()
    }

    /// Variance of a linear function of start, rise and bend.
    pub(crate) fn spread(&self, gradient: [f64; 3]) -> f64 {
        let mut sum = 0.0;
        for (row, a) in self.covariance.iter().zip(gradient) {
            for (c, b) in row.iter().zip(gradient) {
                sum += a * c * b;
            }
        }
        (sum * self.variance).max(0.0)
    }

    /// Variance of the level at `x`.
    pub(crate) fn level_variance(&self, x: f64) -> f64 {
        let (s, d) = shape(self.bend, self.place(x), 1.0, self.span());
        self.spread([1.0, s, self.rise * d])
    }

    /// Largest residual of the blocks, in units of what noise and tolerance allow, over
    /// single blocks and over groups of 4, 16 and 64 in a row.
    pub(crate) fn strain(&self, sums: &Sums, noise: f64, tolerance: f64) -> f64 {
        let rests: Vec<(f64, f64)> = sums
            .blocks(self.from, self.from + self.len)
            .iter()
            .map(|block| {
                let s = shape(self.bend, block.centre / self.span(), block.size, self.span()).0;
                (block.size, block.size * (block.mean - self.start - self.rise * s))
            })
            .collect();
        [1, 4, 16, 64].into_iter().flat_map(|group| rests.chunks(group)).fold(
            0.0,
            |worst, group| {
                let (size, sum) = group.iter().fold((0.0, 0.0), |(a, b), r| (a + r.0, b + r.1));
                // Six sigma: a thousand tests a fit and fifty fits a stage leave 1 in 10 000.
                f64::max(
                    worst,
                    sum.abs() / (2.0 * tolerance * size + 6.0 * noise * f64::sqrt(size)),
                )
            },
        )
    }
}
