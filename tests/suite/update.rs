//! Control codes taken once per block.

use plumbtone_voice::control::update::{ENTRY, Fill, Fixed, Float, Setup};
use plumbtone_voice::{Rate, Values};

/// Codes that jump, jitter and creep, with both ends of the range.
fn codes(count: usize) -> Vec<u32> {
    let mut state = 1_u64;
    (0..count)
        .map(|n| {
            // Lehmer, congruential: only variety is asked of it.
            state = state * 48_271 % 2_147_483_647;
            match n / 300 % 4 {
                0 => (state % 65_536) as u32,
                1 => 65_535,
                2 => 40_000 + n as u32 % 3,
                _ => 0,
            }
        })
        .collect()
}

/// The definition in f64.
fn defined(setup: &Setup, rate_hz: f64, codes: &[u32]) -> Vec<f64> {
    let every = setup.every as usize;
    let left = match setup.fill {
        Fill::Smooth { tau_s } => (-1.0 / (tau_s * rate_hz)).exp(),
        Fill::Hold | Fill::Ramp => 0.0,
    };
    let mut smooth = 0.0;
    (0..codes.len())
        .map(|n| {
            let block = n / every;
            let code = f64::from(codes[block * every]);
            let before = if block == 0 { 0.0 } else { f64::from(codes[(block - 1) * every]) };
            let place = (n % every + 1) as f64 / every as f64;
            smooth = code + (smooth - code) * left;
            match setup.fill {
                Fill::Hold => code,
                Fill::Ramp => before + (code - before) * place,
                Fill::Smooth { .. } => smooth,
            }
        })
        .collect()
}

fn fills() -> Vec<Setup> {
    let mut setups = Vec::new();
    for every in [1, 2, 7, 128, 1024] {
        for fill in [Fill::Hold, Fill::Ramp, Fill::Smooth { tau_s: 0.002 }] {
            setups.push(Setup { every, fill });
        }
    }
    setups
}

/// Bounds as at the head of the module, in codes.
#[test]
fn every_fill_follows_its_definition() {
    let rate = Rate::new(48_000).unwrap();
    let codes = codes(5_000);
    let u = 2_f64.powi(-24);
    for setup in fills() {
        let exact = defined(&setup, 48_000.0, &codes);
        let mut float = Float::new(rate, &setup).unwrap();
        let mut fixed = Fixed::new(rate, &setup).unwrap();
        let k = -(-1.0 / 96.0_f64).exp_m1();
        let (float_bound, fixed_bound) = match setup.fill {
            Fill::Hold => (0.0, 0.0),
            Fill::Ramp => (4.0 * u * 65_536.0, 2_f64.powi(-17)),
            Fill::Smooth { .. } => (
                (6.0 * u + 2_f64.powi(-49) / k) * 65_535.0,
                1.5 / 65_536.0 + 2_f64.powi(-31) * 65_535.0,
            ),
        };
        for (n, (&code, exact)) in codes.iter().zip(&exact).enumerate() {
            let float = f64::from(float.next(code));
            let fixed: f64 = fixed.next(code).to_num();
            assert!((float - exact).abs() <= float_bound, "{setup:?} {n}: {float} not {exact}");
            assert!((fixed - exact).abs() <= fixed_bound, "{setup:?} {n}: {fixed} not {exact}");
        }
    }
}

#[test]
fn a_block_of_one_sample_lets_every_code_through() {
    let rate = Rate::new(44_100).unwrap();
    for fill in [Fill::Hold, Fill::Ramp] {
        let setup = Setup { every: 1, fill };
        let mut float = Float::new(rate, &setup).unwrap();
        let mut fixed = Fixed::new(rate, &setup).unwrap();
        for code in codes(2_000) {
            assert_eq!(float.next(code), code as f32);
            assert_eq!(fixed.next(code), code);
        }
    }
}

#[test]
fn a_ramp_is_there_with_the_last_sample_of_its_block() {
    let rate = Rate::new(44_100).unwrap();
    for every in 1..=1024 {
        let setup = Setup { every, fill: Fill::Ramp };
        let mut float = Float::new(rate, &setup).unwrap();
        let mut fixed = Fixed::new(rate, &setup).unwrap();
        for block in 0..3 {
            let code = [65_535, 3, 41_234][block];
            let (mut last_float, mut last_fixed) = (0.0, fixed::types::U16F16::ZERO);
            for _ in 0..every {
                (last_float, last_fixed) = (float.next(code), fixed.next(code));
            }
            assert_eq!(last_float, code as f32, "every {every}");
            assert_eq!(last_fixed, code, "every {every}");
        }
    }
}

#[test]
fn settings_outside_their_range_are_refused_by_name() {
    let codes = |pairs: &[(&str, f64)]| (ENTRY.codes)(&Values(pairs));
    assert!(codes(&[("every", 128.0), ("fill", 1.0)]).is_ok());
    for (name, value) in [("every", 0.0), ("every", 1025.0), ("every", 1.5), ("tau", 11.0)] {
        let error = codes(&[(name, value)]).unwrap_err();
        assert_eq!(error.parameter, name);
    }
    let setup = Setup { every: 0, fill: Fill::Hold };
    assert!(Float::new(Rate::new(48_000).unwrap(), &setup).is_err());
    assert!(Fixed::new(Rate::new(48_000).unwrap(), &setup).is_err());
}
