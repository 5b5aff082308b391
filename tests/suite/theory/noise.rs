use super::{Lcg, bins};
use plumbtone_theory::db;
use plumbtone_theory::noise::{
    Arithmetic, HeldRows, difference_gain, f32_noise_rms_at_increment, f32_spacing,
    fixed_rounding_rms, lowest_clean_increment, output_noise_rms, polynomial_error_rms,
    polynomial_gain, rounding_mean_square,
};

impl Lcg {
    /// Uniform with variance 1.
    fn unit(&mut self) -> f64 {
        (f64::from(self.next()) / 2.0_f64.powi(31) - 1.0) * 3.0_f64.sqrt()
    }
}

/// Factors for N = 2..6 and the +170 dB of N = 4 at 20 Hz and 48 kHz: derived with
/// `c_N sqrt(C(2N-2, N-1))`, printed to four digits.
#[test]
fn differencing_gains_match_the_published_row() {
    for (order, printed) in (2..).zip([2.0_f64.sqrt(), 2.449, 4.472, 8.367, 15.87]) {
        let gain = difference_gain(order).unwrap();
        assert!((gain / printed - 1.0).abs() < 4e-4, "order {order}: {gain}");
    }
    let gain_db = db(polynomial_gain(4, 20.0 / 48_000.0).unwrap());
    assert!((gain_db - 170.0).abs() <= 0.5, "{gain_db}");
    assert!(polynomial_gain(4, 0.0).is_err() && difference_gain(1).is_err());
}

#[test]
fn roundings_have_their_textbook_power() {
    // Exhaustive: thirds of a power of two of grid points per step.
    for bits in 1..=6 {
        let q = 1_i32 << bits;
        let points = 4 * q;
        let sum: f64 = (0..points)
            .map(|i| {
                let value = f64::from(i) / f64::from(q);
                (value - value.round_ties_even()).powi(2)
            })
            .sum();
        let expected = sum / f64::from(points);
        let found = rounding_mean_square(1.0, 1.0 / f64::from(q));
        assert!((found - expected).abs() < 1e-15, "{q} points: {found} {expected}");
    }
    assert_eq!(rounding_mean_square(1.0, 1.0), 0.0);
    for value in [1.0_f32, 1.99, 0.75, 3e-5, 0.5_f32.next_down()] {
        assert_eq!(f32_spacing(f64::from(value)), f64::from(value.next_up() - value), "{value}");
    }
    assert!((db(fixed_rounding_rms(15)) + 101.1).abs() < 0.05, "2^-15/sqrt(12) is -101.10 dB");
}

/// f32 evaluation of `p_N` at random 32-bit phases against f64.
#[test]
fn f32_polynomial_error_matches_a_simulation() {
    const POINTS: u32 = 1 << 20;
    for order in 2..=4 {
        let mut random = Lcg(7);
        let mut sum = 0.0;
        for _ in 0..POINTS {
            let phase = random.next() as i32;
            let s = phase as f32 * 2.0_f32.powi(-31);
            let exact = f64::from(phase) * 2.0_f64.powi(-31);
            let (rounded, wanted) = match order {
                2 => (s * s, exact * exact),
                3 => ((s * s - 1.0) * s, (exact * exact - 1.0) * exact),
                _ => (s * s * (s * s - 2.0), exact.powi(2) * (exact.powi(2) - 2.0)),
            };
            sum += (f64::from(rounded) - wanted).powi(2);
        }
        let simulated = (sum / f64::from(POINTS)).sqrt();
        let predicted = polynomial_error_rms(order, Arithmetic::F32).unwrap();
        // The mean of 2^20 squares scatters by sqrt(kurtosis/2^20) < 0.002: five of those are
        // 0.045 dB. The rest of the 0.1 dB is for ties and shared roundings, target G.
        let off = db(simulated / predicted);
        assert!(off.abs() < 0.1, "order {order}: {off} dB");
    }
}

/// The whole chain: 32-bit phase, f32 polynomial, f32 differences and scaling, over random
/// increments within a few percent of the pitch.
#[test]
fn f32_output_noise_matches_a_simulation() {
    const INCREMENTS: u32 = 4000;
    for (order, f0_hz) in [(2, 20.0), (3, 20.0), (3, 400.0), (4, 20.0), (4, 400.0)] {
        let mut random = Lcg(3);
        // An increment spread of 1 % rms moves the mean of p^-2n by 0.2 % at n = 3.
        let predicted = output_noise_rms(order, f0_hz / 48_000.0, Arithmetic::F32).unwrap().powi(2);
        let mut simulated = 0.0;
        for _ in 0..INCREMENTS {
            let around = 1.0 + 0.01 * random.unit();
            let increment = (around * f0_hz / 48_000.0 * 2.0_f64.powi(32)) as u32;
            let (mut sum, mut count) = (0.0, 0);
            simulate(order, increment, random.next(), |error| {
                sum += error * error;
                count += 1;
            });
            simulated += sum / f64::from(count) / f64::from(INCREMENTS);
        }
        // The dropped bits of the phase are a tone of uniform frequency x. Its gain
        // |2 sin(pi x)|^2n has mean C(2n, n) and mean square C(4n, 2n): 20 and 924 at n = 3. The
        // mean over the increments scatters by sqrt(524)/20/sqrt(4000); five of those.
        let ratio: f64 = simulated / predicted;
        let allowed = 5.0 * 524.0_f64.sqrt() / 20.0 / f64::from(INCREMENTS).sqrt();
        assert!((ratio - 1.0).abs() < allowed, "order {order}, {f0_hz} Hz: {ratio}");
    }
}

/// The seven bits that f32 drops from a large phase, moved by nothing, by a half, or by some odd
/// amount each sample: the same pitch within 0.1 %, and noise that differs by decibels.
#[test]
fn dropped_bits_in_a_pattern_raise_or_lower_the_noise_as_predicted() {
    for (order, base) in [(2, 0x0011_0000_u32), (3, 0x0022_0000), (4, 0x0100_0000)] {
        for (low, least_db, most_db) in [(0x00, -12.0, -1.5), (0x40, 0.5, 6.0), (0x35, -3.0, 3.0)] {
            let increment = base + 0x1300 + low;
            let p = f64::from(increment) / 2.0_f64.powi(32);
            let white = output_noise_rms(order, p, Arithmetic::F32).unwrap();
            let predicted = f32_noise_rms_at_increment(order, increment).unwrap();
            let mut random = Lcg(11);
            let (mut sum, mut count) = (0.0, 0);
            for _ in 0..200 {
                simulate(order, increment, random.next(), |error| {
                    sum += error * error;
                    count += 1;
                });
            }
            let db = |ratio: f64| 20.0 * ratio.log10();
            let simulated = (sum / f64::from(count)).sqrt();
            let shift = db(predicted / white);
            let what = format!("order {order}, low byte {low:#x}: predicted shift {shift:.2} dB");
            assert!((least_db..=most_db).contains(&shift), "{what}");
            // What the pattern leaves to the later roundings, taken as white, may follow it.
            let error = db(simulated / predicted);
            assert!(error.abs() < 0.5 + shift.abs(), "{what}, simulated {error:.2} dB off");
        }
    }
}

/// Errors of 1000 samples, those near a wrap left out.
fn simulate(order: u32, increment: u32, start: u32, mut error: impl FnMut(f64)) {
    let p = f64::from(increment) / 2.0_f64.powi(32);
    let factorial: u32 = (1..=order).product();
    let scale = ((0.5 / p).powi(order as i32 - 1) / f64::from(factorial)) as f32;
    let mut phase = start;
    let mut history = [0.0_f32; 3];
    for t in 0..1000 {
        phase = phase.wrapping_add(increment);
        let centred = phase.wrapping_sub(1 << 31) as i32;
        let s = centred as f32 * 2.0_f32.powi(-31);
        let s2 = s * s;
        let mut value = match order {
            2 => s2,
            3 => (s2 - 1.0) * s,
            _ => s2 * (s2 - 2.0),
        };
        for slot in history.iter_mut().take(order as usize - 1) {
            (value, *slot) = (value - *slot, value);
        }
        // Between wraps the exact output is the ramp, (N-1)/2 samples late.
        let since_wrap = f64::from(phase) / f64::from(increment);
        if t >= order && since_wrap > f64::from(order) {
            let exact = f64::from(centred) * 2.0_f64.powi(-31) - f64::from(order - 1) * p;
            error(f64::from(value * scale) - exact);
        }
    }
}

#[test]
fn lowest_clean_increment_inverts_the_noise() {
    for arithmetic in [Arithmetic::F32, Arithmetic::Q31 { roundings: 2 }] {
        for order in 2..=4 {
            let p = lowest_clean_increment(order, arithmetic, 60.0).unwrap();
            let noise = output_noise_rms(order, p, arithmetic).unwrap();
            assert!((db(noise * 3.0_f64.sqrt()) + 60.0).abs() < 1e-9, "order {order}");
        }
    }
    // By hand: one rounding of 2^-31, gain sqrt(2)/(4 p), against 1/sqrt(3), 60 dB.
    let by_hand = 2.0_f64.powi(-31) / 12.0_f64.sqrt() * 2.0_f64.sqrt() / 4.0 * 3.0_f64.sqrt() * 1e3;
    let p = lowest_clean_increment(2, Arithmetic::Q31 { roundings: 1 }, 60.0).unwrap();
    assert!((p / by_hand - 1.0).abs() < 1e-12);
    assert!(output_noise_rms(5, 0.1, Arithmetic::F32).is_err());
}

/// Averaged periodogram of simulated rows, records aligned to the slowest row, where the expected
/// periodogram is the density exactly.
#[test]
fn held_rows_have_the_predicted_density() {
    const ROWS: u32 = 6;
    const LENGTH: usize = 256;
    const RECORDS: u32 = 4000;
    let rows = HeldRows::new(ROWS).unwrap();
    let mut random = Lcg(11);
    let mut held = [0.0; ROWS as usize + 1];
    let mut sums = vec![0.0; LENGTH];
    for _ in 0..RECORDS {
        let record: Vec<f64> = (0..LENGTH)
            .map(|t| {
                for (j, row) in held.iter_mut().enumerate() {
                    if t % (1 << j) == 0 {
                        *row = random.unit();
                    }
                }
                held.iter().sum()
            })
            .collect();
        for (sum, bin) in sums.iter_mut().zip(bins(record.into_iter())) {
            *sum += bin.norm_sqr() * LENGTH as f64 / f64::from(RECORDS);
        }
    }
    let mut total = 0.0;
    for (k, sum) in sums.iter().enumerate().take(LENGTH / 2).skip(1) {
        let density = rows.density(k as f64 / LENGTH as f64);
        // A periodogram scatters by its mean: 5 of 1/sqrt(4000).
        assert!((sum / density - 1.0).abs() < 5.0 / f64::from(RECORDS).sqrt(), "bin {k}");
        total += sum / density;
    }
    // And all bins together by 1/sqrt(4000 * 127).
    assert!((total / 127.0 - 1.0).abs() < 5.0 / (127.0 * f64::from(RECORDS)).sqrt());
}

#[test]
fn held_rows_share_their_power_and_fall_as_pink() {
    let rows = HeldRows::new(12).unwrap();
    // The density is a trigonometric polynomial of degree below 2^12: a mean over 2^13 points is
    // its integral.
    let power: f64 = (0..8192).map(|i| rows.density(f64::from(i) / 8192.0)).sum::<f64>() / 8192.0;
    assert!((power - 13.0).abs() < 1e-9, "{power}");
    // Deeper rows widen the band of a steady ripple downwards, and no more.
    let shallow = rows.deviation_db(2.0_f64.powi(-9), 0.25).unwrap();
    let deep = HeldRows::new(16).unwrap().deviation_db(2.0_f64.powi(-13), 0.25).unwrap();
    assert!((shallow - deep).abs() < 0.02, "{shallow} {deep}");
    assert!(rows.deviation_db(2.0_f64.powi(-16), 0.25).unwrap() > shallow + 1.0);
    assert!(rows.deviation_db(0.3, 0.2).is_err() && HeldRows::new(0).is_err());
}
