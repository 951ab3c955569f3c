//! `--note` and `--with`: what every measuring command can add to the bench log.

use super::failure::Failure;
use crate::benchlog::{self, About, Draft, FileMark, MeterMark};
use crate::dial::Meter;
use crate::store::ledger::LedgerError;
use crate::store::place;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// What the operator adds to the bench log
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "Bench log")]
pub struct Logging {
    /// Enter the result in the bench log, with this note
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Add this to the entry: temperature=21C, supply=117V, warm-min=40, corrector, approach, receiver, coupling,
    /// station …
    #[arg(long = "with", value_name = "KEY=VALUE", value_parser = pair)]
    with: Vec<(String, String)>,
    /// The log's file [default: log.jsonl in the user's data folder]
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
}

impl Logging {
    /// Whether anything is to be entered.
    pub fn wanted(&self) -> bool {
        self.note.is_some() || !self.with.is_empty() || self.log.is_some()
    }

    /// Enters a record where that is asked for. `kind` is the command, such as `reference crystal`. Where `quiet` is
    /// not set, a line that says so is printed.
    ///
    /// # Errors
    /// A log that can't be written.
    pub fn keep(
        &self,
        kind: &str,
        about: impl FnOnce() -> About,
        record: &impl Serialize,
        quiet: bool,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        if !self.wanted() {
            return Ok(());
        }
        let mut draft = Draft::of(kind, about(), record).map_err(|error| Failure::Job(error.to_string()))?;
        draft.note.clone_from(&self.note);
        draft.with = as_map(&self.with)?;
        let path = path(self.log.as_deref())?;
        let added = benchlog::add(&path, draft, now())?;
        if !quiet {
            tell(&path, &added, "log     entry", out)?;
        }
        Ok(())
    }
}

/// Says what was added, and what was mended on the way.
pub fn tell(path: &Path, added: &benchlog::Added, what: &str, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(torn) = &added.mended {
        writeln!(
            out,
            "note    the last line of the log was torn by a power cut or a kill ({} characters); it was cut off, and a \
             line in the log says what it was",
            torn.chars().count()
        )?;
    }
    writeln!(out, "{what} {} in {}", added.number, path.display())?;
    Ok(())
}

/// The log that is meant: the one named, or the user's own.
pub fn path(named: Option<&Path>) -> Result<PathBuf, Failure> {
    match named {
        Some(path) => Ok(path.to_owned()),
        None => Ok(place::data_folder().map_err(Failure::Job)?.join("log.jsonl")),
    }
}

/// Seconds since 1970 by the computer's clock (UTC).
pub fn now() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

/// A recording by its content; by its name alone, without hash, where it can't be read a second time.
pub fn recording(path: &Path) -> Option<FileMark> {
    let (sha256, bytes) = place::sha256(path).ok()?;
    Some(FileMark { path: path.display().to_string(), sha256, bytes })
}

/// A meter by its files.
pub fn meter(meter: &Meter, path: &Path, range: &str) -> MeterMark {
    let book = meter.ranges.iter().find(|it| it.name == range).map(|range| range.book.file.clone());
    MeterMark {
        name: meter.name.clone(),
        file: recording(path),
        book: book.and_then(|book| recording(Path::new(&book))),
    }
}

/// Keys and values as a map; a key that comes twice is a slip.
pub fn as_map(pairs: &[(String, String)]) -> Result<BTreeMap<String, String>, Failure> {
    let mut map = BTreeMap::new();
    for (key, value) in pairs {
        if map.insert(key.clone(), value.clone()).is_some() {
            return Err(Failure::Usage(format!("--with {key} is given twice; hint: give each key once")));
        }
    }
    Ok(map)
}

/// Reads `key=value`.
pub fn pair(text: &str) -> Result<(String, String), String> {
    let fits = |key: &str| {
        key.starts_with(|c: char| c.is_ascii_lowercase())
            && key.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
    };
    match text.split_once('=') {
        Some((key, value)) if fits(key) && !value.trim().is_empty() => {
            Ok((key.to_owned(), value.trim().to_owned()))
        }
        _ => Err("hint: write a key in small letters, = and what it is, such as temperature=21C".to_owned()),
    }
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        Self::Job(error.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_added_has_a_key_and_a_value() {
        assert_eq!(pair("supply=117 V"), Ok(("supply".to_owned(), "117 V".to_owned())));
        assert_eq!(pair("remark=a=b"), Ok(("remark".to_owned(), "a=b".to_owned())));
        for wrong in ["supply", "=117", "Supply=1", "a b=1", "supply=", "supply= "] {
            assert!(pair(wrong).is_err(), "{wrong}");
        }
        let twice = [("a".to_owned(), "1".to_owned()), ("a".to_owned(), "2".to_owned())];
        assert!(matches!(as_map(&twice), Err(Failure::Usage(line)) if line.contains("hint: ")));
    }
}
