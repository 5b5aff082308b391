//! Rounding noise of differentiated polynomials, and the density of summed held noise.
//!
//! | | |
//! |---|---|
//! | Source  | rounding adds `D^2/12` (Oppenheim & Schafer); propagation derived here; held rows: Gardner 1978, from memory, density derived |
//! | Units   | rms re waveform swing +-1; `p = f0/fs` in cycles per sample |
//! | Model   | each rounding is white and independent of the others; phase uniform. A given increment repeats the bits that f32 drops from the phase as a tone, so its noise may lie several dB to either side; the mean over increments obeys the model |
//! | Checked | `tests/suite/theory/noise.rs` |

use crate::ParameterError;

/// Arithmetic in which `p_N(s)` is evaluated before it is differenced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arithmetic {
    /// f32, round to nearest: `s` from a 32-bit phase by one rounding, then `s*s`;
    /// `(s*s - 1)*s`; `s2*(s2 - 2)` with `s2 = s*s`.
    F32,
    /// Q1.31 with this many independent roundings of one unit each in `p_N`.
    Q31 {
        /// Number of roundings.
        roundings: u32,
    },
}

fn check_order(order: u32) -> Result<(), ParameterError> {
    ParameterError::check((2..=4).contains(&order), "order", f64::from(order), "2..=4")
}

fn check_increment(p: f64) -> Result<(), ParameterError> {
    ParameterError::check(p > 0.0 && p <= 0.5, "f0/fs", p, "0 < f0/fs <= 0.5")
}

/// Gain of `N - 1` differences for white noise, `sqrt(C(2N-2, N-1))`, for `order` N in 2..=16.
///
/// # Errors
/// `order` outside 2..=16.
pub fn difference_gain(order: u32) -> Result<f64, ParameterError> {
    ParameterError::check((2..=16).contains(&order), "order", f64::from(order), "2..=16")?;
    let n = order - 1;
    let central: f64 = (1..=n).map(|i| f64::from(n + i) / f64::from(i)).product();
    Ok(central.sqrt())
}

/// Gain from white noise in `p_N` to the output: `c_N sqrt(C(2N-2, N-1))`,
/// `c_N = P^(N-1) / (2^(N-1) N!)`.
///
/// # Errors
/// `order` outside 2..=16, `p` outside (0, 1/2].
pub fn polynomial_gain(order: u32, p: f64) -> Result<f64, ParameterError> {
    check_increment(p)?;
    let factorial: f64 = (1..=order).map(f64::from).product();
    Ok(difference_gain(order)? * (0.5 / p).powi(order as i32 - 1) / factorial)
}

/// Mean square of rounding to a grid of spacing `step` what lies on a grid of spacing `from`
/// (0 for a continuum), ties to even. Both spacings are powers of two.
#[must_use]
pub fn rounding_mean_square(step: f64, from: f64) -> f64 {
    if from >= step {
        return 0.0;
    }
    // q points per step: errors -q/2..q/2, both ends at half weight, give (q^2 + 2)/12.
    (step * step + 2.0 * from * from) / 12.0
}

/// Spacing of f32 at `value`; the smallest spacing at and below the smallest normal number.
#[must_use]
pub fn f32_spacing(value: f64) -> f64 {
    let magnitude = value.abs().max(f64::from(f32::MIN_POSITIVE));
    // The exponent field of the f64 is exact where a logarithm could round across a binade.
    let exponent = ((magnitude.to_bits() >> 52) & 0x7ff) as i32 - 1023;
    2.0_f64.powi(exponent - 23)
}

/// Rms error of `p_N(s)`, evaluated as [`Arithmetic`] says, over uniform phase.
///
/// # Errors
/// `order` outside 2..=4.
pub fn polynomial_error_rms(order: u32, arithmetic: Arithmetic) -> Result<f64, ParameterError> {
    check_order(order)?;
    let mean_square = match arithmetic {
        Arithmetic::Q31 { roundings } => f64::from(roundings) * 2.0_f64.powi(-62) / 12.0,
        Arithmetic::F32 => f32_mean_square(order, |_| 1.0),
    };
    Ok(mean_square.sqrt())
}

/// Mean square error of the f32 evaluation over uniform phase. What rounding a phase to spacing
/// `2^(b-31)` adds counts `weight(b)` times.
fn f32_mean_square(order: u32, weight: impl Fn(u32) -> f64) -> f64 {
    // The error is even in s. Midpoints of 2^14 cells; the spacing jumps at powers of two of s
    // and of p_N, each jump misplaced by one cell at most: 4e-4 of the result.
    const CELLS: u32 = 1 << 14;
    let weights: Vec<f64> = (0..32).map(weight).collect();
    let sum: f64 = (0..CELLS)
        .map(|i| {
            let s = (f64::from(i) + 0.5) / f64::from(CELLS);
            let dropped = (f32_spacing(s).log2().round() + 31.0).clamp(0.0, 31.0);
            f32_error_mean_square(order, s, weights[dropped as usize])
        })
        .sum();
    sum / f64::from(CELLS)
}

/// Mean square error of the f32 evaluation near `s`.
fn f32_error_mean_square(order: u32, s: f64, weight: f64) -> f64 {
    // A 32-bit phase puts s on a grid of 2^-31.
    let input = weight * rounding_mean_square(f32_spacing(s), 2.0_f64.powi(-31));
    let square = s * s;
    let square_spacing = f32_spacing(square);
    let square_error = rounding_mean_square(square_spacing, 0.0);
    let product_error = |value: f64| rounding_mean_square(f32_spacing(value), 0.0);
    // The sum with an integer rounds what already lies on the grid of s^2.
    let sum_error = |sum: f64| rounding_mean_square(f32_spacing(sum), square_spacing);
    match order {
        2 => (2.0 * s).powi(2) * input + square_error,
        3 => {
            let sum = square - 1.0;
            (3.0 * square - 1.0).powi(2) * input
                + square * (square_error + sum_error(sum))
                + product_error(sum * s)
        }
        _ => {
            let sum = square - 2.0;
            (4.0 * s * (square - 1.0)).powi(2) * input
                + (2.0 * (square - 1.0)).powi(2) * square_error
                + square * square * sum_error(sum)
                + product_error(square * sum)
        }
    }
}

/// Predicted rms of the noise at the output of a differentiated ramp of order `order`, re swing
/// +-1: the error of `p_N` times [`polynomial_gain`]. The last scaling adds its own rounding,
/// which matters only where this is already down at the output format's unit.
///
/// # Errors
/// `order` outside 2..=4, `p` outside (0, 1/2].
pub fn output_noise_rms(order: u32, p: f64, arithmetic: Arithmetic) -> Result<f64, ParameterError> {
    Ok(polynomial_error_rms(order, arithmetic)? * polynomial_gain(order, p)?)
}

/// Predicted rms of the noise at the output of a differentiated ramp in f32 at one `increment` of
/// a 32-bit phase, re swing +-1.
///
/// A steady increment moves the `b` bits that f32 drops from the phase by the same amount each
/// sample. Rounding them off is then a sawtooth sampled in steps of `a = increment mod 2^b` over
/// `2^b`, whose correlation `k` samples apart is `1 - 6 u (1 - u)`, `u = frac(k a)`. The `N - 1`
/// differences weigh it with `(-1)^k C(2N-2, N-1+k)` instead of the `C(2N-2, N-1)` of white noise:
/// from nothing, where the dropped bits stand still, to three times as much and more. (Derived.)
///
/// # Errors
/// `order` outside 2..=4, an increment of 0 or above half a cycle.
pub fn f32_noise_rms_at_increment(order: u32, increment: u32) -> Result<f64, ParameterError> {
    check_order(order)?;
    let p = f64::from(increment) / 2.0_f64.powi(32);
    let gain = polynomial_gain(order, p)?;
    let n = order as i32 - 1;
    let binomial =
        |k: i32| -> f64 { (1..=n + k).map(|i| f64::from(n - k + i) / f64::from(i)).product() };
    let weight = |bits: u32| -> f64 {
        let turns = f64::from(increment) / 2.0_f64.powi(bits as i32);
        let correlation = |k: i32| {
            let u = (f64::from(k) * turns).rem_euclid(1.0);
            1.0 - 6.0 * u * (1.0 - u)
        };
        let signed = |k: i32| if k % 2 == 0 { binomial(k) } else { -binomial(k) };
        let sum: f64 = (1..=n).map(|k| 2.0 * signed(k) * correlation(k)).sum();
        1.0 + sum / binomial(0)
    };
    Ok(gain * f32_mean_square(order, weight).sqrt())
}

/// Lowest `f0/fs` at which [`output_noise_rms`] stays `margin_db` below the rms of the ramp,
/// `1/sqrt(3)`. Above 1/2 when no increment will do.
///
/// # Errors
/// `order` outside 2..=4, a margin that is not finite.
pub fn lowest_clean_increment(
    order: u32,
    arithmetic: Arithmetic,
    margin_db: f64,
) -> Result<f64, ParameterError> {
    ParameterError::check(margin_db.is_finite(), "margin_db", margin_db, "finite")?;
    let at_half = output_noise_rms(order, 0.5, arithmetic)?;
    let allowed = 10.0_f64.powf(-margin_db / 20.0) / 3.0_f64.sqrt();
    // The noise falls as p^-(N-1).
    Ok(0.5 * (at_half / allowed).powf(1.0 / f64::from(order - 1)))
}

/// Pink noise as a sum of white rows, row `j` held for `2^j` samples: rows 0 (white) to `rows`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldRows {
    rows: u32,
}

impl HeldRows {
    /// One white row and `rows` held ones.
    ///
    /// # Errors
    /// `rows` outside 1..=40.
    pub fn new(rows: u32) -> Result<Self, ParameterError> {
        ParameterError::check((1..=40).contains(&rows), "rows", f64::from(rows), "1..=40")?;
        Ok(Self { rows })
    }

    /// Two-sided density at `x` cycles per sample, for rows of variance 1: its integral over
    /// -1/2..1/2 is `rows + 1`. Row `j` adds `|sin(pi x 2^j) / sin(pi x)|^2 / 2^j`.
    #[must_use]
    pub fn density(&self, x: f64) -> f64 {
        (0..=self.rows)
            .map(|j| {
                let held = f64::from(j).exp2();
                // |sin(pi x H) / sin(pi x)| through sinc, which is safe at x = 0.
                let ratio = held * crate::sinc(x * held) / crate::sinc(x);
                ratio * ratio / held
            })
            .sum()
    }

    /// Half the spread in decibels of `x density(x)` over `low..=high` cycles per sample: the
    /// largest deviation from a line of -3.01 dB per octave that is placed best.
    ///
    /// # Errors
    /// A band outside `0 < low < high <= 1/2`.
    pub fn deviation_db(&self, low: f64, high: f64) -> Result<f64, ParameterError> {
        ParameterError::check(low > 0.0 && low < high, "low", low, "0 < low < high")?;
        ParameterError::check(high <= 0.5, "high", high, "high <= 0.5")?;
        // 256 points per octave resolve the ripple, whose period is an octave.
        let points = (256.0 * (high / low).log2()).ceil() as u32;
        let levels = (0..=points).map(|i| {
            let x = low * (high / low).powf(f64::from(i) / f64::from(points));
            10.0 * (x * self.density(x)).log10()
        });
        let (least, most) =
            levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        Ok(0.5 * (most - least))
    }
}

/// Rms of rounding to a fixed-point format of `fraction_bits` fraction bits: one unit over
/// `sqrt(12)`.
#[must_use]
pub fn fixed_rounding_rms(fraction_bits: u32) -> f64 {
    (-f64::from(fraction_bits)).exp2() / 12.0_f64.sqrt()
}
