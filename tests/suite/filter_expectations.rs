//! What the bench expects of filters, held against the twins: how far they may be off, and how
//! they hiss.

use fixed::types::I1F31;
use plumbtone::expect::filters::Expected;
use plumbtone::theory::evaluation::{Coefficients, NO_PUSHES};
use plumbtone::{Settings, Twin};
use plumbtone_voice::filters::ENTRIES;
use plumbtone_voice::{FilterEntry, Increment, Rate, Resonance, Tuning};

use crate::common::{CYCLE, TWINS, largest, rms};

const RATE: u32 = 48_000;

fn entry(module: &str) -> &'static FilterEntry {
    ENTRIES.iter().find(|entry| entry.name == module).unwrap()
}

fn settings(module: &str, text: &str) -> Settings {
    let mut settings = Settings::new();
    for word in text.split_whitespace() {
        let (name, value) = word.split_once('=').unwrap();
        settings.set(module, entry(module).parameters, name, value).unwrap();
    }
    settings
}

fn tuning(cycles: f64, resonance: f64) -> Tuning {
    let cutoff = Increment::saturating_from_bits((cycles * CYCLE).round() as u32);
    Tuning { cutoff, resonance: Resonance::new(resonance).unwrap() }
}

/// Uniform noise within ±`peak` with all digits of f64.
fn noise(count: usize, peak: f64) -> Vec<f64> {
    let mut state = 7_u64;
    let next = |_| {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 / 4_503_599_627_370_496.0 - 1.0) * peak
    };
    (0..count).map(next).collect()
}

/// What a twin makes of an input under a tuning per sample.
fn play(
    module: &str,
    settings: &Settings,
    twin: Twin,
    input: &[f64],
    tuning: impl Fn(usize) -> Tuning,
) -> Vec<f64> {
    let (rate, entry) = (Rate::new(RATE).unwrap(), entry(module));
    let mut out = Vec::with_capacity(input.len());
    let numbered = input.iter().enumerate();
    settings
        .lend(|values| match twin {
            Twin::Float => (entry.float)(rate, values, &mut |filter| {
                let tick = |(n, x): (usize, &f64)| filter.tick(*x as f32, &tuning(n));
                out.extend(numbered.clone().map(tick).map(f64::from));
            }),
            _ => (entry.fixed)(rate, values, &mut |filter| {
                let tick =
                    |(n, x): (usize, &f64)| filter.tick(I1F31::saturating_from_num(*x), &tuning(n));
                out.extend(numbered.clone().map(tick).map(|y| y.to_num::<f64>()));
            }),
        })
        .unwrap();
    out
}

/// The exact evaluation under coefficients that stay.
fn exact(expected: &Expected, input: &[f64], coefficients: &Coefficients) -> Vec<f64> {
    let mut evaluation = expected.algorithm().start();
    input.iter().map(|x| evaluation.step(*x, coefficients, &NO_PUSHES)).collect()
}

fn coefficients(expected: &Expected, tuning: &Tuning) -> Coefficients {
    let (cutoff, resonance) = expected.held(tuning, RATE);
    expected.algorithm().coefficients(cutoff, resonance)
}

/// Noise that keeps the output below full scale, where fixed twins saturate, with its peak and
/// what the evaluation makes of it.
fn busy(
    expected: &Expected,
    count: usize,
    coefficients: &Coefficients,
) -> (Vec<f64>, f64, Vec<f64>) {
    let input = noise(count, 0.25);
    let out = exact(expected, &input, coefficients);
    let most = largest(out.iter().copied());
    if most < 0.99 {
        return (input, 0.25, out);
    }
    let peak = 0.25 * 0.9 / most;
    let input = noise(count, peak);
    let out = exact(expected, &input, coefficients);
    (input, peak, out)
}

/// Linear filters with the settings that change their sums.
const LINEAR: [(&str, &[&str]); 7] = [
    ("ladder", &["", "output=low6", "output=band24 compensation=0.5", "output=high24"]),
    ("ladder-delay", &["", "output=low12 compensation=0.5", "output=high12"]),
    ("ladder-naive", &["", "output=low6 compensation=0.5", "output=band12"]),
    ("state-variable", &["", "output=band", "output=high", "output=notch"]),
    ("state-variable-loop", &["", "output=band", "output=high", "output=notch"]),
    ("one-pole", &["", "output=high"]),
    ("dc-blocker", &[""]),
];

const CUTOFFS_HZ: [f64; 5] = [50.0, 400.0, 3_000.0, 9_000.0, 19_200.0];
const RESONANCES: [f64; 5] = [0.0, 0.25, 0.61, 0.8, 0.95];

/// Every case of a linear filter that decays.
fn cases(module: &str, all: &[&str], mut f: impl FnMut(&str, &Settings, &Expected, Tuning)) {
    for text in all {
        let settings = settings(module, text);
        let expected = Expected::new(module, &settings).unwrap();
        for hz in CUTOFFS_HZ {
            for resonance in RESONANCES {
                if resonance > 0.0 && matches!(module, "one-pole" | "dc-blocker") {
                    continue;
                }
                let tuning = tuning(hz / f64::from(RATE), resonance);
                // Loops with a delay oscillate early at high cutoffs.
                let stable = expected.rounding(Twin::Exact, &tuning, RATE, 0.25).is_ok();
                assert!(stable || module.starts_with("ladder-"), "{module} {hz} {resonance}");
                if stable {
                    f(
                        &format!("{module} {text} {hz} Hz {resonance}"),
                        &settings,
                        &expected,
                        tuning,
                    );
                }
            }
        }
    }
}

#[test]
fn linear_twins_stay_within_their_bounds() {
    for (module, all) in LINEAR {
        for twin in TWINS {
            let (mut worst, mut place) = (0.0_f64, String::new());
            let mut least = f64::INFINITY;
            cases(module, all, |name, settings, expected, tuning| {
                let c = coefficients(expected, &tuning);
                let (input, peak, truth) = busy(expected, 1 << 15, &c);
                let out = play(module, settings, twin, &input, |_| tuning);
                let off = largest(out.iter().zip(&truth).map(|(a, b)| a - b));
                let bound = expected.rounding(twin, &tuning, RATE, peak).unwrap();
                assert!(off <= bound, "{name} {twin:?}: {off:e} > {bound:e}");
                least = least.min(off / bound);
                if off / bound > worst {
                    (worst, place) = (off / bound, name.to_owned());
                }
            });
            println!("{module} {twin:?}: {worst:.3} of its bound ({place}), least {least:.4}");
            // More than 16 times better would be slack.
            assert!(worst > 1.0 / 16.0, "{module} {twin:?}: {worst}");
        }
    }
}

/// Least squares: what is left of `error` once constants and `parts` are taken out.
fn leftover(error: &[f64], parts: &[Vec<f64>]) -> Vec<f64> {
    let mut basis: Vec<Vec<f64>> = Vec::new();
    let ones = vec![1.0; error.len()];
    let mut left = error.to_vec();
    for part in std::iter::once(&ones).chain(parts) {
        let mut part = part.clone();
        // Twice is enough for orthogonality (Gram and Schmidt; Kahan and Parlett, from memory).
        for _ in 0..2 {
            for known in &basis {
                let share = dot(&part, known);
                part.iter_mut().zip(known).for_each(|(p, k)| *p -= share * k);
            }
        }
        let size = dot(&part, &part).sqrt();
        if size > 0.0 {
            part.iter_mut().for_each(|p| *p /= size);
            let share = dot(&left, &part);
            left.iter_mut().zip(&part).for_each(|(e, p)| *e -= share * p);
            basis.push(part);
        }
    }
    left
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Rms, and its relative standard deviation from that of 16 parts, which are longer than anything
/// rings here: 12 000 samples at 50 Hz and resonance 0.95.
fn level(values: &[f64]) -> (f64, f64) {
    const PARTS: usize = 16;
    let powers: Vec<f64> = values
        .chunks_exact(values.len() / PARTS)
        .map(|part| rms(part.iter().copied()).powi(2))
        .collect();
    let mean = powers.iter().sum::<f64>() / PARTS as f64;
    let spread = rms(powers.iter().map(|power| power / mean - 1.0));
    (mean.sqrt(), 0.5 * spread / (PARTS as f64 - 1.0).sqrt())
}

/// Rounding noise of a fixed twin: rms, three standard deviations of it in dB, rms of the input.
struct Hiss {
    rms: f64,
    unsure_db: f64,
    input_rms: f64,
}

fn hiss(
    module: &str,
    settings: &Settings,
    expected: &Expected,
    tuning: Tuning,
    count: usize,
) -> Hiss {
    let c = coefficients(expected, &tuning);
    let (input, peak, truth) = busy(expected, count, &c);
    let out = play(module, settings, Twin::Fixed, &input, |_| tuning);
    let error: Vec<f64> = out.iter().zip(&truth).map(|(a, b)| a - b).collect();
    // What a coefficient that is off does, to first order.
    let change = |pole: f64, feedback: f64| {
        let c = Coefficients { pole: c.pole * (1.0 + pole), feedback: c.feedback + feedback };
        let moved = exact(expected, &input, &c);
        moved.iter().zip(&truth).map(|(a, b)| a - b).collect::<Vec<f64>>()
    };
    let parts = [change(1e-5, 0.0), change(0.0, -1e-5), truth.clone(), input.clone()];
    let skip = 1 << 14;
    let parts = parts.map(|part| part[skip..].to_vec());
    let (rms, spread) = level(&leftover(&error[skip..], &parts));
    // Three, as there are 300 cases.
    Hiss { rms, unsure_db: 8.686 * 3.0 * spread, input_rms: peak / 3f64.sqrt() }
}

#[test]
fn fixed_twins_hiss_as_predicted() {
    for (module, all) in LINEAR {
        let (mut sharp, mut count, mut sharply, mut none) = (0.0_f64, 0, 0, 0);
        let (mut worst, mut place) = (0.0_f64, String::new());
        cases(module, all, |name, settings, expected, tuning| {
            // Noise that rings for tau samples tells its power within sqrt(tau/N).
            let slow = tuning.cutoff.cycles_per_sample() < 0.005
                && coefficients(expected, &tuning).feedback > 0.6;
            let found = hiss(module, settings, expected, tuning, 1 << if slow { 19 } else { 18 });
            let noise = expected.noise(Twin::Fixed, &tuning, RATE, found.input_rms).unwrap();
            let Some(noise) = noise else {
                // 2R next to 1/10 or 39/50, see the next test.
                assert!(module == "state-variable-loop", "{name}");
                none += 1;
                return;
            };
            let off = 20.0 * (found.rms / noise.rms).log10();
            let (limit, unsure) = (noise.limit_db, found.unsure_db);
            assert!(off.abs() <= limit + unsure, "{name}: {off:.3} dB ± {unsure:.3}, {limit:.3}");
            count += 1;
            if unsure <= 0.1 && limit <= 0.1 {
                sharply += 1;
                sharp = sharp.max(off.abs());
            }
            if off.abs() > worst.abs() {
                (worst, place) = (off, format!("{name} ± {unsure:.3}, limit {limit:.3}"));
            }
        });
        println!(
            "{module}: {count} cases, {none} not predicted; {sharply} known within 0.1 dB, off by \
             {sharp:.3} dB; all: {worst:.3} dB ({place})"
        );
    }
}

/// Where 2R is next to 1/10, every tenth product is a tie that the sign of the signal decides: a
/// line that rings at the cutoff. A little beside, the same filter hisses as predicted.
#[test]
fn ties_that_follow_the_signal_are_not_predicted() {
    let settings = Settings::new();
    let expected = Expected::new("state-variable-loop", &settings).unwrap();
    let excess = [0.95, 0.950_3].map(|resonance| {
        let tuning = tuning(50.0 / f64::from(RATE), resonance);
        let found = hiss("state-variable-loop", &settings, &expected, tuning, 1 << 21);
        let noise = expected.noise(Twin::Fixed, &tuning, RATE, found.input_rms).unwrap();
        (found, noise)
    });
    let [(tied, None), (free, Some(noise))] = excess else {
        panic!("predicted where it cannot be")
    };
    let off = 20.0 * (free.rms / noise.rms).log10();
    println!("free {off:.3} dB ± {:.3}", free.unsure_db);
    assert!(off.abs() <= noise.limit_db + free.unsure_db, "{off} dB");
    let more = 20.0 * (tied.rms / free.rms).log10();
    println!("tied {more:.3} dB above ± {:.3}", tied.unsure_db);
    assert!(more > tied.unsure_db + free.unsure_db, "{more} dB");
}

/// The cutoff at which an algorithm has this coefficient, by halving.
fn cutoff_of(expected: &Expected, pole: f64) -> f64 {
    let (mut low, mut high) = (0.0, 0.45);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if expected.algorithm().coefficients(middle, 0.0).pole < pole {
            low = middle
        } else {
            high = middle
        }
    }
    low
}

/// A coefficient that keeps 16 bits.
#[test]
fn bounds_reject_short_coefficients() {
    for (module, _) in LINEAR {
        let settings = Settings::new();
        let expected = Expected::new(module, &settings).unwrap();
        for hz in [50.0, 400.0] {
            for resonance in [0.0, 0.8] {
                let right = tuning(hz / f64::from(RATE), resonance);
                let c = coefficients(&expected, &right);
                // Trapezoidal twins keep G = t/(1 + t).
                let trapezoidal =
                    !matches!(module, "ladder-delay" | "ladder-naive" | "state-variable-loop");
                let kept = if trapezoidal { c.pole / (1.0 + c.pole) } else { c.pole };
                let short = (kept * 65_536.0).floor() / 65_536.0;
                let short = if trapezoidal { short / (1.0 - short) } else { short };
                let wrong = tuning(cutoff_of(&expected, short), resonance);
                let (input, peak, truth) = busy(&expected, 1 << 15, &c);
                for twin in TWINS {
                    let out = play(module, &settings, twin, &input, |_| wrong);
                    let off = largest(out.iter().zip(&truth).map(|(a, b)| a - b));
                    let bound = expected.rounding(twin, &right, RATE, peak).unwrap();
                    assert!(
                        off > bound,
                        "{module} {twin:?} {hz} {resonance}: {off:e} <= {bound:e}"
                    );
                }
            }
        }
    }
}

/// An input of one bit less makes the input's rounding four times as strong.
#[test]
fn noise_rejects_a_bit_less() {
    for (module, _) in LINEAR {
        let settings = Settings::new();
        let expected = Expected::new(module, &settings).unwrap();
        let tuning = tuning(0.1, 0.0);
        let c = coefficients(&expected, &tuning);
        let (input, peak, truth) = busy(&expected, 1 << 18, &c);
        let short: Vec<f64> =
            input.iter().map(|x| (x * 67_108_864.0).round() / 67_108_864.0).collect();
        let out = play(module, &settings, Twin::Fixed, &short, |_| tuning);
        let error: Vec<f64> = out.iter().zip(&truth).map(|(a, b)| a - b).collect();
        let (found, _) = level(&leftover(&error, &[truth, input]));
        let noise =
            expected.noise(Twin::Fixed, &tuning, RATE, peak / 3f64.sqrt()).unwrap().unwrap();
        let off = 20.0 * (found / noise.rms).log10();
        println!("{module}: {off:.2} dB");
        assert!(off > 3.0 * noise.limit_db, "{module}: {off} dB");
        // And one too quiet to be random has no prediction.
        assert!(expected.noise(Twin::Fixed, &tuning, RATE, 1e-9).unwrap().is_none());
        assert!(expected.noise(Twin::Float, &tuning, RATE, 0.1).unwrap().is_none());
    }
}

/// The saturating ladder, sample by sample with its latency.
#[test]
fn saturating_twins_stay_within_their_bounds() {
    for twin in TWINS {
        let mut worst = [0.0_f64; 3];
        for (which, oversampling) in ["1x", "2x", "4x"].into_iter().enumerate() {
            for text in ["", "output=low12 compensation=0.5", "output=high12", "drive=4"] {
                let settings =
                    settings("ladder-tanh", &format!("oversampling={oversampling} {text}"));
                let expected = Expected::new("ladder-tanh", &settings).unwrap();
                for hz in [400.0, 9_000.0] {
                    for resonance in [0.0, 0.5, 0.9] {
                        let tuning = tuning(hz / f64::from(RATE), resonance);
                        let c = coefficients(&expected, &tuning);
                        let (input, peak, truth) = busy(&expected, 1 << 12, &c);
                        let out = play("ladder-tanh", &settings, twin, &input, |_| tuning);
                        let off = largest(out.iter().zip(&truth).map(|(a, b)| a - b));
                        let bound = expected.rounding(twin, &tuning, RATE, peak).unwrap();
                        assert!(
                            off <= bound,
                            "{twin:?} {oversampling} {text} {hz} {resonance}: {off:e} > {bound:e}"
                        );
                        worst[which] = worst[which].max(off / bound);
                    }
                }
            }
        }
        println!("ladder-tanh {twin:?}: {worst:.3?} of its bound at 1x, 2x, 4x");
    }
}

/// Both twins and the evaluation agree on when a tuning takes effect: at its own sample.
#[test]
fn modulated_twins_keep_to_the_evaluation() {
    let input = noise(1 << 14, 0.1);
    let at = |n: usize| {
        let t = n as f64;
        tuning(0.02 * (3.0 * (0.31 * t).sin()).exp2(), 0.4 + 0.3 * (0.23 * t).cos())
    };
    for entry in ENTRIES {
        let settings = Settings::new();
        let expected = Expected::new(entry.name, &settings).unwrap();
        let follow = |late: usize| -> Vec<f64> {
            let mut evaluation = expected.algorithm().start();
            let ticks = input.iter().enumerate().map(|(n, x)| {
                let (cutoff, resonance) = expected.held(&at(n.saturating_sub(late)), RATE);
                evaluation.tick(*x, cutoff, resonance, &NO_PUSHES)
            });
            ticks.collect()
        };
        let (truth, late) = (follow(0), follow(1));
        let apart = largest(truth.iter().zip(&late).map(|(a, b)| a - b));
        for twin in TWINS {
            let out = play(entry.name, &settings, twin, &input, at);
            let off = largest(out.iter().zip(&truth).map(|(a, b)| a - b));
            println!("{} {twin:?} modulated: {off:.1e}, a sample late {apart:.1e}", entry.name);
            // −100 dBFS: far below what can be heard, far above the bounds of a steady tuning.
            assert!(off <= 1e-5 && apart > 1e-3, "{} {twin:?}: {off:e} {apart:e}", entry.name);
        }
    }
}

#[test]
fn expectations_name_what_they_cannot_do() {
    let error = Expected::new("ladders", &Settings::new()).unwrap_err().to_string();
    assert!(error.contains("ladder-delay") && error.contains("ladders"), "{error}");
    let ladder = Expected::new("ladder", &Settings::new()).unwrap();
    let edge = tuning(0.01, 1.0);
    assert!(ladder.rounding(Twin::Fixed, &edge, RATE, 0.25).is_err());
    assert!(ladder.noise(Twin::Fixed, &edge, RATE, 0.25).is_err());
    assert_eq!(ladder.coefficient_errors(Twin::Exact, 0.01), [0.0; 3]);
    let [float, fixed] = TWINS.map(|twin| ladder.coefficient_errors(twin, 0.01));
    // Heads of prewarp.rs and of the ladder: 3.3e-7 of the fit, and rounding.
    assert!(float[0] > 3.26e-7 && float[0] < 8e-7 && fixed[0] > 3.26e-7 && fixed[0] < 4e-7);
    for entry in ENTRIES {
        let expected = Expected::new(entry.name, &Settings::new()).unwrap();
        assert!(!expected.because().is_empty() && !expected.reference().citation.is_empty());
    }
}
