use super::filters::{Ladder, Section};
use plumbtone_measure::resonance::{
    cutoff_hz, peak, peak_near, quality_by_width, slope_db_per_octave,
};
use plumbtone_measure::response::ImpulseResponse;
use plumbtone_measure::{cents, ringing};
use std::f64::consts::PI;

const RATE_HZ: f64 = 48_000.0;

fn warped(ratio: f64, hz: f64) -> f64 {
    (ratio * (PI * hz / RATE_HZ).tan()).atan() / PI * RATE_HZ
}

/// Rows as printed for the analogue ladder (Stilson & Smith, ICMC 1996, recomputed elsewhere): DC
/// gain, peak frequency, peak, -3 dB point, moved by the warping of the trapezoidal rule.
#[test]
fn figures_of_a_ladder_match_the_printed_rows() {
    for hz in [100.0, 1000.0, 8000.0] {
        for (k, dc, top, half) in [
            (0.0, 0.0, None, 0.434979),
            (0.5, -3.522, Some((0.358014, -3.258)), 0.771017),
            (2.0, -9.542, Some((0.818685, -1.742)), 1.207354),
            (3.5, -13.064, Some((0.966337, 9.254)), 1.399652),
            (3.9, -13.804, Some((0.993661, 23.052)), 1.437493),
        ] {
            // 20 time constants of the slowest ringing, 12 000 samples at 100 Hz.
            let impulse = Ladder::new(hz / RATE_HZ, k).impulse((2.4e7 / hz) as usize);
            let response = ImpulseResponse::new(&impulse, RATE_HZ).unwrap();
            let magnitude = |hz: f64| response.magnitude(hz);
            let zero = magnitude(0.0);
            assert!((20.0 * zero.log10() - dc).abs() <= 0.000_501, "k {k}");
            // Digits printed: 0.5e-6 of a ratio is 0.0025 cents at the least.
            let found = cutoff_hz(magnitude, zero, 10.0, 23_000.0).unwrap();
            let off = cents(found, warped(half, hz));
            assert!(off.abs() < 0.0025, "{hz} Hz, k {k}: {off} cents");
            let found = peak(magnitude, hz / 10.0, (hz * 4.0).min(23_000.0)).unwrap();
            assert_eq!(found.is_some(), top.is_some(), "{hz} Hz, k {k}: {found:?}");
            if let (Some(found), Some((ratio, level))) = (found, top) {
                let off = cents(found.hz, warped(ratio, hz));
                assert!(off.abs() < 0.0030, "{hz} Hz, k {k}: {off} cents");
                assert!((20.0 * found.gain.log10() - level).abs() <= 0.000_501, "k {k}: {found:?}");
            }
        }
    }
}

/// The highest row: Q of 7998.75 and 63.011 dB at 0.999937 of the cutoff, from 200 periods that
/// cover an eighth of the time constant's dozen.
#[test]
fn the_sharpest_peak_is_read_from_a_short_capture() {
    let impulse = Ladder::new(1000.0 / RATE_HZ, 3.999).impulse(9600);
    let ringing = ringing::fit(&impulse[1..], RATE_HZ, 2).unwrap();
    let response = ImpulseResponse::new(&impulse, RATE_HZ).unwrap().continued(1, &ringing).unwrap();
    let mode = ringing.modes[0];
    let quality = mode.bilinear_quality().value;
    assert!((quality / 7998.75 - 1.0).abs() < 1e-6, "{quality}");
    let top = peak_near(|hz| response.magnitude(hz), mode.hz().value, quality).unwrap();
    assert!((20.0 * top.gain.log10() - 63.011).abs() <= 0.000_6, "{top:?}");
    let off = cents(top.hz, warped(0.999_937, 1000.0));
    assert!(off.abs() < 0.001, "{off} cents");
}

#[test]
fn slopes_are_those_of_the_asymptotes() {
    // Far above the cutoff, exact ratio at hand: -24 dB per octave less what the warping adds.
    let ladder = Ladder::new(50.0 / RATE_HZ, 0.0);
    let response = ImpulseResponse::new(&ladder.clone().impulse(1 << 15), RATE_HZ).unwrap();
    let found = slope_db_per_octave(|hz| response.magnitude(hz), 1000.0, 2000.0).unwrap();
    let exact = |hz: f64| ladder.exact(hz / RATE_HZ).norm();
    let law = 20.0 * (exact(2000.0) / exact(1000.0)).log10();
    assert!((found - law).abs() < 1e-6, "{found} {law}");
    // 2 * 10/ln 10 * 4 * (50/1000)^2 * 3/4 = 0.065 dB from the cutoff, 0.1 from the warping.
    assert!((found + 24.08).abs() < 0.15, "{found}");
    assert!(slope_db_per_octave(|_| 0.0, 1.0, 2.0).is_err());
    assert!(slope_db_per_octave(|_| 1.0, 2.0, 2.0).is_err());
}

/// Width of a band-pass, fc/Q on the analogue axis.
#[test]
fn band_pass_width_gives_its_quality() {
    let section = Section::new(1000.0 / RATE_HZ, 30.0);
    let mut running = section.clone();
    let impulse: Vec<f64> =
        (0..1 << 15).map(|n| running.tick(f64::from(u8::from(n == 0)))[1]).collect();
    let response = ImpulseResponse::new(&impulse, RATE_HZ).unwrap();
    let magnitude = |hz: f64| response.magnitude(hz);
    let top = peak(magnitude, 100.0, 10_000.0).unwrap().unwrap();
    assert!(cents(top.hz, 1000.0).abs() < 1e-3 && (top.gain / 30.0 - 1.0).abs() < 1e-9, "{top:?}");
    let half = 0.5 / 30.0f64;
    let edge = |sign: f64| warped(sign * half + half.hypot(1.0), 1000.0);
    let exact = 1000.0 / (edge(1.0) - edge(-1.0));
    let found = quality_by_width(magnitude, top).unwrap();
    assert!((found / exact - 1.0).abs() < 1e-5, "{found} {exact}");
    assert!(quality_by_width(|_| 1.0, top).is_err());
    assert!(cutoff_hz(|_| 1.0, 1.0, 10.0, 100.0).is_err());
}
