//! Mixer, amplifier and output stage against their definitions.

use crate::common::LSB;
use fixed::types::I1F31;
use plumbtone_voice::level::{amplifier, mixer, output};
use plumbtone_voice::{Rate, Values};
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestRunner};

/// Rounding unit of f32.
const U: f64 = 1.0 / 16_777_216.0;

/// A sample that both twins hold exactly: 24 bits.
fn sample() -> impl Strategy<Value = f64> {
    let any = (-8_388_608..=8_388_607_i32).prop_map(|bits| f64::from(bits) / 8_388_608.0);
    prop_oneof![8 => any, 1 => Just(0.0), 1 => Just(-1.0)]
}

fn fixed(value: f64) -> I1F31 {
    I1F31::saturating_from_num(value)
}

fn gain() -> impl Strategy<Value = f64> {
    prop_oneof![8 => 0.0..=1.0, 1 => Just(0.0), 1 => Just(1.0)]
}

/// Runs one check over many draws.
fn over<S: Strategy>(strategy: S, check: impl Fn(S::Value) -> Result<(), TestCaseError>) {
    let rng_seed = RngSeed::Fixed(4);
    let config =
        ProptestConfig { cases: 2000, rng_seed, failure_persistence: None, ..Default::default() };
    TestRunner::new(config).run(&strategy, check).unwrap();
}

#[test]
fn the_mixer_sums_within_its_bound() {
    let drawn = ([gain(), gain(), gain()], [sample(), sample(), sample()]);
    over(drawn, |(gains, sources)| {
        let pairs = [("gain-a", gains[0]), ("gain-b", gains[1]), ("gain-noise", gains[2])];
        let values = Values(&pairs);
        let exact: f64 = gains.iter().zip(sources).map(|(gain, x)| 0.5 * gain * x).sum();
        let weight: f64 = gains.iter().zip(sources).map(|(gain, x)| (gain * x).abs()).sum();
        let float = mixer::Float::new(&values).unwrap().tick(sources.map(|x| x as f32));
        // Gain, product and two sums round by U each, of at most the weight; halved.
        prop_assert!((f64::from(float) - exact).abs() <= 2.0 * U * weight * (1.0 + 8.0 * U));
        let sum: f64 = sources.iter().map(|x| x.abs()).sum();
        let got: f64 = mixer::Fixed::new(&values).unwrap().tick(sources.map(fixed)).to_num();
        let held = exact.clamp(-1.0, 1.0 - LSB);
        prop_assert!((got - held).abs() <= 0.5 * LSB * (1.0 + sum), "{got} {held}");
        Ok(())
    });
}

#[test]
fn the_amplifier_multiplies_within_its_bound() {
    let rate = Rate::new(44_100).unwrap();
    over((gain(), gain(), sample()), |(level, contour, input)| {
        let pairs = [("level", level)];
        // Contours are what each twin can hold.
        let mut float = amplifier::Float::new(rate, &Values(&pairs)).unwrap();
        let held = f64::from(contour as f32);
        let exact = input * held * level;
        let got = f64::from(float.tick(input as f32, held as f32));
        prop_assert!((got - exact).abs() <= 4.01 * U * exact.abs(), "{got} {exact}");
        let mut twin = amplifier::Fixed::new(rate, &Values(&pairs)).unwrap();
        let held = fixed(contour);
        let exact = input * held.to_num::<f64>() * level;
        let got: f64 = twin.tick(fixed(input), held).to_num();
        prop_assert!((got - exact).abs() <= (0.5 + 1.25 * input.abs()) * LSB, "{got} {exact}");
        Ok(())
    });
}

#[test]
fn the_output_is_within_half_a_step_without_dither() {
    over(sample(), |input| {
        let exact = input.min(32_767.0 / 32_768.0) * 32_768.0;
        let float = f64::from(output::Float::new(&Values(&[])).unwrap().tick(input as f32));
        // Half a step, and one of f32 just below 2^15.
        prop_assert!((float - exact).abs() <= 0.5 + 2_f64.powi(-8), "{float} {exact}");
        let got = f64::from(output::Fixed::new(&Values(&[])).unwrap().tick(fixed(input)));
        prop_assert!((got - exact).abs() <= 0.5, "{got} {exact}");
        Ok(())
    });
}

/// Three sources at full gain: ½ · 3 · 0.5, no more.
#[test]
fn the_mixer_has_room_for_everything_at_once() {
    let pairs = [("gain-a", 1.0), ("gain-b", 1.0), ("gain-noise", 1.0)];
    let fixed_twin = mixer::Fixed::new(&Values(&pairs)).unwrap();
    for peak in [0.5, -0.5] {
        assert_eq!(fixed_twin.tick([fixed(peak); 3]).to_num::<f64>(), 1.5 * peak);
    }
}

/// The control's way is that of one pole: 1 − 1/e of it after the time constant.
#[test]
fn the_level_control_moves_without_a_jump() {
    let rate = Rate::new(48_000).unwrap();
    let pairs = [("tau", 0.01)];
    let mut float = amplifier::Float::new(rate, &Values(&pairs)).unwrap();
    let mut twin = amplifier::Fixed::new(rate, &Values(&pairs)).unwrap();
    float.control(0);
    twin.control(0);
    for n in 1..=960_i32 {
        let expected = 0.5 * (-f64::from(n) / 480.0).exp();
        let got = f64::from(float.tick(0.5, 1.0));
        // The smoothing's own bounds: a unit of f32 at 2^14, a step of 2^-16 code.
        assert!((got - expected).abs() <= 8.0 * U, "{n}: {got} {expected}");
        let got: f64 = twin.tick(fixed(0.5), I1F31::MAX).to_num();
        assert!((got - expected).abs() <= 2.0 / 65_536.0 / 16_383.0 + 4.0 * LSB, "{n}: {got}");
    }
}

/// Values that lie on a step, between two, on the tie, and beyond both ends.
#[test]
fn the_output_rounds_to_the_nearest_and_dithers_in_a_triangle() {
    let step = 1.0 / 32_768.0;
    for (input, expected) in [
        (0.0, 0),
        (0.25 * step, 0),
        (0.5 * step, 1),
        (-0.5 * step, 0),
        (-0.75 * step, -1),
        (1000.25 * step, 1000),
        (1.0, 32_767),
        (-1.0, -32_768),
    ] {
        assert_eq!(output::Float::new(&Values(&[])).unwrap().tick(input as f32), expected);
        assert_eq!(output::Fixed::new(&Values(&[])).unwrap().tick(fixed(input)), expected);
    }
    assert_eq!(output::Float::new(&Values(&[])).unwrap().tick(7.5), 32_767);
    assert_eq!(output::Float::new(&Values(&[])).unwrap().tick(-7.5), -32_768);
    assert_eq!(output::Float::new(&Values(&[])).unwrap().tick(f32::NAN), 0);

    // Triangular dither two steps wide: mean error 0 and variance ¼ step² whatever the input
    // (Lipshitz, Wannamaker, Vanderkooy 1992, from memory).
    let count = 1 << 18;
    for tenth in 0..=10 {
        let input = f64::from(tenth) * 0.1 * step;
        let pairs = [("dither", 1.0), ("seed", f64::from(tenth + 1))];
        let mut float = output::Float::new(&Values(&pairs)).unwrap();
        let mut twin = output::Fixed::new(&Values(&pairs)).unwrap();
        let exact = f64::from(fixed(input).to_bits()) / 65_536.0;
        let mut sums = [0.0; 3];
        for _ in 0..count {
            let sample = twin.tick(fixed(input));
            // Sums near 0 are exact in f32 up to the rounding of the input.
            let other = float.tick(input as f32);
            assert!((i32::from(sample) - i32::from(other)).abs() <= 1);
            let error = f64::from(sample) - exact;
            for (power, sum) in [1, 2, 4].into_iter().zip(&mut sums) {
                *sum += error.powi(power);
            }
        }
        let [mean, square, fourth] = sums.map(|sum| sum / f64::from(count));
        let root = f64::from(count).sqrt();
        // Five standard deviations each; the dither's own grid of 2^-16 step shifts the mean.
        assert!(mean.abs() <= 5.0 * 0.5 / root + 1.0 / 65_536.0, "{tenth}: mean {mean}");
        let spread = 5.0 * (fourth - square * square).sqrt() / root + 1.0 / 32_768.0;
        assert!((square - 0.25).abs() <= spread, "{tenth}: variance {square} ± {spread}");
    }
}

#[test]
fn gated_dither_is_silent_in_silence_and_that_of_the_other_where_there_is_sound() {
    let make = |choice| output::Fixed::new(&Values(&[("dither", choice)])).unwrap();
    let (mut on, mut gated) = (make(1.0), make(2.0));
    let mut whispered = 0;
    for n in 0..1000 {
        let input = if (n / 100) % 2 == 0 { I1F31::ZERO } else { fixed(0.3) };
        let (whole, part) = (on.tick(input), gated.tick(input));
        if input == I1F31::ZERO {
            whispered += i32::from(whole != 0);
            assert_eq!(part, 0);
        } else {
            assert_eq!(whole, part, "{n}");
        }
    }
    // |dither| above half a step: one in four.
    assert!((70..180).contains(&whispered), "{whispered} of 500");
}
