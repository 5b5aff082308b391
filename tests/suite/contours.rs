//! Contours against the exact solution of their equations, sample by sample and event by event.
//!
//! Sources, all evaluated here in f64 and none of them taken from the modules: the solution of a
//! first-order circuit that charges from y0 toward T, y(t) = T + (y0 − T) e^(−t/τ) (any text on
//! circuits), sampled at t = n/fs; times as the panel states them. An f64 evaluation errs by less
//! than 1e-14, which is far below one LSB (4.7e-10) and needs no allowance of its own.

use approx::assert_abs_diff_eq;
use fixed::types::{I1F31, I6F26};
use plumbtone_voice::contours::{ENTRIES, FixedContour, LendContour, Restart, adsr, multistage};
use plumbtone_voice::{Contour, KeyEvent, Rate, Values};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const LSB: f64 = 1.0 / 2_147_483_648.0;
/// 2^-20, where decay and release have arrived.
const NEAR: f64 = 1.0 / 1_048_576.0;
const DOWN: KeyEvent = KeyEvent::Down { octaves: I6F26::ZERO, legato: false };
const LEGATO: KeyEvent = KeyEvent::Down { octaves: I6F26::ZERO, legato: true };
const RESTARTS: [Restart; 3] = [Restart::Present, Restart::Zero, Restart::Legato];

fn seeded(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(1831);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

fn rate(hz: u32) -> Rate {
    Rate::new(hz).unwrap()
}

/// Either twin of either module, its samples as f64.
trait Twin {
    fn event(&mut self, event: KeyEvent);
    fn tick(&mut self) -> f64;
    fn at_rest(&self) -> bool;
    fn fixed(&self) -> bool;
}

trait AdsrTwin: Twin {
    fn stage(&self) -> adsr::Stage;
    fn set(&mut self, setup: &adsr::Setup);
    /// Allowed error `samples` after the stage began.
    fn allowed(&self, samples: f64) -> f64 {
        if self.fixed() { adsr::FIXED_ERROR } else { adsr::float_error(samples) }
    }
}

trait StagesTwin: Twin {
    fn stage(&self) -> usize;
    fn allowed(&self, at: &Stages) -> f64 {
        let (samples, way, bend) = at.stretch();
        if self.fixed() {
            multistage::fixed_error(way)
        } else {
            multistage::float_error(samples, way, bend)
        }
    }
}

macro_rules! twin {
    ($of:ty, $fixed:literal) => {
        impl Twin for $of {
            fn event(&mut self, event: KeyEvent) {
                Contour::event(self, event);
            }
            fn tick(&mut self) -> f64 {
                f64::from(Contour::tick(self))
            }
            fn at_rest(&self) -> bool {
                Contour::at_rest(self)
            }
            fn fixed(&self) -> bool {
                $fixed
            }
        }
    };
}
macro_rules! adsr_twin {
    ($of:ty, $fixed:literal) => {
        twin!($of, $fixed);
        impl AdsrTwin for $of {
            fn stage(&self) -> adsr::Stage {
                self.stage()
            }
            fn set(&mut self, setup: &adsr::Setup) {
                self.set(setup).unwrap();
            }
        }
    };
}
macro_rules! stages_twin {
    ($of:ty, $fixed:literal) => {
        twin!($of, $fixed);
        impl StagesTwin for $of {
            fn stage(&self) -> usize {
                self.stage()
            }
        }
    };
}
adsr_twin!(adsr::Float, false);
adsr_twin!(adsr::Fixed, true);
stages_twin!(multistage::Float, false);
stages_twin!(multistage::Fixed, true);

fn adsr_twins(hz: u32, setup: &adsr::Setup) -> [Box<dyn AdsrTwin>; 2] {
    let (float, fixed) = (adsr::Float::new(rate(hz), setup), adsr::Fixed::new(rate(hz), setup));
    [Box::new(float.unwrap()), Box::new(fixed.unwrap())]
}

fn stages_twins(hz: u32, setup: &multistage::Setup) -> [Box<dyn StagesTwin>; 2] {
    let float = multistage::Float::new(rate(hz), setup).unwrap();
    [Box::new(float), Box::new(multistage::Fixed::new(rate(hz), setup).unwrap())]
}

/// A contour of four exponentials, each in closed form from where it began.
#[derive(Clone)]
struct Adsr {
    hz: f64,
    setup: adsr::Setup,
    stage: adsr::Stage,
    from: f64,
    /// Samples since the stage began.
    n: f64,
    /// Sample at which it ends, before rounding up.
    end: f64,
    /// How near, in samples, an end has come to falling one sample earlier or later, as a part
    /// of the length of its stage.
    margin: f64,
}

impl Adsr {
    fn new(hz: u32, setup: &adsr::Setup) -> Self {
        let hz = f64::from(hz);
        let (stage, setup) = (adsr::Stage::Idle, *setup);
        Self { hz, setup, stage, from: 0.0, n: 0.0, end: f64::INFINITY, margin: 1.0 }
    }

    /// Target and time constant in samples.
    fn target(&self) -> (f64, f64) {
        let (a, thousand) = (self.setup.overshoot, 1000_f64.ln());
        let (target, seconds, constants) = match self.stage {
            adsr::Stage::Attack => (a, self.setup.attack, (a / (a - 1.0)).ln()),
            adsr::Stage::Decay => (self.setup.sustain, self.setup.decay, thousand),
            adsr::Stage::Release => (0.0, self.setup.release, thousand),
            adsr::Stage::Sustain => return (self.setup.sustain, 0.0),
            adsr::Stage::Idle => return (0.0, 0.0),
        };
        let samples = seconds * self.hz;
        (target, if samples < 0.5 { 0.0 } else { samples / constants })
    }

    fn level(&self) -> f64 {
        let (target, tau) = self.target();
        if self.n == 0.0 && !self.at_rest() {
            self.from
        } else if tau == 0.0 {
            target
        } else {
            target + (self.from - target) * (-self.n / tau).exp()
        }
    }

    fn enter(&mut self, stage: adsr::Stage) {
        self.from = self.level();
        (self.stage, self.n) = (stage, 0.0);
        let ((target, tau), a) = (self.target(), self.setup.overshoot);
        self.end = match stage {
            adsr::Stage::Attack if tau == 0.0 => 0.0,
            adsr::Stage::Attack => {
                let q = (-1.0 / tau).exp();
                ((a - self.from) * (1.0 + q) / (2.0 * (a - 1.0))).ln() * tau
            }
            adsr::Stage::Decay if tau == 0.0 => 1.0,
            adsr::Stage::Release if tau == 0.0 => 0.0,
            adsr::Stage::Decay | adsr::Stage::Release => {
                ((self.from - target).abs() / NEAR).ln() * tau
            }
            adsr::Stage::Idle | adsr::Stage::Sustain => f64::INFINITY,
        };
        if tau > 0.0 && self.end.is_finite() && self.end > -0.5 {
            let distance = (self.end - self.end.round()).abs();
            self.margin = self.margin.min(distance / (1.0 + self.end));
        }
        self.finish();
    }

    fn finish(&mut self) {
        match self.stage {
            adsr::Stage::Attack if self.n >= self.end => {
                (self.stage, self.from) = (adsr::Stage::Decay, 1.0);
                self.n = 0.0;
                self.enter(adsr::Stage::Decay);
            }
            // The peak stays, so the decay lasts one sample at least.
            adsr::Stage::Decay if self.n >= self.end.max(1.0) => {
                self.stage = adsr::Stage::Sustain;
            }
            adsr::Stage::Release if self.n >= self.end => self.stage = adsr::Stage::Idle,
            _ => {}
        }
    }

    fn event(&mut self, event: KeyEvent) {
        let gate = !matches!(self.stage, adsr::Stage::Idle | adsr::Stage::Release);
        match event {
            KeyEvent::Down { legato, .. } => {
                if self.setup.restart == Restart::Legato && legato && gate {
                    return;
                }
                if self.setup.restart == Restart::Zero {
                    self.stage = adsr::Stage::Idle;
                }
                self.enter(adsr::Stage::Attack);
            }
            KeyEvent::Up if gate => self.enter(adsr::Stage::Release),
            KeyEvent::Up => {}
        }
    }

    fn set(&mut self, setup: &adsr::Setup) {
        let level = self.level();
        let moved = self.stage != adsr::Stage::Sustain || setup.sustain != self.setup.sustain;
        self.setup = *setup;
        if self.stage != adsr::Stage::Idle && moved {
            let stage = match self.stage {
                adsr::Stage::Sustain => adsr::Stage::Decay,
                stage => stage,
            };
            (self.stage, self.from, self.n) = (stage, level, 0.0);
            self.enter(stage);
        }
    }

    fn tick(&mut self) -> f64 {
        let now = self.level();
        self.n += 1.0;
        self.finish();
        now
    }

    fn at_rest(&self) -> bool {
        matches!(self.stage, adsr::Stage::Idle | adsr::Stage::Sustain)
    }

    /// Largest step that the equations allow: the first of a stage from the far end, what the
    /// rounding of the peak to a sample adds (half a step), and the last 2^-20.
    fn steepest(&self) -> f64 {
        let k = |seconds: f64, constants: f64| {
            let samples = seconds * self.hz;
            if samples < 0.5 { 1.0 } else { 1.0 - (-constants / samples).exp() }
        };
        let (a, setup) = (self.setup.overshoot, &self.setup);
        let up = k(setup.attack, (a / (a - 1.0)).ln());
        let peak = (a - 1.0) * (up / 2.0) / (1.0 - up / 2.0);
        let down = |seconds| k(seconds, 1000_f64.ln()) + NEAR;
        (a * up + peak).max(down(setup.decay)).max(down(setup.release)).min(1.0)
    }
}

/// The rate of the float twin, 1 ± 4·2^-24, decides an end that falls this near to a sample, as a
/// part of the stage's length; then either sample is right.
const TOSS_UP: f64 = 4.0 / 16_777_216.0;

/// Plays `count` samples of a twin beside the closed form; returns the largest error as a part
/// of what is allowed.
fn follow(twin: &mut dyn AdsrTwin, exact: &mut Adsr, count: usize) -> f64 {
    let mut worst = 0.0_f64;
    for _ in 0..count {
        let (n, stage) = (exact.n, exact.stage);
        if twin.stage() != stage {
            let case = format!("fixed {}: {:?} at {n} of {stage:?}", twin.fixed(), twin.stage());
            assert!(!twin.fixed() && exact.margin <= TOSS_UP, "{case}");
            exact.tick();
            twin.tick();
            continue;
        }
        assert_eq!(twin.at_rest(), exact.at_rest());
        let (expected, allowed) = (exact.tick(), twin.allowed(n));
        let got = twin.tick();
        let error = (got - expected).abs();
        assert!(error <= allowed, "{stage:?} at {n}: {got} {expected}, {allowed:e}");
        worst = worst.max(error / allowed);
    }
    worst
}

#[test]
fn adsr_follows_its_closed_form() {
    let mut worst = [0.0_f64; 2];
    for hz in [8_000, 44_100, 192_000] {
        for time in [0.0001, 0.003, 0.1, 0.7] {
            for overshoot in [1.01, 1.3, 2.0, 100.0] {
                for sustain in [0.0, 0.3, 0.75, 1.0] {
                    let setup = adsr::Setup {
                        attack: time,
                        decay: time * 0.83,
                        sustain,
                        release: time * 1.21,
                        overshoot,
                        ..adsr::Setup::default()
                    };
                    for (twin, worst) in adsr_twins(hz, &setup).iter_mut().zip(&mut worst) {
                        let mut exact = Adsr::new(hz, &setup);
                        // Attack, decay (twice its time and a little) and some sustain.
                        let held = (3.0 * time * f64::from(hz)) as usize + 20;
                        for (event, count) in [(DOWN, held), (KeyEvent::Up, held)] {
                            twin.event(event);
                            exact.event(event);
                            *worst = worst.max(follow(&mut **twin, &mut exact, count));
                        }
                        assert!(exact.at_rest(), "the run is long enough");
                    }
                }
            }
        }
    }
    // A bound that is never approached says nothing: the house allows a factor of sixteen.
    assert!(worst.iter().all(|&worst| worst > 1.0 / 16.0), "{worst:?}");
}

/// Number of ticks until the contour leaves `stage`.
fn length(twin: &mut dyn AdsrTwin, stage: adsr::Stage) -> f64 {
    let mut count = 0.0;
    while twin.stage() == stage {
        twin.tick();
        count += 1.0;
    }
    count
}

/// The crossing of 1 is nearest to the sample that lies as many samples on as the panel says, for
/// a whole number of samples; for others the sample is the closed form's. The allowance of the
/// float twin is its rate of rounding times the length; where it could tip the decision, either
/// side is right.
#[test]
fn adsr_stages_end_at_the_exact_sample() {
    let cases = [
        (8_000, 0.0001, 1.3),
        (192_000, 0.0001, 1.3),
        (44_100, 0.00123, 1.01),
        (48_000, 0.01, 100.0),
        (44_100, 0.1, 1.3),
        (48_000, 0.1234567, 1.5),
        (96_000, 1.0, 1.01),
        (48_000, 1.0, 100.0),
        (44_100, 7.77, 2.0),
        (48_000, 20.0, 1.3),
        (192_000, 100.0, 1.3),
    ];
    for (hz, time, overshoot) in cases {
        let setup = adsr::Setup {
            attack: time,
            decay: time,
            sustain: 0.3,
            release: time,
            overshoot,
            ..adsr::Setup::default()
        };
        let samples = time * f64::from(hz);
        for twin in &mut adsr_twins(hz, &setup) {
            let mut exact = Adsr::new(hz, &setup);
            let check = |twin: &mut dyn AdsrTwin, exact: &Adsr, k: f64, overshoot: f64| {
                let stage = exact.stage;
                let expected = exact.end.ceil();
                let got = length(twin, stage);
                let allowed = if twin.fixed() {
                    exact.end * LSB / 2.0 + 1e-3
                } else {
                    adsr::float_end_error(exact.end, k, overshoot)
                };
                let case = format!("fixed {} {hz} Hz {time} s {stage:?}", twin.fixed());
                let sure = (exact.end - allowed).ceil() == (exact.end + allowed).ceil();
                if sure {
                    assert_eq!(got, expected, "{case}");
                } else {
                    assert!((got - exact.end).abs() <= allowed + 1.0, "{case}: {got} {expected}");
                    assert!(!twin.fixed() || stage != adsr::Stage::Attack, "{case}: not sure");
                }
                got
            };
            twin.event(DOWN);
            exact.event(DOWN);
            let k = |constants: f64| 1.0 - (-constants / samples).exp();
            let up = (overshoot / (overshoot - 1.0)).ln();
            let attack = check(&mut **twin, &exact, k(up), overshoot);
            // An attack of many samples ends as many samples on, rounded: the panel's promise.
            if twin.fixed() && samples > 100.0 {
                assert!((attack - samples).abs() <= 0.51, "{hz} Hz {time} s: {attack}");
            }
            exact.n = exact.end.ceil();
            exact.finish();
            assert_eq!(exact.stage, adsr::Stage::Decay);
            check(&mut **twin, &exact, k(1000_f64.ln()), 2.0);
            exact.n = exact.end.ceil();
            exact.finish();
            twin.event(KeyEvent::Up);
            exact.event(KeyEvent::Up);
            check(&mut **twin, &exact, k(1000_f64.ln()), 2.0);
            assert!(twin.at_rest());
            assert_eq!(twin.tick(), 0.0);
        }
    }
}

/// Brings a twin and its closed form into a stage, some samples after it began.
fn bring(twin: &mut dyn AdsrTwin, exact: &mut Adsr, stage: adsr::Stage) {
    let events: &[(KeyEvent, usize)] = match stage {
        adsr::Stage::Idle => &[],
        adsr::Stage::Attack => &[(DOWN, 30)],
        adsr::Stage::Decay => &[(DOWN, 100)],
        adsr::Stage::Sustain => &[(DOWN, 400)],
        adsr::Stage::Release => &[(DOWN, 70), (KeyEvent::Up, 20)],
    };
    for &(event, count) in events {
        twin.event(event);
        exact.event(event);
        follow(twin, exact, count);
    }
    assert_eq!(twin.stage(), stage);
}

const STAGES: [adsr::Stage; 5] = [
    adsr::Stage::Idle,
    adsr::Stage::Attack,
    adsr::Stage::Decay,
    adsr::Stage::Sustain,
    adsr::Stage::Release,
];

/// Every stage, every event, every restart: what is heard before, at and after the event.
#[test]
fn adsr_answers_every_event_in_every_stage() {
    use adsr::Stage::{Attack, Idle, Release};
    // Attack about 48 samples, decay about 2 · 96, release about 2 · 72.
    let base = adsr::Setup {
        attack: 0.006,
        decay: 0.012,
        sustain: 0.4,
        release: 0.009,
        ..adsr::Setup::default()
    };
    for restart in RESTARTS {
        let setup = adsr::Setup { restart, ..base };
        for stage in STAGES {
            let gate = !matches!(stage, Idle | Release);
            for event in [DOWN, LEGATO, KeyEvent::Up] {
                // Stage entered, and the level of the sample that follows the event.
                let ignored = restart == Restart::Legato && event == LEGATO && gate;
                let (entered, jumps) = match event {
                    KeyEvent::Up if gate => (Release, false),
                    KeyEvent::Up => (stage, false),
                    _ if ignored => (stage, false),
                    _ => (Attack, restart == Restart::Zero),
                };
                for twin in &mut adsr_twins(8_000, &setup) {
                    let case = format!("fixed {} {restart:?} {stage:?} {event:?}", twin.fixed());
                    let mut exact = Adsr::new(8_000, &setup);
                    bring(&mut **twin, &mut exact, stage);
                    let mut untouched = exact.clone();
                    let before = untouched.tick();
                    twin.event(event);
                    exact.event(event);
                    assert_eq!(twin.stage(), entered, "{case}");
                    let at = twin.tick();
                    let expected = if jumps { 0.0 } else { before };
                    assert_abs_diff_eq!(at, expected, epsilon = twin.allowed(200.0));
                    // The following sample is one step of whatever stage now runs.
                    exact.tick();
                    let ways = match entered {
                        Attack => {
                            let tau = 48.0 / (1.3_f64 / 0.3).ln();
                            1.3 + (expected - 1.3) * (-1.0 / tau).exp()
                        }
                        Release if gate => expected * 1000_f64.powf(-1.0 / 72.0),
                        _ => untouched.tick(),
                    };
                    assert_abs_diff_eq!(exact.level(), ways, epsilon = 1e-12);
                    assert_abs_diff_eq!(twin.tick(), ways, epsilon = twin.allowed(200.0));
                    exact.tick();
                    follow(&mut **twin, &mut exact, 400);
                }
            }
        }
    }
}

/// A key let go falls from where the contour was, in every stage, to 1/1000 in the stated time.
#[test]
fn adsr_releases_from_the_present_level_of_any_stage() {
    let setup = adsr::Setup {
        attack: 0.006,
        decay: 0.012,
        sustain: 0.4,
        release: 0.009,
        ..adsr::Setup::default()
    };
    for stage in &STAGES[1..4] {
        for twin in &mut adsr_twins(8_000, &setup) {
            let mut exact = Adsr::new(8_000, &setup);
            bring(&mut **twin, &mut exact, *stage);
            let from = exact.level();
            assert!((0.3..0.99).contains(&from), "{stage:?}: {from}");
            twin.event(KeyEvent::Up);
            let fall: Vec<f64> = (0..=72).map(|_| twin.tick()).collect();
            assert_abs_diff_eq!(fall[0], from, epsilon = twin.allowed(200.0));
            assert_abs_diff_eq!(fall[72], from / 1000.0, epsilon = twin.allowed(200.0));
            assert!(fall.windows(2).all(|pair| pair[1] < pair[0]));
        }
    }
}

/// All eight combinations of stages with and without length, and the samples around each event.
#[test]
fn adsr_stages_without_length_take_none() {
    for bits in 0..8 {
        let time = |bit: i32, time: f64| if bits & bit == 0 { 0.0 } else { time };
        // 0.49 of a sample is still no length.
        let setup = adsr::Setup {
            attack: time(1, 0.002).max(0.49 / 8_000.0),
            decay: time(2, 0.002),
            sustain: 0.25,
            release: time(4, 0.002),
            ..adsr::Setup::default()
        };
        for twin in &mut adsr_twins(8_000, &setup) {
            let mut exact = Adsr::new(8_000, &setup);
            let full = if twin.fixed() { 1.0 - LSB } else { 1.0 };
            twin.event(DOWN);
            exact.event(DOWN);
            let first: Vec<f64> = (0..100).map(|_| twin.tick()).collect();
            // The attack of 16 samples crosses 1 at the 16th.
            let peak = if bits & 1 == 0 { 0 } else { 16 };
            assert_eq!(first[peak], full, "{bits:03b}: {first:?}");
            assert!(first[..peak].iter().all(|&level| level < 0.99));
            if bits & 2 == 0 {
                assert!(first[peak + 1..].iter().all(|&level| level == 0.25), "{bits:03b}");
            } else {
                assert!(first[peak + 1] > 0.25 && first[peak + 1] < 0.9);
            }
            assert_eq!(twin.stage(), adsr::Stage::Sustain);
            twin.event(KeyEvent::Up);
            let last = [twin.tick(), twin.tick()];
            if bits & 4 == 0 {
                assert_eq!(last, [0.0, 0.0], "{bits:03b}");
                assert!(twin.at_rest());
            } else {
                assert!(last[0] == 0.25 && last[1] > 0.1 && last[1] < 0.25, "{last:?}");
            }
            for _ in 0..100 {
                exact.tick();
            }
            exact.event(KeyEvent::Up);
            exact.tick();
            exact.tick();
            follow(&mut **twin, &mut exact, 100);
            // And with every event at once, before a single sample.
            for event in [DOWN, KeyEvent::Up, DOWN] {
                twin.event(event);
                exact.event(event);
            }
            follow(&mut **twin, &mut exact, 100);
        }
    }
}

/// Sustain at the ends of its range: the peak is still 1, and the level then stands exactly.
#[test]
fn adsr_sustain_stands_at_its_level() {
    for sustain in [0.0, 1e-7, 0.5, 1.0 - NEAR / 2.0, 1.0] {
        let setup = adsr::Setup { sustain, decay: 0.01, ..adsr::Setup::default() };
        for twin in &mut adsr_twins(48_000, &setup) {
            twin.event(DOWN);
            length(&mut **twin, adsr::Stage::Attack);
            let full = if twin.fixed() { 1.0 - LSB } else { 1.0 };
            assert_eq!(twin.tick(), full);
            length(&mut **twin, adsr::Stage::Decay);
            let nearest = if twin.fixed() {
                (sustain / LSB).round().min(full / LSB) * LSB
            } else {
                f64::from(sustain as f32)
            };
            for _ in 0..10 {
                assert!(twin.at_rest());
                assert_eq!(twin.tick(), nearest);
            }
        }
    }
}

/// The plain form rounds y + k (0 − y) to 31 bits and stands still once k y is below half an LSB:
/// at 0.5/k LSB. The twin carries the rest and goes on to its end.
#[test]
fn a_plain_q31_state_stalls_where_predicted_and_the_twins_do_not() {
    let (hz, time) = (48_000, 10.0);
    let k = 1.0 - (-1000_f64.ln() / (time * f64::from(hz))).exp();
    let coefficient = (k / LSB).round() as i64;
    let mut y = i64::from(i32::MAX);
    loop {
        let step = (coefficient * y + (1 << 30)) >> 31;
        if step == 0 {
            break;
        }
        y -= step;
    }
    // The coefficient itself is rounded to 31 bits: 1/2 of 30 904 units.
    let predicted = 0.5 / (coefficient as f64 * LSB);
    assert!((y as f64 - predicted).abs() <= 1.0, "stalls at {y} LSB, predicted {predicted}");
    assert!(y as f64 * LSB > 16.0 * NEAR, "so high that the stage would never end");

    let setup = adsr::Setup { release: time, ..adsr::Setup::default() };
    let setup = adsr::Setup { attack: 0.0, decay: 0.0, sustain: 1.0, ..setup };
    for twin in &mut adsr_twins(hz, &setup) {
        let mut exact = Adsr::new(hz, &setup);
        for event in [DOWN, KeyEvent::Up] {
            twin.event(event);
            exact.event(event);
        }
        let allowed = if twin.fixed() { 0.0 } else { adsr::float_end_error(exact.end, k, 2.0) };
        let late = length(&mut **twin, adsr::Stage::Release) - exact.end;
        assert!(late >= -allowed && late < 1.0 + allowed, "{late} samples after the crossing");
        assert_eq!(twin.tick(), 0.0);
    }
}

/// Without the carried rest, each step of the fixed twin loses up to one unit of 2^-55 and the
/// decay of 100 s at 192 kHz ends about 1/(2k) · 2^-55 / (k 2^-20) = 112 samples early or late.
#[test]
fn the_longest_stage_ends_at_its_sample() {
    let setup = adsr::Setup {
        attack: 0.0,
        decay: 100.0,
        sustain: 0.0,
        release: 100.0,
        ..adsr::Setup::default()
    };
    let mut twin = adsr::Fixed::new(rate(192_000), &setup).unwrap();
    let mut exact = Adsr::new(192_000, &setup);
    Twin::event(&mut twin, DOWN);
    exact.event(DOWN);
    assert!((exact.end - exact.end.round()).abs() > 0.01, "the crossing is no toss-up");
    assert_eq!(length(&mut twin, adsr::Stage::Decay), exact.end.ceil());
}

/// New settings take over from the present level; a new sustain level is approached with the
/// decay's time constant, up as well as down.
#[test]
fn adsr_settings_change_without_a_step() {
    let setup = adsr::Setup {
        attack: 0.006,
        decay: 0.012,
        sustain: 0.4,
        release: 0.009,
        ..adsr::Setup::default()
    };
    for stage in STAGES {
        for sustain in [0.1, 0.4, 0.9] {
            let other = adsr::Setup {
                attack: 0.02,
                decay: 0.03,
                sustain,
                release: 0.05,
                overshoot: 2.0,
                restart: Restart::Legato,
            };
            for twin in &mut adsr_twins(8_000, &setup) {
                let mut exact = Adsr::new(8_000, &setup);
                bring(&mut **twin, &mut exact, stage);
                let before = exact.level();
                twin.set(&other);
                exact.set(&other);
                assert_abs_diff_eq!(exact.level(), before, epsilon = 1e-12);
                follow(&mut **twin, &mut exact, 700);
                // In sustain: 1/1000 of the way left after the decay's 240 samples.
                if stage == adsr::Stage::Sustain && sustain != 0.4 {
                    let mut again = Adsr::new(8_000, &setup);
                    let mut fresh = adsr_twins(8_000, &setup).into_iter();
                    let mut fresh = fresh.find(|fresh| fresh.fixed() == twin.fixed()).unwrap();
                    bring(&mut *fresh, &mut again, stage);
                    fresh.set(&other);
                    let levels: Vec<f64> = (0..=240).map(|_| fresh.tick()).collect();
                    assert_eq!(
                        levels[0],
                        if twin.fixed() { (0.4 / LSB).round() * LSB } else { f64::from(0.4_f32) }
                    );
                    let left = sustain + (0.4 - sustain) / 1000.0;
                    assert_abs_diff_eq!(levels[240], left, epsilon = fresh.allowed(240.0));
                }
                assert!(exact.at_rest());
            }
        }
    }
    // What is refused changes nothing.
    let mut float = adsr::Float::new(rate(8_000), &setup).unwrap();
    let error = float.set(&adsr::Setup { decay: 101.0, ..setup }).unwrap_err();
    assert_eq!((error.parameter, error.value, error.max), ("decay", 101.0, 100.0));
}

#[test]
fn adsr_refuses_what_is_out_of_range() {
    let setup = adsr::Setup::default();
    let cases = [
        ("attack", adsr::Setup { attack: -0.1, ..setup }),
        ("decay", adsr::Setup { decay: 100.1, ..setup }),
        ("sustain", adsr::Setup { sustain: 1.1, ..setup }),
        ("release", adsr::Setup { release: f64::NAN, ..setup }),
        ("overshoot", adsr::Setup { overshoot: 1.0, ..setup }),
    ];
    for (parameter, setup) in cases {
        let float = adsr::Float::new(rate(8_000), &setup).map(|_| ()).unwrap_err();
        assert_eq!(float.parameter, parameter);
        let fixed = adsr::Fixed::new(rate(8_000), &setup).map(|_| ()).unwrap_err();
        assert_eq!(fixed.parameter, parameter);
    }
}

/// Points, hold, loop and release as a musician reads them off the panel, each stage in closed
/// form from where it began.
#[derive(Clone)]
struct Stages {
    hz: f64,
    setup: multistage::Setup,
    /// 0 before the first key.
    stage: usize,
    moving: bool,
    waiting: bool,
    gate: bool,
    loops_left: usize,
    from: f64,
    n: f64,
}

impl Stages {
    fn new(hz: u32, setup: &multistage::Setup) -> Self {
        Self {
            hz: f64::from(hz),
            setup: *setup,
            stage: 0,
            moving: false,
            waiting: false,
            gate: false,
            loops_left: 0,
            from: 0.0,
            n: 0.0,
        }
    }

    fn point(&self) -> multistage::Point {
        self.setup.points[self.stage - 1]
    }

    fn length(&self) -> f64 {
        (self.point().time * self.hz).round()
    }

    /// Samples, way and bend of the present stage, for the bounds.
    fn stretch(&self) -> (f64, f64, f64) {
        if self.stage == 0 {
            return (0.0, 0.0, 0.0);
        }
        let point = self.point();
        (self.length(), (point.level - self.from).abs(), point.bend)
    }

    fn level(&self) -> f64 {
        if !self.moving {
            return self.from;
        }
        let (point, part) = (self.point(), self.n / self.length());
        let gone = if point.bend == 0.0 {
            part
        } else {
            (-point.bend * part).exp_m1() / (-point.bend).exp_m1()
        };
        self.from + (point.level - self.from) * gone
    }

    fn begin(&mut self, stage: usize) {
        self.from = self.level();
        (self.stage, self.n, self.moving, self.waiting) = (stage, 0.0, true, false);
        if self.length() == 0.0 {
            self.arrive();
        }
    }

    fn arrive(&mut self) {
        self.from = self.point().level;
        self.moving = false;
        self.go_on();
    }

    fn go_on(&mut self) {
        self.waiting = false;
        let setup = &self.setup;
        if self.stage == setup.hold && self.gate {
            self.waiting = true;
        } else if self.stage == setup.loop_to && setup.loop_count == 0 && self.gate {
            self.begin(setup.loop_from);
        } else if self.stage == setup.loop_to && self.loops_left > 0 {
            self.loops_left -= 1;
            self.begin(setup.loop_from);
        } else if self.stage < setup.count {
            self.begin(self.stage + 1);
        }
    }

    fn event(&mut self, event: KeyEvent) {
        match event {
            KeyEvent::Down { legato, .. } => {
                if self.setup.restart == Restart::Legato && legato && self.gate {
                    return;
                }
                self.gate = true;
                self.loops_left = self.setup.loop_count;
                if self.setup.restart == Restart::Zero {
                    (self.moving, self.from) = (false, 0.0);
                }
                self.begin(1);
            }
            KeyEvent::Up if self.gate => {
                self.gate = false;
                if self.stage < self.setup.release {
                    self.begin(self.setup.release);
                } else if self.waiting {
                    self.go_on();
                }
            }
            KeyEvent::Up => {}
        }
    }

    fn tick(&mut self) -> f64 {
        let now = self.level();
        if self.moving {
            self.n += 1.0;
            if self.n >= self.length() {
                self.arrive();
            }
        }
        now
    }

    /// Largest step of the present stage: its slope at the steeper end.
    fn steepest(&self) -> f64 {
        let (samples, way, bend) = self.stretch();
        let bend = bend.abs();
        let slope = if bend == 0.0 { 1.0 } else { bend / -(-bend).exp_m1() };
        if self.moving { way * slope / samples } else { 0.0 }
    }
}

fn follow_stages(twin: &mut dyn StagesTwin, exact: &mut Stages, count: usize) -> f64 {
    let mut worst = 0.0_f64;
    for _ in 0..count {
        let (n, stage) = (exact.n, exact.stage);
        assert_eq!(twin.stage(), stage, "fixed {}: at sample {n}", twin.fixed());
        assert_eq!(twin.at_rest(), !exact.moving, "stage {stage} at {n}");
        let (allowed, expected) = (twin.allowed(exact), exact.tick());
        let got = twin.tick();
        let error = (got - expected).abs();
        assert!(error <= allowed, "stage {stage} at {n}: {got} {expected}, {allowed:e}");
        worst = worst.max(error / allowed);
    }
    worst
}

fn points(points: &[(f64, f64, f64)]) -> multistage::Setup {
    let points: Vec<_> =
        points.iter().map(|&(time, level, bend)| multistage::Point { time, level, bend }).collect();
    multistage::Setup::new(&points).unwrap()
}

const BENDS: [f64; 11] = [-8.0, -5.0, -2.0, -1e-3, -1e-12, 0.0, 1e-9, 0.5, 2.0, 5.0, 8.0];

#[test]
fn multistage_follows_its_closed_form() {
    let mut worst = [0.0_f64; 2];
    for hz in [8_000, 44_100, 192_000] {
        for time in [0.0002, 0.00123, 0.05, 0.4] {
            for bend in BENDS {
                let setup = points(&[
                    (time, 1.0, bend),
                    (time * 1.1, -1.0, -bend),
                    (time * 0.9, 0.3, bend),
                    (time, 0.0, bend),
                ]);
                for (twin, worst) in stages_twins(hz, &setup).iter_mut().zip(&mut worst) {
                    let mut exact = Stages::new(hz, &setup);
                    twin.event(DOWN);
                    exact.event(DOWN);
                    let count = (4.1 * time * f64::from(hz)) as usize + 10;
                    *worst = worst.max(follow_stages(&mut **twin, &mut exact, count));
                    assert!(twin.at_rest());
                }
            }
        }
    }
    // The growing exponential is allowed for 15 roundings in a row that all go one way.
    assert!(worst[0] > 1.0 / 16.0 && worst[1] > 0.5, "{worst:?}");
}

/// What a slow stage leaves over, up to 2^40 units of its step, is nothing to the fast one after it.
#[test]
fn multistage_stages_leave_nothing_to_the_next() {
    for bend in [1e-9, 1e-6, 0.01] {
        let setup = points(&[(0.05, 0.9, bend), (0.002, -0.7, 8.0), (0.002, 0.6, -8.0)]);
        for twin in &mut stages_twins(8_000, &setup) {
            let mut exact = Stages::new(8_000, &setup);
            twin.event(DOWN);
            exact.event(DOWN);
            follow_stages(&mut **twin, &mut exact, 400 + 2 * 16 + 1);
            assert!(twin.at_rest());
        }
    }
}

/// Every time is round(t fs) samples long, and the last sample is the point itself.
#[test]
fn multistage_stages_end_at_the_exact_sample() {
    let times =
        [(8_000, 0.0001), (44_100, 0.0001), (192_000, 0.0001), (44_100, 0.02), (48_000, 1.0)];
    let times = times.into_iter().chain([(48_000, 12.34567), (192_000, 100.0)]);
    for (hz, time) in times {
        let samples = (time * f64::from(hz)).round();
        let bends = if time > 50.0 { &[-8.0][..] } else { &[-8.0, 0.0, 5.0] };
        for &bend in bends {
            let setup = points(&[(time, 0.625, bend), (0.001, 0.0, 0.0)]);
            for twin in &mut stages_twins(hz, &setup) {
                twin.event(DOWN);
                let (mut count, mut last) = (0.0, 0.0);
                while twin.stage() == 1 {
                    last = twin.tick();
                    count += 1.0;
                }
                assert_eq!(count, samples, "{hz} Hz {time} s bend {bend}");
                assert_eq!(twin.tick(), 0.625);
                // The seam: the last step is that of the curve, within the error before it.
                let part = bend / samples;
                let step = if bend == 0.0 {
                    1.0 / samples
                } else {
                    part.exp_m1() * (-bend).exp() / -(-bend).exp_m1()
                };
                let allowed = if twin.fixed() {
                    multistage::fixed_error(0.625)
                } else {
                    multistage::float_error(samples, 0.625, bend)
                };
                let off = (0.625 - last) - 0.625 * step;
                assert!(off.abs() <= allowed, "{hz} Hz {time} s bend {bend}: {off:e}");
            }
        }
    }
}

/// Places in a contour with hold, and what each event does there.
#[test]
fn multistage_answers_every_event_in_every_place() {
    // Stages of 16 samples; waits at 2; the release point, where there is one, is 4.
    let shape = [(0.002, 0.8, 2.0), (0.002, 0.4, 0.0), (0.002, 0.9, -3.0), (0.002, 0.2, 5.0)];
    type Place<'a> = (&'a [(KeyEvent, usize)], usize, bool);
    let places: [Place<'_>; 7] = [
        (&[], 0, false),
        (&[(DOWN, 5)], 1, true),
        (&[(DOWN, 20)], 2, true),
        (&[(DOWN, 50)], 2, true),
        (&[(DOWN, 50), (KeyEvent::Up, 5)], 0, false),
        (&[(DOWN, 5), (KeyEvent::Up, 20)], 0, false),
        (&[(DOWN, 50), (KeyEvent::Up, 100)], 4, false),
    ];
    for restart in RESTARTS {
        for release in [0, 4] {
            let setup = multistage::Setup { hold: 2, release, restart, ..points(&shape) };
            for (place, (events, stage, gate)) in places.iter().enumerate() {
                for event in [DOWN, LEGATO, KeyEvent::Up] {
                    for twin in &mut stages_twins(8_000, &setup) {
                        let case = format!("{restart:?} r {release} place {place} {event:?}");
                        let mut exact = Stages::new(8_000, &setup);
                        for &(event, count) in *events {
                            twin.event(event);
                            exact.event(event);
                            follow_stages(&mut **twin, &mut exact, count);
                        }
                        // Where the release point lies decides places 4 and 5.
                        let stage = match (place, release) {
                            (4, 0) => 3,
                            (5, 0) => 2,
                            (4, _) => 4,
                            (5, _) => 4,
                            _ => *stage,
                        };
                        assert_eq!(twin.stage(), stage, "{case}");
                        let (waits, before) = (twin.at_rest(), exact.level());
                        let ignored = restart == Restart::Legato && event == LEGATO && *gate;
                        let entered = match event {
                            KeyEvent::Up if *gate && release == 4 => 4,
                            KeyEvent::Up if *gate && waits => 3,
                            KeyEvent::Up => stage,
                            _ if ignored => stage,
                            _ => 1,
                        };
                        let jumps = event != KeyEvent::Up && restart == Restart::Zero;
                        twin.event(event);
                        exact.event(event);
                        assert_eq!(twin.stage(), entered, "{case}");
                        let expected = if jumps { 0.0 } else { before };
                        assert_abs_diff_eq!(exact.level(), expected, epsilon = 1e-12);
                        // One more than the whole contour and the way back.
                        follow_stages(&mut **twin, &mut exact, 100);
                        if event == KeyEvent::Up {
                            assert!(twin.at_rest(), "{case}");
                        }
                    }
                }
            }
        }
    }
}

/// Loops: a known number of rounds, or while held, always from the present level.
#[test]
fn multistage_loops_as_often_as_told() {
    let shape = [(0.001, 1.0, 3.0), (0.002, 0.2, 0.0), (0.003, 0.7, -2.0), (0.004, 0.0, 5.0)];
    for count in [1, 2, 7, 1000] {
        let setup =
            multistage::Setup { loop_from: 2, loop_to: 3, loop_count: count, ..points(&shape) };
        for twin in &mut stages_twins(8_000, &setup) {
            let mut exact = Stages::new(8_000, &setup);
            twin.event(DOWN);
            exact.event(DOWN);
            // 8 samples up, (count + 1) rounds of 16 + 24, 32 down.
            let whole = 8 + (count + 1) * 40 + 32;
            // Letting go neither ends a counted loop nor stays without effect on nothing.
            let half = whole / 2;
            follow_stages(&mut **twin, &mut exact, half);
            twin.event(KeyEvent::Up);
            exact.event(KeyEvent::Up);
            follow_stages(&mut **twin, &mut exact, whole - half - 1);
            assert!(!twin.at_rest());
            twin.tick();
            assert!(twin.at_rest(), "{count} repeats take {whole} samples");
            assert_eq!(twin.tick(), 0.0);
        }
    }
    let setup = multistage::Setup { loop_from: 2, loop_to: 3, ..points(&shape) };
    for twin in &mut stages_twins(8_000, &setup) {
        let mut exact = Stages::new(8_000, &setup);
        twin.event(DOWN);
        exact.event(DOWN);
        follow_stages(&mut **twin, &mut exact, 8 + 20 * 40 + 4);
        assert_eq!(twin.stage(), 2, "still looping");
        twin.event(KeyEvent::Up);
        exact.event(KeyEvent::Up);
        // 12 + 24 samples end the round, 32 the contour.
        follow_stages(&mut **twin, &mut exact, 12 + 24 + 32 - 1);
        assert!(!twin.at_rest());
        twin.tick();
        assert!(twin.at_rest());
    }
    // A release point leaves the loop at once, from wherever it was.
    let setup = multistage::Setup { loop_from: 2, loop_to: 3, release: 4, ..points(&shape) };
    for twin in &mut stages_twins(8_000, &setup) {
        let mut exact = Stages::new(8_000, &setup);
        twin.event(DOWN);
        exact.event(DOWN);
        follow_stages(&mut **twin, &mut exact, 8 + 3 * 40 + 21);
        let before = exact.level();
        twin.event(KeyEvent::Up);
        exact.event(KeyEvent::Up);
        assert_eq!(twin.stage(), 4);
        assert_abs_diff_eq!(exact.level(), before, epsilon = 1e-12);
        follow_stages(&mut **twin, &mut exact, 40);
        assert!(twin.at_rest());
    }
}

/// A held point at or behind the release point: the key's end must not leave it waiting.
#[test]
fn multistage_never_waits_without_a_key() {
    let shape = [(0.001, 1.0, 0.0), (0.001, 0.2, 0.0), (0.001, 0.7, 0.0), (0.001, 0.0, 0.0)];
    for hold in 1..=4 {
        for release in 0..=4 {
            for loop_count in [0, 2] {
                for (loop_from, loop_to) in [(0, 0), (1, 2), (2, 4), (3, 3)] {
                    let loops = multistage::Setup { loop_from, loop_to, ..points(&shape) };
                    let setup = multistage::Setup { hold, release, loop_count, ..loops };
                    for twin in &mut stages_twins(8_000, &setup) {
                        let mut exact = Stages::new(8_000, &setup);
                        twin.event(DOWN);
                        exact.event(DOWN);
                        follow_stages(&mut **twin, &mut exact, 70);
                        twin.event(KeyEvent::Up);
                        exact.event(KeyEvent::Up);
                        // Four stages of 8 samples, at most two more rounds of three.
                        follow_stages(&mut **twin, &mut exact, 32 + 2 * 24 + 1);
                        assert!(twin.at_rest() && twin.stage() == 4, "{setup:?}");
                    }
                }
            }
        }
    }
}

/// Every combination of stages with and without length, with hold, loop and release: jumps happen
/// within the sample of the event or of the arrival.
#[test]
fn multistage_stages_without_length_take_none() {
    let levels = [0.9, -0.6, 0.3, -0.1];
    for bits in 0..16 {
        let shape: Vec<_> = levels
            .iter()
            .enumerate()
            .map(|(i, &level)| (if bits >> i & 1 == 0 { 0.0 } else { 0.001 }, level, 2.0))
            .collect();
        for (hold, release) in [(0, 0), (2, 0), (2, 3), (3, 2)] {
            for (loop_from, loop_to) in [(0, 0), (2, 3), (1, 4)] {
                let loops = multistage::Setup { loop_from, loop_to, ..points(&shape) };
                let setup = multistage::Setup { hold, release, ..loops };
                let empty =
                    loop_from > 0 && (loop_from..=loop_to).all(|i| bits >> (i - 1) & 1 == 0);
                if empty {
                    let error = multistage::Fixed::new(rate(8_000), &setup).map(|_| ());
                    assert_eq!(error.unwrap_err().parameter, "loop-to");
                    continue;
                }
                for twin in &mut stages_twins(8_000, &setup) {
                    let mut exact = Stages::new(8_000, &setup);
                    for (event, count) in [(DOWN, 3), (DOWN, 60), (KeyEvent::Up, 60)] {
                        twin.event(event);
                        exact.event(event);
                        follow_stages(&mut **twin, &mut exact, count);
                    }
                    assert!(twin.at_rest());
                }
            }
        }
        if bits == 0 {
            for twin in &mut stages_twins(8_000, &points(&shape)) {
                let exact = Stages::new(8_000, &points(&shape));
                twin.event(DOWN);
                assert!(twin.at_rest(), "four jumps at the event");
                assert_abs_diff_eq!(twin.tick(), -0.1, epsilon = twin.allowed(&exact));
            }
        }
    }
    // Sixteen jumps in a row, through a loop whose last stage alone takes time.
    let mut all = vec![(0.0, 0.5, 0.0); 15];
    all.push((0.001, -0.5, 0.0));
    let setup = multistage::Setup { loop_from: 1, loop_to: 16, ..points(&all) };
    for twin in &mut stages_twins(8_000, &setup) {
        let mut exact = Stages::new(8_000, &setup);
        twin.event(DOWN);
        exact.event(DOWN);
        follow_stages(&mut **twin, &mut exact, 100);
        assert_eq!(twin.stage(), 16);
    }
}

#[test]
fn multistage_refuses_what_cannot_be_played() {
    let good = points(&[(0.1, 0.5, 0.0), (0.1, 0.0, 0.0), (0.0, 0.0, 0.0)]);
    let with = |point: multistage::Point| {
        let mut setup = good;
        setup.points[1] = point;
        setup
    };
    let point = good.points[0];
    let cases = [
        ("points", multistage::Setup { count: 1, ..good }),
        ("points", multistage::Setup { count: 17, ..good }),
        ("hold", multistage::Setup { hold: 4, ..good }),
        ("release", multistage::Setup { release: 4, ..good }),
        ("loop-to", multistage::Setup { loop_from: 1, ..good }),
        ("loop-from", multistage::Setup { loop_to: 1, ..good }),
        ("loop-to", multistage::Setup { loop_from: 2, loop_to: 1, ..good }),
        ("loop-to", multistage::Setup { loop_from: 1, loop_to: 4, ..good }),
        ("loop-from", multistage::Setup { loop_from: 17, loop_to: 17, ..good }),
        ("loop-to", multistage::Setup { loop_from: 3, loop_to: 3, ..good }),
        ("loop-count", multistage::Setup { loop_count: 1001, ..good }),
        ("time", with(multistage::Point { time: 100.5, ..point })),
        ("level", with(multistage::Point { level: -1.5, ..point })),
        ("bend", with(multistage::Point { bend: f64::NAN, ..point })),
    ];
    for (parameter, setup) in cases {
        let float = multistage::Float::new(rate(8_000), &setup).map(|_| ());
        assert_eq!(float.unwrap_err().parameter, parameter);
        let fixed = multistage::Fixed::new(rate(8_000), &setup).map(|_| ());
        assert_eq!(fixed.unwrap_err().parameter, parameter);
    }
    assert!(multistage::Setup::new(&[point; 17]).is_err());
    assert!(multistage::Setup::new(&[point]).is_err());
}

/// Names and values as the command line gives them.
#[test]
fn settings_are_read_by_name() {
    let values = Values(&[
        ("points", 3.0),
        ("time-2", 0.25),
        ("level-2", -0.5),
        ("bend-3", 4.0),
        ("hold", 2.0),
        ("loop-count", 12.0),
        ("restart", 2.0),
    ]);
    let setup = multistage::Setup::from_values(&values).unwrap();
    assert_eq!((setup.count, setup.hold, setup.loop_count), (3, 2, 12));
    assert_eq!(setup.points[1], multistage::Point { time: 0.25, level: -0.5, bend: 0.0 });
    assert_eq!((setup.points[0].level, setup.points[2].bend), (1.0, 4.0));
    assert_eq!(setup.restart, Restart::Legato);
    let plain = multistage::Setup::from_values(&Values(&[])).unwrap();
    assert_eq!(plain, multistage::Setup::default());
    for (name, value) in [("points", 2.5), ("loop-count", 0.5), ("restart", 3.0), ("time-1", -1.0)]
    {
        let pair = [(name, value)];
        let error = multistage::Setup::from_values(&Values(&pair)).unwrap_err();
        assert!(name.starts_with(error.parameter), "{name}: {error}");
    }
    let values = Values(&[("attack", 0.5), ("sustain", 0.25), ("restart", 1.0)]);
    let setup = adsr::Setup::from_values(&values).unwrap();
    let restart = Restart::Zero;
    let expected = adsr::Setup { attack: 0.5, sustain: 0.25, restart, ..adsr::Setup::default() };
    assert_eq!(setup, expected);
    assert!(adsr::Setup::from_values(&Values(&[("overshoot", 1.0)])).is_err());
    let plain = adsr::Setup::from_values(&Values(&[])).unwrap();
    assert_eq!(plain, adsr::Setup::default());
}

/// Gates and pauses of a played phrase, each cut into blocks.
type Phrase = Vec<(KeyEvent, Vec<usize>)>;

fn phrase() -> impl Strategy<Value = Phrase> {
    let event = prop_oneof![Just(DOWN), Just(LEGATO), Just(KeyEvent::Up)];
    let blocks = proptest::collection::vec(0..300_usize, 1..5);
    proptest::collection::vec((event, blocks), 1..8)
}

/// Times from none through fractions of a sample to a few thousand samples at 8 kHz.
fn time() -> impl Strategy<Value = f64> {
    prop_oneof![1 => Just(0.0), 1 => 0.0..0.0005, 6 => 0.0005..0.05, 2 => 0.05..0.4]
}

fn restart() -> impl Strategy<Value = Restart> {
    proptest::sample::select(&RESTARTS[..])
}

fn adsr_setup() -> impl Strategy<Value = adsr::Setup> {
    let overshoot = prop_oneof![1.01..1.1, 1.1..3.0, 3.0..=100.0];
    let sustain = prop_oneof![8 => 0.0..=1.0, 1 => Just(0.0), 1 => Just(1.0)];
    (time(), time(), sustain, time(), overshoot, restart()).prop_map(
        |(attack, decay, sustain, release, overshoot, restart)| adsr::Setup {
            attack,
            decay,
            sustain,
            release,
            overshoot,
            restart,
        },
    )
}

/// Any points; hold, loop and release among them.
fn stages_setup() -> impl Strategy<Value = multistage::Setup> {
    let point = (time(), -1.0..=1.0, prop_oneof![1 => Just(0.0), 4 => -8.0..=8.0]);
    let marks = (0..=16_usize, 1..=16_usize, 0..=16_usize, 0..4_usize, 0..=16_usize);
    (proptest::collection::vec(point, 2..=16), marks, restart()).prop_map(
        |(mut shape, (hold, loop_from, length, loop_count, release), restart)| {
            let count = shape.len();
            let loop_from = if length == 0 { 0 } else { (loop_from - 1) % count + 1 };
            let loop_to = if length == 0 { 0 } else { (loop_from + length - 1).min(count) };
            // A loop that takes no time is refused; give it a sample.
            if loop_to > 0 {
                shape[loop_to - 1].0 = shape[loop_to - 1].0.max(0.0002);
            }
            multistage::Setup {
                hold: hold % (count + 1),
                loop_from,
                loop_to,
                loop_count,
                release: release % (count + 1),
                restart,
                ..points(&shape)
            }
        },
    )
}

proptest! {
    #![proptest_config(seeded(600))]

    /// Any phrase on any settings, changed on the way: as the closed form, without a step that
    /// the equations do not have, and at rest when the release says so.
    #[test]
    fn adsr_follows_any_phrase(
        setup in adsr_setup(),
        later in adsr_setup(),
        phrase in phrase(),
        change in 0..8_usize,
    ) {
        for which in 0..2 {
            let mut exact = Adsr::new(8_000, &setup);
            let mut twin = adsr_twins(8_000, &setup).into_iter().nth(which).unwrap();
            let mut plan: Vec<(Option<KeyEvent>, usize)> =
                phrase.iter().map(|(event, blocks)| (Some(*event), blocks.iter().sum())).collect();
            plan.insert(change.min(plan.len()), (None, 100));
            // Let go at last, and wait as long as the release takes.
            plan.push((Some(KeyEvent::Up), 0));
            let mut last = 0.0_f64;
            for (event, count) in plan {
                match event {
                    Some(event) => {
                        twin.event(event);
                        exact.event(event);
                    }
                    None => {
                        twin.set(&later);
                        exact.set(&later);
                    }
                }
                let to_rest = if event == Some(KeyEvent::Up) && exact.stage == adsr::Stage::Release {
                    exact.end.ceil()
                } else {
                    0.0
                };
                let steepest = exact.steepest();
                let steps = count.max(to_rest as usize);
                for i in 0..steps {
                    prop_assume!(exact.margin > TOSS_UP);
                    prop_assert_eq!(twin.stage(), exact.stage, "at {} of {}", i, steps);
                    let allowed = twin.allowed(exact.n);
                    let expected = exact.tick();
                    let level = twin.tick();
                    prop_assert!((0.0..=1.0).contains(&level), "{level}");
                    prop_assert!((level - expected).abs() <= allowed, "{level} {expected}");
                    // At the event itself, stages without length and a restart from 0 jump.
                    if i > 0 {
                        let step = (level - last).abs();
                        prop_assert!(step <= steepest + 2.0 * allowed, "{step} {steepest}");
                    }
                    last = level;
                }
                if to_rest > 0.0 && steps as f64 == to_rest {
                    prop_assert!(twin.at_rest(), "after {to_rest} samples of release");
                    prop_assert_eq!(twin.tick(), 0.0);
                    exact.tick();
                }
            }
            prop_assert_eq!(twin.stage(), adsr::Stage::Idle);
        }
    }

    #[test]
    fn multistage_follows_any_phrase(setup in stages_setup(), phrase in phrase()) {
        for which in 0..2 {
            let mut exact = Stages::new(8_000, &setup);
            let mut twin = stages_twins(8_000, &setup).into_iter().nth(which).unwrap();
            let mut plan: Vec<(KeyEvent, usize)> =
                phrase.iter().map(|(event, blocks)| (*event, blocks.iter().sum())).collect();
            // Sixteen stages of 0.4 s, a loop of them three times more: then it has to rest.
            plan.push((KeyEvent::Up, 16 * 3_200 * 4));
            let mut last = 0.0;
            for (event, count) in plan {
                twin.event(event);
                exact.event(event);
                for i in 0..count {
                    prop_assert_eq!(twin.stage(), exact.stage);
                    prop_assert_eq!(twin.at_rest(), !exact.moving);
                    let allowed = twin.allowed(&exact);
                    let (steepest, target) = (exact.steepest(), exact.moving.then(|| exact.point()));
                    let expected = exact.tick();
                    let level = twin.tick();
                    prop_assert!((-1.0..=1.0).contains(&level), "{level}");
                    prop_assert!((level - expected).abs() <= allowed, "{level} {expected}");
                    // Within a stage: no step beyond its steepest.
                    if i > 0 && exact.moving && exact.n > 1.0 && target.is_some() {
                        let step = (level - last).abs();
                        prop_assert!(step <= steepest + 2.0 * allowed, "{step} {steepest}");
                    }
                    last = level;
                    if twin.at_rest() && i > 2 && count > 10_000 {
                        break;
                    }
                }
            }
            prop_assert!(twin.at_rest());
            prop_assert!(exact.stage == setup.count || exact.stage == 0);
        }
    }

    /// Any partition into blocks gives the same bits, by the entries that the bench uses.
    #[test]
    fn contours_give_the_same_bits_in_any_blocks(
        adsr in adsr_setup(),
        shape in stages_setup(),
        phrase in phrase(),
    ) {
        let restart = |restart: Restart| RESTARTS.iter().position(|&r| r == restart).unwrap() as f64;
        let simple = [
            ("attack", adsr.attack),
            ("decay", adsr.decay),
            ("sustain", adsr.sustain),
            ("release", adsr.release),
            ("overshoot", adsr.overshoot),
            ("restart", restart(adsr.restart)),
        ];
        let point = shape.points[1];
        let stages = [
            ("points", shape.count as f64),
            ("time-2", point.time),
            ("level-2", point.level),
            ("bend-2", point.bend),
            ("bend-1", shape.points[0].bend),
            ("hold", shape.hold as f64),
            ("restart", restart(shape.restart)),
        ];
        for entry in ENTRIES {
            let values = match entry.name {
                "adsr" => Values(&simple),
                "multistage" => Values(&stages),
                _ => Values(&[]),
            };
            let float = |blocks| -> Vec<u32> {
                played(entry.float, &values, &phrase, blocks).into_iter().map(f32::to_bits).collect()
            };
            prop_assert_eq!(float(true), float(false), "{} float", entry.name);
            if let FixedContour::Level(lend) = entry.fixed {
                let fixed = |blocks| played(lend, &values, &phrase, blocks);
                prop_assert_eq!(fixed(true), fixed(false), "{} fixed", entry.name);
            }
        }
    }
}

fn played<S: Copy + Default>(
    lend: LendContour<S>,
    values: &Values<'_>,
    phrase: &Phrase,
    in_blocks: bool,
) -> Vec<S> {
    let mut out = Vec::new();
    let mut play = |contour: &mut dyn Contour<S>| {
        for (event, blocks) in phrase {
            contour.event(*event);
            for &length in blocks {
                let start = out.len();
                out.resize(start + length, S::default());
                if in_blocks {
                    contour.process(&mut out[start..]);
                } else {
                    out[start..].iter_mut().for_each(|sample| *sample = contour.tick());
                }
            }
        }
    };
    lend(rate(8_000), values, &mut play).unwrap();
    out
}

/// Nothing set: both are heard, and the twins agree within the sum of their bounds.
#[test]
fn default_contours_are_audible() {
    for entry in [adsr::ENTRY, multistage::ENTRY] {
        assert!(ENTRIES.iter().any(|registered| registered.name == entry.name));
        let FixedContour::Level(fixed) = entry.fixed else { panic!("{} is a level", entry.name) };
        let phrase = vec![(DOWN, vec![2_000]), (KeyEvent::Up, vec![2_000])];
        let float = played(entry.float, &Values(&[]), &phrase, true);
        let fixed: Vec<I1F31> = played(fixed, &Values(&[]), &phrase, true);
        let peak = float.iter().fold(0.0_f32, |peak, level| peak.max(level.abs()));
        assert_eq!(peak, 1.0, "{}", entry.name);
        // The larger of the two bounds; the stages of the other are straight and at most 1 far.
        let allowed = adsr::float_error(2_000.0) + adsr::FIXED_ERROR;
        assert!(multistage::float_error(2_400.0, 1.0, 0.0) + LSB < allowed);
        for (float, fixed) in float.iter().zip(&fixed) {
            assert_abs_diff_eq!(f64::from(*float), f64::from(*fixed), epsilon = allowed);
        }
    }
}
