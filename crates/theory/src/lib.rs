//! Closed forms and reference tables that readings are held against.
//!
//! The crate knows no module of the voice and no instrument. Every function states its source
//! as a [`Reference`] or says that it is derived where it stands.
//!
//! Conventions used throughout:
//!
//! - Phase `phi` is in cycles. Increment `p = f0 / fs` is in cycles per sample.
//! - Normalised frequency `x = f / fs` is in cycles per sample.
//! - Waveforms swing between -1 and +1.
//! - A periodic signal is `sum over k of c_k exp(i 2 pi k phi)`; the line of order `k >= 1` has
//!   amplitude `2 |c_k|`.

pub mod bessel;
pub mod contour;
pub mod control;
pub mod course;
mod double_double;
pub mod evaluation;
pub mod first_order;
pub mod fourier;
pub mod glide;
pub mod hold;
pub mod ladder;
pub mod lfo;
pub mod lines;
pub mod modulation;
pub mod noise;
pub mod onset;
pub mod quantizer;
pub mod rc;
mod reference;
pub mod round_off;
pub mod state_variable;
pub mod step_table;
pub mod tables;
pub mod tuning;
pub mod waveforms;
pub mod wavetable;
pub mod windows;

pub use num_complex::Complex64;
pub use reference::{Reference, Status, references};

/// A parameter outside its range.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{name} = {value} is out of range: {range}")]
pub struct ParameterError {
    /// Name of the parameter.
    pub name: &'static str,
    /// The value given.
    pub value: f64,
    /// The range allowed.
    pub range: &'static str,
}

impl ParameterError {
    /// `Ok(())` if `inside`, else the error.
    fn check(
        inside: bool,
        name: &'static str,
        value: f64,
        range: &'static str,
    ) -> Result<(), Self> {
        if inside { Ok(()) } else { Err(Self { name, value, range }) }
    }
}

/// `sin(pi x) / (pi x)`, 1 at `x = 0`.
#[must_use]
pub fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    // Reduce first: sin(pi x) for large x would otherwise lose the digits of pi x.
    let nearest = x.round();
    let sign = if nearest.rem_euclid(2.0) == 0.0 { 1.0 } else { -1.0 };
    sign * (std::f64::consts::PI * (x - nearest)).sin() / (std::f64::consts::PI * x)
}

/// Amplitude ratio in decibels, `20 log10`.
#[must_use]
pub fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}
