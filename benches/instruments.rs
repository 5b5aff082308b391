//! Time per capture of the instruments; each reading is checked before it is timed.
//!
//! `cargo bench --bench instruments`

use criterion::{Criterion, criterion_group, criterion_main};
use plumbtone::expect::Yardstick;
use plumbtone::measure::aliasing::Aliasing;
use plumbtone::measure::audibility::{Component, Criterion as Masking, Listener};
use plumbtone::measure::coherent::{Coherent, Tone};
use plumbtone::measure::harmonic::Harmonic;
use plumbtone::measure::pitch::{Model, Pitch};
use plumbtone::subject::entry;
use plumbtone::voice::{Rate, Setup};

const RATE_HZ: u32 = 48_000;
const SAMPLES: usize = 1 << 16;

/// A two-point corrected ramp near A4 that fills the capture with whole periods.
fn capture() -> (Yardstick, Tone, Vec<f64>) {
    let setup = Setup::default();
    let module = entry("spline2").expect("listed");
    let yardstick = Yardstick::new(module, &setup).expect("defaults").expect("no noise");
    let tone = Tone::nearest(440.0, f64::from(RATE_HZ), SAMPLES).expect("in range");
    let rate = Rate::new(RATE_HZ).expect("in range");
    let increment = rate.increment(tone.hz(f64::from(RATE_HZ))).expect("in range");
    let mut samples = vec![0.0; SAMPLES];
    yardstick.render(increment.bits(), 1 << 15, &mut samples);
    (yardstick, tone, samples)
}

fn instruments(c: &mut Criterion) {
    let rate_hz = f64::from(RATE_HZ);
    let (yardstick, tone, samples) = capture();
    let hz = tone.hz(rate_hz);

    let mut coherent = Coherent::new(SAMPLES).expect("long enough");
    let spectrum = coherent.analyse(&samples).expect("finite");
    let lines: Vec<Component> = spectrum
        .lines(tone)
        .expect("same length")
        .map(|line| Component {
            hz: line.hz_ratio * rate_hz,
            amplitude: line.amplitude.norm(),
            is_harmonic: !line.alias,
        })
        .collect();
    // 2/(πk) halved for a swing of ±0.5, times sinc² of 440/48000 (1 − 2.8e-4).
    assert!((lines[0].amplitude * std::f64::consts::PI - 1.0).abs() < 3e-4);
    c.bench_function("coherent spectrum, 65536 samples", |b| {
        b.iter(|| coherent.analyse(&samples).expect("finite").dc());
    });
    let rated = Aliasing::rate(hz, lines.iter().copied(), Aliasing::AUDIO_BAND_HZ).expect("a tone");
    assert!(rated.alias_to_signal_db() < -30.0);
    c.bench_function("alias rating, 32768 lines", |b| {
        b.iter(|| Aliasing::rate(hz, lines.iter().copied(), Aliasing::AUDIO_BAND_HZ));
    });
    let mut listener = Listener::new(Masking::default());
    assert!(listener.worst(lines.iter().copied()).is_some_and(|worst| worst.excess_db < 0.0));
    c.bench_function("masking model, 32768 lines", |b| {
        b.iter(|| listener.worst(lines.iter().copied()));
    });
    let mut predicted = Vec::new();
    yardstick.lines(SAMPLES, tone.periods(), 1 << 15, &mut predicted).expect("coherent");
    assert!((2.0 * predicted[1].norm() - lines[0].amplitude).abs() < 1e-12);
    c.bench_function("closed form, 32768 lines", |b| {
        b.iter(|| yardstick.lines(SAMPLES, tone.periods(), 1 << 15, &mut predicted));
    });

    let mut pitch = Pitch::new();
    let second = &samples[..RATE_HZ as usize];
    let model = Model { band_limited: true, ..Model::default() };
    let reading = pitch.estimate(second, rate_hz, Some(hz), &model).expect("a tone");
    assert!((reading.hz - hz).abs() < 1e-4);
    c.bench_function("pitch of one second, frequency hinted", |b| {
        b.iter(|| pitch.estimate(second, rate_hz, Some(hz), &model).expect("a tone").hz);
    });
    c.bench_function("pitch of one second, frequency unknown", |b| {
        b.iter(|| pitch.estimate(second, rate_hz, None, &model).expect("a tone").hz);
    });
    let mut harmonic = Harmonic::new(SAMPLES).expect("long enough");
    let analysis = harmonic.analyse(&samples, rate_hz, hz, 50).expect("a tone");
    assert!((analysis.fundamental() - lines[0].amplitude).abs() < 1e-9);
    c.bench_function("windowed harmonics, 65536 samples, 50 orders", |b| {
        b.iter(|| harmonic.analyse(&samples, rate_hz, hz, 50).expect("a tone").fundamental());
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(std::time::Duration::from_millis(300))
        .measurement_time(std::time::Duration::from_secs(1));
    targets = instruments
}
criterion_main!(benches);
