//! A fundamental that strays, by closed form.

use plumbtone::measure::Obstacle;
use plumbtone::measure::wander::mean_offset;
use std::f64::consts::TAU;

const RATE_HZ: f64 = 44_100.0;

/// Ten harmonics of 1/k whose fundamental has this phase in turns and this level.
fn sound(count: usize, turns: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> Vec<f64> {
    let sample = |n| {
        let t = n as f64 / RATE_HZ;
        let harmonic = |k: u32| (TAU * f64::from(k) * turns(t)).sin() / f64::from(k);
        0.3 * level(t) * (1..=10).map(harmonic).sum::<f64>()
    };
    (0..count).map(sample).collect()
}

/// A steady tone off its nominal frequency, and one whose frequency moves in a straight line: then
/// the mean is that of the middle.
#[test]
fn mean_offsets_are_recovered() {
    for hz in [55.0, 220.0, 880.0] {
        for offset in [0.0, 1e-4, -0.02, 0.7, -3.0] {
            let steady = sound(8_820, |t| (hz + offset) * t, |_| 1.0);
            let read = mean_offset(&steady, RATE_HZ, hz).unwrap();
            assert!((read.value - offset).abs() <= read.uncertainty, "{hz} {offset}: {read:?}");
            let fading = sound(8_820, |t| (hz + offset) * t, |t| (-20.0 * t).exp());
            let read = mean_offset(&fading, RATE_HZ, hz).unwrap();
            assert!(
                (read.value - offset).abs() <= read.uncertainty,
                "fading {hz} {offset}: {read:?}"
            );
        }
        // 2 Hz more at the end of 0.2 s.
        let moving = sound(8_820, |t| hz * t + 5.0 * t * t, |_| 1.0);
        let read = mean_offset(&moving, RATE_HZ, hz).unwrap();
        // Windows go on by a quarter of a period: up to half of that is left over at the end, and
        // moves the middle by as much, at 10 Hz a second.
        let cut = 10.0 * 0.125 / hz;
        assert!((read.value - 1.0).abs() <= read.uncertainty + cut, "{hz}: {read:?}");
        // A cent of 55 Hz is 0.03 Hz: the doubt must allow to tell one.
        assert!(read.uncertainty < 0.02, "{hz}: {read:?}");
    }
}

#[test]
fn what_has_no_phase_is_refused() {
    let tone = sound(8_820, |t| 440.0 * t, |_| 1.0);
    let short = Obstacle::TooShort { have: 100, need: 602 };
    assert_eq!(mean_offset(&tone[..100], RATE_HZ, 440.0), Err(short));
    assert_eq!(mean_offset(&[0.0; 8_820], RATE_HZ, 440.0), Err(Obstacle::Silent));
    // It stops half-way.
    let stops = sound(8_820, |t| 440.0 * t, |t| if t < 0.1 { 1.0 } else { 0.0 });
    assert_eq!(mean_offset(&stops, RATE_HZ, 440.0), Err(Obstacle::NoTone));
    assert!(matches!(mean_offset(&tone, RATE_HZ, 0.0), Err(Obstacle::OutOfRange { .. })));
}
