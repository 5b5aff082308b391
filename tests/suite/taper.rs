//! Tapers: every code of both twins against the defining formulas in f64.

use plumbtone_voice::control::taper::{Curve, ENTRY, Fixed, Float, Setup};
use plumbtone_voice::control::{Law, Made};
use plumbtone_voice::{Rate, Values};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const LSB: f64 = 1.0 / 2_147_483_648.0;
/// Half the spacing of f32 at 1, relative.
const HALF: f64 = 1.0 / 16_777_216.0;
/// Error of the degree-5 polynomial (`reference-tables/exp2-minimax`).
const FIT: f64 = 7.493_65e-8;
const MIDDLES: [f64; 5] = [0.01, 0.05, 0.1, 0.3, 0.49];

fn curves() -> Vec<Curve> {
    let mut curves = vec![Curve::Linear, Curve::S];
    curves.extend(MIDDLES.map(|middle| Curve::Logarithmic { middle }));
    curves
}

fn twins(setup: &Setup) -> [(&'static str, Box<dyn Law>); 2] {
    let fixed = Fixed::new(setup).unwrap();
    [("float", Box::new(Float::new(setup).unwrap())), ("fixed", Box::new(fixed))]
}

fn exact(curve: Curve, x: f64) -> f64 {
    match curve {
        Curve::Linear => x,
        Curve::S => x * x * (3.0 - 2.0 * x),
        Curve::Logarithmic { middle } => {
            let r = ((1.0 - middle) / middle).powi(2);
            (r.powf(x) - 1.0) / (r - 1.0)
        }
    }
}

/// Derived bounds.
///
/// Linear: the factor 1/(2^bits − 1) and the product are rounded. S, about half travel, in units of
/// 2^-24: x 2·0.75, its square 0.5, 3 − 2x 0.5, product 0.5, mirror 0.5; fixed, in LSB: x 0.75·1.5,
/// the floored square 2, the floored product 1. Logarithmic, v = r^x: the polynomial errs by its
/// fit at v and at 0; f32: polynomial 1.6, x 0.35 of v, coefficient 0.5 at 0, difference, factor
/// and product 1 each of the result; fixed: polynomial 4, x 0.9, factor 1 of v, 1.5 at 0, and two
/// halves for rounding.
fn bound(which: &str, curve: Curve, x: f64) -> f64 {
    let float = which == "float";
    match curve {
        Curve::Linear => {
            if float {
                2.0 * HALF * x
            } else {
                LSB
            }
        }
        Curve::S => {
            if float {
                4.0 * HALF
            } else {
                5.0 * LSB
            }
        }
        Curve::Logarithmic { middle } => {
            let r = ((1.0 - middle) / middle).powi(2);
            let v = r.powf(x);
            let arithmetic = if float {
                HALF * (2.0 * v + 1.0) / (r - 1.0) + 3.0 * HALF
            } else {
                LSB * (6.0 * v + 2.0) / (r - 1.0) + LSB
            };
            FIT * (v + 1.0) / (r - 1.0) + arithmetic
        }
    }
}

#[test]
fn every_code_follows_its_curve() {
    for bits in [10, 12, 16] {
        let last = (1_u32 << bits) - 1;
        for curve in curves() {
            for (which, law) in twins(&Setup { bits, curve }) {
                let mut worst = 0.0_f64;
                for code in 0..=last {
                    let x = f64::from(code) / f64::from(last);
                    let off = (law.at(code) - exact(curve, x)).abs();
                    let allowed = bound(which, curve, x);
                    assert!(
                        off <= allowed,
                        "{curve:?} {which} {bits} bits, code {code}: off by {off:e}, allowed {allowed:e}"
                    );
                    worst = worst.max(off / bound(which, curve, 1.0));
                }
                assert!(worst * 16.0 > 1.0, "{curve:?} {which}: tighten, {worst} of the bound");
            }
        }
    }
}

#[test]
fn ends_are_exact_and_no_code_falls_below_the_one_before() {
    for bits in 10..=16 {
        let last = (1_u32 << bits) - 1;
        for curve in curves() {
            for (which, law) in twins(&Setup { bits, curve }) {
                let of = format!("{curve:?} {which} {bits} bits");
                assert_eq!((law.at(0), law.at(last)), (0.0, 1.0), "{of}");
                assert_eq!((law.at(last + 1), law.at(u32::MAX)), (1.0, 1.0), "{of}");
                let mut before = 0.0;
                for code in 1..=last {
                    let now = law.at(code);
                    assert!(now >= before && now <= 1.0, "{of}, code {code}: {before} {now}");
                    before = now;
                }
            }
        }
    }
}

/// Half travel lies between two codes; their mean is off by the curvature over half a code,
/// (ln r)²/8 · (r^½/(r − 1)) / last².
#[test]
fn the_logarithmic_curve_passes_its_middle_at_half_travel() {
    for middle in MIDDLES {
        for (which, law) in twins(&Setup { bits: 12, curve: Curve::Logarithmic { middle } }) {
            let found = (law.at(2047) + law.at(2048)) / 2.0;
            let r = ((1.0 - middle) / middle).powi(2);
            let bow = r.ln().powi(2) / 8.0 * r.sqrt() / (r - 1.0) / 4095.0_f64.powi(2);
            let allowed = bow + bound(which, Curve::Logarithmic { middle }, 0.5);
            assert!((found - middle).abs() <= 1.01 * allowed, "{which}: {found} not {middle}");
        }
    }
}

/// 3x² − 2x³ is its own mirror image.
#[test]
fn the_s_curve_is_symmetric_to_the_bit() {
    for (which, law) in twins(&Setup { bits: 12, curve: Curve::S }) {
        for code in 0..=4095 {
            let mirrored = 1.0 - law.at(4095 - code);
            // 1 − y is rounded in f32, by half an ulp below 1.
            let allowed = if which == "float" { HALF / 2.0 } else { 0.0 };
            assert!((law.at(code) - mirrored).abs() <= allowed, "{which} {code}");
        }
    }
}

#[test]
fn what_lies_outside_is_refused_by_name() {
    for bits in [0, 9, 17, u32::MAX] {
        let text = Float::new(&Setup { bits, curve: Curve::S }).unwrap_err().to_string();
        assert!(text.contains("bits") && text.contains("10 to 16"), "{text}");
    }
    for middle in [0.0099, 0.4901, 0.5, -1.0, f64::NAN, f64::INFINITY] {
        let setup = Setup { bits: 12, curve: Curve::Logarithmic { middle } };
        for text in [Float::new(&setup).unwrap_err(), Fixed::new(&setup).unwrap_err()] {
            let text = text.to_string();
            assert!(text.contains("middle") && text.contains("0.01 to 0.49"), "{text}");
        }
    }
    for (name, value) in [("bits", 12.5), ("bits", 9.0), ("curve", 3.0), ("middle", 0.5)] {
        let given = [(name, value)];
        let text = Setup::from_values(&Values(&given)).unwrap_err().to_string();
        assert!(text.contains(name) && text.contains(&value.to_string()), "{text}");
    }
}

#[test]
fn the_entry_lends_both_twins_as_they_are() {
    let Made::Law { float, fixed } = ENTRY.made else { panic!("taper is a law") };
    for (index, curve) in
        [Curve::Linear, Curve::Logarithmic { middle: 0.2 }, Curve::S].into_iter().enumerate()
    {
        let given = [("curve", index as f64), ("middle", 0.2), ("bits", 11.0)];
        assert_eq!((ENTRY.codes)(&Values(&given)), Ok(2048));
        let [own_float, own_fixed] = twins(&Setup { bits: 11, curve });
        for (lend, own) in [(float, own_float.1), (fixed, own_fixed.1)] {
            lend(Rate::new(8_000).unwrap(), &Values(&given), &mut |law| {
                assert!((0..2048).all(|code| law.at(code) == own.at(code)), "{curve:?}");
            })
            .unwrap();
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 20_000,
        rng_seed: RngSeed::Fixed(2026),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_middle_keeps_range_order_and_bound(
        middle in 0.01..=0.49_f64,
        bits in 10..=16_u32,
        code in any::<u32>(),
    ) {
        let code = code & ((1 << bits) - 1);
        let curve = Curve::Logarithmic { middle };
        for (which, law) in twins(&Setup { bits, curve }) {
            let (here, next) = (law.at(code), law.at(code + 1));
            prop_assert!((0.0..=1.0).contains(&here) && here <= next, "{which} {here} {next}");
            prop_assert_eq!((law.at(0), law.at((1 << bits) - 1)), (0.0, 1.0), "{}", which);
            let x = f64::from(code) / f64::from((1_u32 << bits) - 1);
            let off = (here - exact(curve, x)).abs();
            prop_assert!(off <= bound(which, curve, x), "{which} {code}: {off:e}");
        }
    }
}
