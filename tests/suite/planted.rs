//! Planted defects: modules broken on purpose, each with the readings that must reject it, and
//! each beside the same construction without the defect, which must pass.

use crate::common::{CYCLE, setup};
use crate::planted_controls::PLANTED as CONTROLS;
use crate::planted_filters::PLANTED as FILTERS;
use crate::planted_instruments::PLANTED as VOICES;
use plumbtone::check::{self, Check, Shape};
use plumbtone::subject::Made;
use plumbtone::worker::Anchor;
use plumbtone::{Kind, Stimulus, Twin, Verdict};
use plumbtone_theory::references;
use plumbtone_voice::Age;
use plumbtone_voice::oscillators::white::Register;
use std::collections::BTreeSet;
use std::sync::Arc;

/// A defect, its detectors, and the check of the construction with it or without it.
struct Planted {
    name: &'static str,
    caught_by: &'static [Kind],
    check: fn(bool) -> Check,
}

/// What may be wrong with [`edge_corrected`].
#[derive(Clone, Copy, Debug, PartialEq)]
enum Defect {
    None,
    Coefficient,
    MissingAfterWrap,
    MissingEverywhere,
    AgesSwapped,
    WrongSign,
    TwoPointsForFour,
    Phase24,
    Phase16,
    PhaseF32,
    Truncated,
    OneStepUp,
    Detuned,
    Polarity,
    Duty,
    LateBySample,
    Offset,
}

impl Defect {
    fn if_planted(self, planted: bool) -> Self {
        if planted { self } else { Self::None }
    }
}

/// A sine, or a spline-corrected ramp or pulse, of our own: f64 on a 32-bit phase, held against the
/// module with that many points.
fn edge_corrected(points: u32, shape: Shape, defect: Defect) -> Check {
    let make = move |note: &Stimulus| {
        let tuned = if defect == Defect::Detuned { (0.01_f64 / 1200.0).exp2() } else { 1.0 };
        let exact = note.hz / note.rate_hz * CYCLE * tuned;
        let cut = |bits: u32| (exact / f64::from(1_u32 << bits)).round() as u32 * (1 << bits);
        let increment = match defect {
            Defect::Phase24 => cut(8),
            Defect::Phase16 => cut(16),
            Defect::Truncated => exact as u32,
            Defect::OneStepUp => exact.round() as u32 + 1,
            _ => exact.round() as u32,
        };
        let late = points / 2 - 1 + u32::from(defect == Defect::LateBySample);
        let mut phase = note.start.wrapping_sub(late.wrapping_mul(increment));
        let mut single = (f64::from(phase) / CYCLE) as f32;
        let width = if defect == Defect::Duty { 1.0 - note.width } else { note.width };
        let sign = if defect == Defect::Polarity { -1.0 } else { 1.0 };
        let offset = if defect == Defect::Offset { 1e-6 } else { 0.0 };
        let p = f64::from(increment) / CYCLE;
        move || {
            let cycles = match defect {
                Defect::PhaseF32 => f64::from(single),
                _ => f64::from(phase) / CYCLE,
            };
            phase = phase.wrapping_add(increment);
            single = (single + p as f32).fract();
            let smooth = |past: f64| {
                residual(points, past / p, defect) + residual(points, (past - 1.0) / p, defect)
            };
            let now = match shape {
                Shape::Pulse => {
                    let level = if cycles < width { 0.5 } else { -0.5 };
                    level + smooth(cycles) - smooth((cycles - width).rem_euclid(1.0))
                }
                Shape::Sine => 0.5 * (std::f64::consts::TAU * cycles).sin(),
                _ => cycles - 0.5 - smooth(cycles),
            };
            sign * now + offset
        }
    };
    let module = match (shape, points) {
        (Shape::Sine, _) => "sine",
        (_, 2) => "spline2",
        _ => "spline4",
    };
    held(make, module, Twin::Exact, shape)
}

/// Residual of a unit step, `d` samples after it.
fn residual(points: u32, d: f64, defect: Defect) -> f64 {
    let reach = f64::from(points) / 2.0;
    if d.abs() >= reach || defect == Defect::MissingEverywhere {
        return 0.0;
    }
    if d >= 0.0 && defect == Defect::MissingAfterWrap {
        return 0.0;
    }
    let wrong = if defect == Defect::Coefficient { 1e-6 } else { 0.0 };
    let mut rest = reach - d.abs();
    if defect == Defect::AgesSwapped {
        rest = reach - rest;
    }
    let size = if points == 2 || defect == Defect::TwoPointsForFour {
        (0.5 + wrong) * (rest + 1.0 - reach).max(0.0).powi(2)
    } else if rest < 1.0 {
        rest.powi(4) / 24.0
    } else {
        let d = rest - 1.0;
        (((-0.125 + wrong) * d + 1.0 / 6.0) * d + 0.25) * d * d + d / 6.0 + 1.0 / 24.0
    };
    let sign = if defect == Defect::WrongSign { -1.0 } else { 1.0 };
    if d < 0.0 { sign * size } else { -sign * size }
}

/// A generator held against the closed forms and derived limits of a twin.
fn held<F, G>(make: F, module: &str, which: Twin, shape: Shape) -> Check
where
    F: Fn(&Stimulus) -> G + Send + Sync + 'static,
    G: plumbtone::Generator + 'static,
{
    let subject = Arc::new(Made::new("planted", make));
    let check = check::against(subject, module, which, shape, setup()).unwrap();
    check.keys([69, 81, 88]).rates([44_100])
}

/// What may be wrong with [`table_read`].
#[derive(Clone, Copy, PartialEq)]
enum TableDefect {
    None,
    BandTooBright,
    BandTooDull,
    NoGuardPoint,
    SecondHarmonic,
}

/// A wavetable of our own in f64: 2048 points, linear interpolation, one table per octave.
fn table_read(defect: TableDefect) -> Check {
    const LENGTH: usize = 2048;
    let make = move |note: &Stimulus| {
        let p = note.hz / note.rate_hz;
        let mut harmonics = 1;
        while f64::from(harmonics) * 4.0 * p < 1.0 && harmonics < LENGTH as u32 / 4 {
            harmonics *= 2;
        }
        match defect {
            TableDefect::BandTooBright => harmonics *= 2,
            TableDefect::BandTooDull => harmonics /= 2,
            _ => {}
        }
        let point = |i: usize| -> f64 {
            let turn = i as f64 / LENGTH as f64;
            (1..=harmonics)
                .map(|k| {
                    let wrong = defect == TableDefect::SecondHarmonic && k == 2;
                    let size = if wrong { 1.01 } else { 1.0 } / std::f64::consts::PI;
                    let k = f64::from(k);
                    -size / k * (std::f64::consts::TAU * (k * turn).fract()).sin()
                })
                .sum()
        };
        let mut table: Vec<f64> = (0..LENGTH).map(point).collect();
        table.push(if defect == TableDefect::NoGuardPoint { 0.1 } else { table[0] });
        let increment = (p * CYCLE).round() as u32;
        let mut phase = note.start;
        move || {
            let place = f64::from(phase) / CYCLE * LENGTH as f64;
            phase = phase.wrapping_add(increment);
            let (index, fraction) = (place as usize, place.fract());
            table[index] + (table[index + 1] - table[index]) * fraction
        }
    };
    held(make, "wavetable", Twin::Float, Shape::Ramp)
}

/// A differentiated polynomial of our own: c Δ p(s), the polynomial rounded to so many bits.
fn second_order(divisor: f64, bits: i32) -> Check {
    let make = move |note: &Stimulus| {
        let increment = (note.hz / note.rate_hz * CYCLE).round() as u32;
        let polynomial = move |phase: u32| {
            let s = f64::from(phase.wrapping_sub(1 << 31) as i32) / 2_147_483_648.0;
            let grid = f64::from(bits).exp2();
            (s * s * grid).round() / grid
        };
        let mut phase = note.start;
        move || {
            let step = polynomial(phase) - polynomial(phase.wrapping_sub(increment));
            phase = phase.wrapping_add(increment);
            // Half of P/4: the waveform swings ±0.5.
            step * CYCLE / f64::from(increment) / divisor
        }
    };
    held(make, "diffpoly2", Twin::Fixed, Shape::Ramp)
}

/// What may be dead in [`register_noise`].
#[derive(Clone, Copy)]
enum Dead {
    Bit(u32),
    Row(usize),
}

/// White samples, or one white and sixteen held rows, from the voice's own register.
fn register_noise(module: &'static str, period_bits: u32, dead: Option<Dead>) -> Check {
    let make = move |_: &Stimulus| {
        let mut register = Register::new(1);
        let mut drawn = 0_u32;
        let mut draw = move || {
            if drawn & ((1 << period_bits) - 1) == 0 {
                register = Register::new(1);
            }
            drawn += 1;
            let stuck = if let Some(Dead::Bit(bit)) = dead { 1 << bit } else { 0 };
            f64::from(register.draw() | stuck) / CYCLE
        };
        let mut rows = [0.0; 16];
        let mut counter = 0_u32;
        move || {
            if module == "white" {
                return draw();
            }
            counter += 1;
            if let Some(row) = rows.get_mut(counter.trailing_zeros() as usize) {
                *row = draw();
            }
            if let Some(Dead::Row(row)) = dead {
                rows[row] = 0.0;
            }
            let held: f64 = rows.iter().sum();
            (held + draw()) / 32.0
        }
    };
    held(make, module, Twin::Float, Shape::Ramp)
}

/// A ramp a little above full scale in i32, which saturates or wraps.
fn loud(wraps: bool) -> Check {
    check::oscillator(Shape::Ramp, move |note| {
        let increment = (note.hz / note.rate_hz * CYCLE).round() as u32;
        let mut phase = 0_u32;
        move || {
            let ramp = (f64::from(phase) / CYCLE - 0.5) * 2.02;
            phase = phase.wrapping_add(increment);
            let wide = (ramp * 2_147_483_648.0) as i64;
            if wraps { wide as i32 } else { wide.clamp(i32::MIN.into(), i32::MAX.into()) as i32 }
        }
    })
    .keys([45, 57])
    .rates([44_100])
    .harmonics_within_db(0.5, 4_000.0)
}

/// A sine whose pitch comes from a table of 2^x with 256 steps to the octave.
fn table_tuned(short: bool) -> Check {
    check::oscillator(Shape::Sine, move |note| {
        const STEPS: usize = 256;
        // 2^x up to and with x = 1, or one entry too few and the last one twice.
        let last = if short { STEPS - 1 } else { STEPS };
        let table: Vec<f64> =
            (0..=STEPS).map(|i| (i.min(last) as f64 / STEPS as f64).exp2()).collect();
        // A4 lies in the middle of the last step.
        let base_hz = 440.0 * (-255.5 / 256.0_f64).exp2();
        let octaves = (note.hz / base_hz).log2();
        let place = (octaves - octaves.floor()) * STEPS as f64;
        let (index, fraction) = (place as usize, place.fract());
        let ratio = table[index] + (table[index + 1] - table[index]) * fraction;
        let step = base_hz * octaves.floor().exp2() * ratio / note.rate_hz;
        let mut phase = 0.0_f64;
        move || {
            phase = (phase + step).fract();
            (std::f64::consts::TAU * phase).sin() * 0.5
        }
    })
    // Straight lines between 256 steps miss 2^x by (ln 2/256)²/8, 0.0016 cent.
    .keys([57, 64, 69, 71])
    .rates([44_100])
    .pitch_within_cents(0.01)
}

fn clean_to_7800(defect: Defect) -> Check {
    let source = references::INTEGRATED_INTERPOLATION;
    let anchor = Anchor { hz: 7_800.0, from_hz: 1_000.0, source };
    edge_corrected(4, Shape::Ramp, defect).clean_note_within_percent(1.0, anchor)
}

/// The defects. A closure takes `true` for the broken construction.
const PLANTED: &[Planted] = &[
    Planted {
        name: "spline4 coefficient off by 1e-6",
        caught_by: &[Kind::Lines, Kind::Rounding],
        check: |on| {
            edge_corrected(4, Shape::Ramp, Defect::Coefficient.if_planted(on))
                .limit(Kind::Lines, 0.01)
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "spline2 coefficient off by 1e-6",
        caught_by: &[Kind::Lines, Kind::Rounding],
        check: |on| {
            edge_corrected(2, Shape::Ramp, Defect::Coefficient.if_planted(on))
                .limit(Kind::Lines, 0.01)
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "no correction after the wrap",
        caught_by: &[Kind::Lines, Kind::Rounding, Kind::Aliases, Kind::Audible],
        check: |on| {
            edge_corrected(4, Shape::Ramp, Defect::MissingAfterWrap.if_planted(on))
                .derived(Kind::Lines)
                .derived(Kind::Rounding)
                .alias_power_below_db(-40.0)
                .aliases_inaudible()
        },
    },
    Planted {
        name: "no correction at all",
        caught_by: &[Kind::Listening, Kind::Audible, Kind::WorstAlias],
        check: |on| {
            edge_corrected(4, Shape::Ramp, Defect::MissingEverywhere.if_planted(on))
                .keys([96, 100])
                .limit(Kind::Listening, 0.0)
                .aliases_inaudible()
                .aliases_below_db(-35.0)
        },
    },
    Planted {
        name: "ages of the samples before and after swapped",
        caught_by: &[Kind::Lines, Kind::Rounding],
        check: |on| {
            edge_corrected(2, Shape::Pulse, Defect::AgesSwapped.if_planted(on))
                .derived(Kind::Lines)
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "correction with the wrong sign",
        caught_by: &[Kind::Lines, Kind::Rounding, Kind::Aliases],
        check: |on| {
            edge_corrected(2, Shape::Ramp, Defect::WrongSign.if_planted(on))
                .derived(Kind::Lines)
                .derived(Kind::Rounding)
                .alias_power_below_db(-30.0)
        },
    },
    Planted {
        name: "two points where four are claimed",
        caught_by: &[Kind::CleanNote],
        check: |on| clean_to_7800(Defect::TwoPointsForFour.if_planted(on)),
    },
    Planted {
        name: "24-bit phase",
        caught_by: &[Kind::Pitch, Kind::Rounding],
        check: |on| tuned(Defect::Phase24.if_planted(on)),
    },
    Planted {
        name: "16-bit phase",
        caught_by: &[Kind::Pitch, Kind::Rounding],
        check: |on| tuned(Defect::Phase16.if_planted(on)),
    },
    Planted {
        name: "phase in f32",
        caught_by: &[Kind::Pitch, Kind::Rounding],
        check: |on| tuned(Defect::PhaseF32.if_planted(on)),
    },
    Planted {
        name: "increment truncated",
        caught_by: &[Kind::Pitch, Kind::Rounding],
        check: |on| tuned(Defect::Truncated.if_planted(on)),
    },
    Planted {
        name: "increment one step too large",
        caught_by: &[Kind::Pitch, Kind::Rounding],
        check: |on| tuned(Defect::OneStepUp.if_planted(on)),
    },
    Planted {
        name: "detuned by 0.01 cent",
        caught_by: &[Kind::Pitch],
        check: |on| tuned(Defect::Detuned.if_planted(on)),
    },
    Planted {
        name: "polarity flipped",
        caught_by: &[Kind::Rounding],
        check: |on| {
            edge_corrected(2, Shape::Ramp, Defect::Polarity.if_planted(on)).derived(Kind::Rounding)
        },
    },
    Planted {
        // The lines of w and of 1 − w stand alike: only the samples tell.
        name: "duty swapped",
        caught_by: &[Kind::Rounding],
        check: |on| {
            edge_corrected(4, Shape::Pulse, Defect::Duty.if_planted(on)).derived(Kind::Rounding)
        },
    },
    Planted {
        name: "one sample late",
        caught_by: &[Kind::Rounding],
        check: |on| {
            let defect = Defect::LateBySample.if_planted(on);
            edge_corrected(4, Shape::Ramp, defect).derived(Kind::Rounding)
        },
    },
    Planted {
        name: "offset of 1e-6",
        caught_by: &[Kind::Rounding],
        check: |on| {
            edge_corrected(2, Shape::Ramp, Defect::Offset.if_planted(on)).derived(Kind::Rounding)
        },
    },
    Planted {
        name: "wavetable one band too bright",
        caught_by: &[Kind::Lines, Kind::Rounding, Kind::Aliases, Kind::WorstAlias],
        check: |on| {
            table_read(if on { TableDefect::BandTooBright } else { TableDefect::None })
                .derived(Kind::Lines)
                .derived(Kind::Rounding)
                .alias_power_below_db(-60.0)
                .aliases_below_db(-60.0)
        },
    },
    Planted {
        name: "wavetable one band too dull",
        caught_by: &[Kind::Lines, Kind::Rounding],
        check: |on| {
            table_read(if on { TableDefect::BandTooDull } else { TableDefect::None })
                .derived(Kind::Lines)
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "wavetable without its guard point",
        caught_by: &[Kind::Rounding],
        check: |on| {
            table_read(if on { TableDefect::NoGuardPoint } else { TableDefect::None })
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "second harmonic 0.09 dB too strong",
        caught_by: &[Kind::Harmonics],
        check: |on| {
            table_read(if on { TableDefect::SecondHarmonic } else { TableDefect::None })
                .keys([45, 57])
                .harmonics_within_db(0.01, 1_000.0)
        },
    },
    Planted {
        name: "gain constant of a differentiated polynomial wrong by 1e-6",
        caught_by: &[Kind::Rounding],
        check: |on| {
            second_order(if on { 8.000_008 } else { 8.0 }, 31)
                .keys([57, 69])
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "polynomial two bits short",
        caught_by: &[Kind::Noise, Kind::Rounding],
        check: |on| {
            second_order(8.0, if on { 29 } else { 31 })
                .keys([21, 27, 33])
                .derived(Kind::Noise)
                .derived(Kind::Rounding)
        },
    },
    Planted {
        name: "noise that repeats after 4096 samples",
        caught_by: &[Kind::Density],
        check: |on| register_noise("white", if on { 12 } else { 31 }, None).derived(Kind::Density),
    },
    Planted {
        name: "noise register with a stuck bit",
        caught_by: &[Kind::Density],
        check: |on| register_noise("white", 31, on.then_some(Dead::Bit(30))).derived(Kind::Density),
    },
    Planted {
        name: "pink noise without its fourth row",
        caught_by: &[Kind::Density],
        check: |on| register_noise("pink", 31, on.then_some(Dead::Row(3))).derived(Kind::Density),
    },
    Planted { name: "saturation missing", caught_by: &[Kind::Harmonics], check: loud },
    Planted { name: "table of 2^x one step short", caught_by: &[Kind::Pitch], check: table_tuned },
];

/// Low keys, where a step of the increment is many cents; a sine, which no alias pulls.
fn tuned(defect: Defect) -> Check {
    edge_corrected(2, Shape::Sine, defect)
        .keys([9, 14, 21, 30])
        .rates([44_100, 192_000])
        .derived(Kind::Pitch)
        .derived(Kind::Rounding)
}

/// Verdicts by kind: any failure counts.
fn failures(check: &Check) -> BTreeSet<Kind> {
    let results = check.run().unwrap();
    let unread = results.findings.iter().find(|f| f.verdict == Verdict::CannotMeasure);
    assert!(unread.is_none(), "{unread:?}");
    let failed = results.findings.iter().filter(|finding| finding.verdict == Verdict::Fail);
    failed.map(|finding| finding.kind).collect()
}

#[test]
fn every_planted_defect_is_rejected_by_the_readings_named_beside_it() {
    for planted in PLANTED {
        let caught = failures(&(planted.check)(true));
        for kind in planted.caught_by {
            assert!(caught.contains(kind), "{}: `{kind}` does not see it", planted.name);
        }
    }
}

#[test]
fn the_same_constructions_without_their_defects_pass() {
    for planted in PLANTED {
        let failed = failures(&(planted.check)(false));
        assert!(failed.is_empty(), "{}: {failed:?} without the defect", planted.name);
    }
}

/// Sync is no steady note and has a reading of its own: every line, see `sync`.
#[test]
fn a_sync_that_ignores_its_age_is_rejected_by_its_lines() {
    let keeps = crate::sync::spline4_keeps_its_lines;
    assert!(keeps(|age| age));
    assert!(!keeps(|_| Age(0)));
    // Nor may it lose the lower half of its bits.
    assert!(!keeps(|age| Age(age.0 & 0xFFFF_0000)));
}

#[test]
fn every_kind_of_reading_rejects_at_least_one_defect() {
    let sound = PLANTED.iter().map(|planted| (planted.name, planted.caught_by));
    let control = CONTROLS.iter().map(|planted| (planted.name, planted.caught_by));
    let filter = FILTERS.iter().map(|planted| (planted.name, planted.caught_by));
    let voice = VOICES.iter().map(|planted| (planted.name, planted.caught_by));
    let all: Vec<_> = sound.chain(control).chain(filter).chain(voice).collect();
    let caught: BTreeSet<Kind> = all.iter().flat_map(|(_, kinds)| *kinds).copied().collect();
    assert_eq!(caught, BTreeSet::from(Kind::ALL));
    let names: BTreeSet<&str> = all.iter().map(|(name, _)| *name).collect();
    assert_eq!(names.len(), all.len());
}
