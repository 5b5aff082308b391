//! Least-squares fit of a periodic trace with unknown period.
//!
//! Model: `mean + trend t + sum a_k cos(k w t) + b_k sin(k w t)`, t counted from the middle
//! of the trace, w free or given. Gauss-Newton; white noise on the trace makes it
//! efficient (Rife & Boorstyn, IEEE IT 20:591-598, 1974). The noise that counts is
//! read next to the lines, not over the whole band, since demodulated noise is not white.

use crate::reading::Obstacle;
use crate::straight_line::StraightLine;
use num_complex::Complex64;
use rustfft::FftPlanner;
use std::f64::consts::TAU;

/// A peak stands out where its power exceeds this many medians: noise does so in one of
/// e^(30 ln 2) = 1e9 bins.
pub const TONE_OVER_MEDIAN: f64 = 30.0;

/// Bins to each side of a line over which its noise is averaged: 12 % of doubt in power.
const NOISE_BINS: usize = 48;

/// What is fitted besides the lines.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    /// Highest order.
    pub orders: usize,
    /// True to fit a linear trend.
    pub trend: bool,
    /// True to fit the period, false to keep it.
    pub free_period: bool,
}

/// A fitted trace. Variances are of the parameters, k = 1 squared.
#[derive(Clone, Debug)]
pub struct Periodic {
    pub turns_per_sample: f64,
    pub turns_variance: f64,
    pub mean: f64,
    pub mean_variance: f64,
    /// Change per sample.
    pub trend: f64,
    pub trend_variance: f64,
    /// `a_k - i b_k`: cosine amplitude and phase of order k = 1.. at the middle.
    pub lines: Vec<Complex64>,
    /// Variance of one coordinate of each line.
    pub line_variances: Vec<f64>,
    /// Variance of the phase of order 1 at the first sample, in turns; the period counts.
    pub start_variance: f64,
    pub residual_rms: f64,
    /// Place of t = 0, in samples.
    pub middle: f64,
    /// True if the last two orders carry less than noise or 1e-11 of the first.
    complete: bool,
}

impl Periodic {
    /// Phase of order 1 in turns, re cosine, at sample `n`.
    pub fn turns_at(&self, n: f64) -> f64 {
        (self.lines[0].arg() / TAU + self.turns_per_sample * (n - self.middle)).rem_euclid(1.0)
    }

    /// The fitted trace at sample `n`.
    pub fn at(&self, n: f64) -> f64 {
        let t = n - self.middle;
        law(t, self.mean, self.trend, cis(self.turns_per_sample, t), &self.lines)
    }

    /// Fits `values` from a start that is right to about half a cycle over the trace.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] with fewer values than parameters; [`Obstacle::NoTone`] if
    /// the fit is singular or does not settle.
    pub fn fit(values: &[f64], start: f64, shape: Shape) -> Result<Self, Obstacle> {
        let width = 2 + 2 * shape.orders + 1;
        if values.len() < 2 * width {
            return Err(Obstacle::TooShort { have: values.len(), need: 2 * width });
        }
        let mut turns = start;
        let mut lines = vec![Complex64::ZERO; shape.orders];
        // The first pass only finds amplitudes, which the period's column needs.
        let mut solved = solve(values, turns, &lines, shape, false)?;
        solved.lines(&mut lines);
        let mut settled = !shape.free_period;
        for _ in 0..30 {
            if settled {
                break;
            }
            solved = solve(values, turns, &lines, shape, true)?;
            let step = solved.parameters[width - 1];
            turns += step;
            solved.lines(&mut lines);
            if !(turns > 0.0 && turns < 0.5) {
                return Err(Obstacle::NoTone);
            }
            // Convergence is quadratic: behind such a step lies nothing.
            let deviation = (solved.inverse[width * width - 1] * solved.rest).sqrt();
            settled = step.abs() <= 1e-3 * deviation || step.abs() * values.len() as f64 <= 1e-12;
        }
        if !settled {
            return Err(Obstacle::NoTone);
        }
        Ok(solved.finish(values, turns, lines, shape))
    }

    /// Adds orders until the last two carry less than noise and 1e-11 of the first.
    ///
    /// # Errors
    /// See [`Periodic::fit`].
    pub fn grow(values: &[f64], start: f64, most: usize, shape: Shape) -> Result<Self, Obstacle> {
        let room = (0.48 / start) as usize;
        let fits = (values.len() / 8).saturating_sub(2);
        let most = most.min(room).min(fits).max(1);
        let mut found = Self::fit(values, start, Shape { orders: 1, ..shape })?;
        let mut orders = 3.min(most);
        while orders > 1 {
            found = Self::fit(values, found.turns_per_sample, Shape { orders, ..shape })?;
            if found.complete || orders == most {
                break;
            }
            orders = (2 * orders).min(most);
        }
        Ok(found)
    }
}

/// Cycles per sample of the strongest periodic component of `values`, mean and trend aside.
///
/// # Errors
/// [`Obstacle::TooShort`] below 16 values; [`Obstacle::NoTone`] if nothing stands out.
pub fn strongest(values: &[f64]) -> Result<f64, Obstacle> {
    let len = values.len();
    if len < 16 {
        return Err(Obstacle::TooShort { have: len, need: 16 });
    }
    let line = StraightLine::through(values.iter().enumerate().map(|(n, v)| (n as f64, *v)))?;
    let n = len as f64;
    let mut bins: Vec<Complex64> = values
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let hann = 0.5 - 0.5 * (TAU * i as f64 / n).cos();
            Complex64::new(hann * (v - line.at(i as f64)), 0.0)
        })
        .collect();
    FftPlanner::new().plan_fft_forward(len).process(&mut bins);
    let power: Vec<f64> = bins[..len / 2].iter().map(Complex64::norm_sqr).collect();
    let (bin, top) = power
        .iter()
        .enumerate()
        .skip(1)
        .fold((0, 0.0), |best, (i, p)| if *p > best.1 { (i, *p) } else { best });
    // Demodulated noise is not white: what stands out does so among its neighbours.
    let mut near = power[bin.saturating_sub(128).max(1)..(bin + 128).min(len / 2)].to_vec();
    let middle = near.len() / 2;
    let median = *near.select_nth_unstable_by(middle, f64::total_cmp).1;
    if !(top > TONE_OVER_MEDIAN * median && top > 0.0) {
        return Err(Obstacle::NoTone);
    }
    if bin < 5 {
        return Ok(slow(values, &line));
    }
    // Hann window: neighbours of a line d bins off stand as (1 + d) to (2 - d).
    let (left, right) = (power[bin - 1].sqrt(), power.get(bin + 1).map_or(0.0, |p| p.sqrt()));
    let centre = top.sqrt();
    let offset = if right > left {
        let ratio = right / centre;
        (2.0 * ratio - 1.0) / (ratio + 1.0)
    } else {
        let ratio = left / centre;
        -(2.0 * ratio - 1.0) / (ratio + 1.0)
    };
    Ok((bin as f64 + offset.clamp(-0.5, 0.5)) / n)
}

/// Few cycles: the sine that leaves least, on a grid a tenth of a cycle wide.
fn slow(values: &[f64], line: &StraightLine) -> f64 {
    let stride = (values.len() / 2048).max(1);
    let thin: Vec<f64> =
        values.iter().enumerate().step_by(stride).map(|(i, v)| v - line.at(i as f64)).collect();
    let len = thin.len() as f64;
    let shape = Shape { orders: 1, trend: false, free_period: false };
    let mut best = (f64::INFINITY, 1.0);
    for step in 4..70 {
        let cycles = f64::from(step) * 0.1;
        if let Ok(solved) = solve(&thin, cycles / len, &[Complex64::ZERO], shape, false)
            && solved.rest < best.0
        {
            best = (solved.rest, cycles);
        }
    }
    best.1 / len / stride as f64
}

/// One linear least-squares pass.
struct Solved {
    /// mean, trend, a_1, b_1, .., period.
    parameters: Vec<f64>,
    /// Inverse of the normal matrix, by rows.
    inverse: Vec<f64>,
    /// Mean square left over.
    rest: f64,
}

fn solve(
    values: &[f64],
    turns: f64,
    lines: &[Complex64],
    shape: Shape,
    period: bool,
) -> Result<Solved, Obstacle> {
    let width = 2 + 2 * shape.orders + 1;
    let middle = (values.len() as f64 - 1.0) / 2.0;
    let mut normal = vec![0.0; width * width];
    let mut right = vec![0.0; width];
    let mut row = vec![0.0; width];
    row[0] = 1.0;
    let mut square = 0.0;
    for (n, value) in values.iter().enumerate() {
        let t = n as f64 - middle;
        row[1] = if shape.trend { t / middle } else { 0.0 };
        let step = cis(turns, t);
        let mut turn = Complex64::ONE;
        let mut slope = 0.0;
        for (k, line) in lines.iter().enumerate() {
            turn *= step;
            row[2 + 2 * k] = turn.re;
            row[3 + 2 * k] = turn.im;
            // d/dw of a cos + b sin, a - i b = line: -k t (a sin - b cos).
            slope -= (k + 1) as f64 * (line.re * turn.im + line.im * turn.re);
        }
        row[width - 1] = if period { slope * TAU * t } else { 0.0 };
        square += value * value;
        for (i, a) in row.iter().enumerate() {
            right[i] += a * value;
            for (cell, b) in normal[i * width..=i * width + i].iter_mut().zip(&row) {
                *cell += a * b;
            }
        }
    }
    // Unused columns drop out with a unit on their diagonal.
    for i in 0..width {
        if normal[i * width + i] == 0.0 {
            normal[i * width + i] = 1.0;
        }
    }
    let inverse = invert(normal, width).ok_or(Obstacle::NoTone)?;
    let mut parameters: Vec<f64> = (0..width)
        .map(|i| inverse[i * width..(i + 1) * width].iter().zip(&right).map(|(a, b)| a * b).sum())
        .collect();
    let explained: f64 = parameters.iter().zip(&right).map(|(p, r)| p * r).sum();
    parameters[1] /= middle;
    let rest = (square - explained).max(0.0) / values.len() as f64;
    Ok(Solved { parameters, inverse, rest })
}

/// `mean + trend t` and the `lines`, by powers of `step`.
fn law(t: f64, mean: f64, trend: f64, step: Complex64, lines: &[Complex64]) -> f64 {
    let mut turn = Complex64::ONE;
    lines.iter().fold(trend.mul_add(t, mean), |sum, line| {
        turn *= step;
        sum + line.re * turn.re - line.im * turn.im
    })
}

/// exp(i 2 pi turns t), the product kept exact: f64 alone loses digits over a long trace.
pub fn cis(turns: f64, t: f64) -> Complex64 {
    let product = turns * t;
    let rest = turns.mul_add(t, -product);
    Complex64::cis(TAU * ((product - product.round()) + rest))
}

/// Inverse of a symmetric positive matrix given by its lower triangle.
fn invert(mut a: Vec<f64>, width: usize) -> Option<Vec<f64>> {
    let scale: Vec<f64> = (0..width).map(|i| a[i * width + i].sqrt().recip()).collect();
    for i in 0..width {
        for j in 0..=i {
            a[i * width + j] *= scale[i] * scale[j];
        }
    }
    for i in 0..width {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| a[i * width + k] * a[j * width + k]).sum();
            let rest = a[i * width + j] - dot;
            if i == j {
                if rest <= 1e-13 {
                    return None;
                }
                a[i * width + i] = rest.sqrt();
            } else {
                a[i * width + j] = rest / a[j * width + j];
            }
        }
    }
    // Columns of the inverse of the triangle, then its square.
    let mut low = vec![0.0; width * width];
    for j in 0..width {
        for i in j..width {
            let own = if i == j { 1.0 } else { 0.0 };
            let dot: f64 = (j..i).map(|k| a[i * width + k] * low[k * width + j]).sum();
            low[i * width + j] = (own - dot) / a[i * width + i];
        }
    }
    let mut inverse = vec![0.0; width * width];
    for i in 0..width {
        for j in 0..width {
            let dot: f64 = (i.max(j)..width).map(|k| low[k * width + i] * low[k * width + j]).sum();
            inverse[i * width + j] = dot * scale[i] * scale[j];
        }
    }
    Some(inverse)
}

impl Solved {
    fn lines(&self, lines: &mut [Complex64]) {
        for (k, line) in lines.iter_mut().enumerate() {
            *line = Complex64::new(self.parameters[2 + 2 * k], -self.parameters[3 + 2 * k]);
        }
    }

    fn finish(self, values: &[f64], turns: f64, lines: Vec<Complex64>, shape: Shape) -> Periodic {
        let len = values.len();
        let middle = (len as f64 - 1.0) / 2.0;
        let (mean, trend) = (self.parameters[0], self.parameters[1]);
        let residual: Vec<f64> = values
            .iter()
            .enumerate()
            .map(|(n, value)| {
                let t = n as f64 - middle;
                value - law(t, mean, trend, cis(turns, t), &lines)
            })
            .collect();
        let mut noise = Noise::of(&residual, turns, shape.orders);
        let width = 2 + 2 * shape.orders + 1;
        let unit = |i: usize, j: usize| self.inverse[i * width + j];
        let last = width - 1;
        let variance = |noise: &Noise, k: usize| {
            let coordinates = 0.5 * (unit(2 + 2 * k, 2 + 2 * k) + unit(3 + 2 * k, 3 + 2 * k));
            coordinates * noise.at((k + 1) as f64 * turns)
        };
        let complete = lines.iter().enumerate().rev().take(2).all(|(k, line)| {
            let small = (9.0 * variance(&noise, k)).max(1e-22 * lines[0].norm_sqr());
            line.norm_sqr() <= small
        });
        if !complete {
            // Higher orders are left over: no noise, and felt at every line.
            noise.least = noise.overall;
        }
        let line_variances: Vec<f64> = (0..lines.len()).map(|k| variance(&noise, k)).collect();
        let near = noise.at(turns);
        // Phase of order 1 at the first sample: its own, and the period over half the trace.
        let size = lines[0].norm_sqr().max(f64::MIN_POSITIVE);
        let (by_a, by_b) = (-lines[0].im / size / TAU, -lines[0].re / size / TAU);
        let along = [(2, by_a), (3, by_b), (last, -middle)];
        let mut start = 0.0;
        for (i, x) in along {
            for (j, y) in along {
                let free = shape.free_period || (i != last && j != last);
                start += if free { x * y * unit(i, j) } else { 0.0 };
            }
        }
        Periodic {
            turns_per_sample: turns,
            turns_variance: if shape.free_period { unit(last, last) * near } else { 0.0 },
            mean,
            mean_variance: unit(0, 0) * noise.at(0.0),
            trend,
            trend_variance: unit(1, 1) * noise.at(0.0) / (middle * middle),
            line_variances,
            start_variance: start * near,
            residual_rms: (residual.iter().map(|r| r * r).sum::<f64>() / len as f64).sqrt(),
            middle,
            lines,
            complete,
        }
    }
}

/// Variance of the noise by frequency: that of white noise of the density found there.
struct Noise {
    power: Vec<f64>,
    len: f64,
    spacing: f64,
    overall: f64,
    least: f64,
}

impl Noise {
    fn of(residual: &[f64], turns: f64, orders: usize) -> Self {
        let len = residual.len();
        let mut bins: Vec<Complex64> = residual.iter().map(|r| Complex64::new(*r, 0.0)).collect();
        FftPlanner::new().plan_fft_forward(len).process(&mut bins);
        let power = bins[..len / 2].iter().map(|b| b.norm_sqr() / len as f64).collect();
        let lost = (2 * orders + 3) as f64;
        let square = residual.iter().map(|r| r * r).sum::<f64>();
        let overall = square / (len as f64 - lost).max(1.0);
        Self { power, len: len as f64, spacing: turns * len as f64, overall, least: 0.0 }
    }

    fn at(&self, turns: f64) -> f64 {
        let place = (turns * self.len).round() as usize;
        let low = place.saturating_sub(NOISE_BINS).max(2);
        let high = (place + NOISE_BINS).min(self.power.len());
        let (mut sum, mut count) = (0.0, 0u32);
        for (bin, power) in self.power.iter().enumerate().take(high).skip(low) {
            // The fit has emptied the bins at its own lines.
            let order = (bin as f64 / self.spacing).round();
            if (bin as f64 - order * self.spacing).abs() > 1.0 {
                sum += power;
                count += 1;
            }
        }
        if count < 16 { self.overall } else { self.least.max(sum / f64::from(count)) }
    }
}
