//! Grading recordings of filters whose response is known.
//!
//! Recordings are made in the frequency domain from `(1+s)^(4-n) / ((1+s)^4 + k)` (Stilson & Smith,
//! ICMC 1996, pp. 398-401, from memory), written out here, or by our twins.

use std::f64::consts::{PI, TAU};
use std::sync::atomic::{AtomicUsize, Ordering};

use num_complex::Complex64;
use plumbtone::grade::filter::{Axis, Sheet, Signal, stimulus};
use plumbtone::grade::{self, SCHEMA};
use plumbtone::measure::Reading;
use plumbtone::wav::{Format, Recording, encode, gain_to_peak, read};
use plumbtone_voice::filters::{ENTRIES, FilterEntry, Resonance, Tuning};
use plumbtone_voice::parameter::Values;
use plumbtone_voice::{Increment, Rate};
use rustfft::FftPlanner;

use crate::measure::signals::Noise;

/// Through a file, as a user would.
fn file(samples: &[f64], rate_hz: u32, format: Format) -> Recording {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("panel.wav");
    std::fs::write(&path, encode(samples, 1.0, rate_hz, format).unwrap()).unwrap();
    read(&path).unwrap()
}

fn sent(signal: Signal, rate_hz: u32, seconds: f64) -> Recording {
    let samples = stimulus(signal, rate_hz, seconds).unwrap();
    let gain = gain_to_peak(&samples, -12.0);
    let samples: Vec<f64> = samples.iter().map(|sample| gain * sample).collect();
    file(&samples, rate_hz, Format::Int16)
}

/// What lies between the file and its recording.
#[derive(Clone, Copy, Debug)]
struct Way {
    cutoff_hz: f64,
    /// Of self-oscillation: k / 4.
    resonance: f64,
    poles: i32,
    analogue: bool,
    delay: f64,
    gain: f64,
    /// White, rms re full scale.
    noise: f64,
    format: Format,
    seed: u64,
}

const PLAIN: Way = Way {
    cutoff_hz: 1000.0,
    resonance: 0.5,
    poles: 4,
    analogue: false,
    delay: 1234.567,
    gain: 0.8,
    noise: 1e-4,
    format: Format::Int24,
    seed: 1,
};

impl Way {
    fn response(&self, hz: f64, rate_hz: f64) -> Complex64 {
        let ratio = if self.analogue {
            hz / self.cutoff_hz
        } else {
            (PI * hz / rate_hz).tan() / (PI * self.cutoff_hz / rate_hz).tan()
        };
        let s = Complex64::new(1.0, ratio);
        self.gain * s.powi(4 - self.poles) / (s.powi(4) + 4.0 * self.resonance)
    }

    fn dc(&self) -> f64 {
        self.gain / (1.0 + 4.0 * self.resonance)
    }

    fn record(&self, sent: &Recording) -> Recording {
        let rate_hz = f64::from(sent.rate_hz);
        through(sent, self.noise, self.seed, self.format, |hz| {
            let turn = Complex64::from_polar(1.0, -TAU * hz * self.delay / rate_hz);
            self.response(hz, rate_hz) * turn
        })
    }

    fn grade(&self, sent: &Recording) -> Sheet {
        grade::filter(&self.record(sent), sent).unwrap_or_else(|e| panic!("{self:?}: {e}"))
    }

    /// Readings with what they should be.
    fn readings(&self, sheet: &Sheet) -> Vec<(&'static str, Reading, f64)> {
        let ladder = &sheet.ladder;
        let db = |ratio: f64| 20.0 * ratio.log10();
        let rate_hz = f64::from(sheet.rate_hz);
        let mut readings = vec![
            ("cutoff", ladder.cutoff, self.cutoff_hz),
            ("resonance", ladder.resonance, self.resonance),
            ("gain", ladder.gain, db(self.gain.abs())),
            ("delay", ladder.delay, self.delay),
        ];
        let dc = sheet.response.dc_gain;
        readings.extend(dc.map(|dc| ("DC gain", dc, db(self.dc().abs()))));
        let level = |hz: f64| db(self.response(hz, rate_hz).norm());
        if let Some(half) = sheet.response.half_power {
            // As a level: where the curve is at the frequency that was read.
            let off = level(half.value) - db(self.dc().abs()) + 10.0 * 2f64.log10();
            let steep = level(half.value * 1.001) - level(half.value / 1.001);
            let true_hz = half.value * (1.0 - off / steep * 0.002);
            readings.push(("-3 dB", half, true_hz));
        }
        if let Some(slope) = sheet.response.slope {
            readings.push((
                "slope",
                slope.db_per_octave,
                level(slope.high_hz) - level(slope.low_hz),
            ));
        }
        readings
    }
}

/// A recording of a response: longer than the file by a second.
fn through(
    sent: &Recording,
    noise: f64,
    seed: u64,
    format: Format,
    response: impl Fn(f64) -> Complex64,
) -> Recording {
    let rate_hz = f64::from(sent.rate_hz);
    let len = (sent.samples.len() + sent.rate_hz as usize).next_multiple_of(1024);
    let mut bins: Vec<Complex64> = sent.samples.iter().map(|x| Complex64::from(*x)).collect();
    bins.resize(len, Complex64::ZERO);
    let mut planner = FftPlanner::new();
    planner.plan_fft_forward(len).process(&mut bins);
    for k in 0..=len / 2 {
        bins[k] *= response(k as f64 * rate_hz / len as f64) / len as f64;
        if k > 0 && k < len / 2 {
            bins[len - k] = bins[k].conj();
        }
    }
    bins[len / 2] = Complex64::ZERO;
    planner.plan_fft_inverse(len).process(&mut bins);
    let mut hiss = Noise::seeded(seed);
    let samples: Vec<f64> = bins.iter().map(|bin| bin.re + noise * hiss.gaussian()).collect();
    file(&samples, sent.rate_hz, format)
}

/// Runs on all cores.
fn each<T: Sync>(items: &[T], run: impl Fn(&T) + Sync) {
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed)) {
                    run(item);
                }
            });
        }
    });
}

#[test]
fn ladders_come_back_within_their_uncertainty() {
    for (rate_hz, signal) in [(44_100, Signal::Sweep), (48_000, Signal::Noise)] {
        let sent = sent(signal, rate_hz, 4.0);
        let mut ways = Vec::new();
        for (cutoff_hz, resonance, poles) in [
            (1000.0, 0.0, 4),
            (250.0, 0.5, 4),
            (1000.0, 0.75, 4),
            (3000.0, 0.95, 4),
            (8000.0, 0.6, 4),
            (1000.0, 0.99, 4),
            (800.0, 0.3, 3),
            (1500.0, 0.6, 2),
            (600.0, 0.0, 1),
        ] {
            for analogue in [false, true] {
                for (noise, format, gain) in [
                    (1e-3, Format::Int16, 0.5),
                    (1e-4, Format::Int24, -0.3),
                    (0.0, Format::Int16, 0.6),
                ] {
                    // A resonance of 0.99 rises by 43 dB: what was sent at -12 dBFS would clip.
                    let gain = if resonance > 0.9 { gain * (1.02 - resonance) } else { gain };
                    ways.push(Way {
                        cutoff_hz,
                        resonance,
                        poles,
                        analogue,
                        noise,
                        format,
                        gain,
                        delay: 100.3 * f64::from(poles) + cutoff_hz,
                        seed: ways.len() as u64,
                    });
                }
            }
        }
        // Six ways to record every filter: three now and three with the other stimulus.
        let odd = usize::from(signal == Signal::Noise);
        let ways: Vec<Way> = ways.into_iter().skip(odd).step_by(2).collect();
        each(&ways, |way| {
            let sheet = way.grade(&sent);
            let what = format!("{signal:?} {way:?}\n{sheet}");
            assert_eq!(sheet.ladder.output, format!("low{}", 6 * way.poles), "{what}");
            let wrong = if way.analogue { Axis::Trapezoidal } else { Axis::Analogue };
            assert_ne!(sheet.ladder.axis, wrong, "{what}");
            assert_eq!(sheet.ladder.inverted, way.gain < 0.0, "{what}");
            for (name, reading, want) in way.readings(&sheet) {
                // Twice the expanded uncertainty: 350 figures are read.
                let off = (reading.value - want).abs();
                assert!(
                    off <= 2.0 * reading.uncertainty + 1e-9,
                    "{name}: {reading} for {want}\n{what}"
                );
            }
        });
    }
}

/// Of normal errors 95.45 % lie within two standard deviations.
#[test]
fn uncertainties_cover_what_they_claim() {
    let sent = sent(Signal::Sweep, 16_000, 2.0);
    let ways: Vec<Way> = (0..100)
        .map(|seed| Way {
            cutoff_hz: 700.0 + 4.5 * f64::from(seed),
            resonance: 0.2 + 0.006 * f64::from(seed),
            analogue: seed % 2 == 0,
            noise: 3e-4,
            gain: 0.3,
            seed: 1000 + seed as u64,
            ..PLAIN
        })
        .collect();
    let tally = std::sync::Mutex::new(std::collections::BTreeMap::new());
    each(&ways, |way| {
        let sheet = way.grade(&sent);
        for (name, reading, want) in way.readings(&sheet) {
            let z = (reading.value - want) / reading.uncertainty;
            tally.lock().unwrap().entry(name).or_insert_with(Vec::new).push(z);
        }
    });
    for (name, all) in tally.into_inner().unwrap() {
        let count = all.len() as f64;
        let inside = all.iter().filter(|z: &&f64| z.abs() <= 1.0).count() as f64 / count;
        let rms = 2.0 * (all.iter().map(|z| z * z).sum::<f64>() / count).sqrt();
        // 3.5 standard deviations of a share, and of the rms of normal values.
        let share = 0.9545 - 3.5 * (0.9545 * 0.0455 / count).sqrt();
        assert!(inside >= share, "{name}: {inside} of {count} within, rms {rms}");
        let spread = 3.5 / (2.0 * count).sqrt();
        assert!(rms <= 1.0 + spread, "{name}: rms {rms}");
        // The others take the greater of noise and scatter, and add what rounding may do.
        if ["cutoff", "resonance", "gain", "delay"].contains(&name) {
            assert!(rms >= 1.0 - spread, "{name}: rms {rms}");
        }
    }
}

#[test]
fn uncertainties_are_of_use() {
    // Sweep of 4 s at -12 dBFS, noise of -60 dBFS: a cent of cutoff, a thousandth of resonance.
    let sent = sent(Signal::Sweep, 44_100, 4.0);
    let sheet = Way { noise: 1e-3, ..PLAIN }.grade(&sent);
    assert_eq!((sheet.schema, sheet.graded, sheet.from), (SCHEMA, "filter", "response"));
    let (cutoff, resonance) = (sheet.ladder.cutoff, sheet.ladder.resonance);
    assert!(cutoff.uncertainty < 5.8e-4 * cutoff.value, "{sheet}");
    assert!(resonance.uncertainty < 1e-3, "{sheet}");
    // A ladder one cent higher, or of a thousandth more resonance, reads so.
    let other = Way { cutoff_hz: 1000.578, resonance: 0.501, noise: 1e-3, seed: 2, ..PLAIN };
    let ladder = other.grade(&sent).ladder;
    assert!(ladder.cutoff.value - cutoff.value > cutoff.uncertainty, "{sheet}");
    assert!(ladder.resonance.value - resonance.value > resonance.uncertainty, "{sheet}");
}

fn entry(name: &str) -> &'static FilterEntry {
    ENTRIES.iter().find(|entry| entry.name == name).unwrap()
}

/// Both twins of a filter on a file, then recorded.
fn twins(
    name: &str,
    settings: &[(&str, f64)],
    tuned: (f64, f64),
    sent: &Recording,
) -> [Recording; 2] {
    let rate = Rate::new(sent.rate_hz).unwrap();
    let cutoff: Increment = rate.increment(tuned.0).unwrap();
    let tuning = Tuning { cutoff, resonance: Resonance::new(tuned.1).unwrap() };
    let (entry, values) = (entry(name), Values(settings));
    let mut samples = sent.samples.clone();
    samples.resize(samples.len() + sent.rate_hz as usize / 2, 0.0);
    let (mut float, mut fixed) = (samples.clone(), samples);
    (entry.float)(rate, &values, &mut |filter| {
        float.iter_mut().for_each(|x| *x = f64::from(filter.tick(*x as f32, &tuning)));
    })
    .unwrap();
    (entry.fixed)(rate, &values, &mut |filter| {
        let tick =
            |x: &mut f64| *x = filter.tick(fixed::types::I1F31::from_num(*x), &tuning).to_num();
        fixed.iter_mut().for_each(tick);
    })
    .unwrap();
    [float, fixed].map(|mut samples| {
        let mut hiss = Noise::seeded(7);
        samples.iter_mut().for_each(|x| *x += 1e-5 * hiss.gaussian());
        file(&samples, sent.rate_hz, Format::Int24)
    })
}

#[test]
fn settings_of_our_own_ladder_come_back() {
    let sent = sent(Signal::Sweep, 44_100, 4.0);
    for (name, output, tuned) in
        [("ladder", 0, (1200.0, 0.7)), ("ladder", 2, (400.0, 0.4)), ("ladder", 1, (5000.0, 0.2))]
    {
        for recording in twins(name, &[("output", f64::from(output))], tuned, &sent) {
            let sheet = grade::filter(&recording, &sent).unwrap();
            let ladder = &sheet.ladder;
            assert_eq!(ladder.output, ["low24", "low18", "low12"][output as usize], "{sheet}");
            assert_ne!(ladder.axis, Axis::Analogue, "{sheet}");
            for (reading, want) in [
                (ladder.cutoff, tuned.0),
                (ladder.resonance, tuned.1),
                (ladder.gain, 0.0),
                (ladder.delay, 0.0),
            ] {
                let off = (reading.value - want).abs();
                assert!(off <= 2.0 * reading.uncertainty, "{name} {tuned:?}: {reading}\n{sheet}");
            }
        }
    }
}

/// The recording through a cable in place of the file takes the interface out.
#[test]
fn a_recording_through_a_cable_cancels_the_interface() {
    let sent = sent(Signal::Sweep, 44_100, 4.0);
    // Coupled by a high-pass of 8 Hz, 300 samples late.
    let interface = |hz: f64| {
        let s = Complex64::new(0.0, hz / 8.0);
        s / (s + 1.0) * Complex64::from_polar(1.0, -TAU * hz * 300.0 / 44_100.0)
    };
    let cable = through(&sent, 1e-5, 3, Format::Int24, interface);
    let way = Way { delay: 20.5, ..PLAIN };
    let recording = through(&sent, 1e-4, 4, Format::Int24, |hz| {
        let turn = Complex64::from_polar(1.0, -TAU * hz * way.delay / 44_100.0);
        way.response(hz, 44_100.0) * turn * interface(hz)
    });
    for (name, reading, want) in way.readings(&grade::filter(&recording, &cable).unwrap()) {
        assert!(
            (reading.value - want).abs() <= 2.0 * reading.uncertainty,
            "{name}: {reading} for {want}"
        );
    }
    // Without it the uncertainty grows by what does not fit, and still holds.
    let against_file = grade::filter(&recording, &sent).unwrap();
    let plain = way.grade(&sent);
    let [with, without] = [&against_file, &plain].map(|sheet| sheet.ladder.cutoff);
    assert!(with.uncertainty > 10.0 * without.uncertainty, "{against_file}");
    assert!((with.value - way.cutoff_hz).abs() <= with.uncertainty, "{against_file}");
}

fn refusal(recording: &Recording, sent: &Recording) -> String {
    let line = match grade::filter(recording, sent) {
        Ok(sheet) => panic!("accepted:\n{sheet}"),
        Err(error) => error.to_string(),
    };
    assert!(!line.contains('\n'), "{line}");
    line
}

#[test]
fn what_is_no_ladder_is_refused() {
    let sent = sent(Signal::Sweep, 44_100, 4.0);
    type Shape = fn(Complex64) -> Complex64;
    let shapes: [(&str, Shape, &str); 9] = [
        ("state-variable, Q 0.7", |s| 1.0 / (s * s + s / 0.7 + 1.0), "no ladder's"),
        ("state-variable, Q 2", |s| 1.0 / (s * s + s / 2.0 + 1.0), "no ladder's"),
        ("state-variable, Q 5", |s| 1.0 / (s * s + s / 5.0 + 1.0), "no ladder's"),
        // Butterworth, n = 4: Q of 0.54120 and 1.30656.
        (
            "Butterworth",
            |s| 1.0 / ((s * s + s / 0.541_196 + 1.0) * (s * s + s / 1.306_563 + 1.0)),
            "no ladder's",
        ),
        ("band-pass", |s| s / (s * s + s / 2.0 + 1.0), "no "),
        ("high-pass", |s| s * s / (s * s + s / 2.0 + 1.0), "no "),
        ("one-pole high-pass", |s| s / (s + 1.0), "no "),
        ("cable", |_| Complex64::ONE, "no low-pass"),
        ("two paths", |s| 0.6 + 0.4 * (-12.6 * s).exp(), "no "),
    ];
    each(&shapes, |(name, shape, says)| {
        let recording = through(&sent, 1e-4, 5, Format::Int24, |hz| {
            0.3 * shape(Complex64::new(0.0, hz / 1000.0))
        });
        let line = refusal(&recording, &sent);
        assert!(line.contains(says), "{name}: {line}");
    });
}

#[test]
fn what_cannot_be_graded_is_refused() {
    let sweep = sent(Signal::Sweep, 44_100, 4.0);
    let good = PLAIN.record(&sweep);
    let edited = |edit: &dyn Fn(&mut Vec<f64>)| {
        let mut recording = good.clone();
        edit(&mut recording.samples);
        recording
    };
    let says = |recording: &Recording, sent: &Recording, word: &str| {
        let line = refusal(recording, sent);
        assert!(line.contains(word), "{line}");
    };
    for other in [
        sent(Signal::Noise, 44_100, 4.0),
        sent(Signal::Sweep, 44_100, 3.9),
        sent(Signal::Sweep, 44_100, 5.0),
    ] {
        // Refused, whether nothing follows or what follows makes no sense.
        let line = refusal(&good, &other);
        assert!(line.contains("give the") && line.contains("file that was played"), "{line}");
    }
    says(&good, &sent(Signal::Sweep, 48_000, 4.0), "44100 Hz and the file sent 48000 Hz");
    says(&edited(&|s| s.fill(0.0)), &sweep, "silent");
    says(&good, &edited(&|s| s.fill(0.0)), "file sent");
    says(
        &edited(&|s| s.iter_mut().for_each(|x| *x = (20.0 * *x).clamp(-1.0, 1.0))),
        &sweep,
        "clipped",
    );
    // The sweep lasts 4 s from 0.25 s on.
    says(&edited(&|s| s.truncate(4 * 44_100)), &sweep, "only a part");
    says(&edited(&|s| drop(s.drain(..44_100))), &sweep, "only a part");
    says(&edited(&|s| s.truncate(300)), &sweep, "samples given");
    let mut hiss = Noise::seeded(9);
    let noise: Vec<f64> = good.samples.iter().map(|_| 0.1 * hiss.gaussian()).collect();
    says(&Recording { samples: noise, ..good.clone() }, &sweep, "does not follow");
    // Below 20 Hz nothing is sent: where the passband ends cannot be told.
    let deep = Way { cutoff_hz: 4.0, resonance: 0.0, noise: 1e-3, ..PLAIN };
    refusal(&deep.record(&sweep), &sweep);
}

#[test]
fn self_oscillation_is_read_within_its_uncertainty() {
    let planted = [(1.0, 0.3), (2.0, 3e-4), (3.0, 3e-3), (5.0, 3e-5), (7.0, 3e-6)];
    for (hz, noise, format) in
        [(440.37, 1e-5, Format::Int24), (61.7, 1e-4, Format::Int16), (5000.0, 1e-4, Format::Int24)]
    {
        let mut hiss = Noise::seeded(11);
        let samples: Vec<f64> = (0..3 * 44_100)
            .map(|n| {
                let turns = f64::from(n) * hz / 44_100.0;
                let lines = planted.iter().filter(|(order, _)| order * hz < 22_050.0);
                let tone: f64 =
                    lines.map(|(order, a)| a * (TAU * (order * turns).fract() + order).sin()).sum();
                tone + noise * hiss.gaussian()
            })
            .collect();
        let sheet = grade::self_oscillation(&file(&samples, 44_100, format)).unwrap();
        assert_eq!((sheet.graded, sheet.from), ("filter", "self_oscillation"));
        let near =
            |reading: Reading, want: f64| (reading.value - want).abs() <= reading.uncertainty;
        assert!(near(sheet.pitch, hz), "{sheet}");
        assert!(near(sheet.amplitude, 0.3), "{sheet}");
        assert!(sheet.amplitude.uncertainty < 1e-3 && sheet.drift_db.abs() < 1e-3, "{sheet}");
        let top = if hz < 3000.0 { 7 } else { 4 };
        assert_eq!(sheet.harmonics.len(), top - 1, "{sheet}");
        for line in &sheet.harmonics {
            let planted = planted.iter().find(|(order, _)| *order == f64::from(line.order));
            match planted {
                Some((_, amplitude)) if !line.level.at_floor() => {
                    assert!(near(line.level, 20.0 * (amplitude / 0.3).log10()), "{sheet}");
                }
                Some((_, a)) => {
                    assert!(20.0 * (a / 0.3).log10() < line.level.floor.unwrap() + 6.0, "{sheet}")
                }
                None => assert!(line.level.value < line.level.floor.unwrap() + 6.0, "{sheet}"),
            }
        }
    }
    let sweep = sent(Signal::Sweep, 44_100, 4.0);
    let noise = sent(Signal::Noise, 44_100, 4.0);
    for recording in [PLAIN.record(&sweep), PLAIN.record(&noise)] {
        let line = grade::self_oscillation(&recording).unwrap_err().to_string();
        assert!(line.contains("no steady tone"), "{line}");
    }
}

#[test]
fn stimuli_keep_to_their_range() {
    for seconds in [1.9, 60.1, f64::NAN] {
        let line = stimulus(Signal::Sweep, 44_100, seconds).unwrap_err().to_string();
        assert!(line.contains("2 to 60 s"), "{line}");
    }
    assert!(stimulus(Signal::Noise, 7999, 4.0).is_err());
    // Quiet before and after, and the second after is whole.
    for signal in [Signal::Sweep, Signal::Noise] {
        let samples = stimulus(signal, 8000, 2.0).unwrap();
        assert_eq!(samples.len(), 8000 * 13 / 4);
        assert!(samples[..2000].iter().chain(&samples[samples.len() - 8000..]).all(|x| *x == 0.0));
        assert!(samples.iter().all(|x| x.abs() <= 1.0));
    }
}
