//! Output stages: a sine 60 dB down, and what rounding makes of it.

use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::{db, power_db};
use plumbtone_theory::quantizer::{RoundedSine, TRIANGULAR_DITHER_ERROR_POWER};
use plumbtone_theory::{Reference, references};
use plumbtone_voice::level::output::DITHER;

use super::{Bench, clocked, nothing};
use crate::error::Error;
use crate::output::Rounder;
use crate::results::Kind;
use crate::worker::{Taken, unreadable};

/// The readings that output stages have.
pub(super) const READINGS: &[Kind] = &[Kind::Harmonics, Kind::Noise, Kind::Distortion, Kind::Floor];

/// Samples of the sine; with a whole, coprime number of periods every line has a bin.
const SAMPLES: usize = 1 << 18;
/// Frequency asked for, Hz (AES17-2015).
const HZ: f64 = 997.0;
/// Amplitude re full scale: -60 dBFS.
const AMPLITUDE: f64 = 1e-3;
/// Highest harmonic that is named.
const HARMONICS: u32 = 15;
/// Steps over full scale.
const STEPS: f64 = 32_768.0;
/// The audio band, Hz.
const AUDIO_HZ: [f64; 2] = [20.0, 20_000.0];

/// Where the derived limit comes from.
pub(super) const fn because() -> &'static str {
    "dithered, 4.5 standard deviations of so many samples; else what equidistant phases may miss"
}

/// The work that a reading rests on.
pub(super) const fn reference(kind: Kind) -> Reference {
    match kind {
        Kind::Noise | Kind::Floor => references::DITHER,
        _ => references::ROUNDED_SINE,
    }
}

/// What stands behind the sine, in steps.
struct Seen {
    fundamental: f64,
    /// Amplitudes of the harmonics, the second first.
    harmonics: Vec<f64>,
    /// Power of everything else, harmonics included.
    power: f64,
    /// The same in the audio band.
    audible: f64,
}

impl Bench<'_> {
    pub(super) fn output(&mut self, stage: &dyn Rounder) -> Result<(), Error> {
        let dithered = self.settings.value(&DITHER)? != 0.0;
        let rate_hz = f64::from(self.rate_hz);
        let (tone, mut coherent) = match Tone::nearest(HZ, rate_hz, SAMPLES)
            .and_then(|tone| Ok((tone, Coherent::new(SAMPLES)?)))
        {
            Ok(ready) => ready,
            Err(why) => return Err(Error::Measure { what: stage.name().into_owned(), why }),
        };
        let sine = |n| AMPLITUDE * (std::f64::consts::TAU * tone.turns(n)).sin();
        let input: Vec<f64> = (0..SAMPLES).map(sine).collect();
        let rounded = clocked(&mut self.spent.render, || stage.round(self.settings, &input))?;
        let steps: Vec<f64> = rounded.into_iter().map(f64::from).collect();
        let seen = coherent.analyse(&steps).map_err(unreadable).and_then(|spectrum| {
            let bins = spectrum.bins();
            let line = |bin: usize| bins[bin].norm();
            let power = |amplitude: f64| 0.5 * amplitude * amplitude;
            let own = tone.fold(1);
            if line(own) == 0.0 {
                return Err(unreadable("nothing of the sine is left"));
            }
            let others = (1..SAMPLES / 2).filter(|bin| *bin != own);
            let hz = |bin: usize| bin as f64 * rate_hz / SAMPLES as f64;
            let [low, high] = AUDIO_HZ;
            Ok(Seen {
                fundamental: line(own),
                harmonics: (2..=HARMONICS).map(|order| line(tone.fold(order.into()))).collect(),
                power: others.clone().map(|bin| power(line(bin))).sum(),
                audible: others
                    .filter(|bin| (low..=high).contains(&hz(*bin)))
                    .map(|bin| power(line(bin)))
                    .sum(),
            })
        });
        let closed = RoundedSine::new(AMPLITUDE * STEPS)?;
        for &(kind, _) in &self.check.asked {
            let taken = match &seen {
                Ok(seen) => seen.take(kind, (!dithered).then_some(closed)),
                Err(gap) => Err(gap.clone()),
            };
            self.enter(kind, Some(noise_limit_db(dithered)), taken);
        }
        Ok(())
    }
}

impl Seen {
    /// `closed` is the closed form of a sine that is rounded without dither.
    fn take(&self, kind: Kind, closed: Option<RoundedSine>) -> Taken {
        match kind {
            Kind::Harmonics => Ok(self.against_closed_form(closed)),
            Kind::Noise => {
                let closed = closed
                    .map_or(TRIANGULAR_DITHER_ERROR_POWER, |closed| closed.distortion_power());
                let note = format!("{:.4} of {closed:.4} steps²", self.power);
                Ok((power_db(self.power / closed), 0.0, Some(note)))
            }
            Kind::Distortion => {
                let strongest = (2..).zip(&self.harmonics).max_by(|a, b| a.1.total_cmp(b.1));
                let (order, amplitude) = strongest.ok_or_else(|| nothing("no harmonic"))?;
                let note = format!("order {order}");
                Ok((db(amplitude / self.fundamental), 0.0, Some(note)))
            }
            Kind::Floor => {
                // Re the power of a sine at full scale.
                let dbfs = power_db(self.audible / (0.5 * STEPS * STEPS));
                Ok((dbfs, 0.0, None))
            }
            _ => Err(nothing("is not read of an output stage")),
        }
    }

    /// The fundamental against the input, and without dither every odd harmonic within 40 dB of
    /// the strongest against its closed form: worst deviation in dB.
    fn against_closed_form(&self, closed: Option<RoundedSine>) -> (f64, f64, Option<String>) {
        let own = closed.map_or(AMPLITUDE * STEPS, |closed| closed.harmonic(1));
        let mut worst = (db(self.fundamental / own), 1);
        let orders = (3..=HARMONICS).step_by(2);
        let levels: Vec<(u32, f64)> = closed.map_or_else(Vec::new, |closed| {
            orders.map(|order| (order, closed.harmonic(order).abs())).collect()
        });
        let strongest = levels.iter().map(|(_, level)| *level).fold(0.0, f64::max);
        for (order, level) in levels.into_iter().filter(|(_, level)| *level > 0.01 * strongest) {
            let off = db(self.harmonics[order as usize - 2] / level);
            if off.abs() > worst.0.abs() {
                worst = (off, order);
            }
        }
        (worst.0, 0.0, Some(format!("order {}", worst.1)))
    }
}

/// How far the power of the error may be from its closed form, dB.
fn noise_limit_db(dithered: bool) -> f64 {
    let samples = SAMPLES as f64;
    let share = match dithered {
        // The error is a sum of three uniform values, of kurtosis 3 − 6/5 / 3.
        true => 4.5 * (1.6 / samples).sqrt(),
        // Koksma: the mean over equidistant phases is off by no more than the variation over their
        // number; the squared error rises and falls by a quarter in each step, up and down.
        false => 12.0 * 0.5 * 4.0 * (AMPLITUDE * STEPS).ceil() / samples,
    };
    power_db(1.0 + share)
}
