use super::signals::{Noise, frac};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::modulation::{Known, Modulation, carrier_nulls};
use plumbtone_measure::reading::{Obstacle, Reading, Unit};
use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

const LEN: usize = 65_536;
const RATE: f64 = 48_000.0;

/// Zeros of J_0: Abramowitz & Stegun, 1964, Table 9.5 (its number from memory); mpmath 1.3
/// besseljzero agrees to these digits.
const NULLS: [f64; 3] = [2.404_825_557_7, 5.520_078_110_3, 8.653_727_912_9];

/// A phase-modulated sine; carrier and modulation in turns per sample, phases in turns.
#[derive(Clone, Copy)]
struct Fm {
    carrier: f64,
    turns: f64,
    index: f64,
    phase: f64,
}

impl Fm {
    /// Whole numbers of periods in `LEN`: carrier 9 kHz, rate 74 Hz. 50 orders to each side
    /// stay within the band, and J_50(20) is below (20/2)^50/50! = 3e-15.
    const fn coherent(index: f64) -> Self {
        let n = LEN as f64;
        Self { carrier: 12_289.0 / n, turns: 101.0 / n, index, phase: 0.13 }
    }

    const fn incoherent(index: f64) -> Self {
        Self { carrier: 9_000.123 / RATE, turns: 73.217 / RATE, index, phase: 0.13 }
    }

    fn sample(&self, n: usize) -> f64 {
        let swing = (TAU * frac(self.phase, self.turns, n)).sin();
        (TAU * frac(0.31, self.carrier, n) + self.index * swing).sin()
    }

    fn render(&self) -> Vec<f64> {
        self.first(LEN)
    }

    fn first(&self, len: usize) -> Vec<f64> {
        (0..len).map(|n| self.sample(n)).collect()
    }

    fn known(&self) -> Known {
        Known {
            carrier_hz: Some(self.carrier * RATE),
            rate_hz: Some(self.turns * RATE),
            band_hz: None,
        }
    }

    /// Depth in Hz as phase steps: `sin(b + w) - sin(b) = 2 sin(w/2) cos(b + w/2)`.
    fn depth_hz(&self) -> f64 {
        self.index * RATE * (PI * self.turns).sin() / PI
    }
}

fn turns_apart(a: f64, b: f64) -> f64 {
    let off = a - b;
    (off - off.round()).abs()
}

const INDICES: [f64; 12] =
    [0.01, 0.02, 0.1, 0.5, 1.0, NULLS[0], 3.0, NULLS[1], 7.0, NULLS[2], 12.0, 20.0];

#[test]
fn index_by_both_ways_to_a_millionth_given_nothing() {
    let mut meter = Modulation::new();
    for make in [Fm::coherent, Fm::incoherent] {
        for index in INDICES {
            let fm = make(index);
            let samples = fm.render();
            let by_lines = meter.sidebands(&samples, RATE, &Known::default()).unwrap();
            let by_phase = meter.frequency(&samples, RATE, &Known::default()).unwrap();
            for reading in [by_lines.index, by_lines.index_by_power, by_phase.index] {
                let off = reading.value - index;
                assert!(off.abs() <= 1e-6 * index, "index {index}: {off:e}");
                assert!(off.abs() <= reading.uncertainty, "index {index}: {off:e}, {reading:?}");
                assert!(reading.uncertainty <= 1e-6 * index, "index {index}: {reading:?}");
            }
            for depth in [by_lines.depth_hz, by_phase.modulation.depth] {
                assert_relative_eq!(depth.value, fm.depth_hz(), max_relative = 1e-6);
            }
            // A swing of 1e-6 of the index, as phase of the modulation: 1e-6 rad.
            for phase in [by_lines.phase, by_phase.modulation.phase] {
                let off = turns_apart(phase.value, fm.phase + 0.25);
                assert!(
                    off <= 1e-6 / TAU && off <= phase.uncertainty,
                    "{index}: {off:e} {phase:?}"
                );
            }
            let carrier = by_phase.carrier_hz;
            let off = (carrier.value - fm.carrier * RATE).abs();
            // Rounding of the frequency itself: half a unit of 9000 Hz is 1e-12.
            assert!(off <= carrier.uncertainty + 2e-12, "carrier: {off:e} {carrier:?}");
            let rate = by_phase.modulation.rate_hz;
            let off = (rate.value - fm.turns * RATE).abs();
            assert!(off <= rate.uncertainty.max(1e-6), "rate: {off:e} {rate:?}");
        }
    }
}

#[test]
fn index_where_sidebands_fold_at_0_hz_is_read_by_lines() {
    // 997 and 211 periods: order -5 is folded and lands on bin 58, clear of others; Chowning's
    // own case. Demodulation cannot do this, and says so by its uncertainty.
    let n = LEN as f64;
    let mut meter = Modulation::new();
    for index in [0.5, 3.0, 8.0, 20.0] {
        let fm = Fm { carrier: 997.0 / n, turns: 211.0 / n, index, phase: 0.4 };
        let samples = fm.render();
        let found = meter.sidebands(&samples, RATE, &fm.known()).unwrap();
        assert_relative_eq!(found.index.value, index, max_relative = 1e-6);
        assert_relative_eq!(found.index_by_power.value, index, max_relative = 1e-6);
        // J_5 of 0.5 is 8e-6: little enough to be a doubt. Of 3 it is 0.04.
        match meter.frequency(&samples, RATE, &fm.known()) {
            Ok(folded) => {
                let off = (folded.index.value - index).abs();
                assert!(off <= folded.index.uncertainty, "{off:e} {:?}", folded.index);
                assert!(index < 1.0 && folded.index.uncertainty > 4e-6, "{index}");
            }
            Err(refused) => {
                assert!(matches!(refused, Obstacle::OutOfRange { .. }) && index > 1.0);
            }
        }
    }
    // Carrier and rate of one divisor: folded lines meet the others.
    let fm = Fm { carrier: 1_000.0 / n, turns: 250.0 / n, index: 8.0, phase: 0.0 };
    let refused = meter.sidebands(&fm.render(), RATE, &fm.known());
    assert!(matches!(refused, Err(Obstacle::Unresolved { .. })), "{refused:?}");
}

#[test]
fn carrier_vanishes_at_the_zeros_of_j0() {
    let mut meter = Modulation::new();
    // 8192 samples, with whole numbers of periods and without.
    for (carrier, turns) in [(2_049.0, 37.0), (2_048.4, 36.6)] {
        let (carrier, turns) = (carrier / 8192.0, turns / 8192.0);
        let captures: Vec<(f64, Reading)> = (0..200)
            .map(|i| {
                let fm = Fm { carrier, turns, index: 0.05 + 0.05 * f64::from(i), phase: 0.13 };
                let found = meter.sidebands(&fm.first(8192), RATE, &fm.known()).unwrap();
                (fm.index, found.carrier)
            })
            .collect();
        let nulls = carrier_nulls(&captures).unwrap();
        assert_eq!(nulls.len(), 3, "{nulls:?}");
        for (null, want) in nulls.iter().zip(NULLS) {
            // Steps of 0.05 err by 5 0.05^6/1024 = 8e-11; the table has ten decimals.
            let off = (null.depth - want).abs();
            assert!(off <= 1e-6 && off <= null.uncertainty + 1e-10, "{want}: {off:e} {null:?}");
        }
    }
    let reading = |value: f64| Reading::new(value, Unit::Ratio, 0.0);
    let falling: Vec<(f64, Reading)> = (0..8).map(|i| (-f64::from(i), reading(1.0))).collect();
    assert!(matches!(carrier_nulls(&falling), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(carrier_nulls(&falling[..3]), Err(Obstacle::TooShort { .. })));
}

/// A sine whose phase accumulates `frequency(n)` turns per sample, n from the first sample on.
fn accumulated(frequency: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut phase = 0.2_f64;
    (0..LEN)
        .map(|n| {
            let out = (TAU * phase).sin();
            // The step from n to n + 1 is asked for at its middle.
            phase = (phase + frequency(n as f64 + 0.5)).fract();
            out
        })
        .collect()
}

#[test]
fn exponential_and_linear_modulation_are_told_apart() {
    let mut meter = Modulation::new();
    let turns = 37.3 / RATE;
    let swing = |t: f64| (TAU * (turns * t + 0.6)).sin();
    for octaves in [1.0 / 1200.0, 0.05, 0.5, 1.0, 2.0] {
        let centre = 3_000.0 / RATE;
        let samples = accumulated(|t| centre * (octaves * swing(t)).exp2());
        let found = meter.frequency(&samples, RATE, &Known::default()).unwrap();
        let on_scale = found.octaves.unwrap();
        let depth = on_scale.modulation.depth;
        assert_relative_eq!(depth.value, octaves, max_relative = 1e-6);
        assert!((depth.value - octaves).abs() <= depth.uncertainty, "{octaves} {depth:?}");
        assert_relative_eq!(on_scale.depth_cents().value, 1200.0 * octaves, max_relative = 1e-6);
        assert_relative_eq!(on_scale.centre_hz.value, 3_000.0, max_relative = 1e-9);
        assert!(turns_apart(on_scale.modulation.phase.value, 0.6) < 1e-6);
        // In octaves no harmonics; in Hz I_2/I_1 of d ln 2, which is d ln 2/4 for a small one.
        assert!(on_scale.modulation.second.value < 1e-5, "{:?}", on_scale.modulation);
        let small = octaves * std::f64::consts::LN_2 / 4.0;
        if octaves < 0.1 {
            assert_relative_eq!(found.modulation.second.value, small, max_relative = 1e-3);
        }
        assert!(found.is_exponential(), "{octaves}");
        // Depth in semitones for one in octaves, and 3e-6 too much, are seen.
        assert!((depth.value - octaves / 12.0).abs() > depth.uncertainty);
        assert!((depth.value - octaves * (1.0 + 3e-6)).abs() > depth.uncertainty);

        let deviation = centre * (octaves * std::f64::consts::LN_2).min(0.8);
        let samples = accumulated(|t| centre + deviation * swing(t));
        let found = meter.frequency(&samples, RATE, &Known::default()).unwrap();
        assert_relative_eq!(found.modulation.depth.value, deviation * RATE, max_relative = 1e-6);
        assert!(found.modulation.second.value < 1e-5, "{:?}", found.modulation);
        assert!(!found.is_exponential(), "{octaves}");
    }
    // Mean frequency of exponential modulation: I_0(d ln 2) above the centre (the mean of
    // exp(x sin b), Abramowitz & Stegun 9.6.16, from memory).
    let samples = accumulated(|t| 3_000.0 / RATE * swing(t).exp2());
    let found = meter.frequency(&samples, RATE, &Known::default()).unwrap();
    assert_relative_eq!(found.carrier_hz.value / 3_000.0, I0_LN2, max_relative = 1e-7);
}

/// mpmath 1.3: besseli(0, log(2)) = 1.123768551030333847647796.
const I0_LN2: f64 = 1.123_768_551_030_334;

#[test]
fn third_harmonic_of_the_modulation_is_told() {
    let mut meter = Modulation::new();
    let turns = 61.0 / RATE;
    let samples = accumulated(|t| {
        let b = TAU * turns * t;
        (5_000.0 + 40.0 * (b.sin() + 0.02 * (2.0 * b).cos() + 0.003 * (3.0 * b).sin())) / RATE
    });
    let found = meter.frequency(&samples, RATE, &Known::default()).unwrap().modulation;
    assert_relative_eq!(found.depth.value, 40.0, max_relative = 1e-6);
    assert_abs_diff_eq!(found.second.value, 0.02, epsilon = 1e-7);
    assert_abs_diff_eq!(found.third.value, 0.003, epsilon = 1e-7);
}

/// Share of normalised errors within the expanded uncertainty.
struct Tally {
    inside: u32,
    all: u32,
    square: f64,
}

impl Tally {
    const fn new() -> Self {
        Self { inside: 0, all: 0, square: 0.0 }
    }

    fn add(&mut self, reading: Reading, truth: f64) {
        let off = (reading.value - truth) / (0.5 * reading.uncertainty);
        self.inside += u32::from(off.abs() <= 2.0);
        self.all += 1;
        self.square += off * off;
    }

    /// 95.45 % of a normal law lie within 2 sigma; of n trials a share scatters by
    /// sqrt(0.0434/n), and four of that are granted. Sigma itself is an estimate, good to a
    /// tenth, which shifts the share by another 2 %.
    fn check(&self, name: &str) {
        let n = f64::from(self.all);
        let share = f64::from(self.inside) / n;
        let scatter = 4.0 * (0.0434 / n).sqrt() + 0.02;
        let rms = (self.square / n).sqrt();
        assert!((share - 0.9545).abs() <= scatter, "{name}: {share} within, rms {rms}");
        // The share says nothing of a doubt too wide. The mean square does: 1, scatter sqrt(2/n),
        // four of which are granted, and 10 % for the variance that the reading estimates.
        let scatter = 4.0 * (2.0 / n).sqrt() + 0.1;
        assert!((rms * rms - 1.0).abs() <= scatter, "{name}: mean square {}", rms * rms);
    }
}

#[test]
fn uncertainty_in_noise_is_honest() {
    let mut meter = Modulation::new();
    for (seed, index) in (100..).zip([0.05, 1.0, 6.0]) {
        let mut tallies: [(&str, Tally); 8] = [
            "lines",
            "power",
            "carrier",
            "lines phase",
            "phase",
            "mean",
            "rate",
            "modulation phase",
        ]
        .map(|name| (name, Tally::new()));
        let mut noise = Noise::seeded(seed);
        for trial in 0..200 {
            let n = 4096.0;
            let fm =
                Fm { carrier: 1025.3 / n, turns: 41.7 / n, index, phase: 0.1 * f64::from(trial) };
            let samples: Vec<f64> =
                (0..4096).map(|n| fm.sample(n) + 3e-3 * noise.gaussian()).collect();
            let free = Known::default();
            let found = meter.frequency(&samples, RATE, &free).unwrap();
            let lines = meter.sidebands(&samples, RATE, &fm.known()).unwrap();
            let whole = |reading: Reading, want: f64| {
                let off = reading.value - want;
                Reading { value: off - off.round(), ..reading }
            };
            tallies[0].1.add(lines.index, index);
            tallies[1].1.add(lines.index_by_power, index);
            tallies[2].1.add(lines.carrier, j0(index));
            tallies[3].1.add(whole(lines.phase, fm.phase + 0.25), 0.0);
            tallies[4].1.add(found.index, index);
            tallies[5].1.add(found.carrier_hz, fm.carrier * RATE);
            tallies[6].1.add(found.modulation.rate_hz, fm.turns * RATE);
            tallies[7].1.add(whole(found.modulation.phase, fm.phase + 0.25), 0.0);
        }
        for (name, tally) in tallies {
            tally.check(&format!("{name}, index {index}"));
        }
    }
}

/// J_0 by the trapezoidal rule on Bessel's integral, exact to rounding for 64 points and x < 20.
fn j0(x: f64) -> f64 {
    (0..64).map(|i| (x * (TAU * f64::from(i) / 64.0).sin()).cos()).sum::<f64>() / 64.0
}

#[test]
fn uncertainty_of_16_bit_samples_is_honest() {
    let mut meter = Modulation::new();
    let (mut lines, mut phase, mut depth) = (Tally::new(), Tally::new(), Tally::new());
    let mut random = Noise::seeded(77);
    for _ in 0..200 {
        let index = 0.3 + 2.0 * random.uniform();
        let fm = Fm {
            carrier: 0.2 + 0.05 * random.uniform(),
            turns: 0.005 + 0.002 * random.uniform(),
            index,
            phase: random.uniform(),
        };
        let level = 0.2 + 0.7 * random.uniform();
        let samples: Vec<f64> =
            (0..8192).map(|n| (fm.sample(n) * level * 32767.0).round() / 32768.0).collect();
        let found = meter.frequency(&samples, RATE, &Known::default()).unwrap();
        lines.add(meter.sidebands(&samples, RATE, &fm.known()).unwrap().index, index);
        phase.add(found.index, index);
        depth.add(found.modulation.depth, fm.depth_hz());
    }
    lines.check("lines");
    phase.check("phase");
    depth.check("depth");
}

/// A tone `1 + m sin` times a sine.
fn am(carrier: f64, turns: f64, depth: f64, len: usize) -> Vec<f64> {
    (0..len)
        .map(|n| {
            let swing = (TAU * frac(0.7, turns, n)).sin();
            0.4 * (1.0 + depth * swing) * (TAU * frac(0.2, carrier, n)).sin()
        })
        .collect()
}

#[test]
fn amplitude_modulation_by_lines_and_by_envelope() {
    let mut meter = Modulation::new();
    let n = LEN as f64;
    for (carrier, turns) in [(12_289.0 / n, 101.0 / n), (9_000.123 / RATE, 73.217 / RATE)] {
        for depth in [0.001, 0.01, 0.1, 0.5, 0.9, 1.0] {
            let samples = am(carrier, turns, depth, LEN);
            let lines = meter.sidebands(&samples, RATE, &Known::default()).unwrap();
            let envelope = meter.amplitude(&samples, RATE, &Known::default()).unwrap();
            for reading in [lines.amplitude_depth, envelope.modulation.depth] {
                let off = (reading.value - depth).abs();
                assert!(off <= 1e-6 * depth, "depth {depth}: {off:e}");
                assert!(off <= reading.uncertainty, "depth {depth}: {off:e} {reading:?}");
            }
            for phase in [lines.amplitude_phase, envelope.modulation.phase] {
                assert!(turns_apart(phase.value, 0.7) <= 1e-6 / TAU, "{phase:?}");
            }
            let rate = envelope.modulation.rate_hz;
            assert_relative_eq!(rate.value, turns * RATE, max_relative = 1e-8);
            assert_relative_eq!(envelope.carrier_hz.value, carrier * RATE, max_relative = 1e-9);
            assert_relative_eq!(envelope.level.value, 0.4, max_relative = 1e-8);
            assert!(envelope.modulation.second.value * depth < 1e-8);
        }
    }
}

#[test]
fn uncertainty_of_amplitude_depth_is_honest() {
    let mut meter = Modulation::new();
    let mut noise = Noise::seeded(5);
    let (mut lines, mut envelope) = (Tally::new(), Tally::new());
    for trial in 0..300 {
        let depth = [0.02, 0.3, 0.8][trial % 3];
        let (carrier, turns) = (2049.3 / 8192.0, 41.7 / 8192.0);
        let mut samples = am(carrier, turns, depth, 8192);
        samples.iter_mut().for_each(|x| *x += 1e-3 * noise.gaussian());
        let known =
            Known { carrier_hz: Some(carrier * RATE), rate_hz: Some(turns * RATE), band_hz: None };
        lines.add(meter.sidebands(&samples, RATE, &known).unwrap().amplitude_depth, depth);
        let found = meter.amplitude(&samples, RATE, &Known::default()).unwrap();
        envelope.add(found.modulation.depth, depth);
    }
    lines.check("lines");
    envelope.check("envelope");
}

/// The first five harmonics of a pulse of share `w(t)` high: `sin(pi k w) cos(2 pi k (phi - w/2))`
/// times 2/(pi k), if its rising edge stays; about a fixed middle if not.
fn pulse(f: f64, width: impl Fn(usize) -> f64, edge_stays: bool) -> Vec<f64> {
    (0..LEN)
        .map(|n| {
            let w = width(n);
            let phase = frac(0.0, f, n) - if edge_stays { 0.5 * w } else { 0.0 };
            (1..=5)
                .map(|k| {
                    let k = f64::from(k);
                    2.0 / (PI * k) * (PI * k * w).sin() * (TAU * k * phase).cos()
                })
                .sum()
        })
        .collect()
}

#[test]
fn pulse_width_modulation_from_the_law_of_two_harmonics() {
    let mut meter = Modulation::new();
    let f = 2_000.3 / RATE;
    let turns = 31.7 / RATE;
    for (mean, depth) in [(0.5, 0.001), (0.5, 0.3), (0.25, 0.1), (0.6, 0.2)] {
        for edge_stays in [true, false] {
            let width = |n: usize| mean + depth * (TAU * frac(0.3, turns, n)).sin();
            let samples = pulse(f, width, edge_stays);
            let known = Known::default();
            let found = meter.width(&samples, RATE, f * RATE, 1.0, &known).unwrap();
            let depth_found = found.modulation.depth;
            let off = (depth_found.value - depth).abs();
            assert!(off <= 1e-6 * depth.max(0.001) + 1e-9, "{mean} {depth}: {off:e}");
            assert!(off <= depth_found.uncertainty, "{mean} {depth}: {off:e} {depth_found:?}");
            assert_abs_diff_eq!(found.mean.value, mean, epsilon = 1e-8);
            assert_relative_eq!(found.modulation.rate_hz.value, turns * RATE, max_relative = 1e-6);
            assert!(turns_apart(found.modulation.phase.value, 0.3) < 1e-5);
            // 3e-6 too deep is seen at depths that the floor allows.
            if depth >= 0.01 {
                assert!((depth_found.value - depth * (1.0 + 3e-6)).abs() > depth_found.uncertainty);
            }
        }
    }
    assert!(
        meter.width(&pulse(f, |_| 0.5, true), RATE, 0.3 * RATE, 1.0, &Known::default()).is_err()
    );
}

#[test]
fn depth_of_a_rich_tone_is_read_within_a_band() {
    // Vibrato of a tone with three harmonics: each has its own index, k times the first's.
    let (carrier, turns) = (1_500.7 / RATE, 6.3 / RATE);
    let samples: Vec<f64> = (0..LEN)
        .map(|n| {
            let swing = 3.0 * (TAU * frac(0.0, turns, n)).sin();
            let phase = TAU * frac(0.0, carrier, n) + swing;
            phase.sin() + 0.5 * (2.0 * phase).sin() + 0.3 * (3.0 * phase).sin()
        })
        .collect();
    let mut meter = Modulation::new();
    let known = Known { band_hz: Some((700.0, 2_300.0)), ..Known::default() };
    let found = meter.frequency(&samples, RATE, &known).unwrap();
    assert_relative_eq!(found.index.value, 3.0, max_relative = 1e-6);
}

#[test]
fn depth_wrong_by_three_millionths_is_seen_by_both() {
    let mut meter = Modulation::new();
    for index in [0.01, 1.0, 20.0] {
        let fm = Fm::coherent(index * (1.0 + 3e-6));
        let samples = fm.render();
        let lines = meter.sidebands(&samples, RATE, &Known::default()).unwrap();
        let phase = meter.frequency(&samples, RATE, &Known::default()).unwrap();
        for reading in [lines.index, lines.index_by_power, phase.index] {
            let off = (reading.value - index).abs();
            assert!(off > reading.uncertainty + 1e-6 * index, "{index}: {off:e} {reading:?}");
        }
    }
}

#[test]
fn lines_tell_frequency_from_amplitude_and_sine_from_other_shapes() {
    let mut meter = Modulation::new();
    let fm = Fm::coherent(0.2);
    let plain = meter.sidebands(&fm.render(), RATE, &fm.known()).unwrap();
    assert!(plain.amplitude_depth.value < 1e-12 && plain.misfit < 2.0, "{plain:?}");
    // Exponential modulation is no sine in Hz: the recurrence does not close, and the doubt
    // of the index grows with it.
    let n = LEN as f64;
    let samples = accumulated(|t| 12_289.0 / n * (0.02 * (TAU * 101.0 / n * t).sin()).exp2());
    let known = Known { carrier_hz: None, rate_hz: Some(101.0 / n * RATE), band_hz: None };
    let bent = meter.sidebands(&samples, RATE, &known).unwrap();
    assert!(bent.misfit > 100.0 && bent.index.uncertainty > 1e-6 * bent.index.value);
    // sqrt 1/2 of amplitude modulation: no index, all depth.
    let samples = am(12_289.0 / n, 101.0 / n, FRAC_1_SQRT_2, LEN);
    let only = meter.sidebands(&samples, RATE, &fm.known()).unwrap();
    assert_relative_eq!(only.amplitude_depth.value, FRAC_1_SQRT_2, max_relative = 1e-12);
}

#[test]
fn what_cannot_be_demodulated() {
    let mut meter = Modulation::new();
    let known = Known::default();
    let steady = Fm::coherent(0.0).render();
    let short = meter.frequency(&steady[..100], RATE, &known);
    assert!(matches!(short, Err(Obstacle::TooShort { have: 100, .. })));
    assert!(matches!(meter.frequency(&[0.0; 2048], RATE, &known), Err(Obstacle::Silent)));
    let band = Known { band_hz: Some((5_000.0, 400.0)), ..known };
    assert!(matches!(meter.frequency(&steady, RATE, &band), Err(Obstacle::OutOfRange { .. })));
    let rate = Known { rate_hz: Some(f64::NAN), ..known };
    assert!(matches!(meter.sidebands(&steady, RATE, &rate), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(meter.frequency(&steady, f64::NAN, &known), Err(Obstacle::OutOfRange { .. })));
    let mut noise = Noise::seeded(1);
    let hiss: Vec<f64> = steady.iter().map(|x| x + 1e-3 * noise.gaussian()).collect();
    assert_eq!(meter.frequency(&hiss, RATE, &known).unwrap_err(), Obstacle::NoTone);
    // Where the rate is known, no modulation is a reading: none, within its doubt.
    let known = Known { rate_hz: Some(74.0), ..known };
    let none = meter.frequency(&hiss, RATE, &known).unwrap();
    assert!(!none.modulation.stands_out(), "{none:?}");
}
