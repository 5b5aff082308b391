use super::filters::Ladder;
use super::signals::Noise;
use num_complex::Complex64;
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::transfer::Transfer;

const RATE_HZ: f64 = 48_000.0;

fn white(len: usize, seed: u64) -> Vec<f64> {
    let mut noise = Noise::seeded(seed);
    (0..len).map(|_| 0.1 * noise.gaussian()).collect()
}

/// A filter on `sent`, `late` samples after the recording starts; negative: before it.
fn recorded(sent: &[f64], late: i64, mut tick: impl FnMut(f64) -> f64) -> Vec<f64> {
    let at = |n: i64| usize::try_from(n).ok().and_then(|n| sent.get(n)).copied().unwrap_or(0.0);
    let end = sent.len() as i64 + late.max(0) + 20_000;
    let start = late.min(0);
    let all: Vec<f64> = (start..end).map(|n| tick(at(n - late))).collect();
    all[(-start) as usize..].to_vec()
}

/// Against the filter's own formula as reference every ratio is 1, to the rounding of the filter.
#[test]
fn a_noiseless_filter_reads_as_its_formula() {
    let mut sent = vec![0.0; 3000];
    sent.extend(white(60_000, 1));
    for late in [0, 777, -2500] {
        let filter = Ladder::new(0.03, 3.0);
        let mut tick = filter.clone();
        let recording = recorded(&sent, late, |x| tick.tick(x));
        let transfer = Transfer::between(&sent, &recording, RATE_HZ).unwrap();
        // The response of this ladder is loudest some samples after it begins.
        let lag = transfer.lag_samples();
        assert!((0..40).contains(&(lag - late)), "{lag} for {late}");
        let early = (lag - late) as f64;
        let reference = |hz: f64| {
            let x = hz / RATE_HZ;
            filter.exact(x) * Complex64::from_polar(1.0, std::f64::consts::TAU * x * early)
        };
        for band in transfer.bands(50.0, 15_000.0, 0.01, reference).unwrap() {
            // The mean of the recording is taken off, which is not that of the response.
            assert!((band.ratio - 1.0).norm() < 1e-7, "{late}: {band:?}");
            assert!(band.incoherence < 1e-10, "{late}: {band:?}");
        }
    }
}

/// Noise of known power: variances as `S / sum |X|^2`, incoherence as `S / (S + |H X|^2)`, errors as
/// the variances say.
#[test]
fn variances_are_those_of_the_noise() {
    let sent = white(1 << 16, 2);
    let hiss = white(sent.len(), 3);
    let recording: Vec<f64> = sent.iter().zip(&hiss).map(|(x, e)| 0.5 * x + 0.25 * e).collect();
    let transfer = Transfer::between(&sent, &recording, RATE_HZ).unwrap();
    assert_eq!(transfer.lag_samples(), 0);
    let bands = transfer.bands(100.0, 20_000.0, 0.005, |_| Complex64::from(0.5)).unwrap();
    let squares: f64 = bands.iter().map(|b| (b.ratio - 1.0).norm_sqr() / b.variance).sum();
    // Exponential values of mean 1: five standard deviations of their mean.
    let count = bands.len() as f64;
    assert!((squares / count - 1.0).abs() < 5.0 / count.sqrt(), "{}", squares / count);
    let power: f64 = bands.iter().map(|b| b.power).sum();
    let noise: f64 = bands.iter().map(|b| b.power * b.incoherence).sum();
    // 0.0625 / (0.25 + 0.0625), over 27 000 bins.
    assert!((noise / power - 0.2).abs() < 0.2 * 5.0 / 165.0, "{}", noise / power);
}

/// A hum line counts as noise where it is and nowhere else.
#[test]
fn a_line_is_noise_in_its_own_bins() {
    let sent = white(1 << 16, 4);
    let hum = |n: usize| 0.05 * (std::f64::consts::TAU * 1000.1 * n as f64 / RATE_HZ).sin();
    let recording: Vec<f64> = sent.iter().enumerate().map(|(n, x)| x + hum(n)).collect();
    let transfer = Transfer::between(&sent, &recording, RATE_HZ).unwrap();
    let bands = transfer.bands(100.0, 20_000.0, 0.005, |_| Complex64::ONE).unwrap();
    let at = |hz: f64| {
        bands.iter().min_by(|a, b| (a.hz - hz).abs().total_cmp(&(b.hz - hz).abs())).unwrap()
    };
    assert!(at(1000.0).incoherence > 10.0 * at(2000.0).incoherence);
    assert!((at(2000.0).ratio - 1.0).norm() < 0.01);
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let sent = white(4096, 5);
    let between = |sent: &[f64], back: &[f64]| Transfer::between(sent, back, RATE_HZ).unwrap_err();
    assert!(matches!(between(&sent, &[0.0; 4096]), Obstacle::Silent));
    assert!(matches!(between(&[0.5; 4096], &sent), Obstacle::Constant { .. }));
    assert!(matches!(between(&sent, &sent[..500]), Obstacle::TooShort { have: 500, need: 512 }));
    assert!(Transfer::between(&sent, &sent, 0.0).is_err());
    let transfer = Transfer::between(&sent, &sent, RATE_HZ).unwrap();
    for (low, high, width) in [
        (0.0, 1e4, 0.01),
        (1e4, 1e3, 0.01),
        (20.0, 24_001.0, 0.01),
        (20.0, 1e4, 0.0),
        (20.0, 1e4, 1.1),
        (20.0, 100.0, 0.01),
    ] {
        assert!(
            transfer.bands(low, high, width, |_| Complex64::ONE).is_err(),
            "{low} {high} {width}"
        );
    }
}
