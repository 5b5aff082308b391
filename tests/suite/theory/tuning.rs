use plumbtone_theory::tuning::{Accumulator, Rounding, cents, key_hz};

/// ISO 16:1975 and MIDI 1.0 (from memory); recomputed with 50 digits, printed to 10 decimals.
#[test]
fn keys_have_their_published_frequencies() {
    for (key, hz) in [
        (0.0, 8.175_798_915_6),
        (21.0, 27.5),
        (24.0, 32.703_195_662_6),
        (36.0, 65.406_391_325_1),
        (60.0, 261.625_565_300_6),
        (69.0, 440.0),
        (108.0, 4_186.009_044_809_6),
        (127.0, 12_543.853_951_416_0),
    ] {
        let error = (key_hz(key) - hz).abs();
        assert!(error <= 0.5e-10 + 4.0 * f64::EPSILON * hz, "key {key}: off by {error} Hz");
    }
    // Ellis 1885: a cent is 2^(1/1200), printed to 10 decimals.
    assert!((key_hz(69.01) / 440.0 - 1.000_577_789_5).abs() <= 0.5e-10);
}

#[test]
fn cents_keep_their_digits_on_tiny_intervals() {
    assert!((cents(440.0, 880.0) - 1200.0).abs() < 1e-12);
    // First order: 1e-12 relative is 1200/ln 2 * 1e-12 cents.
    let tiny = cents(1.0, 1.0 + 2.0_f64.powi(-40));
    let expected = 1200.0 / std::f64::consts::LN_2 * 2.0_f64.powi(-40);
    assert!((tiny / expected - 1.0).abs() < 1e-11);
}

/// Worst rounding at 48 kHz, half a unit sharp, to the digits of the published row (recomputed
/// there). The flat side is larger: 16 bit at key 0 errs by 79.3 cents flat, 75.9 sharp.
#[test]
fn accumulator_rounding_matches_the_published_row() {
    for (bits, key, printed, digit) in [
        (16, 0.0, 75.9, 0.1),
        (16, 21.0, 22.9, 0.1),
        (16, 69.0, 1.44, 0.01),
        (24, 0.0, 0.303, 0.001),
        (24, 21.0, 0.0901, 0.0001),
        (24, 69.0, 0.00563, 0.00001),
        (32, 0.0, 0.00118, 0.00001),
        (32, 21.0, 0.000352, 0.000001),
        (32, 69.0, 0.000022, 0.000001),
    ] {
        let accumulator = Accumulator::new(bits, 48_000.0).unwrap();
        let (flat, sharp) = accumulator.worst_error_cents(key_hz(key), Rounding::Nearest);
        assert!((sharp - printed).abs() <= 0.5 * digit, "{bits} bit, key {key}: {sharp}");
        assert!(-flat > sharp, "{bits} bit, key {key}: {flat}");
    }
}

#[test]
fn accumulator_error_of_a_key_is_that_of_its_increment() {
    // 8.1758 Hz at 48 kHz in 16 bits is 11.1627 units; 11 of them.
    let accumulator = Accumulator::new(16, 48_000.0).unwrap();
    let exact = 1200.0 * (11.0_f64 / (key_hz(0.0) / 48_000.0 * 65_536.0)).log2();
    for rounding in [Rounding::Nearest, Rounding::Truncate] {
        assert!((accumulator.error_cents(key_hz(0.0), rounding) - exact).abs() < 1e-9);
    }
    for key in 0..128 {
        let f0_hz = key_hz(f64::from(key));
        for rounding in [Rounding::Nearest, Rounding::Truncate] {
            let (flat, sharp) = accumulator.worst_error_cents(f0_hz, rounding);
            let error = accumulator.error_cents(f0_hz, rounding);
            assert!(flat <= error && error <= sharp, "key {key}: {error}");
        }
    }
}

#[test]
fn accumulator_refuses_what_it_cannot_be() {
    let error = Accumulator::new(64, 48_000.0).unwrap_err();
    assert_eq!(error.to_string(), "bits = 64 is out of range: 8..=48");
    assert!(Accumulator::new(32, 0.0).is_err());
}
