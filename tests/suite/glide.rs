//! Glide: durations to the sample, closed forms, landing, and what plain fixed point would do.

use fixed::types::I6F26;
use plumbtone_voice::contours::FixedContour;
use plumbtone_voice::contours::glide::{self, Mode, Setup};
use plumbtone_voice::{Contour, KeyEvent, Rate, Values};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// Unit roundoff of f32.
const U: f64 = 1.0 / 16_777_216.0;
/// One unit of Q6.26, in octaves.
const LSB: f64 = 1.0 / 67_108_864.0;
/// Where rc ends by its definition, in octaves.
const NEAR: f64 = 1.0 / 1_048_576.0;

/// A twin on the bench.
trait Pitch {
    fn down(&mut self, octaves: f64, legato: bool);
    fn up(&mut self);
    fn next(&mut self) -> f64;
    fn rests(&self) -> bool;
    fn is_fixed(&self) -> bool;
}

macro_rules! pitch {
    ($twin:ty, $fixed:literal) => {
        impl Pitch for $twin {
            fn down(&mut self, octaves: f64, legato: bool) {
                self.event(KeyEvent::Down { octaves: I6F26::from_num(octaves), legato });
            }
            fn up(&mut self) {
                self.event(KeyEvent::Up);
            }
            fn next(&mut self) -> f64 {
                self.tick().into()
            }
            fn rests(&self) -> bool {
                self.at_rest()
            }
            fn is_fixed(&self) -> bool {
                $fixed
            }
        }
    };
}
pitch!(glide::Float, false);
pitch!(glide::Fixed, true);

fn twins(rate_hz: u32, setup: &Setup) -> [Box<dyn Pitch>; 2] {
    let rate = Rate::new(rate_hz).unwrap();
    [
        Box::new(glide::Float::new(rate, setup).unwrap()),
        Box::new(glide::Fixed::new(rate, setup).unwrap()),
    ]
}

fn setup(mode: Mode, time_s: f64) -> Setup {
    Setup { mode, time_s, legato_only: false }
}

/// A pitch as events carry it, in octaves from A4.
fn q26(octaves: f64) -> f64 {
    (octaves / LSB).round() * LSB
}

/// The definition: a glide from p0 to p1.
#[derive(Clone, Copy, Debug)]
struct Exact {
    mode: Mode,
    p0: f64,
    p1: f64,
    /// The time in samples.
    samples: f64,
}

impl Exact {
    fn new(rate_hz: u32, setup: &Setup, p0: f64, p1: f64) -> Self {
        Self { mode: setup.mode, p0, p1, samples: setup.time_s * f64::from(rate_hz) }
    }

    fn way(&self) -> f64 {
        (self.p0 - self.p1).abs()
    }

    /// Samples until it lands, before rounding to whole ones.
    fn unrounded(&self) -> f64 {
        match self.mode {
            Mode::Time => self.samples,
            Mode::Rate => self.way() * self.samples,
            Mode::Rc => (self.way() / NEAR).ln() * self.samples,
        }
    }

    fn length(&self) -> u64 {
        match self.mode {
            _ if self.way() == 0.0 => 0,
            Mode::Rc if self.samples < 0.5 => 0,
            Mode::Rc => self.unrounded().ceil().max(0.0) as u64,
            _ => self.unrounded().round() as u64,
        }
    }

    fn at(&self, n: u64) -> f64 {
        let (n, length) = (n as f64, self.length() as f64);
        match self.mode {
            _ if n >= length => self.p1,
            Mode::Rc => self.p1 + (self.p0 - self.p1) * (-n / self.samples).exp(),
            _ => self.p0 + (self.p1 - self.p0) * n / length,
        }
    }

    /// The bounds in the head of the module. Rounding errors to the first order in U; what that
    /// leaves out is below 1e-6 of it.
    fn bound(&self, is_fixed: bool, n: u64) -> f64 {
        let (d, n) = (self.way(), n as f64);
        let x = 1.0 / self.samples;
        let left = d * (-n * x).exp();
        let largest = self.p0.abs().max(self.p1.abs());
        match (self.mode, is_fixed) {
            (_, false) if self.length() == 0 => U * largest,
            (_, true) if self.length() == 0 => 0.0,
            (Mode::Rc, false) => {
                let grown = 2.0 + 4.0 * n * x.exp_m1() + n * U * x.exp();
                U * (left * grown + 2.0 * largest)
            }
            (Mode::Rc, true) => LSB / 2.0 + left * n * x.exp_m1() / CYCLE + (-54_f64).exp2(),
            (_, false) => U * (5.0 * d + 2.0 * largest),
            (_, true) => LSB / 2.0,
        }
    }

    /// By how many samples the landing may be off.
    fn slack(&self, is_fixed: bool) -> u64 {
        if self.mode != Mode::Rc || self.length() == 0 {
            return 0;
        }
        let (n, x) = (self.length() as f64, 1.0 / self.samples);
        let largest = self.p0.abs().max(self.p1.abs());
        let off = if is_fixed {
            n / CYCLE + (-34_f64).exp2() / x
        } else {
            U * (n * (4.0 + U / x) + (2.0 + 2.0 * largest / self.way()) / x)
        };
        let landing = self.unrounded();
        // Within that of a whole number, the next sample may come first or last.
        let clear = landing - landing.floor() > off && landing.ceil() - landing > off;
        if clear { 0 } else { 1 + off.floor() as u64 }
    }
}

const CYCLE: f64 = 4_294_967_296.0;

/// Plays a glide to its end against the definition; gives the worst error per bound.
fn play(twin: &mut dyn Pitch, exact: &Exact, start: u64) -> f64 {
    let is_fixed = twin.is_fixed();
    let (length, slack) = (exact.length(), exact.slack(is_fixed));
    let (mut n, mut worst) = (start, 0.0_f64);
    while !twin.rests() {
        let y = twin.next();
        let near_landing = n + slack >= length;
        let bound = exact.bound(is_fixed, n) + if near_landing { NEAR } else { 0.0 };
        let error = (y - exact.at(n)).abs();
        assert!(error <= bound, "{exact:?} fixed {is_fixed} n {n}: {error:e} > {bound:e}");
        if !near_landing {
            worst = worst.max(error / bound);
        }
        n += 1;
        assert!(n <= length + slack, "{exact:?} fixed {is_fixed}: not there after {n}");
    }
    assert!(n.abs_diff(length) <= slack, "{exact:?} fixed {is_fixed}: {n}, not {length}");
    let landed = if is_fixed { exact.p1 } else { f64::from(exact.p1 as f32) };
    assert_eq!(twin.next(), landed, "{exact:?} fixed {is_fixed}");
    worst
}

const MODES: [Mode; 3] = [Mode::Time, Mode::Rate, Mode::Rc];

/// Definition: see the functions above, which write it out. A limit that no glide comes near
/// would say nothing: the worst of each twin is at least 1/16 of it.
#[test]
fn every_mode_follows_its_closed_form() {
    let intervals =
        [(-69.0, 58.0), (0.0, 12.0), (12.0, 0.0), (-9.0, -8.0), (3.0, -47.0), (-0.5, 0.01)];
    for mode in MODES {
        let mut worst = [0.0_f64; 2];
        for rate_hz in [8_000, 44_100, 192_000] {
            for time_s in [1e-5, 3e-4, 0.01, 0.1, 0.777] {
                for (from, to) in intervals.map(|(from, to)| (q26(from / 12.0), q26(to / 12.0))) {
                    let setup = setup(mode, time_s);
                    let exact = Exact::new(rate_hz, &setup, from, to);
                    for (twin, worst) in twins(rate_hz, &setup).iter_mut().zip(&mut worst) {
                        twin.down(from, false);
                        twin.down(to, false);
                        *worst = worst.max(play(twin.as_mut(), &exact, 0));
                    }
                }
            }
        }
        println!("{mode:?}: worst error per bound {worst:?}");
        assert!(worst.iter().all(|worst| *worst > 1.0 / 16.0), "{mode:?}: {worst:?}");
    }
}

/// The first value after the event is still the old pitch, the last one exactly the new, and
/// constant time takes round(t fs) samples whatever the interval.
#[test]
fn durations_are_exact_to_the_sample() {
    let cases = [
        // (mode, time, octaves, samples at 48 kHz)
        (Mode::Time, 0.1, 1.0, 4_800),
        (Mode::Time, 0.1, -5.25, 4_800),
        (Mode::Time, 0.100_02, 1.0, 4_801),
        (Mode::Rate, 0.1, 1.0, 4_800),
        (Mode::Rate, 0.1, -5.25, 25_200),
        (Mode::Rate, 0.1, 0.25, 1_200),
        // ln 2^20 = 13.862944: 4800 times that is 66 542.1.
        (Mode::Rc, 0.1, 1.0, 66_543),
        // ln(2^20/4) = 12.476649: 59 887.9.
        (Mode::Rc, 0.1, -0.25, 59_888),
    ];
    for (mode, time_s, octaves, samples) in cases {
        for mut twin in twins(48_000, &setup(mode, time_s)) {
            twin.down(0.5, false);
            twin.down(0.5 + octaves, false);
            let values: Vec<f64> = (0..=samples).map(|_| twin.next()).collect();
            let case = format!("{mode:?} {octaves} fixed {}", twin.is_fixed());
            assert_eq!(values[0], 0.5, "{case}");
            assert_eq!(values[samples], 0.5 + octaves, "{case}");
            assert_ne!(values[1], 0.5, "{case}");
            assert_ne!(values[samples - 1], 0.5 + octaves, "{case}");
            assert!(twin.rests() && twin.next() == 0.5 + octaves, "{case}");
        }
    }
}

/// A line of 19.2 million samples whose step is below the resolution of both formats.
#[test]
fn a_hundred_seconds_at_192_khz_neither_stall_nor_miss() {
    for (mode, to) in [(Mode::Time, 1.0 / 12.0), (Mode::Rate, 0.25), (Mode::Rc, 1.0 / 131_072.0)] {
        let setup = setup(mode, 100.0);
        let exact = Exact::new(192_000, &setup, 0.0, q26(to));
        for mut twin in twins(192_000, &setup) {
            twin.down(0.0, false);
            twin.down(to, false);
            play(twin.as_mut(), &exact, 0);
        }
    }
}

/// Derived: an octave is 1200 cents, so e^-n/τ fs = 1/1200 at ln 1200 = 7.0901 τ and 1/12000 at
/// ln 12000 = 9.3927 τ.
#[test]
fn rc_comes_to_a_cent_in_7_0901_tau_and_to_a_tenth_in_9_3927() {
    for (rate_hz, time_s) in [(48_000, 0.05), (44_100, 0.3), (192_000, 1.0), (8_000, 2.0)] {
        let setup = setup(Mode::Rc, time_s);
        for (from, to) in [(0.0, 1.0), (1.0, 0.0), (-3.0, -4.0)] {
            let exact = Exact::new(rate_hz, &setup, from, to);
            for mut twin in twins(rate_hz, &setup) {
                twin.down(from, false);
                twin.down(to, false);
                let mut n = 0;
                for (cents, tau) in [(1.0, 7.0901), (0.1, 9.3927)] {
                    let octaves: f64 = cents / 1200.0;
                    while (twin.next() - to).abs() > octaves {
                        n += 1;
                    }
                    // The error moves the crossing by itself over the slope; then the next sample.
                    let slope = octaves / exact.samples;
                    let allowed = 1.0 + exact.bound(twin.is_fixed(), n) / slope;
                    let ideal = -octaves.ln() * exact.samples;
                    assert!((n as f64 - ideal).abs() <= allowed, "{n} for {ideal}");
                    // Four digits are printed.
                    let printed = tau * exact.samples;
                    assert!((n as f64 - printed).abs() <= allowed + 0.5e-4 * exact.samples);
                    n += 1;
                }
            }
        }
    }
}

/// Every combination of setting, first note or not, and legato or not; an Up between changes none.
#[test]
fn the_first_note_jumps_and_legato_only_lets_only_a_legato_glide() {
    let table = [
        // legato-only, first, legato: glides
        (false, true, false, false),
        (false, true, true, false),
        (false, false, false, true),
        (false, false, true, true),
        (true, true, false, false),
        (true, true, true, false),
        (true, false, false, false),
        (true, false, true, true),
    ];
    for (legato_only, first, legato, glides) in table {
        for mode in MODES {
            for up in [false, true] {
                for mut twin in twins(48_000, &Setup { legato_only, ..setup(mode, 0.1) }) {
                    if !first {
                        twin.down(-1.0, false);
                    }
                    if up {
                        twin.up();
                    }
                    let before = if first { 0.0 } else { -1.0 };
                    twin.down(1.0, legato);
                    let expected = if glides { before } else { 1.0 };
                    let case = (legato_only, first, legato, mode, up);
                    assert_eq!(twin.next(), expected, "{case:?}");
                    assert_eq!(twin.rests(), !glides, "{case:?}");
                    assert_eq!(twin.next() == 1.0, !glides, "{case:?}");
                }
            }
        }
    }
}

/// A Down within a glide starts at the present pitch; an Up within it changes nothing.
#[test]
fn a_note_within_a_glide_starts_from_the_present_pitch() {
    for mode in MODES {
        let setup = setup(mode, 0.020_1);
        for (back, legato) in [(0.25, false), (-2.0, true), (1.75, false)] {
            for mut twin in twins(44_100, &setup) {
                let mut undisturbed = twins(44_100, &setup);
                let undisturbed = &mut undisturbed[usize::from(twin.is_fixed())];
                for twin in [&mut twin, undisturbed] {
                    twin.down(0.0, false);
                    twin.down(1.0, false);
                }
                for n in 0..300 {
                    if n == 100 {
                        twin.up();
                    }
                    assert_eq!(twin.next(), undisturbed.next());
                }
                let present = undisturbed.next();
                assert!(present > 0.2 && present < 0.9, "within the glide: {present}");
                twin.down(back, legato);
                // The float twin counts the way to 2^-26 octave, far from the next sample here.
                let exact = Exact::new(44_100, &setup, present, back);
                assert!((exact.unrounded().fract() - 0.5).abs() > 1e-4, "a tie");
                assert_eq!(twin.next(), present);
                play(twin.as_mut(), &exact, 1);
            }
        }
    }
}

/// t fs < ½ jumps, ½ is one sample; in rate mode the interval counts.
#[test]
fn below_half_a_sample_the_pitch_jumps() {
    let half = 0.5 / 48_000.0;
    for (mode, time_s, octaves, samples) in [
        (Mode::Time, 0.0, 1.0, 0),
        (Mode::Rate, 0.0, 1.0, 0),
        (Mode::Rc, 0.0, 1.0, 0),
        (Mode::Time, 0.999 * half, 4.0, 0),
        (Mode::Rc, 0.999 * half, 4.0, 0),
        (Mode::Time, half, 4.0, 1),
        (Mode::Rate, 0.999 * half, 1.0, 0),
        (Mode::Rate, 0.999 * half, 2.0, 1),
        (Mode::Rate, half, 1.0, 1),
        // q = e^-2: ceil(ln(2^20 · 4)/2) = ceil(7.6).
        (Mode::Rc, half, 4.0, 8),
        (Mode::Time, 1.0, 0.0, 0),
        (Mode::Rc, 1.0, NEAR, 0),
        // One unit above the end: ln(65/64) = 0.015504 of 48 000.
        (Mode::Rc, 1.0, NEAR + LSB, 745),
    ] {
        for mut twin in twins(48_000, &setup(mode, time_s)) {
            twin.down(-0.25, false);
            twin.down(-0.25 + octaves, false);
            let mut count = 0;
            while !twin.rests() {
                twin.next();
                count += 1;
            }
            let case = format!("{mode:?} {time_s} {octaves} fixed {}", twin.is_fixed());
            assert_eq!(count, samples, "{case}");
            assert_eq!(twin.next(), f64::from((-0.25 + octaves) as f32), "{case}");
        }
    }
}

/// Dead band of y += round(k (p1 − y)): it stops where k times the rest rounds to 0, below 0.5/k
/// LSB when rounding to nearest (Blackman 1965, Jackson 1969, from memory), below 1/k when flooring
/// from below. The plain form is measured here; the twin, on the same glide, lands.
#[test]
fn a_plain_q26_state_stalls_where_predicted_and_the_twin_does_not() {
    for (rate_hz, time_s) in [(48_000_u32, 0.1), (48_000, 1.0), (192_000, 2.0)] {
        let k = -(-1.0 / (time_s * f64::from(rate_hz))).exp_m1();
        let stalls = |round: fn(f64) -> f64| {
            let mut left = (1.0 / LSB) as i64;
            loop {
                let step = round(k * left as f64) as i64;
                if step == 0 {
                    return left;
                }
                left -= step;
            }
        };
        assert_eq!(stalls(f64::round), (0.5 / k).ceil() as i64 - 1);
        assert_eq!(stalls(f64::floor), (1.0 / k).ceil() as i64 - 1);
        // At 1 s and 48 kHz that is 0.43 cent; the twin would miss its landing zone by far.
        assert!(stalls(f64::round) as f64 * LSB > NEAR);
        let setup = setup(Mode::Rc, time_s);
        let exact = Exact::new(rate_hz, &setup, 0.0, 1.0);
        let mut twin = glide::Fixed::new(Rate::new(rate_hz).unwrap(), &setup).unwrap();
        twin.down(0.0, false);
        twin.down(1.0, false);
        play(&mut twin, &exact, 0);
    }
}

/// Names, defaults and ranges as listed, and the bench plays the same twins.
#[test]
fn settings_are_held_to_their_ranges_and_reach_the_twins() {
    for (name, value) in [
        ("time", -0.001),
        ("time", 100.001),
        ("time", f64::NAN),
        ("mode", 3.0),
        ("mode", 0.5),
        ("legato-only", 2.0),
    ] {
        let error = Setup::from_values(&Values(&[(name, value)])).unwrap_err();
        assert_eq!(error.parameter, name);
    }
    let rate = Rate::new(48_000).unwrap();
    for time_s in [-1e-9, 100.1, f64::INFINITY, f64::NAN] {
        let setup = setup(Mode::Time, time_s);
        assert_eq!(glide::Float::new(rate, &setup).unwrap_err().parameter, "time");
        assert_eq!(glide::Fixed::new(rate, &setup).unwrap_err().parameter, "time");
    }
    assert_eq!(Setup::from_values(&Values(&[])).unwrap(), Setup::default());
    let entry = glide::ENTRY;
    let names: Vec<_> = entry.parameters.iter().map(|parameter| parameter.name).collect();
    assert_eq!(names, ["mode", "time", "legato-only"]);
    let values = [("mode", 2.0), ("time", 0.01), ("legato-only", 1.0)];
    let setup = Setup { mode: Mode::Rc, time_s: 0.01, legato_only: true };
    let notes = [0.0, 1.0, -1.0].map(|octaves| KeyEvent::Down {
        octaves: I6F26::from_num(octaves),
        legato: octaves != 0.0,
    });
    fn render<S: Copy>(contour: &mut dyn Contour<S>, notes: &[KeyEvent]) -> Vec<S> {
        let mut out = Vec::new();
        for &note in notes {
            contour.event(note);
            out.extend((0..100).map(|_| contour.tick()));
        }
        out
    }
    let mut own = glide::Float::new(rate, &setup).unwrap();
    let expected = render(&mut own, &notes);
    let mut lent = Vec::new();
    (entry.float)(rate, &Values(&values), &mut |twin| lent = render(twin, &notes)).unwrap();
    assert_eq!(lent, expected);
    let mut own = glide::Fixed::new(rate, &setup).unwrap();
    let expected = render(&mut own, &notes);
    let FixedContour::Octaves(fixed) = entry.fixed else { panic!("octaves") };
    let mut lent = Vec::new();
    fixed(rate, &Values(&values), &mut |twin| lent = render(twin, &notes)).unwrap();
    assert_eq!(lent, expected);
}

fn seeded(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(31);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

fn any_setup() -> impl Strategy<Value = Setup> {
    let time_s = prop_oneof![Just(0.0), (-6.0..-1.0_f64).prop_map(|x| 10.0_f64.powf(x))];
    (0..3_usize, time_s, any::<bool>()).prop_map(|(mode, time_s, legato_only)| Setup {
        mode: MODES[mode],
        time_s,
        legato_only,
    })
}

fn any_pitch() -> impl Strategy<Value = f64> {
    let keys = (0..128).prop_map(|key| f64::from(key - 69) / 12.0);
    let any = any::<i32>().prop_map(|bits| f64::from(bits) * LSB);
    prop_oneof![3 => keys, 1 => any].prop_map(q26)
}

proptest! {
    #![proptest_config(seeded(300))]

    /// Whatever is played: a number, no step above the steepest of the definition, and there in
    /// the predicted time.
    #[test]
    fn any_melody_glides_as_defined(
        setup in any_setup(),
        rate_hz in prop_oneof![Just(8_000_u32), Just(48_000), 8_000..=192_000_u32],
        notes in proptest::collection::vec((any_pitch(), any::<bool>(), 0..3_000_u64), 1..8),
    ) {
        for mut twin in twins(rate_hz, &setup) {
            let is_fixed = twin.is_fixed();
            // The pitch at which the last note rests; before the first, A4.
            let mut target = 0.0;
            for (i, &(to, legato, samples)) in notes.iter().enumerate() {
                let rested = twin.rests();
                twin.down(to, legato);
                let jumps = i == 0 || setup.legato_only && !legato;
                let mut y = twin.next();
                let from = if rested { target } else { y };
                let exact = Exact::new(rate_hz, &setup, from, to);
                // The float twin counts from the nearest 2^-26 octave within a glide.
                let blur = if rested || setup.mode != Mode::Rate { 0.0 }
                    else { exact.samples * LSB / 2.0 } + 1e-6;
                let tie = setup.mode != Mode::Rc
                    && ((exact.unrounded() - 0.5).fract() - 0.5).abs() >= 0.5 - blur;
                let length = if jumps { 0 } else { exact.length() };
                let slack = if jumps { 0 } else { exact.slack(is_fixed) }
                    + u64::from(tie) * (1 + blur as u64);
                let bound = |n| exact.bound(is_fixed, n);
                if length + slack == 0 {
                    prop_assert_eq!(y, if is_fixed { to } else { f64::from(to as f32) });
                }
                let steepest = match setup.mode {
                    Mode::Rc => (exact.way() * -(-1.0 / exact.samples).exp_m1()).max(NEAR),
                    _ => exact.way() / length.saturating_sub(slack).max(1) as f64,
                };
                let mut n = 1;
                let mut landed = twin.rests().then_some(n);
                while n <= samples {
                    let next = twin.next();
                    prop_assert!(next.is_finite());
                    let step = (next - y).abs();
                    prop_assert!(step <= steepest + bound(n) + bound(n - 1), "{exact:?} {n}: {step}");
                    y = next;
                    n += 1;
                    if twin.rests() && landed.is_none() {
                        landed = Some(n);
                    }
                }
                match landed {
                    // A jump and a glide of one sample both rest after the first.
                    Some(1) => prop_assert!(length <= slack + 1, "{exact:?}: landed at once"),
                    Some(n) => prop_assert!(n.abs_diff(length) <= slack, "{exact:?}: {n}"),
                    None => prop_assert!(length + slack > samples, "{exact:?}: not there"),
                }
                target = to;
            }
        }
    }

    /// The same bits in any blocks.
    #[test]
    fn any_partition_gives_the_same_bits(
        setup in any_setup(),
        notes in proptest::collection::vec(
            (any_pitch(), any::<bool>(), proptest::collection::vec(0..200_usize, 1..5)), 1..6),
    ) {
        let rate = Rate::new(44_100).unwrap();
        fn compare<S: Copy + Default + PartialEq + std::fmt::Debug>(
            (mut whole, mut parts): (impl Contour<S>, impl Contour<S>),
            notes: &[(f64, bool, Vec<usize>)],
        ) {
            for (octaves, legato, blocks) in notes {
                let event =
                    KeyEvent::Down { octaves: I6F26::from_num(*octaves), legato: *legato };
                whole.event(event);
                parts.event(event);
                for &length in blocks {
                    let mut block = vec![S::default(); length];
                    parts.process(&mut block);
                    let expected: Vec<S> = (0..length).map(|_| whole.tick()).collect();
                    assert_eq!(block, expected);
                }
            }
        }
        let float = glide::Float::new(rate, &setup).unwrap();
        compare::<f32>((float.clone(), float), &notes);
        let fixed = glide::Fixed::new(rate, &setup).unwrap();
        compare::<I6F26>((fixed.clone(), fixed), &notes);
    }
}
