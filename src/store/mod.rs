//! Files: meters with their books, links of the chain, and writing that never leaves half a file.

pub mod ledger;
pub mod place;

use crate::correction::chain::is_flat;
use crate::dial::{Crystal, Date, DialError, LONGEST, Meter, MeterPlan};
use crate::quantity::{Hertz, short};
use serde::Deserialize;
use std::ffi::OsString;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

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
    /// It has no end, or none that a table typed by hand comes to.
    #[error("{path}: longer than {} MB; hint: is it the right file?", MOST_BYTES >> 20)]
    TooLong {
        /// The file.
        path: String,
    },
    /// A link of the chain that does not hold what it must.
    #[error("{path}: {}; hint: a file written by `hushbeat reference … --out`", short(why, LONGEST))]
    Link {
        /// The file.
        path: String,
        /// What is wrong.
        why: String,
    },
    /// A link of another crystal.
    #[error(
        "{path}: it is of a crystal of {of}, the meter's is of {meters}; hint: take the link of this meter's crystal"
    )]
    Other {
        /// The file.
        path: String,
        /// What its crystal is marked with.
        of: Hertz,
        /// What the meter's is marked with.
        meters: Hertz,
    },
    /// The meter or its book.
    #[error(transparent)]
    Dial(#[from] DialError),
}

/// The longest text file that is read, bytes: a million rows take a quarter of it.
const MOST_BYTES: u64 = 64 << 20;

/// Reads a text file.
///
/// # Errors
/// A file that can't be read, is longer than any table (a device may have no end) or is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, StoreError> {
    let name = path.display().to_string();
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes));
    read.map_err(|why| StoreError::Read { path: name.clone(), why })?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(StoreError::TooLong { path: name });
    }
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
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
pub struct Link {
    /// (actual − nominal)/nominal, ppm.
    pub error_ppm: f64,
    /// Standard uncertainty on the day of the comparison, ppm.
    pub u_ppm: f64,
    /// What it is of: `crystal`, `card` or `counter`; empty in a file written by hand.
    #[serde(default)]
    pub reference: String,
    /// What a crystal is marked with, Hz.
    #[serde(default)]
    pub nominal_hz: Option<f64>,
    /// U/u of the comparison.
    #[serde(default)]
    pub coverage_factor: Option<f64>,
    /// Effective degrees of freedom of the comparison; `None` when unlimited.
    #[serde(default)]
    pub effective_dof: Option<f64>,
    /// Day of the comparison, such as 2026-05-01.
    #[serde(default)]
    pub checked: Option<String>,
    /// Bound for the drift since then, ppm a year, either way.
    #[serde(default)]
    pub ageing_ppm_per_year: f64,
}

impl Link {
    /// The crystal that it is of, marked with `nominal_hz`, as the comparison found it.
    pub fn crystal(&self, nominal_hz: f64) -> Crystal {
        Crystal {
            frequency_hz: nominal_hz,
            error_ppm: self.error_ppm,
            u_ppm: Some(self.u_ppm),
            checked: self.checked.as_ref().and_then(|day| day.parse().ok()),
            ageing_ppm_per_year: self.ageing_ppm_per_year,
            dof: self.effective_dof,
            flat: self.is_flat(),
        }
    }

    /// Whether one rectangle rules its uncertainty.
    pub fn is_flat(&self) -> bool {
        self.coverage_factor.is_some_and(is_flat)
    }
}

/// Reads the link of a meter's crystal.
///
/// # Errors
/// As [`read_link`], and a link of a crystal that is marked with another frequency than the meter's.
pub fn read_crystal(path: &Path, marked: &Crystal) -> Result<Crystal, StoreError> {
    let link = read_link(path, "crystal")?;
    match link.nominal_hz {
        Some(nominal) if (nominal / marked.frequency_hz - 1.0).abs() > ANOTHER => Err(StoreError::Other {
            path: path.display().to_string(),
            of: Hertz(nominal),
            meters: Hertz(marked.frequency_hz),
        }),
        _ => Ok(link.crystal(marked.frequency_hz)),
    }
}

/// No crystal is so far off what it is marked with: relative.
const ANOTHER: f64 = 1e-3;

/// Reads a link of the chain that is of `kind` (`crystal`, `card`), or does not say of what it is.
///
/// # Errors
/// A file that can't be read, that is not JSON with `error_ppm` and `u_ppm`, is of something else, or holds impossible
/// figures.
pub fn read_link(path: &Path, kind: &str) -> Result<Link, StoreError> {
    let text = read_text(path)?;
    let wrong = |why: String| StoreError::Link { path: path.display().to_string(), why };
    let link: Link = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
    if !link.reference.is_empty() && link.reference != kind {
        return Err(wrong(format!("it is of a {}, where that of a {kind} is wanted", link.reference)));
    }
    if let Some(day) = link.checked.as_ref().filter(|day| day.parse::<Date>().is_err()) {
        return Err(wrong(format!("checked: `{day}` is not a day, such as 2026-05-01")));
    }
    if link.error_ppm.abs() <= 1e5 && (0.0..=1e5).contains(&link.u_ppm) && link.ageing_ppm_per_year >= 0.0 {
        Ok(link)
    } else {
        Err(wrong(format!("error_ppm {} ± {} can't be", link.error_ppm, link.u_ppm)))
    }
}

/// The file that keeps the clock of a sound input: one to an input's name, in the folder of the configuration.
pub fn card_file(configuration: &Path, input: &str) -> PathBuf {
    // Names of inputs hold colons, commas and slashes; what may stand in a file name everywhere stays.
    let mut name = String::new();
    for byte in input.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' => name.push(byte.into()),
            other => {
                // Writing to a string can't fail.
                let _ = write!(name, "={other:02x}");
            }
        }
    }
    configuration.join("cards").join(format!("{name}.json"))
}

/// What is kept of an input's clock; `None` when nothing is.
///
/// # Errors
/// A file that is there and can't be read or used.
pub fn saved_card(configuration: &Path, input: &str) -> Result<Option<Link>, StoreError> {
    let path = card_file(configuration, input);
    if path.is_file() { read_link(&path, "card").map(Some) } else { Ok(None) }
}

/// Writes `bytes` as [`write_atomic`] does, and makes the folder first where it is missing.
///
/// # Errors
/// As [`write_atomic`].
pub fn write_kept(path: &Path, bytes: &[u8]) -> io::Result<()> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(|error| {
            let folder = folder.display();
            io::Error::new(
                error.kind(),
                format!("{folder}: can't be made: {error}; hint: use --out FILE instead"),
            )
        })?;
    }
    write_atomic(path, bytes)
}

/// Writes `bytes` beside `path` and renames, so that an old file is never half overwritten and a failure leaves
/// nothing behind.
///
/// # Errors
/// The operating system's, with the path and a hint in its text.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut growing = Growing::create(path)?;
    growing.add(bytes)?;
    growing.finish()
}

/// A file that grows beside its name and gets it when it is whole. Dropped before, it leaves nothing behind.
#[derive(Debug)]
pub struct Growing {
    /// The name it shall have, as the user gave it.
    path: PathBuf,
    /// Where that name leads, through links.
    target: PathBuf,
    /// Where it grows; none where it is written in place, to a pipe or a device.
    beside: Option<PathBuf>,
    writer: BufWriter<File>,
}

impl Growing {
    /// Begins a file.
    ///
    /// # Errors
    /// A name that can't be one, a folder that is not there or may not be written to.
    pub fn create(path: &Path) -> io::Result<Self> {
        if path.is_dir() {
            let error = io::ErrorKind::IsADirectory.into();
            return Err(unwritten(path, &error, "name a file in that folder"));
        }
        if fs::metadata(path).is_ok_and(|it| !it.is_file()) {
            // A pipe or a device is written to; renaming would put a file in its place.
            let file = fs::OpenOptions::new().write(true).open(path);
            let file = file.map_err(|error| unwritten(path, &error, "choose another place"))?;
            let writer = BufWriter::new(file);
            return Ok(Self { path: path.to_owned(), target: path.to_owned(), beside: None, writer });
        }
        // A link stays a link: what it leads to is replaced.
        let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        let Some(name) = target.file_name() else {
            return Err(unwritten(path, &io::ErrorKind::InvalidInput.into(), "name a file"));
        };
        let mut beside = OsString::from(".");
        beside.push(name);
        beside.push(format!(".{}.part", std::process::id()));
        let beside = target.with_file_name(beside);
        let begin = || {
            let file = File::create(&beside)?;
            // Whoever may read the old file may read the new one. Best effort: not every disk knows rights.
            if let Ok(old) = fs::metadata(&target) {
                let _ = file.set_permissions(old.permissions());
            }
            Ok(file)
        };
        let file = begin().map_err(|error| unwritten(path, &error, FOLDER))?;
        Ok(Self { path: path.to_owned(), target, beside: Some(beside), writer: BufWriter::new(file) })
    }

    /// Adds to it.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn add(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.writer.write_all(bytes).map_err(|error| unwritten(&self.path, &error, FOLDER))
    }

    /// Gives it its name; what had it before is gone then.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn finish(mut self) -> io::Result<()> {
        self.put_in_place().map_err(|error| unwritten(&self.path, &error, FOLDER))
    }

    fn put_in_place(&mut self) -> io::Result<()> {
        self.writer.flush()?;
        let Some(beside) = &self.beside else { return Ok(()) };
        self.writer.get_ref().sync_all()?;
        fs::rename(beside, &self.target)?;
        self.beside = None;
        sync_folder(&self.target)
    }
}

impl Drop for Growing {
    fn drop(&mut self) {
        if let Some(beside) = &self.beside {
            // Best effort: the reason for the failure is worth more than a second error about the leftover.
            let _ = fs::remove_file(beside);
        }
    }
}

const FOLDER: &str = "choose a folder that exists, may be written to and has room";

/// A file that can't be written, in one line.
fn unwritten(path: &Path, error: &io::Error, hint: &str) -> io::Error {
    // A pipe that is closed is as bad as a full disk when it was asked for by name.
    let kind = match error.kind() {
        io::ErrorKind::BrokenPipe => io::ErrorKind::Other,
        kind => kind,
    };
    io::Error::new(kind, format!("{}: can't be written: {error}; hint: {hint}", path.display()))
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
    fn a_file_that_is_not_finished_leaves_the_old_one_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.csv");
        write_atomic(&path, b"old").unwrap();
        let mut growing = Growing::create(&path).unwrap();
        growing.add(&vec![b'x'; 100_000]).unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"old");
        drop(growing);
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link_and_a_device_a_device() {
        let folder = tempfile::tempdir().unwrap();
        let (file, link) = (folder.path().join("real.csv"), folder.path().join("link.csv"));
        write_atomic(&file, b"old").unwrap();
        std::os::unix::fs::symlink("real.csv", &link).unwrap();
        write_atomic(&link, b"new").unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read(&file).unwrap(), b"new");
        write_atomic(Path::new("/dev/null"), b"new").unwrap();
        assert!(!fs::metadata("/dev/null").unwrap().is_file());
        if Path::new("/dev/full").exists() {
            let error = write_atomic(Path::new("/dev/full"), b"new").unwrap_err().to_string();
            assert!(
                error.starts_with("/dev/full: can't be written: ") && error.contains("hint: "),
                "{error}"
            );
        }
    }

    #[test]
    fn a_file_without_end_is_not_read_to_its_end() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("endless.toml");
        File::create(&path).unwrap().set_len(MOST_BYTES + 1).unwrap();
        let error = read_text(&path).unwrap_err().to_string();
        assert!(error.ends_with("endless.toml: longer than 64 MB; hint: is it the right file?"), "{error}");
    }

    #[test]
    fn text_that_is_no_text_is_told_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("meter.toml");
        fs::write(&path, b"name = \"x\"\n# \xff\n").unwrap();
        assert!(read_meter(&path).unwrap_err().to_string().contains("meter.toml:2: not UTF-8"));
    }

    #[test]
    fn a_card_is_kept_by_the_name_of_its_input() {
        let folder = tempfile::tempdir().unwrap();
        let path = card_file(folder.path(), "hw:CARD=USB,DEV=0");
        assert!(path.ends_with("cards/hw=3aCARD=3dUSB=2cDEV=3d0.json"), "{path:?}");
        assert_eq!(saved_card(folder.path(), "hw:CARD=USB,DEV=0").unwrap(), None);
        write_kept(&path, br#"{"reference": "card", "error_ppm": 37.1, "u_ppm": 0.4}"#).unwrap();
        let kept = saved_card(folder.path(), "hw:CARD=USB,DEV=0").unwrap().unwrap();
        assert!((kept.error_ppm - 37.1).abs() < 1e-12);
        assert_eq!(saved_card(folder.path(), "hw:CARD=USB,DEV=1").unwrap(), None);
    }

    #[test]
    fn a_link_holds_error_and_uncertainty() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("card.json");
        fs::write(&path, r#"{"error_ppm": 37.1, "u_ppm": 0.4, "expanded_u_ppm": 0.8, "budget": []}"#)
            .unwrap();
        let link = read_link(&path, "card").unwrap();
        assert_eq!((link.error_ppm, link.u_ppm), (37.1, 0.4));
        fs::write(&path, r#"{"error_ppm": 37.1, "u_ppm": -1}"#).unwrap();
        assert!(read_link(&path, "card").is_err());
        fs::write(&path, r#"{"reference": "card", "error_ppm": 37.1, "u_ppm": 1}"#).unwrap();
        assert!(read_link(&path, "crystal").unwrap_err().to_string().contains("it is of a card"));
        let aged = r#"{"error_ppm": 1, "u_ppm": 0.3, "checked": "2025-11-25", "ageing_ppm_per_year": 2}"#;
        fs::write(&path, aged).unwrap();
        let link = read_link(&path, "crystal").unwrap();
        // A year of up to 2 ppm either way: 2/√3 beside 0.3.
        let crystal = read_crystal(&path, &link.crystal(1e6)).unwrap();
        let u = crystal.u_ppm_on("2026-11-25".parse().ok());
        assert!((u - 0.3f64.hypot(2.0 / 3f64.sqrt())).abs() < 1e-2 && crystal.u_ppm_on(None) < 0.300_001);
        fs::write(&path, r#"{"error_ppm": 1, "u_ppm": 0.3, "nominal_hz": 1e6}"#).unwrap();
        let told = read_crystal(&path, &link.crystal(500e3)).unwrap_err().to_string();
        assert!(told.contains("it is of a crystal of 1") && told.contains("the meter's is of 500"), "{told}");
        fs::write(&path, "{}").unwrap();
        assert!(read_link(&path, "card").unwrap_err().to_string().contains("missing field `error_ppm`"));
    }
}
