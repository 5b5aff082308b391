//! Output files appear when they are complete.

use std::io::Write;
use std::path::Path;

use crate::error::Error;

/// Writes `bytes` beside `path` first and moves them into place when they are complete.
/// Devices and pipes are written to, never replaced.
///
/// # Errors
/// [`Error::File`] when the folder is missing, read-only or full; an older file of that name
/// is left as it was.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let fail = |source| Error::File { action: "write", path: path.to_owned(), source };
    if is_device(path) {
        let open = std::fs::OpenOptions::new().write(true).open(path);
        return open.and_then(|mut device| device.write_all(bytes)).map_err(fail);
    }
    if !folder.is_dir() {
        let missing = format!("there is no folder {}: make it first", folder.display());
        return Err(fail(std::io::Error::new(std::io::ErrorKind::NotFound, missing)));
    }
    let mut builder = tempfile::Builder::new();
    builder.prefix(".plumbtone-");
    // A temporary file is private by default; a result is for everybody the umask allows.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder).map_err(|error| fail(without_path(&error)))?;
    file.write_all(bytes).map_err(fail)?;
    file.as_file().sync_data().map_err(fail)?;
    file.persist(path).map_err(|error| fail(error.error))?;
    Ok(())
}

/// Whether something is there that is neither a file nor a folder.
pub fn is_device(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|there| !there.is_file() && !there.is_dir())
}

/// The temporary name would only confuse: keep the reason alone.
fn without_path(error: &std::io::Error) -> std::io::Error {
    match error.raw_os_error() {
        Some(code) => std::io::Error::from_raw_os_error(code),
        None => error.kind().into(),
    }
}
