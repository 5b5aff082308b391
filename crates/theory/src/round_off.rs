//! Rounding inside recursive filters: noise gains, dead bands, headroom.
//!
//! | | |
//! |---|---|
//! | Source  | covariance `P = A P A' + B B'`: any text on linear systems; dead bands: Jackson, Allerton conf. 1969, from memory, bound derived in a line; headroom: l1 norm, any text |
//! | Units   | noise gains as power ratios re one source (`D^2/12`); dead bands in units in the last place |
//! | Model   | each rounding is white and independent of the signal and of the others |
//! | Checked | `tests/suite/theory/round_off.rs` |

use crate::ParameterError;
use std::f64::consts::PI;

type Matrix<const N: usize> = [[f64; N]; N];

/// A filter that feeds its states back: `s[n+1] = A s[n] + b x[n]`, `y[n] = c s[n] + d x[n]`, with
/// the ways by which roundings enter.
#[derive(Debug, Clone, PartialEq)]
pub struct StateSpace<const N: usize> {
    /// `A`.
    pub feedback: Matrix<N>,
    /// `b`.
    pub input: [f64; N],
    /// `c`.
    pub output: [f64; N],
    /// `d`.
    pub through: f64,
    /// What one unit of each rounding adds to the states.
    pub roundings: Vec<[f64; N]>,
}

/// Bounds on a sum that has no end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Enclosure {
    /// What was added up.
    pub low: f64,
    /// That plus a bound on the rest.
    pub high: f64,
}

fn times<const N: usize>(a: &Matrix<N>, b: &Matrix<N>) -> Matrix<N> {
    std::array::from_fn(|i| {
        std::array::from_fn(|j| a[i].iter().zip(b).map(|(x, row)| x * row[j]).sum())
    })
}

fn transposed<const N: usize>(a: &Matrix<N>) -> Matrix<N> {
    std::array::from_fn(|i| std::array::from_fn(|j| a[j][i]))
}

/// Largest row sum of magnitudes.
fn norm<const N: usize>(a: &Matrix<N>) -> f64 {
    a.iter().map(|row| row.iter().map(|v| v.abs()).sum()).fold(0.0, f64::max)
}

fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Squarings of `A`: a spectral radius of `1 - 2^-60` would still decay within them.
const SQUARINGS: u32 = 70;

fn unstable<T>() -> Result<T, ParameterError> {
    Err(ParameterError { name: "pole radius", value: 1.0, range: "below 1" })
}

impl<const N: usize> StateSpace<N> {
    /// Power at the output that roundings of unit power cause, by the doubling form of the
    /// Lyapunov sum `P = sum A^n B B' A'^n`.
    ///
    /// # Errors
    /// A filter that is not stable.
    pub fn noise_gain(&self) -> Result<f64, ParameterError> {
        let covariance = self.covariance(&self.roundings)?;
        Ok(covariance.iter().zip(&self.output).map(|(row, c)| c * dot(row, &self.output)).sum())
    }

    /// Variance of each state for white input of unit power.
    ///
    /// # Errors
    /// A filter that is not stable.
    pub fn state_gains(&self) -> Result<[f64; N], ParameterError> {
        let covariance = self.covariance(&[self.input])?;
        Ok(std::array::from_fn(|i| covariance[i][i]))
    }

    fn covariance(&self, sources: &[[f64; N]]) -> Result<Matrix<N>, ParameterError> {
        let mut sum: Matrix<N> = std::array::from_fn(|i| {
            std::array::from_fn(|j| sources.iter().map(|s| s[i] * s[j]).sum())
        });
        let mut power = self.feedback;
        for _ in 0..SQUARINGS {
            let more = times(&times(&power, &sum), &transposed(&power));
            for (row, add) in sum.iter_mut().zip(&more) {
                row.iter_mut().zip(add).for_each(|(s, m)| *s += m);
            }
            let size = norm(&power);
            if size < 1e-18 {
                return Ok(sum);
            }
            if !size.is_finite() {
                break;
            }
            power = times(&power, &power);
        }
        unstable()
    }

    /// Sum of the magnitudes of the impulse response from the input to every state, and to the
    /// output as the last value. Input within +-1 keeps state `i` within +-`high`; some input
    /// comes arbitrarily close to `low` at least. `steps` bounds the work.
    ///
    /// # Errors
    /// A filter that is not stable, or that has not decayed to 1e-9 within `steps` samples.
    pub fn peak_gains(&self, steps: u64) -> Result<(Vec<Enclosure>, Enclosure), ParameterError> {
        // Blocks of m samples with |A^m| <= 1/2: all that follows a block adds no more than the
        // block did, in the largest state.
        let (mut power, mut block) = (self.feedback, 1_u64);
        while norm(&power) > 0.5 {
            if block > steps || !norm(&power).is_finite() {
                return unstable();
            }
            power = times(&power, &power);
            block *= 2;
        }
        let mut state = self.input;
        let mut sums = [0.0; N];
        let (mut out, mut done) = (self.through.abs(), 0);
        loop {
            let mut added = 0.0;
            for _ in 0..block {
                for (sum, s) in sums.iter_mut().zip(&state) {
                    *sum += s.abs();
                }
                out += dot(&self.output, &state).abs();
                added += state.iter().fold(0.0_f64, |m, s| m.max(s.abs()));
                state = std::array::from_fn(|i| dot(&self.feedback[i], &state));
            }
            done += block;
            let least = sums.iter().copied().filter(|s| *s > 0.0).fold(f64::INFINITY, f64::min);
            if added <= 1e-9 * least.min(out) || added == 0.0 {
                // Every sum has `done` roundings of its own besides.
                let slack = 1.0 + done as f64 * f64::EPSILON;
                let enclose = |low: f64, rest: f64| Enclosure { low, high: low * slack + rest };
                let reach: f64 = self.output.iter().map(|c| c.abs()).sum();
                let states = sums.iter().map(|s| enclose(*s, added)).collect();
                return Ok((states, enclose(out, reach * added)));
            }
            if done > steps {
                let value = done as f64;
                let range = "an impulse response that decays to 1e-9 within the samples allowed";
                return Err(ParameterError { name: "steps", value, range });
            }
        }
    }
}

/// Second-order low-pass of cutoff `fc` and `quality`, trapezoidal unless named otherwise, both
/// states rounded to nearest unless named otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowPass {
    g: f64,
    damping: f64,
    f: f64,
}

impl LowPass {
    /// Cutoff in cycles per sample.
    ///
    /// # Errors
    /// `cutoff` outside `0 < cutoff < 1/2`, `quality` outside `0 < Q < infinity`.
    pub fn new(cutoff: f64, quality: f64) -> Result<Self, ParameterError> {
        let inside = cutoff > 0.0 && cutoff < 0.5;
        ParameterError::check(inside, "fc/fs", cutoff, "0 < fc/fs < 0.5")?;
        let inside = quality > 0.0 && quality.is_finite();
        ParameterError::check(inside, "quality", quality, "0 < Q < infinity")?;
        let g = (PI * cutoff).tan();
        Ok(Self { g, damping: 1.0 / quality, f: 2.0 * (PI * cutoff).sin() })
    }

    /// `(a1, a2)` of `1 + a1 z^-1 + a2 z^-2`.
    #[must_use]
    pub fn denominator(&self) -> (f64, f64) {
        let (g, r) = (self.g, self.damping);
        let d = 1.0 + r * g + g * g;
        (2.0 * (g * g - 1.0) / d, (1.0 - r * g + g * g) / d)
    }

    /// Direct form 1 with one rounding, of the sum that becomes the output:
    /// `(1+b)/((1-b)((1+b)^2 - a^2))`, `a = a1`, `b = a2`.
    #[must_use]
    pub fn direct_noise_gain(&self) -> f64 {
        let (g, r) = (self.g, self.damping);
        let d = 1.0 + r * g + g * g;
        // Written out, nothing cancels: 1 - b = 2 r g/d, 1 + b + a = 4 g^2/d, 1 + b - a = 4/d.
        let (plus, minus) = (2.0 * (1.0 + g * g) / d, 2.0 * r * g / d);
        plus * d * d / (minus * 16.0 * g * g)
    }

    /// Direct form 1: states are the last two outputs. The input is what the zeros leave.
    #[must_use]
    pub fn direct(&self) -> StateSpace<2> {
        let (a1, a2) = self.denominator();
        StateSpace {
            feedback: [[-a1, -a2], [1.0, 0.0]],
            input: [1.0, 0.0],
            output: [1.0, 0.0],
            through: 0.0,
            roundings: vec![[1.0, 0.0]],
        }
    }

    /// Coupled form: the states turn and shrink; the output is the first of them.
    ///
    /// # Errors
    /// Real poles, for which the form does not exist.
    pub fn coupled(&self) -> Result<StateSpace<2>, ParameterError> {
        let (a1, a2) = self.denominator();
        let square = a2 - 0.25 * a1 * a1;
        let range = "above 1/2: the poles must be complex";
        ParameterError::check(square > 0.0, "quality", 1.0 / self.damping, range)?;
        let (re, im) = (-0.5 * a1, square.sqrt());
        Ok(StateSpace {
            feedback: [[re, -im], [im, re]],
            input: [1.0, 0.0],
            output: [1.0, 0.0],
            through: 0.0,
            roundings: vec![[1.0, 0.0], [0.0, 1.0]],
        })
    }

    /// Trapezoidal state-variable filter: `hp = (x - (r+g) s1 - s2)/d; v1 = g hp; bp = v1 + s1;
    /// s1 = bp + v1; v2 = g bp; lp = v2 + s2; s2 = lp + v2`, output `lp`.
    #[must_use]
    pub fn trapezoidal(&self) -> StateSpace<2> {
        let (g, r) = (self.g, self.damping);
        let d = 1.0 + r * g + g * g;
        let v1 = [-g * (r + g) / d, -g / d];
        let bp = [1.0 + v1[0], v1[1]];
        StateSpace {
            feedback: [[bp[0] + v1[0], bp[1] + v1[1]], [2.0 * g * bp[0], 1.0 + 2.0 * g * bp[1]]],
            input: [2.0 * g / d, 2.0 * g * g / d],
            output: [g * bp[0], g * bp[1] + 1.0],
            through: g * g / d,
            roundings: vec![[1.0, 0.0], [0.0, 1.0]],
        }
    }

    /// The classic two-integrator loop of [`crate::state_variable::TwoIntegratorLoop`], states
    /// `band` and `low`, output the latter. The rounding of `low` reaches `band` at once.
    #[must_use]
    pub fn classic(&self) -> StateSpace<2> {
        let (f, q) = (self.f, self.damping);
        StateSpace {
            feedback: [[1.0 - f * (q + f), -f], [f, 1.0]],
            input: [f, 0.0],
            output: [0.0, 1.0],
            through: 0.0,
            roundings: vec![[1.0, 0.0], [-f, 1.0]],
        }
    }
}

/// Noise gain of `y = a y + x`, rounded once a sample: `1/(1 - a^2)`.
///
/// # Errors
/// `a` outside `-1 < a < 1`.
pub fn one_pole_noise_gain(a: f64) -> Result<f64, ParameterError> {
    ParameterError::check(a.abs() < 1.0, "a", a, "-1 < a < 1")?;
    Ok(1.0 / ((1.0 - a) * (1.0 + a)))
}

/// Largest magnitude in units at which `y = round(a y)`, to nearest, can rest or alternate, for
/// `|a| = numerator/denominator`: `floor(0.5/(1-|a|))`, where one step loses half a unit at most.
///
/// In integers, as 0.99 in f64 already gives 49 instead of 50. A Q1.31 coefficient has the
/// denominator `2^31`.
///
/// # Errors
/// `numerator` outside `0..denominator`, `denominator` above 2^62.
pub fn one_pole_dead_band(numerator: u64, denominator: u64) -> Result<u64, ParameterError> {
    let top = denominator <= 1 << 62;
    ParameterError::check(top, "denominator", denominator as f64, "1..=2^62")?;
    let inside = numerator < denominator;
    ParameterError::check(inside, "numerator", numerator as f64, "0..denominator")?;
    Ok(denominator / (2 * (denominator - numerator)))
}

/// The same for a second-order direct form whose products are rounded one by one, with pole
/// radius squared `b2 = numerator/denominator`: `floor(0.5/(1-b2))`.
///
/// # Errors
/// As [`one_pole_dead_band`].
pub fn second_order_dead_band(numerator: u64, denominator: u64) -> Result<u64, ParameterError> {
    one_pole_dead_band(numerator, denominator)
}
