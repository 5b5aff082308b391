//! What is left when a sound should be over.
//!
//! Level, mean and lines are those of the last quarter of the capture, by when a release has had
//! its time. Level: power between 20 Hz and 20 kHz of one Hann-windowed periodogram.
//!
//! A line counts if white noise of the same power would show one as strong in one of a thousand
//! captures at most: of m bins, one exceeds t times the mean with a chance of at most `m exp(-t)`
//! (each follows an exponential law; Fisher, Proc. R. Soc. A 125:54-59, 1929, from memory).
//!
//! Floor: f64 rounding of the transform, 1e-16 of the samples. Exact zeros read minus infinity.

use crate::level;
use crate::power_db;
use crate::psd::Psd;
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::window::Window;

/// The band that counts, in Hz.
pub const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// Captures of white noise, as a share, in which a line is seen that is none.
pub const FALSE_ALARM: f64 = 1e-3;

/// Least samples at exactly zero that count as digital silence, if a tenth of the capture is less.
pub const LEAST_ZEROS: usize = 64;

/// A single spectral line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Frequency, good to a tenth of a bin, in Hz.
    pub hz: f64,
    /// Level re a full-scale sine (AES17-2015, 3.12.1), in dBFS.
    pub dbfs: f64,
}

/// The end of a capture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silence {
    /// The last sample that is not exactly zero; `None` if all are.
    pub last_sound: Option<usize>,
    /// True if at least the last tenth of the samples, and [`LEAST_ZEROS`], are exactly zero.
    pub digital: bool,
    /// Rms of the last quarter without DC, 20 Hz to 20 kHz, in dBFS.
    pub level_dbfs: Reading,
    /// Mean of the last quarter under a Hann window, full scale = 1.0.
    pub dc: Reading,
    /// The strongest line of the last quarter, where one stands out.
    pub line: Option<Tone>,
}

impl Silence {
    /// Reads `samples`, which begin when the last key is let go.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] for a rate below 1 kHz; [`Obstacle::TooShort`] below 0.4 s, of
    /// which the last quarter just resolves 20 Hz; [`Obstacle::NotFinite`].
    pub fn of(samples: &[f64], rate_hz: f64) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, 1e3, f64::MAX)?;
        level::finite(samples)?;
        let need = (0.4 * rate_hz).ceil() as usize;
        if samples.len() < need {
            return Err(Obstacle::TooShort { have: samples.len(), need });
        }
        let last_sound = samples.iter().rposition(|x| *x != 0.0);
        let zeros = samples.len() - last_sound.map_or(0, |last| last + 1);
        let tail = &samples[samples.len() - samples.len() / 4..];

        let mut psd = Psd::new(tail.len())?;
        let density = psd.analyse(tail, rate_hz)?;
        let band = density.band(BAND_HZ.0, BAND_HZ.1)?;
        let bin_hz = density.bin_hz();
        let first = (BAND_HZ.0 / bin_hz).ceil() as usize;
        let end = ((BAND_HZ.1 / bin_hz) as usize + 1).min(density.bins().len() - 2);
        let bins = &density.bins()[first..end];
        let power = band.density * bin_hz * bins.len() as f64;
        // Twice: the power of a full-scale sine is one half.
        let dbfs = power_db(2.0 * power);
        let uncertainty = if power > 0.0 { band.uncertainty_db() } else { 0.0 };
        // Under the window, so that a line's broken periods do not pass for DC. Noise of density D
        // and bandwidth B bins scatters it by sqrt(D B rate / 2n).
        let n = tail.len() as f64;
        let window = Window::Hann.samples(tail.len());
        let mean = tail.iter().zip(window).map(|(x, w)| x * w).sum::<f64>() / n;
        let near_dc = &density.bins()[2..first + 8];
        let near_dc = near_dc.iter().sum::<f64>() / near_dc.len() as f64;
        let scatter = (near_dc * Window::Hann.enbw_bins() * rate_hz / (2.0 * n)).sqrt();
        Ok(Self {
            last_sound,
            digital: zeros >= (samples.len() / 10).max(LEAST_ZEROS),
            level_dbfs: Reading::new(dbfs, Unit::Dbfs, uncertainty),
            dc: Reading::new(
                mean,
                Unit::FullScale,
                2.0 * scatter + f64::EPSILON * n.sqrt() * mean.abs(),
            ),
            line: strongest(bins, first as f64, bin_hz, tail.len()),
        })
    }
}

/// The highest bin, if it stands out, read through the window between the two highest.
fn strongest(bins: &[f64], first: f64, bin_hz: f64, len: usize) -> Option<Tone> {
    let count = bins.len() as f64;
    let mean = bins.iter().sum::<f64>() / count;
    let (k, top) = bins.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    if *top <= mean * (count / FALSE_ALARM).ln() {
        return None;
    }
    let side = |at: Option<usize>| at.and_then(|at| bins.get(at)).copied().unwrap_or(0.0);
    let (before, after) = (side(k.checked_sub(1)), side(Some(k + 1)));
    // Hann: magnitudes of the two highest stand as 1 + d to 2 - d, d the way from the one to the
    // other (Rife & Vincent, Bell Syst. Tech. J. 49:197-228, 1970, from memory).
    let ratio = (before.max(after) / top).sqrt();
    let way = (2.0 * ratio - 1.0) / (1.0 + ratio);
    let offset = if after >= before { way } else { -way };
    // A line's power in its highest bin, over the noise bandwidth that densities are divided by.
    let response = Window::Hann.transform(offset, len).norm_sqr();
    let power = top * bin_hz * Window::Hann.enbw_bins() / response;
    Some(Tone { hz: (first + k as f64 + offset) * bin_hz, dbfs: power_db(2.0 * power) })
}
