//! The low-frequency oscillator: shapes, rate, key sync, delay and fade, random values.

use fixed::types::I1F31;
use plumbtone_voice::contours::FixedContour;
use plumbtone_voice::contours::lfo::{self, Setup, Shape};
use plumbtone_voice::{Contour, KeyEvent, Rate, Values, Width};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// Unit roundoff of f32.
const U: f64 = 1.0 / 16_777_216.0;
/// One unit of Q1.31.
const LSB: f64 = 1.0 / 2_147_483_648.0;

const LEGATO: KeyEvent = KeyEvent::Down { octaves: fixed::types::I6F26::ZERO, legato: true };
const KEY: KeyEvent = KeyEvent::Down { octaves: fixed::types::I6F26::ZERO, legato: false };

/// hz/fs · 2^64 to the nearest whole number, ties upwards, in integers from the bits of `hz`.
fn increment(hz: f64, rate_hz: u32) -> u64 {
    let bits = hz.to_bits();
    let mantissa = u128::from(bits & ((1 << 52) - 1) | 1 << 52);
    // 0.001 to 200 Hz: 2^-62 to 2^-45 per unit of the mantissa.
    let power = (bits >> 52) as i32 - 1075 + 64;
    let rate = u128::from(rate_hz);
    (((mantissa << power) * 2 + rate) / (2 * rate)) as u64
}

/// Shifts 13, 17, 5 of Marsaglia, J. Statistical Software 8(14), 2003; the upper 24 bits as a
/// signed fraction.
fn sequence(seed: u32, count: usize) -> Vec<f64> {
    let mut state = seed;
    let draws = (0..count).map(|_| {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        f64::from(state as i32 >> 8) / 8_388_608.0
    });
    draws.collect()
}

/// The definition, sample by sample.
struct Exact {
    setup: Setup,
    random: Vec<f64>,
    increment: u64,
    delay: u64,
    fade: u64,
    phase: u64,
    cycles: usize,
    since_key: u64,
}

impl Exact {
    fn new(rate_hz: u32, setup: &Setup) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(rate_hz)).round() as u64;
        Self {
            setup: *setup,
            random: sequence(setup.seed, 4_096),
            // In f64; that this is the nearest is the matter of a test of its own.
            increment: (setup.hz / f64::from(rate_hz) * 64.0_f64.exp2()).round() as u64,
            delay: samples(setup.delay_s),
            fade: samples(setup.fade_s),
            phase: (setup.phase * 64.0_f64.exp2()) as u64,
            cycles: 0,
            since_key: 0,
        }
    }

    fn event(&mut self, event: KeyEvent) {
        if event == KEY {
            self.since_key = 0;
            if self.setup.key_sync {
                self.phase = (self.setup.phase * 64.0_f64.exp2()) as u64;
                // A new cycle has a new value.
                self.cycles += 1;
            }
        }
    }

    fn shape(&self) -> f64 {
        // The upper 53 bits, exact.
        let p = (self.phase >> 11) as f64 / 53.0_f64.exp2();
        let random = &self.random[self.cycles..];
        match self.setup.shape {
            Shape::Up => 2.0 * p - 1.0,
            Shape::Down => 1.0 - 2.0 * p,
            Shape::Triangle => 1.0 - 4.0 * (p - 0.5).abs(),
            Shape::Pulse if p < self.setup.width.fraction() => 1.0,
            Shape::Pulse => -1.0,
            Shape::Sine => (std::f64::consts::TAU * p).sin(),
            Shape::Sampled => random[0],
            Shape::Smoothed => {
                random[0] + (random[1] - random[0]) * (3.0 * p * p - 2.0 * p.powi(3))
            }
        }
    }

    fn gain(&self) -> f64 {
        match self.since_key.checked_sub(self.delay) {
            None => 0.0,
            Some(n) if n >= self.fade => 1.0,
            Some(n) => n as f64 / self.fade as f64,
        }
    }

    fn tick(&mut self) -> f64 {
        let now = self.shape() * self.gain();
        let (phase, wrapped) = self.phase.overflowing_add(self.increment);
        self.phase = phase;
        self.cycles += usize::from(wrapped);
        self.since_key += 1;
        now
    }
}

/// The bounds in the head of the module.
fn bound(shape: Shape, is_fixed: bool, fades: bool) -> f64 {
    let level = match (shape, is_fixed) {
        (Shape::Sampled, _) | (Shape::Pulse, false) => 0.0,
        (Shape::Up | Shape::Down | Shape::Triangle, false) => U + LSB,
        (Shape::Up | Shape::Down | Shape::Triangle | Shape::Pulse, true) => LSB,
        (Shape::Sine, false) => 4.0 * U + 5e-9,
        (Shape::Sine, true) => 21.0 * LSB,
        (Shape::Smoothed, false) => 13.0 * U,
        (Shape::Smoothed, true) => 8.0 * LSB,
    };
    level
        + match (fades, is_fixed) {
            (false, _) => 0.0,
            (true, false) => 2.0 * U + LSB / 2.0,
            (true, true) => 1.5 * LSB,
        }
}

/// Both twins; `events` happen before the sample of their index. Their values, and whether each
/// sample fades.
fn render(
    rate_hz: u32,
    setup: &Setup,
    events: &[(usize, KeyEvent)],
    count: usize,
) -> [Vec<f64>; 2] {
    fn run<S: Into<f64>>(
        mut twin: impl Contour<S>,
        events: &[(usize, KeyEvent)],
        count: usize,
    ) -> Vec<f64> {
        let sample = |n| {
            for (_, event) in events.iter().filter(|(at, _)| *at == n) {
                twin.event(*event);
            }
            assert!(!twin.at_rest());
            twin.tick().into()
        };
        (0..count).map(sample).collect()
    }
    let rate = Rate::new(rate_hz).unwrap();
    let float = lfo::Float::new(rate, setup).unwrap();
    let fixed = lfo::Fixed::new(rate, setup).unwrap();
    [run::<f32>(float, events, count), run::<I1F31>(fixed, events, count)]
}

/// Holds both twins to the definition; gives the worst error of each per bound.
fn compare(rate_hz: u32, setup: &Setup, events: &[(usize, KeyEvent)], count: usize) -> [f64; 2] {
    let mut worst = [0.0_f64; 2];
    for (is_fixed, values) in render(rate_hz, setup, events, count).into_iter().enumerate() {
        let mut exact = Exact::new(rate_hz, setup);
        for (n, value) in values.into_iter().enumerate() {
            for (_, event) in events.iter().filter(|(at, _)| *at == n) {
                exact.event(*event);
            }
            let gain = exact.gain();
            let fades = gain > 0.0 && gain < 1.0;
            let expected = exact.tick();
            let bound = if gain == 0.0 { 0.0 } else { bound(setup.shape, is_fixed == 1, fades) };
            let error = (value - expected).abs();
            assert!(
                // The definition itself is evaluated in f64.
                error <= bound + 4.0 * f64::EPSILON,
                "{setup:?} fixed {is_fixed} sample {n}: {value} for {expected}, {error:e} > {bound:e}"
            );
            if bound > 0.0 {
                worst[is_fixed] = worst[is_fixed].max(error / bound);
            }
        }
    }
    worst
}

/// Definitions: see `Exact`. A limit that nothing comes near would say nothing: the worst of each
/// twin is at least 1/16 of it, unless it is exact.
#[test]
fn every_shape_follows_its_definition() {
    for shape in Shape::ALL {
        for fade_s in [0.0, 0.5] {
            let mut worst = [0.0_f64; 2];
            for (rate_hz, hz, phase) in [
                (48_000, 5.0, 0.0),
                (44_100, 0.37, 0.25),
                (8_000, 200.0, 0.999),
                (192_000, 31.7, 0.5),
            ] {
                let width = Width::new(0.37).unwrap();
                let setup = Setup { shape, hz, phase, width, fade_s, seed: 77, ..Setup::default() };
                let these = compare(rate_hz, &setup, &[], 60_000);
                worst = [worst[0].max(these[0]), worst[1].max(these[1])];
            }
            println!("{shape:?} fade {fade_s}: worst error per bound {worst:?}");
            for (is_fixed, worst) in worst.into_iter().enumerate() {
                let exact = bound(shape, is_fixed == 1, fade_s > 0.0) == 0.0;
                assert!(exact || worst > 1.0 / 16.0, "{shape:?} fixed {is_fixed}: {worst}");
            }
        }
    }
}

/// At the slowest rate a 32-bit phase would be off by up to 2.2 %. The increment is the nearest
/// in 2^-64 cycle, so a year drifts by less than 2e-7 cycle; that it is what moves the phase is
/// read from the ramp, all 32 bits of it, at every sample.
#[test]
fn a_millihertz_keeps_its_rate_for_a_year() {
    const YEAR_S: f64 = 31_557_600.0;
    for rate_hz in [8_000, 44_100, 48_000, 96_000, 192_000] {
        let rate = Rate::new(rate_hz).unwrap();
        for hz in [0.001, 0.01, 0.1, 1.0, 7.3, 200.0] {
            let setup = Setup { hz, ..Setup::default() };
            let step = setup.increment(rate).unwrap();
            // One rounding of f64, 2^-53 of it, before the rounding to a whole number.
            let allowed = 1 + (step >> 53);
            assert!(step.abs_diff(increment(hz, rate_hz)) <= allowed, "{rate_hz} {hz}");
        }
        let setup = Setup { hz: 0.001, ..Setup::default() };
        let step = setup.increment(rate).unwrap();
        let samples = YEAR_S as u128 * u128::from(rate_hz);
        let travelled = samples * u128::from(step);
        let cycles = (travelled >> 64) as f64 + travelled as u64 as f64 / 64.0_f64.exp2();
        // Half a unit per sample.
        let allowed = samples as f64 * (-65.0_f64).exp2();
        assert!(allowed < 2e-7 && (cycles - 0.001 * YEAR_S).abs() <= allowed + 1e-11, "{cycles}");
        let mut twin = lfo::Fixed::new(rate, &setup).unwrap();
        for n in 0..300_000_u64 {
            let ramp = (n.wrapping_mul(step) >> 32) as u32 ^ 1 << 31;
            assert_eq!(twin.tick().to_bits(), ramp as i32, "{rate_hz} {n}");
        }
    }
}

/// Counted cycles: the wraps of 1000 s at 3 Hz and 8 kHz come where the phase says.
#[test]
fn cycles_are_counted_right() {
    let setup = Setup { hz: 3.0, ..Setup::default() };
    let rate = Rate::new(8_000).unwrap();
    let mut twin = lfo::Float::new(rate, &setup).unwrap();
    let mut wraps = Vec::new();
    let mut before = twin.tick();
    for n in 1..=8_000_000_u64 {
        let now = twin.tick();
        if now < before {
            wraps.push(n);
        }
        before = now;
    }
    // Wrap c is the first sample n with n · increment ≥ c cycles.
    let step = u128::from(increment(3.0, 8_000));
    let expected: Vec<u64> =
        (1..=wraps.len() as u128).map(|cycle| (cycle << 64).div_ceil(step) as u64).collect();
    assert_eq!(wraps, expected);
    assert!(wraps.len().abs_diff(3_000) <= 1, "{}", wraps.len());
}

/// Sync free or key against every event: only a key that is not legato sets the phase, and the
/// sample of the event has it already.
#[test]
fn only_a_key_that_is_not_legato_sets_the_phase() {
    for phase in [0.0, 0.25, 0.7] {
        for key_sync in [false, true] {
            for (event, sets) in [(KEY, key_sync), (LEGATO, false), (KeyEvent::Up, false)] {
                let setup =
                    Setup { hz: 11.0, phase, key_sync, shape: Shape::Up, ..Setup::default() };
                let plain = render(48_000, &setup, &[], 3_000);
                let played = render(48_000, &setup, &[(1_234, event)], 3_000);
                for (plain, played) in plain.iter().zip(&played) {
                    let case = (phase, key_sync, event);
                    assert_eq!(plain[..1_234], played[..1_234], "{case:?}");
                    let tail = if sets { &plain[..3_000 - 1_234] } else { &plain[1_234..] };
                    assert_eq!(tail, &played[1_234..], "{case:?}");
                    assert!((played[0] - (2.0 * phase - 1.0)).abs() <= U, "{case:?}");
                }
                for shape in Shape::ALL {
                    let events = [(1_234, event), (2_000, event)];
                    compare(48_000, &Setup { shape, ..setup }, &events, 9_000);
                }
            }
        }
    }
}

/// D zeros, then 0/F, 1/F, ... 1; a legato or an Up meanwhile changes nothing, a key starts over.
#[test]
fn delay_and_fade_last_their_samples() {
    for (delay_s, fade_s, delay, fade) in [
        (0.0, 0.0, 0, 0),
        (0.01, 0.0, 480, 0),
        (0.0, 0.01, 0, 480),
        (0.1, 0.25, 4_800, 12_000),
        // 0.5 sample counts as one, less as none.
        (0.5 / 48_000.0, 0.49 / 48_000.0, 1, 0),
        (0.49 / 48_000.0, 1.5 / 48_000.0, 0, 2),
        (0.0, 7.0 / 48_000.0, 0, 7),
    ] {
        // A level of 1 throughout: a pulse of 99 % that takes 1000 s.
        let width = Width::new(0.99).unwrap();
        let setup =
            Setup { shape: Shape::Pulse, hz: 0.001, width, delay_s, fade_s, ..Setup::default() };
        let events = [(delay / 2 + 1, LEGATO), (delay + fade / 2 + 1, KeyEvent::Up), (20_000, KEY)];
        for (is_fixed, values) in render(48_000, &setup, &events, 40_000).iter().enumerate() {
            let full = if is_fixed == 1 { 1.0 - LSB } else { 1.0 };
            for part in [&values[..20_000], &values[20_000..]] {
                let case = format!("{delay_s} {fade_s} fixed {is_fixed}");
                assert!(part[..delay].iter().all(|value| *value == 0.0), "{case}");
                let first = part.iter().position(|value| *value != 0.0);
                assert_eq!(first, Some(delay + usize::from(fade > 0)), "{case}");
                assert_eq!(part.iter().position(|value| *value == full), Some(delay + fade));
                assert!(part[delay + fade..].iter().all(|value| *value == full), "{case}");
                for (n, value) in part[delay..delay + fade].iter().enumerate() {
                    let gain = n as f64 / fade as f64;
                    let allowed = bound(Shape::Pulse, is_fixed == 1, true);
                    assert!((value - gain).abs() <= allowed, "{case}: {n}");
                }
            }
        }
    }
}

/// 19.2 million steps, each below the resolution of f32, reach 1 exactly and not a sample early.
#[test]
fn a_fade_of_a_hundred_seconds_at_192_khz_arrives_exactly() {
    let width = Width::new(0.99).unwrap();
    let setup = Setup { shape: Shape::Pulse, hz: 0.001, width, fade_s: 100.0, ..Setup::default() };
    let mut twin = lfo::Fixed::new(Rate::new(192_000).unwrap(), &setup).unwrap();
    for n in 0..19_200_000_u32 {
        let value = twin.tick().to_num::<f64>();
        let gain = f64::from(n) / 19_200_000.0;
        assert!((value - gain).abs() <= bound(Shape::Pulse, true, true), "{n}: {value}");
        assert!(value < 1.0 - LSB, "{n}: {value}");
    }
    assert_eq!(twin.tick(), I1F31::MAX);
}

/// Every value of the sequence lasts from wrap to wrap, and both twins have the same bits.
#[test]
fn a_sampled_value_is_held_exactly_one_cycle() {
    let setup = Setup { shape: Shape::Sampled, hz: 37.7, seed: 12_345, ..Setup::default() };
    let [float, fixed] = render(48_000, &setup, &[], 400_000);
    assert_eq!(float, fixed);
    let step = u128::from(increment(37.7, 48_000));
    let random = sequence(12_345, 400);
    let mut start = 0;
    for (cycle, value) in random.iter().enumerate().take(310) {
        let end = (((cycle as u128 + 1) << 64).div_ceil(step)) as usize;
        assert!(float[start..end].iter().all(|held| held == value), "cycle {cycle}");
        start = end;
    }
    assert!(float.iter().all(|value| (-1.0..1.0).contains(value)));
    // Uniform over ±1: mean square 1/3, its own scatter over 310 values √(4/45/310) = 0.017.
    let square = random.iter().map(|value| value * value).sum::<f64>() / 400.0;
    assert!((square - 1.0 / 3.0).abs() < 4.0 * 0.017, "{square}");
}

/// 3p² − 2p³ is steepest in the middle, 3/2; the sequence is met at the wraps.
#[test]
fn smoothed_values_are_joined_without_a_step() {
    let setup = Setup { shape: Shape::Smoothed, hz: 23.0, seed: 9, ..Setup::default() };
    let slope = 1.5 * 23.0 / 48_000.0;
    let random = sequence(9, 200);
    for (is_fixed, values) in render(48_000, &setup, &[], 300_000).iter().enumerate() {
        let bound = bound(Shape::Smoothed, is_fixed == 1, false);
        for (n, pair) in values.windows(2).enumerate() {
            let cycle = (n as f64 * 23.0 / 48_000.0) as usize;
            let widest = random[cycle..cycle + 3]
                .windows(2)
                .map(|pair| (pair[1] - pair[0]).abs())
                .fold(0.0, f64::max);
            assert!((pair[1] - pair[0]).abs() <= slope * widest + 2.0 * bound, "{n}: {pair:?}");
        }
        for (cycle, value) in random.iter().enumerate().take(140) {
            let start = (cycle as f64 * 48_000.0 / 23.0).ceil() as usize;
            // Within one sample of a wrap: 3 p² of at most 2.
            let near = 6.0 * (23.0_f64 / 48_000.0).powi(2) + bound;
            assert!((values[start] - value).abs() <= near, "cycle {cycle}");
        }
    }
}

/// Names, defaults and ranges as listed, and the bench plays the same twins.
#[test]
fn settings_are_held_to_their_ranges_and_reach_the_twins() {
    for (name, value) in [
        ("hz", 0.000_999),
        ("hz", 200.1),
        ("shape", 7.0),
        ("width", 0.005),
        ("delay", -1.0),
        ("fade", 100.5),
        ("sync", 2.0),
        ("seed", 0.0),
        ("seed", 1.5),
    ] {
        let error = Setup::from_values(&Values(&[(name, value)])).unwrap_err();
        assert_eq!((error.parameter, error.value), (name, value));
    }
    let rate = Rate::new(48_000).unwrap();
    let normal = Setup::default();
    for (name, setup) in [
        ("hz", Setup { hz: f64::NAN, ..normal }),
        ("hz", Setup { hz: 0.0, ..normal }),
        ("delay", Setup { delay_s: -0.1, ..normal }),
        ("fade", Setup { fade_s: 101.0, ..normal }),
        ("phase", Setup { phase: 1.0, ..normal }),
        ("phase", Setup { phase: -0.1, ..normal }),
        ("seed", Setup { seed: 0, ..normal }),
    ] {
        assert_eq!(lfo::Float::new(rate, &setup).unwrap_err().parameter, name);
        assert_eq!(lfo::Fixed::new(rate, &setup).unwrap_err().parameter, name);
    }
    assert_eq!(Setup::from_values(&Values(&[])).unwrap(), normal);
    let entry = lfo::ENTRY;
    let names: Vec<_> = entry.parameters.iter().map(|parameter| parameter.name).collect();
    assert_eq!(names, ["hz", "shape", "width", "delay", "fade", "sync", "phase", "seed"]);
    let words = ["up", "down", "triangle", "pulse", "sine", "sampled", "smoothed"];
    assert_eq!(entry.parameters[1].choices, words);
    for (index, shape) in Shape::ALL.into_iter().enumerate() {
        let values = [
            ("hz", 50.0),
            ("shape", index as f64),
            ("width", 0.25),
            ("delay", 0.001),
            ("fade", 0.002),
            ("sync", 1.0),
            ("phase", 0.5),
            ("seed", 5.0),
        ];
        let width = Width::new(0.25).unwrap();
        let setup = Setup {
            hz: 50.0,
            shape,
            width,
            delay_s: 0.001,
            fade_s: 0.002,
            key_sync: true,
            phase: 0.5,
            seed: 5,
        };
        let [float, fixed] = render(48_000, &setup, &[], 2_000);
        let mut block = vec![0.0_f32; 2_000];
        let mut lent = Vec::new();
        (entry.float)(rate, &Values(&values), &mut |twin| {
            twin.process(&mut block);
            lent = block.iter().map(|value| f64::from(*value)).collect();
        })
        .unwrap();
        assert_eq!(lent, float);
        let FixedContour::Level(lend) = entry.fixed else { panic!("level") };
        let mut block = vec![I1F31::ZERO; 2_000];
        lend(rate, &Values(&values), &mut |twin| {
            twin.process(&mut block);
            lent = block.iter().map(|value| value.to_num()).collect();
        })
        .unwrap();
        assert_eq!(lent, fixed);
    }
}

fn seeded(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(32);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

fn any_setup() -> impl Strategy<Value = Setup> {
    let time = || prop_oneof![Just(0.0), 0.0..0.05_f64];
    let hz = prop_oneof![(-3.0..2.3_f64).prop_map(|x| 10.0_f64.powf(x)), Just(0.001), Just(200.0)];
    // Widths of 2^-10 cycle, so that both the definition and the twin have them exactly.
    let width = (11..1_013_u32).prop_map(|width| Width::new(f64::from(width) / 1024.0).unwrap());
    let start = (any::<bool>(), 0.0..1.0_f64, 1..=u32::MAX);
    (hz, 0..7_usize, width, time(), time(), start).prop_map(
        |(hz, shape, width, delay_s, fade_s, (key_sync, phase, seed))| {
            let shape = Shape::ALL[shape];
            Setup { hz, shape, width, delay_s, fade_s, key_sync, phase, seed }
        },
    )
}

fn any_events() -> impl Strategy<Value = Vec<(usize, KeyEvent)>> {
    let event = prop_oneof![2 => Just(KEY), 1 => Just(LEGATO), 1 => Just(KeyEvent::Up)];
    proptest::collection::vec((0..6_000_usize, event), 0..6)
}

proptest! {
    #![proptest_config(seeded(300))]

    /// Whatever is set and played: the definition, and never beyond full scale.
    #[test]
    fn any_setting_and_melody_follows_the_definition(
        setup in any_setup(),
        rate_hz in prop_oneof![Just(8_000_u32), Just(48_000), 8_000..=192_000_u32],
        events in any_events(),
    ) {
        compare(rate_hz, &setup, &events, 8_000);
        for values in render(rate_hz, &setup, &events, 8_000) {
            prop_assert!(values.iter().all(|value| value.abs() <= 1.0));
        }
    }

    /// The same bits in any blocks.
    #[test]
    fn any_partition_gives_the_same_bits(
        setup in any_setup(),
        score in proptest::collection::vec(
            (prop_oneof![Just(KEY), Just(LEGATO)], proptest::collection::vec(0..200_usize, 1..5)),
            1..6),
    ) {
        let rate = Rate::new(44_100).unwrap();
        fn compare<S: Copy + Default + PartialEq + std::fmt::Debug>(
            (mut whole, mut parts): (impl Contour<S>, impl Contour<S>),
            score: &[(KeyEvent, Vec<usize>)],
        ) {
            for (event, blocks) in score {
                whole.event(*event);
                parts.event(*event);
                for &length in blocks {
                    let mut block = vec![S::default(); length];
                    parts.process(&mut block);
                    let expected: Vec<S> = (0..length).map(|_| whole.tick()).collect();
                    assert_eq!(block, expected);
                }
            }
        }
        let float = lfo::Float::new(rate, &setup).unwrap();
        compare::<f32>((float.clone(), float), &score);
        let fixed = lfo::Fixed::new(rate, &setup).unwrap();
        compare::<I1F31>((fixed.clone(), fixed), &score);
    }
}
