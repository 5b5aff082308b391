//! The whole voice: twins and stages, events, scores, presets.

use crate::common::{CYCLE, LSB};
use plumbtone::instrument::{Stages, Wire, presets};
use plumbtone::measure::pitch::{Model, Pitch};
use plumbtone::settings::Settings;
use plumbtone::{
    Error, InstrumentTwin, Kind, Score, SettingsCheck, Stage, StagedVoice, Twin, Verdict,
};
use plumbtone_voice::instruments::ENTRIES;
use plumbtone_voice::{Event, Instrument, Parameter, Rate};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const RATE_HZ: u32 = 44_100;
const TWINS: [Twin; 2] = [Twin::Float, Twin::Fixed];

fn settings(text: &str) -> Settings {
    Settings::parse("tideorgan", text).unwrap()
}

fn firmware(twin: Twin, score: &Score, settings: &Settings) -> Vec<i16> {
    InstrumentTwin::named("tideorgan", twin).unwrap().render(score, settings).unwrap()
}

fn captured(twin: Twin, score: &Score, settings: &Settings, wire: Wire) -> Vec<f64> {
    let stages = Stages::all(twin);
    let mut played = StagedVoice::render(score, settings, stages, &[wire]).unwrap();
    played.captures.remove(0).1
}

/// Two keys that overlap, a wheel, both controls, and enough time to fall silent.
fn phrase() -> Score {
    let at = |seconds: f64| (seconds * f64::from(RATE_HZ)) as usize;
    Score::new(RATE_HZ, at(6.5))
        .down(at(0.02), 45)
        .down(at(0.5), 57)
        .bend(at(0.7), 10_000)
        .up(at(0.8), 45)
        .cutoff(at(0.9), 11_000)
        .level(at(1.0), 14_000)
        .up(at(1.2), 57)
        .down(at(1.3), 81)
        .up(at(1.6), 81)
}

#[test]
fn stages_of_one_twin_have_the_bits_of_its_firmware() {
    let score = phrase();
    for preset in presets().unwrap() {
        for twin in TWINS {
            let stages = Stages::all(twin);
            let staged = StagedVoice::render(&score, &preset.settings, stages, &[]).unwrap();
            let whole = firmware(twin, &score, &preset.settings);
            assert!(staged.samples == whole, "{} {twin:?}", preset.name);
        }
    }
}

/// Every stage counts: swapped alone, it changes something behind it.
#[test]
fn a_stage_can_be_swapped_alone() {
    let score = Score { length: 30_000, ..phrase() };
    let settings =
        settings("lfo-shape=sine pitch-lfo=20 filter-contour=2 filter-lfo=0.3 glide=0.1");
    let wires = Wire::ALL;
    let play = |stages| StagedVoice::render(&score, &settings, stages, &wires).unwrap();
    let float = play(Stages::all(Twin::Float));
    for stage in Stage::ALL {
        let stages = Stages::all(Twin::Float).with(stage, Twin::Fixed);
        assert_eq!(stages.of(stage), Twin::Fixed);
        let swapped = play(stages);
        let mut own = false;
        for ((wire, with), (_, without)) in swapped.captures.iter().zip(&float.captures) {
            let differs = with != without;
            if wire.stage() == stage {
                own |= differs;
            } else if wire.stage() < stage {
                assert!(!differs, "{}: {wire:?} runs before it", stage.name());
            }
        }
        // Without dither, 16 bits of one sound are the same in both twins but on a tie.
        assert!(own || stage == Stage::Output, "{} changes nothing", stage.name());
    }
}

/// Equal temperament, A4 = 440 Hz: the law's rounding is the limit.
#[test]
fn tideorgan_is_in_tune_over_the_keyboard() {
    let mut meter = Pitch::new();
    let settings =
        settings("shape-a=triangle cutoff=20000 level-attack=0 level-decay=0 level-sustain=1");
    let rate_hz = f64::from(RATE_HZ);
    for key in (21..=108).step_by(7).chain([60, 69, 108]) {
        let hz = 440.0 * ((f64::from(key) - 69.0) / 12.0).exp2();
        let score = Score::new(RATE_HZ, 2 * 44_100).down(0, key as u8);
        for twin in TWINS {
            let out = firmware(twin, &score, &settings);
            let heard: Vec<f64> =
                out[4_410..].iter().map(|sample| f64::from(*sample) / 32_768.0).collect();
            let reading = meter.estimate(&heard, rate_hz, Some(hz), &Model::default()).unwrap();
            let cents = reading.cents_from(hz);
            // Half a step of this increment and of A4's, and what exponential and octaves cost:
            // 2.7e-4 and 7e-4 cent in float, 1.3e-4 cent and two halves of 2^-26 octave in fixed.
            let step = 1200.0 / std::f64::consts::LN_2 * 0.5 * rate_hz / CYCLE;
            let law = if twin == Twin::Float { 9.7e-4 } else { 1.3e-4 + 1200.0 / 67_108_864.0 };
            let limit = step / hz + step / 440.0 + law;
            assert!(
                cents.value.abs() <= limit + cents.uncertainty,
                "key {key} {twin:?}: {} ± {} cents, limit {limit}",
                cents.value,
                cents.uncertainty
            );
            // The meter must be able to tell.
            assert!(cents.uncertainty <= 0.05, "key {key}: ± {}", cents.uncertainty);
        }
    }
}

/// Increment at a sample, as octaves from A4.
fn octaves(increments: &[f64], sample: usize) -> f64 {
    (increments[sample] * f64::from(RATE_HZ) / CYCLE / 440.0).log2()
}

/// Semitones from A4, to the cent.
fn sounds(increments: &[f64], sample: usize, key: i32) {
    let off = 12.0 * octaves(increments, sample) - f64::from(key - 69);
    assert!(off.abs() < 0.01, "sample {sample}: {off} semitones from key {key}");
}

#[test]
fn the_key_that_sounds_is_the_one_that_the_priority_names() {
    let score = Score::new(RATE_HZ, 5_000)
        .down(0, 60)
        .down(1_000, 67)
        .down(2_000, 55)
        .up(3_000, 55)
        .up(4_000, 67);
    for (priority, keys) in [
        ("low", [60, 60, 55, 60, 60]),
        ("high", [60, 67, 67, 67, 60]),
        ("last", [60, 67, 55, 67, 60]),
    ] {
        for twin in TWINS {
            let settings = settings(&format!("priority={priority}"));
            let increments = captured(twin, &score, &settings, Wire::IncrementA);
            for (nth, key) in keys.into_iter().enumerate() {
                sounds(&increments, 1_000 * nth + 500, key);
            }
        }
    }
}

/// An event counts at its sample, or at the next block where they wait.
#[test]
fn events_take_effect_at_their_sample_or_block() {
    let settings = settings("level-attack=0 level-decay=0 level-sustain=1 level-release=0");
    let score = Score::new(RATE_HZ, 2_000).down(300, 69).bend(777, 0).up(1_000, 69);
    for twin in TWINS {
        for (score, [down, bend, up]) in
            [(score.clone(), [300, 777, 1_000]), (score.clone().in_blocks(128), [384, 896, 1_024])]
        {
            let contour = captured(twin, &score, &settings, Wire::LevelContour);
            let on = |level: &f64| *level > 0.5;
            assert_eq!(contour.iter().position(on), Some(down), "{twin:?}");
            assert_eq!(contour.iter().rposition(on), Some(up - 1), "{twin:?}");
            let increments = captured(twin, &score, &settings, Wire::IncrementA);
            sounds(&increments, bend - 1, 69);
            sounds(&increments, bend, 67);
            let out = firmware(twin, &score, &settings);
            assert!(out[..down].iter().all(|sample| *sample == 0), "{twin:?}");
            assert!(out[up..].iter().all(|sample| *sample == 0), "{twin:?}");
            assert!(out[down..up].iter().filter(|sample| **sample != 0).count() > 500);
        }
    }
}

/// Nothing changes before an event, everything that it controls does after it.
#[test]
fn controls_move_what_they_are_for() {
    let base = "level-attack=0 level-sustain=1 filter-control=12 cutoff=400 bend-range=12";
    let settings = settings(base);
    for twin in TWINS {
        let read = |event: Event, wire: Wire, sample: usize| {
            let score = Score::new(RATE_HZ, 8_000).down(0, 69).event(2_000, event);
            captured(twin, &score, &settings, wire)[sample]
        };
        let octave = |wire, event| (read(event, wire, 7_000) / read(event, wire, 1_000)).log2();
        // The top code is 1/8192 short of the range; 1e-6 octave is 1.2e-3 cent.
        let top = 8_191.0 / 8_192.0;
        for (event, wire, expected) in [
            (Event::Bend { code: 0 }, Wire::IncrementA, -1.0),
            (Event::Bend { code: 16_383 }, Wire::IncrementB, top),
            (Event::Cutoff { code: 0 }, Wire::Cutoff, -1.0),
            (Event::Cutoff { code: 16_383 }, Wire::Cutoff, top),
        ] {
            let got = octave(wire, event);
            assert!((got - expected).abs() <= 1e-6, "{twin:?} {event:?}: {got}");
        }
        // 24 time constants after the event: the rest is e^-24.
        let ratio = |code: u16| {
            let sample = 2_000 + 5_292;
            read(Event::Level { code }, Wire::Amplified, sample)
                / read(Event::Level { code }, Wire::Blocked, sample)
        };
        for code in [16_383, 8_192, 100] {
            let expected = f64::from(code) / 16_383.0;
            assert!((ratio(code) - expected).abs() <= 1e-6, "{twin:?} {code}: {}", ratio(code));
        }
    }
}

/// Tracking, contour and low-frequency oscillator, each by the octaves that its parameter names.
#[test]
fn depths_are_what_their_parameters_say() {
    let settings = settings(
        "cutoff=300 filter-tracking=50 filter-pivot=60 filter-contour=2 filter-attack=0 \
         filter-decay=0 filter-sustain=0.5 lfo-shape=pulse lfo-hz=1 filter-lfo=0.25 pitch-lfo=100",
    );
    let score = Score::new(RATE_HZ, 40_000).down(100, 72).up(39_000, 72);
    for twin in TWINS {
        let cutoff = captured(twin, &score, &settings, Wire::Cutoff);
        let increments = captured(twin, &score, &settings, Wire::IncrementA);
        // The pulse is up for half a second, then down.
        for (sample, lfo) in [(1_000, 1.0), (30_000, -1.0)] {
            let octaves = (cutoff[sample] * f64::from(RATE_HZ) / CYCLE / 300.0).log2();
            let expected = 0.5 + 2.0 * 0.5 + 0.25 * lfo;
            assert!((octaves - expected).abs() <= 1e-6, "{twin:?} {sample}: {octaves}");
            sounds(&increments, sample, 72 + lfo as i32);
        }
    }
}

/// The second oscillator: its interval, and its restart with the first.
#[test]
fn sync_gives_the_second_oscillator_the_period_of_the_first() {
    let hold = "level-attack=0 level-sustain=1 interval=7 detune=13";
    // 44100/100: an A4 tuned so that its period is not whole would repeat only nearly.
    let score = Score::new(RATE_HZ, 44_100).down(0, 69);
    for twin in TWINS {
        let b =
            |sync: &str| captured(twin, &score, &settings(&format!("{hold} sync={sync}")), Wire::B);
        let hz = |samples: &[f64], target: f64| {
            let model = Model::default();
            Pitch::new().estimate(samples, f64::from(RATE_HZ), Some(target), &model).unwrap().hz
        };
        let free = 440.0 * (7.13_f64 / 12.0).exp2();
        assert!((hz(&b("off"), free) / free - 1.0).abs() < 1e-6, "{twin:?}");
        assert!((hz(&b("on"), 440.0) / 440.0 - 1.0).abs() < 1e-6, "{twin:?}");
    }
}

/// y = plain + blend (pulse − plain), sample by sample.
#[test]
fn a_blend_lies_between_its_shapes() {
    let score = Score::new(RATE_HZ, 3_000).down(0, 50);
    for twin in TWINS {
        let a = |text: &str| captured(twin, &score, &settings(text), Wire::A);
        let (ramp, pulse) = (a("width-a=0.3"), a("shape-a=pulse width-a=0.3"));
        let blended = a("width-a=0.3 blend-a=0.25");
        for (n, blend) in blended.iter().enumerate() {
            let expected = 0.75 * ramp[n] + 0.25 * pulse[n];
            // Three roundings of f32 below 1.
            assert!((blend - expected).abs() <= 3.0 * 2_f64.powi(-24), "{twin:?} {n}");
        }
    }
}

/// A standard MIDI file written by hand from the specification (Standard MIDI Files 1.0, from
/// memory): format 1, 96 ticks to the beat, a tempo track and a note track.
fn midi() -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06\0\x01\0\x02\0\x60".to_vec();
    let mut track = |events: &[&[u8]]| {
        let body = events.concat();
        file.extend(b"MTrk");
        file.extend((body.len() as u32).to_be_bytes());
        file.extend(body);
    };
    track(&[
        // 120 beats a minute, and from beat 2 on 60.
        b"\x00\xFF\x51\x03\x07\xA1\x20",
        b"\x81\x40\xFF\x51\x03\x0F\x42\x40",
        b"\x00\xFF\x2F\x00",
    ]);
    track(&[
        b"\x00\x90\x39\x64", // 0 s: key 57 down
        b"\x60\x90\x3C\x40", // beat 1, 0.5 s: key 60 down
        b"\x30\x3C\x00",     // beat 1½, 0.75 s: key 60, velocity 0, running status
        b"\x30\xE0\x00\x60", // beat 2, 1 s: bend 0x60 · 128 = 12288
        b"\x60\xB0\x07\x40", // beat 3, 2 s: level 64 · 129 = 8256
        b"\x00\xB0\x4A\x20", // cutoff 32 · 128 = 4096
        b"\x00\xB0\x40\x7F", // a pedal, which no panel has
        b"\x30\x90\x43\x64", // beat 3½, 2.5 s: key 67 down
        b"\x30\xB0\x7B\x00", // beat 4, 3 s: all notes off
        b"\x00\xFF\x2F\x00",
    ]);
    file
}

const TEXT: &str = "\
# the same by hand
0     down 57
0.5   down 60
0.75  up 60      # let go
1     bend 12288

2     level 8256
2     cutoff 4096
2.5   down 67
3     up 57
3     up 67
5     end
";

#[test]
fn midi_and_text_say_the_same() {
    for rate_hz in [44_100, 48_000, 96_000] {
        let text = Score::from_text(TEXT, "by hand", rate_hz).unwrap();
        let file = Score::from_midi(&midi(), "file", rate_hz).unwrap();
        assert_eq!(text, file);
        // Two seconds after the last event when nothing is said.
        let open = Score::from_text(&TEXT.replace("5     end\n", ""), "open", rate_hz).unwrap();
        assert_eq!(open, text);
        assert_eq!(text.length, 5 * rate_hz as usize);
        assert_eq!(text.events[2], (3 * rate_hz as usize / 4, Event::Up { key: 60 }));
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in [("a.txt", TEXT.as_bytes().to_vec()), ("a.mid", midi())] {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        assert_eq!(Score::read(&path, 48_000).unwrap().events.len(), 9);
    }
}

/// Time code: 25 frames of 40 ticks are milliseconds, and no tempo counts.
#[test]
fn midi_ticks_may_divide_a_second() {
    let mut file = midi();
    file[12..14].copy_from_slice(&[0xE7, 40]);
    let score = Score::from_midi(&file, "file", 48_000).unwrap();
    // Key 60 after 96 ticks, cutoff after 96 + 48 + 48 + 96.
    assert_eq!(score.events[1], (96 * 48, Event::Down { key: 60 }));
    assert_eq!(score.events[5], (288 * 48, Event::Cutoff { code: 4096 }));
}

#[test]
fn damaged_scores_say_what_and_where() {
    let message = |error: Result<Score, Error>| error.unwrap_err().to_string();
    for (text, expected) in [
        ("0 down 57\n0.5 dwon 60", "ebb.txt, line 2: `dwon` is no event: choose from down, up"),
        ("\n# x\n0 down 128", "ebb.txt, line 3: down `128`: give a whole number, 0 to 127"),
        ("0 bend 16384", "line 1: bend `16384`: give a whole number, 0 to 16383"),
        ("0 bend -1", "line 1: bend `-1`"),
        ("0 down", "line 1: down ``: give a whole number"),
        ("0", "line 1: says no event"),
        ("0 down 57 90", "line 1: `90` is one word too many"),
        ("soon down 57", "line 1: `soon` is no time: give 0 to 3600 s"),
        ("-1 down 57", "line 1: `-1` is no time"),
        ("nan down 57", "line 1: `nan` is no time"),
        ("1 down 57\n0.5 up 57", "line 2: 0.5 s goes back behind 1 s"),
        ("1 down 57\n2 end\n3 up 57", "line 3: comes after the end"),
        ("1 down 57\n2 end 3", "line 2: `end` takes no value"),
        ("0 down 57\n0 end", "line 2: ends before it begins"),
        ("# nothing", "ebb.txt: holds no events"),
    ] {
        let got = message(Score::from_text(text, "ebb.txt", 44_100));
        assert!(got.contains(expected), "{text:?}: {got}");
        assert!(!got.contains('\n'), "{got}");
    }
    let file = midi();
    let mut songs = file.clone();
    songs[9] = 2;
    let mut frames = file.clone();
    frames[12] = 0x80;
    // The tempo track alone.
    let mut tempo = file[..14 + 27].to_vec();
    tempo[11] = 1;
    for (bytes, expected) in [
        (&file[..30], "damaged"),
        (&file[..file.len() - 3], "damaged"),
        (&songs[..], "format 2"),
        (&file[..0], "damaged"),
        (&file[..14], "damaged"),
        (&tempo[..], "holds no notes"),
        (&frames[..], "damaged (header)"),
    ] {
        let got = message(Score::from_midi(bytes, "ebb.mid", 44_100));
        assert!(got.starts_with("ebb.mid: ") && got.contains(expected), "{got}");
    }
    assert!(Score::from_text(TEXT, "ebb.txt", 4_000).is_err());
}

/// Whatever the bytes: an error or a score, no panic.
#[test]
fn no_file_makes_the_reader_panic() {
    let file = midi();
    for cut in 0..file.len() {
        let _ = Score::from_midi(&file[..cut], "cut", 44_100);
        for value in 0..=255 {
            let mut file = file.clone();
            file[cut] = value;
            let _ = Score::from_midi(&file, "bent", 44_100);
        }
    }
}

#[test]
fn every_preset_sounds_stays_below_full_scale_and_falls_silent_or_says_why_not() {
    let score = phrase();
    let presets = presets().unwrap();
    let panels: Vec<u8> = presets.iter().map(|preset| preset.panel).collect();
    assert_eq!(panels, (1..=12).collect::<Vec<u8>>());
    for preset in presets {
        assert_eq!(preset.instrument, "tideorgan");
        for twin in TWINS {
            let out = firmware(twin, &score, &preset.settings);
            let peak = out.iter().map(|sample| i32::from(*sample).abs()).max().unwrap();
            // −30 dBFS: nobody would take it for silence.
            assert!((1_036..32_767).contains(&peak), "{} {twin:?}: peak {peak}", preset.name);
            let end = &out[out.len() - 4_410..];
            let rest = end.iter().map(|sample| i32::from(*sample).abs()).max().unwrap();
            match preset.whispers {
                None => assert_eq!(rest, 0, "{} {twin:?}", preset.name),
                // Dither alone: one step either way.
                Some(_) => assert_eq!(rest, 1, "{} {twin:?}", preset.name),
            }
        }
        // Nothing saturates on the way either.
        let stages = Stages::all(Twin::Fixed);
        let played = StagedVoice::render(&score, &preset.settings, stages, &[]).unwrap();
        for (stage, count) in played.saturated {
            assert_eq!(count, 0, "{}: {}", preset.name, stage.name());
        }
    }
}

/// Beyond the edge the linear ladder swings between its limits: the fixed twin's output saturates
/// and is counted at the ladder, and again behind it; the mixer has headroom and is not.
#[test]
fn saturations_are_counted_where_they_happen() {
    let settings = settings("resonance=1.2 cutoff=800 level-attack=0 level-sustain=1");
    let score = Score::new(RATE_HZ, 20_000).down(0, 57);
    let wires = [Wire::Filtered, Wire::Blocked];
    let played = StagedVoice::render(&score, &settings, Stages::all(Twin::Fixed), &wires).unwrap();
    let limit = |value: &&f64| **value == -1.0 || **value > 1.0 - 1.5 * LSB;
    let at_limit = |wire: usize| played.captures[wire].1.iter().filter(limit).count();
    let [filtered, blocked] = [at_limit(0), at_limit(1)];
    assert!(filtered > 1_000 && blocked > 1_000, "{filtered} {blocked}");
    // The nearest of 16 bits is full scale from half a step below it on; the amplifier is a unit
    // below 1.
    let step = 1.0 / 32_768.0;
    let full = |value: &&f64| **value < -1.0 + 0.5 * step || **value >= 1.0 - 1.5 * step;
    let full = played.captures[1].1.iter().filter(full).count();
    for (stage, count) in played.saturated {
        match stage {
            Stage::Filter => assert_eq!(count, filtered),
            Stage::Blocker => assert_eq!(count, blocked),
            Stage::Output => assert_eq!(count, full),
            _ => assert_eq!(count, 0, "{}", stage.name()),
        }
    }
}

#[test]
fn the_whole_has_no_exact_evaluation_and_says_so() {
    let error = InstrumentTwin::named("tideorgan", Twin::Exact).unwrap_err().to_string();
    assert!(error.contains("choose float or fixed"), "{error}");
    let error = InstrumentTwin::named("tidorgan", Twin::Float).unwrap_err().to_string();
    assert!(error.contains("choose from tideorgan"), "{error}");
}

fn seeded(cases: u32) -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(600);
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() }
}

/// Any value of a parameter, its ends included; times so short that something happens.
fn value(parameter: &'static Parameter) -> impl Strategy<Value = (&'static str, f64)> {
    let max = if parameter.unit == "s" { 0.05 } else { parameter.max };
    let whole = parameter.whole;
    let ends = prop_oneof![6 => 0.0..=1.0, 1 => Just(0.0), 1 => Just(1.0)];
    ends.prop_map(move |t: f64| {
        let value = parameter.min + t * (max - parameter.min);
        (parameter.name, if whole { value.round() } else { value })
    })
}

fn any_settings() -> impl Strategy<Value = Vec<(&'static str, f64)>> {
    let all: Vec<_> = ENTRIES[0].parameters.iter().map(value).collect();
    (all, proptest::collection::vec(any::<bool>(), ENTRIES[0].parameters.len())).prop_map(
        |(values, given)| {
            values.into_iter().zip(given).filter(|(_, given)| *given).map(|(v, _)| v).collect()
        },
    )
}

fn any_event() -> impl Strategy<Value = Event> {
    prop_oneof![
        4 => any::<u8>().prop_map(|key| Event::Down { key }),
        2 => any::<u8>().prop_map(|key| Event::Up { key }),
        1 => any::<u16>().prop_map(|code| Event::Bend { code }),
        1 => any::<u16>().prop_map(|code| Event::Level { code }),
        1 => any::<u16>().prop_map(|code| Event::Cutoff { code }),
    ]
}

fn any_score() -> impl Strategy<Value = Vec<(Event, Vec<usize>)>> {
    let blocks = proptest::collection::vec(0..60_usize, 1..6);
    proptest::collection::vec((any_event(), blocks), 1..10)
}

/// The settings as a plan would name them.
fn named(pairs: &[(&'static str, f64)]) -> Settings {
    let entry = &ENTRIES[0];
    let mut settings = Settings::new();
    for (name, value) in pairs {
        let parameter = entry.parameters.iter().find(|p| p.name == *name).unwrap();
        let text = match parameter.choices {
            [] => value.to_string(),
            words => words[*value as usize].to_owned(),
        };
        settings.set(entry.name, entry.parameters, name, &text).unwrap();
    }
    settings
}

proptest! {
    #![proptest_config(seeded(4096))]

    /// Several bytes at once: a wild time division, lengths that do not fit, huge delta times.
    #[test]
    fn no_wild_file_makes_the_reader_panic(
        changes in proptest::collection::vec((0..110_usize, any::<u8>()), 2..12),
    ) {
        let mut file = midi();
        for (at, value) in changes {
            let at = at % file.len();
            file[at] = value;
        }
        if let Ok(score) = Score::from_midi(&file, "wild", 48_000) {
            let last = score.events.last().map_or(0, |(sample, _)| *sample);
            prop_assert!(score.events.is_sorted_by_key(|(sample, _)| *sample));
            prop_assert!(last <= 3_600 * 48_000 && score.length == last + 96_000);
        }
    }
}

fn check(twin: Twin) -> SettingsCheck {
    plumbtone::instrument::twin("tideorgan", twin).unwrap()
}

/// At rates at which a period of the phrase could pass for a lag.
#[test]
fn twins_drift_no_further_than_their_pitch_laws_let_them() {
    for (preset, rate_hz) in
        [("lock-gate", 48_000), ("slack-water", 48_000), ("sea-breeze", 176_400), ("gull", 192_000)]
    {
        let lag = check(Twin::Fixed).presets([preset]).unwrap().rates([rate_hz]);
        lag.derived(Kind::Lag).assert();
    }
}

/// Both ways round, and below unison as well as above.
#[test]
fn twins_are_held_against_each_other_and_beat_as_they_are_detuned() {
    for twin in TWINS {
        let reed = check(twin).setting("detune=-7 gain-b=1 tune=50").unwrap().rates([44_100]);
        reed.derived(Kind::Beat)
            .limit(Kind::Residual, -116.0)
            .limit(Kind::Leakage, -70.0)
            .limit(Kind::Bending, 1.0)
            .assert();
    }
}

/// Two silent voices agree in everything, and prove nothing.
#[test]
fn silence_is_no_agreement() {
    let mute = check(Twin::Fixed).setting("level=0").unwrap().rates([44_100]);
    for kind in [Kind::Residual, Kind::Lag, Kind::Stages] {
        let results = mute.clone().limit(kind, 0.0).run().unwrap();
        assert_eq!(results.findings[0].verdict, Verdict::CannotMeasure, "{kind}");
    }
}

/// A limit on silence is waited for, and what is not silent then is later than that.
#[test]
fn a_voice_that_whispers_on_is_too_late_to_be_silent() {
    let gull = check(Twin::Fixed).presets(["gull"]).unwrap().rates([44_100]);
    let results = gull.limit(Kind::Silence, 15.0).run().unwrap();
    let case = results.findings[0].worst_case().unwrap();
    assert_eq!(results.findings[0].verdict, Verdict::Fail);
    assert!(case.value.unwrap() > 15.0);
}

#[test]
fn presets_stay_with_their_instrument_and_keep_their_name_while_unchanged() {
    let refused = plumbtone::control::twin("adsr", Twin::Fixed).unwrap().presets(["foghorn"]);
    assert!(refused.err().unwrap().to_string().contains("one of `tideorgan`"));
    let foghorn = plumbtone::Preset::named("foghorn").unwrap().settings;
    assert_eq!(foghorn.to_string(), "foghorn");
    let changed = foghorn.with("tideorgan", "resonance=0.5").unwrap().to_string();
    assert!(changed.ends_with("resonance=0.5") && changed != "foghorn", "{changed}");
}

proptest! {
    #![proptest_config(seeded(96))]

    #[test]
    fn any_partition_into_blocks_gives_the_same_bits(
        pairs in any_settings(),
        score in any_score(),
        rate_hz in 8_000..=192_000_u32,
    ) {
        let values = plumbtone_voice::Values(&pairs);
        let rate = Rate::new(rate_hz).unwrap();
        for lend in [ENTRIES[0].float, ENTRIES[0].fixed] {
            let play = |single: bool| {
                let mut out = Vec::new();
                let mut perform = |instrument: &mut dyn Instrument| {
                    for (event, blocks) in &score {
                        instrument.event(*event);
                        for &length in blocks {
                            let start = out.len();
                            out.resize(start + length, 0);
                            if single {
                                out[start..].fill_with(|| instrument.tick());
                            } else {
                                instrument.process(&mut out[start..]);
                            }
                        }
                    }
                };
                lend(rate, &values, &mut perform).unwrap();
                out
            };
            prop_assert_eq!(play(false), play(true));
        }
    }

    /// Every wire stays finite and within what its format or its loop holds.
    #[test]
    fn every_wire_is_bounded_whatever_is_set_and_played(
        pairs in any_settings(),
        score in any_score(),
        rate_hz in 8_000..=192_000_u32,
    ) {
        let settings = named(&pairs);
        for twin in TWINS {
            let mut voice = StagedVoice::new(rate_hz, &settings, Stages::all(twin)).unwrap();
            for (event, blocks) in &score {
                voice.event(*event);
                for _ in 0..blocks.iter().sum() {
                    voice.tick();
                    for wire in Wire::ALL {
                        let bound = match wire {
                            Wire::IncrementA | Wire::IncrementB | Wire::Cutoff => CYCLE / 2.0,
                            // The float ladder's loop holds 16, its mixes sum to 16 of that.
                            Wire::Filtered if twin == Twin::Float => 256.0,
                            // A blocker gives at most a step and what it leaks of it.
                            Wire::Blocked | Wire::Amplified if twin == Twin::Float => 512.0,
                            _ => 1.0,
                        };
                        let value = voice.wire(wire);
                        prop_assert!(value.abs() <= bound, "{twin:?} {wire:?}: {value}");
                    }
                }
            }
        }
    }
}
