use super::{sampled, worst_line_error};
use plumbtone_theory::db;
use plumbtone_theory::fourier::PiecewiseLinear;
use plumbtone_theory::lines::{Capture, Lines};
use plumbtone_theory::wavetable::{DEFAULT_LENGTH, Wavetable};

#[test]
fn bands_follow_the_octaves() {
    let tables = Wavetable::new(&PiecewiseLinear::ramp(), DEFAULT_LENGTH).unwrap();
    for (p, band, harmonics) in [
        (0.5, 0, 1),
        (0.25, 0, 1),
        (0.25_f64.next_down(), 1, 2),
        (0.125, 1, 2),
        (2.0_f64.powi(-10), 8, 256),
        (2.0_f64.powi(-10).next_down(), 9, 512),
        (1e-6, 9, 512),
    ] {
        assert_eq!((tables.band(p), tables.harmonics(p)), (band, harmonics), "p = {p}");
        assert!(harmonics as f64 * p <= 0.5, "harmonic {harmonics} would alias at {p}");
    }
    assert!(tables.entries(9).is_some() && tables.entries(10).is_none());
    assert!(Wavetable::new(&PiecewiseLinear::ramp(), 1000).is_err());
}

/// Entries against the sine series summed directly: `-(2/pi) sum sin(2 pi k i/T)/k`.
#[test]
fn entries_are_the_truncated_series() {
    let tables = Wavetable::new(&PiecewiseLinear::ramp(), 64).unwrap();
    for band in 0..=4 {
        for (i, entry) in tables.entries(band).unwrap().iter().enumerate() {
            let series: f64 = (1..=1 << band)
                .map(|k| {
                    let angle = std::f64::consts::TAU * f64::from(k) * i as f64 / 64.0;
                    -std::f64::consts::FRAC_2_PI * angle.sin() / f64::from(k)
                })
                .sum();
            // Angles of up to 100 radians carry 100 ulp.
            assert!((entry - series).abs() < 1e-13, "band {band}, entry {i}");
        }
    }
}

/// Lengths that hold the table's, and lengths that share only a factor with it.
#[test]
fn reads_have_the_predicted_lines() {
    let ramp = Wavetable::new(&PiecewiseLinear::ramp(), 256).unwrap();
    let triangle = Wavetable::new(&PiecewiseLinear::triangle(), 256).unwrap();
    for (samples, periods) in [(4096, 3), (4096, 741), (1000, 7), (1000, 331), (2187, 100)] {
        for start in [0.0, 0.377] {
            let capture = Capture::new(samples, periods, start, 0.0).unwrap();
            let p = capture.increment();
            for tables in [&ramp, &triangle] {
                let captured = sampled(&capture, start, |phi| tables.value(phi, p));
                let error = worst_line_error(&tables.spectrum(p).unwrap(), &capture, captured);
                assert!(error < 1e-12, "{periods}/{samples} from {start}: {error:e}");
            }
            let captured = sampled(&capture, start, |phi| ramp.pulse(0.3, phi, p));
            let prediction = ramp.spectrum(p).unwrap().pulse(0.3);
            let error = worst_line_error(&prediction, &capture, captured);
            assert!(error < 1e-12, "pulse, {periods}/{samples} from {start}: {error:e}");
        }
    }
}

/// Linear interpolation of a sine in 2^b entries: 12.04 b - 11.1 dB of signal to noise (Moore,
/// Computer Music J. 1(2):26-29, 1977, from memory). The figure counts the whole error, the loss
/// of level at the fundamental with it: mean square `(2 pi / T)^4 / 120` of the signal's.
#[test]
fn sine_table_has_the_published_noise() {
    use plumbtone_theory::lines::{BandLimited, InterpolatedTable};
    for bits in [4, 6, 8] {
        let table = InterpolatedTable::new(BandLimited::sine(), 1 << bits).unwrap();
        let capture = Capture::new(1 << 16, 3001, 0.123, 0.0).unwrap();
        let mut lines = Vec::new();
        table.magnitudes(&capture, &mut lines);
        let images: f64 = lines.iter().skip(2).map(|a| a * a).sum();
        let ratio_db = -db((images + (1.0 - lines[1]).powi(2)).sqrt());
        let published = 12.04 * f64::from(bits) - 11.1;
        // Printed to 0.1 dB; the next term of the error is of relative order (2 pi / T)^2 / 10.
        let next = 8.7 * (std::f64::consts::TAU / f64::from(1 << bits)).powi(2) / 10.0;
        assert!((ratio_db - published).abs() <= 0.06 + next, "2^{bits}: {ratio_db}");
    }
}
