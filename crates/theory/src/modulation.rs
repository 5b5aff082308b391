//! Lines and depths of amplitude, width and frequency modulation.
//!
//! | | |
//! |---|---|
//! | Source  | product of sines; Chowning, JAES 21(7), 1973 (frequency modulation, from memory); width modulation as phase modulation of one edge, and exponential modulation by the modified Bessel functions (Abramowitz & Stegun 1964, 9.6, from memory), derived here |
//! | Units   | hertz, octaves, amplitudes re a carrier or waveform swing of +-1 |
//! | Error   | 1e-14 relative |
//! | Checked | `tests/suite/theory/modulation.rs`, `reference-tables/modulation-index` |

use crate::ParameterError;
use crate::bessel::jn;
use crate::control::octaves_hz;
use std::f64::consts::{LN_2, PI, TAU};

/// Amplitudes `(carrier, each sideband)` of a sine of amplitude 1 times
/// `1 + depth sin(2 pi f t)`: sidebands of `depth / 2`.
#[must_use]
pub fn amplitude_lines(depth: f64) -> (f64, f64) {
    (1.0, 0.5 * depth)
}

/// Amplitude at `k f0 + n f` of a pulse of width `d + deviation sin(2 pi f t)`, `k >= 1`, `n != 0`.
///
/// One edge stands, the other moves and carries all sidebands: `(2 / pi k) J_n(2 pi k deviation)`.
#[must_use]
pub fn width_sideband(harmonic: u32, order: i32, deviation: f64) -> f64 {
    let k = f64::from(harmonic);
    2.0 / (PI * k) * jn(order, TAU * k * deviation)
}

/// First order of [`width_sideband`] for `n = +-1`, the same at every harmonic: twice the
/// deviation. The line at the modulating frequency itself has this amplitude to all orders.
#[must_use]
pub fn width_sideband_first_order(deviation: f64) -> f64 {
    2.0 * deviation
}

/// Index of a frequency modulation: deviation over rate.
///
/// # Errors
/// A rate that is not positive.
pub fn index(deviation_hz: f64, rate_hz: f64) -> Result<f64, ParameterError> {
    ParameterError::check(rate_hz > 0.0, "rate_hz", rate_hz, "above 0")?;
    Ok(deviation_hz / rate_hz)
}

/// `f0 2^(depth sin(2 pi rate t))`: a pitch modulated by a sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchModulation {
    depth_octaves: f64,
}

impl PitchModulation {
    /// A depth of `depth_octaves` either way; cents are 1200 to the octave.
    ///
    /// # Errors
    /// A depth outside 0..=20 octaves.
    pub fn new(depth_octaves: f64) -> Result<Self, ParameterError> {
        let inside = (0.0..=20.0).contains(&depth_octaves);
        ParameterError::check(inside, "depth_octaves", depth_octaves, "0..=20")?;
        Ok(Self { depth_octaves })
    }

    /// Frequency in hertz at `octaves` from A4 where the modulating sine is at `phase` cycles.
    #[must_use]
    pub fn instantaneous_hz(&self, octaves: f64, phase: f64) -> f64 {
        octaves_hz(octaves + self.depth_octaves * (TAU * phase).sin())
    }

    /// Mean frequency over a cycle re the unmodulated one: `I_0(depth ln 2)`, never below 1.
    #[must_use]
    pub fn mean_ratio(&self) -> f64 {
        modified_bessel(0, self.depth_octaves * LN_2)
    }

    /// The same in cents: by how much a vibrato seems sharp to a counter.
    #[must_use]
    pub fn mean_cents(&self) -> f64 {
        1200.0 * self.mean_ratio().log2()
    }

    /// Deviation at `n` times the rate re the unmodulated frequency, `2 I_n(depth ln 2)`; for
    /// small depths the first is `depth ln 2`. Its index is this times `f0 / (n rate)`.
    #[must_use]
    pub fn deviation_ratio(&self, n: u32) -> f64 {
        2.0 * modified_bessel(n, self.depth_octaves * LN_2)
    }
}

/// `I_n(x)` for `0 <= x <= 14` by its series, whose terms are all positive.
fn modified_bessel(n: u32, x: f64) -> f64 {
    let half = 0.5 * x;
    let mut term: f64 = (1..=n).map(|i| half / f64::from(i)).product();
    let mut sum = 0.0;
    let mut j = 0;
    // The terms fall once j exceeds half; 60 of them leave less than 1e-40 at x = 14.
    while j < 60 {
        sum += term;
        j += 1;
        term *= half * half / (f64::from(j) * f64::from(j + n));
    }
    sum
}
