use plumbtone_theory::rc::{
    DB_PER_TAU, RISE_10_90_TAUS, attack_ratio, charged, coefficient, naive_tau_error,
    realised_tau_samples, stall_steps, taus_to_db,
};
use plumbtone_theory::tables;
use plumbtone_theory::tuning::Rounding;

/// `reference-tables/rc-facts`, 20 digits: f64 is the limit. A coefficient and the time constant it
/// realises take three roundings and a logarithm.
#[test]
fn facts_match_the_table() {
    let rows = tables::rc_facts().unwrap();
    assert_eq!(rows.len(), 31);
    for row in rows {
        let found = match row.name {
            "charged" => charged(row.argument),
            "db-per-tau" => DB_PER_TAU,
            "taus-to-db" => taus_to_db(row.argument),
            "rise" => RISE_10_90_TAUS,
            "coefficient" => coefficient(row.argument).unwrap(),
            "realised-tau" => realised_tau_samples(1.0 / row.argument).unwrap(),
            other => panic!("{other} is not known"),
        };
        let relative = (found / row.value - 1.0).abs();
        assert!(relative <= 4.0 * f64::EPSILON, "{} {}: {relative:e}", row.name, row.argument);
    }
}

#[test]
fn attack_ratios_match_the_table() {
    let rows = tables::attack_ratios().unwrap();
    assert_eq!(rows.len(), 11);
    for (overshoot, taus) in rows {
        let found = attack_ratio(overshoot).unwrap();
        // Half an ulp of the overshoot moves the ratio by eps / (2 (a - 1) ratio) of itself.
        let allowed = (4.0 + 0.5 / ((overshoot - 1.0) * taus)) * f64::EPSILON;
        assert!((found / taus - 1.0).abs() <= allowed, "{overshoot}: {found}");
    }
    assert!(attack_ratio(1.0).is_err() && attack_ratio(f64::INFINITY).is_err());
}

/// Exact facts, to the printed digits.
#[test]
fn facts_match_the_published_rows() {
    for (taus, printed) in
        (1..).zip([63.2121, 86.4665, 95.0213, 98.1684, 99.3262, 99.7521, 99.9088])
    {
        let percent = 100.0 * charged(f64::from(taus));
        assert!((percent - printed).abs() <= 0.5e-4, "{taus}: {percent}");
    }
    assert!((RISE_10_90_TAUS - 2.19722).abs() <= 0.5e-5);
    assert!((DB_PER_TAU - 8.685_890).abs() <= 0.5e-6);
    assert!((taus_to_db(60.0) - 6.907_755).abs() <= 0.5e-6);
    // In units of the last digit printed.
    for (overshoot, printed) in [
        (1.1, 23_979.0),
        (1.2, 17_918.0),
        (1.3, 14_663.0),
        (1.5, 10_986.0),
        (1.582, 10_000.0),
        (2.0, 6_931.0),
    ] {
        let found = 1e4 * attack_ratio(overshoot).unwrap();
        assert!((found - printed).abs() <= 0.5, "{overshoot}: {found}");
    }
}

/// `-1/(x (1 + x/2 + x^2/3 + ...)) = tau (1 - x/2 - x^2/12 - x^3/24 - ...)` with `x = 1/tau`.
#[test]
fn naive_coefficient_is_short_by_half_a_sample() {
    for tau in [2.0_f64, 10.0, 441.0, 48_000.0] {
        let x = 1.0 / tau;
        let series = -x / 2.0 - x * x / 12.0 - x.powi(3) / 24.0;
        let error = naive_tau_error(tau).unwrap();
        // The next term is 19/720 x^4; those after it add less than as much again for x <= 1/2.
        assert!((error - series).abs() <= 38.0 / 720.0 * x.powi(4) + 1e-15, "{tau}: {error}");
    }
    assert!(naive_tau_error(1.0).is_err() && realised_tau_samples(1.0).is_err());
}

/// Jackson 1969 (from memory), recomputed by exhaustive search: `y = round(a y)` keeps 5, 50, 100
/// and 500 units at a = 0.9, 0.99, 0.995 and 0.999.
#[test]
fn stall_matches_the_published_dead_bands() {
    for (per_mille, printed) in [(900, 5_i64), (990, 50), (995, 100), (999, 500)] {
        let rounded = |y: i64| (2 * per_mille * y + 1000).div_euclid(2000);
        let kept = (0..2000).filter(|&y| rounded(y) == y).max().unwrap();
        assert_eq!(kept, printed);
        let k = f64::from(1000 - per_mille as i32) / 1000.0;
        let stall = stall_steps(k, Rounding::Nearest).unwrap();
        assert!((stall / printed as f64 - 1.0).abs() < 1e-13, "{per_mille}: {stall}");
    }
}

/// The recurrence itself, in integers: from far above it stops where the product is below half a
/// step, or below a whole one, and nowhere closer.
#[test]
fn plain_recurrence_stops_where_predicted() {
    for shift in [3, 8, 12] {
        let k = 2.0_f64.powi(-shift);
        for rounding in [Rounding::Nearest, Rounding::Truncate] {
            let mut distance = 1_i64 << 20;
            loop {
                let half = if rounding == Rounding::Nearest { 1 << (shift - 1) } else { 0 };
                let step = (distance + half) >> shift;
                if step == 0 {
                    break;
                }
                distance -= step;
            }
            let stall = stall_steps(k, rounding).unwrap();
            assert_eq!(distance as f64, stall - 1.0, "k = 2^-{shift}, {rounding:?}");
        }
    }
    assert!(stall_steps(0.0, Rounding::Nearest).is_err());
}
