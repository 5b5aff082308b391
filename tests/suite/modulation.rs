//! Frequency modulation, linear and exponential, and pulse-width modulation.

use crate::common::{CYCLE, LSB, TWINS, driven, largest, setup, yardstick};
use fixed::types::{I1F31, I6F26};
use plumbtone::Twin;
use plumbtone::check::{self, Shape};
use plumbtone::worker::{COHERENT_SAMPLES, SETTLE_SAMPLES};
use plumbtone_measure::coherent::Coherent;
use plumbtone_theory::bessel::{jn, null};
use plumbtone_theory::waveforms::Correction;
use plumbtone_theory::{sinc, tables};
use plumbtone_voice::frequency::{self, EXP2_MINIMAX};
use plumbtone_voice::{Drive, Increment, Oscillator, Setup, Shape as Wave, Width};
use std::f64::consts::{PI, TAU};

/// Samples of one capture, after the settling time, by bin.
fn bins(samples: &[f64]) -> Vec<num_complex::Complex64> {
    let mut coherent = Coherent::new(COHERENT_SAMPLES).unwrap();
    coherent.analyse(&samples[SETTLE_SAMPLES..]).unwrap().bins().to_vec()
}

fn linear(which: Twin, base: Increment, deviation: i32, signal: f64) -> Increment {
    match which {
        Twin::Float => frequency::float::linear(base, deviation, signal as f32),
        _ => {
            let signal = I1F31::from_bits((signal * 2_147_483_647.0).round() as i32);
            frequency::fixed::linear(base, deviation, signal)
        }
    }
}

/// Lines at carrier + n·modulator with amplitude J_n(β) (Chowning 1973), the carrier's null at
/// β = 2.4048 included. A sum of sines over whole samples has β = 2π·deviation / (2 sin(π·m)).
#[test]
fn linear_modulation_of_a_sine_has_bessel_lines() {
    const CARRIER: u32 = 8_001;
    const MODULATOR: u32 = 410;
    let m = f64::from(MODULATOR) / COHERENT_SAMPLES as f64;
    let base = Increment::saturating_from_bits(CARRIER << 16);
    for beta in [0.2, 1.0, null(0, 1).unwrap(), 5.0] {
        let deviation = (beta * (PI * m).sin() / PI * CYCLE).round() as i32;
        for which in TWINS {
            let signal = |t: usize| (TAU * (m * t as f64).fract()).sin();
            let count = SETTLE_SAMPLES + COHERENT_SAMPLES;
            let drives: Vec<Drive> = (0..count)
                .map(|t| Drive::steady(linear(which, base, deviation, signal(t))))
                .collect();
            // How far rounded increments carry the phase from the ideal one, about its mean.
            let mut strayed = 0.0;
            let strays: Vec<f64> = drives
                .iter()
                .enumerate()
                .map(|(t, drive)| {
                    let ideal = f64::from(base.bits()) + f64::from(deviation) * signal(t);
                    strayed += (f64::from(drive.increment.bits()) - ideal) / CYCLE;
                    strayed
                })
                .collect();
            let mean = strays.iter().sum::<f64>() / count as f64;
            let stray = largest(strays.iter().map(|stray| stray - mean));
            let setup = Setup { shape: Wave::Sine, ..setup() };
            let out = driven("sine", which, setup, &drives);
            let bins = bins(&out);
            let rounding = yardstick("sine", &setup).rounding(which, 0.1).0;
            // A phase error e moves a sine of amplitude 1/2 by πe at most; β is rounded to the
            // deviation's unit.
            let allowed = rounding + PI * stray + beta / f64::from(deviation);
            for order in -16..=16_i32 {
                let bin = (CARRIER as i32 + order * MODULATOR as i32) as usize;
                let expected = 0.5 * jn(order, beta).abs();
                let error = (bins[bin].norm() - expected).abs();
                assert!(error <= allowed, "{which:?} β {beta} line {order}: {error:e} {allowed:e}");
            }
            assert!(allowed < 5e-5, "a limit that still tells: {allowed:e}");
        }
    }
}

/// Every increment over a grid of signals and depths: one unit of 2^-32 cycle, and in f32 the 24
/// bits of signal, depth and product.
#[test]
fn linear_modulation_is_linear_to_a_unit() {
    let base = Increment::saturating_from_bits(1 << 30);
    for deviation in [0, 1, -77, 123_456, -(1 << 29), (1 << 29) + 12_345] {
        for step in -1000..=1000 {
            let signal = f64::from(step) / 1000.0;
            for which in TWINS {
                let found = f64::from(linear(which, base, deviation, signal).bits());
                let shift = f64::from(deviation) * signal;
                // Fixed: the test rounds the signal to Q1.31 and scales it by 1 − 2^-31.
                let allowed = match which {
                    Twin::Float => 1.0 + shift.abs() * 3.0 * 2.0_f64.powi(-24),
                    _ => 1.0 + f64::from(deviation).abs() * 1.5 * LSB,
                };
                let error = (found - f64::from(base.bits()) - shift).abs();
                assert!(error <= allowed, "{which:?} {deviation} x {signal}: {error}");
            }
        }
    }
}

#[test]
fn modulation_saturates_at_0_hz_and_half_the_rate() {
    let base = Increment::saturating_from_bits(1 << 29);
    for which in TWINS {
        assert_eq!(linear(which, base, i32::MAX, -0.9).bits(), 0, "{which:?}");
        assert_eq!(linear(which, base, i32::MAX, 0.9), Increment::MAX, "{which:?}");
        for octaves in [2.01, 2.5, 17.0, 31.9] {
            assert_eq!(exponential(which, base, octaves), Increment::MAX, "{which:?} {octaves}");
        }
        for octaves in [-31.9, -32.0] {
            assert_eq!(exponential(which, base, octaves).bits(), 0, "{which:?} {octaves}");
        }
        assert_eq!(exponential(which, Increment::default(), 31.0).bits(), 0, "{which:?}");
    }
    assert_eq!(frequency::float::exponential(base, f32::INFINITY), Increment::MAX);
    assert_eq!(frequency::float::exponential(base, f32::NEG_INFINITY).bits(), 0);
    assert_eq!(frequency::float::exponential(base, f32::NAN).bits(), 0);
    assert_eq!(frequency::float::linear(base, 1 << 20, f32::NAN), base);
}

fn exponential(which: Twin, base: Increment, octaves: f64) -> Increment {
    match which {
        Twin::Float => frequency::float::exponential(base, octaves as f32),
        _ => frequency::fixed::exponential(base, I6F26::from_num(octaves)),
    }
}

/// Largest relative error of 2^x that the twin's arithmetic allows, besides whole units.
///
/// Fit 7.49e-8. f32, in units of 2^-24 of a result of 1 or more: coefficients 1.2 (½ + ½ + ⅛ +
/// ...), products and sums 2.6 (1 + ½ + ½ + ¼ + ¼ + ...), x 0.4 (½ ln 2), base and last product 1
/// each. Fixed: five floored products and six rounded coefficients, 8 units of 2^-31.
fn exponential_bound(which: Twin) -> f64 {
    let fit = tables::exp2_minimax(5).unwrap().unwrap().error;
    fit + match which {
        Twin::Float => 6.2 * 2.0_f64.powi(-24),
        _ => 8.0 * LSB,
    }
}

/// The grid holds every 2^-16 octave of six octaves, which covers each value of the fraction's
/// upper 16 bits, and all 64 octaves at their own places.
#[test]
fn exponential_modulation_is_exact_to_its_fit_and_format() {
    for which in TWINS {
        let mut worst = 0.0_f64;
        for (base, low, high) in [(1 << 25, -3, 3), (0x7654_3210, -30, 0), (1 << 26, -5, 5)] {
            let steps = if high - low > 10 { 12 } else { 16 };
            for i in (low << steps)..(high << steps) {
                let octaves = f64::from(i) / f64::from(1 << steps);
                let found = exponential(which, Increment::saturating_from_bits(base), octaves);
                let exact = f64::from(base) * octaves.exp2();
                // Results are rounded to whole increments.
                let error = ((f64::from(found.bits()) - exact).abs() - 0.5).max(0.0) / exact;
                worst = worst.max(error);
            }
        }
        let bound = exponential_bound(which);
        assert!(worst <= bound, "{which:?}: {worst:e}, allowed {bound:e}");
        assert!(worst * 16.0 > bound, "{which:?}: {worst:e}, tighten {bound:e}");
    }
}

#[test]
fn exponential_coefficients_are_those_of_the_table() {
    let table = tables::exp2_minimax(5).unwrap().unwrap();
    assert_eq!(table.coefficients.len(), EXP2_MINIMAX.len());
    for (coefficient, tabled) in EXP2_MINIMAX.iter().zip(&table.coefficients) {
        assert!((coefficient - tabled).abs() <= 1e-16 + tabled * f64::EPSILON, "{tabled}");
    }
    assert!((table.error / 7.49e-8 - 1.0).abs() < 1e-3);
}

/// The depth in octaves, as the pitch meter reads it from the sound: a note asked for at `hz` is
/// played from a base so many octaves away.
#[test]
fn exponential_depth_is_read_back_in_octaves() {
    for which in TWINS {
        for octaves in [-2.0_f64, -1.0, -7.0 / 12.0, 0.31, 1.0, 3.0] {
            let cents = 1200.0 / std::f64::consts::LN_2 * exponential_bound(which);
            check::oscillator(Shape::Sine, move |note| {
                let base = note.hz / note.rate_hz / octaves.exp2() * CYCLE;
                let base = Increment::saturating_from_bits(base.round() as u32);
                // f32 octaves: half of 2^-22 octave at most, 0.00015 cent.
                let drive = Drive::steady(exponential(which, base, octaves));
                let setup = Setup { shape: Wave::Sine, ..Setup::default() };
                let mut sine = plumbtone_voice::oscillators::sine::Float::new(&setup);
                move || sine.tick(&drive)
            })
            .keys([57, 69, 88])
            .rates([44_100])
            // Base and result are rounded to half a unit each, and three octaves make four units of
            // the base's: 4.5 units of 44100/2^32 Hz at 220 Hz are 0.000 36 cent.
            .pitch_within_cents(cents + 0.000_15 + 0.000_36)
            .assert();
        }
    }
}

/// A width that swings as 1/2 + a·sin θ: the pulse is ramp(φ − w) − ramp(φ) + 2w − 1, and each
/// harmonic −(2/πk) sin(2πk(φ − w)) spreads over lines k·f0 + n·fm by J_n(2πka), with the two-point
/// kernel's sinc² on top. (Derived: the series of the ramp and of `sin(a + β sin b)`.)
#[test]
fn width_modulation_spreads_each_harmonic_by_bessel_lines() {
    const NOTE: u32 = 91;
    const MODULATOR: u32 = 8;
    const DEPTH: f64 = 0.3;
    let n = COHERENT_SAMPLES as f64;
    let increment = Increment::saturating_from_bits(NOTE << 16);
    let width = |t: f64| {
        let w = 0.5 + DEPTH * (TAU * (f64::from(MODULATOR) / n * t).fract()).sin();
        Width::new(w).unwrap()
    };
    let count = SETTLE_SAMPLES + COHERENT_SAMPLES;
    // The drive of sample t describes the interval that ends at t + 1.
    let drives: Vec<Drive> =
        (0..count).map(|t| Drive { increment, width: width(t as f64 + 1.0), sync: None }).collect();
    let setup = Setup { shape: Wave::Pulse, width: width(0.0), start: 1 << 15, ..setup() };
    for (module, power, latency) in [("spline2", 2, 0.0), ("spline4", 4, 1.0)] {
        for which in TWINS {
            let bins = bins(&driven(module, which, setup, &drives));
            let rounding = yardstick(module, &setup).rounding(which, 0.01).0;
            for k in 1..=4_u32 {
                for order in -6..=6_i32 {
                    let bin = (k * NOTE) as i32 + order * MODULATOR as i32;
                    let x = f64::from(bin) / n;
                    let weight = 2.0 / (PI * f64::from(k));
                    let modulated = jn(order, TAU * f64::from(k) * DEPTH);
                    // The width's mean of 1/2 turns harmonic k by k half turns; at n = 0 the fixed
                    // edge is subtracted.
                    let turned = if k % 2 == 1 { -modulated } else { modulated };
                    let ideal = weight * (turned - f64::from(u8::from(order == 0)));
                    let expected = 0.5 * ideal.abs() * sinc(x).powi(power);
                    // The images of what stands near the rate: their harmonics are NOTE apart and
                    // reach this line with (x/(1 ∓ x))^power of 2/(πk'), k' = N/NOTE, over and
                    // over again at each multiple of the rate (π²/3 of the first, both sides), from
                    // both edges. And a width that moves along chords: (2πm)²/8 of the depth.
                    let image = 2.0 * PI / 3.0 * f64::from(NOTE) / n * (x / (1.0 - x)).powi(power);
                    let chord = DEPTH * (TAU * f64::from(MODULATOR) / n).powi(2) / 8.0;
                    let allowed = rounding + image + chord;
                    let error = (bins[bin as usize].norm() - expected).abs();
                    assert!(
                        error <= allowed,
                        "{module} {which:?} line {k} {order:+}: {error:e}, allowed {allowed:e}"
                    );
                }
            }
            // The mean width: 2w − 1 at the modulator itself.
            let swing = bins[MODULATOR as usize].norm();
            assert!((swing - DEPTH).abs() <= rounding + 2e-7, "{module}: {swing}, late {latency}");
        }
    }
}

/// Width jumps with every sample, at notes high and low: each output sample is what the corners
/// of the drawn waveform give under the kernel, and no click stands out of ±0.5, since the kernel
/// is nowhere negative.
#[test]
fn width_modulation_has_no_click_that_its_kernel_does_not_allow() {
    let mut seed = 7_u64;
    let mut random = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 32) as u32
    };
    for increment in [3 << 20, 40 << 20, 0x1234_5678, 0x7000_0001] {
        let widths: Vec<Width> = (0..4000).map(|_| Width::saturating_from_bits(random())).collect();
        let start = random();
        let setup = Setup { shape: Wave::Pulse, width: widths[0], start, ..setup() };
        let drives: Vec<Drive> = widths[1..]
            .iter()
            .map(|&width| Drive {
                increment: Increment::saturating_from_bits(increment),
                width,
                sync: None,
            })
            .collect();
        for (module, correction, latency) in
            [("spline2", Correction::TwoPoint, 0), ("spline4", Correction::FourPoint, 1)]
        {
            let (ideal, doubt) = smoothed(start, increment, &widths, correction);
            for which in TWINS {
                let p = f64::from(increment) / CYCLE;
                // One meeting per interval from the width's own motion, on top of two per cycle:
                // as many edges as a steady pulse has half a cycle per sample higher.
                let bound = yardstick(module, &setup).rounding(which, p + 0.5).0;
                let out = driven(module, which, setup, &drives);
                for t in 4..3990 {
                    let error = (out[t + latency] - ideal[t]).abs();
                    let allowed = bound + doubt[t];
                    let of = format!("{module} {which:?} {increment:#x} sample {t}");
                    assert!(error <= allowed, "{of}: {error:e}, allowed {allowed:e}");
                    assert!(out[t + latency].abs() <= 0.5 + allowed, "{of}: {}", out[t + latency]);
                }
            }
        }
    }
}

/// The pulse whose width moves along straight lines between samples, edge by edge in f64, and how
/// far each sample may be off because the voice counts a moving edge in half units of phase: past
/// and speed are each floored, so the age errs by 2·2/gain at most, and so does a step of 1.
fn smoothed(
    start: u32,
    increment: u32,
    widths: &[Width],
    correction: Correction<'_>,
) -> (Vec<f64>, Vec<f64>) {
    let p = f64::from(increment) / CYCLE;
    let mut edges = Vec::new();
    let mut levels = Vec::new();
    let mut phase = f64::from(start) / CYCLE;
    for (t, pair) in widths.windows(2).enumerate() {
        let (from, to) = (pair[0].fraction(), pair[1].fraction());
        levels.push(if phase < from { 0.5 } else { -0.5 });
        let t = t as f64;
        // Time at which the phase wraps, and the times at which it meets the width before and
        // after: phase + p·u = cycle + from + (to − from)·u.
        let wrap = (1.0 - phase) / p;
        for cycle in [0.0, 1.0] {
            let meeting = (cycle + from - phase) / (p - (to - from));
            let inside = (0.0..1.0).contains(&meeting);
            if inside && (if cycle == 0.0 { meeting < wrap } else { meeting >= wrap }) {
                let falls = p > to - from;
                let units = (p - (to - from)).abs() * CYCLE;
                edges.push((t + meeting, if falls { -1.0 } else { 1.0 }, 4.0 / units));
            }
        }
        if wrap <= 1.0 {
            edges.push((t + wrap, 1.0, 0.0));
        }
        phase += p;
        if phase >= 1.0 {
            phase -= 1.0;
        }
    }
    let mut doubt = vec![0.0; levels.len()];
    for (at, height, doubtful) in edges {
        let first = (at.floor() as usize).saturating_sub(2);
        let reached = levels.len().min(first + 6);
        for (t, level) in levels.iter_mut().enumerate().take(reached).skip(first) {
            *level += height * correction.step_residual(t as f64 - at);
            doubt[t] += doubtful;
        }
    }
    (levels, doubt)
}
