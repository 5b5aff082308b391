//! `plumbtone render` of an instrument.

use std::path::Path;

use crate::render::samples;
use crate::{folder, names, refused, run, write};

fn heard(folder: &Path, name: &str) -> Vec<f64> {
    samples(&std::fs::read(folder.join(name)).expect("written"))
}

/// A rest, a note, a rest: the file has the length that the score states, and sounds in between.
#[test]
fn a_score_is_played_at_its_times() {
    let folder = folder();
    write(&folder, "ebb.txt", "# A3\n0.5 down 57\n1.0 up 57\n3 end\n");
    for twin in ["float", "fixed"] {
        let args = ["render", "tideorgan", "--twin", twin, "--score", "ebb.txt", "-o", "a.wav"];
        let (status, stdout, stderr) = run(&folder, &args);
        assert_eq!((status, stdout.as_str()), (0, ""), "{stderr}");
        assert!(stderr.contains("monitor turned down"), "{stderr}");
        let trace = heard(folder.path(), "a.wav");
        assert_eq!(trace.len(), 3 * 44_100);
        let first = trace.iter().position(|sample| *sample != 0.0).expect("a sound");
        // From 0 on, an attack of 441 samples crosses half a step of 16 bits at once.
        assert!((22_050..22_070).contains(&first), "{first}");
        // Release 0.3 s to -60 dB, and on to half a step of 16 bits.
        assert!(trace[90_000..].iter().all(|sample| *sample == 0.0));
    }
}

#[test]
fn presets_settings_and_lengths_count() {
    let folder = folder();
    let render = |name: &str, more: &[&str]| {
        let args = [&["render", "tideorgan", "-o", name], more].concat();
        let (status, _, stderr) = run(&folder, &args);
        assert_eq!(status, 0, "{args:?}: {stderr}");
        std::fs::read(folder.path().join(name)).expect("written")
    };
    let plain = render("a.wav", &[]);
    assert_eq!(samples(&plain).len(), 2 * 44_100);
    let foghorn = render("b.wav", &["--preset", "foghorn", "--seconds", "1", "--hold", "0.7"]);
    assert_eq!(samples(&foghorn).len(), 44_100);
    let preset = ["--preset", "foghorn", "--seconds", "1", "--hold", "0.7", "--set"];
    assert!(foghorn != render("c.wav", &[&preset[..], &["detune=9"]].concat()));
    // Said again, a setting of the preset changes nothing.
    assert!(foghorn == render("c.wav", &[&preset[..], &["detune=4"]].concat()));
    // A3 comes at sample 0, with or without blocks; its end waits for one.
    assert!(plain == render("c.wav", &["--block", "1"]));
    assert!(plain != render("c.wav", &["--block", "128"]));
}

#[test]
fn every_preset_is_rendered_by_both_twins() {
    let folder = folder();
    for preset in plumbtone::instrument::presets().expect("built in") {
        for twin in ["float", "fixed"] {
            let args = ["render", &preset.instrument, "--preset", preset.name, "--twin", twin];
            let rest = ["--seconds", "0.3", "-o", "a.wav"];
            let (status, _, stderr) = run(&folder, &[&args[..], &rest[..]].concat());
            assert_eq!(status, 0, "{}: {stderr}", preset.name);
        }
    }
}

#[test]
fn what_cannot_be_played_is_refused_in_one_line() {
    let folder = folder();
    write(&folder, "bad.txt", "0 down 57\n1 upp 57\n");
    write(&folder, "bad.mid", "MThd and no more");
    std::fs::write(folder.path().join("noise.bin"), [0xFF, 0xFE, 0x00]).expect("a file");
    let cases: &[(&[&str], &str)] = &[
        (&["tideorgan", "--score", "bad.txt"], "bad.txt, line 2: `upp` is no event"),
        (&["tideorgan", "--score", "bad.mid"], "bad.mid: is damaged"),
        (&["tideorgan", "--score", "noise.bin"], "neither a standard MIDI file nor UTF-8 text"),
        (&["tideorgan", "--score", "missing.mid"], "cannot read missing.mid"),
        (&["tideorgan", "--score", "bad.txt", "--hold", "1"], "--hold"),
        (&["tideorgan", "--preset", "fog"], "unknown preset `fog`: choose from slack-water"),
        (&["tideorgan", "--set", "cutof=3"], "has no parameter `cutof`"),
        (&["tideorgan", "--set", "cutoff=3"], "cutoff = 3 is out of range: give 5 to 20000"),
        (&["tideorgan", "--set", "shape-a=saw"], "shape-a = saw: choose from ramp"),
        (&["tideorgan", "--tone", "220"], "--tone is for control modules and filters"),
        (&["tideorgan", "--strike"], "--strike is for filters"),
        (&["tideorgan", "--hold", "3"], "hold = 3 is out of range"),
        (&["tideorgan", "--block", "0"], "--block"),
        (&["tideorgan", "--seconds", "0"], "0.01 to 600"),
        (&["ladder", "--preset", "foghorn"], "--preset is for instruments"),
        (&["adsr", "--score", "bad.txt"], "--score is for instruments"),
        (&["naive", "--block", "128"], "--block is for instruments"),
        (&["mixer"], "`mixer` is heard in `tideorgan`"),
    ];
    for (args, what) in cases {
        let line = refused(&folder, &[&["render"], *args, &["-o", "a.wav"]].concat());
        assert!(line.contains(what), "{args:?}: {line}");
    }
    assert_eq!(names(folder.path()), ["bad.mid", "bad.txt", "noise.bin"]);
    write(&folder, "plan.toml", &crate::PANEL_3.replacen("\"naive\"", "\"mixer\"", 1));
    let line = refused(&folder, &["check", "plan.toml"]);
    assert!(line.contains("`mixer` has no readings that a plan asks for"), "{line}");
}
