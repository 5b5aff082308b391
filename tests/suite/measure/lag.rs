use super::signals::{Noise, frac};
use plumbtone_measure::lag::{Lag, drift};
use plumbtone_measure::reading::Obstacle;
use std::f64::consts::TAU;

/// Sum of sines: turns per sample, amplitude, phase in turns.
struct Sound(Vec<(f64, f64, f64)>);

impl Sound {
    /// 60 sines anywhere below 0.44 of the rate.
    fn noise(seed: u64) -> Self {
        let mut noise = Noise::seeded(seed);
        let mut line = || (0.44 * noise.uniform(), 0.05 * noise.uniform(), noise.uniform());
        Self((0..60).map(|_| line()).collect())
    }

    /// 40 harmonics of a tone of 351.7 samples.
    fn tone() -> Self {
        let line = |k: f64| (k / 351.7, 0.4 / k, 0.1 * k * k);
        Self((1..=40).map(|k| line(f64::from(k))).collect())
    }

    /// The sound, `lag` samples late: exact, by the phases.
    fn late(&self, lag: f64, len: usize) -> Vec<f64> {
        let at = |n: usize| {
            let sine = |&(turns, a, phase): &(f64, f64, f64)| {
                a * (TAU * frac(phase - turns * lag, turns, n)).sin()
            };
            self.0.iter().map(sine).sum()
        };
        (0..len).map(at).collect()
    }
}

const LAGS: [f64; 8] = [0.0, 1e-6, -1e-6, 0.01, 0.37, -0.5, 5.5, -120.25];

#[test]
fn lags_of_closed_form_are_read() {
    for (name, sound) in [("noise", Sound::noise(1)), ("tone", Sound::tone())] {
        let reference = sound.late(0.0, 8_192);
        for lag in LAGS {
            let mut subject = sound.late(lag, 8_192);
            subject.iter_mut().for_each(|x| *x *= 0.5);
            let read = Lag::between(&subject, &reference).unwrap();
            let off = (read.samples.value - lag).abs();
            assert!(off <= read.samples.uncertainty, "{name} {lag}: {read:?}");
            assert!(read.samples.uncertainty < 1e-8, "{name} {lag}: {read:?}");
            let gain = (read.gain_db.value - 20.0 * 0.5_f64.log10()).abs();
            assert!(gain <= read.gain_db.uncertainty && gain < 1e-7, "{name} {lag}: {read:?}");
            // -180 dB of side lobes on sounds of rms 0.2.
            assert!(read.remaining.rms < 1e-9, "{name} {lag}: {read:?}");
        }
    }
}

/// White noise on the subject: 95.4 % of readings within k = 2.
#[test]
fn uncertainties_are_honest() {
    let sound = Sound::noise(2);
    let (reference, subject) = (sound.late(0.0, 2_048), sound.late(0.37, 2_048));
    let mut inside = [0; 2];
    let seeds = 400;
    for seed in 0..seeds {
        let mut noise = Noise::seeded(seed);
        let noisy: Vec<f64> = subject.iter().map(|x| x + 0.01 * noise.gaussian()).collect();
        let read = Lag::between(&noisy, &reference).unwrap();
        inside[0] += usize::from((read.samples.value - 0.37).abs() <= read.samples.uncertainty);
        inside[1] += usize::from(read.gain_db.value.abs() <= read.gain_db.uncertainty);
        // 2048 samples, less the kernel: rms to 1.6 %, four sigma.
        assert!((read.remaining.rms / 0.01 - 1.0).abs() < 0.066, "{read:?}");
    }
    // Four sigma of a binomial of 400: 4.2 %.
    for inside in inside {
        assert!((0.912..=0.996).contains(&(inside as f64 / seeds as f64)), "{inside} of {seeds}");
    }
}

/// A sine of 100.3 samples is known but for its periods.
#[test]
fn of_periodic_sounds_the_smallest_lag_is_taken() {
    let sine = Sound(vec![(1.0 / 100.3, 0.5, 0.2)]);
    let reference = sine.late(0.0, 8_192);
    for (lag, expected) in [(0.49, 0.49), (49.0, 49.0), (100.3, 0.0), (-90.0, 10.3)] {
        let read = Lag::between(&sine.late(lag, 8_192), &reference).unwrap();
        assert!((read.samples.value - expected).abs() < 1e-7, "{lag}: {read:?}");
    }
}

/// A subject that slips by 1e-5 samples per sample from sample 20 000 on, both at rest from 40 000
/// to 50 000.
#[test]
fn drift_is_followed() {
    let sound = Sound::noise(3);
    let window = 4_000;
    let slow = Sound(sound.0.iter().map(|&(t, a, p)| (t * (1.0 - 1e-5), a, p + t * 0.2)).collect());
    let mut reference = sound.late(0.0, 80_000);
    let mut subject = slow.late(0.0, 80_000);
    let before = sound.late(0.0, 20_000);
    subject[..20_000].copy_from_slice(&before);
    for x in [&mut reference, &mut subject] {
        x[40_000..50_000].fill(0.0);
    }
    let read = drift(&subject, &reference, window, None).unwrap();
    let starts: Vec<usize> = read.iter().map(|r| r.0).collect();
    let all: Vec<usize> =
        (0..20).map(|i| i * window).filter(|s| ![40_000, 44_000].contains(s)).collect();
    assert_eq!(starts, all);
    for (start, lag) in read {
        let lag = lag.unwrap();
        let middle = (start + window / 2) as f64;
        let expected = if start < 20_000 { 0.0 } else { 1e-5 * (middle - 20_000.0) };
        let off = (lag.samples.value - expected).abs();
        // Two stretches rest in part. The others slip by 0.04 samples, and weigh their samples by
        // the square of the slope, not evenly: a tenth of that.
        if ![36_000, 48_000].contains(&start) {
            assert!(off < 4e-3, "{start}: {lag:?}");
        }
    }
}

#[test]
fn what_cannot_be_compared() {
    let sound = Sound::noise(4);
    let x = sound.late(0.0, 2_048);
    let short = Lag::between(&x[..255], &x[..255]);
    assert_eq!(short, Err(Obstacle::TooShort { have: 255, need: 256 }));
    assert!(matches!(Lag::between(&x, &x[1..]), Err(Obstacle::WrongLength { .. })));
    assert_eq!(Lag::between(&x, &[0.0; 2_048]), Err(Obstacle::Silent));
    assert_eq!(Lag::between(&[0.0; 2_048], &x), Err(Obstacle::Silent));
    let other = Sound::noise(5).late(0.0, 2_048);
    let unrelated = Lag::between(&x, &other);
    assert!(matches!(unrelated, Err(Obstacle::Unrelated { .. })), "{unrelated:?}");
    let mut broken = x.clone();
    broken[9] = f64::NAN;
    assert_eq!(Lag::between(&broken, &x), Err(Obstacle::NotFinite { index: 9 }));
    assert_eq!(Lag::between(&x, &broken), Err(Obstacle::NotFinite { index: 9 }));
    assert!(matches!(drift(&x, &x, 255, None), Err(Obstacle::OutOfRange { .. })));
    assert!(matches!(drift(&x, &x, 2_049, None), Err(Obstacle::TooShort { .. })));
    let same = Lag::between(&x, &x).unwrap();
    assert!(same.samples.value.abs() < 1e-15 && same.gain_db.value.abs() < 1e-14, "{same:?}");
    assert!(same.remaining.rms < 1e-16, "{same:?}");
}

/// A period off fits a periodic sound as well; told where to look, the fit stays there. A stretch
/// of another sound says so.
#[test]
fn drift_stays_near_and_tells_what_does_not_match() {
    let period = 400.0;
    let tone = |late: f64| -> Vec<f64> {
        let turns = |n: usize| TAU * (n as f64 - late) / period;
        (0..32_768).map(|n| (1..=9).map(|k| (f64::from(k) * turns(n)).sin()).sum()).collect()
    };
    let (reference, mut subject) = (tone(0.0), tone(0.02));
    for (_, lag) in drift(&subject, &reference, 4_096, Some(0)).unwrap() {
        assert!((lag.unwrap().samples.value - 0.02).abs() < 1e-6);
    }
    // Nor does it run after the louder part of a sound that grows.
    let growing = |samples: &[f64]| -> Vec<f64> {
        samples.iter().enumerate().map(|(n, x)| x * (n as f64 / 500.0).exp()).collect()
    };
    let (loud, before) = (growing(&subject[..8_192]), growing(&reference[..8_192]));
    for (_, lag) in drift(&loud, &before, 4_096, Some(0)).unwrap() {
        assert!((lag.unwrap().samples.value - 0.02).abs() < 1e-3);
    }
    subject[16_384..20_480].copy_from_slice(&Sound::noise(7).late(0.0, 4_096));
    let read = drift(&subject, &reference, 4_096, Some(0)).unwrap();
    let unlike: Vec<usize> = read.iter().filter(|r| r.1.is_err()).map(|r| r.0).collect();
    assert_eq!(unlike, [16_384]);
}
