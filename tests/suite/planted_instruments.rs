//! Planted defects of whole voices and of output stages, each with the readings that must reject
//! it, and each beside the same construction without the defect, which must pass. A voice is the
//! fixed twin, played with something wrong in its settings, its score or its samples.

use crate::planted_controls::{Planted, pass_without, rejected};
use plumbtone::instrument::{Player, against, twin};
use plumbtone::output::{self, Rounder};
use plumbtone::settings::Settings;
use plumbtone::{Error, InstrumentTwin, Kind, Score, SettingsCheck, Twin};
use plumbtone_voice::Event;
use plumbtone_voice::level::output::DITHER;
use std::borrow::Cow;
use std::f64::consts::TAU;
use std::sync::Arc;

/// The fixed twin behind something that may spoil what goes in and what comes out.
#[derive(Clone, Copy, Default)]
struct Spoiled {
    /// More settings.
    settings: &'static str,
    /// Changes the samples of a score.
    samples: Option<fn(&Score, &mut [i16])>,
}

impl Player for Spoiled {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed("planted")
    }

    fn play(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error> {
        let settings = settings.with("tideorgan", self.settings)?;
        let mut out = InstrumentTwin::named("tideorgan", Twin::Fixed)?.render(score, &settings)?;
        if let Some(spoil) = self.samples {
            spoil(score, &mut out);
        }
        Ok(out)
    }
}

/// The fixed twin, spoiled or not, at 44.1 kHz.
fn voice(spoiled: Spoiled, on: bool, setting: &str) -> SettingsCheck {
    let player = if on { spoiled } else { Spoiled::default() };
    let check = against(Arc::new(player), "tideorgan", Twin::Fixed).unwrap();
    check.setting(setting).unwrap().rates([44_100]).keys([45, 69])
}

fn with_settings(settings: &'static str, on: bool, setting: &str) -> SettingsCheck {
    voice(Spoiled { settings, ..Spoiled::default() }, on, setting)
}

fn with_samples(samples: fn(&Score, &mut [i16]), on: bool, setting: &str) -> SettingsCheck {
    voice(Spoiled { samples: Some(samples), ..Spoiled::default() }, on, setting)
}

/// A plain reed that answers at once.
const REED: &str = "cutoff=3000 level-attack=0.005 level-sustain=1 level-release=0.1";

fn louder(times: i16, out: &mut [i16]) {
    for sample in out {
        *sample = sample.saturating_mul(times);
    }
}

/// Samples from the event on that lets the last key go.
fn after_last_up(score: &Score) -> usize {
    let up = score.effective().filter(|(_, event)| matches!(event, Event::Up { .. }));
    up.map(|(sample, _)| sample).last().unwrap_or(score.length)
}

/// Adds a sine of so many steps.
fn hum(out: &mut [i16], steps: f64, hz: f64) {
    for (n, sample) in out.iter_mut().enumerate() {
        let sine = steps * (TAU * hz * n as f64 / 44_100.0).sin();
        *sample = (f64::from(*sample) + sine).round() as i16;
    }
}

pub const PLANTED: &[Planted] = &[
    Planted {
        name: "voice a twentieth of a cent sharp",
        caught_by: &[Kind::Pitch],
        check: |on| with_settings("tune=0.05", on, "").derived(Kind::Pitch),
    },
    Planted {
        // Events wait for blocks of 256.
        name: "voice that looks at its keys every other block",
        caught_by: &[Kind::Onset],
        check: |on| {
            struct Slow(bool);
            impl Player for Slow {
                fn name(&self) -> Cow<'_, str> {
                    Cow::Borrowed("planted")
                }
                fn play(&self, score: &Score, settings: &Settings) -> Result<Vec<i16>, Error> {
                    let block = if self.0 { 256 } else { score.block };
                    let score = score.clone().in_blocks(block);
                    InstrumentTwin::named("tideorgan", Twin::Fixed)?.render(&score, settings)
                }
            }
            let check = against(Arc::new(Slow(on)), "tideorgan", Twin::Fixed).unwrap();
            check.rates([44_100]).derived(Kind::Onset)
        },
    },
    Planted {
        name: "one sample in a thousand a step too high",
        caught_by: &[Kind::Residual],
        check: |on| {
            let spoil = |_: &Score, out: &mut [i16]| {
                out.iter_mut().step_by(1000).for_each(|sample| *sample += 1);
            };
            with_samples(spoil, on, REED).limit(Kind::Residual, -150.0)
        },
    },
    Planted {
        // Beyond the edge the linear ladder swings between its limits, and its twins part.
        name: "linear ladder beyond the edge of self-oscillation",
        caught_by: &[Kind::Stages],
        check: |on| {
            let setting = if on { "resonance=1.2 cutoff=900" } else { "resonance=0.5 cutoff=900" };
            let check = twin("tideorgan", Twin::Fixed).unwrap().rates([44_100]);
            check.setting(setting).unwrap().limit(Kind::Stages, -40.0)
        },
    },
    Planted {
        name: "voice a sample late",
        caught_by: &[Kind::Lag, Kind::Residual],
        check: |on| {
            let late = |_: &Score, out: &mut [i16]| {
                out.copy_within(..out.len() - 1, 1);
            };
            with_samples(late, on, REED).derived(Kind::Lag).limit(Kind::Residual, -150.0)
        },
    },
    Planted {
        name: "gain of sixteen in front of the output",
        caught_by: &[Kind::Saturation, Kind::Loudness],
        check: |on| {
            with_samples(|_, out| louder(16, out), on, REED)
                .limit(Kind::Saturation, 0.0)
                .limit(Kind::Loudness, -14.0)
        },
    },
    Planted {
        // The first half of its cycle is 30 cents sharp.
        name: "vibrato where none was asked for",
        caught_by: &[Kind::Bending],
        check: |on| {
            let vibrato = "pitch-lfo=30 lfo-shape=pulse lfo-hz=0.5";
            with_settings(vibrato, on, REED).limit(Kind::Bending, 10.0)
        },
    },
    Planted {
        name: "detune a hundredth too wide",
        caught_by: &[Kind::Beat],
        check: |on| with_settings("detune=5.05", on, "detune=5 gain-b=1").derived(Kind::Beat),
    },
    Planted {
        name: "spikes",
        caught_by: &[Kind::Crest],
        check: |on| {
            let spikes = |_: &Score, out: &mut [i16]| {
                out.iter_mut().step_by(5000).for_each(|sample| *sample = 32_000);
            };
            with_samples(spikes, on, REED).limit(Kind::Crest, 9.0)
        },
    },
    Planted {
        // The contour starts again from the top instead of from where it is.
        name: "jump at every event",
        caught_by: &[Kind::Click],
        check: |on| {
            let jump = |score: &Score, out: &mut [i16]| {
                for (sample, _) in score.effective() {
                    for (n, out) in out[sample..].iter_mut().take(200).enumerate() {
                        *out += (2_000.0 * (-(n as f64) / 50.0).exp()) as i16;
                    }
                }
            };
            with_samples(jump, on, REED).limit(Kind::Click, 2.0)
        },
    },
    Planted {
        name: "a thousandth of the first key kept in the second",
        caught_by: &[Kind::Leakage],
        check: |on| {
            let kept = |_: &Score, out: &mut [i16]| hum(out, 8.0, 220.0);
            with_samples(kept, on, REED).limit(Kind::Leakage, -80.0)
        },
    },
    Planted {
        name: "release five times as long",
        caught_by: &[Kind::Silence],
        check: |on| with_settings("level-release=0.5", on, REED).derived(Kind::Silence),
    },
    Planted {
        name: "mains in the silence",
        caught_by: &[Kind::Whisper, Kind::Hum],
        check: |on| {
            with_samples(|_, out| hum(out, 2.0, 50.0), on, REED)
                .limit(Kind::Whisper, -120.0)
                .limit(Kind::Hum, -110.0)
        },
    },
    Planted {
        name: "one step to and fro in the silence",
        caught_by: &[Kind::Whisper],
        check: |on| {
            let whisper = |score: &Score, out: &mut [i16]| {
                let from = after_last_up(score);
                out[from..].iter_mut().step_by(7).for_each(|sample| *sample += 1);
            };
            with_samples(whisper, on, REED).limit(Kind::Whisper, -120.0)
        },
    },
    Planted {
        name: "offset of a hundredth",
        caught_by: &[Kind::Dc],
        check: |on| {
            let offset = |_: &Score, out: &mut [i16]| out.iter_mut().for_each(|x| *x += 328);
            with_samples(offset, on, REED).limit(Kind::Dc, -60.0)
        },
    },
    Planted {
        name: "output that cuts off instead of rounding",
        caught_by: &[Kind::Harmonics],
        check: |on| rounded(Rounding::Truncates.if_planted(on), "").limit(Kind::Harmonics, 0.1),
    },
    Planted {
        name: "output of fifteen bits",
        caught_by: &[Kind::Noise, Kind::Floor],
        check: |on| {
            rounded(Rounding::FifteenBits.if_planted(on), "")
                .derived(Kind::Noise)
                .limit(Kind::Floor, -97.0)
        },
    },
    Planted {
        name: "dither that is never added",
        caught_by: &[Kind::Distortion, Kind::Noise],
        check: |on| {
            rounded(Rounding::NoDither.if_planted(on), "dither=on")
                .limit(Kind::Distortion, -70.0)
                .derived(Kind::Noise)
        },
    },
    Planted {
        name: "dither of one uniform value",
        caught_by: &[Kind::Noise],
        check: |on| rounded(Rounding::Uniform.if_planted(on), "dither=on").derived(Kind::Noise),
    },
];

/// What may be wrong with [`rounded`].
#[derive(Clone, Copy, PartialEq)]
enum Rounding {
    Sound,
    Truncates,
    FifteenBits,
    NoDither,
    Uniform,
}

impl Rounding {
    fn if_planted(self, planted: bool) -> Self {
        if planted { self } else { Self::Sound }
    }
}

/// An output stage of our own: to the nearest, with the sum of two uniform values where dither is
/// asked for (generator of full period: Knuth, MMIX constants).
impl Rounder for Rounding {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed("planted")
    }

    fn round(&self, settings: &Settings, input: &[f64]) -> Result<Vec<i16>, Error> {
        let dithered = settings.value(&DITHER)? != 0.0 && *self != Self::NoDither;
        let mut state = 1_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / 9_007_199_254_740_992.0 - 0.5
        };
        let round = |x: &f64| {
            let dither = match *self {
                _ if !dithered => 0.0,
                Self::Uniform => uniform(),
                _ => uniform() + uniform(),
            };
            let steps = x * 32_768.0 + dither;
            (match self {
                Self::Truncates => steps.floor(),
                Self::FifteenBits => 2.0 * (0.5 * steps).round(),
                _ => (steps + 0.5).floor(),
            }) as i16
        };
        Ok(input.iter().map(round).collect())
    }
}

fn rounded(stage: Rounding, setting: &str) -> SettingsCheck {
    let check = output::against(Arc::new(stage), Twin::Fixed).unwrap();
    check.setting(setting).unwrap().rates([44_100])
}

#[test]
fn every_planted_defect_is_rejected_by_the_readings_named_beside_it() {
    rejected(PLANTED);
}

#[test]
fn the_same_constructions_without_their_defects_pass() {
    pass_without(PLANTED);
}
