//! The bench log: what was measured, when, with what, and how it came out. Entries are added and struck, never erased.
//!
//! The file is JSON Lines, one [`Line`] each: an entry, a strike of an earlier entry, or the note that a line torn by
//! a power cut was cut off. What an addition promises is kept by [`crate::store::ledger`].

mod entry;
mod export;
mod list;
mod moment;
mod redo;
mod show;

pub use entry::{About, Draft, DriftMark, Entry, FileMark, Line, Mend, MeterMark, Strike, Told};
pub use export::{csv, html};
pub use list::{Filter, list};
pub use moment::utc;
pub use redo::{Redone, redo};
pub use show::{Presence, show};

use crate::store::ledger::{self, LedgerError};
use std::collections::HashMap;
use std::collections::hash_map::Entry::{Occupied, Vacant};
use std::path::Path;

/// Strange lines that are told one by one.
const WONDERS: usize = 20;

/// A log as it stands.
#[derive(Debug, Clone, Default)]
pub struct Log {
    /// Entries in the order of the file, with their strikes.
    pub entries: Vec<Kept>,
    /// Lines that are none of ours, counted from 1, and why, the first of them; they are left as they are.
    pub strange: Vec<(usize, String)>,
    /// How many more of those there are.
    pub more_strange: usize,
    /// What was cut off after power cuts.
    pub mends: Vec<Mend>,
    /// The beginning of a line that was never finished, as yet in the file.
    pub torn: bool,
}

/// An entry, struck or not.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// The entry.
    pub entry: Entry,
    /// Why and when it was struck; the first strike counts.
    pub struck: Option<Strike>,
}

impl Log {
    /// The log in these lines.
    pub fn of(lines: &ledger::Lines) -> Self {
        let mut log = Self { torn: !lines.torn.is_empty(), ..Self::default() };
        let mut places: HashMap<u64, usize> = HashMap::new();
        for (text, line) in lines.whole.iter().zip(1..) {
            match serde_json::from_str(text) {
                Ok(Line::Entry(entry)) => match places.entry(entry.entry) {
                    Occupied(_) => log.wonder(line, format!("a second entry {}", entry.entry)),
                    Vacant(place) => {
                        place.insert(log.entries.len());
                        log.entries.push(Kept { entry: *entry, struck: None });
                    }
                },
                Ok(Line::Strike(strike)) => match places.get(&strike.strike) {
                    Some(&place) => _ = log.entries[place].struck.get_or_insert(strike),
                    None => log.wonder(line, format!("strikes entry {}, which is not there", strike.strike)),
                },
                Ok(Line::Mend(mend)) => log.mends.push(mend),
                Err(_) => log.wonder(line, "is no line of a bench log".to_owned()),
            }
        }
        log
    }

    /// The entry with this number.
    pub fn entry(&self, number: u64) -> Option<&Kept> {
        self.entries.iter().find(|kept| kept.entry.entry == number)
    }

    fn wonder(&mut self, line: usize, why: String) {
        if self.strange.len() < WONDERS {
            self.strange.push((line, why));
        } else {
            self.more_strange += 1;
        }
    }
}

/// Reads a log; one that is not there is empty.
///
/// # Errors
/// A file that can't be read.
pub fn read(path: &Path) -> Result<Log, LedgerError> {
    Ok(Log::of(&ledger::read(path)?))
}

/// What an addition did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Added {
    /// Number of the entry.
    pub number: u64,
    /// What was cut off first because a power cut or a kill had torn it.
    pub mended: Option<String>,
}

/// Adds an entry and returns when it is on the disk. `seconds` is the time, s since 1970 (UTC).
///
/// # Errors
/// A file that can't be written; nothing is added then.
pub fn add(path: &Path, draft: Draft, seconds: u64) -> Result<Added, LedgerError> {
    ledger::append(path, is_whole, |lines| {
        let number = lines.whole.iter().filter_map(|line| number_of(line)).max().unwrap_or(0) + 1;
        let mut new = mend(lines, seconds)?;
        new.push(json(&Line::Entry(Box::new(draft.entry(number, utc(seconds)))))?);
        Ok((new, Added { number, mended: torn(lines) }))
    })
}

/// Strikes an entry: it stays, shown struck, with the reason.
///
/// # Errors
/// An entry that is not there or is struck already; a file that can't be written.
pub fn strike(path: &Path, number: u64, reason: &str, seconds: u64) -> Result<Added, LedgerError> {
    ledger::append(path, is_whole, |lines| {
        let log = Log::of(lines);
        let name = path.display();
        let kept = log.entry(number).ok_or_else(|| no_entry(&log, &name.to_string(), number))?;
        if let Some(strike) = &kept.struck {
            return Err(format!(
                "{name}: entry {number} was struck already on {}: {}; hint: add a note with `hushbeat log add`",
                strike.at, strike.reason
            ));
        }
        let mut new = mend(lines, seconds)?;
        let strike =
            Strike { strike: number, at: utc(seconds), reason: reason.to_owned(), program: program() };
        new.push(json(&Line::Strike(strike))?);
        Ok((new, Added { number, mended: torn(lines) }))
    })
}

/// What is said of an entry that is not there.
pub fn no_entry(log: &Log, name: &str, number: u64) -> String {
    match log.entries.last() {
        Some(last) => format!(
            "{name}: there is no entry {number}, the last is {}; hint: `hushbeat log list` shows them",
            last.entry.entry
        ),
        None => format!("{name}: the log is empty; hint: `hushbeat log add` or --note begins it"),
    }
}

/// Name and version of this program.
pub fn program() -> String {
    concat!("hushbeat ", env!("CARGO_PKG_VERSION")).to_owned()
}

/// The line that tells of a torn one, where there is one.
fn mend(lines: &ledger::Lines, seconds: u64) -> Result<Vec<String>, String> {
    torn(lines)
        .map(|cut_off| json(&Line::Mend(Mend { cut_off, at: utc(seconds), program: program() })))
        .into_iter()
        .collect()
}

fn torn(lines: &ledger::Lines) -> Option<String> {
    (!lines.torn.is_empty()).then(|| lines.torn.clone())
}

fn is_whole(line: &str) -> bool {
    serde_json::from_str::<Line>(line).is_ok()
}

fn json(line: &Line) -> Result<String, String> {
    serde_json::to_string(line).map_err(|error| error.to_string())
}

/// The number of an entry's line, without reading all of it where it was written here.
fn number_of(line: &str) -> Option<u64> {
    if let Some(rest) = line.strip_prefix("{\"entry\":") {
        let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
        return rest[..digits].parse().ok();
    }
    match serde_json::from_str(line) {
        Ok(Line::Entry(entry)) => Some(entry.entry),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
