use super::signals::frac;
use num_complex::Complex64;
use plumbtone_measure::loudness::{Loudness, Section, weighting};
use plumbtone_measure::reading::{Obstacle, Unit};
use std::f64::consts::TAU;

fn sine(hz: f64, amplitude: f64, rate_hz: f64, len: usize) -> Vec<f64> {
    (0..len).map(|n| amplitude * (TAU * frac(0.0, hz / rate_hz, n)).sin()).collect()
}

/// The printed coefficients of ITU-R BS.1770-4, tables 1 and 2 (from memory), 14 decimals.
#[test]
fn weighting_at_48_khz_has_the_printed_coefficients() {
    let printed = [
        Section {
            forward: [1.535_124_859_586_97, -2.691_696_189_406_38, 1.198_392_810_852_85],
            feedback: [-1.690_659_293_182_41, 0.732_480_774_215_85],
        },
        Section {
            forward: [1.0, -2.0, 1.0],
            feedback: [-1.990_047_454_833_98, 0.990_072_250_366_21],
        },
    ];
    for (found, printed) in weighting(48e3).unwrap().iter().zip(printed) {
        let found = found.forward.iter().chain(&found.feedback);
        let printed = printed.forward.iter().chain(&printed.feedback);
        for (found, printed) in found.zip(printed) {
            // The constants have 16 digits, but were fitted to 14 decimals.
            assert!((found - printed).abs() < 2e-14, "{found} {printed}");
        }
    }
}

/// At other rates the response is that of 48 kHz but for the warping of frequencies. The shelf
/// ends in a plateau, so that little of it shows: 0.0055 dB, by the same formulas in numpy 2.4.6.
#[test]
fn weighting_hardly_depends_on_the_rate() {
    let gain_db = |rate_hz: f64, hz: f64| {
        let z = Complex64::cis(-TAU * hz / rate_hz);
        let gain = |s: Section| {
            let ([b0, b1, b2], [a1, a2]) = (s.forward, s.feedback);
            (b0 + (b1 + b2 * z) * z) / (1.0 + (a1 + a2 * z) * z)
        };
        let [shelf, high_pass] = weighting(rate_hz).unwrap();
        20.0 * (gain(shelf) * gain(high_pass)).norm().log10()
    };
    for rate_hz in [44_100.0, 88_200.0, 96_000.0, 192_000.0] {
        for hz in [10.0, 40.0, 100.0, 997.0, 2_000.0, 4_000.0, 8_000.0, 16_000.0, 20_000.0] {
            let off = gain_db(rate_hz, hz) - gain_db(48e3, hz);
            assert!(off.abs() < 0.006, "{rate_hz} Hz, at {hz} Hz: {off} dB");
        }
    }
}

/// "If a 0 dBFS, 997 Hz sine wave is applied to the left, centre, or right channel input, the
/// indicated loudness will equal -3.01 LKFS" (BS.1770, from memory), at any level by as much.
#[test]
fn a_sine_reads_its_level() {
    for rate_hz in [32_000.0, 44_100.0, 48_000.0, 96_000.0] {
        for dbfs in [0.0, -20.0, -60.0] {
            let samples = sine(997.0, 10f64.powf(dbfs / 20.0), rate_hz, 5 * rate_hz as usize);
            let read = Loudness::of(&samples, rate_hz).unwrap();
            assert_eq!(read.lkfs.unit, Unit::Lkfs);
            // Printed to two decimals; the weighting settles within milliseconds of five seconds.
            let off = read.lkfs.value - dbfs + 3.01;
            assert!(off.abs() < 0.01, "{rate_hz} Hz, {dbfs} dBFS: {off}");
            let off = read.integrated_lkfs.unwrap().value - dbfs + 3.01;
            assert!(off.abs() < 0.01, "{rate_hz} Hz, {dbfs} dBFS: {off}");
            // 997 is prime: samples come within 1e-4 turns of the crest.
            assert!((read.peak_dbfs - dbfs).abs() < 1e-6, "{read:?}");
            assert!((read.crest_db - 10.0 * 2f64.log10()).abs() < 1e-6, "{read:?}");
        }
    }
}

/// Frequencies in Hz and gains in dB.
const WEIGHTS: [(f64, f64); 6] = [
    (50.0, -3.934_054),
    (100.0, -1.133_498),
    (997.0, 0.691_014),
    (2_000.0, 3.071_257),
    (5_000.0, 4.013_384),
    (15_000.0, 4.043_013),
];

/// Gain at other frequencies: scipy 1.17.1, signal.freqz of the printed coefficients.
#[test]
fn sines_are_weighted() {
    for (hz, gain_db) in WEIGHTS {
        let samples = sine(hz, 0.1, 48e3, 480_000);
        let read = Loudness::of(&samples, 48e3).unwrap().lkfs.value;
        // Of ten seconds the high-pass takes some 10 ms to settle.
        let off = read + 20.0 + 3.0103 + 0.691 - gain_db;
        assert!(off.abs() < 5e-3, "{hz} Hz: {off}");
    }
}

/// Two tones: 30 s at -23 dBFS among 30 s that are 20 dB weaker, and 30 s of near silence. The
/// gates leave the loud third, and with it the blocks over both borders that pass: one of them
/// holds three quarters, half and a quarter of the loud part.
#[test]
fn gates_leave_out_what_is_quiet() {
    let rate_hz = 48_000.0;
    let mut samples = sine(997.0, 10f64.powf(-43.0 / 20.0), rate_hz, 1_440_000);
    samples.extend(sine(997.0, 10f64.powf(-23.0 / 20.0), rate_hz, 1_440_000));
    samples.extend(sine(997.0, 10f64.powf(-83.0 / 20.0), rate_hz, 1_440_000));
    let read = Loudness::of(&samples, rate_hz).unwrap();
    // 297 whole blocks, and at either side three that hold 1/4, 2/4 and 3/4.
    let loud = 297.0 + 2.0 * 1.5;
    let expected = -26.01 + 10.0 * (loud / 303.0_f64).log10();
    let off = read.integrated_lkfs.unwrap().value - expected;
    assert!(off.abs() < 0.01, "{off}");
    // Ungated: a third of the time, and 1 % of that from the weaker third.
    let off = read.lkfs.value - (-26.01 + 10.0 * (1.01_f64 / 3.0).log10());
    assert!(off.abs() < 0.01, "{off}");
    // Nothing above -70 LKFS.
    assert_eq!(Loudness::of(&samples[2_890_000..], rate_hz).unwrap().integrated_lkfs, None);
}

#[test]
fn what_has_no_loudness() {
    let samples = sine(997.0, 1.0, 48e3, 19_200);
    assert!(Loudness::of(&samples, 48e3).unwrap().integrated_lkfs.is_some());
    assert_eq!(Loudness::of(&samples[1..], 48e3).unwrap().integrated_lkfs, None);
    assert_eq!(Loudness::of(&[0.0; 99], 48e3), Err(Obstacle::Silent));
    assert!(matches!(Loudness::of(&[0.5; 99], 48e3), Err(Obstacle::Constant { .. })));
    assert!(matches!(Loudness::of(&samples, 7_999.0), Err(Obstacle::OutOfRange { .. })));
    let mut broken = samples;
    broken[5] = f64::NAN;
    assert_eq!(Loudness::of(&broken, 48e3), Err(Obstacle::NotFinite { index: 5 }));
}
