//! Time per capture of the instruments; each reading is checked before it is timed.
//!
//! `cargo bench --bench instruments`

use criterion::{Criterion, criterion_group, criterion_main};
use plumbtone::expect::Yardstick;
use plumbtone::filter::FilterTwin;
use plumbtone::measure::aliasing::Aliasing;
use plumbtone::measure::audibility::{Component, Criterion as Masking, Listener};
use plumbtone::measure::beats::Beat;
use plumbtone::measure::coherent::{Coherent, Tone};
use plumbtone::measure::exponential::Exponential;
use plumbtone::measure::harmonic::Harmonic;
use plumbtone::measure::lag;
use plumbtone::measure::line::Line;
use plumbtone::measure::loudness::Loudness;
use plumbtone::measure::modulation::{Known, Modulation};
use plumbtone::measure::pitch::{Model, Pitch};
use plumbtone::measure::response::{Sweep, Take};
use plumbtone::measure::ringing;
use plumbtone::measure::stages::{self, Options};
use plumbtone::measure::steady::Steady;
use plumbtone::script::ContourTwin;
use plumbtone::subject::entry;
use plumbtone::theory::ladder::{Ladder, warped_ratio};
use plumbtone::voice::{Rate, Setup};
use plumbtone::{
    Controller, FilterSubject, InstrumentTwin, Passage, Score, Script, Settings, Twin,
};

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

/// A contour of eight stages, and a tone under vibrato.
fn control_instruments(c: &mut Criterion) {
    let setting = "points=8 time-1=2 level-1=1 bend-1=5 time-2=3 level-2=0.2 time-3=2 level-3=0.8 \
                   time-4=3 level-4=0.1 bend-4=-4 time-5=2 level-5=0.9 bend-5=2 time-6=3 level-6=0.3 \
                   time-7=2 level-7=0.6 bend-7=1 time-8=3 level-8=0 bend-8=5";
    let settings = Settings::parse("multistage", setting).expect("in range");
    let script = Script::new(RATE_HZ, settings, 1_000_000).down(100, 0.0, false);
    let mut trace = vec![0.0; script.length];
    let contour = ContourTwin::named("multistage", Twin::Exact).expect("listed");
    contour.render(&script, &mut trace).expect("in range");
    // Eight stages, a rest before and one after.
    assert_eq!(stages::find(&trace, &Options::F64).expect("finite").len(), 10);
    c.bench_function("stages of a million samples", |b| {
        b.iter(|| stages::find(&trace, &Options::F64).expect("finite").len());
    });
    let decay: Vec<f64> = (0..SAMPLES).map(|n| (-(n as f64) / 10_000.0).exp()).collect();
    let fit = Exponential::fit(&decay).expect("finite");
    assert!((fit.time_constant.value / 10_000.0 - 1.0).abs() < 1e-9);
    c.bench_function("time constant, 65536 samples", |b| {
        b.iter(|| Exponential::fit(&decay).expect("finite").time_constant.value);
    });
    let turns =
        |n: usize, periods: f64| std::f64::consts::TAU * (periods * n as f64 / SAMPLES as f64);
    let tone: Vec<f64> =
        (0..SAMPLES).map(|n| (turns(n, 1500.0) + 2.0 * turns(n, 8.0).sin()).sin()).collect();
    let mut modulation = Modulation::new();
    let known = Known::default();
    let read = modulation.frequency(&tone, f64::from(RATE_HZ), &known).expect("a tone");
    assert!((read.index.value / 2.0 - 1.0).abs() < 1e-6);
    c.bench_function("demodulated vibrato, 65536 samples", |b| {
        b.iter(|| modulation.frequency(&tone, f64::from(RATE_HZ), &known).expect("a tone").index);
    });
}

/// A ladder at 1 kHz, k = 3.5.
fn filter_instruments(c: &mut Criterion) {
    let rate_hz = f64::from(RATE_HZ);
    let settings = Settings::parse("ladder", "cutoff=1000 resonance=0.875").expect("in range");
    let ladder = FilterTwin::named("ladder", Twin::Exact).expect("listed");
    let through = |input: &[f64]| {
        let passage = Passage::new(RATE_HZ, &settings, input.to_vec()).expect("in range");
        let mut out = vec![0.0; input.len()];
        ladder.render(&passage, &mut out).expect("in range");
        out
    };
    let theory = Ladder::new(3.5).expect("in range");
    let closed = |hz: f64| theory.response(warped_ratio(hz / rate_hz, 1000.0 / rate_hz)).norm();
    // Two periods, of which the first lets it settle; a generator of full period makes the noise.
    let mut state = 1_u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state) / 4_294_967_296.0 - 0.5
    };
    let period: Vec<f64> = (0..SAMPLES).map(|_| noise()).collect();
    let out = through(&period.repeat(2));
    let settled = &out[SAMPLES..];
    let steady = Steady::new(&period, settled, rate_hz).expect("finite");
    let line = steady.nearest(2_000.0);
    assert!((steady.gain(line).norm() / closed(steady.hz(line)) - 1.0).abs() < 1e-6);
    c.bench_function("steady transfer, 65536 samples", |b| {
        b.iter(|| Steady::new(&period, settled, rate_hz).expect("finite").gain(line));
    });

    let mut strike = vec![0.0; 8_192];
    strike[0] = 1.0;
    let ringing = &through(&strike)[300..];
    let fit = ringing::fit(ringing, rate_hz, 1).expect("it rings");
    assert!((fit.modes[0].bilinear_quality().value / theory.quality() - 1.0).abs() < 1e-6);
    c.bench_function("ringing fit, 7892 samples", |b| {
        b.iter(|| ringing::fit(ringing, rate_hz, 1).expect("it rings").modes[0].hz().value);
    });

    let sweep = Sweep::new(rate_hz, 20.0, 20_000.0, 3.0, 0.2).expect("in range");
    let out = through(sweep.stimulus());
    let take = [Take { level: 1.0, samples: &out }];
    let read = || sweep.response(&take).expect("finite");
    let points = read();
    let near = |p: &&plumbtone::measure::response::Point| p.hz > 2_000.0;
    let point = points.iter().find(near).expect("within the band");
    assert!((point.gain.norm() / closed(point.hz) - 1.0).abs() < 1e-4);
    c.bench_function("sweep of 3 s, one take", |b| b.iter(|| read().len()));
}

/// Two seconds of a voice whose oscillators beat.
fn voice_instruments(c: &mut Criterion) {
    let rate_hz = f64::from(RATE_HZ);
    let settings = Settings::parse(
        "tideorgan",
        "gain-b=1 detune=7 level-attack=0 level-decay=0 level-sustain=1",
    )
    .expect("in range");
    let score = Score::new(RATE_HZ, 4 * SAMPLES).down(0, 69);
    let heard = |twin| -> Vec<f64> {
        let voice = InstrumentTwin::named("tideorgan", twin).expect("listed");
        let samples = voice.render(&score, &settings).expect("in range");
        samples.into_iter().map(|sample| f64::from(sample) / 32_768.0).collect()
    };
    let (float, fixed) = (heard(Twin::Float), heard(Twin::Fixed));
    // 440 (2^(7/1200) - 1) Hz.
    let beat = || Beat::of(&fixed, rate_hz, 440.0, 0.5).expect("two oscillators");
    let off = beat().rate_hz.value - 1.782_679;
    assert!(off.abs() < 1e-4, "{off}");
    c.bench_function("beat, 262144 samples", |b| b.iter(beat));
    let drift = || lag::drift(&fixed, &float, 4096, Some(0)).expect("the same sound");
    assert!(drift().iter().flat_map(|(_, lag)| lag).all(|lag| lag.samples.value.abs() < 0.1));
    c.bench_function("drift of twins, 262144 samples", |b| b.iter(drift));
    let loudness = || Loudness::of(&fixed, rate_hz).expect("finite");
    assert!(loudness().lkfs.value < 0.0);
    c.bench_function("loudness, 262144 samples", |b| b.iter(loudness));
    // The fundamental of the first oscillator; the second is 1.8 Hz above it.
    let line = || Line::at(&fixed, rate_hz, 440.0).expect("finite");
    assert!(line().amplitude.value > 0.01);
    c.bench_function("level of a line, 262144 samples", |b| b.iter(line));
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(std::time::Duration::from_millis(300))
        .measurement_time(std::time::Duration::from_secs(1));
    targets = instruments, control_instruments, filter_instruments, voice_instruments
}
criterion_main!(benches);
