use approx::{assert_abs_diff_eq, assert_relative_eq};
use num_complex::Complex64;
use plumbtone_measure::window::{Window, highest_side_lobe_db};
use std::f64::consts::TAU;

/// Coherent gain, noise bandwidth (bins), flatness (dB), top side lobe (dB): Harris 1978
/// table 1; Nuttall 1981; Heinzel, Rüdiger, Schilling 2002; recomputed in the limit of
/// many samples. Limits are half of the last printed digit. Two side lobes were computed
/// anew in high precision: Nuttall 4b -93.324 (the paper prints -93.32, from memory) and
/// HFT196D -196.207 at 9.06 bins (-196.2 in the report, from memory). The seven-term row
/// is computed from its coefficients with numpy; no published table was at hand.
const TABLE: [(Window, f64, f64, f64, f64); 20] = [
    (Window::Rectangular, 1.0, 1.0, -3.9224, -13.26),
    (Window::Hann, 0.5, 1.5, -1.4236, -31.47),
    (Window::Hamming, 0.54, 1.3628, -1.7514, -42.68),
    (Window::Blackman, 0.42, 1.7268, -1.0989, -58.11),
    (Window::ExactBlackman, 0.42659, 1.6937, -1.1500, -68.24),
    (Window::BlackmanHarris3, 0.42323, 1.7085, -1.1287, -70.83),
    (Window::BlackmanHarris4, 0.35875, 2.0044, -0.8256, -92.01),
    (Window::BlackmanHarris7, 0.27105, 2.6319, -0.4846, -180.05),
    (Window::Nuttall4b, 0.35577, 2.0212, -0.8118, -93.32),
    (Window::Nuttall4c, 0.36358, 1.9761, -0.8506, -98.17),
    (Window::FlatTopIso18431, 0.2156, 3.7709, -0.0090, -83.93),
    (Window::Hft70, 0.2402, 3.4129, 0.0065, -70.45),
    (Window::Hft95, 0.2136, 3.8112, 0.0044, -95.01),
    (Window::Hft90d, 0.2098, 3.8832, -0.0039, -90.22),
    (Window::Hft116d, 0.1922, 4.2186, -0.0028, -116.80),
    (Window::Hft144d, 0.1782, 4.5386, 0.0021, -144.05),
    (Window::Hft169d, 0.1669, 4.8347, 0.0017, -169.53),
    (Window::Hft196d, 0.1575, 5.1134, 0.0013, -196.21),
    (Window::Hft223d, 0.1493, 5.3888, 0.0011, -222.99),
    (Window::Hft248d, 0.1422, 5.6512, 0.0009, -248.39),
];

#[test]
fn every_window_has_its_published_properties() {
    assert_eq!(TABLE.map(|row| row.0), Window::ALL);
    for (window, gain, enbw, flatness, side_lobe) in TABLE {
        let gain_digit = if gain < 0.25 { 5e-5 } else { 5e-6 };
        let check = |what: &str, got: f64, want: f64, half_digit: f64| {
            assert!((got - want).abs() <= half_digit * 1.001, "{window:?} {what}: {got}, {want}");
        };
        check("coherent gain", window.coherent_gain(), gain, gain_digit);
        check("noise bandwidth", window.enbw_bins(), enbw, 5e-5);
        // A flat-top deviates nearly as far up as down, and tables print either sign.
        check("flatness", window.flatness_db().abs(), flatness.abs(), 5e-5);
        check("side lobe", window.highest_side_lobe_db(), side_lobe, 5e-3);
    }
}

#[test]
fn the_circulating_hft169d_set_is_told_apart() {
    // Recomputed: this set, found in circulation, reaches -167.88 dB, the correct one -169.53 dB.
    let circulating =
        [1.0, 1.97441842, 1.65409888, 0.95788186, 0.33673420, 0.06364621, 0.00521942, 0.00010599];
    assert_abs_diff_eq!(highest_side_lobe_db(&circulating), -167.88, epsilon = 5e-3);
}

#[test]
fn transform_is_the_sum_it_stands_for() {
    // Direct sum over the samples, at offsets on, near and far from a bin.
    for window in Window::ALL {
        let len = 97;
        let w = window.samples(len);
        for bins in [0.0, 1e-9, 0.3, 0.5, 1.0, 3.7, 12.2, -0.4, -7.9] {
            let sum: Complex64 = w
                .iter()
                .enumerate()
                .map(|(n, w)| Complex64::cis(TAU * bins * n as f64 / len as f64) * (w / len as f64))
                .sum();
            let got = window.transform(bins, len);
            // Coefficients sum to at most 7.1, 97 terms: rounding below 1e-14.
            assert_abs_diff_eq!((sum - got).norm(), 0.0, epsilon = 1e-14);
        }
    }
}

#[test]
fn window_samples_have_mean_one_and_their_noise_bandwidth() {
    for window in Window::ALL {
        let w = window.samples(1000);
        assert_relative_eq!(w.iter().sum::<f64>() / 1000.0, 1.0, max_relative = 1e-13);
        let power = w.iter().map(|x| x * x).sum::<f64>() / 1000.0;
        assert_relative_eq!(power, window.enbw_bins(), max_relative = 1e-13);
    }
}
