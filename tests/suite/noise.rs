//! White and pink noise against their densities, and the register behind them.

use crate::common::{TWINS, driven};
use plumbtone::check::{self, Check, Shape};
use plumbtone::expect::NoiseLaw;
use plumbtone::subject::entry;
use plumbtone::{Kind, Twin};
use plumbtone_measure::psd::Psd;
use plumbtone_voice::oscillators::white::Register;
use plumbtone_voice::{Drive, Setup};

const COUNT: usize = 1 << 20;

fn density(module: &str, which: Twin, seed: u32) -> Check {
    let setup = Setup { seed, ..Setup::default() };
    let check = check::twin(module, which, Shape::Ramp, setup).unwrap();
    check.rates([8_000, 44_100, 192_000]).derived(Kind::Density)
}

fn noise(module: &str, which: Twin, seed: u32) -> Vec<f64> {
    driven(module, which, Setup { seed, ..Setup::default() }, &vec![Drive::default(); COUNT])
}

/// Flat by its density; uniform by a chi-square over 256 cells, its mean and its variance, each
/// within four and a half standard deviations to either side.
#[test]
fn white_noise_is_flat_and_uniform() {
    const CELLS: usize = 256;
    for seed in [1, 20_260_101, u32::MAX] {
        for which in TWINS {
            density("white", which, seed).assert();
        }
        let samples = noise("white", Twin::Fixed, seed);
        assert_eq!(samples, noise("white", Twin::Float, seed), "both twins hiss alike");
        let count = COUNT as f64;
        let mut cells = [0.0; CELLS];
        for sample in &samples {
            assert!((-0.5..0.5).contains(sample));
            cells[((sample + 0.5) * CELLS as f64) as usize] += 1.0;
        }
        let expected = count / CELLS as f64;
        let chi_square: f64 = cells.iter().map(|n: &f64| (n - expected).powi(2) / expected).sum();
        let freedom = CELLS as f64 - 1.0;
        assert!((chi_square - freedom).abs() < 4.5 * (2.0 * freedom).sqrt(), "{chi_square}");
        // The grid of 2^-24 is floored: half of it below the middle.
        let mean = samples.iter().sum::<f64>() / count + 2.0_f64.powi(-25);
        assert!(mean.abs() < 4.5 / (12.0 * count).sqrt(), "{mean}");
        // Fourth moment 1/80: the mean square scatters by √(1/80 − 1/144).
        let square = samples.iter().map(|sample| sample * sample).sum::<f64>() / count;
        let scatter = (1.0 / 80.0 - 1.0 / 144.0_f64).sqrt() / count.sqrt();
        assert!((square - 1.0 / 12.0).abs() < 4.5 * scatter, "{square}");
    }
}

/// By the density of held rows, and by its slope: −3.01 dB per octave.
#[test]
fn pink_noise_follows_its_power_density() {
    for seed in [1, 77] {
        for which in TWINS {
            density("pink", which, seed).assert();
        }
        let samples = noise("pink", Twin::Fixed, seed);
        assert_eq!(samples, noise("pink", Twin::Float, seed), "both twins hiss alike");
        assert!(samples.iter().all(|sample| sample.abs() <= 17.0 / 64.0));

        // From rate/2^9 to rate/4: 16 bins of the analysis to the upper end of the stated band.
        let (low, high) = (2.0_f64.powi(-9), 0.25);
        let mut psd = Psd::new(1 << 13).unwrap();
        let slope = psd.analyse(&samples, 1.0).unwrap().slope(low, high, 3).unwrap();
        // What the rows deviate from a straight line tilts a fit over n octaves by 3/n of it at
        // most: that is a square wave of the ripple's height, its sign change in the middle.
        let rows = plumbtone_theory::noise::HeldRows::new(16).unwrap();
        let octaves = (high / low).log2();
        let tilt = 3.0 / octaves * rows.deviation_db(low, high).unwrap();
        let allowed = tilt + 2.25 * slope.uncertainty_db;
        let pink = -10.0 * 2.0_f64.log10();
        assert!((slope.db_per_octave - pink).abs() < allowed, "{slope:?}, allowed {allowed}");
    }
}

/// The header's band: by the closed form the slope holds from rate/2^16 to rate/4, within the
/// ripple of the rows; below it the noise turns white.
#[test]
fn the_rows_of_pink_noise_reach_as_low_as_stated() {
    let Some(NoiseLaw::Pink(rows)) = NoiseLaw::new(entry("pink").unwrap()).unwrap() else {
        panic!("pink noise has a law");
    };
    let slope = |low: f64, high: f64| {
        10.0 * (rows.density(high) / rows.density(low)).log10() / (high / low).log2()
    };
    // A line through two points of a band is off by the full spread over its octaves at most.
    let (low, high) = (2.0_f64.powi(-16), 0.25_f64);
    let spread = 2.0 * rows.deviation_db(low, high).unwrap() / (high / low).log2();
    let pink = -10.0 * 2.0_f64.log10();
    assert!((slope(low, high) - pink).abs() <= spread, "{} {spread}", slope(low, high));
    assert!(spread < 0.3, "a limit that still tells pink from white: {spread}");
    // Three octaves further down less than half of the slope is left.
    let below = slope(2.0_f64.powi(-20), 2.0_f64.powi(-17));
    assert!(below > 0.5 * pink, "{below}");
}

/// One step of the register is linear over the field of two elements: a matrix T of 32 columns.
/// Its period is 2^32 − 1 exactly when T to that power is the identity and T to that power over
/// each of its prime factors is not.
#[test]
fn the_register_runs_through_every_value_but_zero() {
    type Matrix = [u32; 32];
    let step: Matrix = std::array::from_fn(|bit| Register::new(1 << bit).draw() as u32);
    let apply = |matrix: &Matrix, vector: u32| {
        (0..32).filter(|bit| vector >> bit & 1 == 1).fold(0, |sum, bit| sum ^ matrix[bit])
    };
    let multiply = |a: &Matrix, b: &Matrix| -> Matrix { std::array::from_fn(|i| apply(a, b[i])) };
    let power = |mut exponent: u32| {
        let mut result: Matrix = std::array::from_fn(|bit| 1 << bit);
        let mut square = step;
        while exponent > 0 {
            if exponent & 1 == 1 {
                result = multiply(&square, &result);
            }
            square = multiply(&square, &square);
            exponent >>= 1;
        }
        result
    };
    let identity = power(0);
    assert_eq!(power(u32::MAX), identity);
    const FACTORS: [u32; 5] = [3, 5, 17, 257, 65_537];
    assert_eq!(FACTORS.into_iter().map(u64::from).product::<u64>(), u64::from(u32::MAX));
    for factor in FACTORS {
        assert_ne!(power(u32::MAX / factor), identity, "period divides (2^32 - 1)/{factor}");
    }
    // And it is linear: the matrix predicts what it draws.
    let mut register = Register::new(0xDEAD_BEEF);
    let drawn = register.draw() as u32;
    assert_eq!(drawn, apply(&step, 0xDEAD_BEEF));
    assert_eq!(register.draw() as u32, apply(&step, drawn));
}
