use plumbtone_theory::control::{
    CENTS_PER_MV, Calibration, DepthUnit, PitchLaw, Taper, bend_octaves, depth, follower_step,
    increment, key_octaves, octaves_hz, polynomial_error_cents, polynomial_worst_cents,
    table_error_cents, table_worst_cents, thermal_cents_per_kelvin_octave, thermal_mv_per_octave,
    tracking_octaves, travel,
};
use plumbtone_theory::tuning::key_hz;

fn law(bits: u32, high_v: f64) -> PitchLaw {
    PitchLaw::new(bits, 0.0, high_v, 24.0, Calibration::NONE).unwrap()
}

/// Exact facts, to the printed digits.
#[test]
fn converter_steps_match_the_published_row() {
    for (bits, high_v, printed) in
        [(12, 5.0, 1.465), (12, 10.0, 2.930), (14, 10.0, 0.732), (16, 10.0, 0.183)]
    {
        let step = law(bits, high_v).code_step_cents();
        assert!((step - printed).abs() <= 0.5e-3, "{bits} bits over {high_v} V: {step}");
        // The law itself, code by code.
        let pair = [1000.0, 1001.0].map(|code| octaves_hz(law(bits, high_v).octaves(code)));
        assert!((1200.0 * (pair[1] / pair[0]).log2() - step).abs() < 1e-9);
    }
    assert!((5.0 / CENTS_PER_MV - 4.17).abs() <= 0.5e-2);
    let bend_step = 1200.0 * (bend_octaves(8193.0, 2.0) - bend_octaves(8192.0, 2.0));
    assert!((bend_step - 0.0244).abs() <= 0.5e-4, "{bend_step}");
    assert_eq!(bend_octaves(0.0, 2.0), -1.0 / 6.0);
}

/// Recomputed from the SI constants, to the printed digits.
#[test]
fn thermal_law_matches_the_published_row() {
    assert!((thermal_mv_per_octave(298.15) - 17.8087).abs() <= 0.5e-4);
    assert!((thermal_cents_per_kelvin_octave(298.15) - 4.02).abs() <= 0.5e-2);
    // 3354 ppm of an octave.
    assert!((thermal_cents_per_kelvin_octave(298.15) / 1200.0 * 1e6 - 3354.0).abs() <= 0.5);
}

/// Volts to keys: every octave is a volt, and 0 V is the key that it should be (MIDI key 24 is C1,
/// 32.7031956626 Hz).
#[test]
fn volts_play_the_keys() {
    let law = law(12, 10.0);
    for volt in 0..=8 {
        let hz = octaves_hz(law.octaves(409.6 * f64::from(volt)));
        let key = 24.0 + 12.0 * f64::from(volt);
        assert!((hz / key_hz(key) - 1.0).abs() < 1e-14, "{volt} V: {hz}");
    }
    assert!((octaves_hz(law.octaves_at_volts(0.0)) - 32.703_195_662_6).abs() <= 0.5e-10);
    assert!((law.volts(4095.0) - 9.997_558_593_75).abs() < 1e-15);
    let both = PitchLaw::new(12, -5.0, 5.0, 60.0, Calibration::NONE).unwrap();
    assert_eq!(both.volts(2048.0), 0.0);
    assert!((octaves_hz(both.octaves(2048.0)) - 261.625_565_300_6).abs() <= 1e-10);
    assert_eq!(key_octaves(81.0), 1.0);
    assert_eq!(increment(0.0, 44_000.0), 0.01 * 4_294_967_296.0);
    assert_eq!(increment(7.0, 44_000.0), 2_147_483_648.0);
    for bad in [
        PitchLaw::new(0, 0.0, 10.0, 24.0, Calibration::NONE),
        PitchLaw::new(12, 0.0, 10.1, 24.0, Calibration::NONE),
        PitchLaw::new(12, 1.0, 1.0, 24.0, Calibration::NONE),
        PitchLaw::new(12, 0.0, 1.0, 128.0, Calibration::NONE),
    ] {
        assert!(bad.is_err());
    }
}

/// An input that reads 20 mV low and 1 % short is put right at and between the two points.
#[test]
fn calibration_puts_both_points_right() {
    let read = |volts: f64| 0.99 * volts - 0.02;
    let calibration = Calibration::from_two_points((read(1.0), 1.0), (read(4.0), 4.0)).unwrap();
    let law = PitchLaw::new(12, 0.0, 10.0, 24.0, calibration).unwrap();
    for volts in [0.0, 1.0, 2.5, 4.0, 9.0] {
        let octaves = law.octaves_at_volts(read(volts)) - key_octaves(24.0);
        assert!((octaves - volts).abs() < 1e-14, "{volts} V: {octaves}");
    }
    assert!((calibration.gain - 1.0 / 0.99).abs() < 1e-15);
    assert!((calibration.offset_v - 0.02).abs() < 1e-15);
    assert!((law.code_step_cents() / (12_000.0 / 4096.0) - 1.0 / 0.99).abs() < 1e-14);
    assert!(Calibration::from_two_points((1.0, 1.0), (1.0, 4.0)).is_err());
    assert!(Calibration::from_two_points((1.0, 1.0), (2.0, 1.0)).is_err());
}

#[test]
fn tapers_meet_their_ends_and_middle() {
    for middle in [0.01, 0.1, 0.25, 0.49] {
        let taper = Taper::Logarithmic { middle };
        assert_eq!((taper.output(0.0), taper.output(1.0)), (0.0, 1.0));
        assert!((taper.output(0.5) - middle).abs() < 1e-15, "{middle}");
        // Equal travel multiplies what is left above the pole by equal amounts.
        let r = ((1.0 - middle) / middle).powi(2);
        for x in [0.1, 0.3, 0.8] {
            let direct = (r.powf(x) - 1.0) / (r - 1.0);
            assert!((taper.output(x) - direct).abs() < 1e-14, "{middle} at {x}");
        }
    }
    assert_eq!([0.0, 0.25, 0.5, 1.0].map(|x| Taper::S.output(x)), [0.0, 0.15625, 0.5, 1.0]);
    assert_eq!(Taper::Linear.output(0.3), 0.3);
    assert_eq!(travel(4095.0, 12).unwrap(), 1.0);
    assert!(travel(1.0, 0).is_err());
}

#[test]
fn depth_and_tracking_have_their_units() {
    assert_eq!(depth(0.5, 1200.0, DepthUnit::Cents), 0.5);
    assert_eq!(depth(0.5, 3.0, DepthUnit::Octaves), 1.5);
    assert_eq!(depth(0.5, 3.0, DepthUnit::Volts), 1.5);
    assert_eq!(depth(0.5, 80.0, DepthUnit::Percent), 0.4);
    assert_eq!(tracking_octaves(72.0, 60.0, 100.0), 1.0);
    assert_eq!(tracking_octaves(48.0, 60.0, 50.0), -0.5);
}

/// The follower update by update: one-pole, then an edge that pushes the output.
#[test]
fn follower_matches_its_recurrence() {
    for (from, code, tau, hysteresis) in
        [(100.0, 900.0, 50.0, 8.0), (900.0, 100.0, 3.3, 0.0), (500.0, 503.0, 20.0, 8.0)]
    {
        let k = 1.0 - (-1.0_f64 / tau).exp();
        let (mut smooth, mut out) = (from, from);
        for updates in 0..500 {
            let found = follower_step(from, code, tau, hysteresis, updates).unwrap();
            // Rounding at 1000 codes, remembered for 50 updates.
            let error: f64 = found - out;
            assert!(error.abs() <= 50.0 * 1000.0 * f64::EPSILON, "{updates}: {error:e}");
            smooth += k * (code - smooth);
            if smooth - out > 0.5 * hysteresis {
                out = smooth - 0.5 * hysteresis;
            } else if out - smooth > 0.5 * hysteresis {
                out = smooth + 0.5 * hysteresis;
            }
        }
    }
    // No smoothing: there at once.
    assert_eq!(follower_step(0.0, 7.0, 0.0, 2.0, 1).unwrap(), 6.0);
    assert_eq!(follower_step(0.0, 7.0, 0.0, 2.0, 0).unwrap(), 0.0);
    assert!(follower_step(0.0, 7.0, -1.0, 2.0, 0).is_err());
}

/// Published first-order figures, to the printed digits; the exact largest error is their first
/// order, found again by search and read at random places.
#[test]
fn table_errors_match_the_published_row() {
    for (points, printed, digit) in [
        (12, 0.722, 1e-3),
        (64, 0.0254, 1e-4),
        (128, 0.00635, 1e-5),
        (256, 0.00159, 1e-5),
        (1024, 9.9e-5, 1e-6),
    ] {
        let worst = table_worst_cents(points).unwrap();
        assert!((worst - printed).abs() <= 0.5 * digit, "{points}: {worst}");
        let cell = std::f64::consts::LN_2 / f64::from(points);
        let first_order = 1200.0 / std::f64::consts::LN_2 * cell * cell / 8.0;
        // The next order is cell^2 / 36 of it at most.
        assert!((worst / first_order - 1.0).abs() < cell * cell / 8.0, "{points}");

        let node = |i: f64| (i / f64::from(points)).exp2();
        let searched = (0..=1000).map(|i| {
            let (index, place) = (f64::from(points / 3), f64::from(i) / 1000.0);
            let x = (index + place) / f64::from(points);
            let chord = node(index) + place * (node(index + 1.0) - node(index));
            let direct = 1200.0 * (chord / x.exp2()).log2();
            let found = table_error_cents(points, x).unwrap();
            // Two ulp of a ratio near 1 are 8e-13 cents; the place loses some ulp of x.
            assert!((found - direct).abs() < 2e-12, "{points} at {x}: {found} {direct}");
            found
        });
        let searched = searched.fold(0.0, f64::max);
        // A grid of 1/1000 misses the top of a parabola by 4 (1/2000)^2 of it at most.
        assert!(searched <= worst + 2e-12 && searched >= worst * (1.0 - 1e-6) - 2e-12);
    }
    assert!(table_worst_cents(0).is_err() && table_error_cents(0, 0.5).is_err());
}

/// Minimax by degree: cents and bits recomputed elsewhere, to the printed digits.
#[test]
fn polynomial_errors_match_the_published_row() {
    for (degree, cents, digit, bits) in [
        (1, 50.87, 1e-2, 5.07),
        (2, 2.983, 1e-3, 9.18),
        (3, 0.12946, 1e-5, 13.71),
        (4, 0.004490, 1e-6, 18.56),
        (5, 0.0001297, 1e-7, 23.67),
        (6, 3.21e-6, 1e-8, 29.01),
        (7, 6.96e-8, 1e-10, 34.53),
    ] {
        let (flat, sharp) = polynomial_worst_cents(degree).unwrap().unwrap();
        assert!((sharp - cents).abs() <= 0.5 * digit, "degree {degree}: {sharp}");
        assert!(flat < 0.0 && -flat >= sharp);
        let error = (sharp / 1200.0 * std::f64::consts::LN_2).exp_m1();
        assert!((-error.log2() - bits).abs() <= 0.5e-2, "degree {degree}: {error:e}");
        // At the low end of the octave stands an extreme, negative where the degree is odd.
        let low = polynomial_error_cents(degree, 0.0).unwrap().unwrap();
        let extreme = if degree % 2 == 1 { flat } else { sharp };
        assert!((low - extreme).abs() <= 1e-12, "degree {degree}: {low}");
        for i in 0..=100 {
            let found = polynomial_error_cents(degree, f64::from(i) / 100.0).unwrap().unwrap();
            assert!((flat - 1e-12..=sharp + 1e-12).contains(&found), "degree {degree}: {found}");
        }
    }
    assert!(polynomial_worst_cents(8).unwrap().is_none());
    assert!(polynomial_error_cents(8, 0.0).unwrap().is_none());
}
