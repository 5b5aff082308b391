//! Nanoseconds per sample of every module, float and fixed, on the host.
//!
//! Figures of a desktop core say which choice costs more, not what a microcontroller pays.
//! `cargo bench --bench modules`; each output is held against its exact evaluation first.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use fixed::types::{I1F31, I6F26};
use plumbtone::expect::{NoiseLaw, Yardstick};
use plumbtone::instrument::Stages;
use plumbtone::subject::VoiceTwin;
use plumbtone::voice::contours::{self, FixedContour};
use plumbtone::voice::control::Made;
use plumbtone::voice::oscillators::ENTRIES;
use plumbtone::voice::{
    Contour, Drive, Entry, Event, Filter, Oscillator, Rate, Resonance, Setup, Shape, Tuning,
    filters,
};
use plumbtone::{InstrumentTwin, Preset, Score, StagedVoice};
use plumbtone::{KeyEvent, Kind, Settings, Stimulus, Subject, Twin, control, filter};

/// Samples per block, as on the panels' codec.
const BLOCK: usize = 128;

/// A4 on every module, and the top key, where edges come thick.
const NOTES_HZ: [f64; 2] = [440.0, 4186.01];

fn drive(hz: f64) -> Drive {
    let rate = Rate::new(44_100).expect("44.1 kHz is in range");
    Drive::steady(rate.increment(hz).expect("the note is in range"))
}

/// What is timed must be right: one second within the bound that arithmetic sets.
fn verify(entry: &Entry, shape: Shape, hz: f64) {
    let setup = Setup { shape, ..Setup::default() };
    let Some(yardstick) = Yardstick::new(entry, &setup).expect("default settings") else {
        assert!(NoiseLaw::new(entry).expect("default settings").is_some());
        return;
    };
    let drive = drive(hz);
    let mut exact = vec![0.0; 44_100];
    yardstick.render(drive.increment.bits(), 0, &mut exact);
    for twin in [Twin::Float, Twin::Fixed] {
        let subject = VoiceTwin::named(entry.name, twin).expect("listed");
        let mut out = vec![0.0; exact.len()];
        subject.render(&Stimulus::note(shape, hz, 44_100), &mut out).expect("in range");
        let p = drive.increment.cycles_per_sample();
        let (bound, _) = yardstick.rounding(twin, p);
        // The kernels of the first samples reach back before the start.
        let worst = out.iter().zip(&exact).skip(64).fold(0.0_f64, |w, (a, b)| w.max((a - b).abs()));
        assert!(worst <= bound, "{} {twin:?} at {hz} Hz: {worst} > {bound}", entry.name);
    }
}

fn time<S: Copy>(
    oscillator: &mut dyn Oscillator<S>,
    drive: &Drive,
    silence: S,
    b: &mut criterion::Bencher<'_>,
) {
    let mut block = [silence; BLOCK];
    b.iter(|| {
        oscillator.process(std::hint::black_box(drive), &mut block);
        std::hint::black_box(&block);
    });
}

fn modules(c: &mut Criterion) {
    for entry in ENTRIES {
        let shapes = if entry.shapes.is_empty() { &[Shape::Ramp] } else { entry.shapes };
        let mut group = c.benchmark_group(entry.name);
        group.throughput(Throughput::Elements(BLOCK as u64));
        for &shape in shapes {
            for hz in NOTES_HZ {
                verify(entry, shape, hz);
                let setup = Setup { shape, ..Setup::default() };
                let name = format!("{}/{hz:.0} Hz", shape.name());
                let drive = drive(hz);
                group.bench_function(BenchmarkId::new("float", &name), |b| {
                    (entry.float)(&setup, &mut |oscillator| time(oscillator, &drive, 0.0, b))
                        .expect("default settings");
                });
                group.bench_function(BenchmarkId::new("fixed", &name), |b| {
                    (entry.fixed)(&setup, &mut |oscillator| {
                        time(oscillator, &drive, I1F31::ZERO, b);
                    })
                    .expect("default settings");
                });
            }
        }
        group.finish();
    }
}

/// Settings under which a control module is at work, not at rest.
const AT_WORK: [(&str, &str); 14] = [
    ("adsr", "attack=10"),
    ("adsr", "decay=10"),
    ("multistage", "time-1=10 bend-1=5"),
    ("multistage", "time-1=10 bend-1=0"),
    ("glide", "mode=time time=10"),
    ("glide", "mode=rc time=10"),
    ("lfo", "shape=triangle hz=3"),
    ("lfo", "shape=sine hz=3 fade=10"),
    ("lfo", "shape=smoothed hz=3"),
    ("pitch", "bits=16"),
    ("pitch", "bits=16 method=table points=256"),
    ("taper", "curve=log bits=16"),
    ("smoothing", "tau=0.01"),
    ("update", "fill=ramp every=100"),
];

/// A control module from a key on, per sample; a law over rising codes, per code.
fn controls(c: &mut Criterion) {
    let rate = Rate::new(44_100).expect("in range");
    for (module, setting) in AT_WORK {
        let settings = Settings::parse(module, setting).expect("in range");
        let mut group = c.benchmark_group(format!("{module} {setting}"));
        group.throughput(Throughput::Elements(BLOCK as u64));
        // What is timed must be right: its limits, on the same settings.
        let kind = Kind::Rounding;
        if ["adsr", "multistage", "lfo", "smoothing", "update"].contains(&module) {
            for twin in [Twin::Float, Twin::Fixed] {
                let check = control::twin(module, twin).expect("listed").rates([44_100]);
                check.setting(setting).expect("in range").derived(kind).assert();
            }
        }
        settings.lend(|values| {
            if let Some(entry) = contours::ENTRIES.iter().find(|entry| entry.name == module) {
                group.bench_function("float", |b| {
                    (entry.float)(rate, values, &mut |contour| play(contour, 0.0, b))
                        .expect("in range");
                });
                group.bench_function("fixed", |b| {
                    match entry.fixed {
                        FixedContour::Level(lend) => {
                            lend(rate, values, &mut |contour| play(contour, I1F31::ZERO, b))
                        }
                        FixedContour::Octaves(lend) => {
                            lend(rate, values, &mut |contour| play(contour, I6F26::ZERO, b))
                        }
                    }
                    .expect("in range");
                });
                return;
            }
            let entry = plumbtone::law::entry(module).expect("listed");
            let mut code = 0_u32;
            let mut next = || {
                code = (code + 97) % 40_000;
                code
            };
            match entry.made {
                Made::Law { float, fixed } => {
                    for (name, lend) in [("float", float), ("fixed", fixed)] {
                        group.bench_function(name, |b| {
                            lend(rate, values, &mut |law| {
                                b.iter(|| (0..BLOCK).map(|_| law.at(next())).sum::<f64>());
                            })
                            .expect("in range");
                        });
                    }
                }
                Made::Follower { float, fixed } => {
                    for (name, lend) in [("float", float), ("fixed", fixed)] {
                        group.bench_function(name, |b| {
                            lend(rate, values, &mut |law| {
                                b.iter(|| (0..BLOCK).map(|_| law.follow(next())).sum::<f64>());
                            })
                            .expect("in range");
                        });
                    }
                }
                Made::Logic => {}
            }
        });
        group.finish();
    }
}

/// A key goes down again and again, so that the stage in question never ends.
fn play<S: Copy>(contour: &mut dyn Contour<S>, silence: S, b: &mut criterion::Bencher<'_>) {
    let mut block = [silence; BLOCK];
    let mut octaves = I6F26::ONE;
    contour.event(KeyEvent::Down { octaves: I6F26::ZERO, legato: false });
    let mut left = 0;
    b.iter(|| {
        if left == 0 {
            octaves = -octaves;
            contour.event(KeyEvent::Down { octaves, legato: true });
            left = 1000;
        }
        left -= 1;
        contour.process(&mut block);
        std::hint::black_box(&block);
    });
}

/// What costs a filter time beside its defaults.
const COSTLY: [(&str, &str); 2] =
    [("ladder-tanh", "oversampling=2x"), ("ladder-tanh", "oversampling=4x")];

/// Filters at half a kilohertz and half the feedback of self-oscillation, and with a cutoff that
/// moves every sample.
fn filter_modules(c: &mut Criterion) {
    let rate = Rate::new(44_100).expect("in range");
    let plain = filters::ENTRIES.iter().map(|entry| (entry.name, ""));
    for (module, setting) in plain.chain(COSTLY) {
        let entry = filter::entry(module).expect("listed");
        // What is timed must be right, within a third of a step of a 16-bit codec.
        for twin in [Twin::Float, Twin::Fixed] {
            let check = filter::twin(module, twin).expect("listed").rates([44_100]);
            let mut same = setting.to_owned();
            for parameter in entry.parameters {
                same += match parameter.name {
                    "cutoff" => " cutoff=500",
                    "resonance" => " resonance=0.5",
                    _ => "",
                };
            }
            check.setting(&same).expect("in range").limit(Kind::Rounding, 1e-5).assert();
        }
        let settings = Settings::parse(module, setting).expect("in range");
        let mut group = c.benchmark_group(format!("{module} {setting}").trim_end());
        group.throughput(Throughput::Elements(BLOCK as u64));
        for (name, octaves) in [("steady", 0.0), ("modulated", 1.0)] {
            // A vibrato in steps of a sample, an octave to either side at most.
            let tuning = |n: usize| {
                let place = std::f64::consts::TAU * n as f64 / BLOCK as f64;
                let cutoff = rate.increment(500.0 * (octaves * place.sin()).exp2());
                let resonance = Resonance::new(0.5).expect("in range");
                Tuning { cutoff: cutoff.expect("in range"), resonance }
            };
            let tunings: Vec<Tuning> = (0..BLOCK).map(tuning).collect();
            settings.lend(|values| {
                group.bench_function(BenchmarkId::new("float", name), |b| {
                    (entry.float)(rate, values, &mut |filter| {
                        pass(filter, &tunings, |noise| noise as f32, b);
                    })
                    .expect("in range");
                });
                group.bench_function(BenchmarkId::new("fixed", name), |b| {
                    (entry.fixed)(rate, values, &mut |filter| {
                        pass(filter, &tunings, I1F31::from_num, b);
                    })
                    .expect("in range");
                });
            });
        }
        group.finish();
    }
}

/// Presets with the cheapest and the dearest ladder.
const PANELS: [&str; 3] = ["spring-tide", "capstan", "bell-buoy"];

/// The whole voice with a key held, per sample.
fn instruments(c: &mut Criterion) {
    let rate = Rate::new(44_100).expect("in range");
    for name in PANELS {
        let preset = Preset::named(name).expect("listed");
        let entry = InstrumentTwin::named(&preset.instrument, Twin::Float).expect("listed").entry();
        let mut group = c.benchmark_group(format!("{} {name}", entry.name));
        group.throughput(Throughput::Elements(BLOCK as u64));
        // What is timed must be right: both twins, stage by stage.
        let score = Score::new(44_100, 4_410).down(0, 45);
        for (twin, lend) in [(Twin::Float, entry.float), (Twin::Fixed, entry.fixed)] {
            let whole = InstrumentTwin::named(entry.name, twin).expect("listed");
            let staged = StagedVoice::render(&score, &preset.settings, Stages::all(twin), &[])
                .expect("in range");
            assert_eq!(whole.render(&score, &preset.settings).expect("in range"), staged.samples);
            group.bench_function(twin.name(), |b| {
                preset.settings.lend(|values| {
                    lend(rate, values, &mut |instrument| {
                        instrument.event(Event::Down { key: 45 });
                        let mut block = [0; BLOCK];
                        b.iter(|| {
                            instrument.process(&mut block);
                            std::hint::black_box(&block);
                        });
                    })
                    .expect("in range");
                });
            });
        }
        group.finish();
    }
}

/// A block of noise through a filter, again and again.
fn pass<S: Copy>(
    filter: &mut dyn Filter<S>,
    tunings: &[Tuning],
    sample: impl Fn(f64) -> S,
    b: &mut criterion::Bencher<'_>,
) {
    let noise = |n: usize| (n * 97 % BLOCK) as f64 / BLOCK as f64 - 0.5;
    let input: Vec<S> = (0..tunings.len()).map(|n| sample(0.5 * noise(n))).collect();
    b.iter(|| {
        for (input, tuning) in input.iter().zip(std::hint::black_box(tunings)) {
            std::hint::black_box(filter.tick(*input, tuning));
        }
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(std::time::Duration::from_millis(200))
        .measurement_time(std::time::Duration::from_millis(500));
    targets = modules, controls, filter_modules, instruments
}
criterion_main!(benches);
