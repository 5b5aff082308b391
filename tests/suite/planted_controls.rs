//! Planted defects of control modules: contours, glides, low-frequency oscillators and laws broken
//! on purpose, each with the readings that must reject it, and each beside the same construction
//! without the defect, which must pass. All constructions are f64 and written here.

use plumbtone::control::{against, law_against};
use plumbtone::law::MadeLaw;
use plumbtone::script::MadeControl;
use plumbtone::{KeyEvent, Kind, Script, Settings, SettingsCheck, Twin, Verdict, per_sample};
use plumbtone_voice::Parameter;
use plumbtone_voice::contours::{adsr, glide, lfo, multistage};
use plumbtone_voice::control::{bend, depth, pitch, smoothing, taper, update};
use std::collections::BTreeSet;
use std::sync::Arc;

/// A defect, its detectors, and the check of the construction with it or without it.
pub struct Planted {
    pub name: &'static str,
    pub caught_by: &'static [Kind],
    pub check: fn(bool) -> SettingsCheck,
}

fn value(settings: &Settings, parameter: &Parameter) -> f64 {
    settings.value(parameter).unwrap()
}

#[derive(Clone, Copy, PartialEq)]
enum Contour {
    Sound,
    LateBySample,
    ClampedSustain,
    ReleaseFromOne,
    NaiveCoefficient,
    StraightAttack,
    TimesAsTau,
    OffTarget,
    Click,
    SlowPoll,
    SingleFloat,
}

/// Attack, decay, sustain, release, by the recurrence y += k (target − y).
fn own_adsr(defect: Contour, twin: Twin, setting: &str) -> SettingsCheck {
    let make = move |script: &Script| {
        let settings = &script.settings;
        let fs = f64::from(script.rate_hz);
        let late = if defect == Contour::LateBySample { 1.0 } else { 0.0 };
        let attack = value(settings, &adsr::ATTACK) * fs + late;
        let straight = defect == Contour::StraightAttack;
        let a = if straight { 100.0 } else { value(settings, &adsr::OVERSHOOT) };
        let sixty = if defect == Contour::TimesAsTau { 1.0 } else { 1000_f64.ln() };
        let mut sustain = value(settings, &adsr::SUSTAIN);
        if defect == Contour::ClampedSustain {
            sustain = sustain.min(0.4);
        }
        let k = move |samples: f64| match defect {
            Contour::NaiveCoefficient => 1.0 / samples,
            _ => -(-1.0 / samples).exp_m1(),
        };
        let k_attack = k(attack / (a / (a - 1.0)).ln());
        let k_decay = k(value(settings, &adsr::DECAY) * fs / sixty);
        let k_release = k(value(settings, &adsr::RELEASE) * fs / sixty);
        let threshold = (1.0 - a * k_attack / 2.0) / (1.0 - k_attack / 2.0);
        let near = 2_f64.powi(-20);
        let floor = if defect == Contour::OffTarget { -1e-9 } else { 0.0 };
        let poll = if defect == Contour::SlowPoll { 256 } else { 1 };
        // 0 rest, 1 attack, 2 decay, 3 sustain, 4 release.
        let (mut stage, mut y, mut n, mut waiting) = (0, 0.0_f64, 0_usize, None);
        per_sample(move |event: Option<KeyEvent>| {
            waiting = event.or(waiting);
            if n % poll == 0 {
                match waiting.take() {
                    Some(KeyEvent::Down { .. }) => stage = 1,
                    Some(KeyEvent::Up) => {
                        stage = 4;
                        y = match defect {
                            Contour::ReleaseFromOne => 1.0,
                            Contour::Click => 1.01 * y,
                            _ => y,
                        };
                    }
                    None => {}
                }
            }
            n += 1;
            if stage == 1 && y >= threshold {
                (stage, y) = (2, 1.0);
            }
            let now = y;
            let (target, k) = match stage {
                1 => (a, k_attack),
                2 => (sustain, k_decay),
                4 => (floor, k_release),
                _ => (y, 0.0),
            };
            y += k * (target - y);
            if defect == Contour::SingleFloat {
                y = f64::from(y as f32);
            }
            if stage == 2 && (y - sustain).abs() <= near {
                (stage, y) = (3, sustain);
            }
            if stage == 4 && y <= near {
                (stage, y) = (0, 0.0);
            }
            now
        })
    };
    let own = Arc::new(MadeControl::new("planted", make));
    against(own, "adsr", twin).unwrap().setting(setting).unwrap().rates([44_100])
}

const PLUCK: &str = "attack=0.01 decay=0.1 sustain=0.5 release=0.2 overshoot=1.5";

fn adsr_readings(defect: Contour, kinds: &[Kind]) -> SettingsCheck {
    let check = own_adsr(defect, Twin::Exact, PLUCK);
    kinds.iter().fold(check, |check, &kind| match kind {
        Kind::TimeConstant => check.limit(kind, 1e-4),
        kind => check.derived(kind),
    })
}

#[derive(Clone, Copy, PartialEq)]
enum Points {
    Sound,
    LoopSeam,
    OneRepeatMore,
    BendInverted,
    StageShort,
    HoldIgnored,
}

/// Points with a counted loop and a hold, each stage by its closed form.
fn own_points(defect: Points, kinds: &[Kind]) -> SettingsCheck {
    let make = move |script: &Script| {
        let settings = &script.settings;
        let setup = settings.lend(multistage::Setup::from_values).unwrap();
        let fs = f64::from(script.rate_hz);
        let points = setup.points;
        let length = move |point: usize| {
            let samples = (points[point - 1].time * fs).round() as usize;
            samples - usize::from(defect == Points::StageShort && point == 2)
        };
        let (mut stage, mut from, mut n, mut left, mut down) = (0_usize, 0.0, 0_usize, 0, false);
        let mut y = 0.0_f64;
        per_sample(move |event: Option<KeyEvent>| {
            match event {
                Some(KeyEvent::Down { .. }) => {
                    (stage, from, n, down) = (1, y, 0, true);
                    left = setup.loop_count + usize::from(defect == Points::OneRepeatMore);
                }
                Some(KeyEvent::Up) => down = false,
                None => {}
            }
            while stage > 0 && n >= length(stage) {
                y = points[stage - 1].level;
                if down && stage == setup.hold && defect != Points::HoldIgnored {
                    break;
                }
                (from, n) = (y, 0);
                if stage == setup.loop_to && left > 0 {
                    left -= 1;
                    stage = setup.loop_from;
                    if defect == Points::LoopSeam {
                        from = points[stage - 1].level;
                    }
                } else {
                    stage = if stage == setup.count { 0 } else { stage + 1 };
                }
            }
            if stage > 0 && n < length(stage) {
                let point = points[stage - 1];
                let b = if defect == Points::BendInverted { -point.bend } else { point.bend };
                let u = n as f64 / length(stage) as f64;
                let way = if b == 0.0 { u } else { (-b * u).exp_m1() / (-b).exp_m1() };
                y = from + (point.level - from) * way;
                n += 1;
            }
            y
        })
    };
    let own = Arc::new(MadeControl::new("planted", make));
    let check = against(own, "multistage", Twin::Exact)
        .unwrap()
        .setting(
            "points=4 time-1=0.01 level-1=1 bend-1=3 time-2=0.02 level-2=0.2 bend-2=-2 \
             time-3=0.03 level-3=0.7 hold=3 time-4=0.04 level-4=0 bend-4=5 \
             loop-from=1 loop-to=2 loop-count=2",
        )
        .unwrap()
        .rates([48_000]);
    kinds.iter().fold(check, |check, &kind| check.derived(kind))
}

#[derive(Clone, Copy, PartialEq)]
enum Slide {
    Sound,
    InHertz,
    LateBySample,
    NaiveRc,
    Jump,
    Longer,
}

/// A straight or an exponential glide.
fn own_glide(defect: Slide, setting: &str) -> SettingsCheck {
    let make = move |script: &Script| {
        let settings = &script.settings;
        let time = value(settings, &glide::TIME) * f64::from(script.rate_hz);
        let rc = value(settings, &glide::MODE) == 2.0;
        let (mut from, mut to, mut n) = (0.0_f64, 0.0_f64, 0_usize);
        let mut first = true;
        per_sample(move |event: Option<KeyEvent>| {
            let length = match defect {
                Slide::LateBySample => time.round() + 1.0,
                Slide::Longer => (1.01 * time).round(),
                _ => time.round(),
            };
            let at = |n: usize, from: f64, to: f64| {
                let n = n as f64;
                if rc {
                    let left = match defect {
                        Slide::NaiveRc => (1.0 - 1.0 / time).powf(n),
                        _ => (-n / time).exp(),
                    };
                    let way = (from - to) * left;
                    if way.abs() <= 2_f64.powi(-20) { to } else { to + way }
                } else if n >= length {
                    to
                } else if defect == Slide::InHertz {
                    (from.exp2() + (to.exp2() - from.exp2()) * n / length).log2()
                } else {
                    from + (to - from) * n / length
                }
            };
            if let Some(KeyEvent::Down { octaves, .. }) = event {
                let present = at(n, from, to);
                (from, to, n) = (present, octaves.to_num(), 0);
                if first {
                    from = to;
                }
                first = false;
            }
            if defect == Slide::Jump && n == 1 {
                n = 40;
            }
            let now = at(n, from, to);
            n += 1;
            now
        })
    };
    let own = Arc::new(MadeControl::new("planted", make));
    against(own, "glide", Twin::Exact).unwrap().setting(setting).unwrap().rates([44_100])
}

/// A sine of low frequency, its phase cut to so many bits, and its fade late by some samples.
fn own_lfo(bits: u32, late: u64) -> SettingsCheck {
    let make = move |script: &Script| {
        let settings = &script.settings;
        let fs = f64::from(script.rate_hz);
        let cycle = f64::from(bits).exp2();
        let step = (value(settings, &lfo::HZ) / fs * cycle).round() / cycle;
        let fade = (value(settings, &lfo::FADE) * fs).round();
        let (mut n, mut key) = (0_u64, 0_u64);
        per_sample(move |event: Option<KeyEvent>| {
            if matches!(event, Some(KeyEvent::Down { .. })) {
                key = n + late;
            }
            let gain =
                if fade > 0.0 { (n.saturating_sub(key) as f64 / fade).min(1.0) } else { 1.0 };
            let turns = (n as f64 * step).fract();
            n += 1;
            gain * (std::f64::consts::TAU * turns).sin()
        })
    };
    let own = Arc::new(MadeControl::new("planted", make));
    against(own, "lfo", Twin::Exact)
        .unwrap()
        .setting("hz=0.4 shape=sine fade=0.3")
        .unwrap()
        .rates([44_100])
        .limit(Kind::Rate, 1e-5)
        .limit(Kind::Rounding, 1e-9)
}

#[derive(Clone, Copy, PartialEq)]
enum Volts {
    Sound,
    TableShort,
    OffsetAfterGain,
    ScaleOff,
    OneCode,
    Truncated,
    WrongZeroKey,
}

/// The 1 V/octave law: codes of 12 bits to increments, rounded as a twin's are.
fn own_pitch(defect: Volts) -> SettingsCheck {
    let make = move |rate_hz: u32, settings: &Settings| {
        let (low, high) = (value(settings, &pitch::LOW), value(settings, &pitch::HIGH));
        let (offset, gain) = (value(settings, &pitch::OFFSET), value(settings, &pitch::GAIN));
        let zero = value(settings, &pitch::ZERO_KEY);
        move |code: u32| {
            let volts = low + (high - low) * f64::from(code) / 4096.0;
            let volts = match defect {
                Volts::OffsetAfterGain => volts * gain + offset,
                Volts::ScaleOff => (volts + offset) * gain * (1.0 + 1e-5),
                _ => (volts + offset) * gain,
            };
            let zero = if defect == Volts::WrongZeroKey { zero + 0.01 } else { zero };
            let mut octaves = volts + (zero - 69.0) / 12.0;
            if defect == Volts::OneCode && code == 2049 {
                octaves += 0.05 / 1200.0;
            }
            let power = if defect == Volts::TableShort {
                // Too few points by one, read as if they were 4096 to the octave.
                let place = octaves.rem_euclid(1.0) * 4096.0;
                octaves.floor().exp2() * (place.min(4095.0 - 1.0) / 4096.0).exp2()
            } else {
                octaves.exp2()
            };
            let exact = 440.0 * power / f64::from(rate_hz) * 4_294_967_296.0;
            if defect == Volts::Truncated { exact.floor() } else { exact.round() }
        }
    };
    let own = Arc::new(MadeLaw::new("planted", make));
    law_against(own, "pitch", Twin::Fixed)
        .unwrap()
        .setting("bits=12 low=-5 high=3 zero-key=60 offset=0.02 gain=1.01")
        .unwrap()
        .rates([48_000])
        .limit(Kind::Law, 0.02)
        .limit(Kind::Scale, 0.005)
}

/// A law of one formula.
fn formula<L>(module: &str, setting: &str, law: fn(&Settings) -> L) -> SettingsCheck
where
    L: FnMut(u32) -> f64 + 'static,
{
    let own = Arc::new(MadeLaw::new("planted", move |_: u32, settings: &Settings| law(settings)));
    let check = law_against(own, module, Twin::Fixed).unwrap();
    check.setting(setting).unwrap().rates([48_000])
}

fn own_bend(broken: bool) -> SettingsCheck {
    let sound = |settings: &Settings| {
        let range = value(settings, &bend::RANGE);
        move |code: u32| (f64::from(code) - 8192.0) / 8192.0 * range / 12.0
    };
    let inverted = |settings: &Settings| {
        let range = value(settings, &bend::RANGE);
        move |code: u32| (8192.0 - f64::from(code)) / 8192.0 * range / 12.0
    };
    let setting = "range=2";
    let check =
        if broken { formula("bend", setting, inverted) } else { formula("bend", setting, sound) };
    check.limit(Kind::Law, 1e-5).limit(Kind::Scale, 1e-5)
}

fn own_depth(broken: bool) -> SettingsCheck {
    let octaves = |settings: &Settings| {
        let amount = value(settings, &depth::AMOUNT);
        move |code: u32| f64::from(code) / 4095.0 * amount
    };
    let semitones = |settings: &Settings| {
        let amount = value(settings, &depth::AMOUNT);
        move |code: u32| f64::from(code) / 4095.0 * amount / 12.0
    };
    let setting = "amount=1 unit=octaves";
    let check = if broken {
        formula("depth", setting, semitones)
    } else {
        formula("depth", setting, octaves)
    };
    check.limit(Kind::Law, 1e-5).limit(Kind::Depth, 1e-3)
}

/// A depth that is wrong by three millionths.
fn slightly_deep(broken: bool) -> SettingsCheck {
    let sound = |settings: &Settings| {
        let amount = value(settings, &depth::AMOUNT);
        move |code: u32| f64::from(code) / 4095.0 * amount
    };
    let deeper = |settings: &Settings| {
        let amount = value(settings, &depth::AMOUNT);
        move |code: u32| f64::from(code) / 4095.0 * amount * 1.000_003
    };
    let setting = "amount=1 unit=octaves";
    let check =
        if broken { formula("depth", setting, deeper) } else { formula("depth", setting, sound) };
    check.limit(Kind::Depth, 1e-4)
}

fn own_taper(broken: bool) -> SettingsCheck {
    let law = |power: i32| {
        move |settings: &Settings| {
            let m = value(settings, &taper::MIDDLE);
            let r = ((1.0 - m) / m).powi(power);
            move |code: u32| (r.powf(f64::from(code) / 4095.0) - 1.0) / (r - 1.0)
        }
    };
    let (squared, plain) = (law(2), law(1));
    let make = move |settings: &Settings| if broken { plain(settings) } else { squared(settings) };
    let own = Arc::new(MadeLaw::new("planted", move |_: u32, settings: &Settings| make(settings)));
    law_against(own, "taper", Twin::Exact)
        .unwrap()
        .setting("curve=log")
        .unwrap()
        .rates([48_000])
        .limit(Kind::Rounding, 1e-9)
}

fn own_smoothing(broken: bool) -> SettingsCheck {
    let make = move |rate_hz: u32, settings: &Settings| {
        let tau = value(settings, &smoothing::TAU) * f64::from(rate_hz);
        let width = value(settings, &smoothing::HYSTERESIS);
        let half = if broken { width } else { width / 2.0 };
        let k = -(-1.0 / tau).exp_m1();
        let (mut y, mut out) = (0.0_f64, 0.0_f64);
        move |code: u32| {
            y += k * (f64::from(code) - y);
            if (y - out).abs() > half {
                out = y - half * (y - out).signum();
            }
            out
        }
    };
    let own = Arc::new(MadeLaw::new("planted", make));
    law_against(own, "smoothing", Twin::Exact)
        .unwrap()
        .setting("tau=0.01 hysteresis=2")
        .unwrap()
        .rates([48_000])
        .limit(Kind::Rounding, 1e-9)
}

/// A code taken once per block, ramped, or only held where a ramp was asked for.
fn own_update(broken: bool) -> SettingsCheck {
    let make = move |_: u32, settings: &Settings| {
        let every = value(settings, &update::EVERY) as usize;
        let (mut n, mut from, mut to) = (0, 0.0, 0.0);
        move |code: u32| {
            if n % every == 0 {
                (from, to) = (to, f64::from(code));
            }
            n += 1;
            let place = ((n - 1) % every + 1) as f64 / every as f64;
            if broken { to } else { from + (to - from) * place }
        }
    };
    let own = Arc::new(MadeLaw::new("planted", make));
    law_against(own, "update", Twin::Exact)
        .unwrap()
        .setting("every=128 fill=ramp")
        .unwrap()
        .rates([44_100])
        .limit(Kind::Images, 0.01)
}

fn if_on<T>(on: bool, defect: T, sound: T) -> T {
    if on { defect } else { sound }
}

pub const PLANTED: &[Planted] = &[
    Planted {
        name: "attack one sample late",
        caught_by: &[Kind::StageTime, Kind::Rounding],
        check: |on| {
            let defect = if_on(on, Contour::LateBySample, Contour::Sound);
            adsr_readings(defect, &[Kind::StageTime, Kind::Rounding])
        },
    },
    Planted {
        name: "sustain clamped too low",
        caught_by: &[Kind::Rounding],
        check: |on| {
            let defect = if_on(on, Contour::ClampedSustain, Contour::Sound);
            adsr_readings(defect, &[Kind::Rounding])
        },
    },
    Planted {
        name: "release from 1 instead of the present level",
        caught_by: &[Kind::Step, Kind::Rounding],
        check: |on| {
            let defect = if_on(on, Contour::ReleaseFromOne, Contour::Sound);
            adsr_readings(defect, &[Kind::Step, Kind::Rounding])
        },
    },
    Planted {
        name: "coefficient 1/(tau fs)",
        caught_by: &[Kind::TimeConstant],
        check: |on| {
            let defect = if_on(on, Contour::NaiveCoefficient, Contour::Sound);
            adsr_readings(defect, &[Kind::TimeConstant])
        },
    },
    Planted {
        name: "attack nearly straight, overshoot ignored",
        caught_by: &[Kind::Rounding, Kind::TimeConstant],
        check: |on| {
            let defect = if_on(on, Contour::StraightAttack, Contour::Sound);
            adsr_readings(defect, &[Kind::Rounding, Kind::TimeConstant])
        },
    },
    Planted {
        name: "times taken for time constants",
        caught_by: &[Kind::Rounding, Kind::Step],
        check: |on| {
            let defect = if_on(on, Contour::TimesAsTau, Contour::Sound);
            adsr_readings(defect, &[Kind::Rounding, Kind::Step])
        },
    },
    Planted {
        name: "release aims 1e-9 below silence",
        caught_by: &[Kind::DecayLine],
        check: |on| {
            adsr_readings(if_on(on, Contour::OffTarget, Contour::Sound), &[Kind::DecayLine])
        },
    },
    Planted {
        name: "click of 1 % at the release",
        caught_by: &[Kind::Step],
        check: |on| adsr_readings(if_on(on, Contour::Click, Contour::Sound), &[Kind::Step]),
    },
    Planted {
        name: "keys looked at every 256 samples",
        caught_by: &[Kind::Onset],
        check: |on| adsr_readings(if_on(on, Contour::SlowPoll, Contour::Sound), &[Kind::Onset]),
    },
    Planted {
        name: "contour in a single f32",
        caught_by: &[Kind::Rounding],
        check: |on| {
            let defect = if_on(on, Contour::SingleFloat, Contour::Sound);
            own_adsr(defect, Twin::Float, "attack=3 decay=1 sustain=0.8 release=8")
                .limit(Kind::Rounding, 5.0 / 16_777_216.0 + 1e-9)
        },
    },
    Planted {
        name: "loop begins at its first point's level",
        caught_by: &[Kind::Rounding],
        check: |on| own_points(if_on(on, Points::LoopSeam, Points::Sound), &[Kind::Rounding]),
    },
    Planted {
        name: "one repeat too many",
        caught_by: &[Kind::Rounding],
        check: |on| own_points(if_on(on, Points::OneRepeatMore, Points::Sound), &[Kind::Rounding]),
    },
    Planted {
        name: "bend inverted",
        caught_by: &[Kind::Rounding, Kind::Step],
        check: |on| {
            own_points(
                if_on(on, Points::BendInverted, Points::Sound),
                &[Kind::Rounding, Kind::Step],
            )
        },
    },
    Planted {
        name: "stage one sample short",
        caught_by: &[Kind::StageTime],
        check: |on| own_points(if_on(on, Points::StageShort, Points::Sound), &[Kind::StageTime]),
    },
    Planted {
        name: "hold ignored",
        caught_by: &[Kind::Rounding],
        check: |on| own_points(if_on(on, Points::HoldIgnored, Points::Sound), &[Kind::Rounding]),
    },
    Planted {
        name: "glide straight in Hz",
        caught_by: &[Kind::Path],
        check: |on| {
            own_glide(if_on(on, Slide::InHertz, Slide::Sound), "mode=time time=0.1")
                .derived(Kind::Path)
        },
    },
    Planted {
        name: "glide one sample late",
        caught_by: &[Kind::Path],
        check: |on| {
            own_glide(if_on(on, Slide::LateBySample, Slide::Sound), "mode=time time=0.1")
                .derived(Kind::Path)
        },
    },
    Planted {
        name: "glide 1 % too long",
        caught_by: &[Kind::Arrival, Kind::Path],
        check: |on| {
            own_glide(if_on(on, Slide::Longer, Slide::Sound), "mode=time time=0.1")
                .derived(Kind::Path)
                .limit(Kind::Arrival, 0.0)
        },
    },
    Planted {
        name: "exponential glide with the coefficient 1/(tau fs)",
        caught_by: &[Kind::Path],
        check: |on| {
            own_glide(if_on(on, Slide::NaiveRc, Slide::Sound), "mode=rc time=0.02")
                .limit(Kind::Path, 1e-6)
        },
    },
    Planted {
        name: "glide that begins with a jump",
        caught_by: &[Kind::Step],
        check: |on| {
            own_glide(if_on(on, Slide::Jump, Slide::Sound), "mode=time time=0.1")
                .derived(Kind::Step)
        },
    },
    Planted {
        name: "low-frequency phase of 32 bits",
        caught_by: &[Kind::Rate, Kind::Rounding],
        check: |on| own_lfo(if on { 32 } else { 64 }, 0),
    },
    Planted {
        name: "fade one sample late",
        caught_by: &[Kind::Rounding],
        check: |on| own_lfo(64, u64::from(on)),
    },
    Planted {
        name: "exponent table one step short",
        caught_by: &[Kind::Law],
        check: |on| own_pitch(if_on(on, Volts::TableShort, Volts::Sound)),
    },
    Planted {
        name: "calibration offset after the gain",
        caught_by: &[Kind::Law],
        check: |on| own_pitch(if_on(on, Volts::OffsetAfterGain, Volts::Sound)),
    },
    Planted {
        name: "scale off by a hundred-thousandth",
        caught_by: &[Kind::Law, Kind::Scale],
        check: |on| own_pitch(if_on(on, Volts::ScaleOff, Volts::Sound)),
    },
    Planted {
        name: "one code of 4096 off by 0.05 cent",
        caught_by: &[Kind::Law],
        check: |on| own_pitch(if_on(on, Volts::OneCode, Volts::Sound)),
    },
    Planted {
        name: "increment of the law truncated",
        caught_by: &[Kind::Law],
        check: |on| own_pitch(if_on(on, Volts::Truncated, Volts::Sound)).derived(Kind::Law),
    },
    Planted {
        name: "zero volts a cent too high",
        caught_by: &[Kind::Law],
        check: |on| own_pitch(if_on(on, Volts::WrongZeroKey, Volts::Sound)),
    },
    Planted { name: "inverted bend", caught_by: &[Kind::Law, Kind::Scale], check: own_bend },
    Planted {
        name: "depth in semitones instead of octaves",
        caught_by: &[Kind::Law, Kind::Depth],
        check: own_depth,
    },
    Planted {
        name: "depth three millionths too deep",
        caught_by: &[Kind::Depth],
        check: slightly_deep,
    },
    Planted {
        name: "logarithmic taper through another middle",
        caught_by: &[Kind::Rounding],
        check: own_taper,
    },
    Planted {
        name: "hysteresis twice as wide",
        caught_by: &[Kind::Rounding],
        check: own_smoothing,
    },
    Planted {
        name: "held where a ramp was asked for",
        caught_by: &[Kind::Images],
        check: own_update,
    },
];

/// Kinds that failed; every reading must have been taken.
fn failures(planted: &Planted, broken: bool) -> BTreeSet<Kind> {
    let results = (planted.check)(broken).run().unwrap();
    let unread = results.findings.iter().find(|f| f.verdict == Verdict::CannotMeasure);
    assert!(unread.is_none(), "{}: {unread:?}", planted.name);
    let failed = results.findings.iter().filter(|finding| finding.verdict == Verdict::Fail);
    failed.map(|finding| finding.kind).collect()
}

/// Every defect is seen by the readings named beside it.
pub fn rejected(list: &[Planted]) {
    for planted in list {
        let caught = failures(planted, true);
        for kind in planted.caught_by {
            assert!(caught.contains(kind), "{}: `{kind}` does not see it", planted.name);
        }
    }
}

/// The same constructions without their defects pass.
pub fn pass_without(list: &[Planted]) {
    for planted in list {
        let failed = failures(planted, false);
        assert!(failed.is_empty(), "{}: {failed:?} without the defect", planted.name);
    }
}

#[test]
fn every_planted_defect_is_rejected_by_the_readings_named_beside_it() {
    rejected(PLANTED);
}

#[test]
fn the_same_constructions_without_their_defects_pass() {
    pass_without(PLANTED);
}
