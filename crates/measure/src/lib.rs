//! Instruments: samples in, readings with uncertainty out.
//!
//! Samples are `f64`, full scale is 1.0, frequencies are in Hz. The crate knows no
//! sound module and no theory of one. Every instrument states its own floor, and its
//! known answers are under `tests/suite/measure/`.

pub mod aliasing;
pub mod audibility;
pub mod beats;
pub mod coherent;
mod curve;
pub mod decay;
pub mod difference;
pub mod envelope;
pub mod exponential;
pub mod glide;
pub mod harmonic;
pub mod images;
pub mod intermodulation;
pub mod lag;
pub mod law;
pub mod level;
pub mod limit_cycles;
pub mod line;
pub mod loudness;
pub mod low_frequency;
pub mod modulation;
pub mod onset;
mod periodic;
pub mod pitch;
pub mod psd;
mod qr;
pub mod reading;
pub mod resonance;
pub mod response;
pub mod ringing;
pub mod self_oscillation;
pub mod settling;
pub mod silence;
pub mod stages;
pub mod steady;
pub mod steps;
pub mod straight_line;
pub mod transfer;
pub mod wander;
pub mod window;

pub use reading::{Obstacle, Reading, Unit};

/// Level of an amplitude ratio, in dB. Zero gives minus infinity.
#[must_use]
pub fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Level of a power ratio, in dB. Zero gives minus infinity.
#[must_use]
pub fn power_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Interval from `reference_hz` to `hz`, in cents (1200 to the octave).
#[must_use]
pub fn cents(hz: f64, reference_hz: f64) -> f64 {
    // ln_1p keeps the digits of an interval that is far below one cent.
    ((hz - reference_hz) / reference_hz).ln_1p() * 1200.0 / std::f64::consts::LN_2
}
