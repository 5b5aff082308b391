use super::signals::{Noise, Wave};
use plumbtone_measure::beats::Beat;
use plumbtone_measure::reading::Obstacle;

/// Two ramps of `orders` harmonics; `levels` are the amplitudes of their fundamentals.
struct Pair {
    rate_hz: f64,
    seconds: f64,
    hz: [f64; 2],
    levels: [f64; 2],
    orders: u32,
}

impl Pair {
    fn samples(&self, turns: [f64; 2]) -> Vec<f64> {
        let len = (self.seconds * self.rate_hz) as usize;
        let tone = |i: usize| {
            let top = self.orders.min((0.49 * self.rate_hz / self.hz[i]) as u32);
            let scale = self.levels[i] / Wave::Ramp.harmonic(1).abs();
            let wave = Wave::Ramp.partial(top, self.hz[i] / self.rate_hz, turns[i], len);
            wave.into_iter().map(move |x| x * scale)
        };
        tone(0).zip(tone(1)).map(|(a, b)| a + b).collect()
    }

    /// Errors over uncertainties of beat, lower and upper frequency, and the reading.
    fn read(&self, samples: &[f64], least_hz: f64) -> ([f64; 3], Beat) {
        let near_hz = (self.hz[0] * self.hz[1]).sqrt() * 1.006;
        let beat = Beat::of(samples, self.rate_hz, near_hz, least_hz)
            .unwrap_or_else(|why| panic!("{:?}: {why}", self.hz));
        let [a, b] = self.hz;
        let readings = [(beat.rate_hz, b - a), (beat.lower_hz, a), (beat.upper_hz, b)];
        (readings.map(|(r, truth)| (r.value - truth).abs() / r.uncertainty), beat)
    }
}

fn rounded(samples: &[f64], bits: i32) -> Vec<f64> {
    let step = 2f64.powi(1 - bits);
    samples.iter().map(|x| (x / step).round() * step).collect()
}

/// Clean, then at 16 bits: eight seconds are good to 1e-4 Hz, and amplitudes to the rounding.
#[test]
fn pairs_from_55_to_880_hz_are_read() {
    let levels = [[0.3, 0.3], [0.4, 0.02], [0.02, 0.4]];
    let mut places = Vec::new();
    for hz in [55.0, 110.0, 220.0, 440.0, 880.0] {
        for beat in [0.25, 0.7, 3.1, 8.0] {
            // Eight hertz at 55 Hz are more than two semitones: no longer nearly in tune.
            if beat < 0.06 * hz {
                places.push([hz * 0.9973, hz * 0.9973 + beat]);
            }
        }
    }
    for (i, hz) in places.into_iter().enumerate() {
        let levels = levels[i % 3];
        let pair = Pair { rate_hz: 48_000.0, seconds: 8.1, hz, levels, orders: 60 };
        let clean = pair.samples([0.13, 0.71]);
        let (off, beat) = pair.read(&clean, 0.25);
        assert!(off.iter().all(|off| *off <= 1.0), "{hz:?}: {off:?} {beat:?}");
        assert!(beat.rate_hz.uncertainty < 1e-8, "{hz:?}: {beat:?}");
        for (read, level) in beat.amplitudes.iter().zip(levels) {
            assert!((read / level - 1.0).abs() < 1e-6, "{hz:?}: {beat:?}");
        }
        let (off, beat) = pair.read(&rounded(&clean, 16), 0.25);
        // Forty-eight readings at k = 2: one in 16 000 is beyond twice the uncertainty.
        assert!(off.iter().all(|off| *off <= 2.0), "{hz:?}: {off:?} {beat:?}");
        assert!(beat.rate_hz.uncertainty < 1e-4, "{hz:?}: {beat:?}");
        for (read, level) in beat.amplitudes.iter().zip(levels) {
            assert!((read - level).abs() < 2f64.powi(-16), "{hz:?}: {beat:?}");
        }
    }
}

/// Share of readings within k = 2: 95.4 %, the three readings of a pair counted as one and a half.
fn share_inside(pair: &Pair, seeds: u64, spoil: impl Fn(&mut [f64], &mut Noise)) -> f64 {
    let mut inside = 0;
    for seed in 0..seeds {
        let mut noise = Noise::seeded(seed);
        let mut samples = pair.samples([noise.uniform(), noise.uniform()]);
        spoil(&mut samples, &mut noise);
        let (off, _) = pair.read(&samples, 2.0 / pair.seconds + 0.05);
        inside += off.iter().filter(|off| **off <= 1.0).count();
    }
    inside as f64 / (3 * seeds) as f64
}

#[test]
fn uncertainties_are_honest() {
    let pair = |hz: f64, beat: f64, levels| Pair {
        rate_hz: 16_000.0,
        seconds: 3.0,
        hz: [hz, hz + beat],
        levels,
        orders: 12,
    };
    let seeds = 200;
    // Four sigma of a binomial with 300 independent readings of 600: 4.8 %.
    let allowed = 0.954 - 0.048..=1.0;
    for (hz, beat, levels) in
        [(55.0, 0.8, [0.3, 0.3]), (220.0, 3.0, [0.4, 0.02]), (880.0, 8.0, [0.02, 0.4])]
    {
        let pair = pair(hz, beat, levels);
        for sigma in [1e-5, 1e-2] {
            // At 1e-2 the weak tone is still 15 dB above what a second tone needs.
            let share = share_inside(&pair, seeds, |samples, noise| {
                samples.iter_mut().for_each(|x| *x += sigma * noise.gaussian());
            });
            assert!(allowed.contains(&share), "{hz} Hz, noise {sigma}: {share}");
            // An uncertainty twice too large would hold 99.99 %.
            assert!(share < 0.995, "{hz} Hz, noise {sigma}: {share} is too many");
        }
        let share = share_inside(&pair, seeds, |samples, _| {
            let rounded = rounded(samples, 16);
            samples.copy_from_slice(&rounded);
        });
        assert!(allowed.contains(&share), "{hz} Hz, 16 bits: {share}");
    }
}

#[test]
fn what_does_not_beat_is_refused() {
    let rate_hz = 16_000.0;
    let pair = |levels: [f64; 2], beat: f64| Pair {
        rate_hz,
        seconds: 3.0,
        hz: [220.0, 220.0 + beat],
        levels,
        orders: 12,
    };
    let of = |samples: &[f64], least_hz| Beat::of(samples, rate_hz, 220.0, least_hz);
    // One tone: exact, rounded to 16 bits, in noise; and a second one 66 dB down.
    let one = pair([0.5, 0.0], 2.0).samples([0.1, 0.0]);
    assert_eq!(of(&one, 1.0), Err(Obstacle::NoTone));
    assert_eq!(of(&rounded(&one, 16), 1.0), Err(Obstacle::NoTone));
    for seed in 0..50 {
        let mut noise = Noise::seeded(seed);
        let noisy: Vec<f64> = one.iter().map(|x| x + 0.1 * noise.gaussian()).collect();
        assert_eq!(of(&noisy, 1.0), Err(Obstacle::NoTone), "seed {seed}");
        let hiss: Vec<f64> = one.iter().map(|_| 0.1 * noise.gaussian()).collect();
        assert_eq!(of(&hiss, 1.0), Err(Obstacle::NoTone), "seed {seed}");
    }
    let faint = pair([0.5, 2.5e-4], 2.0).samples([0.1, 0.3]);
    assert_eq!(of(&faint, 1.0), Err(Obstacle::NoTone));

    // Slower than asked for, and too short for what is asked.
    let slow = pair([0.3, 0.3], 0.7).samples([0.1, 0.6]);
    assert!(matches!(of(&slow, 1.0), Err(Obstacle::Unresolved { .. })), "{:?}", of(&slow, 1.0));
    assert!(of(&slow, 0.69).is_ok());
    assert!(matches!(of(&slow, 0.66), Err(Obstacle::TooShort { have: 48_000, need: 48_485.. })));

    assert_eq!(of(&[0.0; 48_000], 1.0), Err(Obstacle::Silent));
    assert!(matches!(of(&[0.1; 48_000], 1.0), Err(Obstacle::Constant { .. })));
    let mut broken = slow.clone();
    broken[777] = f64::NAN;
    assert_eq!(of(&broken, 1.0), Err(Obstacle::NotFinite { index: 777 }));
    for (rate_hz, near_hz, least_hz) in
        [(0.0, 220.0, 1.0), (rate_hz, 5_000.0, 1.0), (rate_hz, 220.0, 0.0), (rate_hz, 220.0, 40.0)]
    {
        let refused = Beat::of(&slow, rate_hz, near_hz, least_hz);
        assert!(matches!(refused, Err(Obstacle::OutOfRange { .. })), "{refused:?}");
    }
}
