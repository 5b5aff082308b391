use super::signals::{Noise, Wave};
use approx::assert_abs_diff_eq;
use plumbtone_measure::psd::Psd;
use plumbtone_measure::reading::Obstacle;

fn white(seed: u64, len: usize) -> Vec<f64> {
    let mut noise = Noise::seeded(seed);
    (0..len).map(|_| noise.gaussian()).collect()
}

#[test]
fn white_noise_has_density_two_over_the_rate_and_honest_uncertainty() {
    // Unit variance over 0 to fs/2: density 2/fs. 400 bands; the share inside k = 2 is
    // 95.4 %, with a binomial sigma of 1.05 %: 91 to 99 % is four sigma, chi-square skew
    // included.
    let mut psd = Psd::new(1024).unwrap();
    let mut inside = 0;
    for seed in 0..40 {
        let x = white(seed, 16_384);
        let density = psd.analyse(&x, 48_000.0).unwrap();
        for band in 0..10 {
            let low = 1000.0 + 2000.0 * f64::from(band);
            let b = density.band(low, low + 1000.0).unwrap();
            let off = b.db() - 10.0 * (2.0f64 / 48_000.0).log10();
            inside += i32::from(off.abs() <= b.uncertainty_db());
        }
    }
    assert!((364..=396).contains(&inside), "{inside} of 400");
}

#[test]
fn white_is_flat_and_its_difference_rises_six_decibels_per_octave() {
    let x = white(7, 1 << 18);
    let mut psd = Psd::new(4096).unwrap();
    let flat = psd.analyse(&x, 48_000.0).unwrap().slope(100.0, 12_800.0, 3).unwrap();
    assert_abs_diff_eq!(flat.db_per_octave, 0.0, epsilon = 2.0 * flat.uncertainty_db);
    assert!(flat.uncertainty_db < 0.05 && flat.flatness_db < 1.0, "{flat:?}");
    // x[n] - x[n-1] has gain 2 sin(pi f/fs): 6.02 dB per octave at low frequencies, and
    // 0.005 dB per octave less on average up to 1.6 kHz (sin x / x at 0.1: -0.0145 dB).
    let d: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let rising = psd.analyse(&d, 48_000.0).unwrap().slope(100.0, 1600.0, 3).unwrap();
    assert_abs_diff_eq!(rising.db_per_octave, 6.02, epsilon = 2.0 * rising.uncertainty_db);
}

#[test]
fn power_of_a_sine_is_kept() {
    // The sum of the density over a line is A^2/2, whatever the window (Parseval).
    let mut psd = Psd::new(1024).unwrap();
    let x = Wave::Sine.additive(100.37 / 1024.0, 0.1, 65_536);
    let d = psd.analyse(&x, 1.0).unwrap();
    let power = d.bins().iter().sum::<f64>() * d.bin_hz();
    // Segment ends cut the sine anywhere: cross terms average over 127 segments.
    assert_abs_diff_eq!(power, 0.5, epsilon = 1e-3);
}

#[test]
fn what_cannot_be_measured() {
    assert!(Psd::new(8).is_err());
    let mut psd = Psd::new(64).unwrap();
    assert!(matches!(psd.analyse(&[0.0; 63], 1.0), Err(Obstacle::TooShort { .. })));
    let x = white(1, 640);
    let d = psd.analyse(&x, 64.0).unwrap();
    assert!(matches!(d.band(10.2, 10.7), Err(Obstacle::Unresolved { .. })));
    assert!(psd.analyse(&[0.0; 640], 64.0).unwrap().slope(4.0, 16.0, 1).is_err());
}
