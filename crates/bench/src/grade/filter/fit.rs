//! Fits the closed form of our ladder to a response.
//!
//! Unknowns: cutoff, feedback, delay and gain. The output and whether the frequency axis is that of
//! the trapezoidal rule are tried in turn. The fit is Levenberg-Marquardt (Marquardt, J. SIAM
//! 11(2):431-441, 1963, from memory) on complex ratios, weighted by the noise in each band.

use std::f64::consts::{LN_10, PI, TAU};

use plumbtone_measure::transfer::{Band, Transfer};
use plumbtone_theory::Complex64;
use plumbtone_theory::ladder::{Ladder, Mix, mixes, warped_ratio};

use crate::error::Error;

/// The outputs that are low-passes: name, weights, poles that show in the slope.
pub const OUTPUTS: [(&str, Mix, u32); 4] = [
    ("low24", mixes::LOW_4, 4),
    ("low18", mixes::LOW_3, 3),
    ("low12", mixes::LOW_2, 2),
    ("low6", mixes::LOW_1, 1),
];

/// Lowest frequency that is looked at, Hz: where hearing and the converters of interfaces begin.
pub const LOW_HZ: f64 = 20.0;
/// Highest, of the rate: where their filters begin.
pub const HIGH: f64 = 0.45;
/// Width of a band, of its frequency.
const WIDTH: f64 = 1.0 / 300.0;
/// How far below its highest a response is looked at, dB. Wiring and converters leak further down.
pub const DEPTH_DB: f64 = 60.0;
/// Most variance of a ratio that is of use: its noise is half of it.
const NOISY: f64 = 0.25;
/// Fits against the last fit as reference.
const ROUNDS: usize = 4;

/// Which form is fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Form {
    /// Index into [`OUTPUTS`].
    pub output: usize,
    /// Whether frequencies map as the trapezoidal rule maps them, or as they are.
    pub prewarped: bool,
}

/// Unknowns: ln of the cutoff in Hz, ln(4 - k), delay in samples, gain.
pub type Point = [f64; 4];

/// Feedback that belongs to the second unknown.
pub fn feedback(unknown: f64) -> f64 {
    (4.0 - unknown.exp()).max(0.0)
}

impl Form {
    /// The closed form, without its gain and delay.
    pub fn shape(&self, cutoff_hz: f64, k: f64, hz: f64, rate_hz: f64) -> Complex64 {
        let ratio = if self.prewarped {
            warped_ratio(hz / rate_hz, (cutoff_hz / rate_hz).min(0.4999))
        } else {
            hz / cutoff_hz
        };
        Ladder::new(k).map_or(Complex64::ZERO, |ladder| ladder.mix(&OUTPUTS[self.output].1, ratio))
    }

    /// The closed form with gain and delay.
    pub fn at(&self, point: &Point, hz: f64, rate_hz: f64) -> Complex64 {
        let turn = Complex64::from_polar(point[3], -TAU * hz * point[2] / rate_hz);
        self.shape(point[0].exp(), feedback(point[1]), hz, rate_hz) * turn
    }
}

/// A fit of one form.
#[derive(Clone, Debug)]
pub struct Fit {
    pub form: Form,
    pub point: Point,
    /// Of the unknowns, k = 1, as what the fit leaves suggests.
    pub covariance: [[f64; 4]; 4],
    /// Bands that carry weight, as ratios to the fit, and all there are.
    pub used: Vec<Band>,
    pub bands: Vec<Band>,
    /// Weighted squares over degrees of freedom: 1 where noise explains what is left.
    pub excess: f64,
    pub rate_hz: f64,
}

impl Fit {
    /// The response that was measured in a band.
    pub fn measured(&self, band: &Band) -> Complex64 {
        band.ratio * self.form.at(&self.point, band.hz, self.rate_hz)
    }

    /// Expanded uncertainty (k = 2) of a figure of the unknowns.
    pub fn uncertainty(&self, figure: impl Fn(&Point) -> f64) -> f64 {
        let slopes: [f64; 4] = std::array::from_fn(|i| {
            let step = 0.1 * self.covariance[i][i].sqrt();
            if step == 0.0 {
                return 0.0;
            }
            let moved = |sign: f64| {
                let mut point = self.point;
                point[i] += sign * step;
                figure(&point)
            };
            // Feedback ends at 0: the slope on the side that exists.
            let (up, down) = if i == 1 && point_at_edge(&self.point) {
                (figure(&self.point), moved(-1.0))
            } else {
                (0.5 * moved(1.0), 0.5 * moved(-1.0))
            };
            (up - down) / step
        });
        let mut variance = 0.0;
        for i in 0..4 {
            for j in 0..4 {
                variance += slopes[i] * slopes[j] * self.covariance[i][j];
            }
        }
        2.0 * variance.max(0.0).sqrt()
    }

    /// What is left beyond noise, rms, re the response.
    pub fn misfit(&self) -> f64 {
        let squares: f64 =
            self.used.iter().map(|band| (band.ratio - 1.0).norm_sqr() - band.variance).sum();
        (squares / self.used.len() as f64).max(0.0).sqrt()
    }

    /// The band that is furthest from the fit beyond three deviations of its noise, dB of magnitude.
    pub fn worst(&self) -> Option<(f64, f64)> {
        let off = |band: &&Band| 20.0 / LN_10 * band.ratio.norm().ln().abs();
        let clear = |band: &&Band| (band.ratio - 1.0).norm_sqr() > 9.0 * band.variance;
        let worst = self.used.iter().filter(clear).max_by(|a, b| off(a).total_cmp(&off(b)))?;
        Some((worst.hz, off(&worst)))
    }
}

fn point_at_edge(point: &Point) -> bool {
    point[1] >= 4f64.ln()
}

/// The best fit of all forms, and that on the other frequency axis where the data do not tell.
pub fn fit(transfer: &Transfer, rate_hz: f64) -> Result<(Fit, Option<Fit>), Error> {
    let high = HIGH * rate_hz;
    let flat = transfer
        .bands(LOW_HZ, high, WIDTH, |_| Complex64::ONE)
        .map_err(Error::measuring("response of the recording"))?;
    let loudest = flat
        .iter()
        .filter(|band| band.variance < NOISY * band.ratio.norm_sqr())
        .map(|band| band.ratio.norm())
        .fold(0.0, f64::max);
    let depth = loudest * 10f64.powf(-DEPTH_DB / 20.0);
    let clear: Vec<Band> = flat
        .into_iter()
        .filter(|b| b.variance < 0.1 * b.ratio.norm_sqr() && b.ratio.norm() > depth)
        .collect();
    if clear.len() < 24 {
        return Err(unlike());
    }
    let bare = vec![Complex64::ONE; clear.len()];
    let mut coarse: Vec<(Form, Point, f64)> = Vec::new();
    for output in 0..OUTPUTS.len() {
        for prewarped in [true, false] {
            let form = Form { output, prewarped };
            let start = start(form, &clear, rate_hz);
            let solved = solve(form, &clear, &bare, &start, rate_hz);
            coarse.extend(solved.map(|(point, _, excess)| (form, point, excess)));
        }
    }
    let least = coarse.iter().map(|(_, _, excess)| *excess).fold(f64::INFINITY, f64::min);
    // Bands blur a sharp resonance for all forms alike. A form that follows much worse is wrong.
    let near = |output: usize| {
        coarse.iter().any(|(form, _, excess)| form.output == output && *excess < 10.0 * least)
    };
    let mut fits: Vec<Fit> = Vec::new();
    for (form, point, _) in coarse.iter().filter(|(form, _, _)| near(form.output)) {
        fits.extend(refined(transfer, *form, *point, rate_hz)?);
    }
    fits.sort_by(|a, b| a.excess.total_cmp(&b.excess));
    let best = fits.first().ok_or_else(unlike)?;
    let other = fits.iter().find(|fit| {
        fit.form.output == best.form.output && fit.form.prewarped != best.form.prewarped
    });
    // Both on the same bands: what lies at the lower end of either is there by chance. Sixteen: four
    // standard deviations, of what the better one leaves; the bands' own variances are estimates.
    let told = |other: &&Fit| {
        let both = |own: &Fit, their: &Fit| {
            // The middle of a band moves a little with the reference.
            let has = |band: &&Band| {
                let near = |their: &Band| (their.hz / band.hz - 1.0).abs() < 0.25 * WIDTH;
                their.used.iter().any(near)
            };
            let common = own.used.iter().filter(has);
            common.fold((0.0, 0.0), |(sum, count), band| {
                let left = (band.ratio - 1.0).norm_sqr() / (0.5 * band.variance);
                (sum + left, count + 2.0)
            })
        };
        let ((least, count), (more, _)) = (both(best, other), both(other, best));
        count * (more / least.max(1e-300) - 1.0) > 16.0
    };
    Ok(match other.filter(|other| !told(other)) {
        Some(other) if other.form.prewarped => (other.clone(), Some(best.clone())),
        other => (best.clone(), other.cloned()),
    })
}

/// No band stands out of the noise, or no form can follow.
pub fn unlike() -> Error {
    Error::Request(
        "the recording does not follow the file sent: give the file that was played, record all \
         of it, and play and record on one device"
            .to_owned(),
    )
}

/// Coarse values from magnitudes, then delay and sign from phases.
fn start(form: Form, clear: &[Band], rate_hz: f64) -> Point {
    // As many as tell a shape, evenly spread.
    let sparse: Vec<&Band> = clear.iter().step_by((clear.len() / 150).max(1)).collect();
    let weight = |band: &Band| {
        let relative = band.variance / band.ratio.norm_sqr();
        // No band counts more than a hundredth of it known: the grid is coarser than that.
        band.hz / (relative + 1e-4)
    };
    let mut best = (f64::INFINITY, [0.0; 4]);
    let octaves = (HIGH * rate_hz / LOW_HZ).log2() + 2.0;
    for step in 0..=(8.0 * octaves) as u32 {
        let cutoff = LOW_HZ * (f64::from(step) / 8.0 - 1.0).exp2();
        if form.prewarped && cutoff >= 0.49 * rate_hz {
            break;
        }
        for k in [0.0, 0.5, 1.0, 2.0, 3.0, 3.5, 3.8, 3.95] {
            let (mut sums, mut squares) = ([0.0; 2], 0.0);
            for band in &sparse {
                let shape = form.shape(cutoff, k, band.hz, rate_hz).norm();
                let (off, weight) = ((band.ratio.norm() / shape).ln(), weight(band) / band.hz);
                sums[0] += weight;
                sums[1] += weight * off;
                squares += weight * off * off;
            }
            let mean = sums[1] / sums[0];
            let cost = squares / sums[0] - mean * mean;
            if cost < best.0 {
                best = (cost, [cutoff.ln(), (4.0 - k).ln(), 0.0, mean.exp()]);
            }
        }
    }
    let mut point = best.1;
    // The lag is that of the loudest part of the response: less than a few periods of the cutoff.
    // The band grows by octaves, and with it the precision of the delay.
    let (cutoff, k) = (point[0].exp(), feedback(point[1]));
    let phasors: Vec<(f64, Complex64)> = clear
        .iter()
        .map(|band| {
            let turned = band.ratio * form.shape(cutoff, k, band.hz, rate_hz).conj();
            (band.hz, turned / turned.norm() / band.hz)
        })
        .collect();
    let lowest = phasors.first().map_or(LOW_HZ, |(hz, _)| *hz);
    let (mut delay_s, mut reach) = (0.0, 4.0 / cutoff);
    let mut top = (2.0 * cutoff).max(2.0 * lowest);
    loop {
        let sum = |delay: f64| -> f64 {
            let inside = phasors.iter().take_while(|(hz, _)| *hz <= top);
            inside.map(|(hz, at)| (at * Complex64::from_polar(1.0, TAU * hz * delay)).re).sum()
        };
        let steps = (16.0 * top * reach).ceil().max(4.0) as i32;
        let at = |i: i32| delay_s + reach * f64::from(i) / f64::from(steps);
        let found = (-steps..=steps)
            .map(|i| (sum(at(i)), at(i)))
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let (height, delay) = found.unwrap_or((1.0, 0.0));
        delay_s = delay;
        point[3] = point[3].abs() * height.signum();
        if top >= HIGH * rate_hz {
            break;
        }
        reach = 0.25 / top;
        top *= 2.0;
    }
    point[2] = delay_s * rate_hz;
    point
}

/// Fits again and again with the last fit as reference, which takes the width of the bands out.
fn refined(
    transfer: &Transfer,
    form: Form,
    mut point: Point,
    rate_hz: f64,
) -> Result<Option<Fit>, Error> {
    let mut last = None;
    for _ in 0..=ROUNDS {
        let bands = transfer
            .bands(LOW_HZ, HIGH * rate_hz, WIDTH, |hz| form.at(&point, hz, rate_hz))
            .map_err(Error::measuring("response of the recording"))?;
        let size = |band: &Band| form.at(&point, band.hz, rate_hz).norm();
        let highest = bands.iter().map(size).fold(0.0, f64::max);
        let depth = highest * 10f64.powf(-DEPTH_DB / 20.0);
        // By the reference, not by what was measured: noise must not choose.
        let used: Vec<Band> =
            bands.iter().filter(|b| b.variance < NOISY && size(b) > depth).copied().collect();
        if used.len() < 8 {
            return Ok(None);
        }
        let under: Vec<Complex64> =
            used.iter().map(|band| form.at(&point, band.hz, rate_hz)).collect();
        let Some((next, covariance, excess)) = solve(form, &used, &under, &point, rate_hz) else {
            return Ok(None);
        };
        last = Some(Fit { form, point, covariance, used, bands, excess, rate_hz });
        point = next;
    }
    // The last round's ratios are to the point before it: close to 1 and still to be updated.
    Ok(last.map(|fit| rebased(fit, point)))
}

/// Ratios to another point.
fn rebased(mut fit: Fit, point: Point) -> Fit {
    let (form, old, rate_hz) = (fit.form, fit.point, fit.rate_hz);
    for band in fit.used.iter_mut().chain(&mut fit.bands) {
        let change = form.at(&old, band.hz, rate_hz) / form.at(&point, band.hz, rate_hz);
        band.ratio *= change;
        band.variance *= change.norm_sqr();
    }
    fit.point = point;
    fit
}

type Solved = (Point, [[f64; 4]; 4], f64);

/// Minimises the weighted squares of ratios to the references `under`.
fn solve(
    form: Form,
    used: &[Band],
    under: &[Complex64],
    start: &Point,
    rate_hz: f64,
) -> Option<Solved> {
    let residuals = |point: &Point| -> Vec<Complex64> {
        used.iter()
            .zip(under)
            .map(|(band, under)| {
                (band.ratio - form.at(point, band.hz, rate_hz) / under)
                    / (0.5 * band.variance).sqrt()
            })
            .collect()
    };
    let cost = |left: &[Complex64]| left.iter().map(|r| r.norm_sqr()).sum::<f64>();
    let mut point = *start;
    let mut left = residuals(&point);
    let mut here = cost(&left);
    let mut damping = 1e-3;
    let mut normal = [[0.0; 4]; 4];
    for _ in 0..60 {
        let slopes = slopes(form, used, under, &point, rate_hz);
        let mut gradient = [0.0; 4];
        normal = [[0.0; 4]; 4];
        for (row, r) in slopes.iter().zip(&left) {
            for i in 0..4 {
                gradient[i] += (row[i].conj() * r).re;
                for j in 0..4 {
                    normal[i][j] += (row[i].conj() * row[j]).re;
                }
            }
        }
        // Feedback that is at 0 and pulled below stays there.
        let held = point_at_edge(&point) && gradient[1] > 0.0;
        let mut improved = false;
        let mut small = false;
        for _ in 0..12 {
            let mut damped = normal;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let mut pull = gradient;
            if held {
                pull[1] = 0.0;
                damped[1] = [0.0; 4];
                damped.iter_mut().for_each(|row| row[1] = 0.0);
                damped[1][1] = 1.0;
            }
            let inverse = inverted(&damped)?;
            let mut next = point;
            let mut change = 0.0;
            for i in 0..4 {
                let step: f64 = (0..4).map(|j| inverse[i][j] * pull[j]).sum();
                change += step * pull[i];
                // A factor e at most per step, of cutoff and of 4 - k.
                next[i] += if i < 2 { step.clamp(-1.0, 1.0) } else { step };
            }
            let top = if form.prewarped { 0.49 * rate_hz } else { 4.0 * rate_hz };
            next[0] = next[0].clamp(0.0, top.ln());
            next[1] = next[1].clamp(-20.0, 4f64.ln());
            let tried = residuals(&next);
            let there = cost(&tried);
            if there <= here {
                // A millionth of the square of a standard deviation.
                small = change < 1e-6;
                (point, left, here, improved) = (next, tried, there, true);
                damping = (0.1 * damping).max(1e-12);
                break;
            }
            damping *= 10.0;
        }
        if !improved || small {
            break;
        }
    }
    let freedom = (2 * used.len()).saturating_sub(4).max(1) as f64;
    // Residuals have unit variance along either axis.
    let excess = here / freedom;
    let mut covariance = inverted(&normal)?;
    let inflation = inflation(&left, excess);
    covariance.iter_mut().flatten().for_each(|entry| *entry *= inflation);
    Some((point, covariance, excess))
}

/// Derivatives of the fitted ratio, over the standard deviation of each band.
fn slopes(
    form: Form,
    used: &[Band],
    under: &[Complex64],
    point: &Point,
    rate_hz: f64,
) -> Vec<[Complex64; 4]> {
    const STEP: f64 = 1e-5;
    let (cutoff, k) = (point[0].exp(), feedback(point[1]));
    // The slope in ln(4 - k) by the side that exists.
    let other = point[1] - STEP;
    used.iter()
        .zip(under)
        .map(|(band, under)| {
            let hz = band.hz;
            let turn = Complex64::from_polar(1.0, -TAU * hz * point[2] / rate_hz)
                / (under * (0.5 * band.variance).sqrt());
            let shape = |cutoff: f64, k: f64| form.shape(cutoff, k, hz, rate_hz);
            let here = shape(cutoff, k);
            let by_cutoff = (shape(cutoff * STEP.exp(), k) - shape(cutoff * (-STEP).exp(), k))
                * (point[3] / (2.0 * STEP));
            let by_feedback = (here - shape(cutoff, feedback(other))) * (point[3] / STEP);
            let by_delay = here * point[3] * Complex64::new(0.0, -TAU * hz / rate_hz);
            [by_cutoff * turn, by_feedback * turn, by_delay * turn, here * turn]
        })
        .collect()
}

/// By how much variances grow where the form does not follow the data: by what is left over the
/// noise, and by how many neighbouring bands err alike.
fn inflation(left: &[Complex64], excess: f64) -> f64 {
    let count = left.len() as f64;
    // Six standard deviations of the scatter of `excess` itself.
    if excess <= 1.0 + 6.0 / count.sqrt() {
        return excess.max(1.0);
    }
    let total: f64 = left.iter().map(|r| r.norm_sqr()).sum();
    let mut alike = 1.0;
    for apart in 1..left.len() / 2 {
        let product: f64 =
            left.iter().zip(&left[apart..]).map(|(a, b)| (a.conj() * b).re).sum::<f64>() / total;
        if product <= 0.0 {
            break;
        }
        alike += 2.0 * product;
    }
    excess * alike
}

/// Inverse of a symmetric matrix by Gauss-Jordan, its unknowns scaled alike.
fn inverted(matrix: &[[f64; 4]; 4]) -> Option<[[f64; 4]; 4]> {
    let scale: [f64; 4] = std::array::from_fn(|i| matrix[i][i].sqrt());
    if scale.iter().any(|s| !(*s > 0.0 && s.is_finite())) {
        return None;
    }
    let mut left: [[f64; 4]; 4] =
        std::array::from_fn(|i| std::array::from_fn(|j| matrix[i][j] / (scale[i] * scale[j])));
    let mut right: [[f64; 4]; 4] =
        std::array::from_fn(|i| std::array::from_fn(|j| f64::from(u8::from(i == j))));
    for column in 0..4 {
        let pivot =
            (column..4).max_by(|a, b| left[*a][column].abs().total_cmp(&left[*b][column].abs()))?;
        left.swap(column, pivot);
        right.swap(column, pivot);
        let head = left[column][column];
        if head.abs() < 1e-14 {
            return None;
        }
        for j in 0..4 {
            left[column][j] /= head;
            right[column][j] /= head;
        }
        for row in (0..4).filter(|row| *row != column) {
            let factor = left[row][column];
            for j in 0..4 {
                left[row][j] -= factor * left[column][j];
                right[row][j] -= factor * right[column][j];
            }
        }
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| right[i][j] / (scale[i] * scale[j]))))
}

/// Gain of a form at 0 Hz, its own alone.
pub fn dc_gain(k: f64) -> f64 {
    // Every stage passes 0 Hz whole.
    1.0 / (1.0 + k)
}

/// Frequency of the analogue `ratio`, Hz.
pub fn placed(form: Form, ratio: f64, cutoff_hz: f64, rate_hz: f64) -> f64 {
    if form.prewarped {
        (ratio * (PI * cutoff_hz / rate_hz).tan()).atan() / PI * rate_hz
    } else {
        ratio * cutoff_hz
    }
}
