use super::signals::{Noise, frac};
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::silence::{FALSE_ALARM, Silence};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 48_000.0;

fn sine(hz: f64, amplitude: f64, len: usize) -> Vec<f64> {
    (0..len).map(|n| amplitude * (TAU * frac(0.3, hz / RATE_HZ, n)).sin()).collect()
}

#[test]
fn exact_zeros_are_digital_silence() {
    let mut samples = vec![0.0; 48_000];
    let silence = Silence::of(&samples, RATE_HZ).unwrap();
    assert_eq!((silence.last_sound, silence.digital, silence.line), (None, true, None));
    assert_eq!(
        (silence.level_dbfs.value, silence.level_dbfs.uncertainty),
        (f64::NEG_INFINITY, 0.0)
    );
    assert_eq!((silence.dc.value, silence.dc.uncertainty), (0.0, 0.0));
    // A tenth is 4800 samples: the last sound may come at 43199, not one later.
    samples[43_199] = 1e-300;
    let silence = Silence::of(&samples, RATE_HZ).unwrap();
    assert_eq!((silence.last_sound, silence.digital), (Some(43_199), true));
    samples[43_200] = -1e-300;
    let silence = Silence::of(&samples, RATE_HZ).unwrap();
    assert_eq!((silence.last_sound, silence.digital), (Some(43_200), false));
}

/// A sine on DC: level and frequency by definition, wherever it lies between bins. The quarter of
/// one second holds bins of 4 Hz.
#[test]
fn a_line_is_read_in_level_and_frequency() {
    for (hz, dbfs) in [(50.0, -80.0), (441.3, -100.0), (1_001.9, -20.0), (17_003.0, -140.0)] {
        let amplitude = 10f64.powf(dbfs / 20.0);
        let mut samples = sine(hz, amplitude, 48_000);
        samples.iter_mut().for_each(|x| *x += 0.01);
        // What comes before the last quarter does not count.
        samples[..36_000].iter_mut().for_each(|x| *x += 0.5);
        let silence = Silence::of(&samples, RATE_HZ).unwrap();
        let line = silence.line.unwrap();
        // A Hann window takes the image at -f for noise: (bins from 0 Hz)^-3 of it, 2e-4 at 50 Hz.
        assert!((line.hz - hz).abs() < 0.4, "{hz} Hz: {line:?}");
        assert!((line.dbfs - dbfs).abs() < 0.01, "{hz} Hz: {line:?}");
        // Two bins of the line lie below 20 Hz at most.
        assert!((silence.level_dbfs.value - dbfs).abs() < 0.02, "{hz} Hz: {silence:?}");
        assert!((silence.dc.value - 0.01).abs() <= silence.dc.uncertainty, "{hz} Hz: {silence:?}");
        assert_eq!((silence.last_sound, silence.digital), (Some(47_999), false));
    }
}

/// White noise of variance s^2 has `s^2 (20 kHz - 20 Hz) / 24 kHz` in the band.
#[test]
fn noise_reads_its_level_and_no_line() {
    let (sigma, seeds) = (1e-4, 1000);
    let expected = 10.0 * (2.0 * sigma * sigma * 19_980.0 / 24_000.0_f64).log10();
    let (mut lines, mut levels, mut means) = (0, 0, 0);
    for seed in 0..seeds {
        let mut noise = Noise::seeded(seed);
        let samples: Vec<f64> = (0..19_200).map(|_| 0.002 + sigma * noise.gaussian()).collect();
        let silence = Silence::of(&samples, RATE_HZ).unwrap();
        lines += u32::from(silence.line.is_some());
        let off = (silence.level_dbfs.value - expected).abs();
        levels += u32::from(off <= silence.level_dbfs.uncertainty);
        means += u32::from((silence.dc.value - 0.002).abs() <= silence.dc.uncertainty);
    }
    // One expected at most; five or more come about in 0.4 % of such trials.
    assert!(f64::from(lines) <= 4.0 * FALSE_ALARM * 1000.0, "{lines} lines");
    // 95.4 % within k = 2; four sigma of a binomial are 2.7 %. The mean's own uncertainty comes
    // from ten bins, which takes it to some 93 %.
    assert!((927..=981).contains(&levels), "{levels} levels");
    assert!((900..=981).contains(&means), "{means} means");
}

/// A line 20 dB above the mean of 2000 bins is found (14.5 dB needed), one 6 dB above is not claimed.
#[test]
fn a_line_has_to_stand_out() {
    let sigma = 1e-4;
    let read = |amplitude: f64, seed: u64| {
        let mut noise = Noise::seeded(seed);
        let mut samples = sine(440.0, amplitude, 19_200);
        samples.iter_mut().for_each(|x| *x += sigma * noise.gaussian());
        Silence::of(&samples, RATE_HZ).unwrap().line
    };
    // In n samples noise leaves 4 s^2 B/n of squared amplitude in a bin, B = 1.5.
    let unit = sigma * (4.0 * 1.5 / 4_800.0_f64).sqrt();
    for seed in 0..50 {
        let line = read(10.0 * unit, seed).unwrap();
        assert!((line.hz - 440.0).abs() < 5.0, "{line:?}");
        assert_eq!(read(unit, seed), None);
    }
}

#[test]
fn what_cannot_be_read() {
    let short = Silence::of(&[0.0; 19_199], RATE_HZ);
    assert_eq!(short, Err(Obstacle::TooShort { have: 19_199, need: 19_200 }));
    let mut broken = [0.0; 19_200];
    broken[3] = f64::NAN;
    assert_eq!(Silence::of(&broken, RATE_HZ), Err(Obstacle::NotFinite { index: 3 }));
    assert!(matches!(Silence::of(&broken, 0.0), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(Silence::of(&[], RATE_HZ), Err(Obstacle::TooShort { .. })));
}
