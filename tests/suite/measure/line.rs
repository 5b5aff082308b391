use super::signals::{Noise, Wave, frac};
use plumbtone_measure::line::Line;
use plumbtone_measure::reading::Obstacle;
use std::f64::consts::TAU;

const RATE_HZ: f64 = 48_000.0;

fn sine(hz: f64, amplitude: f64, turns: f64, len: usize) -> impl Iterator<Item = f64> {
    (0..len).map(move |n| amplitude * (TAU * frac(turns, hz / RATE_HZ, n)).sin())
}

/// Lines 40 Hz and more away from the harmonics of a full-scale ramp, in one second.
#[test]
fn lines_beside_a_loud_tone_are_read() {
    let len = 48_000;
    let loud = Wave::Ramp.partial(100, 220.3 / RATE_HZ, 0.2, len);
    for hz in [260.37, 1_000.0, 10_025.2] {
        for dbfs in [-60.0, -100.0, -140.0] {
            let amplitude = 10f64.powf(dbfs / 20.0);
            let samples: Vec<f64> =
                loud.iter().zip(sine(hz, amplitude, 0.4, len)).map(|(a, b)| a + b).collect();
            let line = Line::at(&samples, RATE_HZ, hz).unwrap();
            let off = (line.amplitude.value - amplitude).abs();
            assert!(off <= line.amplitude.uncertainty, "{hz} Hz {dbfs} dB: {line:?}");
            // -240 dB of side lobes; f64 rounding of samples near 1 is below that.
            assert!(line.floor < 1e-12, "{hz} Hz {dbfs} dB: {line:?}");
            assert!((line.dbfs() - dbfs).abs() < 1e-4, "{hz} Hz {dbfs} dB: {}", line.dbfs());
        }
        let line = Line::at(&loud, RATE_HZ, hz).unwrap();
        assert!(line.dbfs() < -230.0, "{hz} Hz, nothing planted: {}", line.dbfs());
    }
}

/// White noise of variance s^2 leaves a mean power of 4 s^2 B / n in a bin, B the noise bandwidth of
/// the window (5.6512 bins, Heinzel et al. 2002).
#[test]
fn noise_sets_the_floor_and_the_doubt() {
    let (len, sigma, amplitude) = (16_384, 0.01, 2e-3);
    let (mut inside, mut floors) = (0, 0.0);
    let seeds = 400;
    for seed in 0..seeds {
        let mut noise = Noise::seeded(seed);
        let samples: Vec<f64> = sine(3_000.7, amplitude, noise.uniform(), len)
            .map(|x| x + sigma * noise.gaussian())
            .collect();
        let line = Line::at(&samples, RATE_HZ, 3_000.7).unwrap();
        let off = (line.amplitude.value - amplitude).abs();
        inside += usize::from(off <= line.amplitude.uncertainty);
        floors += line.floor * line.floor / seeds as f64;
    }
    // The floor is known to some 20 %, which takes 95.4 % to about 94 %; four sigma of a binomial
    // are 4.7 %.
    assert!((0.89..0.99).contains(&(inside as f64 / seeds as f64)), "{inside} of {seeds}");
    // Of 34 bins six are independent. The third and fourth of six exponentials have the means
    // 1/6 + 1/5 + 1/4 and 1/3 more, 0.78 in the middle, where a long list would have ln 2.
    let expected = 4.0 * sigma * sigma * 5.6512 / len as f64 * 0.78;
    assert!((floors / expected - 1.0).abs() < 0.1, "{floors:e} {expected:e}");
}

#[test]
fn what_has_no_line() {
    let samples: Vec<f64> = sine(1_000.0, 0.5, 0.0, 4_800).collect();
    for hz in [0.0, 280.0, 23_720.0, 24_000.0, f64::NAN] {
        let refused = Line::at(&samples, RATE_HZ, hz);
        assert!(matches!(refused, Err(Obstacle::OutOfRange { .. })), "{hz}: {refused:?}");
    }
    assert!(matches!(Line::at(&samples, 0.0, 1e3), Err(Obstacle::OutOfRange { .. })));
    assert_eq!(Line::at(&[0.0; 4_800], RATE_HZ, 1e3), Err(Obstacle::Silent));
    let short = Line::at(&samples[..255], RATE_HZ, 1e4);
    assert_eq!(short, Err(Obstacle::TooShort { have: 255, need: 256 }));
    let mut broken = samples;
    broken[7] = f64::INFINITY;
    assert_eq!(Line::at(&broken, RATE_HZ, 1e3), Err(Obstacle::NotFinite { index: 7 }));
}
