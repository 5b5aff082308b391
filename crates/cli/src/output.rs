//! Where bytes go: standard output, standard error, files.

use std::io::{ErrorKind, Write};
use std::path::Path;

use plumbtone::measure::db;
use plumbtone::wav::{self, Format};

use crate::fault::Fault;

/// Prints to standard output. A reader that has seen enough, such as `head`, is no error.
///
/// # Errors
/// Anything else that keeps the text from being written, such as a full disk.
pub fn print(text: &str) -> Result<(), Fault> {
    let mut stdout = std::io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Fault::new(format!("cannot write to standard output: {error}")))
        }
        _ => Ok(()),
    }
}

/// Prints a remark to standard error; nothing depends on it.
pub fn note(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// Looks whether `path` can be written before a long run starts; leaves no trace.
///
/// # Errors
/// The folder is missing, read-only or full.
pub fn writable(path: &Path) -> Result<(), Fault> {
    if plumbtone::files::is_device(path) {
        return Ok(());
    }
    if path.is_dir() {
        let path = path.display();
        return Err(Fault::new(format!("cannot write {path}: it is a folder, name a file")));
    }
    Ok(plumbtone_report::writable_beside(path)?)
}

/// Writes a WAV file that peaks at [`wav::PEAK_DBFS`], and says so with a caution.
///
/// # Errors
/// The file cannot be encoded or written.
pub fn sound(path: &Path, samples: &[f64], rate_hz: u32, format: Format) -> Result<(), Fault> {
    writable(path)?;
    let gain = wav::gain_to_peak(samples, wav::PEAK_DBFS);
    wav::write(path, samples, gain, rate_hz, format)?;
    note(&format!(
        "{}: {:+.2} dB of gain for a peak of {} dBFS\n{}",
        path.display(),
        db(gain),
        wav::PEAK_DBFS,
        wav::CAUTION
    ));
    Ok(())
}
