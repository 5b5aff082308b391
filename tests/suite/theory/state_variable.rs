use plumbtone_theory::state_variable::{Output, Section, TwoIntegratorLoop, butterworth_quality};
use plumbtone_theory::{Complex64, db, tables};
use std::f64::consts::PI;

/// Handbook figures, recomputed elsewhere to the digits printed.
#[test]
#[allow(clippy::approx_constant)] // as printed
fn peaks_match_the_handbook() {
    for (quality, level, ratio) in [
        (1.0, 1.249, 0.70711),
        (2.0, 6.301, 0.93541),
        (5.0, 14.023, 0.98995),
        (10.0, 20.011, 0.99750),
        (50.0, 33.980, 0.99990),
    ] {
        let section = Section::new(quality).unwrap();
        let peak = section.low_peak().unwrap();
        assert!((db(peak.gain) - level).abs() <= 0.000_501, "Q {quality}: {peak:?}");
        assert!((peak.ratio - ratio).abs() <= 0.000_005_01, "Q {quality}: {peak:?}");
        // It is the peak of the response, to either side.
        let at = |ratio: f64| section.response(Output::Low, ratio).norm();
        assert!((at(peak.ratio) / peak.gain - 1.0).abs() < 1e-14 * quality, "Q {quality}");
        assert!(at(peak.ratio * 1.0001) < peak.gain && at(peak.ratio / 1.0001) < peak.gain);
        let high = section.high_peak().unwrap();
        let there = section.response(Output::High, high.ratio).norm();
        assert!((there / peak.gain - 1.0).abs() < 1e-14 * quality, "Q {quality}");
    }
    assert!(Section::new(0.707).unwrap().low_peak().is_none());
    assert!(Section::new(0.708).unwrap().low_peak().is_some());
    assert!(Section::new(0.0).is_err());
}

#[test]
fn widths_and_half_power_points() {
    for quality in [0.3, 0.5f64.sqrt(), 1.0, 10.0, 8000.0] {
        let section = Section::new(quality).unwrap();
        let (low, high) = section.half_power_ratios();
        // The width is the difference of numbers near 1.
        assert!(((high - low) * quality - 1.0).abs() < 1e-15 * quality.max(8.0), "Q {quality}");
        for (output, full) in [(Output::Band, quality), (Output::Notch, 1.0)] {
            for edge in [low, high] {
                let gain = section.response(output, edge).norm() / full;
                // A rounding of the edge counts Q times.
                assert!((gain - 0.5f64.sqrt()).abs() < 1e-15 * quality.max(8.0), "Q {quality}");
            }
        }
        let edge = section.response(Output::Low, section.low_half_power_ratio()).norm();
        assert!((edge - 0.5f64.sqrt()).abs() < 5e-15, "Q {quality}: {edge}");
    }
    // Butterworth: the cutoff is the half-power point.
    let butterworth = Section::new(0.5f64.sqrt()).unwrap();
    assert!((butterworth.low_half_power_ratio() - 1.0).abs() < 1e-15);
}

/// The four outputs against their polynomials in s.
#[test]
fn outputs_are_their_polynomials() {
    let section = Section::new(3.0).unwrap();
    for ratio in [0.0, 0.01, 0.9, 1.0, 1.1, 50.0] {
        let s = Complex64::new(0.0, ratio);
        let bottom = s * s + s / 3.0 + 1.0;
        for (output, top) in Output::ALL.iter().zip([1.0 + 0.0 * s, s, s * s, s * s + 1.0]) {
            let error = (section.response(*output, ratio) - top / bottom).norm();
            assert!(error <= 4e-15, "{output:?} at {ratio}: {error:e}");
        }
    }
}

/// Printed Qs (any handbook, e.g. Zverev 1967), and scipy's poles to 15 digits.
#[test]
#[allow(clippy::approx_constant)] // as printed
fn butterworth_matches_handbook_and_table() {
    for (order, row) in [
        (2, &[0.70711][..]),
        (3, &[1.0]),
        (4, &[0.54120, 1.30656]),
        (5, &[0.61803, 1.61803]),
        (6, &[0.51764, 0.70711, 1.93185]),
        (8, &[0.50980, 0.60134, 0.89998, 2.56292]),
    ] {
        for (pair, printed) in (1..).zip(row) {
            let found = butterworth_quality(order, pair).unwrap();
            assert!((found - printed).abs() <= 0.501e-5, "order {order}: {found}");
        }
    }
    let rows = tables::butterworth_poles().unwrap();
    assert_eq!(rows.len(), 30);
    for row in rows.iter().filter(|row| row.pole.im > 0.0) {
        // The table lists the least damped first.
        let pair = row.order / 2 + 1 - row.pair;
        let closed = butterworth_quality(row.order, pair).unwrap();
        // A pole off by 2e-15 near the imaginary axis: Q^2 times as much.
        assert!((row.quality() / closed - 1.0).abs() < 1e-14 * closed * closed, "{row:?}");
        assert!((row.ratio() - 1.0).abs() < 1e-14, "{row:?}");
    }
    assert!(butterworth_quality(4, 3).is_err() && butterworth_quality(1, 1).is_err());
}

/// Printed frequency and Q, -3 dB at 1 (recomputed elsewhere), for scipy's poles; and the product
/// of the sections is 3.01 dB down at 1 with a maximally flat delay.
#[test]
fn bessel_table_matches_the_handbook() {
    let rows = tables::bessel_poles().unwrap();
    for (order, sections) in [
        (2, &[(1.2720, 0.5774)][..]),
        (3, &[(1.4476, 0.6910), (1.3227, 0.5)]),
        (4, &[(1.6034, 0.8055), (1.4302, 0.5219)]),
        (5, &[(1.7554, 0.9165), (1.5563, 0.5635), (1.5023, 0.5)]),
        (6, &[(1.9047, 1.0233), (1.6892, 0.6112), (1.6039, 0.5103)]),
        (8, &[(2.1887, 1.2257), (1.9532, 0.7109), (1.8321, 0.5596), (1.7785, 0.5060)]),
    ] {
        let own: Vec<_> = rows.iter().filter(|row| row.order == order).collect();
        assert_eq!(own.len(), sections.len(), "order {order}");
        for (row, (ratio, quality)) in own.iter().zip(sections) {
            assert!((row.ratio() - ratio).abs() <= 0.501e-4, "{row:?}");
            assert!((row.quality() - quality).abs() <= 0.501e-4, "{row:?}");
        }
        let gain: f64 = own
            .iter()
            .map(|row| match row.pole.im > 0.0 {
                true => Section::new(row.quality())
                    .unwrap()
                    .response(Output::Low, 1.0 / row.ratio())
                    .norm(),
                false => (1.0 / row.ratio()).hypot(1.0).recip(),
            })
            .product();
        assert!((gain - 0.5f64.sqrt()).abs() < 1e-13, "order {order}: {gain}");
    }
}

/// The loop's own difference equations, from their impulse response.
#[test]
fn loop_responds_as_its_difference_equations() {
    for (cutoff, quality) in [(0.02, 0.7), (0.1, 3.0), (0.15, 1.0)] {
        let filter = TwoIntegratorLoop::new(cutoff, quality).unwrap();
        assert!(filter.is_stable());
        let (f, q) = filter.coefficients();
        let (mut low, mut band) = (0.0, 0.0);
        let mut out = vec![];
        for n in 0..4000 {
            low += f * band;
            let high = f64::from(u8::from(n == 0)) - low - q * band;
            band += f * high;
            out.push([low, band, high, low + high]);
        }
        for x in [0.0, 0.01, 0.1, 0.37, 0.5] {
            for (i, output) in Output::ALL.into_iter().enumerate() {
                let sum: Complex64 = (0..out.len())
                    .map(|n| Complex64::from_polar(out[n][i], -2.0 * PI * x * n as f64))
                    .sum();
                let error = (sum - filter.response(output, x)).norm();
                assert!(error < 1e-12, "{cutoff}, {output:?} at {x}: {error:e}");
            }
        }
        let (at, radius) = filter.pole().unwrap();
        let (a1, a2) = filter.denominator();
        let z = Complex64::from_polar(radius, 2.0 * PI * at);
        assert!((z * z + a1 * z + a2).norm() < 1e-15, "{cutoff}: {z}");
    }
}

/// Stable exactly where the poles of the quadratic lie inside the circle.
#[test]
fn loop_stability_is_that_of_its_poles() {
    let mut unstable = 0;
    for i in 1..50 {
        for j in 1..40 {
            let filter = TwoIntegratorLoop::new(f64::from(i) / 100.0, f64::from(j) / 20.0).unwrap();
            let (a1, a2) = filter.denominator();
            let root = Complex64::new(a1 * a1 - 4.0 * a2, 0.0).sqrt();
            let radius = (root - a1).norm().max((root + a1).norm()) / 2.0;
            assert_eq!(filter.is_stable(), radius < 1.0, "{filter:?}: {radius}");
            unstable += i32::from(!filter.is_stable());
        }
    }
    assert!(unstable > 100, "{unstable}");
}
