//! Files: meters with their books, links of the chain, and writing that never leaves half a file.

pub mod ledger;
pub mod place;

use crate::dial::{DialError, Meter, MeterPlan};
use serde::Deserialize;
use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

/// What went wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// It can't be read.
    #[error("{path}: can't be read: {why}; hint: check the name and the right to read it")]
    Read {
        /// The file.
        path: String,
        /// The system's word for it.
        why: io::Error,
    },
    /// It is not text.
    #[error("{path}:{line}: not UTF-8 text; hint: save it as UTF-8")]
    NotText {
        /// The file.
        path: String,
        /// Line of the first byte that is no text.
        line: usize,
    },
    /// A link of the chain that does not hold what it must.
    #[error("{path}: {why}; hint: a file written by `hushbeat reference … --out`")]
    Link {
        /// The file.
        path: String,
        /// What is wrong.
        why: String,
    },
    /// The meter or its book.
    #[error(transparent)]
    Dial(#[from] DialError),
}

/// Reads a text file.
///
/// # Errors
/// A file that can't be read or is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, StoreError> {
    let name = path.display().to_string();
    let bytes = fs::read(path).map_err(|why| StoreError::Read { path: name.clone(), why })?;
    String::from_utf8(bytes).map_err(|error| {
        let before = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        StoreError::NotText { path: name, line: before.split(|&byte| byte == b'\n').count() }
    })
}

/// Reads a meter file and its books, whose paths are taken from the meter file's folder.
///
/// # Errors
/// Files that can't be read, and whatever they have wrong.
pub fn read_meter(path: &Path) -> Result<Meter, StoreError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let text = read_text(path)?;
    let load = |book: &str| {
        let book = folder.join(book);
        match read_text(&book) {
            Ok(text) => Ok((book.display().to_string(), text)),
            Err(StoreError::Read { why, .. }) => Err(why.to_string()),
            Err(other) => Err(other.to_string()),
        }
    };
    Ok(Meter::parse(&text, &path.display().to_string(), load)?)
}

/// Reads a meter file without opening its books.
///
/// # Errors
/// A file that can't be read, and whatever it has wrong.
pub fn read_plan(path: &Path) -> Result<MeterPlan, StoreError> {
    Ok(MeterPlan::parse(&read_text(path)?, &path.display().to_string())?)
}

/// An error in ppm as a `reference` command left it: of a crystal, or of a sound card's clock.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
pub struct Link {
    /// (actual − nominal)/nominal, ppm.
    pub error_ppm: f64,
    /// Standard uncertainty, ppm.
    pub u_ppm: f64,
}

/// Reads a link of the chain.
///
/// # Errors
/// A file that can't be read, that is not JSON with `error_ppm` and `u_ppm`, or holds impossible figures.
pub fn read_link(path: &Path) -> Result<Link, StoreError> {
    let text = read_text(path)?;
    let wrong = |why: String| StoreError::Link { path: path.display().to_string(), why };
    let link: Link = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
    if link.error_ppm.abs() <= 1e5 && (0.0..=1e5).contains(&link.u_ppm) {
        Ok(link)
    } else {
        Err(wrong(format!("error_ppm {} ± {} can't be", link.error_ppm, link.u_ppm)))
    }
}

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
        fs::rename(&beside, path)?;
        sync_folder(path)
    });
    written.map_err(|error| {
        // Best effort: the reason for the failure is worth more than a second error about the leftover.
        let _ = fs::remove_file(&beside);
        named(error, "choose a folder that exists, may be written to and has room")
    })
}

/// Makes a new name in a folder safe; where folders can't be opened there is nothing to do.
fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder).map_or(Ok(()), |folder| folder.sync_all())
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

    #[test]
    fn text_that_is_no_text_is_told_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("meter.toml");
        fs::write(&path, b"name = \"x\"\n# \xff\n").unwrap();
        assert!(read_meter(&path).unwrap_err().to_string().contains("meter.toml:2: not UTF-8"));
    }

    #[test]
    fn a_link_holds_error_and_uncertainty() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("card.json");
        fs::write(&path, r#"{"error_ppm": 37.1, "u_ppm": 0.4, "expanded_u_ppm": 0.8, "budget": []}"#)
            .unwrap();
        assert_eq!(read_link(&path).unwrap(), Link { error_ppm: 37.1, u_ppm: 0.4 });
        fs::write(&path, r#"{"error_ppm": 37.1, "u_ppm": -1}"#).unwrap();
        assert!(read_link(&path).is_err());
        fs::write(&path, "{}").unwrap();
        assert!(read_link(&path).unwrap_err().to_string().contains("missing field `error_ppm`"));
    }
}
