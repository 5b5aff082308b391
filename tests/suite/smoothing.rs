//! Smoothing of codes: the closed form of a step, dead bands, hysteresis.

use plumbtone_voice::control::smoothing::{ENTRY, Fixed, Float, Setup};
use plumbtone_voice::control::{Follower, Made};
use plumbtone_voice::{Rate, Values};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// Half the spacing of f32 at 1, relative.
const HALF: f64 = 1.0 / 16_777_216.0;
const LSB: f64 = 1.0 / 65_536.0;

fn twins(rate_hz: u32, setup: &Setup) -> [(&'static str, Box<dyn Follower>); 2] {
    let rate = Rate::new(rate_hz).unwrap();
    let fixed = Fixed::new(rate, setup).unwrap();
    [("float", Box::new(Float::new(rate, setup).unwrap())), ("fixed", Box::new(fixed))]
}

fn setup(tau_s: f64, hysteresis_codes: f64) -> Setup {
    Setup { tau_s, hysteresis_codes }
}

/// 1 − k.
fn pole(rate_hz: u32, tau_s: f64) -> f64 {
    (-1.0 / (tau_s * f64::from(rate_hz))).exp()
}

/// The time constant whose pole is `a`.
fn tau_of(rate_hz: u32, a: f64) -> f64 {
    -1.0 / (a.ln() * f64::from(rate_hz))
}

/// Derived bound for steps between codes of at most `top`.
///
/// f32, in units of 2^-24 of the top code: k moves the curve by 1/e of its own rounding; difference,
/// less the rest, and product are rounded in proportion to each step, and all steps add up to the
/// way; the output is rounded, with hysteresis twice: 6. The second part of the state, 2^-24 of the
/// first, is rounded by 2^-49 of the top at each step, which decays by 1 − k. Fixed: k of 30 bits
/// moves the curve by 2^-30/e of the way; the carried remainder leaves y within one LSB, the
/// halved hysteresis is rounded to one.
fn bound(which: &str, top: f64, k: f64) -> f64 {
    if which == "float" {
        top * (6.0 * HALF + 2.0_f64.powi(-49) / k)
    } else {
        1.5 * LSB + top * 2.0_f64.powi(-31)
    }
}

/// y[n] = c − (c − y0)(1 − k)^n after n codes: up from 0, then down, without hysteresis. It starts
/// at the first code, and 63.2 % of the way is done after tau.
#[test]
fn a_step_follows_its_closed_form() {
    for rate_hz in [8_000, 44_100, 192_000] {
        for tau_s in [0.000_1, 0.003, 0.05, 1.0] {
            let a = pole(rate_hz, tau_s);
            for (high, low) in [(4095, 100), (65_535, 0), (1, 0)] {
                for (which, mut follower) in twins(rate_hz, &setup(tau_s, 0.0)) {
                    let bound = bound(which, f64::from(high), 1.0 - a);
                    let count = ((6.0 * tau_s * f64::from(rate_hz)) as i32).min(400_000);
                    let mut from = 0.0;
                    for code in [high, low] {
                        let to = f64::from(code);
                        let mut exact = from;
                        for n in 1..=count {
                            exact = to - (to - from) * a.powi(n);
                            let found = follower.follow(code);
                            let off = (found - exact).abs();
                            // The second step starts where the first one ends, off by as much.
                            assert!(
                                off <= 2.0 * bound,
                                "{which} tau {tau_s} s at {rate_hz} Hz, {n} codes after the step to \
                                 {code}: {found} not {exact}, allowed {bound:e}"
                            );
                        }
                        from = exact;
                    }
                }
            }
        }
    }
}

#[test]
fn without_time_constant_and_hysteresis_every_code_comes_through() {
    for (_, mut follower) in twins(44_100, &setup(0.0, 0.0)) {
        for code in (0..=65_535).rev().chain([65_535, 0, 12_345, 1]) {
            assert_eq!(follower.follow(code), f64::from(code));
        }
        assert_eq!(follower.follow(65_536), 65_535.0);
        assert_eq!(follower.follow(u32::MAX), 65_535.0);
    }
}

/// A one-pole in whole numbers, y ← round(a·y), stops as soon as the step rounds to nothing:
/// floor(0.5/(1 − a)) codes short (Jackson, Allerton Conf. 1969, bound on dead bands; from memory).
/// Simulated here as 50 codes at a = 0.99 and 500 at 0.999. The carried remainder of the fixed twin
/// goes all the way, and so does the second part of the float twin's state.
#[test]
fn a_carried_remainder_arrives_where_plain_rounding_stalls() {
    const CODE: u32 = 3_000;
    for (per_mille, dead_band) in [(990_u32, 50), (999, 500)] {
        let a = f64::from(per_mille) / 1000.0;
        assert_eq!(500 / (1000 - per_mille), dead_band);
        let mut plain = CODE;
        for _ in 0..100_000 {
            plain = (plain * per_mille + 500) / 1000;
        }
        assert_eq!(plain, dead_band, "a = {a}");
        let pair = twins(44_100, &setup(tau_of(44_100, a), 0.0));
        for (which, mut follower) in pair {
            let mut after = |code| (0..100_000).fold(0.0, |_, _| follower.follow(code));
            assert_eq!(after(CODE), f64::from(CODE), "{which}, a = {a}");
            let dead_band = f64::from(CODE) * 2.0_f64.powi(-49) / (1.0 - a);
            let left = after(0);
            assert!(left <= if which == "float" { dead_band } else { 0.0 }, "{which}: {left:e}");
        }
    }
}

/// The longest time constant at the highest rate: k is 5.2e-7, and a single f32 above 32768 stops
/// where k times the way left is half its spacing, 2^-9: 3750 codes short. Both twins arrive from
/// 8 codes away, from both sides, within their stated dead bands.
#[test]
fn the_longest_time_constant_ends_within_the_stated_dead_band() {
    let rate = Rate::new(192_000).unwrap();
    let k = 1.0 - pole(192_000, 10.0);
    let mut single = 61_000.0_f32;
    for _ in 0..2_000_000 {
        single += k as f32 * (65_535.0 - single);
    }
    let (stalled, predicted) = (65_535.0 - f64::from(single), 2.0_f64.powi(-9) / k);
    assert!((stalled / predicted - 1.0).abs() < 0.001, "{stalled} codes short, not {predicted}");
    let mut float = Float::new(rate, &setup(10.0, 0.0)).unwrap();
    let mut fixed = Fixed::new(rate, &setup(10.0, 0.0)).unwrap();
    for (from, to) in [(65_527, 65_535), (40_008, 40_000)] {
        float.jump(from);
        fixed.jump(from);
        // 18 time constants leave 8·e^-18 = 1.2e-7 codes.
        for _ in 0..18 * 1_920_000 {
            float.next(to);
            fixed.next(to);
        }
        let dead_band = f64::from(to) * 2.0_f64.powi(-49) / k;
        let short = (f64::from(float.next(to)) - f64::from(to)).abs();
        assert!(dead_band < 2.3e-4 && short <= dead_band, "float: {short:e} of {dead_band:e}");
        assert_eq!(fixed.next(to), to, "fixed");
    }
}

/// The output as the definition has it, in exact arithmetic: f64 holds codes and halves.
fn hysteresis(h: f64, out: &mut f64, y: f64) -> f64 {
    if y - *out > h / 2.0 {
        *out = y - h / 2.0;
    } else if *out - y > h / 2.0 {
        *out = y + h / 2.0;
    }
    *out
}

/// Written out code by code for h = 4 from rest at 0: h/2 = 2 behind on the way up, still over a
/// turn of 4 codes, then 2 behind on the way down.
#[test]
fn hysteresis_stays_behind_and_asks_for_its_width_to_turn() {
    let up_and_down = [0, 1, 2, 3, 4, 5, 9, 10, 9, 8, 7, 6, 5, 4, 0, 1, 4, 5, 6];
    let expected = [0, 0, 0, 1, 2, 3, 7, 8, 8, 8, 8, 8, 7, 6, 2, 2, 2, 3, 4];
    for (which, mut follower) in twins(48_000, &setup(0.0, 4.0)) {
        for (code, expected) in up_and_down.into_iter().zip(expected) {
            assert_eq!(follower.follow(code), f64::from(expected), "{which}, code {code}");
        }
    }
}

/// Noise of ±h/2 about a code moves nothing; one code more does.
#[test]
fn noise_within_the_hysteresis_is_held_and_more_is_not() {
    for h in [2_u32, 5, 8, 64] {
        for (which, mut follower) in twins(48_000, &setup(0.0, f64::from(h))) {
            follower.follow(2_000);
            let held = follower.follow(2_000 - h / 2);
            for i in 0..1_000_u32 {
                let noise = i.wrapping_mul(2_654_435_769) >> 16;
                let found = follower.follow(2_000 - noise % (h + 1));
                assert_eq!(found, held, "{which} h = {h}");
            }
            assert_eq!(held, 2_000.0 - f64::from(h) / 2.0);
            assert_eq!(follower.follow(2_000 - h - 1), held - 1.0, "{which} h = {h}");
            assert_eq!(follower.follow(1_999), held - 1.0, "{which} h = {h}");
            assert_eq!(follower.follow(2_000), held, "{which} h = {h}");
            assert_eq!(follower.follow(2_001), held + 1.0, "{which} h = {h}");
        }
    }
}

/// A slow wave through both stages: the definition in f64, and the width of the turn as predicted.
#[test]
fn both_stages_in_a_row_are_the_definition() {
    let rate_hz = 44_100;
    for (tau_s, h) in [(0.002, 0.0), (0.002, 3.0), (0.02, 17.5), (0.0, 1.0), (0.1, 64.0)] {
        let k = if tau_s == 0.0 { 1.0 } else { 1.0 - pole(rate_hz, tau_s) };
        for (which, mut follower) in twins(rate_hz, &setup(tau_s, h)) {
            let allowed = bound(which, 4095.0, k);
            let (mut y, mut out) = (0.0, 0.0);
            for n in 0..60_000_u32 {
                let wave = 2_000.0 + 1_900.0 * (f64::from(n) * 0.000_7).sin();
                let code = (wave + f64::from(n.wrapping_mul(2_654_435_769) >> 29)) as u32;
                y += k * (f64::from(code) - y);
                let exact = hysteresis(h, &mut out, y);
                let found = follower.follow(code);
                let off = (found - exact).abs();
                assert!(
                    off <= 2.0 * allowed,
                    "{which} tau {tau_s} h {h}, sample {n}: {found} not {exact}"
                );
            }
        }
    }
}

/// After a jump there is nothing left of before.
#[test]
fn a_jump_starts_from_its_code() {
    let rate = Rate::new(44_100).unwrap();
    let setup = setup(0.05, 6.0);
    let mut float = Float::new(rate, &setup).unwrap();
    let mut fixed = Fixed::new(rate, &setup).unwrap();
    for code in [17, 3_000, 65_535] {
        float.next(code);
        fixed.next(code);
    }
    float.jump(1_234);
    fixed.jump(1_234);
    for _ in 0..100 {
        assert_eq!(float.next(1_234), 1_234.0);
        assert_eq!(fixed.next(1_234), 1_234);
    }
    float.jump(u32::MAX);
    fixed.jump(u32::MAX);
    assert_eq!(float.next(70_000), 65_535.0);
    assert_eq!(fixed.next(70_000), 65_535);
}

#[test]
fn what_lies_outside_is_refused_by_name() {
    let rate = Rate::new(44_100).unwrap();
    for (bad, parts) in [
        (setup(-0.001, 0.0), ["tau = -0.001", "0 to 10 s"]),
        (setup(10.001, 0.0), ["tau = 10.001", "0 to 10 s"]),
        (setup(f64::NAN, 0.0), ["tau = NaN", "0 to 10 s"]),
        (setup(0.1, 64.5), ["hysteresis = 64.5", "0 to 64 codes"]),
        (setup(0.1, -1.0), ["hysteresis = -1", "0 to 64 codes"]),
    ] {
        for error in [Float::new(rate, &bad).unwrap_err(), Fixed::new(rate, &bad).unwrap_err()] {
            let text = error.to_string();
            assert!(parts.iter().all(|part| text.contains(part)), "{text}");
        }
    }
    let given = [("hysteresis", 65.0)];
    assert_eq!((ENTRY.codes)(&Values(&given)).unwrap_err().parameter, "hysteresis");
}

/// The bench sees what firmware calls.
#[test]
fn the_entry_lends_both_twins_as_they_are() {
    let Made::Follower { float, fixed } = ENTRY.made else { panic!("smoothing follows") };
    let given = [("tau", 0.02), ("hysteresis", 3.0)];
    let rate = Rate::new(96_000).unwrap();
    assert_eq!((ENTRY.codes)(&Values(&given)), Ok(65_536));
    for (lend, (which, mut own)) in [float, fixed].into_iter().zip(twins(96_000, &setup(0.02, 3.0)))
    {
        let mut lent = 0;
        lend(rate, &Values(&given), &mut |follower| {
            for n in 0..5_000_u32 {
                let code = n.wrapping_mul(77) & 0xfff;
                assert_eq!(follower.follow(code), own.follow(code), "{which}");
                lent += 1;
            }
        })
        .unwrap();
        assert_eq!(lent, 5_000);
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 1_000,
        rng_seed: RngSeed::Fixed(2026),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Any settings, any codes: never outside the codes that came in, and a rising sequence never
    /// makes the output fall.
    #[test]
    fn the_output_stays_between_its_codes_and_keeps_their_order(
        rate_hz in 8_000..=192_000_u32,
        tau_s in prop_oneof![Just(0.0), 0.0..=0.01_f64, 0.0..=10.0_f64],
        h in 0.0..=64.0_f64,
        mut codes in proptest::collection::vec(any::<u16>(), 1..200),
        rising in any::<bool>(),
    ) {
        if rising {
            codes.sort_unstable();
        }
        let top = f64::from(*codes.iter().max().unwrap());
        for (which, mut follower) in twins(rate_hz, &setup(tau_s, h)) {
            let mut before = 0.0;
            for &code in &codes {
                let found = follower.follow(u32::from(code));
                // Rounding to the nearest f32 may end one spacing above a sum that ends at the top.
                let over = if which == "float" { top * 2.0 * HALF } else { 0.0 };
                prop_assert!(found >= 0.0 && found <= top + over, "{which}: {found} of {top}");
                prop_assert!(!rising || found >= before, "{which}: {found} after {before}");
                before = found;
            }
        }
    }

    /// Both twins against the definition in f64 on any codes.
    #[test]
    fn any_sequence_is_followed_within_the_bound(
        tau_s in prop_oneof![Just(0.0), 0.000_02..=0.01_f64, 0.01..=10.0_f64],
        codes in proptest::collection::vec(any::<u16>(), 1..300),
    ) {
        let k = if tau_s == 0.0 { 1.0 } else { 1.0 - pole(48_000, tau_s) };
        for (which, mut follower) in twins(48_000, &setup(tau_s, 0.0)) {
            // Each step counts for itself: as many ways as there are time constants.
            let ways = 1.0 + codes.len() as f64 * k;
            let allowed = bound(which, 65_535.0, k) * ways;
            let mut y = 0.0;
            for &code in &codes {
                y += k * (f64::from(code) - y);
                let found = follower.follow(u32::from(code));
                prop_assert!((found - y).abs() <= allowed, "{which}: {found} not {y}, {allowed:e}");
            }
        }
    }
}
