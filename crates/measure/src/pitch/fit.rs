//! One Gauss-Newton step of the fit, by variable projection.
//!
//! Basis: `1, cos(w_i m), sin(w_i m)` with m counted from the centre, so that even and
//! odd parts never mix; the derivative to f0 is `2 pi sum k m (b cos - a sin)`. Gram
//! matrices come in closed form; only the correlations with the capture cost a pass.

use super::PitchLine;
use super::kernel::Kernel;
use super::normal::{Normal, cholesky, dot, quadratic, solve};
use crate::window::Window;
use std::f64::consts::TAU;

/// Samples between exact restarts of the rotation: its error stays below 32 ulp.
const RESYNC: usize = 128;

/// Rotations run side by side.
const LANES: usize = 4;

#[derive(Default)]
pub struct Fit {
    len: usize,
    weighted: bool,
    noise_gain: f64,
    kernel: Kernel,
    squared: Kernel,
    plain: Kernel,
    weight: Vec<f64>,
    half: Vec<Group>,
    raw: Vec<Group>,
    normal: Normal,
}

type Lanes = [f64; LANES];

/// Sums and differences of samples mirrored about the centre, plain and times m. Lanes
/// past the end of the capture hold zeros.
#[derive(Clone, Copy, Default)]
struct Group {
    even: Lanes,
    odd: Lanes,
    even_m: Lanes,
    odd_m: Lanes,
}

/// What one step found.
pub struct Step {
    /// Change of f0, in cycles per sample.
    pub delta: f64,
    /// Standard deviation of f0 per unit of white noise.
    pub deviation: f64,
    pub dc: f64,
}

impl Fit {
    /// Takes a capture.
    pub fn load(&mut self, samples: &[f64], window: Window) {
        let len = samples.len();
        let a = window.coefficients();
        let a: Vec<f64> = a.iter().map(|c| c / a[0]).collect();
        if self.len != len || self.weighted != (a.len() > 1) {
            self.len = len;
            self.weighted = a.len() > 1;
            self.noise_gain = window.enbw_bins();
            self.kernel = Kernel::new(&a, len);
            self.squared = Kernel::new(&square(&a), len);
            self.plain = Kernel::new(&[1.0], len);
            self.weight = (0..len.div_ceil(2))
                .map(|i| {
                    let turns = self.position(i) / len as f64;
                    let terms =
                        a.iter().enumerate().map(|(q, c)| c * (TAU * q as f64 * turns).cos());
                    terms.sum::<f64>()
                })
                .collect();
        }
        fold(&mut self.raw, samples, None);
        fold(&mut self.half, samples, Some(&self.weight));
    }

    /// Centred index of entry `i` of a half.
    fn position(&self, i: usize) -> f64 {
        centred(self.len, i)
    }

    /// One step from `f0` with the given orders.
    /// `None` if the orders are not independent over the capture.
    pub fn step(&mut self, f0: f64, orders: &[u32]) -> Option<Step> {
        let n = orders.len();
        // A whole turn per sample changes at most the sign of a line with centred indices,
        // and its amplitude is free.
        let turns = orders.iter().map(|k| f64::from(*k) * f0).map(|t| t - t.round());
        self.normal.turns.clear();
        self.normal.turns.extend(turns);
        self.normal.fill(&self.kernel);
        let sums: Vec<[f64; 4]> = (0..n).map(|i| self.correlate(self.normal.turns[i])).collect();
        let total: f64 = self.half.iter().flat_map(|g| g.even).sum();

        let (even, odd) = self.normal.grams();
        let (even, odd) = (cholesky(even)?, cholesky(odd)?);
        let w = &mut self.normal;
        w.even.solution.clear();
        w.even.solution.push(total);
        w.even.solution.extend(sums.iter().map(|s| s[0]));
        solve(&even, &mut w.even.solution);
        w.odd.solution.clear();
        w.odd.solution.extend(sums.iter().map(|s| s[1]));
        solve(&odd, &mut w.odd.solution);

        let information = w.couple(orders);
        w.even.share.clone_from(&w.even.coupling);
        solve(&even, &mut w.even.share);
        w.odd.share.clone_from(&w.odd.coupling);
        solve(&odd, &mut w.odd.share);
        w.information =
            information - dot(&w.even.coupling, &w.even.share) - dot(&w.odd.coupling, &w.odd.share);
        if w.information.is_nan() || w.information <= 0.0 {
            return None;
        }
        let mut slope =
            -dot(&w.even.coupling, &w.even.solution) - dot(&w.odd.coupling, &w.odd.solution);
        for (i, order) in orders.iter().enumerate() {
            let (a, b) = (w.even.solution[i + 1], w.odd.solution[i]);
            slope += f64::from(*order) * (b * sums[i][2] - a * sums[i][3]);
        }
        Some(Step {
            delta: slope / w.information / TAU,
            deviation: (self.noise_gain / w.information).sqrt() / TAU,
            dc: w.even.solution[0],
        })
    }

    /// Sums of w x cos, w x sin, w x m cos, w x m sin at `turns` cycles per sample.
    fn correlate(&self, turns: f64) -> [f64; 4] {
        let mut sums = [[0.0; LANES]; 4];
        self.rotate(turns, |i, re, im| {
            let g = &self.half[i];
            for lane in 0..LANES {
                sums[0][lane] += g.even[lane] * re[lane];
                sums[1][lane] += g.odd[lane] * im[lane];
                sums[2][lane] += g.odd_m[lane] * re[lane];
                sums[3][lane] += g.even_m[lane] * im[lane];
            }
        });
        sums.map(|lanes| lanes.iter().sum())
    }

    /// Calls `each` with every group's index and cosines and sines of 2 pi turns m.
    fn rotate(&self, turns: f64, mut each: impl FnMut(usize, &Lanes, &Lanes)) {
        let (advance_im, advance_re) = (TAU * turns * LANES as f64).sin_cos();
        let groups = self.half.len();
        for start in (0..groups).step_by(RESYNC / LANES) {
            let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
            for lane in 0..LANES {
                let m = self.position(start * LANES + lane);
                // The product is kept exact: its rounding would cost digits of phase.
                let product = turns * m;
                let rest = turns.mul_add(m, -product);
                (im[lane], re[lane]) = (TAU * (product - product.round() + rest)).sin_cos();
            }
            for i in start..groups.min(start + RESYNC / LANES) {
                each(i, &re, &im);
                for (re, im) in re.iter_mut().zip(&mut im) {
                    let turned = *re * advance_re - *im * advance_im;
                    *im = *re * advance_im + *im * advance_re;
                    *re = turned;
                }
            }
        }
    }

    /// Rms of what the fit leaves of the capture, per degree of freedom.
    pub fn residual_rms(&mut self) -> f64 {
        let mut rest = std::mem::take(&mut self.raw);
        let dc = self.normal.even.solution[0];
        rest.iter_mut().flat_map(|g| &mut g.even).for_each(|e| *e -= 2.0 * dc);
        for (line, turns) in self.normal.turns.iter().enumerate() {
            let a = 2.0 * self.normal.even.solution[line + 1];
            let b = 2.0 * self.normal.odd.solution[line];
            self.rotate(*turns, |i, re, im| {
                for lane in 0..LANES {
                    rest[i].even[lane] -= a * re[lane];
                    rest[i].odd[lane] -= b * im[lane];
                }
            });
        }
        // e and o are sum and difference of a mirrored pair: their squares add up to twice
        // its power. The middle sample of an odd capture pairs with itself.
        let pairs = rest.iter().flat_map(|g| g.even.iter().zip(&g.odd));
        let mut power = 0.0;
        for (i, (e, o)) in pairs.take(self.len.div_ceil(2)).enumerate() {
            power += (e * e + o * o) * if self.position(i) == 0.0 { 0.25 } else { 0.5 };
        }
        self.raw = rest;
        let freedom = self.len as f64 - 2.0 * self.normal.turns.len() as f64 - 2.0;
        (power / freedom.max(1.0)).sqrt()
    }

    /// Standard deviation of f0 after the last step for white noise of `noise_rms`, in
    /// cycles per sample.
    pub fn deviation(&mut self, noise_rms: f64, orders: &[u32]) -> f64 {
        let w = &mut self.normal;
        // The quadratic form of the estimate under the squared weight.
        w.fill(&self.squared);
        let (even, odd) = w.grams();
        let (even_share, odd_share) = (w.even.share.clone(), w.odd.share.clone());
        let spread = quadratic(&even, &even_share) + quadratic(&odd, &odd_share);
        let own = w.couple(orders);
        let cross = dot(&w.even.coupling, &even_share) + dot(&w.odd.coupling, &odd_share);
        noise_rms * (own - 2.0 * cross + spread).max(0.0).sqrt() / w.information / TAU
    }

    /// Cramér-Rao bound of f0 at the amplitudes of the last step, in cycles per sample.
    pub fn bound(&mut self, noise_rms: f64, orders: &[u32]) -> Option<f64> {
        let w = &mut self.normal;
        w.fill(&self.plain);
        let (even, odd) = w.grams();
        let own = w.couple(orders);
        let taken = |gram: Vec<f64>, coupling: &[f64]| {
            let factor = cholesky(gram)?;
            let mut share = coupling.to_vec();
            solve(&factor, &mut share);
            Some(dot(coupling, &share))
        };
        let information = own - taken(even, &w.even.coupling)? - taken(odd, &w.odd.coupling)?;
        Some(noise_rms / information.sqrt() / TAU)
    }

    /// Amplitudes after the last step.
    pub fn amplitudes(&self, orders: &[u32]) -> Vec<PitchLine> {
        let pairs = self.normal.even.solution[1..].iter().zip(&self.normal.odd.solution);
        let line = |(order, (a, b)): (&u32, (&f64, &f64))| PitchLine {
            order: *order,
            amplitude: a.hypot(*b),
        };
        orders.iter().zip(pairs).map(line).collect()
    }

    /// Sums over the weight in force.
    pub fn kernel(&self) -> &Kernel {
        &self.kernel
    }
}

/// Coefficients of the squared weight.
fn square(a: &[f64]) -> Vec<f64> {
    let mut squared = vec![0.0; 2 * a.len() - 1];
    for (p, x) in a.iter().enumerate() {
        for (q, y) in a.iter().enumerate() {
            squared[p + q] += 0.5 * x * y;
            squared[p.abs_diff(q)] += 0.5 * x * y;
        }
    }
    squared
}

/// Folds a capture about its centre, under `weight` if there is one. The middle sample of
/// an odd capture pairs with itself, at half weight unless it is a residual's.
fn fold(half: &mut Vec<Group>, samples: &[f64], weight: Option<&[f64]>) {
    let len = samples.len();
    let pairs = len.div_ceil(2);
    half.clear();
    half.resize(pairs.div_ceil(LANES), Group::default());
    for i in 0..pairs {
        let (right, left) = (samples[len / 2 + i], samples[pairs - 1 - i]);
        let m = centred(len, i);
        let w = match weight {
            Some(w) if m == 0.0 => 0.5 * w[i],
            Some(w) => w[i],
            None => 1.0,
        };
        let (even, odd) = (w * (right + left), w * (right - left));
        let (group, lane) = (&mut half[i / LANES], i % LANES);
        group.even[lane] = even;
        group.odd[lane] = odd;
        group.even_m[lane] = even * m;
        group.odd_m[lane] = odd * m;
    }
}

/// Centred index of the `i`th sample right of the middle.
fn centred(len: usize, i: usize) -> f64 {
    i as f64 + if len.is_multiple_of(2) { 0.5 } else { 0.0 }
}
