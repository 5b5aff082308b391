use plumbtone_measure::limit_cycles::{dead_band, exhaustive, zero_input};
use plumbtone_measure::reading::Obstacle;

/// `numerator y / denominator` to nearest, ties away from zero.
fn rounded(numerator: i64, y: i64, denominator: i64) -> i64 {
    let product = numerator * y;
    let half = if product < 0 { -denominator } else { denominator };
    (2 * product + half) / (2 * denominator)
}

/// Jackson's bound floor(0.5/(1-a)), attained (Allerton conf. 1969, from memory; counts found by an
/// exhaustive search elsewhere).
#[test]
fn one_pole_dead_bands_are_found_exactly() {
    for (numerator, denominator, printed) in
        [(9, 10, 5), (99, 100, 50), (199, 200, 100), (999, 1000, 500)]
    {
        for sign in [1, -1] {
            let step = |state: &mut [i32]| {
                state[0] = rounded(sign * numerator, i64::from(state[0]), denominator) as i32;
            };
            let cycles = exhaustive(&[(-32_768, 32_767)], step).unwrap();
            assert_eq!(dead_band(&cycles, 0), printed, "{numerator}/{denominator}");
            // A positive pole rests at every value within, a negative one alternates.
            let (period, count) = if sign > 0 { (1, 2 * printed + 1) } else { (2, printed + 1) };
            assert_eq!(cycles.len() as u32, count);
            assert!(cycles.iter().all(|c| c.is_silence() || c.period == period));
        }
    }
    // One part in a thousand more of the pole: one unit more at 0.999 would show.
    let step = |state: &mut [i32]| state[0] = rounded(9991, i64::from(state[0]), 10_000) as i32;
    assert_eq!(dead_band(&exhaustive(&[(-2000, 2000)], step).unwrap(), 0), 555);
}

/// Truncation toward zero has no dead band; toward minus infinity it rests at -1/(1-a) and below.
#[test]
fn truncation_has_its_own_dead_band() {
    let toward_zero = |state: &mut [i32]| state[0] = state[0] * 99 / 100;
    let cycles = exhaustive(&[(-500, 500)], toward_zero).unwrap();
    assert!(cycles.len() == 1 && cycles[0].is_silence(), "{cycles:?}");
    let down = |state: &mut [i32]| state[0] = (state[0] * 99).div_euclid(100);
    let cycles = exhaustive(&[(-500, 500)], down).unwrap();
    // floor(0.99 y) = y for -99 <= y <= 0, where 0.01 |y| stays below 1.
    assert_eq!((dead_band(&cycles, 0), cycles.len()), (99, 100));
}

/// Two words: a rotation by a quarter turn keeps everything, in cycles of four.
#[test]
fn a_quarter_turn_closes_in_four() {
    let cycles = exhaustive(&[(-3, 3), (-3, 3)], |s| (s[0], s[1]) = (-s[1], s[0])).unwrap();
    assert_eq!(cycles.len(), 13);
    assert!(cycles.iter().all(|c| c.is_silence() != (c.period == 4)));
    assert!(cycles.iter().all(|c| c.peaks[0] == c.peaks[1]));
    // Poles at +-j sqrt(0.9): the second-order bound floor(0.5/(1-b2)) = 5 is attained.
    let step = |s: &mut [i32]| (s[1], s[0]) = (s[0], -rounded(9, i64::from(s[1]), 10) as i32);
    let cycles = exhaustive(&[(-400, 400), (-400, 400)], step).unwrap();
    assert_eq!((dead_band(&cycles, 0), dead_band(&cycles, 1)), (5, 5));
    assert!(cycles.iter().all(|c| c.is_silence() || c.period == 4));
}

#[test]
fn leaving_the_bounds_is_an_error() {
    let doubled = exhaustive(&[(-4, 4)], |s| s[0] *= 2);
    assert!(matches!(doubled, Err(Obstacle::OutOfRange { name: "state after a step", .. })));
    assert!(exhaustive(&[], |_| ()).is_err() && exhaustive(&[(1, 0)], |_| ()).is_err());
    assert!(exhaustive(&[(i32::MIN, i32::MAX); 2], |_| ()).is_err());
}

#[test]
fn long_runs_end_in_the_same_cycle() {
    // From far out to the edge of the dead band of 0.999 in a 32-bit word.
    let start = 1_000_000_i64;
    let run = zero_input(&start, 1 << 20, |y| {
        *y = rounded(999, *y, 1000);
        *y as f64
    })
    .unwrap();
    assert_eq!((run.period, run.peak, run.mean), (1, 500.0, 500.0));
    // A counter that wraps: period 1000, mean 499.5, peak 999.
    let run = zero_input(&5_u32, 1 << 20, |n| {
        *n = (*n + 1) % 1000;
        f64::from(*n)
    })
    .unwrap();
    assert_eq!((run.period, run.peak, run.mean), (1000, 999.0, 499.5));
    assert!(run.found_after <= 3 * 1024);
    assert_eq!(
        zero_input(&0_u64, 1000, |n| {
            *n += 1;
            0.0
        }),
        None
    );
}
