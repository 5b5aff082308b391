use plumbtone_theory::round_off::{
    LowPass, StateSpace, one_pole_dead_band, one_pole_noise_gain, second_order_dead_band,
};
use plumbtone_theory::tables;

fn power_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

fn gain_db(filter: &LowPass, structure: &str) -> f64 {
    power_db(match structure {
        "direct" => filter.direct().noise_gain().unwrap(),
        "coupled" => filter.coupled().unwrap().noise_gain().unwrap(),
        "trapezoidal" => filter.trapezoidal().noise_gain().unwrap(),
        "classic" => filter.classic().noise_gain().unwrap(),
        other => panic!("{other}"),
    })
}

/// scipy's Lyapunov solver. A direct form at 20 Hz has `1 + a1 + a2 = 6.8e-6`, of which a rounding
/// of the coefficients takes 3e-11, and scipy's direct solution as much again: 1e-9 dB elsewhere,
/// 1e-6 dB there.
#[test]
fn noise_gains_match_the_table() {
    let rows = tables::noise_gains().unwrap();
    assert_eq!(rows.len(), 32);
    for row in rows {
        let filter = LowPass::new(row.fc_hz / 48_000.0, row.quality).unwrap();
        let error = (gain_db(&filter, row.structure) - row.gain_db).abs();
        assert!(error < 1e-6, "{row:?}: {error:e}");
        if row.structure == "direct" {
            let closed = power_db(filter.direct_noise_gain());
            assert!((closed - row.gain_db).abs() < 1e-6, "{row:?}: {closed}");
        }
    }
}

/// Printed to 0.1 dB elsewhere; order: direct, coupled, trapezoidal, classic.
#[test]
fn noise_gains_match_the_printed_rows() {
    let root = 0.5f64.sqrt();
    for (hz, quality, row) in [
        (20.0, root, [73.0, 24.3, 27.3, 27.3]),
        (20.0, 10.0, [84.5, 35.8, 35.8, 35.8]),
        (100.0, root, [52.1, 17.4, 20.3, 20.3]),
        (100.0, 10.0, [63.5, 28.8, 28.9, 28.9]),
        (1000.0, root, [22.8, 7.7, 10.3, 10.2]),
        (1000.0, 10.0, [33.6, 18.9, 18.8, 18.9]),
        (5000.0, root, [5.1, 2.2, 3.2, 3.3]),
        (5000.0, 10.0, [13.7, 12.3, 11.7, 12.4]),
    ] {
        let filter = LowPass::new(hz / 48_000.0, quality).unwrap();
        for (structure, printed) in ["direct", "coupled", "trapezoidal", "classic"].iter().zip(row)
        {
            let found = gain_db(&filter, structure);
            assert!(
                (found - printed).abs() <= 0.0501,
                "{hz} Hz, Q {quality}, {structure}: {found}"
            );
        }
    }
    for (hz, printed) in [(1.0, 35.8), (10.0, 25.8), (100.0, 15.9), (1000.0, 6.4)] {
        let a = (-2.0 * std::f64::consts::PI * hz / 48_000.0_f64).exp();
        let found = power_db(one_pole_noise_gain(a).unwrap());
        assert!((found - printed).abs() <= 0.0501, "{hz} Hz: {found}");
    }
}

/// Both ways to the same filter: the direct form's poles are those of the other two.
#[test]
fn structures_share_their_poles() {
    for (hz, quality) in [(20.0, 0.6), (1000.0, 10.0), (15_000.0, 2.0)] {
        let filter = LowPass::new(hz / 48_000.0, quality).unwrap();
        let (a1, a2) = filter.denominator();
        for space in [filter.coupled().unwrap(), filter.trapezoidal(), filter.direct()] {
            let [[a, b], [c, d]] = space.feedback;
            assert!((a + d + a1).abs() < 4e-15 && (a * d - b * c - a2).abs() < 4e-15, "{hz}");
        }
    }
    assert!(LowPass::new(0.01, 0.4).unwrap().coupled().is_err());
}

fn one_pole(a: f64) -> StateSpace<1> {
    StateSpace {
        feedback: [[a]],
        input: [1.0],
        output: [1.0],
        through: 0.5,
        roundings: vec![[1.0]],
    }
}

/// One pole: variance `1/(1-a^2)`, l1 norm `1/(1-|a|)`, both exact.
#[test]
fn one_pole_has_its_closed_forms() {
    for a in [0.0, 0.9, -0.9, 0.999, 0.999_99] {
        let space = one_pole(a);
        let closed = one_pole_noise_gain(a).unwrap();
        // Squaring A up to 1/(1-a) samples: as many roundings in the exponent.
        let slack = 8.0 * f64::EPSILON / (1.0 - a.abs());
        assert!((space.noise_gain().unwrap() / closed - 1.0).abs() < slack, "{a}");
        assert!((space.state_gains().unwrap()[0] / closed - 1.0).abs() < slack, "{a}");
        let (states, out) = space.peak_gains(1 << 24).unwrap();
        let exact = 1.0 / (1.0 - a.abs());
        let state = states[0];
        assert!(state.low <= exact * (1.0 + slack) && exact <= state.high, "{a}: {state:?}");
        assert!(state.high / state.low - 1.0 < 1e-8, "{a}: {state:?}");
        assert!(
            out.low <= (exact + 0.5) * (1.0 + slack) && exact + 0.5 <= out.high,
            "{a}: {out:?}"
        );
    }
    for a in [1.0, -1.0, 1.01] {
        assert!(one_pole(a).noise_gain().is_err() && one_pole(a).peak_gains(1000).is_err(), "{a}");
        assert!(one_pole_noise_gain(a).is_err());
    }
    assert!(one_pole(0.999_999).peak_gains(1000).is_err());
}

/// The input that meets every sign drives each state to the norm and never past it.
#[test]
fn worst_input_attains_the_norm() {
    for space in
        [LowPass::new(0.01, 5.0).unwrap().trapezoidal(), LowPass::new(0.1, 20.0).unwrap().classic()]
    {
        let (states, _) = space.peak_gains(1 << 20).unwrap();
        const LEN: usize = 6000;
        let step = |s: [f64; 2], x: f64| -> [f64; 2] {
            std::array::from_fn(|i| {
                space.feedback[i][0] * s[0] + space.feedback[i][1] * s[1] + space.input[i] * x
            })
        };
        for (i, bound) in states.iter().enumerate() {
            let mut state = step([0.0; 2], 1.0);
            let impulse: Vec<f64> = (0..LEN)
                .map(|_| {
                    let value = state[i];
                    state = step(state, 0.0);
                    value
                })
                .collect();
            let mut driven = [0.0; 2];
            for n in (0..LEN).rev() {
                driven = step(driven, impulse[n].signum());
            }
            assert!(driven[i] <= bound.high && driven[i] >= bound.low * (1.0 - 1e-7), "{bound:?}");
        }
    }
}

/// Jackson's bound, whose values at 0.9, 0.99, 0.995, 0.999 are printed as 5, 50, 100, 500 and were
/// attained by an exhaustive search elsewhere. Here the search again, in integers.
#[test]
fn dead_bands_are_attained_exactly() {
    for (numerator, denominator, printed) in
        [(9, 10, 5), (99, 100, 50), (199, 200, 100), (999, 1000, 500)]
    {
        let bound = one_pole_dead_band(numerator, denominator).unwrap();
        assert_eq!(bound, printed);
        // To nearest, ties away from zero: the largest magnitude that does not shrink.
        let next = |y: u64| (2 * numerator * y + denominator) / (2 * denominator);
        let resting = (0..10_000).filter(|y| next(*y) >= *y).max().unwrap();
        assert_eq!(resting, bound);
    }
    assert_eq!(second_order_dead_band(95, 100).unwrap(), 10);
    assert_eq!(one_pole_dead_band((1 << 31) - 1, 1 << 31).unwrap(), 1 << 30);
    assert!(one_pole_dead_band(1, 1).is_err() && one_pole_dead_band(1, u64::MAX).is_err());
}
