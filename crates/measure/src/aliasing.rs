//! Aliasing of a coherent capture in plain ratios: alias-to-signal, worst lines, and the
//! attenuation that listeners asked for.

use crate::audibility::Component;
use crate::coherent::{Spectrum, Tone};
use crate::reading::{Obstacle, Reading, Unit, within};
use crate::{coherent, db, power_db};

/// Listening test: alias components above the fundamental of a sawtooth must be
/// attenuated by this much (dB) at this fundamental (Hz) to be inaudible, at 60 dB SPL
/// and 44.1 kHz. Lehtonen, Pekonen, Välimäki, JASA 132(4):2721-2733, 2012, abstract.
pub const LISTENING: [(f64, f64); 6] =
    [(415.0, 0.0), (932.0, 19.0), (1480.0, 26.0), (2093.0, 27.0), (3136.0, 32.0), (3951.0, 41.0)];

/// Aliasing within a band. Powers are sums of squared amplitudes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aliasing {
    /// Amplitude of the fundamental, full scale = 1.0.
    pub fundamental: f64,
    /// Power of the harmonics in the band.
    pub harmonic_power: f64,
    /// Power of the aliases in the band.
    pub alias_power: f64,
    /// Power of the aliases in the band above the fundamental.
    pub alias_power_above: f64,
    /// The strongest alias in the band, if there is one.
    pub worst: Option<Component>,
    /// The strongest alias in the band below the fundamental, if there is one.
    pub worst_below: Option<Component>,
}

impl Aliasing {
    /// The audio band, 20 Hz to 20 kHz (AES17-2015, 5.2.5).
    pub const AUDIO_BAND_HZ: (f64, f64) = (20.0, 20_000.0);

    /// Rates the lines of `tone` that lie within `band_hz` (both ends included).
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] for a rate that is not positive or a reversed band,
    /// [`Obstacle::WrongLength`] for a foreign tone, [`Obstacle::NoTone`] if the
    /// fundamental or the band holds nothing.
    pub fn of(
        spectrum: Spectrum<'_>,
        tone: Tone,
        rate_hz: f64,
        band_hz: (f64, f64),
    ) -> Result<Self, Obstacle> {
        within("sample rate in Hz", rate_hz, f64::MIN_POSITIVE, f64::MAX)?;
        let components = spectrum.lines(tone)?.map(|line| Component {
            hz: line.hz_ratio * rate_hz,
            amplitude: line.amplitude.norm(),
            is_harmonic: !line.alias,
        });
        Self::rate(tone.hz(rate_hz), components, band_hz)
    }

    /// Rates lines from any analysis; the first harmonic among them is the fundamental.
    ///
    /// # Errors
    /// [`Obstacle::OutOfRange`] for a reversed band, [`Obstacle::NoTone`] if there is no
    /// fundamental or the band holds no harmonic.
    pub fn rate(
        f0_hz: f64,
        lines: impl IntoIterator<Item = Component>,
        band_hz: (f64, f64),
    ) -> Result<Self, Obstacle> {
        within("band top in Hz", band_hz.1, band_hz.0.max(0.0), f64::MAX)?;
        let mut fundamental = None;
        let mut sum = Self {
            fundamental: 0.0,
            harmonic_power: 0.0,
            alias_power: 0.0,
            alias_power_above: 0.0,
            worst: None,
            worst_below: None,
        };
        for line in lines {
            if line.is_harmonic {
                fundamental.get_or_insert(line.amplitude);
            }
            if line.hz < band_hz.0 || line.hz > band_hz.1 {
                continue;
            }
            let power = line.amplitude * line.amplitude;
            if line.is_harmonic {
                sum.harmonic_power += power;
                continue;
            }
            sum.alias_power += power;
            keep_stronger(&mut sum.worst, line);
            if line.hz < f0_hz {
                keep_stronger(&mut sum.worst_below, line);
            } else {
                sum.alias_power_above += power;
            }
        }
        sum.fundamental = fundamental.unwrap_or(0.0);
        if sum.fundamental > 0.0 && sum.harmonic_power > 0.0 {
            Ok(sum)
        } else {
            Err(Obstacle::NoTone)
        }
    }

    /// Alias power over harmonic power, in dB.
    #[must_use]
    pub fn alias_to_signal_db(&self) -> f64 {
        power_db(self.alias_power / self.harmonic_power)
    }

    /// The strongest alias, in dBc.
    #[must_use]
    pub fn worst_dbc(&self) -> Option<Reading> {
        self.worst.map(|line| self.dbc(line))
    }

    /// The strongest alias below the fundamental, in dBc.
    #[must_use]
    pub fn worst_below_dbc(&self) -> Option<Reading> {
        self.worst_below.map(|line| self.dbc(line))
    }

    /// How far the aliases above the fundamental lie below those of `trivial`, the same
    /// waveform sampled without correction, in dB of power. This is what
    /// [`listening_margin_db`] asks for.
    #[must_use]
    pub fn attenuation_db(&self, trivial: &Self) -> f64 {
        let relative = |a: &Self| a.alias_power_above / (a.fundamental * a.fundamental);
        power_db(relative(trivial) / relative(self))
    }

    fn dbc(&self, line: Component) -> Reading {
        let ratio = line.amplitude / self.fundamental;
        // The floor adds to the line in amplitude, in the worst case in phase.
        let floor = 10f64.powf(coherent::FLOOR_DBC / 20.0);
        Reading::new(db(ratio), Unit::Dbc, db(1.0 + floor / ratio)).with_floor(coherent::FLOOR_DBC)
    }
}

fn keep_stronger(worst: &mut Option<Component>, line: Component) {
    if worst.is_none_or(|w| line.amplitude > w.amplitude) {
        *worst = Some(line);
    }
}

/// Attenuation of aliases above the fundamental that [`LISTENING`] asks for at `f0_hz`,
/// in dB. Interpolated linearly over log f0 between the tested tones and held constant
/// outside them: beyond 415 to 3951 Hz it is an extrapolation.
#[must_use]
pub fn required_attenuation_db(f0_hz: f64) -> f64 {
    let (first, last) = (LISTENING[0], LISTENING[LISTENING.len() - 1]);
    if f0_hz <= first.0 {
        return first.1;
    }
    LISTENING.windows(2).find(|pair| f0_hz <= pair[1].0).map_or(last.1, |pair| {
        let ((f1, a1), (f2, a2)) = (pair[0], pair[1]);
        a1 + (a2 - a1) * (f0_hz / f1).ln() / (f2 / f1).ln()
    })
}

/// Attenuation beyond what listeners asked for at `f0_hz`, in dB; negative is audible.
///
/// `attenuation_db` is taken re the aliases of the trivially sampled sawtooth, see
/// [`Aliasing::attenuation_db`]. That reading of the test rests on its abstract.
#[must_use]
pub fn listening_margin_db(f0_hz: f64, attenuation_db: f64) -> f64 {
    attenuation_db - required_attenuation_db(f0_hz)
}
