//! Files: meters with their books, links of the chain, and writing that never leaves half a file.

use crate::dial::{DialError, Meter};
use serde::Deserialize;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::{fs, io};

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
    /// It can't be written.
    #[error("{path}: can't be written: {why}; hint: check the folder, its rights and the room on the disk")]
    Write {
        /// The file.
        path: String,
        /// The system's word for it.
        why: io::Error,
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

/// Writes a whole file: beside its place first, then renamed into it, so that an old file is replaced whole or not
/// at all.
///
/// # Errors
/// A folder or disk that does not take it; nothing is left behind then.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let beside = beside(path);
    let put = || {
        let mut file = fs::OpenOptions::new().write(true).create_new(true).open(&beside)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        drop(file);
        fs::rename(&beside, path)?;
        // The new name is safe only once the folder is; not every system lets a folder be opened.
        let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if let Ok(folder) = fs::File::open(folder) {
            folder.sync_all()?;
        }
        Ok(())
    };
    put().map_err(|why| {
        // Best effort: the write has failed already and that is what is told.
        let _ = fs::remove_file(&beside);
        StoreError::Write { path: path.display().to_string(), why }
    })
}

/// A name beside `path` that no other process uses.
fn beside(path: &Path) -> PathBuf {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("book.csv");
        write_whole(&path, b"old").unwrap();
        write_whole(&path, b"new").unwrap();
        assert_eq!(read_text(&path).unwrap(), "new");
        let error = write_whole(&folder.path().join("no/such/book.csv"), b"x").unwrap_err().to_string();
        assert!(error.contains("can't be written"), "{error}");
        // A folder stands where the file should go: refused, and nothing is left beside it.
        fs::create_dir(folder.path().join("taken")).unwrap();
        fs::write(folder.path().join("taken/inside"), b"").unwrap();
        assert!(write_whole(&folder.path().join("taken"), b"x").is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
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
