use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::difference::Difference;

#[test]
fn rounding_to_b_bits_reads_b_bits() {
    // Rounding noise is uniform with variance step^2/12; 1e5 samples give its rms within
    // sqrt(0.2/n) = 0.14 % (one sigma; kurtosis 1.8), four sigma are 0.0082 bits.
    let mut noise = Noise::seeded(1);
    let x: Vec<f64> = (0..100_000).map(|_| 2.0 * noise.uniform() - 1.0).collect();
    for bits in [8, 16, 24] {
        let step = 2f64.powi(1 - bits);
        let rounded: Vec<f64> = x.iter().map(|v| (v / step).round() * step).collect();
        let d = Difference::of(&rounded, &x).unwrap();
        assert_abs_diff_eq!(d.effective_bits(), f64::from(bits), epsilon = 0.0082);
        assert!(d.peak <= step / 2.0);
        // The mean of n such errors: four sigma of step / sqrt(12 n).
        assert!(d.bias.abs() <= 4.0 * step / (12e5f64).sqrt());
        let floored: Vec<f64> = x.iter().map(|v| (v / step).floor() * step).collect();
        let bias = Difference::of(&floored, &x).unwrap().bias;
        assert_abs_diff_eq!(bias, -step / 2.0, epsilon = 4.0 * step / (12e5f64).sqrt());
    }
}

#[test]
fn a_single_wrong_sample_is_found() {
    let a = vec![0.5, -0.5, 0.5, -0.5];
    let mut b = a.clone();
    b[2] += 0.125;
    let d = Difference::of(&b, &a).unwrap();
    assert_eq!((d.worst_index, d.peak), (2, 0.125));
    assert_relative_eq!(d.rms, 0.0625, max_relative = 1e-15);
    assert_relative_eq!(d.bias, 0.03125, max_relative = 1e-15);
    assert_relative_eq!(d.residual_db(), 20.0 * 0.125f64.log10(), max_relative = 1e-12);
}

#[test]
fn equal_captures_differ_by_nothing() {
    let d = Difference::of(&[0.1, 0.2], &[0.1, 0.2]).unwrap();
    assert_eq!((d.rms, d.peak, d.effective_bits()), (0.0, 0.0, f64::INFINITY));
    assert!(Difference::of(&[0.1], &[0.1, 0.2]).is_err());
    assert!(Difference::of(&[f64::NAN], &[0.1]).is_err());
}
