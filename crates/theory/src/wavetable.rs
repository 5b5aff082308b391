//! A wavetable oscillator in f64: one single-cycle table per octave band, linear interpolation.
//!
//! | | |
//! |---|---|
//! | Source  | common practice; line levels in [`crate::lines::InterpolatedTable`] |
//! | Units   | phase and increment in cycles; swing +-1 before band limiting |
//! | Bands   | band `b` serves `2^-(b+2) <= f0/fs < 2^-(b+1)` with `2^b` harmonics; the top band also serves everything below it |
//! | Checked | `tests/suite/theory/wavetable.rs` |

use crate::ParameterError;
use crate::fourier::PiecewiseLinear;
use crate::lines::{BandLimited, InterpolatedTable};
use std::f64::consts::TAU;

/// Default entries per table.
pub const DEFAULT_LENGTH: usize = 2048;

/// Tables of one waveform.
#[derive(Debug, Clone)]
pub struct Wavetable {
    length: usize,
    bands: Vec<(BandLimited, Vec<f64>)>,
}

impl Wavetable {
    /// Tables of `length` entries. The top band holds `length / 4` harmonics.
    ///
    /// # Errors
    /// A length that is not a power of two within 16..=65536.
    pub fn new(wave: &PiecewiseLinear, length: usize) -> Result<Self, ParameterError> {
        let fits = (16..=65536).contains(&length) && length.is_power_of_two();
        ParameterError::check(fits, "length", length as f64, "a power of two, 16..=65536")?;
        let sine: Vec<f64> =
            (0..length).map(|i| (TAU * (i as f64 / length as f64)).sin()).collect();
        let bands = (0..=(length / 4).ilog2())
            .map(|band| {
                let content = BandLimited::of(wave, 1 << band);
                let entries = (0..length).map(|i| entry(&content, &sine, i)).collect();
                (content, entries)
            })
            .collect();
        Ok(Self { length, bands })
    }

    /// Band that serves the increment `p`: 0 at the top, one more per octave down.
    #[must_use]
    pub fn band(&self, p: f64) -> usize {
        let top = self.bands.len() - 1;
        // Compare against powers of two: a logarithm could round across a band's edge.
        (0..top).find(|b| p >= 0.25 * 0.5_f64.powi(*b as i32)).unwrap_or(top)
    }

    /// Number of harmonics at increment `p`.
    #[must_use]
    pub fn harmonics(&self, p: f64) -> usize {
        1 << self.band(p)
    }

    /// The entries of a band.
    #[must_use]
    pub fn entries(&self, band: usize) -> Option<&[f64]> {
        self.bands.get(band).map(|(_, entries)| entries.as_slice())
    }

    /// Value at phase `phi` and increment `p`.
    #[must_use]
    pub fn value(&self, phi: f64, p: f64) -> f64 {
        let entries = &self.bands[self.band(p)].1;
        let position = (phi - phi.floor()) * self.length as f64;
        let index = position as usize % self.length;
        let next = (index + 1) % self.length;
        entries[index] + (position - position.floor()) * (entries[next] - entries[index])
    }

    /// Pulse of the given width from two reads, when the tables hold a ramp:
    /// `r(phi - width) - r(phi) + 2 width - 1`.
    #[must_use]
    pub fn pulse(&self, width: f64, phi: f64, p: f64) -> f64 {
        self.value(phi - width, p) - self.value(phi, p) + 2.0 * width - 1.0
    }

    /// What [`crate::lines`] needs to predict the lines at increment `p`.
    ///
    /// # Errors
    /// None that a valid wavetable can meet; the signature follows [`InterpolatedTable::new`].
    pub fn spectrum(&self, p: f64) -> Result<InterpolatedTable, ParameterError> {
        InterpolatedTable::new(self.bands[self.band(p)].0.clone(), self.length)
    }
}

/// `c_0 + 2 Re sum of c_k exp(i 2 pi k index / length)`, smallest terms first.
fn entry(content: &BandLimited, sine: &[f64], index: usize) -> f64 {
    let length = sine.len();
    let harmonics: f64 = (1..=content.harmonics())
        .rev()
        .map(|k| {
            let c = content.coefficient(k as i64);
            let turn = k * index % length;
            2.0 * (c.re * sine[(turn + length / 4) % length] - c.im * sine[turn])
        })
        .sum();
    content.coefficient(0).re + harmonics
}
