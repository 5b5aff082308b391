use plumbtone_theory::hold::{Fill, Updates, one_pole_gain};
use plumbtone_theory::{Complex64, tables};
use std::f64::consts::TAU;

fn fill(name: &str) -> Fill {
    match name {
        "held" => Fill::Held,
        "interpolated" => Fill::Interpolated,
        "smoothed" => Fill::Smoothed { k: tables::HOLD_IMAGE_COEFFICIENT },
        other => panic!("{other} is no fill"),
    }
}

/// `reference-tables/hold-images`: the transform of the sequence itself, 13 digits and 2e-15.
#[test]
fn images_match_the_transform() {
    let rows = tables::hold_images().unwrap();
    assert_eq!(rows.len(), 126);
    for row in rows {
        let updates = Updates::new(row.every, fill(row.fill)).unwrap();
        let x = f64::from(tables::HOLD_IMAGE_PERIODS) / f64::from(row.every * row.updates);
        let above = row.side == "above";
        let images = updates.images(x).unwrap();
        let image = images.iter().find(|i| i.order == row.order && i.above == above);
        let image = image.unwrap_or_else(|| panic!("no image for {row:?}"));
        let error = (image.ratio - row.ratio).abs();
        assert!(error <= 2e-15 + 1e-12 * row.ratio, "{row:?}: {error:e}");
        // The same through the filter that the fill is.
        let through = updates.gain(image.x) / updates.gain(x);
        assert!((through / image.ratio - 1.0).abs() < 1e-10, "{row:?}: {through}");
    }
}

/// Kernels written out and summed: a box of `R`, a triangle of `2R - 1`, the impulse response.
#[test]
fn gains_match_the_kernels() {
    for every in [1_u32, 2, 7, 32] {
        let count = f64::from(every);
        for x in [0.0, 1e-6, 0.01, 0.1, 0.4999, 0.5] {
            let sum = |taps: u32, tap: &dyn Fn(f64) -> f64| {
                let term = |j: u32| tap(f64::from(j)) * Complex64::cis(-TAU * x * f64::from(j));
                (0..taps).map(term).sum::<Complex64>().norm()
            };
            let held = sum(every, &|_| 1.0 / count);
            let line = sum(2 * every, &|j| (1.0 - (j - count).abs() / count) / count);
            let pole = sum(2000, &|j| 0.02 * 0.98_f64.powf(j));
            for (fill, direct) in [
                (Fill::Held, held),
                (Fill::Interpolated, line),
                (Fill::Smoothed { k: 0.02 }, held * pole),
            ] {
                let found = Updates::new(every, fill).unwrap().gain(x);
                // 64 terms of at most 1/R, or 2000 whose sum is 1.
                assert!((found - direct).abs() < 1e-13, "{every} {fill:?} {x}: {found} {direct}");
            }
        }
    }
    // Corner of a one-pole: sin^2(pi x) = k^2 / (4 (1 - k)) halves the power.
    let k: f64 = 0.1;
    let corner = (k / (2.0 * (1.0 - k).sqrt())).asin() / std::f64::consts::PI;
    assert!((one_pole_gain(k, corner) - 0.5_f64.sqrt()).abs() < 1e-15);
}

/// 64 samples at 48 kHz, a vibrato of 6 Hz: the first images lie 744 and 756 Hz up, some 42 dB
/// down when held (`x R/(1 - x R) = 1/124` for the continuous sinc), twice as many dB when joined
/// by lines.
#[test]
fn first_images_of_a_slow_control_are_where_the_sinc_puts_them() {
    let x = 6.0 / 48_000.0;
    let held = Updates::new(64, Fill::Held).unwrap().images(x).unwrap();
    assert_eq!(held.len(), 63);
    assert!((48_000.0 * held[0].x - 744.0).abs() < 1e-9);
    assert!((48_000.0 * held[1].x - 756.0).abs() < 1e-9);
    // The discrete kernel exceeds the sinc by (pi f)^2 / 6 here, 4e-4.
    assert!((held[0].ratio * 124.0 - 1.0).abs() < 5e-4, "{}", held[0].ratio);
    let line = Updates::new(64, Fill::Interpolated).unwrap().images(x).unwrap();
    for (held, line) in held.iter().zip(&line) {
        assert!((line.ratio / held.ratio.powi(2) - 1.0).abs() < 1e-14, "{line:?}");
    }
    assert!(held.windows(2).all(|pair| pair[0].x < pair[1].x && pair[0].ratio > pair[1].ratio));
}

#[test]
fn no_image_without_a_hold() {
    assert!(Updates::new(1, Fill::Held).unwrap().images(0.4).unwrap().is_empty());
    let two = Updates::new(2, Fill::Held).unwrap().images(0.1).unwrap();
    assert_eq!(two.len(), 1);
    assert!((two[0].x - 0.4).abs() < 1e-16 && !two[0].above);
    assert!(Updates::new(2, Fill::Held).unwrap().images(0.25).is_err());
    assert!(Updates::new(0, Fill::Held).is_err());
    assert!(Updates::new(2, Fill::Smoothed { k: 0.0 }).is_err());
}
