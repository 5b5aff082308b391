//! The level of one spectral line of known frequency, in a sound that has others.
//!
//! One windowed transform; the line is read from the bin next to it through the exact transform of
//! the window. Window: HFT248D, side lobes -248 dB (Heinzel, Rüdiger, Schilling, AEI report,
//! 2002). Lines at least 40 bins away leave nothing above -240 dB of themselves, neither in the
//! line nor in its floor.
//!
//! Floor: the median of the 34 bins from 12 to 28 bins away, as an amplitude; at best f64
//! rounding, about 1e-17 of the loudest line.

use crate::level;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::window::Window;
use realfft::RealFftPlanner;
use std::f64::consts::LN_2;

const WINDOW: Window = Window::Hft248d;

/// Bins to each side that the floor is read from, the line's own main lobe left out.
const NEARBY: usize = 17;

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Amplitude (peak) with what the floor leaves in doubt, full scale = 1.0; its floor is the
    /// level of the bins nearby.
    pub amplitude: Reading,
    /// Amplitude that the bins nearby read in the middle (median), full scale = 1.0.
    pub floor: f64,
}

impl Line {
    /// Reads the line at `hz`, which has to be right to a quarter of a bin: of the rate over the
    /// number of samples.
    ///
    /// Other lines should be 40 bins away or more. Closer than 11 bins they add to the line; in
    /// between they raise the floor.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 256 samples; what [`level::screen`] refuses;
    /// [`Obstacle::OutOfRange`] for a rate that is not positive, or a line within 29 bins of 0 Hz
    /// or of half the rate.
    pub fn at(samples: &[f64], rate_hz: f64, hz: f64) -> Result<Self, Obstacle> {
        let len = samples.len();
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        if len < 256 {
            return Err(Obstacle::TooShort { have: len, need: 256 });
        }
        level::screen(samples)?;
        let lobe = WINDOW.main_lobe_bins() + 1;
        let edge_hz = (lobe + NEARBY) as f64 * rate_hz / len as f64;
        within("line in Hz", hz, edge_hz, 0.5 * rate_hz - edge_hz)?;
        let plan = RealFftPlanner::new().plan_fft_forward(len);
        let mut input: Vec<f64> =
            samples.iter().zip(WINDOW.samples(len)).map(|(x, w)| x * w).collect();
        let mut bins = plan.make_output_vec();
        plan.process(&mut input, &mut bins)
            .map_err(|_| Obstacle::TooShort { have: len, need: 256 })?;

        let position = hz / rate_hz * len as f64;
        let bin = position.round() as usize;
        let scale = 2.0 / len as f64;
        let amplitude =
            scale * bins[bin].norm() / WINDOW.transform(position - bin as f64, len).norm();
        let below = &bins[bin + 1 - lobe - NEARBY..=bin - lobe];
        let above = &bins[bin + lobe..bin + lobe + NEARBY];
        let mut nearby: Vec<f64> = below.iter().chain(above).map(|b| scale * b.norm()).collect();
        nearby.sort_unstable_by(f64::total_cmp);
        let floor = 0.5 * (nearby[NEARBY - 1] + nearby[NEARBY]);
        // Noise power in a bin follows an exponential law, whose median is ln 2 of its mean; half
        // of it lies along the line. k = 2.
        let doubt = 2.0 * floor / (2.0 * LN_2).sqrt();
        let rounding = 64.0 * f64::EPSILON * amplitude;
        let amplitude =
            Reading::new(amplitude, Unit::FullScale, doubt + rounding).with_floor(floor);
        Ok(Self { amplitude, floor })
    }

    /// Level re a full-scale sine (AES17-2015, 3.12.1), in dBFS.
    #[must_use]
    pub fn dbfs(&self) -> f64 {
        crate::db(self.amplitude.value)
    }
}
