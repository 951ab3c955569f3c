//! Files: what is written is written whole or not at all.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

/// Writes `bytes` beside `path` and renames, so that an old file is never half overwritten and a failure leaves
/// nothing behind.
///
/// # Errors
/// The operating system's, with the path and a hint in its text.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let named = |error: io::Error, hint: &str| {
        io::Error::new(error.kind(), format!("{}: can't be written: {error}; hint: {hint}", path.display()))
    };
    if path.is_dir() {
        return Err(named(io::ErrorKind::IsADirectory.into(), "name a file in that folder"));
    }
    if fs::metadata(path).is_ok_and(|it| !it.is_file()) {
        // A pipe or a device is written to; renaming would put a file in its place.
        return fs::write(path, bytes).map_err(|error| named(error, "choose another place"));
    }
    let Some(name) = path.file_name() else {
        return Err(named(io::ErrorKind::InvalidInput.into(), "name a file"));
    };
    let mut beside = OsString::from(".");
    beside.push(name);
    beside.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(beside);
    let written = File::create(&beside).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&beside, path)
    });
    written.map_err(|error| {
        // Best effort: the reason for the failure is worth more than a second error about the leftover.
        let _ = fs::remove_file(&beside);
        named(error, "choose a folder that exists, may be written to and has room")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_old_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.csv");
        write_atomic(&path, b"old and long").unwrap();
        write_atomic(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_failure_names_the_path_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let missing = folder.path().join("nowhere").join("out.svg");
        let error = write_atomic(&missing, b"x").unwrap_err().to_string();
        assert!(error.contains("nowhere") && error.contains("hint:"), "{error}");
        assert!(!error.contains('\n'));
        let error = write_atomic(folder.path(), b"x").unwrap_err().to_string();
        assert!(error.contains("hint: name a file"), "{error}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
