//! 2^x on one octave: every 16-bit fraction of both twins by every method, held against f64 `exp2`.

use fixed::types::{U0F32, U1F31};
use plumbtone_voice::control::exp2::{
    ENTRY, Fixed, Float, MAX_STORAGE, MINIMAX_3, MINIMAX_4, MINIMAX_5, Method,
};
use plumbtone_voice::control::{Law, Made};
use plumbtone_voice::{Increment, Rate, Values, frequency};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::f64::consts::LN_2;

/// Cents of a small relative error of 1.
const CENTS: f64 = 1200.0 / LN_2;
const CODES: u32 = 1 << 16;
const LSB: f64 = 1.0 / 2_147_483_648.0;

/// Method and its published error in cents. Degrees: Remez exchange, problem as in Hart et al.,
/// Computer Approximations, 1968. Tables: (ln 2/N)²/8.
const METHODS: [(Method, f64); 7] = [
    (Method::Polynomial(3), 0.129_46),
    (Method::Polynomial(4), 0.004_490),
    (Method::Polynomial(5), 1.297_3e-4),
    (Method::Table(64), 0.025_4),
    (Method::Table(128), 0.006_35),
    (Method::Table(256), 0.001_59),
    (Method::Table(1024), 9.9e-5),
];

/// One row of the reference table, which mpmath made: `x0`, `x1`, ... or `error`.
fn tabled(degree: u32, term: &str) -> f64 {
    let table = include_str!("../../reference-tables/exp2-minimax/values.csv");
    let row = format!("{degree},{term},");
    table.lines().find_map(|line| line.strip_prefix(&row)).unwrap().parse().unwrap()
}

/// Largest relative error of the fit alone.
fn fit(method: Method) -> f64 {
    match method {
        Method::Polynomial(degree) => tabled(degree, "error"),
        Method::Table(points) => (LN_2 / points as f64).powi(2) / 8.0,
    }
}

/// What the arithmetic adds, relative to the ratio.
///
/// f32, in units of 2^-24: half an ulp of each coefficient, product and sum on the way, each times
/// the power of x that still follows, over 2^x, is 1.71 at most for degrees 3 to 5; second orders
/// are 1e-7 of it. A table: points 1, sum 1, and the position, rounded to 2^-24 of itself, 0.35.
/// Fixed, in LSB: d floored products and d + 1 coefficients rounded to a half make
/// (d + (d + 1)/2)/2 = 4 where x is 1; a table: points 1/2 (the last 1) and one floored product;
/// x is floored, ln 2.
fn arithmetic(which: &str, method: Method) -> f64 {
    match (which, method) {
        ("float", Method::Polynomial(_)) => 1.8 / 16_777_216.0,
        ("float", Method::Table(_)) => 2.5 / 16_777_216.0,
        (_, Method::Polynomial(_)) => 5.0 * LSB,
        (_, Method::Table(_)) => 3.0 * LSB,
    }
}

/// Both twins of a method.
fn with(method: Method, mut each: impl FnMut(&str, &dyn Law)) {
    let (mut float, mut fixed) = ([0.0; MAX_STORAGE], [U1F31::ZERO; MAX_STORAGE]);
    each("float", &Float::new(method, &mut float).unwrap());
    each("fixed", &Fixed::new(method, &mut fixed).unwrap());
}

/// Relative error at a code.
fn error(law: &dyn Law, code: u32) -> f64 {
    law.at(code) / (f64::from(code) / f64::from(CODES)).exp2() - 1.0
}

/// Too small an error is as wrong as too large a one: it would be another method. The grid of 2^-16
/// misses an extreme of a polynomial by 1e-5 of it, that of a table by (N/2^16)² at most.
#[test]
fn every_fraction_errs_by_its_fit_and_no_less() {
    for (method, published_cents) in METHODS {
        let fit = fit(method);
        // Printed to three digits or more.
        assert!((fit * CENTS / published_cents - 1.0).abs() < 0.005, "{method:?}: {fit:e}");
        with(method, |which, law| {
            let worst = (0..CODES)
                .map(|code| (error(law, code).abs(), code))
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap();
            let arithmetic = arithmetic(which, method);
            let (low, high) = (0.999 * fit - arithmetic, fit + arithmetic);
            assert!(
                worst.0 <= high && worst.0 >= low,
                "{method:?} {which}: {:e} at code {}, expected {low:e} to {high:e}",
                worst.0,
                worst.1
            );
            if which == "fixed" {
                let cents = worst.0 * CENTS;
                let off = cents / published_cents - 1.0;
                // 1 %, and the last bits: 3 % of the two smallest.
                let allowed = 0.01 + arithmetic / fit;
                assert!(off.abs() < allowed, "{method:?}: {cents} cents, not {published_cents}");
            }
        });
    }
}

/// The best fit takes its extreme with alternating signs at degree + 2 places (Chebyshev).
#[test]
fn each_polynomial_touches_its_error_with_alternating_signs() {
    for degree in 3..=5 {
        let method = Method::Polynomial(degree);
        with(method, |which, law| {
            // The f32 twin shows it where the fit stands out of its rounding.
            let touch = 0.99 * fit(method) - arithmetic(which, method);
            if touch < 4.0 * arithmetic(which, method) {
                return;
            }
            let mut signs = Vec::new();
            for code in 0..CODES {
                let error = error(law, code);
                if error.abs() > touch && signs.last() != Some(&error.is_sign_positive()) {
                    signs.push(error.is_sign_positive());
                }
            }
            assert_eq!(signs.len(), degree as usize + 2, "degree {degree} {which}");
        });
    }
}

#[test]
fn coefficients_are_those_of_the_reference_table() {
    for (degree, coefficients) in [(3, &MINIMAX_3[..]), (4, &MINIMAX_4), (5, &MINIMAX_5)] {
        for (i, coefficient) in coefficients.iter().enumerate() {
            let tabled = tabled(degree, &format!("x{i}"));
            // 25 digits there, the nearest f64 here: written to 16 or 17 digits.
            let off = (coefficient - tabled).abs();
            assert!(off <= 1e-16 + tabled * f64::EPSILON, "degree {degree}, x^{i}: {coefficient}");
        }
    }
}

/// A table is exact at its points: 1 at 0, 2^(i/N) to half a unit elsewhere.
#[test]
fn tables_stand_on_their_points() {
    for points in [64, 128, 256, 512, 1024] {
        with(Method::Table(points), |which, law| {
            assert_eq!(law.at(0), 1.0, "{which}");
            let unit = if which == "float" { 2.0_f64.powi(-24) } else { LSB / 2.0 };
            for i in 0..points as u32 {
                let exact = (f64::from(i) / points as f64).exp2();
                let off = (law.at(i * (CODES / points as u32)) - exact).abs();
                assert!(off <= unit, "{which}, {points} points, {i}: {off:e}");
            }
        });
    }
}

#[test]
fn the_ratio_never_falls_and_codes_end_at_the_last() {
    for (method, _) in METHODS {
        with(method, |which, law| {
            for code in 1..CODES {
                let (before, now) = (law.at(code - 1), law.at(code));
                assert!(now >= before, "{method:?} {which} {code}: {before} {now}");
            }
            assert_eq!(law.at(u32::MAX), law.at(CODES - 1));
        });
        let mut storage = [0.0; MAX_STORAGE];
        let end = Float::new(method, &mut storage).unwrap().ratio(1.0);
        let off = (f64::from(end) / 2.0 - 1.0).abs();
        assert!(off <= fit(method) + arithmetic("float", method), "{method:?}: 2^1 = {end}");
    }
}

/// Modulation in octaves and this module evaluate one polynomial.
#[test]
fn exponential_modulation_has_the_ratio_of_degree_5() {
    let fixed = Fixed::new(Method::Polynomial(5), &mut []).unwrap();
    let float = Float::new(Method::Polynomial(5), &mut []).unwrap();
    let base = Increment::saturating_from_bits(1 << 30);
    for code in 0..CODES {
        let octaves = fixed::types::I6F26::from_bits((code << 10) as i32);
        let ratio = fixed.ratio(U0F32::from_bits(code << 16)).to_bits();
        // 2^30 times the ratio, rounded half up.
        let expected = (u64::from(ratio) + 1) >> 1;
        let found = frequency::fixed::exponential(base, octaves).bits();
        assert_eq!(u64::from(found), expected, "code {code}");
        let x = code as f32 / 65_536.0;
        let expected = (float.ratio(x) * 1_073_741_824.0) as u32;
        assert_eq!(frequency::float::exponential(base, x).bits(), expected, "code {code}");
    }
}

#[test]
fn what_lies_outside_is_refused_by_name() {
    let names = |error: plumbtone_voice::RangeError, parts: &[&str]| {
        let text = error.to_string();
        assert!(parts.iter().all(|part| text.contains(part)), "{text}");
    };
    for degree in [0, 2, 6, u32::MAX] {
        let error = Float::new(Method::Polynomial(degree), &mut []).unwrap_err();
        names(error, &["degree", &degree.to_string(), "3 to 5"]);
    }
    let mut storage = [U1F31::ZERO; 2048];
    for points in [0, 63, 1025, usize::MAX] {
        let error = Fixed::new(Method::Table(points), &mut storage).unwrap_err();
        names(error, &["points", "64 to 1024"]);
    }
    names(Fixed::new(Method::Table(64), &mut storage[..64]).unwrap_err(), &["storage = 64", "65"]);
    assert!(Fixed::new(Method::Table(64), &mut storage[..65]).is_ok());
    for (name, value) in [("degree", 4.5), ("points", 100.25), ("method", 0.5), ("method", 2.0)] {
        let given = [(name, value)];
        names((ENTRY.codes)(&Values(&given)).unwrap_err(), &[name, &value.to_string()]);
    }
}

/// The bench sees what firmware calls.
#[test]
fn the_entry_lends_both_twins_as_they_are() {
    let Made::Law { float, fixed } = ENTRY.made else { panic!("exp2 is a law") };
    let rate = Rate::new(48_000).unwrap();
    let given = [("method", 1.0), ("points", 100.0)];
    assert_eq!((ENTRY.codes)(&Values(&given)), Ok(CODES));
    with(Method::Table(100), |which, own| {
        let lend = if which == "float" { float } else { fixed };
        let mut lent = 0;
        lend(rate, &Values(&given), &mut |law| {
            lent += 1;
            assert!((0..CODES).all(|code| law.at(code) == own.at(code)), "{which}");
        })
        .unwrap();
        assert_eq!(lent, 1);
    });
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 20_000,
        rng_seed: RngSeed::Fixed(2026),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Between the codes, and for any length of table.
    #[test]
    fn any_fraction_by_any_method_is_within_its_bound(
        bits in any::<u32>(),
        degree in 3..=5_u32,
        points in 64..=1024_usize,
        table in any::<bool>(),
    ) {
        let method = if table { Method::Table(points) } else { Method::Polynomial(degree) };
        let (mut float, mut fixed) = ([0.0; MAX_STORAGE], [U1F31::ZERO; MAX_STORAGE]);
        let fixed = Fixed::new(method, &mut fixed).unwrap();
        let x = U0F32::from_bits(bits);
        let off = fixed.ratio(x).to_num::<f64>() / x.to_num::<f64>().exp2() - 1.0;
        prop_assert!(off.abs() <= fit(method) + arithmetic("fixed", method), "fixed {off:e}");
        let float = Float::new(method, &mut float).unwrap();
        // Up to 1.0 itself.
        let x = bits as f32 / 4_294_967_296.0;
        let off = f64::from(float.ratio(x)) / f64::from(x).exp2() - 1.0;
        prop_assert!(off.abs() <= fit(method) + arithmetic("float", method), "float {off:e}");
    }
}
