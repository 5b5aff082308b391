//! Runs that are killed, and what the next one makes of them.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::{folder, names, write};

/// Some seconds of work in many small units: groups of notes, and sets of settings.
const PLAN: &str = r#"title = "Panel 9"
[[check]]
modules = ["naive", "spline4"]
shapes = ["ramp"]
keys = [21, 108, 2]
limits = { pitch = "derived", rounding = "derived", aliases = "noted" }
[[check]]
modules = ["adsr"]
settings = [{ attack = 0.005, decay = 0.3 }, { attack = 0.01 }]
limits = { stage-time = "derived", rounding = "derived" }
"#;
/// 44 keys of two modules and two twins, and two sets for two twins.
const ALL: usize = 44 * 4 + 2 * 2;

/// A folder to work in, with the plan, and a cache beside it.
struct Bench {
    folder: TempDir,
    cache: TempDir,
}

impl Bench {
    fn new() -> Self {
        let bench = Self { folder: folder(), cache: folder() };
        write(&bench.folder, "plan.toml", PLAN);
        bench
    }

    fn command(&self, program: &Path, args: &[&str]) -> Command {
        let mut command = Command::new(program);
        command.args(args).current_dir(self.folder.path());
        command.env("XDG_CACHE_HOME", self.cache.path()).stdin(Stdio::null());
        command
    }

    /// Runs to the end; returns exit status and standard error.
    fn run(&self, args: &[&str]) -> (i32, String) {
        self.run_by(Path::new(env!("CARGO_BIN_EXE_plumbtone")), args)
    }

    fn run_by(&self, program: &Path, args: &[&str]) -> (i32, String) {
        let output = self.command(program, args).output().expect("the command starts");
        let text = String::from_utf8(output.stderr).expect("UTF-8");
        (output.status.code().expect("an exit status"), text)
    }

    fn start(&self, args: &[&str]) -> Running {
        let mut command = self.command(Path::new(env!("CARGO_BIN_EXE_plumbtone")), args);
        let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        Running(child.expect("the command starts"))
    }

    fn journals(&self) -> Vec<PathBuf> {
        let folder = self.cache.path().join("plumbtone");
        let names = if folder.is_dir() { names(&folder) } else { Vec::new() };
        names.into_iter().map(|name| folder.join(name)).collect()
    }

    /// Bytes in the only journal.
    fn kept(&self) -> u64 {
        let sizes = self.journals();
        sizes.first().and_then(|path| std::fs::metadata(path).ok()).map_or(0, |about| about.len())
    }

    /// Starts, and kills as soon as the journal has grown by `bytes`.
    fn kill_after(&self, args: &[&str], bytes: u64) {
        let from = self.kept();
        let mut running = self.start(args);
        while self.kept() < from + bytes {
            running.check();
            std::thread::sleep(Duration::from_millis(1));
        }
        running.0.kill().expect("killed");
        running.0.wait().expect("ended");
    }

    fn results(&self, folder: &str) -> Vec<u8> {
        let path = self.folder.path().join(folder).join("results.json");
        std::fs::read(path).expect("results")
    }
}

/// A run under way; none outlives its test.
struct Running(Child);

impl Running {
    fn check(&mut self) {
        assert!(self.0.try_wait().expect("a state").is_none(), "it ended by itself");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.0.kill().ok();
        self.0.wait().ok();
    }
}

/// How many were taken, by the words of standard error; none when it began anew.
fn taken(stderr: &str) -> Option<usize> {
    let (_, rest) = stderr.split_once("going on where an earlier run stopped: ")?;
    let (taken, rest) = rest.split_once(" of ").expect("a count");
    assert!(rest.starts_with(&format!("{ALL} taken\n")), "{stderr}");
    Some(taken.parse().expect("a number"))
}

#[test]
fn a_killed_report_goes_on_and_ends_with_the_same_bytes() {
    let bench = Bench::new();
    let report = |name| ["report", "plan.toml", "-o", name];
    assert_eq!(bench.run(&report("whole")).0, 0);
    assert!(bench.journals().is_empty(), "removed when all is done");

    // Killed twice, with another number of threads, then carried to the end.
    bench.kill_after(&[&report("panel")[..], &["--jobs", "1"]].concat(), 2_000);
    assert_eq!(names(bench.folder.path()), ["plan.toml", "whole"], "no half of a report");
    bench.kill_after(&report("panel"), 2_000);
    assert_eq!(names(bench.folder.path()), ["plan.toml", "whole"]);
    let (status, stderr) = bench.run(&report("panel"));
    assert_eq!(status, 0, "{stderr}");
    let taken = taken(&stderr).unwrap_or_else(|| panic!("begun anew: {stderr}"));
    assert!((4..ALL).contains(&taken), "{stderr}");
    assert!(stderr.contains(&format!("\n{} notes in ", ALL - taken)), "{stderr}");
    assert!(bench.results("panel") == bench.results("whole"));
    assert!(bench.journals().is_empty());
}

#[test]
fn goes_on_only_with_the_same_program_plan_and_filter() {
    let bench = Bench::new();
    let check = ["check", "plan.toml"];
    bench.kill_after(&check, 2_000);
    let journal = bench.journals().remove(0);
    let kept = std::fs::read(&journal).expect("a journal");
    let again = |program: &Path, args: &[&str]| {
        let (status, stderr) = bench.run_by(program, args);
        assert_eq!(status, 0, "{stderr}");
        taken(&stderr)
    };
    let program = Path::new(env!("CARGO_BIN_EXE_plumbtone"));
    // The same program but for a byte behind its end.
    let other = bench.cache.path().join("other-program");
    let mut bytes = std::fs::read(program).expect("the program");
    bytes.push(0);
    std::fs::write(&other, bytes).expect("a file");
    let may_run = std::fs::metadata(program).expect("the program").permissions();
    std::fs::set_permissions(&other, may_run).expect("permissions");
    assert_eq!(again(&other, &check), None);
    assert_eq!(again(program, &["check", "plan.toml", "--only", "adsr*"]), None);
    write(&bench.folder, "plan.toml", &PLAN.replace("21, 108", "22, 108"));
    assert_eq!(again(program, &check), None);
    write(&bench.folder, "plan.toml", PLAN);
    assert!(std::fs::read(&journal).expect("a journal") == kept, "none of them touched it");

    // A record that was cut off costs itself. Another command and another name of the plan do not
    // matter, as the readings are the same.
    std::fs::write(&journal, &kept[..kept.len() - 1]).expect("a file");
    write(&bench.folder, "copy.toml", PLAN);
    let some = again(program, &["report", "copy.toml", "-o", "panel"]);
    assert!(some.is_some_and(|some| some > 0));
    std::fs::write(&journal, &kept).expect("a file");
    let more = again(program, &check);
    assert!(more > some, "{more:?} {some:?}");

    // Asked to begin anew, or with nothing left that can be read.
    std::fs::write(&journal, &kept).expect("a file");
    assert_eq!(again(program, &["check", "plan.toml", "--fresh"]), None);
    std::fs::write(&journal, "something else").expect("a file");
    assert_eq!(again(program, &check), None);
    assert!(bench.journals().is_empty());
}

#[test]
fn two_runs_at_a_time_do_not_disturb_each_other() {
    let bench = Bench::new();
    let mut first = bench.start(&["report", "plan.toml", "--jobs", "1", "-o", "first"]);
    let clock = Instant::now();
    while bench.kept() < 500 {
        first.check();
        assert!(clock.elapsed() < Duration::from_secs(30), "no journal");
        std::thread::sleep(Duration::from_millis(1));
    }
    let (status, stderr) = bench.run(&["report", "plan.toml", "--fresh", "-o", "second"]);
    assert_eq!((status, taken(&stderr)), (0, None), "{stderr}");
    assert!(first.0.wait().expect("ended").success());
    assert!(bench.results("first") == bench.results("second"));
    assert!(bench.journals().is_empty());
}

#[test]
fn results_that_cannot_be_written_are_not_lost() {
    let bench = Bench::new();
    // A comparison with nothing in common ends with 2; asked for rightly, nothing is measured again.
    assert_eq!(bench.run(&["check", "plan.toml", "--json", "whole.json"]).0, 0);
    let text = std::fs::read_to_string(bench.folder.path().join("whole.json")).expect("JSON");
    write(&bench.folder, "other.json", &text.replace("\"rate_hz\":44100", "\"rate_hz\":48000"));
    let (status, stderr) = bench.run(&["check", "plan.toml", "--against", "other.json"]);
    assert_eq!((status, taken(&stderr)), (2, None), "{stderr}");
    let (status, stderr) = bench.run(&["check", "plan.toml", "--against", "whole.json"]);
    assert_eq!((status, taken(&stderr)), (0, Some(ALL)), "{stderr}");
    assert!(stderr.contains("\n0 notes in "), "{stderr}");
}
