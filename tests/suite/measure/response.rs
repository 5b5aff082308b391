use super::filters::{Ladder, Section};
use super::signals::Noise;
use num_complex::Complex64;
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::response::{ImpulseResponse, Sweep, Take};
use plumbtone_measure::ringing;
use std::f64::consts::PI;

const RATE_HZ: f64 = 48_000.0;

/// From 10 Hz to 0.49 of the rate, in steps of a sixth of an octave.
fn grid() -> impl Iterator<Item = f64> {
    (0..=67).map(|i| (10.0 * (f64::from(i) / 6.0).exp2()).min(0.49 * RATE_HZ))
}

/// The four closed-form figures at once: every point lies within its own uncertainty of the exact
/// response, and that uncertainty is far below what is asked for.
#[test]
fn impulse_response_of_a_ladder_is_exact_to_its_uncertainty() {
    for (hz, k) in [(1000.0, 0.0), (1000.0, 3.0), (5000.0, 3.9), (15_000.0, 1.0), (100.0, 2.0)] {
        let ladder = Ladder::new(hz / RATE_HZ, k);
        let response = ImpulseResponse::new(&ladder.clone().impulse(1 << 16), RATE_HZ).unwrap();
        for at in grid() {
            let point = response.at(at).unwrap();
            let exact = ladder.exact(at / RATE_HZ);
            let off = (point.gain - exact).norm();
            assert!(off <= point.uncertainty, "{hz} Hz, k {k} at {at}: {off:e} {point:?}");
            assert!(point.uncertainty < 1e-12, "{hz} Hz, k {k} at {at}: {point:?}");
        }
    }
}

/// Four high-pass stages at 1 kHz: -160 dB at 10 Hz.
#[test]
fn one_hundred_and_sixty_decibels_down_still_reads_true() {
    let cutoff = 1000.0 / RATE_HZ;
    let g = (PI * cutoff).tan();
    let mut state = [0.0; 4];
    let mut tick = |x: f64| {
        state.iter_mut().fold(x, |x, s| {
            let v = (x - *s) * g / (1.0 + g);
            let low = v + *s;
            *s = low + v;
            x - low
        })
    };
    let impulse: Vec<f64> = (0..32_768).map(|n| tick(f64::from(u8::from(n == 0)))).collect();
    let exact = |hz: f64| {
        let s = Complex64::new(0.0, (PI * hz / RATE_HZ).tan() / g);
        (s / (1.0 + s)).powu(4)
    };
    let response = ImpulseResponse::new(&impulse, RATE_HZ).unwrap();
    let sweep = Sweep::new(RATE_HZ, 10.0, 0.49 * RATE_HZ, 4.0, 1.0).unwrap();
    let mut sweep_state = [0.0; 4];
    let capture: Vec<f64> = sweep
        .stimulus()
        .iter()
        .map(|x| {
            sweep_state.iter_mut().fold(*x, |x, s| {
                let v = (x - *s) * g / (1.0 + g);
                let low = v + *s;
                *s = low + v;
                x - low
            })
        })
        .collect();
    let swept = sweep.response(&[Take { level: 1.0, samples: &capture }]).unwrap();
    let lowest = swept[0];
    for point in [response.at(10.0).unwrap(), lowest] {
        let db = 20.0 * exact(point.hz).norm().log10();
        let reading = point.db();
        assert!(db < -159.9, "{db}");
        assert!((reading.value - db).abs() <= reading.uncertainty, "{reading}, exact {db}");
        assert!(reading.uncertainty < 1e-3 && reading.floor.unwrap() < -250.0, "{reading:?}");
    }
}

/// Delay of one pole, and of a plain delay, which is exact at any frequency.
#[test]
fn group_delay_is_the_slope_of_the_phase() {
    let mut impulse = vec![0.0; 64];
    impulse[7] = -0.5;
    let response = ImpulseResponse::new(&impulse, RATE_HZ).unwrap();
    for hz in grid() {
        assert!((response.at(hz).unwrap().delay_samples - 7.0).abs() < 1e-12);
    }
    let ladder = Ladder::new(0.05, 2.0);
    let response = ImpulseResponse::new(&ladder.clone().impulse(4096), RATE_HZ).unwrap();
    for hz in grid().filter(|hz| *hz < 20_000.0) {
        let (x, h) = (hz / RATE_HZ, 1e-6);
        let turn = (ladder.exact(x + h) / ladder.exact(x - h)).arg();
        let exact = -turn / (2.0 * PI * 2.0 * h);
        // Central difference: 1e-10 of rounding over 1e-6, and h^2 of the third derivative.
        let point = response.at(hz).unwrap();
        assert!((point.delay_samples - exact).abs() < 1e-6, "{hz}: {point:?} {exact}");
    }
}

/// A response cut short says so; the modes it rings out with make it whole again.
#[test]
fn truncation_is_part_of_the_uncertainty() {
    let ladder = Ladder::new(0.02, 3.99);
    let impulse = ladder.clone().impulse(4000);
    let short = ImpulseResponse::new(&impulse, RATE_HZ).unwrap();
    let whole =
        short.clone().continued(1, &ringing::fit(&impulse[1..], RATE_HZ, 2).unwrap()).unwrap();
    for x in [0.001, 0.0199, 0.02, 0.0201, 0.3] {
        let exact = ladder.exact(x);
        let (cut, full) = (short.at(x * RATE_HZ).unwrap(), whole.at(x * RATE_HZ).unwrap());
        assert!((cut.gain - exact).norm() <= cut.uncertainty, "{x}: {cut:?}");
        assert!(cut.uncertainty > 0.1, "{x}: {cut:?}");
        // The filter's own coefficients are rounded, which counts 4/(4-k) times at the peak.
        let own = 16.0 * f64::EPSILON * 400.0 * exact.norm();
        assert!((full.gain - exact).norm() <= full.uncertainty + own, "{x}: {full:?} {exact}");
        assert!(full.uncertainty < 1e-7, "{x}: {full:?}");
    }
    // What does not decay has no response.
    let steady: Vec<f64> = (0..512).map(|n| (0.3 * f64::from(n)).sin()).collect();
    let none = ImpulseResponse::new(&steady, RATE_HZ).unwrap().at(100.0).unwrap();
    assert!(none.uncertainty > 100.0 && none.phase_rad().1 == PI);
}

#[test]
fn sweep_reads_every_output_of_a_section() {
    let sweep = Sweep::new(RATE_HZ, 10.0, 0.49 * RATE_HZ, 4.0, 1.0).unwrap();
    let section = Section::new(1000.0 / RATE_HZ, 20.0);
    let captures: Vec<[f64; 3]> = {
        let mut section = section.clone();
        sweep.stimulus().iter().map(|x| section.tick(*x)).collect()
    };
    for output in 0..3 {
        let plain: Vec<f64> = captures.iter().map(|y| y[output]).collect();
        let inverted: Vec<f64> = plain.iter().map(|y| -0.5 * y).collect();
        let takes =
            [Take { level: 1.0, samples: &plain }, Take { level: -0.5, samples: &inverted }];
        let points = sweep.response(&takes).unwrap();
        assert!(points[0].hz < 10.3 && points.last().unwrap().hz > 0.4899 * RATE_HZ);
        for point in points.iter().step_by(101) {
            let exact = section.exact(point.hz / RATE_HZ)[output];
            let off = (point.gain - exact).norm();
            // Rounding of the section's coefficients counts Q times.
            let own = 8.0 * f64::EPSILON * 20.0 * exact.norm();
            assert!(off <= point.uncertainty + own, "output {output} {point:?} {exact}");
            assert!(db(point.uncertainty / 20.0) < -250.0, "output {output} {point:?}");
            assert!(point.incoherence.unwrap() < 1e-18, "{point:?}");
        }
        // One hundredth of a decibel, planted: seen on every bin that is not at the floor.
        let off: Vec<f64> = plain.iter().map(|y| y * 10f64.powf(0.01 / 20.0)).collect();
        for point in
            sweep.response(&[Take { level: 1.0, samples: &off }]).unwrap().iter().step_by(101)
        {
            let exact = section.exact(point.hz / RATE_HZ)[output];
            let off = point.db().value - db(exact.norm());
            assert!((off - 0.01).abs() < 1e-6, "output {output} at {}: {off}", point.hz);
        }
    }
    // The delay of the low-pass at its cutoff: 2 Q / wc samples, warped.
    let low: Vec<f64> = captures.iter().map(|y| y[0]).collect();
    let points = sweep.response(&[Take { level: 1.0, samples: &low }]).unwrap();
    for point in points.iter().filter(|p| (900.0..1100.0).contains(&p.hz)).step_by(37) {
        // A step of 1e-5 of the peak's width: curvature and rounding leave 1e-7 each.
        let (x, h) = (point.hz / RATE_HZ, 1e-8);
        let turn = (section.exact(x + h)[0] / section.exact(x - h)[0]).arg();
        let exact = -turn / (2.0 * PI * 2.0 * h);
        assert!((point.delay_samples - exact).abs() < 1e-5, "{point:?} {exact}");
    }
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Noise of known size: the scatter of eight takes gives an uncertainty that holds in 95 % of bins.
#[test]
fn noise_shows_as_incoherence_and_honest_uncertainty() {
    let sweep = Sweep::new(RATE_HZ, 100.0, 10_000.0, 1.0, 0.1).unwrap();
    let mut noise = Noise::seeded(11);
    let captures: Vec<Vec<f64>> = (0..8)
        .map(|_| sweep.stimulus().iter().map(|x| 0.5 * x + 1e-4 * noise.gaussian()).collect())
        .collect();
    let takes: Vec<Take> = captures.iter().map(|c| Take { level: 1.0, samples: c }).collect();
    let points = sweep.response(&takes).unwrap();
    let inside =
        points.iter().filter(|p| (p.gain.norm() - 0.5).abs() <= p.uncertainty).count() as f64;
    // Two deviations of a Student law of 14 degrees of freedom: 93.5 % of 10 000 bins, sigma 0.25 %.
    let share = inside / points.len() as f64;
    assert!((0.925..0.945).contains(&share), "{share}");
    assert!(points.iter().all(|p| p.incoherence.unwrap() > 1e-12));
    let single = sweep.response(&takes[..1]).unwrap();
    // Wide, as one take cannot tell noise from a tail, but never too narrow.
    assert!(single.iter().all(|p| (p.gain.norm() - 0.5).abs() <= p.uncertainty));
    assert!(single.iter().all(|p| p.incoherence.is_none()));
}

/// Amplitude and phase of harmonic `m` of `sin^n`: `sin^n = (2j)^-n sum C(n,i) (-1)^i e^(j(n-2i) phi)`.
fn power_harmonic(n: u32, m: u32) -> Complex64 {
    if m > n || !(n - m).is_multiple_of(2) {
        return Complex64::ZERO;
    }
    let i = (n - m) / 2;
    let choose: f64 = (1..=i).map(|j| f64::from(n - i + j) / f64::from(j)).product();
    let sign = if i.is_multiple_of(2) { 1.0 } else { -1.0 };
    // 2 Re(c e^(j m phi)) as B sin(m phi + theta): B e^(j theta) = 2 j c.
    2.0 * Complex64::I * choose * sign / Complex64::new(0.0, 2.0).powu(n)
}

/// A polynomial of seventh order: each harmonic within 0.01 dB and 0.1 degree at every frequency of
/// the sweep.
#[test]
fn polynomial_orders_two_to_seven_are_recovered() {
    let sweep = Sweep::new(RATE_HZ, 20.0, 3000.0, 8.0, 1.0).unwrap();
    let factors = [0.0, 1.0, 0.3, -0.2, 0.1, 0.25, -0.15, 0.2];
    let shape = |x: f64| factors.iter().rev().fold(0.0, |sum, a| sum * x + a);
    let capture: Vec<f64> = sweep.stimulus().iter().map(|x| shape(*x)).collect();
    let harmonics = sweep.harmonics(&capture, 7).unwrap();
    let (mut worst_db, mut worst_degrees) = (0.0_f64, 0.0_f64);
    for harmonic in &harmonics {
        let exact: Complex64 =
            (1..8).map(|n| factors[n as usize] * power_harmonic(n, harmonic.order)).sum();
        for hz in [20.0, 31.0, 47.0, 100.0, 313.0, 1000.0, 1900.0, 2700.0, 3000.0] {
            let ratio = harmonic.at(hz) / exact;
            let (level, phase) = (db(ratio.norm()).abs(), ratio.arg().to_degrees().abs());
            worst_db = worst_db.max(level);
            worst_degrees = worst_degrees.max(phase);
            // Inside the band nothing is left of its edges. Stationary phase alone, without the
            // correction for slow sweeps, is 0.012 degrees off at 47 Hz.
            let inside = (40.0..2800.0).contains(&hz);
            assert!(!inside || level < 1e-3 && phase < 3e-3, "{} at {hz}: {ratio}", harmonic.order);
        }
    }
    assert!(worst_db < 0.01 && worst_degrees < 0.1, "{worst_db} dB, {worst_degrees} degrees");
}

/// A filter behind the polynomial shapes each harmonic at the harmonic's own frequency.
#[test]
fn a_filter_behind_the_nonlinearity_is_seen_at_the_harmonic() {
    let sweep = Sweep::new(RATE_HZ, 20.0, 7000.0, 8.0, 1.0).unwrap();
    let section = Section::new(2000.0 / RATE_HZ, 2.0);
    let mut running = section.clone();
    let capture: Vec<f64> = sweep
        .stimulus()
        .iter()
        .map(|x| running.tick(x + 0.1 * x * x + 0.2 * x.powi(3))[0])
        .collect();
    let harmonics = sweep.harmonics(&capture, 3).unwrap();
    for (m, factor) in [(2, 0.1), (3, 0.2)] {
        for hz in [100.0, 400.0, 900.0, 1500.0, 3000.0] {
            let exact =
                factor * power_harmonic(m, m) * section.exact(f64::from(m) * hz / RATE_HZ)[0];
            let ratio = harmonics[m as usize - 1].at(hz) / exact;
            assert!(db(ratio.norm()).abs() < 0.01, "order {m} at {hz}: {ratio}");
            assert!(ratio.arg().to_degrees().abs() < 0.1, "order {m} at {hz}: {ratio}");
        }
    }
}

#[test]
fn what_cannot_be_measured() {
    assert!(Sweep::new(RATE_HZ, 20.0, 24_000.0, 4.0, 1.0).is_err());
    assert!(Sweep::new(RATE_HZ, 20.0, 30.0, 4.0, 1.0).is_err());
    assert!(Sweep::new(RATE_HZ, 20.0, 20_000.0, 0.01, 1.0).is_err());
    let sweep = Sweep::new(RATE_HZ, 20.0, 20_000.0, 2.0, 0.1).unwrap();
    let capture = sweep.stimulus().to_vec();
    assert!(sweep.harmonics(&capture, 3).is_err(), "harmonics above half the rate");
    assert!(sweep.response(&[]).is_err());
    let wrong = Take { level: 1.0, samples: &capture[1..] };
    assert!(matches!(sweep.response(&[wrong]), Err(Obstacle::WrongLength { .. })));
    assert!(sweep.response(&[Take { level: 0.0, samples: &capture }]).is_err());
    assert!(ImpulseResponse::new(&[1.0; 3], RATE_HZ).is_err());
    let response = ImpulseResponse::new(&[1.0; 32], RATE_HZ).unwrap();
    assert!(response.at(24_001.0).is_err());
}
