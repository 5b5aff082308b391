//! Makes what lies in `demo-renders` anew: `cargo run --release --example demo-renders`.

mod recipe;

use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-renders");
    // All of it is made before any of it is replaced.
    let files = recipe::files()?;
    for file in &files {
        let path = folder.join(&file.name);
        let state = match std::fs::read(&path) {
            Ok(old) if old == file.bytes => "same",
            Ok(_) => "changed",
            Err(_) => "new",
        };
        if state != "same" {
            plumbtone::files::write_whole(&path, &file.bytes)?;
        }
        let heard = file.heard.map_or(String::new(), |heard| {
            let recipe::Heard { seconds, peak_dbfs, rms_dbfs } = heard;
            format!("{seconds:.2} s, peak {peak_dbfs:.2}, rms {rms_dbfs:.2} dBFS")
        });
        let line = format!("{state:7} {:26} {:6} {heard}", file.name, file.bytes.len());
        println!("{}", line.trim_end());
    }
    for entry in std::fs::read_dir(&folder)? {
        let name = entry?.file_name().to_string_lossy().into_owned();
        let known = files.iter().any(|file| file.name == name);
        if !known && !recipe::SOURCES.contains(&name.as_str()) {
            println!("foreign {name}: remove it");
        }
    }
    println!("{}", plumbtone::wav::CAUTION);
    Ok(())
}
