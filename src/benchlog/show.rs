//! One entry in full, its arithmetic done again.

use super::entry::{About, Entry, FileMark};
use super::redo::{Link, Redone, redo};
use super::{Kept, list};
use crate::correction::Corrected;
use crate::report;
use std::fmt::Write;

/// Whether a file is still what it was when the entry was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Presence {
    /// Same content.
    Unchanged,
    /// Another content under the same name.
    Changed,
    /// Not to be had under that name.
    Gone,
}

/// The whole entry as text. `presence` looks the named files up.
pub fn show(kept: &Kept, presence: &dyn Fn(&FileMark) -> Presence) -> String {
    let Entry { entry, at, kind, program, note, with, about, result } = &kept.entry;
    let mut text = format!("entry {entry}, {}, by {}\n", plain(&report::lines::instant(at)), plain(program));
    let mut line = |label: &str, words: &str| {
        let _ = writeln!(text, "{label:<10}{}", plain(words));
    };
    if let Some(strike) = &kept.struck {
        line("struck", &format!("{} ({})", strike.reason, strike.at));
    }
    line("what", kind);
    if let Some(note) = note {
        line("note", note);
    }
    for (key, value) in with {
        line("with", &format!("{key} = {value}"));
    }
    if let Some(meter) = &about.meter {
        line("meter", &meter.name);
        for file in meter.file.iter().chain(&meter.book) {
            line("  file", &file_words(file, presence(file)));
        }
    }
    if let Some(reading) = &about.reading {
        let range = about.range.as_ref().map_or_else(String::new, |range| format!(" on range {range}"));
        line("reading", &format!("{reading}{range}"));
    }
    if let Some(recording) = &about.recording {
        line("recording", &file_words(recording, presence(recording)));
    }
    let corrected = result.as_ref().and_then(|it| serde_json::from_value::<Corrected>(it.clone()).ok());
    if let Some(record) = corrected {
        let _ = write!(text, "\n{}\n", report::correct::text(&record));
    } else if let Some(link) = Link::of(&kept.entry) {
        let _ = write!(text, "\n{}\n", link.text());
    } else {
        let outcome = list::outcome(about);
        if !outcome.is_empty() {
            line("outcome", &outcome);
        }
        if result.is_some() {
            line("record", &format!("every figure: hushbeat log show {entry} --json"));
        }
    }
    text += &redone_words(&redo(&kept.entry));
    text
}

fn redone_words(redone: &Redone) -> String {
    match redone {
        Redone::Agrees { lines } => {
            format!("redone    from what is kept: all {lines} lines agree to the last printed digit\n")
        }
        Redone::Differs { lines } => {
            let mut text = format!(
                "redone    from what is kept: {} do not agree; the entry was changed, or an older program reckoned otherwise\n",
                count(lines.len())
            );
            for (kept, redone) in lines {
                let _ = writeln!(text, "  kept    {}\n  redone  {}", plain(kept), plain(redone));
            }
            text
        }
        Redone::NotHere(why) => format!("redone    not done: {why}\n"),
    }
}

fn count(lines: usize) -> String {
    if lines == 1 { "1 line".to_owned() } else { format!("{lines} lines") }
}

fn file_words(file: &FileMark, presence: Presence) -> String {
    let words = match presence {
        Presence::Unchanged => "unchanged",
        Presence::Changed => "changed since",
        Presence::Gone => "not to be had now",
    };
    // Twelve digits tell two files of a bench apart; the export has all of them.
    let short = file.sha256.get(..12).unwrap_or(&file.sha256);
    format!("{}, SHA-256 {short}…, {words}", file.path)
}

/// Whatever comes from outside stays on its line and sends nothing to the terminal.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

impl About {
    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
