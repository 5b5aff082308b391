//! Everything that can be wrong: one line, status 2, nothing left behind.

use std::path::Path;
use std::process::Stdio;

use tempfile::TempDir;

use crate::{PANEL_3, folder, names, one_line, refused, run, write};

#[test]
fn usage_errors_say_what_is_wrong_in_one_line() {
    let folder = folder();
    let cases: &[(&[&str], &str)] = &[
        (&[], "subcommand"),
        (&["bogus"], "bogus"),
        (&["check", "--jobs", "0"], "--jobs"),
        (&["check", "--jobs", "many"], "many"),
        (&["check", "--bogus"], "--bogus"),
        (&["render", "naive"], "--output"),
        (&["render", "naive", "--twin", "exact", "-o", "a.wav"], "float, fixed"),
        (&["render", "naive", "--bits", "12", "-o", "a.wav"], "32f"),
        (&["render", "naive", "--rate", "7999", "-o", "a.wav"], "8000 to 192000"),
        (&["render", "naive", "--seconds", "0", "-o", "a.wav"], "0.01 to 600"),
        (&["render", "naive", "--seconds", "-3", "-o", "a.wav"], "0.01 to 600"),
        (&["render", "naive", "--seconds", "nan", "-o", "a.wav"], "0.01 to 600"),
        (&["render", "nave", "-o", "a.wav"], "choose from naive"),
        (&["render", "naive", "--set", "hertz=3", "-o", "a.wav"], "shape, hz, width"),
        (&["render", "naive", "--set", "hz", "-o", "a.wav"], "NAME=VALUE"),
        (&["render", "naive", "--set", "hz=loud", "-o", "a.wav"], "hz = loud is not a number"),
        (&["render", "naive", "--set", "hz=NaN", "-o", "a.wav"], "hz = NaN"),
        (&["render", "naive", "--set", "hz=22051", "-o", "a.wav"], "0 to 22050"),
        (&["render", "naive", "--set", "width=1", "-o", "a.wav"], "width = 1 is out of range"),
        (&["render", "naive", "--set", "shape=sine", "-o", "a.wav"], "ramp, triangle, pulse"),
        (&["render", "white", "--set", "hz=3", "-o", "a.wav"], "choose from seed"),
        (&["render", "white", "--set", "shape=ramp", "-o", "a.wav"], "choose from seed"),
        (&["render", "step-table", "--set", "taps=31", "-o", "a.wav"], "taps = 31"),
        (&["render", "step-table", "--set", "taps=8.5", "-o", "a.wav"], "whole"),
        (&["render", "wavetable", "--set", "length=1000", "-o", "a.wav"], "power of two"),
        (&["grade", "a.wav"], "--as"),
        (&["grade", "a.wav", "--as", "trumpet"], "oscillator"),
        (&["grade", "a.wav", "--as", "oscillator", "--set", "taps=8"], "shape, hz, width"),
        (&["grade", "a.wav", "--as", "contour", "--sent", "b.wav"], "--sent is for filters"),
        (&["grade", "a.wav", "--as", "filter", "--set", "hz=3"], "choose from none"),
        (&["grade", "a.wav", "--as", "filter", "--sent", "b.wav"], "b.wav"),
        (&["stimulus", "sweep"], "--output"),
        (&["stimulus", "hum", "-o", "a.wav"], "sweep, noise"),
        (&["stimulus", "sweep", "--seconds", "1", "-o", "a.wav"], "2 to 60"),
        (&["stimulus", "sweep", "--seconds", "nan", "-o", "a.wav"], "2 to 60"),
        (&["stimulus", "noise", "--rate", "7999", "-o", "a.wav"], "8000 to 192000"),
        (&["stimulus", "noise", "-o", "missing/a.wav"], "No such file"),
        (&["report"], "--output"),
    ];
    for (args, what) in cases {
        let line = refused(&folder, args);
        assert!(line.contains(what), "{args:?}: {line}");
    }
    assert!(names(folder.path()).is_empty());
}

#[test]
fn every_help_has_an_example() {
    let folder = folder();
    for command in ["list", "check", "render", "report", "stimulus", "grade"] {
        let (status, text, stderr) = run(&folder, &[command, "--help"]);
        assert_eq!((status, stderr.as_str()), (0, ""));
        assert!(text.contains(&format!("plumbtone {command}")), "{text}");
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
}

#[test]
fn plans_that_cannot_run() {
    let folder = folder();
    let line = refused(&folder, &["check", "missing.toml"]);
    assert!(line.contains("missing.toml") && line.contains("No such file"), "{line}");
    let edits = [
        ("limits = {", "limts = {", "line 6", "limts"),
        ("title =", "title", "line 1", ""),
        ("\"spline4\"]", "\"spline9\"]", "line 3", "spline9"),
        ("\"ramp\"", "\"saw\"", "line 4", "saw"),
        ("[92, 93]", "[93, 92]", "line 5", "93, 92"),
        ("[92, 93]", "[92, 200]", "line 5", "200"),
        ("pitch", "pich", "line 6", "pich"),
        ("\"derived\"", "\"derives\"", "line 6", "derives"),
        ("\"derived\"", "-1.0", "", "can never be kept"),
        ("\"derived\"", "nan", "", "is no limit"),
        ("\"derived\"", "true", "line 6", "a limit is a figure"),
        ("modules = [\"naive\", \"spline4\"]", "modules = []", "", "no modules"),
        ("keys", "rates = [4000]\nkeys", "line 5", "8000"),
    ];
    for (from, to, place, what) in edits {
        write(&folder, "plan.toml", &PANEL_3.replacen(from, to, 1));
        let line = refused(&folder, &["check", "plan.toml"]);
        assert!(line.contains(place) && line.contains(what), "{to}: {line}");
    }
    write(&folder, "plan.toml", "title = \"empty\"\n");
    refused(&folder, &["check", "plan.toml"]);
    for (list, said) in [
        ("presets = []", "no presets would check nothing"),
        ("settings = []", "no settings would check nothing"),
        ("presets = [\"tidal\"]", "unknown preset `tidal`: choose from slack-water"),
    ] {
        let check = format!("modules = [\"tideorgan\"]\n{list}\nlimits = {{ dc = -60 }}\n");
        write(&folder, "plan.toml", &format!("title = \"voice\"\n[[check]]\n{check}"));
        let line = refused(&folder, &["check", "plan.toml"]);
        assert!(line.contains(said), "{line}");
    }
    std::fs::write(folder.path().join("plan.toml"), b"title = \"\xff\"").expect("a file");
    refused(&folder, &["check", "plan.toml"]);
}

#[test]
fn outputs_are_looked_at_before_a_long_run() {
    // The built-in plan takes minutes; the time limit of the tests would strike.
    let folder = folder();
    for option in ["--json", "--junit"] {
        let line = refused(&folder, &["check", option, "missing/results"]);
        assert!(line.contains("missing/results") && line.contains("No such file"), "{line}");
        let line = refused(&folder, &["check", option, "."]);
        assert!(line.contains("it is a folder"), "{line}");
    }
    let line = refused(&folder, &["render", "naive", "-o", "missing/a.wav"]);
    assert!(line.contains("No such file"), "{line}");
    assert!(names(folder.path()).is_empty());
}

/// Writes a WAV from f32 samples.
fn wav(folder: &TempDir, name: &str, samples: impl IntoIterator<Item = f32>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(folder.path().join(name), spec).expect("a WAV");
    for sample in samples {
        writer.write_sample(sample).expect("a sample");
    }
    writer.finalize().expect("a WAV");
}

fn tone(n: usize) -> f32 {
    (0.25 * (std::f64::consts::TAU * 220.0 * n as f64 / 44_100.0).sin()) as f32
}

#[test]
fn recordings_that_cannot_be_graded() {
    let folder = folder();
    let second = 44_100;
    wav(&folder, "good.wav", (0..second).map(tone));
    let good = std::fs::read(folder.path().join("good.wav")).expect("a WAV");
    let put = |name: &str, bytes: &[u8]| {
        std::fs::write(folder.path().join(name), bytes).expect("a file");
    };
    assert_eq!(run(&folder, &["grade", "good.wav", "--as", "oscillator"]).0, 0);
    put("truncated.wav", &good[..good.len() / 2]);
    put("header.wav", &good[..20]);
    put("corrupt.wav", &good.iter().map(|byte| byte ^ 0x55).collect::<Vec<_>>());
    put("nothing.wav", b"");
    wav(&folder, "empty.wav", []);
    wav(&folder, "nan.wav", (0..second).map(|n| if n == 1000 { f32::NAN } else { tone(n) }));
    wav(&folder, "infinite.wav", (0..second).map(|n| if n == 9 { f32::INFINITY } else { tone(n) }));
    wav(&folder, "silent.wav", (0..second).map(|_| 0.0));
    wav(&folder, "dc.wav", (0..second).map(|_| 0.25));
    wav(&folder, "clipped.wav", (0..second).map(|n| (8.0 * tone(n)).clamp(-1.0, 1.0)));
    wav(&folder, "short.wav", (0..400).map(tone));
    let cases = [
        ("missing.wav", "No such file"),
        ("truncated.wav", "copy it again"),
        ("header.wav", "copy it again"),
        ("corrupt.wav", "not a WAV"),
        ("nothing.wav", ""),
        ("empty.wav", "no samples"),
        ("nan.wav", "sample 1000"),
        ("infinite.wav", "sample 9"),
        ("silent.wav", "silen"),
        ("dc.wav", "DC"),
        ("clipped.wav", "clip"),
        ("short.wav", ""),
    ];
    for (name, what) in cases {
        let line = refused(&folder, &["grade", name, "--as", "oscillator"]);
        assert!(line.contains(name) && line.contains(what), "{name}: {line}");
    }
}

#[cfg(unix)]
#[test]
fn a_reader_that_leaves_early_is_no_error() {
    let folder = folder();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_plumbtone"))
        .args(["list", "--json"])
        .current_dir(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_in_one_line() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    let full = |args: &[&str]| {
        let line = refused(&folder, args);
        assert!(line.contains("/dev/full") && line.contains("No space left"), "{line}");
    };
    full(&["render", "naive", "--seconds", "0.01", "-o", "/dev/full"]);
    full(&["check", "panel.toml", "--json", "/dev/full"]);
    full(&["check", "panel.toml", "--junit", "/dev/full"]);
    use std::os::unix::fs::FileTypeExt;
    let device = std::fs::metadata("/dev/full").expect("a device").file_type();
    assert!(device.is_char_device(), "the device was replaced");

    let stdout = std::fs::OpenOptions::new().write(true).open("/dev/full").expect("a device");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_plumbtone"))
        .arg("list")
        .stdout(stdout)
        .output()
        .expect("the command starts");
    assert_eq!(output.status.code(), Some(2));
    let line = one_line(&String::from_utf8_lossy(&output.stderr));
    assert!(line.contains("standard output"), "{line}");
}

/// Runs under a limit on the size of files, which fails a write in the middle as a full disk
/// does.
#[cfg(target_os = "linux")]
fn cramped(folder: &Path, args: &str) -> std::process::Output {
    let command = format!("trap '' XFSZ; ulimit -f 20; exec \"$0\" {args}");
    std::process::Command::new("sh")
        .args(["-c", &command, env!("CARGO_BIN_EXE_plumbtone")])
        // No journal of another run may be taken up.
        .env("XDG_CACHE_HOME", crate::NO_FOLDER)
        .current_dir(folder)
        .output()
        .expect("the shell starts")
}

#[cfg(target_os = "linux")]
#[test]
fn nothing_half_written_remains() {
    let folder = folder();
    write(&folder, "panel.toml", PANEL_3);
    write(&folder, "a.wav", "an older file");
    let output = cramped(folder.path(), "render naive --seconds 4 -o a.wav");
    assert_eq!(output.status.code(), Some(2));
    let line = one_line(&String::from_utf8_lossy(&output.stderr));
    assert!(line.contains("a.wav"), "{line}");
    assert_eq!(names(folder.path()), ["a.wav", "panel.toml"]);
    let kept = std::fs::read_to_string(folder.path().join("a.wav")).expect("a file");
    assert_eq!(kept, "an older file");

    assert_eq!(run(&folder, &["report", "panel.toml", "-o", "panel"]).0, 0);
    let page = || std::fs::read(folder.path().join("panel/index.html")).expect("the page");
    let before = page();
    let output = cramped(folder.path(), "report panel.toml --only naive -o panel");
    assert_eq!(output.status.code(), Some(2));
    one_line(&String::from_utf8_lossy(&output.stderr));
    assert_eq!(names(folder.path()), ["a.wav", "panel", "panel.toml"]);
    assert!(page() == before);
}

#[test]
fn control_settings_are_refused_by_name_and_range() {
    let folder = folder();
    for (args, says) in [
        (&["adsr", "--set", "atack=1"][..], "no parameter `atack`: choose from attack"),
        (&["adsr", "--set", "attack=200"], "attack = 200 is out of range: give 0 to 100 s"),
        (&["adsr", "--set", "attack=soon"], "attack = soon is not a number"),
        (&["adsr", "--set", "restart=maybe"], "choose from present, zero, legato"),
        (&["multistage", "--set", "points=2.5"], "not a whole number"),
        (&["multistage", "--set", "time-17=1"], "no parameter `time-17`"),
        (&["lfo", "--set", "phase=1"], "phase = 1"),
        (&["adsr", "--hold", "9"], "hold = 9 is out of range"),
        (&["adsr", "--tone", "1"], "tone = 1 is out of range"),
        (&["taper", "--hold", "1"], "--hold is for contours and instruments, not for `taper`"),
        (&["taper", "--tone", "100"], "moves no pitch"),
        (&["spline4", "--hold", "1"], "--hold is for contours and instruments, not for `spline4`"),
        (&["keys"], "`keys`"),
    ] {
        let args = [&["render"], args, &["-o", "a.wav"]].concat();
        let line = refused(&folder, &args);
        assert!(line.contains(says), "{args:?}: {line}");
        assert!(!folder.path().join("a.wav").exists(), "{args:?}");
    }
}

#[test]
fn plans_with_control_modules_name_the_line_that_cannot_be_used() {
    let folder = folder();
    let plan = |rest: &str| format!("title = \"x\"\n[[check]]\n{rest}\n");
    for (text, line, says) in [
        ("modules = [\"adsr\"]\nsettings = [{ attack = 200 }]\nlimits = { step = 1 }", 4, "attack"),
        ("modules = [\"adsr\"]\nsettings = [{ attak = 2 }]\nlimits = { step = 1 }", 4, "attak"),
        ("modules = [\"adsr\"]\nshapes = [\"ramp\"]\nlimits = { step = 1 }", 4, "no shapes"),
        ("modules = [\"sine\"]\nsettings = [{ hz = 2 }]\nlimits = { pitch = 1 }", 4, "settings"),
        ("modules = [\"keys\"]\nlimits = { step = 1 }", 0, "keys"),
    ] {
        write(&folder, "plan.toml", &plan(text));
        let said = refused(&folder, &["check", "plan.toml"]);
        assert!(said.contains(says), "{text}: {said}");
        assert!(line == 0 || said.contains(&format!("line {line}")), "{text}: {said}");
    }
    for (text, says) in [
        ("modules = [\"adsr\"]\nlimits = { pitch = 1 }", "`pitch` is no reading of it"),
        ("modules = [\"adsr\"]\nlimits = { time-constant = \"derived\" }", "no derived limit"),
        ("modules = [\"adsr\"]\nlimits = { step = -1 }", "can never be kept"),
        (
            "modules = [\"adsr\"]\nsettings = [{ decay = 100 }]\nrates = [96000]\nlimits = { step = 1 }",
            "give shorter times",
        ),
        (
            "modules = [\"multistage\"]\nsettings = [{ loop-from = 3, loop-to = 2 }]\nlimits = { step = 1 }",
            "loop",
        ),
    ] {
        write(&folder, "plan.toml", &plan(text));
        let said = refused(&folder, &["check", "plan.toml"]);
        assert!(said.contains(says), "{text}: {said}");
    }
}

#[test]
fn filters_are_asked_for_by_name_range_and_what_they_are_fed() {
    let folder = folder();
    for (args, says) in [
        (
            &["ladder", "--hold", "1"][..],
            "--hold is for contours and instruments, not for `ladder`: leave it off",
        ),
        (&["spline4", "--strike"], "--strike is for filters, not for `spline4`"),
        (&["adsr", "--strike"], "--strike is for filters, not for `adsr`"),
        (&["ladder", "--strike", "--tone", "110"], "--strike and --tone"),
        (&["ladder", "--tone", "1"], "tone = 1 is out of range: give 10 to 11025 Hz"),
        (&["ladder", "--set", "cutof=9"], "no parameter `cutof`: choose from cutoff, resonance"),
        (&["ladder", "--set", "cutoff"], "give NAME=VALUE, such as cutoff=500"),
        (&["ladder", "--set", "cutoff=4"], "cutoff = 4 is out of range: give 5 to 86400 Hz"),
        (&["ladder", "--set", "cutoff=NaN"], "cutoff = NaN"),
        (&["ladder", "--set", "cutoff=30000"], "30000"),
        (&["ladder", "--set", "resonance=2"], "resonance = 2 is out of range"),
        (&["ladder", "--set", "resonance=-0.1"], "resonance = -0.1 is out of range"),
        (&["ladder", "--set", "output=low5"], "choose from low24, low18"),
        (&["ladder", "--set", "drive=2"], "no parameter `drive`"),
        (&["ladder-tanh", "--set", "drive=9"], "drive = 9 is out of range: give 0.5 to 8"),
        (&["ladder-tanh", "--set", "oversampling=3x"], "choose from 1x, 2x, 4x"),
        (&["dc-blocker", "--set", "resonance=0.5"], "no parameter `resonance`"),
        (&["ladder", "--twin", "exact"], "float, fixed"),
        (&["lader"], "`lader`"),
    ] {
        let args = [&["render"], args, &["-o", "a.wav"]].concat();
        let line = refused(&folder, &args);
        assert!(line.contains(says), "{args:?}: {line}");
        assert!(!folder.path().join("a.wav").exists(), "{args:?}");
    }
}

#[test]
fn plans_with_filters_name_what_cannot_be_used() {
    let folder = folder();
    for (text, line, says) in [
        ("settings = [{ cutof = 200 }]\nlimits = { step = 1 }", 4, "cutof"),
        ("settings = [{ cutoff = 1 }]\nlimits = { step = 1 }", 4, "cutoff"),
        ("settings = [{ output = \"low5\" }]\nlimits = { step = 1 }", 4, "low24"),
        ("shapes = [\"ramp\"]\nlimits = { step = 1 }", 4, "no shapes"),
        ("limits = { pitch = 1 }", 0, "`pitch` is no reading of it"),
        ("limits = { drive = 1 }", 0, "`drive` is no reading of it"),
        ("limits = { cutoff = \"derived\" }", 0, "no derived limit"),
        ("limits = { response = -1 }", 0, "can never be kept"),
        ("rates = [8000]\nsettings = [{ cutoff = 5000 }]\nlimits = { step = 1 }", 0, "5000"),
    ] {
        let plan = format!("title = \"x\"\n[[check]]\nmodules = [\"ladder\"]\n{text}\n");
        write(&folder, "plan.toml", &plan);
        let said = refused(&folder, &["check", "plan.toml"]);
        assert!(said.contains(says), "{text}: {said}");
        assert!(line == 0 || said.contains(&format!("line {line}")), "{text}: {said}");
    }
}
