use super::signals::{Noise, Wave, frac};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::db;
use plumbtone_measure::envelope::{Envelope, REJECTION_DB};
use plumbtone_measure::level::Level;
use plumbtone_measure::reading::Obstacle;
use plumbtone_measure::stages::{Kind, Options, find};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 48_000.0;

fn tone(hz: f64, len: usize, level: impl Fn(f64) -> f64) -> Vec<f64> {
    let cycle = |n: usize| (TAU * frac(0.2, hz / RATE_HZ, n)).sin();
    (0..len).map(|n| level(n as f64) * cycle(n)).collect()
}

/// The envelope without its edges.
fn inner(envelope: &Envelope) -> &[f64] {
    &envelope.amplitude[envelope.edge_samples..envelope.amplitude.len() - envelope.edge_samples]
}

#[test]
fn a_steady_tone_is_steady() {
    for hz in [55.0, 440.0, 3000.0, 18_000.0] {
        for level in [1.0, 1e-3] {
            let x = tone(hz, 48_000, |_| level);
            let got = Envelope::of(&x, RATE_HZ, hz, REJECTION_DB).unwrap();
            // The Gaussian stops at six sigma: 2e-9 of the tone is beyond the edge.
            for y in inner(&got) {
                assert_relative_eq!(*y, level, max_relative = 1e-8);
            }
        }
    }
}

#[test]
fn neighbours_and_dc_leave_the_ripple_stated() {
    // A ramp: the harmonic at 2f has half the amplitude of the fundamental, the next lie
    // further off. DC of 0.5. The sum of both is the most the envelope can stray.
    let hz = 440.0;
    let ramp = Wave::Ramp.additive(hz / RATE_HZ, 0.1, 48_000);
    for rejection_db in [40.0, 80.0, 120.0] {
        let x: Vec<f64> = ramp.iter().map(|y| y + 0.5).collect();
        let got = Envelope::of(&x, RATE_HZ, hz, rejection_db).unwrap();
        let (want, second) = (2.0 / std::f64::consts::PI, 1.0 / std::f64::consts::PI);
        // DC passes at twice its level: the tone is one of two halves, DC is whole.
        let most = got.ripple * (second + 2.0 * 0.5);
        assert_relative_eq!(got.ripple, 10f64.powf(-rejection_db / 20.0), max_relative = 1e-12);
        let stray = inner(&got).iter().fold(0.0, |m: f64, y| m.max((y - want).abs()));
        // Tight: what is stated is what there is, up to the truncated Gaussian.
        assert!(stray <= 1.01 * most + 1e-8, "{rejection_db}: {stray:e}, {most:e}");
        assert!(stray >= 0.3 * most, "{rejection_db}: {stray:e}, {most:e}");
    }
}

#[test]
fn an_exponential_keeps_its_time_constant_and_a_line_its_slope() {
    let (hz, tau) = (440.0, 4000.0);
    let x = tone(hz, 48_000, |n| (-n / tau).exp());
    let got = Envelope::of(&x, RATE_HZ, hz, REJECTION_DB).unwrap();
    let lift = (got.sigma_samples.powi(2) / (2.0 * tau * tau)).exp();
    for n in (1000..30_000).step_by(997) {
        let want = lift * (-(n as f64) / tau).exp();
        assert_abs_diff_eq!(got.amplitude[n], want, epsilon = 2e-6 * want);
    }
    let x = tone(hz, 48_000, |n| n / 48_000.0);
    let got = Envelope::of(&x, RATE_HZ, hz, REJECTION_DB).unwrap();
    for n in (1000..46_000).step_by(997) {
        assert_abs_diff_eq!(got.amplitude[n], n as f64 / 48_000.0, epsilon = 1e-6);
    }
}

#[test]
fn a_step_rises_within_the_time_stated_and_never_overshoots() {
    for hz in [110.0, 1000.0] {
        let x = tone(hz, 48_000, |n| if n < 24_000.0 { 0.0 } else { 1.0 });
        let got = Envelope::of(&x, RATE_HZ, hz, REJECTION_DB).unwrap();
        let first = |level: f64| got.amplitude.iter().position(|y| *y >= level).unwrap() as f64;
        let rise = first(0.9) - first(0.1);
        // Two samples for the grid. The image at -f reaches the band as 1/(4 pi f): with the
        // peak of the Gaussian, 0.4/(0.837 periods), 0.038 of the step, or 0.08 periods.
        let image = 0.08 * RATE_HZ / hz;
        assert_abs_diff_eq!(rise, got.rise_samples, epsilon = 2.0 + image);
        assert_abs_diff_eq!(first(0.5), 24_000.0, epsilon = 2.0 + image);
        assert!(inner(&got).iter().all(|y| *y <= 1.0 + 1e-5));
        assert_relative_eq!(got.rise_samples * hz / RATE_HZ, 2.14, max_relative = 3e-3);
    }
}

#[test]
fn noise_comes_down_by_the_gain_stated() {
    let mut noise = Noise::seeded(6);
    let sigma = 1e-3;
    let mut x = tone(440.0, 480_000, |_| 0.5);
    x.iter_mut().for_each(|y| *y += sigma * noise.gaussian());
    let got = Envelope::of(&x, RATE_HZ, 440.0, REJECTION_DB).unwrap();
    let found = Level::of(inner(&got)).unwrap().ac_rms / sigma;
    // About 1500 independent samples: the rms scatters by 1.8 %, three of that.
    assert_relative_eq!(found, got.noise_gain, max_relative = 0.055);
}

#[test]
fn a_recorded_contour_on_a_tone_goes_to_stages() {
    // Attack, decay, sustain and release of a recorded note, with 60 dB of noise. The corner
    // between steep stages is found within its uncertainty, time constants to 2 %.
    let (hz, attack, decay, hold, release) = (440.0, 9600.0, 24_000.0, 14_400.0, 24_000.0);
    let contour = |n: f64| {
        let up = |n: f64| (1.0 - (-1.5 * n / attack).exp()) / (1.0 - (-1.5f64).exp());
        let down = |n: f64| 0.5 + 0.5 * (-n / 6000.0).exp();
        let fallen = down(decay + hold);
        match n - 4800.0 {
            n if n < 0.0 => 0.0,
            n if n < attack => up(n),
            n if n < attack + decay + hold => down(n - attack),
            n => fallen * (-(n - attack - decay - hold) / 5000.0).exp(),
        }
    };
    let len = 4800 + (attack + decay + hold + release) as usize;
    let mut noise = Noise::seeded(12);
    for _ in 0..5 {
        let mut x = tone(hz, len, contour);
        x.iter_mut().for_each(|y| *y = 0.7 * *y + 7e-4 * noise.gaussian());
        let envelope = Envelope::of(&x, RATE_HZ, hz, REJECTION_DB).unwrap();
        let thin = envelope.thinned();
        let options = Options {
            tolerance: 1e-4,
            noise_rms: Some(7e-4 * envelope.noise_gain),
            blur_samples: 2,
        };
        let got = find(&thin.amplitude, &options).unwrap();
        let step = thin.step_samples as f64;
        let starts: Vec<f64> =
            got.iter().map(|s| s.start.value * step + thin.first_sample as f64).collect();
        let want =
            [thin.first_sample as f64, 4800.0, 4800.0 + attack, 4800.0 + attack + decay + hold];
        assert_eq!(starts.len(), want.len(), "{starts:?}");
        for ((stage, start), want) in got.iter().zip(&starts).zip(want) {
            // Twice the expanded uncertainty, and a tenth of the rise time for the blur.
            let wide = 2.0 * stage.start.uncertainty * step + 0.1 * envelope.rise_samples;
            assert_abs_diff_eq!(*start, want, epsilon = wide);
        }
        for (stage, want) in got[1..].iter().zip([attack / 1.5, 6000.0, 5000.0]) {
            assert_eq!(stage.kind, Kind::Exponential);
            assert_relative_eq!(stage.time_constant.value * step, want, max_relative = 0.02);
        }
    }
}

#[test]
fn what_has_no_envelope() {
    let x = tone(440.0, 4800, |_| 1.0);
    let of = |rate, hz, rejection| Envelope::of(&x, rate, hz, rejection).map(|_| ());
    assert_eq!(of(RATE_HZ, 440.0, 120.0), Ok(()));
    for (rate, hz, rejection) in [
        (0.0, 440.0, 120.0),
        (RATE_HZ, 0.0, 120.0),
        (RATE_HZ, 24_000.0, 120.0),
        (RATE_HZ, 440.0, 10.0),
    ] {
        let got = of(rate, hz, rejection);
        assert!(matches!(got, Err(Obstacle::OutOfRange { .. })), "{rate} {hz} {rejection}");
    }
    assert!(matches!(of(RATE_HZ, 20.0, 120.0), Err(Obstacle::TooShort { .. })));
    let silent = Envelope::of(&[0.0; 99], RATE_HZ, 440.0, 120.0);
    assert_eq!(silent, Err(Obstacle::Silent));
    assert!(db(Envelope::of(&x, RATE_HZ, 440.0, 120.0).unwrap().ripple) <= -119.99);
}
