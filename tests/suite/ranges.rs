//! The rounding noise of differentiated polynomials, and the usable ranges that follow from it.

use crate::common::{TWINS, assert_all, note, rms, setup, twins, yardstick};
use plumbtone::check::Shape;
use plumbtone::subject::{Stimulus, entry};
use plumbtone::{Kind, Twin};
use plumbtone_theory::db;
use plumbtone_theory::noise::{Arithmetic, lowest_clean_increment, polynomial_error_rms};
use plumbtone_voice::{NOMINAL_PEAK, Rate};

const ORDERS: [(u32, &str); 3] = [(2, "diffpoly2"), (3, "diffpoly3"), (4, "diffpoly4")];

/// Mean square error of the Q1.31 polynomial in units of one rounding. s² − 1 rounds once. s³ − s
/// rounds s² − 1, which enters with weight s (mean square 1/3), and the product. s⁴ − 2s² rounds
/// s², which enters with weight 2s² − 2 (mean square 4 (1/5 − 2/3 + 1) = 32/15), and the product.
fn roundings(order: u32) -> f64 {
    match order {
        2 => 1.0,
        3 => 1.0 + 1.0 / 3.0,
        _ => 1.0 + 32.0 / 15.0,
    }
}

/// Rms difference from the exact evaluation about its mean, one note, and the increment played.
fn noise(module: &str, which: Twin, hz: f64, rate_hz: u32, start: u32, count: usize) -> (f64, f64) {
    let increment = Rate::new(rate_hz).unwrap().increment(hz).unwrap();
    let stimulus = Stimulus::note(Shape::Ramp, hz, rate_hz).with_start(start);
    let samples = note(module, which, &stimulus, count);
    let mut exact = vec![0.0; count];
    yardstick(module, &setup()).render(increment.bits(), start, &mut exact);
    let errors = || samples.iter().zip(&exact).map(|(sample, exact)| sample - exact);
    let mean = errors().sum::<f64>() / count as f64;
    (rms(errors().map(|error| error - mean)), increment.cycles_per_sample())
}

#[test]
fn rounding_noise_of_differentiated_polynomials_is_as_predicted() {
    let modules = ORDERS.map(|(_, module)| module);
    let checks = twins(&modules, &TWINS, &[Shape::Ramp])
        .into_iter()
        .map(|check| check.keys(21..=108).rates([44_100, 48_000]).derived(Kind::Noise));
    assert_all("rounding noise", checks.collect());
}

/// Derived: white noise through N − 1 differences and the gain of Välimäki et al. 2010, c_N √C(2N−2, N−1) is +170 dB for N = 4 at 20 Hz and 48 kHz, printed to 1 dB.
#[test]
fn order_four_raises_its_rounding_by_170_db_at_20_hz() {
    let (output, _) = noise("diffpoly4", Twin::Fixed, 20.0, 48_000, 12_345, 1 << 17);
    let one = polynomial_error_rms(4, Arithmetic::Q31 { roundings: 1 }).unwrap();
    let gain_db = db(output / (NOMINAL_PEAK * one * roundings(4).sqrt()));
    assert!((gain_db - 170.0).abs() <= 0.5, "{gain_db}");
}

/// The noise is to stay 60 dB below the ramp's own rms, 1/√3 of its peak.
#[test]
fn usable_ranges_in_the_entries_are_the_predicted_ones() {
    for (order, module) in ORDERS {
        let usable = entry(module).unwrap().usable_from;
        let float = lowest_clean_increment(order, Arithmetic::F32, 60.0).unwrap();
        let one = Arithmetic::Q31 { roundings: 1 };
        // The noise falls as p^-(N−1).
        let fixed = lowest_clean_increment(order, one, 60.0).unwrap()
            * roundings(order).powf(0.5 / f64::from(order - 1));
        for (stated, predicted) in [(usable.float, float), (usable.fixed, fixed)] {
            let off = stated / predicted - 1.0;
            assert!(off.abs() < 0.01, "{module}: stated {stated:e}, predicted {predicted:e}");
        }
    }
    for other in plumbtone_voice::oscillators::ENTRIES {
        if !other.name.starts_with("diffpoly") {
            assert_eq!(other.usable_from, plumbtone_voice::UsableFrom::ANYWHERE, "{}", other.name);
        }
    }
}

/// And there it is measured: mean power over notes within 2 % of the end, which evens out the
/// tone that one increment makes of the phase bits that f32 drops.
#[test]
fn at_the_end_of_the_usable_range_the_noise_is_60_db_down() {
    const NOTES: u32 = 64;
    for (order, module) in ORDERS {
        let usable = entry(module).unwrap().usable_from;
        for (which, end) in [(Twin::Float, usable.float), (Twin::Fixed, usable.fixed)] {
            let power: f64 = (0..NOTES)
                .map(|i| {
                    let p = end * (0.98 + 0.04 * f64::from(i) / f64::from(NOTES - 1));
                    let start = i.wrapping_mul(2_654_435_769);
                    let (rms, played) =
                        noise(module, which, p * 192_000.0, 192_000, start, 1 << 13);
                    // Low increments are whole numbers of few digits: refer to the end itself.
                    (rms * (played / end).powi(order as i32 - 1)).powi(2)
                })
                .sum();
            let level_db = db((power / f64::from(NOTES)).sqrt() * 3.0_f64.sqrt() / NOMINAL_PEAK);
            // The figures in the entries are given to 1 %: N − 1 times 0.09 dB. The mean power of
            // that tone scatters by √524/20 per note for N = 4 (see `theory::noise`): with 64
            // notes 0.14, four of those 2 dB. In fixed point every bit is used: 0.2 dB.
            let scatter_db = if which == Twin::Float { 2.0 } else { 0.2 };
            let allowed_db = 0.09 * f64::from(order - 1) + scatter_db;
            assert!((level_db + 60.0).abs() < allowed_db, "{module} {which:?}: {level_db} dB");
        }
    }
}
