use super::bins;
use plumbtone_theory::lfo::{Fade, Phase, Shape, smoothed};
use std::f64::consts::PI;

/// Fourier amplitudes by definition of each shape: ramp `2/(pi k)`, triangle `8/(pi k)^2` odd,
/// pulse `(4/(pi k)) |sin(pi k d)|` about `2d - 1` (textbook).
#[test]
fn shapes_have_their_textbook_lines() {
    const COUNT: u32 = 1 << 14;
    let lines = |shape: Shape| {
        // Midpoints: no sample falls on a step.
        let phase = |i: u32| (f64::from(i) + 0.5) / f64::from(COUNT);
        bins((0..COUNT).map(|i| shape.value(phase(i))))
    };
    let width = 0.3125;
    for k in 1..=9_u32 {
        let order = f64::from(k);
        let odd = f64::from(k % 2);
        for (shape, amplitude) in [
            (Shape::Up, 2.0 / (PI * order)),
            (Shape::Down, 2.0 / (PI * order)),
            (Shape::Triangle, odd * 8.0 / (PI * order).powi(2)),
            (Shape::Pulse(width), 4.0 / (PI * order) * (PI * order * width).sin().abs()),
            (Shape::Sine, if k == 1 { 1.0 } else { 0.0 }),
        ] {
            let found = 2.0 * lines(shape)[k as usize].norm();
            // Sampling folds the orders COUNT +- k onto k: 2 (k / COUNT)^2 of it and less.
            assert!((found - amplitude).abs() < 2e-6, "{shape:?} {k}: {found} {amplitude}");
        }
    }
    assert!((lines(Shape::Pulse(width))[0].re - (2.0 * width - 1.0)).abs() < 1e-12);
    for shape in [Shape::Up, Shape::Down, Shape::Triangle, Shape::Sine] {
        assert!(lines(shape)[0].norm() < 1e-12, "{shape:?} has an offset");
    }
}

/// Which way each shape runs, and where.
#[test]
fn shapes_start_where_they_should() {
    for (shape, values) in [
        (Shape::Up, [-1.0, -0.5, 0.0, 0.5]),
        (Shape::Down, [1.0, 0.5, 0.0, -0.5]),
        (Shape::Triangle, [-1.0, 0.0, 1.0, 0.0]),
        (Shape::Pulse(0.5), [1.0, 1.0, -1.0, -1.0]),
        (Shape::Sine, [0.0, 1.0, 0.0, -1.0]),
    ] {
        for (phase, value) in [0.0, 0.25, 0.5, 0.75].into_iter().zip(values) {
            assert!((shape.value(phase) - value).abs() < 2e-16, "{shape:?} at {phase}");
        }
    }
}

/// The cubic that meets both values with slope 0, by differences.
#[test]
fn smoothed_values_join_without_a_corner() {
    let at = |p| smoothed(p, -0.7, 0.4);
    assert!(at(0.0) == -0.7 && (at(1.0) - 0.4).abs() <= f64::EPSILON);
    assert!((at(0.5) + 0.15).abs() < 1e-16);
    let h = 1e-4;
    for end in [0.0, 1.0] {
        let slope = (at(end + h) - at(end - h)) / (2.0 * h);
        // A third of the third derivative, 12 * 1.1, times h^2 / 2 is the error of the difference.
        assert!(slope.abs() < 1.1 * 12.0 / 6.0 * h * h + 1e-11, "{slope}");
    }
    // Steepest in the middle: 3/2 of the way per cycle.
    let slope = (at(0.5 + h) - at(0.5 - h)) / (2.0 * h);
    assert!((slope - 1.65).abs() < 1e-7, "{slope}");
}

#[test]
fn phase_wraps_where_the_sum_does() {
    let phase = Phase::new(0.75, 7.0, 48_000.0).unwrap();
    let increment = phase.increment();
    assert!((increment as f64 / 2.0_f64.powi(64) * 48_000.0 / 7.0 - 1.0).abs() < 3e-16);
    let (mut sum, mut wraps) = (3_u64 << 62, 0);
    for sample in 0..50_000 {
        let cycles = phase.cycles(sample);
        assert!((cycles - sum as f64 / 2.0_f64.powi(64)).abs() <= 2.0_f64.powi(-53), "{sample}");
        assert!(cycles < 1.0);
        assert_eq!(phase.cycle(sample), wraps, "{sample}");
        let (next, wrapped) = sum.overflowing_add(increment);
        sum = next;
        wraps += u64::from(wrapped);
    }
    assert_eq!(wraps, 8);
    // An hour at the slowest rate: 3.6 cycles.
    let slow = Phase::new(0.0, 0.001, 192_000.0).unwrap();
    assert!((slow.cycles(192_000 * 3600) - 0.6).abs() < 1e-10);
    assert_eq!(slow.cycle(192_000 * 3600), 3);
    // 512 units below a whole cycle, which the nearest f64 would be.
    let late = Phase::new(1.0 - 2.0_f64.powi(-53), 1536.0 * 2.0_f64.powi(-64), 1.0).unwrap();
    assert_eq!((late.cycles(1), late.cycle(1)), (1.0 - 2.0_f64.powi(-53), 0));
    assert!(Phase::new(1.0, 1.0, 48_000.0).is_err() && Phase::new(0.0, 0.0, 48_000.0).is_err());
}

#[test]
fn gain_waits_then_rises() {
    let fade = Fade::new(10.0 / 48_000.0, 4.0 / 48_000.0, 48_000.0).unwrap();
    let gains: Vec<_> = (8..17).map(|sample| fade.gain(sample)).collect();
    assert_eq!(gains, [0.0, 0.0, 0.0, 0.25, 0.5, 0.75, 1.0, 1.0, 1.0]);
    let at_once = Fade::new(0.0, 0.0, 48_000.0).unwrap();
    assert_eq!(at_once.gain(0), 1.0);
    let late = Fade::new(2.0 / 48_000.0, 0.0, 48_000.0).unwrap();
    assert_eq!([1, 2].map(|sample| late.gain(sample)), [0.0, 1.0]);
    assert!(Fade::new(-1.0, 0.0, 48_000.0).is_err());
}
