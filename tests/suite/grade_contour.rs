//! Grading recordings of contours whose settings are known.

use plumbtone::grade::contour::{Again, Coupling, Curve, PARAMETERS, Sheet};
use plumbtone::grade::{self, SCHEMA};
use plumbtone::script::{ContourTwin, Controller, Script};
use plumbtone::settings::about;
use plumbtone::wav::{Format, Recording, encode, read};
use plumbtone::{Settings, Twin};

/// A contour, when its key goes down and up, how long the recording is, s.
#[derive(Clone, Copy, Debug)]
struct Take {
    module: &'static str,
    settings: &'static str,
    lead_s: f64,
    held_s: f64,
    seconds: f64,
}

const fn take(module: &'static str, settings: &'static str, held_s: f64, seconds: f64) -> Take {
    Take { module, settings, lead_s: 0.1, held_s, seconds }
}

impl Take {
    fn render(&self, rate_hz: u32) -> Vec<f64> {
        trace(self.module, self.settings, rate_hz, [self.lead_s, self.held_s, self.seconds])
    }
}

fn trace(module: &str, text: &str, rate_hz: u32, [lead, held, all]: [f64; 3]) -> Vec<f64> {
    let at = |seconds: f64| (seconds * f64::from(rate_hz)).round() as usize;
    let settings = Settings::parse(module, text).unwrap();
    let script = Script::new(rate_hz, settings, at(all));
    let script = script.down(at(lead), 0.0, false).up(at(lead + held));
    let mut out = vec![0.0; script.length];
    ContourTwin::named(module, Twin::Fixed).unwrap().render(&script, &mut out).unwrap();
    out
}

/// How a trace is recorded.
#[derive(Clone, Copy, Debug)]
struct Way {
    rate_hz: u32,
    format: Format,
    gain: f64,
    offset: f64,
    tone_hz: Option<f64>,
    /// White noise re the full level, rms.
    noise: f64,
}

const PLAIN: Way = Way {
    rate_hz: 44_100,
    format: Format::Int24,
    gain: 0.5,
    offset: 0.0,
    tone_hz: None,
    noise: 0.0,
};

/// White noise, rms 1: the sum of twelve uniform values.
struct Noise(u64);

impl Noise {
    fn draw(&mut self) -> f64 {
        let mut uniform = || {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
        };
        (0..12).map(|_| uniform()).sum()
    }
}

impl Way {
    /// Through a file, as a user would.
    fn record(&self, trace: &[f64]) -> Recording {
        let mut noise = Noise(0x2545_f491_4f6c_dd1d);
        let cycle = self.tone_hz.map(|hz| hz / f64::from(self.rate_hz));
        let samples: Vec<f64> = trace
            .iter()
            .enumerate()
            .map(|(n, level)| {
                let carrier = cycle.map_or(1.0, |c| (std::f64::consts::TAU * c * n as f64).sin());
                let noise = if self.noise > 0.0 { self.noise * noise.draw() } else { 0.0 };
                self.gain * (level * carrier + noise) + self.offset
            })
            .collect();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("panel.wav");
        std::fs::write(&path, encode(&samples, 1.0, self.rate_hz, self.format).unwrap()).unwrap();
        read(&path).unwrap()
    }

    fn grade(&self, trace: &[f64]) -> Sheet {
        let recording = self.record(trace);
        grade::contour(&recording, &Settings::new()).unwrap_or_else(|e| panic!("{self:?}: {e}"))
    }
}

fn figure(again: &Again, name: &str) -> (f64, f64) {
    let setting = again.settings.iter().find(|setting| setting.name == name);
    let setting = setting.unwrap_or_else(|| panic!("no {name}: {again}"));
    (setting.value, setting.uncertainty)
}

const ADSR: [Take; 6] = [
    take("adsr", "", 0.8, 1.6),
    take("adsr", "attack=0.05 decay=0.3 sustain=0.25 release=0.6", 1.0, 2.2),
    take("adsr", "attack=0.3 decay=0.8 sustain=0.7 release=0.2 overshoot=1.05", 1.2, 2.0),
    take("adsr", "attack=0.12 decay=0.4 sustain=0.5 release=1.0 overshoot=3", 0.9, 2.5),
    take("adsr", "attack=1 decay=2 sustain=0.4 release=1.5 overshoot=1.5", 2.5, 5.0),
    take("adsr", "attack=0.03 decay=0.15 sustain=0.8 release=0.08", 0.5, 1.0),
];

/// Every way a panel may be recorded; the first has neither noise nor gain.
const WAYS: [Way; 9] = [
    PLAIN,
    Way { format: Format::Int16, gain: -0.25, offset: 0.01, ..PLAIN },
    Way { rate_hz: 48_000, format: Format::Float32, gain: 0.9, ..PLAIN },
    Way { rate_hz: 48_000, format: Format::Int24, gain: 0.4, offset: -0.05, noise: 1e-4, ..PLAIN },
    Way { format: Format::Int16, gain: -0.6, offset: 0.02, noise: 1e-3, ..PLAIN },
    Way { format: Format::Int16, tone_hz: Some(440.0), ..PLAIN },
    Way { rate_hz: 48_000, format: Format::Float32, tone_hz: Some(1760.0), ..PLAIN },
    Way { format: Format::Int24, tone_hz: Some(440.0), noise: 1e-4, ..PLAIN },
    Way { rate_hz: 48_000, format: Format::Int16, tone_hz: Some(523.25), noise: 1e-3, ..PLAIN },
];

/// Uncertainty, relative, that a figure may have and be of use: the taper of a potentiometer is
/// made to 10 %, so twenty times less from a control trace; and from a tone, whose periods set a
/// limit, five times less.
fn useful(way: &Way) -> f64 {
    if way.tone_hz.is_some() { 0.02 } else { 0.005 }
}

#[test]
fn settings_of_an_adsr_come_back_within_their_uncertainty() {
    for take in ADSR {
        for way in WAYS {
            let sheet = way.grade(&take.render(way.rate_hz));
            let what = format!("{take:?} {way:?}\n{sheet}");
            let coupling = if way.tone_hz.is_some() { Coupling::Tone } else { Coupling::Dc };
            assert_eq!(sheet.coupling, coupling, "{what}");
            let again = sheet.adsr.as_ref().unwrap_or_else(|_| panic!("{what}"));
            let settings = Settings::parse("adsr", take.settings).unwrap();
            for parameter in &about("adsr").unwrap().parameters[..5] {
                let want = settings.value(parameter).unwrap();
                let (got, wide) = figure(again, parameter.name);
                // Twice the expanded uncertainty: 270 figures are read.
                assert!(
                    (got - want).abs() <= 2.0 * wide,
                    "{}: {got} ± {wide}\n{what}",
                    parameter.name
                );
                assert!(wide <= useful(&way) * want, "{}: {got} ± {wide}\n{what}", parameter.name);
            }
            let held = again.hold_s.unwrap();
            assert!((held - take.held_s).abs() < 1e-3, "{held}: {what}");
        }
    }
}

const MULTISTAGE: [Take; 6] = [
    take("multistage", "", 1.0, 1.2),
    take(
        "multistage",
        "points=3 time-1=0.05 level-1=1 bend-1=3 time-2=0.2 level-2=0.4 bend-2=-2 hold=2 \
         time-3=0.3 level-3=0 bend-3=4",
        0.6,
        1.3,
    ),
    take(
        "multistage",
        "points=5 time-1=0.1 level-1=0.5 bend-1=-3 time-2=0.1 level-2=0.5 time-3=0.08 level-3=1 \
         bend-3=2 hold=3 time-4=0.25 level-4=0.2 bend-4=5 time-5=0.1 level-5=0 bend-5=0",
        0.8,
        1.8,
    ),
    take(
        "multistage",
        "points=2 time-1=0.5 level-1=1 bend-1=1 time-2=0.5 level-2=0 bend-2=-1",
        1.0,
        1.4,
    ),
    take(
        "multistage",
        "points=4 time-1=0.08 level-1=-0.6 bend-1=2 time-2=0.15 level-2=1 bend-2=0 \
         time-3=0.2 level-3=0.2 bend-3=-4 hold=3 time-4=0.1 level-4=0 bend-4=0",
        0.7,
        1.1,
    ),
    take(
        "multistage",
        "points=8 time-1=0.03 level-1=0.8 bend-1=1 time-2=0.06 level-2=0.3 bend-2=3 time-3=0.09 \
         level-3=1 bend-3=-2 time-4=0.12 level-4=0.6 bend-4=0 time-5=0.05 level-5=0.6 \
         time-6=0.07 level-6=0.9 bend-6=2 hold=6 time-7=0.2 level-7=0.25 bend-7=4 time-8=0.15 level-8=0",
        0.7,
        1.4,
    ),
];

/// Time, level and bend of the stages that a key of this length makes.
fn expected(take: &Take) -> Vec<[f64; 3]> {
    use plumbtone_voice::contours::multistage::Setup;
    let settings = Settings::parse("multistage", take.settings).unwrap();
    let setup = settings.lend(Setup::from_values).unwrap();
    let mut stages = Vec::new();
    for (number, point) in (1..).zip(&setup.points[..setup.count]) {
        stages.push([point.time, point.level, point.bend]);
        if number == setup.hold {
            let so_far: f64 = stages.iter().map(|stage| stage[0]).sum();
            stages.push([take.held_s - so_far, point.level, 0.0]);
        }
    }
    stages
}

#[test]
fn points_of_a_multistage_contour_come_back_within_their_uncertainty() {
    for take in MULTISTAGE {
        // The amplitude of a tone has no sign.
        let bipolar = take.settings.contains("=-0.6");
        for way in WAYS.iter().filter(|way| way.tone_hz.is_none() || !bipolar) {
            let sheet = way.grade(&take.render(way.rate_hz));
            let what = format!("{take:?} {way:?}\n{sheet}");
            let want = expected(&take);
            assert_eq!(sheet.stages.len(), want.len() + 1, "{what}");
            for (stage, [time, level, bend]) in sheet.stages.iter().zip(want) {
                let off = (stage.lasts.value - time).abs();
                assert!(off <= 2.0 * stage.lasts.uncertainty + 1e-12, "{time} s: {what}");
                assert!(stage.lasts.uncertainty <= useful(way) * time, "{time} s: {what}");
                let off = (stage.to.value - level).abs();
                assert!(off <= 2.0 * stage.to.uncertainty, "{level}: {what}");
                assert!(stage.to.uncertainty <= useful(way), "{level}: {what}");
                match stage.curve {
                    Curve::Exponential => {
                        let off = (stage.bend.value - bend).abs();
                        assert!(off <= 2.0 * stage.bend.uncertainty, "{bend}: {what}");
                    }
                    _ => assert_eq!(bend, 0.0, "{what}"),
                }
            }
        }
    }
}

#[test]
fn the_settings_printed_make_the_trace_again() {
    for take in ADSR.into_iter().chain(MULTISTAGE) {
        let bipolar = take.settings.contains("=-0.6");
        for way in WAYS.iter().filter(|way| way.tone_hz.is_none() || !bipolar) {
            let want = take.render(way.rate_hz);
            let sheet = way.grade(&want);
            let what = format!("{take:?} {way:?}\n{sheet}");
            for again in [&sheet.multistage, &sheet.adsr] {
                let again = match again {
                    Ok(again) => again,
                    Err(_) if take.module == "multistage" => continue,
                    Err(_) => panic!("{what}"),
                };
                let lead = take.seconds - again.seconds;
                let held = again.hold_s.unwrap_or(again.seconds);
                let text = again.settings_text();
                let got = trace(again.module, &text, way.rate_hz, [lead, held, take.seconds]);
                let power: f64 = got.iter().zip(&want).map(|(a, b)| (a - b).powi(2)).sum();
                let rms = (power / want.len() as f64).sqrt();
                // Half the noise; rounding to the format; corners that fall between two samples,
                // half a sample of a slope of 1/500 for one sample in a thousand. A tone's corner
                // may be off by 0.02 periods, 2 samples, for two periods of the attack.
                let step = match way.format {
                    Format::Int16 => 1.0 / 32_768.0,
                    Format::Int24 => 1.0 / 8_388_608.0,
                    Format::Float32 => 0.0,
                };
                let corner = if way.tone_hz.is_some() { 4e-4 } else { 3e-5 };
                let limit = 0.5 * way.noise + step / way.gain.abs() + corner;
                assert!(rms <= limit, "{}: {rms:e} > {limit:e}\n{what}", again.module);
            }
        }
    }
}

#[test]
fn an_attack_two_percent_longer_reads_two_percent_longer() {
    for way in [WAYS[1], WAYS[4], WAYS[5], WAYS[8]] {
        let attack = |seconds: &str| {
            let text = format!("attack={seconds} decay=0.3 sustain=0.4 release=0.3");
            let trace = trace("adsr", &text, way.rate_hz, [0.1, 0.8, 1.6]);
            figure(way.grade(&trace).adsr.as_ref().unwrap(), "attack")
        };
        let ((short, a), (long, b)) = (attack("0.1"), attack("0.102"));
        assert!(
            (long / short - 1.02).abs() <= 2.0 * a.hypot(b) / short,
            "{way:?}: {short}, {long}"
        );
        // The uncertainties must tell the two apart.
        assert!(long - short > 2.0 * a.hypot(b), "{way:?}: {short} ± {a}, {long} ± {b}");
    }
}

/// A note of the finished panel: a ramp with all its harmonics.
#[test]
fn the_contour_of_a_note_with_harmonics_comes_back() {
    use plumbtone::voice::Shape;
    use plumbtone::{Stimulus, Subject, subject::VoiceTwin};
    let take = ADSR[1];
    let mut samples = vec![0.0; (take.seconds * 44_100.0) as usize];
    let note = Stimulus::note(Shape::Ramp, 220.0, 44_100);
    VoiceTwin::named("spline4", Twin::Fixed).unwrap().render(&note, &mut samples).unwrap();
    let levels = take.render(44_100);
    samples.iter_mut().zip(&levels).for_each(|(sample, level)| *sample *= level);
    let sheet = Way { gain: 0.7, noise: 3e-4, ..PLAIN }.grade(&samples);
    assert!((sheet.tone_hz.unwrap() - 220.0).abs() < 0.5, "{sheet}");
    let again = sheet.adsr.as_ref().unwrap_or_else(|_| panic!("{sheet}"));
    for (name, want) in
        [("attack", 0.05), ("decay", 0.3), ("sustain", 0.25), ("release", 0.6), ("overshoot", 1.3)]
    {
        let (got, wide) = figure(again, name);
        assert!((got - want).abs() <= 2.0 * wide, "{name}: {got} ± {wide}\n{sheet}");
        // 220 Hz blur by 2.4 ms at 40 dB and by 4 ms with the harmonics of a ramp: of 50 ms.
        assert!(wide <= 0.1 * want, "{name}: {got} ± {wide}\n{sheet}");
    }
}

/// A low tone averages over s = 4.4 ms, and time constants of 17 ms come out exp(s²/2T²), 3 %, too
/// high: that has to be taken out again.
#[test]
fn quick_decays_of_a_low_tone_come_back() {
    let way = Way { tone_hz: Some(110.0), noise: 1e-4, ..PLAIN };
    let text = "attack=0.2 decay=0.12 sustain=0.4 release=0.12";
    let sheet = way.grade(&trace("adsr", text, way.rate_hz, [0.1, 0.8, 1.4]));
    let again = sheet.adsr.as_ref().unwrap_or_else(|_| panic!("{sheet}"));
    for (name, want) in [("attack", 0.2), ("decay", 0.12), ("sustain", 0.4), ("release", 0.12)] {
        let (got, wide) = figure(again, name);
        assert!((got - want).abs() <= 2.0 * wide, "{name}: {got} ± {wide}\n{sheet}");
        assert!(wide <= 0.02 * want, "{name}: {got} ± {wide}\n{sheet}");
    }
    assert!((again.hold_s.unwrap() - 0.8).abs() < 2e-4, "{sheet}");
}

/// Attacks of a period or two: the reading may be poor, but it must say so.
#[test]
fn what_the_blur_hides_is_in_the_uncertainty() {
    for attack in ["0", "0.001", "0.002", "0.003", "0.005", "0.008"] {
        for way in [WAYS[5], WAYS[8]] {
            let text = format!("attack={attack} decay=0.2 sustain=0.5 release=0.2");
            let sheet = way.grade(&trace("adsr", &text, way.rate_hz, [0.1, 0.6, 1.2]));
            let again = sheet.adsr.as_ref().unwrap_or_else(|_| panic!("{attack}: {sheet}"));
            let want: f64 = attack.parse().unwrap();
            for (name, want) in
                [("attack", want), ("decay", 0.2), ("sustain", 0.5), ("release", 0.2)]
            {
                let (got, wide) = figure(again, name);
                assert!(
                    (got - want).abs() <= 2.0 * wide,
                    "{attack}, {name}: {got} ± {wide}\n{sheet}"
                );
            }
        }
    }
}

#[test]
fn what_is_said_beforehand_is_taken() {
    let trace = ADSR[1].render(44_100);
    let settings = |text: &[(&str, &str)]| {
        let mut settings = Settings::new();
        for (name, value) in text {
            settings.set("a recorded contour", PARAMETERS, name, value).unwrap();
        }
        settings
    };
    let way = Way { offset: 0.125, ..PLAIN };
    let recording = way.record(&trace);
    let sheet =
        grade::contour(&recording, &settings(&[("full", "0.8"), ("coupling", "dc")])).unwrap();
    assert!(sheet.full_given && !sheet.coupling_found && sheet.schema == SCHEMA);
    // A gain of 0.5 in a full level of 0.8, above the rest of 0.125.
    assert!((sheet.stages[0].to.value - 0.625).abs() < 1e-5, "{sheet}");
    assert!((sheet.zero.value - 0.125).abs() < 1e-6, "{sheet}");
    let low = grade::contour(&recording, &settings(&[("full", "0.4")])).unwrap_err().to_string();
    assert!(low.contains("below the peak of 0.5000"), "{low}");
    let way = Way { tone_hz: Some(440.0), ..PLAIN };
    let sheet = grade::contour(&way.record(&trace), &settings(&[("hz", "441")])).unwrap();
    assert_eq!(sheet.tone_hz, Some(441.0));
    let (attack, wide) = figure(sheet.adsr.as_ref().unwrap(), "attack");
    assert!((attack - 0.05).abs() <= 2.0 * wide, "{sheet}");
}

#[test]
fn the_sheet_fits_a_terminal_and_names_every_stage() {
    for (take, way) in [(ADSR[0], WAYS[4]), (MULTISTAGE[5], WAYS[2]), (ADSR[4], WAYS[7])] {
        let sheet = way.grade(&take.render(way.rate_hz));
        let text = sheet.to_string();
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        let rows = text.lines().filter(|line| line.contains("               ± ")).count();
        assert_eq!(rows, sheet.stages.len(), "{text}");
        assert!(text.contains("plumbtone render multistage --set points="), "{text}");
    }
}

#[test]
fn what_holds_no_contour_is_refused_in_one_line() {
    let recording = |samples: Vec<f64>| Recording {
        samples,
        rate_hz: 48_000,
        channels: 1,
        format: "32-bit float".to_owned(),
        half_step: 1e-8,
    };
    let second = |level: &mut dyn FnMut(f64) -> f64| -> Vec<f64> {
        (0..48_000).map(|n| level(f64::from(n) / 48_000.0)).collect()
    };
    let mut noise = Noise(77);
    let mut broken = vec![0.0; 48_000];
    broken[777] = f64::NAN;
    let cases = [
        ("", second(&mut |_| 0.0), "silent"),
        ("", second(&mut |_| 0.25), "constant"),
        ("", broken, "777"),
        ("", second(&mut |_| 0.1 * noise.draw()), "no tone"),
        ("dc", second(&mut |_| 0.1 * noise.draw()), "the level stays"),
        ("", second(&mut |t| 0.5 * (std::f64::consts::TAU * 440.0 * t).sin()), "the tone keeps"),
        ("", second(&mut |t| (4.0 * t).min(1.0)), "clipped"),
        ("", vec![0.0, 0.1, 0.2, 0.3], "too short"),
        ("tone", second(&mut |t| t.min(0.5)), "no tone"),
    ];
    for (coupling, samples, word) in cases {
        let mut settings = Settings::new();
        if !coupling.is_empty() {
            settings.set("a recorded contour", PARAMETERS, "coupling", coupling).unwrap();
        }
        let text = match grade::contour(&recording(samples), &settings) {
            Ok(sheet) => panic!("{word}: {sheet}"),
            Err(error) => error.to_string(),
        };
        assert!(text.contains(word) && !text.contains('\n'), "{word}: {text}");
    }
}
