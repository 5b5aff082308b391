//! Planted defects of filters: ladders, state-variable and first-order filters broken on purpose,
//! each with the readings that must reject it, and each beside the same construction without the
//! defect, which must pass. All constructions are written here, in f64, and in integers or f32
//! where the defect is one of the number format.

use crate::planted_controls::{Planted, pass_without, rejected};
use plumbtone::filter::against;
use plumbtone::{Error, FilterSubject, Kind, Passage, SettingsCheck, Twin, Verdict};
use plumbtone_voice::filters::{CUTOFF, ladder_tanh};
use plumbtone_voice::{Tuning, halfband, taps};
use std::borrow::Cow;
use std::f64::consts::PI;
use std::sync::Arc;

/// A filter of our own: a function from a passage to what is called once per sample.
struct Own<F>(F);

impl<F, T> FilterSubject for Own<F>
where
    F: Fn(&Passage) -> T + Send + Sync,
    T: FnMut(f64, &Tuning) -> f64,
{
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed("planted")
    }

    fn render(&self, passage: &Passage, out: &mut [f64]) -> Result<(), Error> {
        let mut tick = (self.0)(passage);
        let samples = passage.input.iter().zip(passage.tuning_per_sample());
        for (out, (input, tuning)) in out.iter_mut().zip(samples) {
            *out = tick(*input, &tuning);
        }
        Ok(())
    }
}

/// Held against the closed form of `module` and the derived limits of a twin, at 48 kHz.
fn held<F, T>(module: &str, twin: Twin, setting: &str, make: F) -> SettingsCheck
where
    F: Fn(&Passage) -> T + Send + Sync + 'static,
    T: FnMut(f64, &Tuning) -> f64 + 'static,
{
    let check = against(Arc::new(Own(make)), module, twin).unwrap();
    check.setting(setting).unwrap().rates([48_000])
}

/// Full scale of a fixed twin: what leaves it stops there.
const FULL: f64 = 1.0 - 1.0 / 2_147_483_648.0;
/// Where loop inputs and states stop.
const LIMIT: f64 = 16.0;

/// Cutoff in cycles per sample, held from 5 Hz at 48 kHz to `highest`.
fn cutoff(tuning: &Tuning, highest: f64) -> f64 {
    tuning.cutoff.cycles_per_sample().clamp(CUTOFF.min / 48_000.0, highest)
}

fn resonance(tuning: &Tuning) -> f64 {
    f64::from(tuning.resonance.bits()) / f64::from(1 << 30)
}

/// What may be wrong with [`ladder`].
#[derive(Clone, Copy, PartialEq)]
enum Loop {
    Sound,
    NoPrewarp,
    UnitDelay,
    Feedback,
    Truncated,
    EarlySaturation,
    NoSaturation,
    SwappedTaps,
    Wraps,
    OnePoleOff,
    LateBySample,
    Offset,
    Compensation,
    EmptiedStates,
    SlowCutoff,
    BlockRate,
    BentOutput,
    CoarseTable,
}

impl Loop {
    fn if_planted(self, planted: bool) -> Self {
        if planted { self } else { Self::Sound }
    }
}

/// The linear ladder, trapezoidal: y = G x + (1 - G) s behind each pole, the loop solved for its
/// input.
fn ladder(defect: Loop, twin: Twin, setting: &str) -> SettingsCheck {
    let make = move |passage: &Passage| {
        let choice = passage.settings.value(&taps::OUTPUT).unwrap();
        let mut mix = taps::MIXES[choice as usize].map(f64::from);
        if defect == Loop::SwappedTaps {
            mix.swap(3, 4);
        }
        let compensation = passage.settings.value(&taps::COMPENSATION).unwrap();
        let limit = match defect {
            Loop::EarlySaturation => 0.5,
            Loop::NoSaturation => f64::MAX,
            _ => LIMIT,
        };
        let (mut s, mut last, mut before) = ([0.0_f64; 4], 0.0, 0.0);
        let (mut tuned, mut slow, mut block, mut n) = (None, None, 0.0, 0);
        move |input: f64, tuning: &Tuning| {
            if defect == Loop::EmptiedStates && tuned.replace(tuning.cutoff) != Some(tuning.cutoff)
            {
                s = [0.0; 4];
            }
            let mut x = cutoff(tuning, 0.45);
            if defect == Loop::CoarseTable {
                // Chords of 2^x, 16 to the octave: (ln 2/16)²/8 or 0.4 cent too high.
                let octaves = 16.0 * (x * 48_000.0 / 440.0).log2();
                let node = |place: f64| 440.0 / 48_000.0 * (place / 16.0).exp2();
                let (low, high) = (node(octaves.floor()), node(octaves.floor() + 1.0));
                x = low + (high - low) * (octaves - octaves.floor());
            }
            if defect == Loop::BlockRate {
                if n % 64 == 0 {
                    block = x;
                }
                (x, n) = (block, n + 1);
            }
            if defect == Loop::SlowCutoff {
                let smooth = slow.get_or_insert(x);
                *smooth += 0.01 * (x - *smooth);
                x = *smooth;
            }
            let t = if defect == Loop::NoPrewarp { PI * x } else { (PI * x).tan() };
            let mut g = [t / (1.0 + t); 4];
            match defect {
                Loop::Truncated => g = g.map(|g| (g * 65_536.0).floor() / 65_536.0),
                Loop::OnePoleOff => g[3] *= 1.01,
                _ => {}
            }
            let k = 4.0 * resonance(tuning) * if defect == Loop::Feedback { 1.01 } else { 1.0 };
            let c = if defect == Loop::Compensation { 0.99 * compensation } else { compensation };
            let fed = input * (1.0 + c * k);
            let held = s.iter().zip(g).fold(0.0, |sum, (s, g)| g * sum + (1.0 - g) * s);
            let u = match defect {
                Loop::UnitDelay => fed - k * last,
                _ => (fed - k * held) / (1.0 + k * g.iter().product::<f64>()),
            };
            let mut y = [u.clamp(-limit, limit); 5];
            for i in 0..4 {
                let step = g[i] * (y[i] - s[i]);
                y[i + 1] = s[i] + step;
                s[i] = (y[i + 1] + step).clamp(-limit, limit);
            }
            last = y[4];
            let mut out: f64 = mix.iter().zip(y).map(|(weight, tap)| weight * tap).sum();
            match defect {
                Loop::LateBySample => std::mem::swap(&mut out, &mut before),
                Loop::Offset => out += 1e-6,
                Loop::BentOutput => out = (0.1 * out).tanh() / 0.1,
                Loop::Wraps => return (out + 1.0).rem_euclid(2.0) - 1.0,
                _ => {}
            }
            if twin == Twin::Fixed { out.clamp(-1.0, FULL) } else { out }
        }
    };
    held("ladder", twin, setting, make)
}

/// Against the fixed twin, the one with the narrow limits.
fn fixed_ladder(defect: Loop, setting: &str) -> SettingsCheck {
    ladder(defect, Twin::Fixed, setting)
}

/// The state-variable filter in its textbook form, with its damping off by a share.
fn state_variable(off: f64, setting: &str) -> SettingsCheck {
    held("state-variable", Twin::Fixed, setting, move |_| {
        let [mut s1, mut s2] = [0.0_f64; 2];
        move |input, tuning| {
            let g = (PI * cutoff(tuning, 0.45)).tan();
            let damping = 2.0 * (1.0 - resonance(tuning).min(1.0)) * (1.0 + off);
            let high = (input - (damping + g) * s1 - s2) / (1.0 + damping * g + g * g);
            let band = s1 + g * high;
            let low = s2 + g * band;
            s1 = (band + g * high).clamp(-LIMIT, LIMIT);
            s2 = (low + g * band).clamp(-LIMIT, LIMIT);
            low.clamp(-1.0, FULL)
        }
    })
}

/// What may be wrong with the formats of [`fixed_pole`].
#[derive(Clone, Copy, PartialEq)]
enum Format {
    Sound,
    NoMoreBits,
    RoundedDown,
}

/// One-pole low-pass in integers: coefficient Q2.30, signal Q5.27, state Q7.57, which is rounded
/// to a signal where the loop reads it; or plain Q1.31 for everything.
fn fixed_pole(format: Format, setting: &str) -> SettingsCheck {
    held("one-pole", Twin::Fixed, setting, move |_| {
        let mut state = 0_i64;
        let half = if format == Format::RoundedDown { 0 } else { 1 << 29 };
        move |input, tuning| {
            let t = (PI * cutoff(tuning, 0.45)).tan();
            let g = (t / (1.0 + t) * f64::from(1 << 30)).round() as i64;
            let x = (input * 2_147_483_648.0).round() as i64;
            let low = if format == Format::NoMoreBits {
                let step = (g * (x - state) + (1 << 29)) >> 30;
                state += 2 * step;
                state - step
            } else {
                let step = g * (((x + 8) >> 4) - ((state + half) >> 30));
                state += 2 * step;
                (state - step + (1 << 25)) >> 26
            };
            low as f64 / 2_147_483_648.0
        }
    })
}

/// One-pole low-pass in f32, with the part of its state that f32 drops or without.
fn single_pole(drops: bool) -> SettingsCheck {
    held("one-pole", Twin::Float, "cutoff=20", move |_| {
        let (mut state, mut wide) = (0.0_f32, 0.0_f64);
        move |input, tuning| {
            let t = (PI * cutoff(tuning, 0.45)).tan();
            let step = (t / (1.0 + t)) as f32 * (input as f32 - state);
            let low = state + step;
            wide += f64::from(2.0 * step);
            state = if drops { state + 2.0 * step } else { wide as f32 };
            low.into()
        }
    })
}

/// What may be wrong with [`tanh_ladder`].
#[derive(Clone, Copy, PartialEq)]
enum Bend {
    Sound,
    EntryShort,
    FirstStageOnly,
    NoDecimator,
    TapsOneOff,
}

impl Bend {
    fn if_planted(self, planted: bool) -> Self {
        if planted { self } else { Self::Sound }
    }
}

/// tanh from 16 entries per unit, with the slopes of tanh itself in between; the third entry may
/// be a hundredth short.
fn table_of_tanh(short: bool) -> impl Fn(f64) -> f64 {
    let mut entries: Vec<f64> = (0..=129).map(|i| (f64::from(i) / 16.0).tanh()).collect();
    if short {
        entries[3] *= 0.99;
    }
    move |x| {
        let place = (16.0 * x.abs()).min(128.0);
        let (i, u) = (place as usize, place.fract());
        let (left, right) = (entries[i], entries[i + 1]);
        let slope = |y: f64| (1.0 - y * y) / 16.0;
        let (rise, start, end) = (right - left, slope(left), slope(right));
        let bend = start + end - 2.0 * rise;
        (left + u * (start + u * (rise - start - bend + u * bend))).copysign(x)
    }
}

/// A half-band low-pass in full, every other tap zero: what comes in is shifted through.
fn half_band(one_off: bool) -> impl FnMut(f64) -> f64 {
    let mut taps = [0.0; 63];
    taps[31] = 0.5;
    for (i, tap) in halfband::OUTER.iter().enumerate() {
        let from_middle = 2 * i + 1;
        taps[31 + from_middle] = *tap;
        taps[31 - from_middle] = *tap;
    }
    if one_off {
        // The newer half one place early, its last tap lost.
        taps[31..].rotate_left(1);
    }
    let mut line = [0.0; 63];
    move |x| {
        line.rotate_right(1);
        line[0] = x;
        line.iter().zip(&taps).map(|(x, tap)| x * tap).sum()
    }
}

/// The ladder with tanh in every stage, trapezoidal, at twice the rate; its equations solved by
/// Newton's method down the poles, for the guess that the ring gives back.
fn tanh_ladder(defect: Bend, setting: &str) -> SettingsCheck {
    held("ladder-tanh", Twin::Float, setting, move |passage| {
        let drive = passage.settings.value(&ladder_tanh::DRIVE).unwrap();
        let tanh = table_of_tanh(defect == Bend::EntryShort);
        // What flows at voltage i, and its slope.
        let bend = move |i: usize, x: f64| {
            if defect == Bend::FirstStageOnly && i > 0 {
                return (x, 1.0);
            }
            let y = tanh(x);
            (y, 1.0 - y * y)
        };
        let (mut s, mut v) = ([0.0_f64; 4], [0.0_f64; 4]);
        let mut inner = move |x: f64, g: f64, k: f64| {
            for _ in 0..8 {
                // Corrections a + b·(that of the last pole), as each pole passes them on.
                let (mut flow, slope) = bend(0, x - k * v[3]);
                let (mut a, mut b) = ([0.0; 4], [0.0; 4]);
                let (mut above, mut corner) = (0.0, -g * k * slope);
                for i in 0..4 {
                    let (own, slope) = bend(i + 1, v[i]);
                    let whole = 1.0 + g * slope;
                    a[i] = (s[i] + g * (flow - own) - v[i] + above) / whole;
                    b[i] = corner / whole;
                    (above, corner, flow) = (g * slope * a[i], g * slope * b[i], own);
                }
                let last = a[3] / (1.0 - b[3]);
                for i in 0..4 {
                    v[i] = (v[i] + a[i] + b[i] * last).clamp(-LIMIT, LIMIT);
                }
            }
            let (mut flow, _) = bend(0, x - k * v[3]);
            for i in 0..4 {
                let (own, _) = bend(i + 1, v[i]);
                s[i] = (s[i] + 2.0 * g * (flow - own)).clamp(-LIMIT, LIMIT);
                flow = own;
            }
            v[3]
        };
        let mut up = half_band(defect == Bend::TapsOneOff);
        let mut down = half_band(false);
        move |input, tuning| {
            let g = (0.5 * PI * cutoff(tuning, 0.45)).tan();
            let k = 4.0 * resonance(tuning);
            let halves =
                [input, 0.0].map(|x| inner((2.0 * up(x * drive)).clamp(-LIMIT, LIMIT), g, k));
            let kept = if defect == Bend::NoDecimator { halves } else { halves.map(&mut down) };
            kept[0] / drive
        }
    })
}

fn if_on<T>(on: bool, broken: T, sound: T) -> T {
    if on { broken } else { sound }
}

/// The defects. A closure takes `true` for the broken construction.
pub const PLANTED: &[Planted] = &[
    Planted {
        name: "missing prewarp",
        caught_by: &[Kind::Response, Kind::Phase, Kind::Cutoff, Kind::Oscillation],
        check: |on| {
            fixed_ladder(Loop::NoPrewarp.if_planted(on), "cutoff=5000")
                .derived(Kind::Response)
                .derived(Kind::Phase)
                .limit(Kind::Cutoff, 0.05)
                .limit(Kind::Oscillation, 0.05)
        },
    },
    Planted {
        name: "loop broken by a sample of delay",
        caught_by: &[Kind::Response, Kind::Peak, Kind::Threshold, Kind::Oscillation],
        check: |on| {
            fixed_ladder(Loop::UnitDelay.if_planted(on), "cutoff=100 resonance=0.8")
                .derived(Kind::Response)
                .derived(Kind::Peak)
                .limit(Kind::Threshold, 0.001)
                .limit(Kind::Oscillation, 0.05)
        },
    },
    Planted {
        name: "feedback a hundredth too strong",
        caught_by: &[Kind::Passband, Kind::Peak, Kind::Quality, Kind::Threshold],
        check: |on| {
            fixed_ladder(Loop::Feedback.if_planted(on), "cutoff=1000 resonance=0.95")
                .derived(Kind::Passband)
                .derived(Kind::Peak)
                .limit(Kind::Quality, 0.1)
                .limit(Kind::Threshold, 0.001)
        },
    },
    Planted {
        name: "filter coefficient truncated to 16 bits",
        caught_by: &[Kind::Response, Kind::Cutoff, Kind::Tracking],
        check: |on| {
            fixed_ladder(Loop::Truncated.if_planted(on), "cutoff=110")
                .derived(Kind::Response)
                .limit(Kind::Cutoff, 0.05)
                .limit(Kind::Tracking, 0.05)
        },
    },
    Planted {
        name: "states that saturate at half of full scale",
        caught_by: &[Kind::Overload],
        check: |on| {
            fixed_ladder(Loop::EarlySaturation.if_planted(on), "cutoff=1000 resonance=0.5")
                .derived(Kind::Overload)
        },
    },
    Planted {
        name: "third pole heard where the fourth was asked for",
        caught_by: &[Kind::Response, Kind::Phase, Kind::Slope, Kind::Settling],
        check: |on| {
            fixed_ladder(Loop::SwappedTaps.if_planted(on), "cutoff=1000 resonance=0.5")
                .derived(Kind::Response)
                .derived(Kind::Phase)
                .limit(Kind::Slope, 0.001)
                .limit(Kind::Settling, 1.0)
        },
    },
    Planted {
        name: "output that wraps",
        caught_by: &[Kind::Overload],
        check: |on| {
            fixed_ladder(Loop::Wraps.if_planted(on), "cutoff=500 output=high12")
                .derived(Kind::Overload)
        },
    },
    Planted {
        name: "fourth pole a hundredth off",
        caught_by: &[Kind::Response, Kind::Cutoff, Kind::Slope],
        check: |on| {
            fixed_ladder(Loop::OnePoleOff.if_planted(on), "cutoff=1000")
                .derived(Kind::Response)
                .limit(Kind::Cutoff, 0.05)
                .limit(Kind::Slope, 0.001)
        },
    },
    Planted {
        name: "output a sample late",
        caught_by: &[Kind::Phase, Kind::Rounding, Kind::Settling],
        check: |on| {
            fixed_ladder(Loop::LateBySample.if_planted(on), "cutoff=1000")
                .derived(Kind::Phase)
                .derived(Kind::Rounding)
                .limit(Kind::Settling, 0.5)
        },
    },
    Planted {
        name: "offset of a millionth",
        caught_by: &[Kind::Passband, Kind::Rounding, Kind::Residue],
        check: |on| {
            fixed_ladder(Loop::Offset.if_planted(on), "cutoff=1000")
                .derived(Kind::Passband)
                .derived(Kind::Rounding)
                .derived(Kind::Residue)
        },
    },
    Planted {
        name: "compensation a hundredth short",
        caught_by: &[Kind::Response, Kind::Passband],
        check: |on| {
            let setting = "cutoff=1000 resonance=0.5 compensation=1";
            fixed_ladder(Loop::Compensation.if_planted(on), setting)
                .derived(Kind::Response)
                .derived(Kind::Passband)
        },
    },
    Planted {
        name: "states emptied when the cutoff changes",
        caught_by: &[Kind::Step],
        check: |on| {
            fixed_ladder(Loop::EmptiedStates.if_planted(on), "cutoff=1000").limit(Kind::Step, 1.001)
        },
    },
    Planted {
        name: "cutoff that arrives smoothly where it should jump",
        caught_by: &[Kind::Step],
        check: |on| {
            fixed_ladder(Loop::SlowCutoff.if_planted(on), "cutoff=1000").limit(Kind::Step, 1.001)
        },
    },
    Planted {
        name: "cutoff taken up once per block of 64",
        caught_by: &[Kind::Step],
        check: |on| {
            fixed_ladder(Loop::BlockRate.if_planted(on), "cutoff=1000").limit(Kind::Step, 1.001)
        },
    },
    Planted {
        name: "output softly clipped",
        caught_by: &[Kind::Intermodulation],
        check: |on| {
            fixed_ladder(Loop::BentOutput.if_planted(on), "cutoff=1000")
                .limit(Kind::Intermodulation, -120.0)
        },
    },
    Planted {
        name: "cutoff from chords of a sixteenth of an octave",
        caught_by: &[Kind::Tracking],
        check: |on| {
            fixed_ladder(Loop::CoarseTable.if_planted(on), "cutoff=440").limit(Kind::Tracking, 0.05)
        },
    },
    Planted {
        name: "states without saturation",
        caught_by: &[Kind::Stress],
        check: |on| {
            ladder(Loop::NoSaturation.if_planted(on), Twin::Float, "cutoff=1000")
                .derived(Kind::Stress)
        },
    },
    Planted {
        name: "damping off by a thousandth",
        caught_by: &[Kind::Peak, Kind::Quality],
        check: |on| {
            state_variable(if_on(on, 1e-3, 0.0), "cutoff=1000 resonance=0.99")
                .derived(Kind::Peak)
                .limit(Kind::Quality, 0.05)
        },
    },
    Planted {
        name: "state of a pole no finer than a sample",
        caught_by: &[Kind::Noise, Kind::Residue],
        check: |on| {
            fixed_pole(if_on(on, Format::NoMoreBits, Format::Sound), "cutoff=20")
                .derived(Kind::Noise)
                .derived(Kind::Residue)
        },
    },
    Planted {
        // Its mean is no noise, stays within the worst rounding, and dies with the input.
        name: "feedback rounded toward minus infinity",
        caught_by: &[Kind::Passband],
        check: |on| {
            fixed_pole(if_on(on, Format::RoundedDown, Format::Sound), "cutoff=200")
                .derived(Kind::Passband)
        },
    },
    Planted {
        name: "state of a pole in plain f32",
        caught_by: &[Kind::Response],
        check: |on| single_pole(on).derived(Kind::Response),
    },
    Planted {
        name: "one entry of the table of tanh a hundredth short",
        caught_by: &[Kind::OscillationLevel],
        check: |on| {
            let setting = "cutoff=440 resonance=1.25 oversampling=2x";
            tanh_ladder(Bend::EntryShort.if_planted(on), setting).limit(Kind::OscillationLevel, 0.1)
        },
    },
    Planted {
        name: "only the first stage bends",
        caught_by: &[Kind::Oscillation, Kind::OscillationLevel],
        check: |on| {
            let setting = "cutoff=440 resonance=1.25 oversampling=2x";
            tanh_ladder(Bend::FirstStageOnly.if_planted(on), setting)
                .limit(Kind::Oscillation, 0.1)
                .limit(Kind::OscillationLevel, 0.1)
        },
    },
    Planted {
        name: "later stages that stay straight under drive",
        caught_by: &[Kind::Drive],
        check: |on| {
            let setting = "cutoff=240 drive=8 oversampling=2x";
            tanh_ladder(Bend::FirstStageOnly.if_planted(on), setting).limit(Kind::Drive, 0.01)
        },
    },
    Planted {
        // One step of 16 bits is 96 dB below full scale.
        name: "two inner samples for one, without a decimator",
        caught_by: &[Kind::Aliases],
        check: |on| {
            let setting = "cutoff=8000 drive=4 oversampling=2x";
            tanh_ladder(Bend::NoDecimator.if_planted(on), setting).limit(Kind::Aliases, -96.0)
        },
    },
    Planted {
        name: "half-band taps one off",
        caught_by: &[Kind::Response, Kind::Phase],
        check: |on| {
            let setting = "cutoff=5000 oversampling=2x";
            tanh_ladder(Bend::TapsOneOff.if_planted(on), setting)
                .limit(Kind::Response, 0.01)
                .limit(Kind::Phase, 0.1)
        },
    },
];

#[test]
fn every_planted_defect_is_rejected_by_the_readings_named_beside_it() {
    rejected(PLANTED);
}

#[test]
fn the_same_constructions_without_their_defects_pass() {
    pass_without(PLANTED);
}

/// The loop of two integrators, which is stable only with damping and below f = 1.4 - 0.293·2R,
/// with damping, cutoff and states held or not.
fn two_integrators(holds: bool) -> SettingsCheck {
    held("state-variable-loop", Twin::Float, "cutoff=1000", move |_| {
        let [mut band, mut low] = [0.0_f64; 2];
        let limit = if holds { LIMIT } else { f64::INFINITY };
        move |input, tuning| {
            let edge = if holds { 1.0 } else { 2.0 };
            let damping = 2.0 * (1.0 - resonance(tuning).min(edge));
            let most = if holds { 1.4 - 0.293 * damping } else { 2.0 };
            let f = (2.0 * (PI * cutoff(tuning, 0.45)).sin()).min(most);
            low = (low + f * band).clamp(-limit, limit);
            band = (band + f * (input - low - damping * band)).clamp(-limit, limit);
            low
        }
    })
    .derived(Kind::Stress)
}

/// What grows beyond every number has no figure to be held against a limit, and does not pass.
#[test]
fn a_filter_that_blows_up_is_rejected_though_it_cannot_be_read() {
    assert!(two_integrators(true).try_assert().is_ok());
    let results = two_integrators(false).run().unwrap();
    assert_eq!(results.findings[0].verdict, Verdict::CannotMeasure);
    assert!(!results.all_good());
}
