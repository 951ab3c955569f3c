//! The log as a table that fits 80 columns.

use super::entry::{About, Entry};
use super::moment::short;
use super::{Kept, Log};
use crate::dial::Date;
use crate::measured::{decimals_for, value_and_u};
use crate::offset::Side;
use crate::report::text::bound;
use std::fmt::Write;

/// Which entries are wanted; what is not stated does not matter.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// From this day on.
    pub since: Option<Date>,
    /// Up to and with this day.
    pub until: Option<Date>,
    /// The meter's name contains this, in any case of letters.
    pub meter: Option<String>,
    /// Note, kind, reading, recording, strike or an added key or value contains this, in any case of letters.
    pub text: Option<String>,
}

impl Filter {
    /// Whether an entry is wanted.
    pub fn takes(&self, kept: &Kept) -> bool {
        let entry = &kept.entry;
        let day = entry.at.get(..10).unwrap_or_default().to_owned();
        let contains = |text: &str, part: &str| text.to_lowercase().contains(&part.to_lowercase());
        let meter = |part: &String| entry.about.meter.as_ref().is_some_and(|it| contains(&it.name, part));
        let text = |part: &String| words(kept).iter().any(|words| contains(words, part));
        self.since.is_none_or(|since| day >= since.to_string())
            && self.until.is_none_or(|until| day <= until.to_string())
            && self.meter.as_ref().is_none_or(meter)
            && self.text.as_ref().is_none_or(text)
    }
}

/// Everything in words that an entry can be found by.
fn words(kept: &Kept) -> Vec<&str> {
    let Entry { kind, note, with, about, .. } = &kept.entry;
    let mut words = vec![kind.as_str()];
    words.extend(note.as_deref());
    words.extend(with.iter().flat_map(|(key, value)| [key.as_str(), value.as_str()]));
    words.extend(about.reading.as_deref());
    words.extend(about.range.as_deref());
    words.extend(about.meter.as_ref().map(|meter| meter.name.as_str()));
    words.extend(about.recording.as_ref().map(|recording| recording.path.as_str()));
    words.extend(kept.struck.as_ref().map(|strike| strike.reason.as_str()));
    words
}

/// Widest line, characters.
const WIDTH: usize = 80;
/// Where the last column, the note, begins.
const NOTE_AT: usize = 60;

/// The entries that `filter` takes, oldest first, and what is strange about the file.
pub fn list(log: &Log, filter: &Filter) -> String {
    let wanted: Vec<&Kept> = log.entries.iter().filter(|kept| filter.takes(kept)).collect();
    let mut text = String::new();
    if wanted.is_empty() {
        // Writing to a String can't fail.
        let _ = match log.entries.len() {
            0 => writeln!(text, "The log is empty."),
            all => writeln!(text, "None of the {all} entries fits."),
        };
    } else {
        let _ = writeln!(text, "entry  when (UTC)        what       outcome{}note", " ".repeat(17));
        for kept in &wanted {
            text += &row(kept);
        }
    }
    for mend in &log.mends {
        let _ = writeln!(
            text,
            "{}  a line torn by a power cut or a kill was cut off ({} letters).",
            short(&mend.at),
            mend.cut_off.chars().count()
        );
    }
    for (line, why) in &log.strange {
        let _ = writeln!(text, "Line {line} {why}; it is left as it is.");
    }
    if log.more_strange > 0 {
        let _ = writeln!(text, "And {} more such lines.", log.more_strange);
    }
    if log.torn {
        text += "The last line was never finished; the next entry mends it.\n";
    }
    text
}

fn row(kept: &Kept) -> String {
    let Entry { entry, at, kind, note, about, .. } = &kept.entry;
    let kind = kind.split(' ').next_back().unwrap_or_default();
    let outcome = outcome(about);
    let head = format!("{entry:>5}  {:<16}  {:<9}  {outcome}", short(at), plain(kind, 9));
    let mut words = note.clone().unwrap_or_default();
    if let Some(strike) = &kept.struck {
        words = format!("struck: {}", strike.reason);
    } else if words.is_empty() {
        words = about.recording.as_ref().map(|it| it.path.clone()).unwrap_or_default();
    }
    let gap = NOTE_AT.saturating_sub(head.chars().count()).max(2);
    let room = WIDTH.saturating_sub(head.chars().count() + gap);
    format!("{head}{}{}", " ".repeat(gap), plain(&words, room)).trim_end().to_owned() + "\n"
}

/// What came out, in a few words; empty for a bare note.
pub(super) fn outcome(about: &About) -> String {
    if !about.frequencies_hz.is_empty() {
        let expanded = about.expanded_u_hz.or(about.u_hz.map(|u| 2.0 * u));
        let decimals = decimals_for(expanded.unwrap_or(1.0).max(1e-6));
        let all: Vec<String> = about.frequencies_hz.iter().map(|hz| format!("{hz:.decimals$}")).collect();
        let half = expanded.map_or_else(String::new, |u| format!(" ± {u:.decimals$}"));
        return format!("{}{half} Hz", all.join(" or "));
    }
    if let (Some(offset), Some(side)) = (about.offset_hz, about.side) {
        // The list is an overview: no finer than a tenth of a millihertz.
        let decimals = about.offset_u_hz.map_or(4, decimals_for).min(4);
        return match side {
            Side::High => format!("meter {offset:.decimals$} Hz above"),
            Side::Low => format!("meter {offset:.decimals$} Hz below"),
            Side::Unknown => format!("{offset:.decimals$} Hz, no side"),
        };
    }
    if let Some(limit) = about.bound_hz {
        return format!("within ±{}", bound(limit));
    }
    if let (Some(error), Some(u)) = (about.error_ppm, about.error_u_ppm) {
        let (error, u) = value_and_u(error, u);
        return format!("{error} ± {u} ppm (u)");
    }
    if let Some(drift) = &about.drift {
        let (scale, unit) = if drift.unit == "Hz" { (60.0, "Hz/min") } else { (3600e6, "ppm/h") };
        let (rate, u) = value_and_u(drift.per_s * scale, drift.u_per_s * scale);
        return format!("{rate} ± {u} {unit}");
    }
    String::new()
}

/// Text from outside on one line of at most `room` characters, the last one … where it was longer.
fn plain(text: &str, room: usize) -> String {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().count() <= room {
        return text;
    }
    text.chars().take(room.saturating_sub(1)).chain(['…']).collect()
}
