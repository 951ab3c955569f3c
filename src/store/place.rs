//! Where the user's own files are, and what a file holds in one number.

use etcetera::{BaseStrategy, choose_base_strategy};
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// The user's data folder for this program (`$XDG_DATA_HOME/hushbeat`, by default `~/.local/share/hushbeat`), which
/// is made if it is not there.
///
/// # Errors
/// No home folder, or one that may not be written to; one line with a hint.
pub fn data_folder() -> Result<PathBuf, String> {
    let strategy = choose_base_strategy()
        .map_err(|error| format!("there is no home folder ({error}); hint: name a file with --log"))?;
    let folder = strategy.data_dir().join("hushbeat");
    fs::create_dir_all(&folder).map_err(|error| {
        format!("{}: can't be made: {error}; hint: name another file with --log", folder.display())
    })?;
    Ok(folder)
}

/// SHA-256 of a file, hexadecimal, and its length in bytes.
///
/// # Errors
/// A file that can't be read.
pub fn sha256(path: &Path) -> io::Result<(String, u64)> {
    let mut file = File::open(path)?;
    if !file.metadata()?.is_file() {
        // A pipe was emptied by whoever heard it, and a device never ends.
        return Err(io::ErrorKind::InvalidInput.into());
    }
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut length = 0;
    loop {
        let read = file.read(&mut buffer)?;
        if read == 0 {
            break;
        }
        hash.update(&buffer[..read]);
        length += read as u64;
    }
    let mut text = String::with_capacity(64);
    for byte in hash.finalize() {
        // Writing to a String can't fail.
        let _ = write!(text, "{byte:02x}");
    }
    Ok((text, length))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4, the example for SHA-256 with the message "abc".
    #[test]
    fn the_published_example_comes_out() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        fs::write(&path, "abc").unwrap();
        let (hash, length) = sha256(&path).unwrap();
        assert_eq!(hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(length, 3);
        assert!(sha256(folder.path()).is_err());
    }
}
