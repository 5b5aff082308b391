//! The whole parameter space by property tests: no overflow (this suite also runs under the
//! profile `checked`), nothing infinite, nothing beyond full scale, both twins alike.

use crate::common::{CYCLE, LSB, driven, yardstick};
use plumbtone::Twin;
use plumbtone_voice::oscillators::ENTRIES;
use plumbtone_voice::{Age, Drive, Entry, Increment, Rate, Setup, Width};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn seeded(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(1978);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

/// Any module with any settings it takes.
fn module() -> impl Strategy<Value = (Entry, Setup)> {
    let entry = prop_oneof![
        8 => proptest::sample::select(ENTRIES),
        // The one with the most arithmetic.
        4 => proptest::sample::select(&ENTRIES[3..6]),
    ];
    let widths = (0.01..=0.99).prop_map(|width| Width::new(width).unwrap());
    let table = (4..=32_usize, prop_oneof![16..=48_usize, Just(512)], 8..=12_u32);
    (entry, 0..3_usize, any::<u32>(), widths, table, 1..=u32::MAX).prop_map(
        |(entry, shape, start, width, (half, oversampling, length), seed)| {
            let shape = entry.shapes.get(shape % entry.shapes.len().max(1)).copied();
            let (taps, length) = (2 * half, 1 << length);
            let shape = shape.unwrap_or_default();
            (entry, Setup { shape, width, start, taps, oversampling, length, seed })
        },
    )
}

/// 0 Hz to half the rate, the ends and the lowest octaves included, at any rate.
fn increment() -> impl Strategy<Value = Increment> {
    let rates = (8_000..=192_000_u32).prop_map(|rate_hz| Rate::new(rate_hz).unwrap());
    let ratio = prop_oneof![
        1 => Just(0.0),
        1 => Just(0.5),
        4 => 0.0..=0.5,
        4 => (-31.0..=-1.0_f64).prop_map(f64::exp2),
    ];
    (rates, ratio).prop_map(|(rate, ratio)| rate.increment(ratio * f64::from(rate.hz())).unwrap())
}

/// A frequency that jumps, a width that moves with every sample, and syncs at any age.
fn wild() -> impl Strategy<Value = Vec<Drive>> {
    let width = any::<u32>().prop_map(Width::saturating_from_bits);
    let sync = proptest::option::weighted(0.2, any::<u32>().prop_map(Age));
    let moment = (width, sync);
    let stretch = (increment(), proptest::collection::vec(moment, 1..80));
    proptest::collection::vec(stretch, 1..8).prop_map(|stretches| {
        let mut drives = Vec::new();
        for (increment, moments) in stretches {
            drives.extend(moments.into_iter().map(|(width, sync)| Drive {
                increment,
                width,
                sync,
            }));
        }
        drives
    })
}

proptest! {
    #![proptest_config(seeded(400))]

    /// A differentiated polynomial is an unstable differencer when its frequency jumps: its fixed
    /// twin saturates, its float twin goes where the formula goes.
    #[test]
    fn nothing_overflows_whatever_the_drive((entry, setup) in module(), drives in wild()) {
        for which in [Twin::Float, Twin::Fixed] {
            let out = driven(entry.name, which, setup, &drives);
            let full = if which == Twin::Float && entry.name.starts_with("diffpoly") {
                f64::MAX
            } else {
                1.0
            };
            for sample in out {
                prop_assert!(sample.is_finite() && sample.abs() <= full, "{which:?}: {sample}");
            }
        }
    }

    /// Each twin is held to its own bound against the exact evaluation, so both together differ by
    /// the sum at most.
    #[test]
    fn both_twins_of_a_steady_note_agree_within_their_derived_bits(
        (entry, setup) in module(),
        increment in increment(),
    ) {
        let drives = vec![Drive { increment, width: setup.width, sync: None }; 600];
        let float = driven(entry.name, Twin::Float, setup, &drives);
        let fixed = driven(entry.name, Twin::Fixed, setup, &drives);
        let p = f64::from(increment.bits()) / CYCLE;
        let bound = if entry.shapes.is_empty() || increment.bits() == 0 {
            // Noise has the same bits; what stands still is tested below.
            if entry.shapes.is_empty() { 0.0 } else { return Ok(()) }
        } else {
            let exact = yardstick(entry.name, &setup);
            exact.rounding(Twin::Float, p).0 + exact.rounding(Twin::Fixed, p).0
        };
        // The first samples of a look-ahead module stand before its first edge.
        let settled = (entry.latency_samples)(&setup).ceil() as usize * 2 + 2;
        for (float, fixed) in float.iter().zip(&fixed).skip(settled) {
            // The fixed twin saturates where amplified rounding leaves full scale.
            let float = float.clamp(-1.0, 1.0);
            prop_assert!((float - fixed).abs() <= bound, "{float} {fixed}, bound {bound:e}");
        }
    }

    /// At 0 Hz the phase stands still and so does the output; differences of it vanish.
    #[test]
    fn at_0_hz_the_output_stands_still((entry, setup) in module()) {
        prop_assume!(!entry.shapes.is_empty());
        let drives = vec![Drive { width: setup.width, ..Drive::default() }; 100];
        let latency = (entry.latency_samples)(&setup).ceil() as usize;
        for which in [Twin::Float, Twin::Fixed] {
            let out = driven(entry.name, which, setup, &drives);
            let held = out[latency];
            prop_assert!(held.abs() <= 0.6, "{held}");
            prop_assert!(out[latency..].iter().all(|&sample| sample == held), "{which:?}");
        }
    }

    /// At half the rate the phase returns after two samples, and so does the output.
    #[test]
    fn at_half_the_rate_the_output_repeats_after_two_samples((entry, setup) in module()) {
        prop_assume!(!entry.shapes.is_empty());
        let increment = Increment::MAX;
        let drives = vec![Drive { increment, width: setup.width, sync: None }; 300];
        for which in [Twin::Float, Twin::Fixed] {
            let out = driven(entry.name, which, setup, &drives);
            let settled = &out[2 * setup.taps..];
            // Sums of many edges in f32 depend on their order, which repeats: so do the bits.
            prop_assert!(settled.iter().zip(&settled[2..]).all(|(a, b)| a == b), "{which:?}");
        }
    }
}

/// A frequency that falls abruptly meets old, large differences with its new, large gain: the float
/// twin leaves full scale, and there the fixed twin stands at it instead of wrapping around.
#[test]
fn the_fixed_twin_saturates_where_the_float_twin_leaves_full_scale() {
    let mut left = 0;
    for entry in &ENTRIES[3..6] {
        for shape in entry.shapes {
            let setup = Setup { shape: *shape, ..Setup::default() };
            let drive = |bits| Drive::steady(Increment::saturating_from_bits(bits));
            let mut drives = vec![drive(0x1234_5678); 50];
            drives.extend([drive(0x0123_4567); 50]);
            let float = driven(entry.name, Twin::Float, setup, &drives);
            let fixed = driven(entry.name, Twin::Fixed, setup, &drives);
            for (float, fixed) in float.iter().zip(&fixed).filter(|(float, _)| float.abs() > 1.01) {
                left += 1;
                let full = if *float > 0.0 { 1.0 - LSB } else { -1.0 };
                assert_eq!(*fixed, full, "{} {shape:?}: float {float}", entry.name);
            }
        }
    }
    assert!(left >= 9, "only {left} samples beyond full scale");
}
