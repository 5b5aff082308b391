use plumbtone_theory::bessel::{jn, modulation_lines, null};

/// Abramowitz & Stegun 1964, Tables 9.1-9.4 (from memory), recomputed to 10 decimals.
#[test]
fn functions_match_the_handbook() {
    for (beta, row) in [
        (0.1, [0.9975015621, 0.0499375260, 0.0012489587, 0.0000208203, 0.0000002603]),
        (1.0, [0.7651976866, 0.4400505857, 0.1149034849, 0.0195633540, 0.0024766390]),
        (3.0, [-0.2600519549, 0.3390589585, 0.4860912606, 0.3090627223, 0.1320341839]),
        (10.0, [-0.2459357645, 0.0434727462, 0.2546303137, 0.0583793793, -0.2196026861]),
    ] {
        for (order, printed) in row.into_iter().enumerate() {
            let error = (jn(order as i32, beta) - printed).abs();
            assert!(error <= 0.5e-10, "J_{order}({beta}) off by {error}");
        }
    }
}

#[test]
fn signs_follow_order_and_argument() {
    for order in 0..6 {
        let sign = if order % 2 == 0 { 1.0 } else { -1.0 };
        assert_eq!(jn(-order, 2.5), sign * jn(order, 2.5));
        assert_eq!(jn(order, -2.5), sign * jn(order, 2.5));
        assert_eq!(jn(-order, -2.5), jn(order, 2.5));
    }
    assert_eq!((jn(0, 0.0), jn(3, 0.0), jn(i32::MIN, 5.0)), (1.0, 0.0, 0.0));
    assert!(jn(0, 1000.1).is_nan());
}

/// Carrier and first-sideband nulls by mpmath's `besseljzero`. (Ten-digit lists in circulation end
/// the fourth and fifth in ...391 and ...086, one unit too high.)
#[test]
fn nulls_match_the_handbook() {
    for (order, nulls) in [
        (0, &[2.4048255577, 5.5200781103, 8.6537279129, 11.7915344390, 14.9309177085][..]),
        (1, &[3.8317059702, 7.0155866698, 10.1734681351, 13.3236919363]),
    ] {
        for (index, printed) in (1..).zip(nulls) {
            let error = (null(order, index).unwrap() - printed).abs();
            assert!(error <= 0.5e-10, "null {index} of J_{order} off by {error}");
        }
    }
    assert!(null(2, 1).is_err() && null(0, 0).is_err());
}

/// The identity itself: the sum of the lines is the modulated sine.
#[test]
fn modulation_lines_add_up_to_the_modulated_sine() {
    use std::f64::consts::TAU;
    for beta in [0.01, 2.0, 20.0] {
        let lines = modulation_lines(100.0, 70.0, beta, 80);
        for t in [0.0, 0.0013, 0.2, 0.777] {
            let direct = (TAU * 100.0 * t + beta * (TAU * 70.0 * t).sin()).sin();
            let sum: f64 = lines.iter().map(|l| l.amplitude * (TAU * l.hz * t).sin()).sum();
            // 161 terms, arguments of up to 2.8e4 radians: 161 * 2.8e4 ulp at the very worst,
            // weighted by amplitudes whose sum is below 10.
            assert!((sum - direct).abs() < 10.0 * 2.8e4 * f64::EPSILON, "beta {beta}, t {t}");
        }
    }
}
