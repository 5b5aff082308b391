//! Facts of exponential charge and of the coefficient that realises it in samples.
//!
//! | | |
//! |---|---|
//! | Source  | `y = 1 - exp(-t/tau)`; coefficient and stall derived here; stall of `y = a y` as Jackson 1969, from memory |
//! | Units   | time in time constants (`taus`), or time constants in samples |
//! | Error   | a few ulp |
//! | Checked | `tests/suite/theory/rc.rs`, `reference-tables/rc-facts`, `reference-tables/attack-ratios` |

use crate::ParameterError;
use crate::tuning::Rounding;
use std::f64::consts::LN_10;

/// Decibels that an exponential decay falls per time constant, `20 / ln 10`.
pub const DB_PER_TAU: f64 = 20.0 / LN_10;
/// Rise from 10 % to 90 % in time constants, `ln 9`.
pub const RISE_10_90_TAUS: f64 = 2.197_224_577_336_219_4;

/// Fraction of the way covered after `taus` time constants, `1 - exp(-taus)`.
#[must_use]
pub fn charged(taus: f64) -> f64 {
    -(-taus).exp_m1()
}

/// Time constants until a decay has fallen by `db` decibels.
#[must_use]
pub fn taus_to_db(db: f64) -> f64 {
    db / DB_PER_TAU
}

/// Time constants from 0 to 1 of a charge toward `overshoot`: `ln(a / (a - 1))`.
///
/// # Errors
/// `overshoot` not above 1, or not finite.
pub fn attack_ratio(overshoot: f64) -> Result<f64, ParameterError> {
    let inside = overshoot.is_finite() && overshoot > 1.0;
    ParameterError::check(inside, "overshoot", overshoot, "above 1")?;
    // ln_1p keeps the digits of large overshoots, where the ratio is about 1/a.
    Ok((1.0 / (overshoot - 1.0)).ln_1p())
}

/// Coefficient `k` of `y += k (target - y)` for a time constant in samples: `1 - exp(-1/tau)`.
///
/// # Errors
/// A time constant that is not positive.
pub fn coefficient(tau_samples: f64) -> Result<f64, ParameterError> {
    ParameterError::check(tau_samples > 0.0, "tau_samples", tau_samples, "above 0")?;
    Ok(charged(1.0 / tau_samples))
}

/// Time constant in samples that a coefficient realises: `-1 / ln(1 - k)`.
///
/// # Errors
/// `k` outside 0 < k < 1.
pub fn realised_tau_samples(k: f64) -> Result<f64, ParameterError> {
    ParameterError::check(k > 0.0 && k < 1.0, "k", k, "0 < k < 1")?;
    Ok(-1.0 / (-k).ln_1p())
}

/// Relative error of the time constant that the naive coefficient `k = 1/tau` realises: about
/// `-1 / (2 tau)`, too short.
///
/// # Errors
/// A time constant of one sample or less, which the naive coefficient cannot make.
pub fn naive_tau_error(tau_samples: f64) -> Result<f64, ParameterError> {
    ParameterError::check(tau_samples > 1.0, "tau_samples", tau_samples, "above 1")?;
    Ok(realised_tau_samples(1.0 / tau_samples)? / tau_samples - 1.0)
}

/// Distance from the target at which `y += round(k (target - y))` may stop, in rounding steps of
/// `y`: `0.5 / k` with rounding to nearest, `1 / k` with truncation. The product moves `y` only
/// if it reaches half a step, or a whole one. A remainder carried on leaves no such distance.
///
/// # Errors
/// `k` outside 0 < k <= 1.
pub fn stall_steps(k: f64, rounding: Rounding) -> Result<f64, ParameterError> {
    ParameterError::check(k > 0.0 && k <= 1.0, "k", k, "0 < k <= 1")?;
    Ok(match rounding {
        Rounding::Nearest => 0.5 / k,
        Rounding::Truncate => 1.0 / k,
    })
}
