//! Modulation depth and key tracking: every unit at every code, every key.

use approx::assert_abs_diff_eq;
use fixed::types::I1F31;
use plumbtone_voice::control::depth::{self, Unit};
use plumbtone_voice::control::{ControlEntry, Law, Made, tracking};
use plumbtone_voice::{RangeError, Rate, Values};

/// Unit roundoff of f32.
const U: f64 = 1.0 / 16_777_216.0;
/// One unit of Q6.26, in octaves.
const OCTAVE_LSB: f64 = 1.0 / 67_108_864.0;
/// One unit of Q1.31.
const LSB: f64 = 1.0 / 2_147_483_648.0;

/// All figures of both twins, as the bench gets them.
fn figures(entry: &ControlEntry, values: &Values<'_>) -> Result<[Vec<f64>; 2], RangeError> {
    let Made::Law { float, fixed } = entry.made else { panic!("a law") };
    let (rate, codes) = (Rate::new(48_000)?, (entry.codes)(values)?);
    let mut figures = [Vec::new(), Vec::new()];
    for (make, figures) in [float, fixed].into_iter().zip(&mut figures) {
        make(rate, values, &mut |law: &dyn Law| {
            *figures = (0..codes).map(|code| law.at(code)).collect();
            assert_eq!(law.at(codes), law.at(codes - 1), "beyond the last code");
            assert_eq!(law.at(u32::MAX), law.at(codes - 1), "beyond the last code");
        })?;
    }
    Ok(figures)
}

const AMOUNTS: [(Unit, &[f64]); 4] = [
    (Unit::Cents, &[0.0, 1.0, 50.0, 100.0, 1200.0, 9_999.9, 10_000.0]),
    (Unit::Octaves, &[0.0, 0.1, 1.0, 7.3, 10.0, 31.0]),
    (Unit::Volts, &[0.0, 0.001, 1.0, 5.0, 10.0, 31.0]),
    (Unit::Percent, &[0.0, 0.5, 33.3, 50.0, 100.0]),
];

/// The definition: x = code/(2^bits − 1); octaves for cents, octaves and volts, else a fraction.
fn exact(unit: Unit, amount: f64, code: u32, bits: u32) -> f64 {
    let x = f64::from(code) / (f64::from(bits).exp2() - 1.0);
    x * match unit {
        Unit::Cents => amount / 1200.0,
        Unit::Octaves | Unit::Volts => amount,
        Unit::Percent => amount / 100.0,
    }
}

/// The bound in the head of the module, from a code.
fn bound(unit: Unit, is_fixed: bool, full: f64, figure: f64) -> f64 {
    match (is_fixed, unit) {
        (false, _) => 4.0 * U * figure,
        (true, Unit::Percent) => 2.0 * LSB,
        (true, _) => (1.0 + full / 32.0) * OCTAVE_LSB,
    }
}

/// Every code of 10 bits, and of 12 and 16; a limit that nothing comes near would say nothing, so
/// the worst of each twin and unit is at least 1/16 of it.
#[test]
fn every_unit_means_what_it_says_at_every_code() {
    for (index, (unit, amounts)) in AMOUNTS.into_iter().enumerate() {
        let mut worst = [0.0_f64; 2];
        for &amount in amounts {
            for bits in [10, 12, 16] {
                let values =
                    [("unit", index as f64), ("amount", amount), ("bits", f64::from(bits))];
                let figures = figures(&depth::ENTRY, &Values(&values)).unwrap();
                let full = exact(unit, amount, (1 << bits) - 1, bits);
                for (is_fixed, figures) in figures.iter().enumerate() {
                    assert_eq!(figures.len(), 1 << bits);
                    for (code, figure) in (0_u32..).zip(figures) {
                        let exact = exact(unit, amount, code, bits);
                        let (error, bound) =
                            ((figure - exact).abs(), bound(unit, is_fixed == 1, full, exact));
                        assert!(error <= bound, "{unit:?} {amount} {code}: {figure} for {exact}");
                        if bound > 0.0 {
                            worst[is_fixed] = worst[is_fixed].max(error / bound);
                        }
                    }
                    assert!(figures.is_sorted(), "{unit:?} {amount}");
                }
            }
        }
        println!("{unit:?}: worst error per bound {worst:?}");
        assert!(worst.iter().all(|worst| *worst > 1.0 / 16.0), "{unit:?}: {worst:?}");
    }
}

/// 1200 cents, 1 octave and 1 V are one octave, 100 % is one: no two units can be mistaken.
#[test]
fn units_are_not_confused() {
    let setup = |unit, amount| depth::Setup { bits: 10, unit, amount };
    for (unit, amount, octaves, fraction) in [
        (Unit::Cents, 1200.0, 1.0, 0.0),
        (Unit::Cents, 100.0, 1.0 / 12.0, 0.0),
        (Unit::Octaves, 1.0, 1.0, 0.0),
        (Unit::Volts, 1.0, 1.0, 0.0),
        (Unit::Volts, 0.001, 0.001, 0.0),
        (Unit::Percent, 100.0, 0.0, 1.0),
        (Unit::Percent, 1.0, 0.0, 0.01),
    ] {
        let float = depth::Float::new(&setup(unit, amount)).unwrap();
        assert_abs_diff_eq!(f64::from(float.octaves(1.0)), octaves, epsilon = U * octaves);
        assert_abs_diff_eq!(f64::from(float.fraction(1.0)), fraction, epsilon = U * fraction);
        let fixed = depth::Fixed::new(&setup(unit, amount)).unwrap();
        let one = I1F31::MAX;
        assert_abs_diff_eq!(f64::from(fixed.octaves(one)), octaves, epsilon = OCTAVE_LSB);
        assert_abs_diff_eq!(f64::from(fixed.fraction(one)), fraction, epsilon = 2.0 * LSB);
        // What is not meant is exactly nothing.
        assert!(fraction != 0.0 || float.fraction(1.0) == 0.0 && fixed.fraction(one) == 0);
        assert!(octaves != 0.0 || float.octaves(1.0) == 0.0 && fixed.octaves(one) == 0);
    }
}

/// A modulating signal has both signs; the bounds from x are those in the head of the module.
#[test]
fn a_modulating_signal_is_scaled_on_both_sides() {
    for (unit, amounts) in AMOUNTS {
        for &amount in amounts {
            let setup = depth::Setup { bits: 12, unit, amount };
            let float = depth::Float::new(&setup).unwrap();
            let fixed = depth::Fixed::new(&setup).unwrap();
            for i in -2_000..=2_000 {
                let x = I1F31::saturating_from_num(f64::from(i) / 2_000.0);
                let exact = exact(unit, amount, 1, 1) * x.to_num::<f64>();
                let pitch = unit != Unit::Percent;
                let (own, unit_lsb) = if pitch {
                    (fixed.octaves(x).to_num::<f64>(), OCTAVE_LSB)
                } else {
                    (fixed.fraction(x).to_num(), LSB)
                };
                assert!((own - exact).abs() <= unit_lsb, "{unit:?} {amount} {x}");
                let x = x.to_num::<f32>();
                let exact = self::exact(unit, amount, 1, 1) * f64::from(x);
                let own = if pitch { float.octaves(x) } else { float.fraction(x) };
                assert!((f64::from(own) - exact).abs() <= 2.0 * U * exact.abs());
            }
        }
    }
}

#[test]
fn depths_that_no_format_holds_are_refused() {
    for (unit, amount, max) in [
        (Unit::Cents, 10_000.1, 10_000.0),
        (Unit::Octaves, 31.1, 31.0),
        (Unit::Volts, 32.0, 31.0),
        (Unit::Percent, 100.1, 100.0),
        (Unit::Percent, -1.0, 100.0),
        (Unit::Cents, f64::NAN, 10_000.0),
    ] {
        let setup = depth::Setup { bits: 10, unit, amount };
        for error in [
            depth::Float::new(&setup).map(|_| ()).unwrap_err(),
            depth::Fixed::new(&setup).map(|_| ()).unwrap_err(),
        ] {
            assert_eq!((error.parameter, error.min, error.max), ("amount", 0.0, max));
        }
    }
    for bits in [0, 9, 17, 32, u32::MAX] {
        let setup = depth::Setup { bits, ..depth::Setup::default() };
        assert_eq!(depth::Float::new(&setup).unwrap_err().parameter, "bits");
        assert_eq!(depth::Fixed::new(&setup).unwrap_err().parameter, "bits");
    }
    for (name, value) in [("bits", 10.5), ("amount", 10_001.0), ("unit", 4.0), ("unit", 0.5)] {
        let error = depth::Setup::from_values(&Values(&[(name, value)])).unwrap_err();
        assert_eq!(error.parameter, name);
    }
    assert_eq!(depth::UNIT.choices, ["cents", "octaves", "volts", "percent"]);
    assert_eq!(depth::Setup::from_values(&Values(&[])), Ok(depth::Setup::default()));
    assert!(Unit::ALL.into_iter().all(|unit| {
        depth::Float::new(&depth::Setup { unit, ..depth::Setup::default() }).is_ok()
    }));
}

/// The definition: amount/100 · (key − pivot)/12 octaves. Bounds: head of the module; the worst of
/// each twin is at least 1/16 of it.
#[test]
fn tracking_follows_all_128_keys() {
    let mut worst = [0.0_f64; 2];
    for amount in [-200.0, -100.0, -33.3, 0.0, 12.5, 50.0, 100.0, 123.4, 200.0] {
        for pivot in [0.0, 24.0, 60.0, 60.3, 69.0, 127.0] {
            let values = [("amount", amount), ("pivot", pivot)];
            let figures = figures(&tracking::ENTRY, &Values(&values)).unwrap();
            for (is_fixed, figures) in figures.iter().enumerate() {
                assert_eq!(figures.len(), 128);
                for (key, figure) in figures.iter().enumerate() {
                    let exact = amount / 100.0 * (key as f64 - pivot) / 12.0;
                    let bound = match (is_fixed, pivot.fract() == 0.0) {
                        (1, _) => 0.504 * OCTAVE_LSB,
                        (_, true) => 2.0 * U * exact.abs(),
                        (_, false) => U * (3.0 * exact.abs() + pivot / 6.0),
                    };
                    let error = (figure - exact).abs();
                    // The definition itself is evaluated in f64.
                    let allowed = bound + 4.0 * f64::EPSILON * exact.abs();
                    assert!(error <= allowed, "{amount} {pivot} {key}: {figure} for {exact}");
                    if bound > 0.0 {
                        worst[is_fixed] = worst[is_fixed].max(error / bound);
                    }
                }
            }
        }
    }
    println!("tracking: worst error per bound {worst:?}");
    assert!(worst.iter().all(|worst| *worst > 1.0 / 16.0), "{worst:?}");
}

#[test]
fn tracking_is_held_to_its_ranges_and_keys_to_127() {
    for (name, value) in [("amount", 200.1), ("amount", -201.0), ("pivot", -1.0), ("pivot", 128.0)]
    {
        let error = tracking::Setup::from_values(&Values(&[(name, value)])).unwrap_err();
        assert_eq!((error.parameter, error.value), (name, value));
    }
    for (name, amount_percent, pivot) in
        [("amount", f64::NAN, 60.0), ("amount", 201.0, 60.0), ("pivot", 100.0, -0.5)]
    {
        let setup = tracking::Setup { amount_percent, pivot };
        assert_eq!(tracking::Float::new(&setup).unwrap_err().parameter, name);
        assert_eq!(tracking::Fixed::new(&setup).unwrap_err().parameter, name);
    }
    assert_eq!(tracking::Setup::from_values(&Values(&[])), Ok(tracking::Setup::default()));
    let setup = tracking::Setup::default();
    let (float, fixed) =
        (tracking::Float::new(&setup).unwrap(), tracking::Fixed::new(&setup).unwrap());
    assert_eq!((float.octaves(60), fixed.octaves(72).to_num::<f64>()), (0.0, 1.0));
    assert_eq!(float.octaves(200), float.octaves(127));
    assert_eq!(fixed.octaves(200), fixed.octaves(127));
}
