//! The contract of the command line: what it prints, where, and how it ends.

mod against;
mod bad_input;
mod check;
mod grade;
mod list;
mod play;
mod render;
mod report;
mod resume;

use std::path::Path;
use std::time::Duration;

use assert_cmd::Command;
use tempfile::TempDir;

/// The command, in a folder of its own, and where no cache can be had.
fn plumbtone(folder: &TempDir) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_plumbtone"));
    command
        .env("XDG_CACHE_HOME", NO_FOLDER)
        .current_dir(folder.path())
        .timeout(Duration::from_secs(60));
    command
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

/// Runs to the end and returns exit status, standard output and standard error.
fn run(folder: &TempDir, args: &[&str]) -> (i32, String, String) {
    let output = plumbtone(folder).args(args).output().expect("the command starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code().expect("an exit status"), text(output.stdout), text(output.stderr))
}

/// Runs what must end with status 2, nothing on standard output and one line on standard error;
/// returns the line.
fn refused(folder: &TempDir, args: &[&str]) -> String {
    let (status, stdout, stderr) = run(folder, args);
    assert_eq!(status, 2, "{args:?}: {stderr}");
    assert_eq!(stdout, "", "{args:?}");
    one_line(&stderr)
}

fn one_line(stderr: &str) -> String {
    assert_eq!(stderr.matches('\n').count(), 1, "one line: {stderr}");
    assert!(stderr.ends_with('\n'), "ended: {stderr}");
    let line = stderr.strip_prefix("plumbtone: ");
    line.unwrap_or_else(|| panic!("starts with the name: {stderr}")).trim_end().to_owned()
}

/// Names in a folder, sorted, hidden ones included.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().into_string().expect("UTF-8"))
        .collect();
    names.sort();
    names
}

/// An absolute path under which no folder can be made.
const NO_FOLDER: &str = "/dev/null";

fn write(folder: &TempDir, name: &str, text: &str) {
    std::fs::write(folder.path().join(name), text).expect("a file");
}

/// Two notes of panel 3: quick, with readings that pass, fail and are only noted.
const PANEL_3: &str = r#"title = "Panel 3 <low & high>"
[[check]]
modules = ["naive", "spline4"]
shapes = ["ramp"]
keys = [92, 93]
limits = { pitch = "derived", aliases = "noted" }
"#;
