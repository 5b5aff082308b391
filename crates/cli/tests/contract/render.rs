use plumbtone::voice::Shape;

use crate::{folder, run};

/// Chunks of a RIFF file by name (Multimedia Programming Interface and Data Specifications 1.0,
/// 1991), without the reader that the bench uses.
pub fn chunk<'a>(file: &'a [u8], name: &[u8; 4]) -> &'a [u8] {
    assert_eq!((&file[..4], &file[8..12]), (&b"RIFF"[..], &b"WAVE"[..]));
    assert_eq!(u32_at(file, 4) as usize + 8, file.len(), "RIFF size");
    let mut at = 12;
    while at < file.len() {
        let size = u32_at(file, at + 4) as usize;
        if &file[at..at + 4] == name {
            return &file[at + 8..at + 8 + size];
        }
        at += 8 + size + size % 2;
    }
    panic!("no chunk {name:?}");
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes(bytes[at..at + 2].try_into().expect("two bytes"))
}

#[test]
fn header_and_peak_are_right_in_every_format() {
    let folder = folder();
    // Peak of -12 dBFS: 10^(-12/20) = 0.251189.
    let peak = 10_f64.powf(-0.6);
    for (bits, tag, bytes) in [("16", 1, 2), ("24", 1, 3), ("32f", 3, 4)] {
        let args = [
            "render",
            "spline4",
            "--bits",
            bits,
            "--rate",
            "48000",
            "--seconds",
            "0.5",
            "-o",
            "a.wav",
        ];
        let (status, stdout, stderr) = run(&folder, &args);
        assert_eq!((status, stdout.as_str()), (0, ""), "{stderr}");
        assert!(stderr.contains("monitor turned down"), "{stderr}");
        assert!(stderr.contains("-12 dBFS"), "{stderr}");
        let file = std::fs::read(folder.path().join("a.wav")).expect("the file");
        let format = chunk(&file, b"fmt ");
        // An extensible format carries the tag at the head of its sub-format.
        let extensible = u16_at(format, 0) == 0xFFFE;
        assert_eq!(if extensible { u16_at(format, 24) } else { u16_at(format, 0) }, tag);
        assert_eq!(u16_at(format, 2), 1, "channels");
        assert_eq!(u32_at(format, 4), 48_000, "rate");
        assert_eq!(u32_at(format, 8), 48_000 * bytes, "bytes per second");
        assert_eq!(u32::from(u16_at(format, 12)), bytes, "bytes per frame");
        assert_eq!(u32::from(u16_at(format, 14)), 8 * bytes, "bits");
        let data = chunk(&file, b"data");
        assert_eq!(data.len(), 24_000 * bytes as usize);
        let largest = data
            .chunks_exact(bytes as usize)
            .map(|sample| match *sample {
                [a, b] => f64::from(i16::from_le_bytes([a, b])) / 32_768.0,
                [a, b, c] => f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0,
                [a, b, c, d] => f64::from(f32::from_le_bytes([a, b, c, d])),
                _ => unreachable!("two to four bytes"),
            })
            .fold(0.0_f64, |largest, sample| largest.max(sample.abs()));
        // Half a step of 16 bits.
        assert!((largest - peak).abs() <= 0.5 / 32_768.0, "{bits}: {largest}");
    }
}

#[test]
fn same_bits_every_time_and_different_ones_from_the_other_twin() {
    let folder = folder();
    let render = |name: &str, twin: &str| {
        let args = [
            "render",
            "diffpoly3",
            "--twin",
            twin,
            "--set",
            "hz=110",
            "--set",
            "shape=pulse",
            "--set",
            "width=0.3",
            "--bits",
            "32f",
            "--seconds",
            "0.2",
            "-o",
            name,
        ];
        assert_eq!(run(&folder, &args).0, 0);
        std::fs::read(folder.path().join(name)).expect("the file")
    };
    assert!(render("a.wav", "float") == render("b.wav", "float"));
    assert!(render("a.wav", "float") != render("c.wav", "fixed"));
}

#[test]
fn sounds_at_the_frequency_asked_for() {
    let folder = folder();
    let args = [
        "render",
        "naive",
        "--set",
        "hz=1000",
        "--set",
        "shape=pulse",
        "--rate",
        "8000",
        "--seconds",
        "1",
        "-o",
        "a.wav",
    ];
    assert_eq!(run(&folder, &args).0, 0);
    let file = std::fs::read(folder.path().join("a.wav")).expect("the file");
    // 1000 Hz at 8000 Hz: four samples up, four down.
    let signs: Vec<bool> = chunk(&file, b"data").chunks_exact(2).map(|s| s[1] < 0x80).collect();
    for (n, &up) in signs.iter().enumerate() {
        assert_eq!(up, n % 8 < 4, "sample {n}");
    }
}

#[test]
fn every_module_renders_with_every_setting_that_it_lists() {
    let folder = folder();
    for entry in plumbtone::voice::oscillators::ENTRIES {
        let mut set: Vec<String> =
            entry.parameters.iter().map(|p| format!("{}={}", p.name, p.default)).collect();
        if entry.shapes.contains(&Shape::Pulse) {
            // The width belongs to the pulse.
            set.push("shape=pulse".to_owned());
        }
        let mut args = vec!["render", entry.name, "--seconds", "0.01", "-o", "a.wav"];
        for set in &set {
            args.extend(["--set", set]);
        }
        for twin in ["float", "fixed"] {
            let args = [&args[..], &["--twin", twin]].concat();
            let (status, _, stderr) = run(&folder, &args);
            assert_eq!(status, 0, "{args:?}: {stderr}");
        }
    }
}

#[test]
fn a_seed_changes_the_noise() {
    let folder = folder();
    let render = |seed: &str| {
        let args = ["render", "white", "--set", seed, "--seconds", "0.01", "-o", "a.wav"];
        assert_eq!(run(&folder, &args).0, 0);
        std::fs::read(folder.path().join("a.wav")).expect("the file")
    };
    assert!(render("seed=1") != render("seed=2"));
}

/// Samples of a 16-bit mono file, full scale = 1.0.
pub fn samples(file: &[u8]) -> Vec<f64> {
    let data = chunk(file, b"data");
    data.chunks(2)
        .map(|pair| f64::from(i16::from_le_bytes([pair[0], pair[1]])) / 32_768.0)
        .collect()
}

/// A contour as it is: 0 at first, its peak after the attack, its sustain, 0 in the end.
#[test]
fn a_contour_is_written_down_to_zero_hertz() {
    let folder = folder();
    let args = ["render", "adsr", "--twin", "fixed", "--set", "attack=0.1", "--set", "decay=0.1"];
    let rest = ["--set", "sustain=0.25", "--set", "release=0.05", "--hold", "0.6", "-o", "a.wav"];
    let (status, _, stderr) = run(&folder, &[&args[..], &rest[..]].concat());
    assert_eq!(status, 0, "{stderr}");
    let trace = samples(&std::fs::read(folder.path().join("a.wav")).expect("written"));
    assert_eq!(trace.len(), 88_200);
    let peak = 10_f64.powf(-0.6);
    let step = 1.0 / 32_768.0;
    for (sample, level) in [(0, 0.0), (4_410, 1.0), (26_000, 0.25), (88_199, 0.0)] {
        assert!((trace[sample] - level * peak).abs() <= step, "{sample}: {}", trace[sample]);
    }
}

#[test]
fn a_glide_is_heard_on_a_sine_that_moves_an_octave() {
    let folder = folder();
    let args = ["render", "glide", "--set", "time=0.2", "--tone", "880", "-o", "a.wav"];
    let (status, _, stderr) = run(&folder, &args);
    assert_eq!(status, 0, "{stderr}");
    let trace = samples(&std::fs::read(folder.path().join("a.wav")).expect("written"));
    // Rises through zero in a tenth of a second, well before and well after the glide.
    let rises = |from: usize| {
        trace[from..from + 4_410].windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count()
    };
    assert!((43..=45).contains(&rises(0)), "{}", rises(0));
    assert!((87..=89).contains(&rises(30_000)), "{}", rises(30_000));
}

#[test]
fn every_control_module_renders_but_the_one_that_only_decides() {
    let folder = folder();
    let names = plumbtone::voice::registry::modules().map(|about| about.name);
    for name in names.skip(plumbtone::voice::oscillators::ENTRIES.len()) {
        let args = ["render", name, "--seconds", "0.5", "-o", "a.wav"];
        let (status, _, stderr) = run(&folder, &args);
        assert_eq!(status, if name == "keys" { 2 } else { 0 }, "{name}: {stderr}");
    }
}

/// Without damping a struck ladder rings at its cutoff for ever; with damping it dies.
#[test]
fn a_filter_that_is_struck_rings_at_its_cutoff() {
    let folder = folder();
    for twin in ["float", "fixed"] {
        let struck = |resonance: &str| {
            let tune = ["--set", "cutoff=1000", "--set", resonance, "--twin", twin];
            let rest = ["--seconds", "1", "--strike", "-o", "a.wav"];
            let args = [&["render", "ladder"][..], &tune, &rest].concat();
            let (status, stdout, stderr) = run(&folder, &args);
            assert_eq!((status, stdout.as_str()), (0, ""), "{stderr}");
            assert!(stderr.contains("monitor turned down"), "{stderr}");
            samples(&std::fs::read(folder.path().join("a.wav")).expect("written"))
        };
        let rings = struck("resonance=1");
        let late = &rings[22_050..];
        let rises = late.windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count();
        assert!((499..=501).contains(&rises), "{twin}: {rises}");
        // Poles at 1000 Hz times -0.16 and more: 60 dB in 7 ms, the 16 bits in 11.
        let dies = struck("resonance=0.5");
        assert!(dies[22_050..].iter().all(|sample| *sample == 0.0), "{twin}");
    }
}

/// A low-pass below the second harmonic leaves a wave that rises through zero once per period.
#[test]
fn a_filter_is_heard_on_a_reed_of_the_tone_asked_for() {
    let folder = folder();
    let tone = |hz: &str| {
        let tune = ["--set", "cutoff=100", "--tone", hz, "--rate", "48000"];
        let args = [&["render", "ladder"][..], &tune, &["-o", "a.wav"]].concat();
        let (status, _, stderr) = run(&folder, &args);
        assert_eq!(status, 0, "{stderr}");
        let heard = samples(&std::fs::read(folder.path().join("a.wav")).expect("written"));
        heard[48_000..].windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count()
    };
    for (hz, periods) in [("220", 220), ("440", 440)] {
        let rises = tone(hz);
        assert!(rises.abs_diff(periods) <= 1, "{hz}: {rises}");
    }
}
