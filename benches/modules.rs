//! Nanoseconds per sample of every module, float and fixed, on the host.
//!
//! Figures of a desktop core say which choice costs more, not what a microcontroller pays.
//! `cargo bench --bench modules`; each output is held against its exact evaluation first.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use fixed::types::I1F31;
use plumbtone::expect::{NoiseLaw, Yardstick};
use plumbtone::voice::oscillators::ENTRIES;
use plumbtone::voice::{Drive, Entry, Oscillator, Rate, Setup, Shape};
use plumbtone::{Stimulus, Subject, Twin, subject::VoiceTwin};

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

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(std::time::Duration::from_millis(200))
        .measurement_time(std::time::Duration::from_millis(500));
    targets = modules
}
criterion_main!(benches);
