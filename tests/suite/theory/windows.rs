use plumbtone_theory::{tables, windows};

/// `reference-tables/windows`: quadrature and search in 30 digits.
#[test]
fn figures_match_the_table() {
    let rows = tables::windows().unwrap();
    assert_eq!(rows.len(), windows::ALL.len());
    for (row, window) in rows.iter().zip(windows::ALL) {
        assert_eq!(row.name, window.name());
        let near = |what: &str, value: f64, expected: f64, tolerance: f64| {
            let error = (value - expected).abs();
            assert!(error <= tolerance, "{} {what}: {value}, table {expected}", window.name());
        };
        let digits = |expected: f64| 1e-11 * expected.abs();
        near("coherent gain", window.coherent_gain(), row.coherent_gain, 1e-11);
        let bandwidth = window.noise_bandwidth_bins();
        near("bandwidth", bandwidth, row.noise_bandwidth_bins, digits(bandwidth));
        // 12 digits in the table; transforms round at 1e-16 of the main lobe, a few sums deep.
        near(
            "deviation",
            window.deviation_db(),
            row.deviation_db,
            digits(row.deviation_db) + 8.7 * 4e-16,
        );
        let rounding = 8.7 * 4e-16 / 10.0_f64.powf(row.sidelobe_db / 20.0);
        near("sidelobe", window.sidelobe_db(), row.sidelobe_db, 1e-9 + rounding);
        // The integral of u^2 w of a flat-top nearly cancels: some 1/sqrt(variance) is left.
        let variance = window.frequency_variance();
        near(
            "variance",
            variance,
            row.frequency_variance,
            digits(variance) + 1e-14 * variance.powf(1.5),
        );
    }
}

/// As printed by Harris 1978, Nuttall 1981 and Heinzel et al. 2002, to the printed digit.
#[test]
fn figures_match_the_literature() {
    let sidelobe = |window: windows::CosineSum, printed: f64, digit: f64| {
        let level = window.sidelobe_db();
        assert!((level - printed).abs() <= 0.51 * digit, "{}: {level}", window.name());
    };
    sidelobe(windows::BLACKMAN_HARRIS_4, -92.0, 0.1);
    sidelobe(windows::NUTTALL_4B, -93.3, 0.1);
    sidelobe(windows::NUTTALL_4C, -98.2, 0.1);
    sidelobe(windows::HFT95, -95.0, 0.1);
    sidelobe(windows::HFT169D, -169.5, 0.1);
    sidelobe(windows::HFT248D, -248.4, 0.1);
    assert!((windows::HFT144D.noise_bandwidth_bins() - 4.5386).abs() <= 0.5e-4);
    assert!((windows::HANN.value(0.25) - 0.5).abs() < 1e-15);
    assert_eq!(windows::HANN.value(0.51), 0.0);
}
