//! Filters beyond small signals: the driven tanh ladder against its differential equation, what it
//! aliases, what saturates, and what is left when the input stops.

use fixed::types::I1F31;
use num_complex::Complex64;
use plumbtone_measure::aliasing::Aliasing;
use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::db;
use plumbtone_measure::intermodulation::TwoTone;
use plumbtone_theory::tables::{self, LadderDriveRow};
use plumbtone_voice::filters::ENTRIES;
use plumbtone_voice::{FilterEntry, Increment, Rate, Resonance, Tuning, Values, halfband};
use std::f64::consts::{PI, TAU};

const CYCLE: f64 = 4_294_967_296.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Twin {
    Float,
    Fixed,
}
const TWINS: [Twin; 2] = [Twin::Float, Twin::Fixed];

const RATE_HZ: u32 = 192_000;

fn entry(name: &str) -> &'static FilterEntry {
    ENTRIES.iter().find(|entry| entry.name == name).unwrap()
}

fn tuning(cycles: f64, resonance: f64) -> Tuning {
    let cutoff = Increment::saturating_from_bits((cycles * CYCLE).round() as u32);
    Tuning { cutoff, resonance: Resonance::new(resonance).unwrap() }
}

/// What a new filter makes of an input.
fn run(
    name: &str,
    twin: Twin,
    values: &[(&str, f64)],
    set: Tuning,
    input: impl Iterator<Item = f64>,
) -> Vec<f64> {
    let (rate, values, mut out) = (Rate::new(RATE_HZ).unwrap(), Values(values), Vec::new());
    let mut input = Some(input);
    match twin {
        Twin::Float => (entry(name).float)(rate, &values, &mut |filter| {
            let input = input.take().unwrap();
            out.extend(input.map(|x| f64::from(filter.tick(x as f32, &set))));
        }),
        Twin::Fixed => (entry(name).fixed)(rate, &values, &mut |filter| {
            let input = input.take().unwrap();
            let tick = |x| filter.tick(I1F31::saturating_from_num(x), &set).to_num::<f64>();
            out.extend(input.map(tick));
        }),
    }
    .unwrap();
    out
}

// ---------------------------------------------------------------------------- drive

/// Gain on the way to the inner rate, and on the way back: the half-bands by their taps. Cycles per
/// outer sample, which may lie beyond half of the outer rate.
fn passband(doublings: usize, cycles: f64) -> f64 {
    let gain = |taps: &[f64], x: f64| {
        let far = (1..).step_by(2).zip(taps);
        0.5 + far.map(|(n, tap)| 2.0 * tap * (TAU * x * f64::from(n)).cos()).sum::<f64>()
    };
    let outer = if doublings > 0 { gain(&halfband::OUTER, cycles / 2.0) } else { 1.0 };
    let inner = if doublings > 1 { gain(&halfband::INNER, cycles / 4.0) } else { 1.0 };
    outer * inner
}

/// Lines at the orders of a row, re the amplitude of a sine, sines from phase 0.
fn driven(twin: Twin, doublings: usize, row: &LadderDriveRow) -> [Complex64; 4] {
    let drive = (2.0 * row.amplitude).max(0.5);
    let values = [("drive", drive), ("oversampling", doublings as f64)];
    let latency = (entry("ladder-tanh").latency_samples)(&Values(&values)).unwrap();
    let cutoff = row.step * f64::from(1 << doublings);
    let unit = row.ratio * cutoff;
    let len = (1.0 / unit).round() as usize;
    let amplitude =
        |order: u32| row.amplitude / drive / passband(doublings, unit * f64::from(order));
    let tone = |order| Tone::new(order, len).unwrap();
    let sine = |order: u32| {
        let tone = tone(order);
        (0..len).map(move |n| amplitude(order) * (TAU * tone.turns(n)).sin()).collect::<Vec<_>>()
    };
    let period = if row.tones == 1 {
        sine(1)
    } else {
        TwoTone::new(tone(9), tone(11)).unwrap().stimulus(amplitude(9), amplitude(11))
    };
    // Time constants until 1e-8 is left: of the slowest pole, or of a stage in its bend.
    let settle = 60.0 * row.amplitude.max(1.0) + 250.0 * row.k;
    let periods = (settle / (TAU * cutoff * len as f64)).ceil() as usize;
    let input = period.iter().copied().cycle().take((periods + 1) * len);
    let out = run("ladder-tanh", twin, &values, tuning(cutoff, row.k / 4.0), input);
    let record = &out[periods * len..];
    let found: [Complex64; 4] = if row.tones == 1 {
        let mut analyser = Coherent::new(len).unwrap();
        let lines: Vec<_> = analyser.analyse(record).unwrap().lines(tone(1)).unwrap().collect();
        row.orders().map(|order| lines[order as usize - 1].amplitude)
    } else {
        let products = TwoTone::new(tone(9), tone(11)).unwrap().analyse(record, 3).unwrap();
        [(2, -1), (1, 0), (0, 1), (1, -2)].map(|(a, b)| products.get(a, b).unwrap().amplitude)
    };
    std::array::from_fn(|i| {
        let cycles = unit * f64::from(row.orders()[i]);
        let turn = Complex64::from_polar(1.0, TAU * cycles * latency) * Complex64::i();
        found[i] * turn * drive / row.amplitude / passband(doublings, cycles)
    })
}

fn line(row: &LadderDriveRow, i: usize) -> Complex64 {
    Complex64::from_polar(10f64.powf(row.level_db[i] / 20.0), row.phase_rad[i])
}

/// Largest relative change of the response per relative change of the frequency, among the ratios of
/// the table: |4 s (1+s)³ / ((1+s)⁴ + k)| at s = j, and towards 4 where there is no feedback.
fn steepest(k: f64) -> f64 {
    if k > 0.0 { 128f64.sqrt() / (4.0 - k) } else { 4.0 }
}

/// How far a line may lie from the trapezoidal rule, re the amplitude of a sine.
///
/// The head of `ladder_tanh.rs` bounds the rounding of small signals; of a periodic error of peak e no
/// line is above 4/π e. A stage in its bend forgets an error the slower, by its slope there.
fn allowed(twin: Twin, row: &LadderDriveRow, i: usize) -> f64 {
    let k = row.k;
    // Response from the loop input: two pairs of modes (s+1)⁴ = -k, residues 1/(4 k^(3/4)).
    let decay = 1.0 - (k / 4.0).powf(0.25);
    let pair = 0.5 * k.powf(-0.75);
    let norm = if k > 0.0 { pair / decay + pair / (2.0 - decay) } else { 1.0 };
    let tanh = 3e-7 * (4.0 + k);
    let last = row.amplitude * (0..4).map(|i| line(row, i).norm()).sum::<f64>();
    let loop_input = f64::from(row.tones) * row.amplitude + k * last;
    let round = match twin {
        Twin::Float => 0.5_f64.powi(24) * (40.0 + 24.0 * k) * loop_input,
        Twin::Fixed => 0.5_f64.powi(28) * (20.0 + 16.0 * k),
    };
    let slope = 1.0 - last.tanh().powi(2);
    // tan πfc is off by the fit and the rounding of `prewarp.rs`, and by g / (1 - g) of f32; the
    // increment is cut to the inner rate. Of the ratios of the table fc itself shows it most; order
    // n has it n times from the way in and once from the way out.
    let cutoff = 3.26e-7 + 1e-7 + if twin == Twin::Float { 7.0 * 0.5_f64.powi(24) } else { 0.0 };
    let order = if row.tones == 1 { [1.0, 3.0, 5.0, 7.0] } else { [3.0, 1.0, 1.0, 3.0] }[i];
    let drift = cutoff * steepest(k) * (1.0 + order) * line(row, i).norm();
    4.0 / PI * (tanh + round) * norm / slope / row.amplitude + drift
}

/// Every line of every row, at an outer cutoff of fs/100: 1/400 of the inner rate at 4x, 1/200 at 2x.
///
/// The trapezoidal rule is not the differential equation. What it makes of it is in the table, so each
/// twin is held to that within its rounding. Its error is quadratic in the step, so 4/3 of what 4x
/// gives less 1/3 of what 2x gives is held to the equation itself.
fn hold_driven(tones: u32) {
    let rows = tables::ladder_drive().unwrap();
    let rows: Vec<_> = rows.into_iter().filter(|row| row.tones == tones).collect();
    assert_eq!(rows.len(), if tones == 1 { 4 * 15 * 3 } else { 15 * 3 });
    for twin in TWINS {
        // Worst dB of tones and of products: 4x and 2x from their rules and from the equation, and
        // the extrapolation. Of the lines that stand 20 dB above what rounding may do.
        let mut worst = [[0.0_f64; 5]; 2];
        let mut clear = 0;
        for group in rows.chunks(3) {
            let [equation, near, far] = group else { panic!("three steps each") };
            assert_eq!([equation.step, near.step, far.step], [0.0, 0.0025, 0.005]);
            let found = [driven(twin, 2, near), driven(twin, 1, far)];
            for i in 0..4 {
                let truth = line(equation, i);
                let [fine, coarse] = [found[0][i], found[1][i]];
                for (found, row) in [(fine, near), (coarse, far)] {
                    let (off, limit) = ((found - line(row, i)).norm(), allowed(twin, row, i));
                    assert!(off <= limit, "{twin:?} {row:?} {i}: {off:e} > {limit:e}");
                }
                let limits = [near, far].map(|row| allowed(twin, row, i));
                // The next order: tan x / x = 1 + x²/3 + 2x⁴/15, and the response bends as it is
                // steep. Re the first that is x² (2/5 + steepest/3) at the larger step, a quarter of
                // which is left; x is that of the highest line or of the cutoff. The table has 8
                // digits.
                let highest = f64::from(equation.orders()[3]) * equation.ratio;
                let x = PI * far.step * highest.max(1.0);
                let next = 0.25 * (0.4 + steepest(equation.k) / 3.0) * x * x;
                let next = next * (line(far, i) - truth).norm();
                let limit = (4.0 * limits[0] + limits[1]) / 3.0 + next + 4e-8 * truth.norm();
                let both = (4.0 * fine - coarse) / 3.0;
                let off = (both - truth).norm();
                assert!(off <= limit, "{twin:?} {equation:?} {i}: {off:e} > {limit:e}");
                let is_tone = [i == 0, i == 1 || i == 2][tones as usize - 1];
                let is_clear = 10.0 * limits[0].max(limits[1]) < truth.norm();
                if is_clear {
                    clear += usize::from(!is_tone);
                    let pairs = [
                        (fine, line(near, i)),
                        (coarse, line(far, i)),
                        (fine, truth),
                        (coarse, truth),
                        (both, truth),
                    ];
                    for (worst, (a, b)) in worst[usize::from(!is_tone)].iter_mut().zip(pairs) {
                        *worst = worst.max(db(a.norm() / b.norm()).abs());
                    }
                }
                // Where distortion is worth hearing, the limits must leave it to be seen.
                let third = tones == 2 || i <= 1;
                let loud = equation.amplitude >= 1.0 && equation.ratio <= 0.5;
                assert!(is_clear || !(third && loud), "{twin:?} {equation:?} {i}: {limits:?}");
            }
        }
        let [tone, product] = worst;
        println!(
            "{tones} tones {twin:?}, worst dB: tones {tone:.6?}, {clear} products {product:.6?}"
        );
    }
}

#[test]
fn driven_ladder_makes_the_harmonics_of_its_differential_equation() {
    hold_driven(1);
}

#[test]
fn driven_ladder_makes_the_intermodulation_of_its_differential_equation() {
    hold_driven(2);
}

// ---------------------------------------------------------------------------- aliasing

/// tanh into one pole in f64, at the inner rate, between the half-bands: bins of the output.
///
/// Without feedback the first pole needs its own input only. The half-bands are taken by their gain,
/// images of the input included; they pick the samples of the inner rate at whole outer samples, at
/// 4x halfway between.
fn one_stage(doublings: usize, tone: Tone, amplitude: f64, cutoff: f64) -> Vec<f64> {
    let (len, factor) = (tone.samples(), 1_usize << doublings);
    let inner = len * factor;
    let line = |cycles: f64, n: usize| {
        let turns = (cycles * n as f64 / factor as f64).fract();
        passband(doublings, cycles) * (TAU * turns).sin()
    };
    let f = f64::from(tone.periods()) / len as f64;
    let g = (PI * cutoff / factor as f64).tan();
    let (mut state, mut v) = (0.0, 0.0_f64);
    let mut out = Vec::with_capacity(inner);
    let period: Vec<f64> = (0..inner)
        .map(|n| amplitude * (0..factor).map(|j| line(f + j as f64, n)).sum::<f64>())
        .collect();
    // The pole forgets at least e^(-2π·0.02·4096) in one period.
    for (n, x) in period.iter().chain(&period).enumerate() {
        for _ in 0..20 {
            let t = v.tanh();
            v -= (v - state - g * (x.tanh() - t)) / (1.0 + g * (1.0 - t * t));
        }
        state = 2.0 * v - state;
        if n >= inner {
            out.push(v);
        }
    }
    let mut folded = vec![Complex64::ZERO; len / 2 + 1];
    for (bin, z) in Coherent::new(inner).unwrap().analyse(&out).unwrap().bins().iter().enumerate() {
        let turns = (bin + len / 2) / len;
        let halfway = if doublings == 2 && turns % 2 == 1 { -1.0 } else { 1.0 };
        let z = z * halfway * passband(doublings, bin as f64 / len as f64);
        let place = bin as i64 - (turns * len) as i64;
        folded[place.unsigned_abs() as usize] += if place < 0 { z.conj() } else { z };
    }
    folded.iter().map(|z| z.norm()).collect()
}

/// Amplitude of an order of tanh(A sin).
fn harmonic(amplitude: f64, order: u32) -> f64 {
    const POINTS: u32 = 4096;
    let turn = |n: u32| TAU * f64::from(n) / f64::from(POINTS);
    let sum: f64 = (0..POINTS)
        .map(|n| (amplitude * turn(n).sin()).tanh() * (turn(n) * f64::from(order)).sin())
        .sum();
    2.0 / f64::from(POINTS) * sum.abs()
}

/// A sine at fs/5: its third harmonic folds to 0.4 fs at 1x. At 2x that is stopped, and the first to
/// come back freely is the ninth, at 4x the nineteenth, both to fs/5.
#[test]
fn oversampling_takes_off_the_aliases_that_decay_and_stop_band_promise() {
    let tone = Tone::new(819, 4096).unwrap();
    let stop = [1.74e-5, 4.3e-6];
    for (amplitude, cutoff) in [(1.0, 0.02), (4.0, 0.02), (1.0, 0.22), (4.0, 0.22)] {
        let drive = 2.0 * amplitude;
        for twin in TWINS {
            let [first, second, third] = [0, 1, 2].map(|doublings| {
                let factor = f64::from(1 << doublings);
                let values =
                    [("drive", drive), ("oversampling", doublings as f64), ("output", 3.0)];
                let input = (0..3 * 4096).map(|n| 0.5 * (TAU * tone.turns(n)).sin());
                let out = run("ladder-tanh", twin, &values, tuning(cutoff, 0.0), input);
                let mut analyser = Coherent::new(4096).unwrap();
                let spectrum = analyser.analyse(&out[2 * 4096..]).unwrap();
                let wanted = one_stage(doublings, tone, amplitude, cutoff);
                let mut worst = 0.0_f64;
                for line in spectrum.lines(tone).unwrap() {
                    let x = line.hz_ratio;
                    let s = (PI * x / factor).tan() / (PI * cutoff / factor).tan();
                    let gain = 1.0 / s.hypot(1.0);
                    // What goes into the pole: two tanh, and sums of the half-bands (l1 norms 1.7
                    // and 1.3) at A. What comes after it: the same sums at the output.
                    let (unit, size) = match twin {
                        Twin::Float => (0.5_f64.powi(24), amplitude),
                        Twin::Fixed => (0.5_f64.powi(27), 1.0),
                    };
                    let into = 2.0 * 2.9e-7 + 8.0 * unit * size;
                    let behind = 16.0 * unit * if twin == Twin::Float { wanted[819] } else { 1.0 };
                    let floor = 4.0 / PI * (into * gain + behind);
                    let found = drive * line.amplitude.norm();
                    let off = (found - wanted[line.bin]).abs();
                    assert!(
                        off <= floor + 2e-6 * wanted[line.bin],
                        "{twin:?} {factor}x A {amplitude} fc {cutoff} order {}: {found:e} {:e} > {floor:e}",
                        line.order,
                        wanted[line.bin]
                    );
                    worst = worst.max(off / floor);
                }
                let rate = f64::from(RATE_HZ);
                let read = Aliasing::of(spectrum, tone, rate, (0.0, 0.5 * rate)).unwrap();
                let reading = read.worst_dbc().unwrap().value;
                println!("alias {twin:?} A {amplitude} fc {cutoff} {factor}x: worst {reading:.1} dBc, all {:.1} dB, off {worst:.2} of the floor", read.alias_to_signal_db());
                reading
            });
            assert!(first > second && second > third, "{first} {second} {third}");
            if cutoff > 0.1 {
                continue;
            }
            // Far below the tone the pole stays straight (slope 1 - 0.13^2, gains within 0.15 dB),
            // so an alias is what tanh made of the sine, times the gain of the pole.
            let gain = |x: f64, factor: f64| {
                1.0 / ((PI * x / factor).tan() / (PI * cutoff / factor).tan()).hypot(1.0)
            };
            let t = |order| harmonic(amplitude, order);
            // Re the fundamental, which all have at the same place.
            let dbc = |x, factor, source| db(source * gain(x, factor) / gain(0.2, factor) / t(1));
            // Through the stop band: all that tanh makes, and the image of the input. Beyond 0.59 fs
            // the pole leaves no more of it than at 0.4; but the image fs - f and the slope's fourth
            // harmonic meet near 0 Hz, where it takes off nothing.
            let leak = stop[0] * ((3..30).step_by(2).map(t).sum::<f64>() + amplitude);
            let stopped = |factor| dbc(0.4, factor, leak).max(dbc(0.0, factor, leak));
            let most = [
                dbc(0.2, 2.0, t(9) + leak).max(stopped(2.0)),
                dbc(0.2, 4.0, t(19) + leak + stop[1] * t(9)).max(stopped(4.0)),
            ];
            // At 1x the fifth folds to one bin from 0 Hz.
            let least = [
                dbc(0.4, 1.0, t(3)).max(dbc(1.0 / 4096.0, 1.0, t(5))),
                dbc(0.2, 2.0, (t(9) - leak).max(0.0)),
            ];
            let found = [first - second, second - third];
            for ((least, most), found) in least.into_iter().zip(most).zip(found) {
                let promised = least - most;
                println!("{twin:?} A {amplitude}: at least {promised:.1} dB, found {found:.1}");
                assert!(found >= promised - 0.3, "{twin:?} {amplitude}: {found} < {promised}");
            }
        }
    }
}

// ---------------------------------------------------------------------------- saturation

/// A step of a one-pole of the trapezoidal rule under any curve: v = s + g (input - curve(v)).
fn pole(s: f64, g: f64, input: f64, curve: fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (-64.0, 64.0);
    for _ in 0..70 {
        let v = 0.5 * (low + high);
        if v + g * curve(v) < s + g * input { low = v } else { high = v }
    }
    low
}

/// A filter as published, in f64, with the output that leaves full scale most.
fn exact(name: &str, cutoff: f64, r: f64, input: &[f64]) -> Vec<f64> {
    let (g, w, k) = ((PI * cutoff).tan(), TAU * cutoff, 4.0 * r);
    let (mut s, mut last) = ([0.0_f64; 4], [0.0_f64; 4]);
    let mut before = 0.0;
    let tick = |x: f64| match name {
        "ladder" | "ladder-tanh" => {
            let (curve, drive): (fn(f64) -> f64, _) =
                if name == "ladder" { (|v| v, 1.0) } else { (f64::tanh, 0.5) };
            let chain = |v4: f64| {
                let mut y = [drive * x - k * v4; 5];
                for i in 0..4 {
                    y[i + 1] = pole(s[i], g, curve(y[i]), curve);
                }
                y
            };
            // The chain falls with v4: there is one solution.
            let (mut low, mut high) = (-64.0, 64.0);
            for _ in 0..60 {
                let v = 0.5 * (low + high);
                if chain(v)[4] > v { low = v } else { high = v }
            }
            let y = chain(low);
            for i in 0..4 {
                s[i] = 2.0 * y[i + 1] - s[i];
            }
            if name == "ladder" {
                y[4]
            } else {
                (y[0] - 4.0 * y[1] + 6.0 * y[2] - 4.0 * y[3] + y[4]) / drive
            }
        }
        "ladder-naive" | "ladder-delay" => {
            let poly = |c: [f64; 4]| c.iter().rev().fold(0.0, |sum, c| sum * w + c);
            let (g, k, zero) = if name == "ladder-naive" {
                (1.0 - (-w).exp(), k, 0.0)
            } else {
                #[expect(clippy::approx_constant, reason = "published, and only near log10 e")]
                let g = w * poly([0.9892, -0.4342, 0.1381, -0.0202]);
                (g, k * poly([1.0029, 0.0526, -0.0926, 0.0218]), 0.3)
            };
            let mut y = x - k * s[3];
            for i in 0..4 {
                let fed = (y + zero * last[i]) / (1.0 + zero);
                last[i] = y;
                s[i] += g * (fed - s[i]);
                y = s[i];
            }
            y
        }
        "state-variable" => {
            let damping = 2.0 * (1.0 - r);
            let high = (x - (damping + g) * s[0] - s[1]) / (1.0 + damping * g + g * g);
            let band = g * high + s[0];
            let low = g * band + s[1];
            (s[0], s[1]) = (band + g * high, low + g * band);
            band
        }
        "state-variable-loop" => {
            let f = 2.0 * (PI * cutoff).sin();
            s[1] += f * s[0];
            s[0] += f * (x - s[1] - 2.0 * (1.0 - r) * s[0]);
            s[0]
        }
        "one-pole" => {
            let v = (x - s[0]) * g / (1.0 + g);
            let low = v + s[0];
            s[0] = low + v;
            x - low
        }
        _ => {
            s[0] = x - before + (1.0 - 2.0 * g / (1.0 + g)) * s[0];
            before = x;
            s[0]
        }
    };
    input.iter().copied().map(tick).collect()
}

/// Beyond full scale a fixed twin gives full scale, and inside what the formula gives: nothing that
/// was cut off comes back. A square at the cutoff rings the resonant ones up, and doubles at the
/// edges of the others.
#[test]
fn fixed_twins_clip_what_the_formula_gives() {
    let input: Vec<f64> =
        (0..6000).map(|n| if n / 250 % 2 == 0 { 0.999 } else { -0.999 }).collect();
    let set = tuning(0.002, 0.9);
    let cutoff = set.cutoff.cycles_per_sample();
    for entry in ENTRIES {
        let output = match entry.name {
            "ladder-tanh" => 7.0,
            "state-variable" | "state-variable-loop" | "one-pole" => 1.0,
            _ => 0.0,
        };
        let all = [("output", output), ("drive", 0.5)];
        let takes = |name: &str| entry.parameters.iter().any(|p| p.name == name);
        let values: Vec<_> = all.into_iter().filter(|(name, _)| takes(name)).collect();
        let truth = exact(entry.name, cutoff, 0.9, &input);
        let out = run(entry.name, Twin::Fixed, &values, set, input.iter().copied());
        let most = truth.iter().fold(0.0_f64, |most, y| most.max(y.abs()));
        let clipped = truth.iter().filter(|y| y.abs() > 1.0).count();
        let off = truth.iter().zip(&out).map(|(y, out)| (y.clamp(-1.0, 1.0) - out).abs());
        let off = off.fold(0.0, f64::max);
        println!("{}: formula up to {most:.2}, {clipped} clipped, off by {off:.1e}", entry.name);
        assert!(most > 1.5 && clipped > 10, "{} stays inside: {most}", entry.name);
        // tan πfc is 3.3e-7 off, which the steepest response (k = 3.6: 28 per unit) shows at lines
        // of 3.2 and, by the square's third and fifth, as much again. Wrapping would be off by 2.
        assert!(off <= 2.0 * 3.3e-7 * 28.0 * 3.2 + 1e-5, "{}: {off:e}", entry.name);
    }
}

// ---------------------------------------------------------------------------- silence

/// What a float twin keeps when the input stops: a stage stands still once G times what drives it
/// rounds to nothing, at 2^-150. Each stage may keep 2^-150/G, the fourth four times that, far into
/// the subnormal numbers but not 0.
#[test]
fn float_tails_end_where_their_steps_underflow() {
    for entry in ENTRIES {
        for hz in [50.0, 1000.0, 10_000.0] {
            for r in [0.0, 0.5] {
                let set = tuning(hz / 48_000.0, r);
                let mut noise = 1_u64;
                let mut tail = vec![0.0_f32; 4800];
                (entry.float)(Rate::new(48_000).unwrap(), &Values(&[]), &mut |filter| {
                    for _ in 0..4800 {
                        noise = noise
                            .wrapping_mul(6_364_136_223_846_793_005)
                            .wrapping_add(1_442_695_040_888_963_407);
                        filter.tick((noise >> 40) as f32 / 16_777_216.0 - 0.3, &set);
                    }
                    // From 1 to 2^-149 are 104 time constants; the slowest pole, k = 2 at 50 Hz, has
                    // 0.02 s.
                    for _ in 0..120_000 {
                        filter.tick(0.0, &set);
                    }
                    filter.process(&set, &mut tail);
                })
                .unwrap();
                let g = (PI * hz / 48_000.0).tan();
                let kept = tail.iter().fold(0.0_f64, |most, y| most.max(f64::from(y.abs())));
                // One unit of the subnormal grid for each of four sums.
                let most = 4.0 * (0.5_f64.powi(150) * (1.0 + g) / g + 0.5_f64.powi(149));
                println!("{} {hz} Hz r {r}: keeps {kept:e} of {most:e}", entry.name);
                assert!(kept <= most, "{} {hz} Hz r {r}: {kept:e} > {most:e}", entry.name);
            }
        }
    }
}
