//! The log for a spreadsheet and for paper. Struck entries are there too, and say so.

use super::entry::{Entry, FileMark};
use super::moment::short;
use super::redo::{Redone, redo};
use super::{Kept, list};
use crate::correction::Corrected;
use crate::offset::Side;
use crate::report::html::{self, Set, Table, escape, outside};

/// Columns of the CSV.
const COLUMNS: &str = "entry,at_utc,kind,struck,note,with,meter,range,reading,offset_hz,offset_u_hz,bound_hz,side,\
                       frequency_hz,alternative_hz,u_hz,expanded_u_hz,error_ppm,error_u_ppm,drift_per_s,drift_u_per_s,drift_unit,sum,\
                       recording,recording_sha256,program";

/// One row per entry, every figure as it was kept (RFC 4180, lines ended by a newline alone).
pub fn csv(entries: &[&Kept]) -> String {
    let mut text = format!("{COLUMNS}\n");
    for kept in entries {
        let Entry { entry, at, kind, program, note, with, about, result } = &kept.entry;
        let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
        let with: Vec<String> = with.iter().map(|(key, value)| format!("{key}={value}")).collect();
        let file = |of: &dyn Fn(&FileMark) -> String| about.recording.as_ref().map_or_else(String::new, of);
        let side = about.side.map_or("", |side| match side {
            Side::High => "high",
            Side::Low => "low",
            Side::Unknown => "unknown",
        });
        let sum = result.as_ref().and_then(|record| record.get("line")?.as_str()).unwrap_or_default();
        let cells = [
            entry.to_string(),
            at.clone(),
            kind.clone(),
            kept.struck.as_ref().map(|strike| strike.reason.clone()).unwrap_or_default(),
            note.clone().unwrap_or_default(),
            with.join("; "),
            about.meter.as_ref().map(|meter| meter.name.clone()).unwrap_or_default(),
            about.range.clone().unwrap_or_default(),
            about.reading.clone().unwrap_or_default(),
            number(about.offset_hz),
            number(about.offset_u_hz),
            number(about.bound_hz),
            side.to_owned(),
            number(about.frequencies_hz.first().copied()),
            number(about.frequencies_hz.get(1).copied()),
            number(about.u_hz),
            number(about.expanded_u_hz),
            number(about.error_ppm),
            number(about.error_u_ppm),
            number(about.drift.as_ref().map(|drift| drift.per_s)),
            number(about.drift.as_ref().map(|drift| drift.u_per_s)),
            about.drift.as_ref().map(|drift| drift.unit.clone()).unwrap_or_default(),
            sum.to_owned(),
            file(&|file| file.path.clone()),
            file(&|file| file.sha256.clone()),
            program.clone(),
        ];
        text += &cells.map(|cell| csv_cell(&cell)).join(",");
        text.push('\n');
    }
    text
}

/// A cell, quoted where it must be. A spreadsheet would take text that begins like a formula for one, so it gets an
/// apostrophe in front; numbers stay numbers.
fn csv_cell(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
    let cell = if formula { format!("'{cell}") } else { cell.to_owned() };
    if cell.contains([',', '"', '\n', '\r']) || formula {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell
    }
}

/// The log as one page: the list, then each measurement with its sum.
pub fn html(entries: &[&Kept], name: &str) -> String {
    let mut table = Table::new(
        "Entries, oldest first; ± is the half-width that covers 95 % unless it says (u)",
        &[
            ("entry", Set::Figures),
            ("when (UTC)", Set::Figures),
            ("what", Set::Words),
            ("outcome", Set::Figures),
            ("meter and reading", Set::Words),
            ("note", Set::Words),
        ],
    );
    let mut sums = String::new();
    for kept in entries {
        let Entry { entry, at, kind, about, .. } = &kept.entry;
        let place = [
            about.meter.as_ref().map(|meter| meter.name.clone()),
            about.range.clone(),
            about.reading.clone(),
        ];
        let place: Vec<String> = place.into_iter().flatten().collect();
        let class = if kept.struck.is_some() { "struck" } else { "" };
        table.marked_row(
            [
                entry.to_string(),
                escape(&short(at)),
                escape(kind),
                escape(&list::outcome(about)),
                outside(&place.join(", ")),
                note(kept),
            ],
            class,
        );
        sums += &sum(kept);
    }
    let mut main = html::section("entries", "Entries", &table.print());
    if !sums.is_empty() {
        main += &html::section("sums", "Sums", &sums);
    }
    let lead = format!(
        "<p>{} {} of {}</p>\n",
        entries.len(),
        if entries.len() == 1 { "entry" } else { "entries" },
        outside(name)
    );
    let foot = format!(
        "<p>Written by {}. Struck entries stay in the log; what is struck through was taken back for the reason given.</p>\n",
        escape(&super::program())
    );
    html::page("Bench log", &lead, &main, &foot)
}

/// Note, what was added, and why it was struck.
fn note(kept: &Kept) -> String {
    let mut parts: Vec<String> = kept.entry.note.iter().map(|note| outside(note)).collect();
    parts.extend(kept.entry.with.iter().map(|(key, value)| format!("{}: {}", outside(key), outside(value))));
    if let Some(strike) = &kept.struck {
        parts.push(format!(
            "<strong>struck {}: {}</strong>",
            escape(&short(&strike.at)),
            outside(&strike.reason)
        ));
    }
    parts.join("<br/>")
}

/// The sum on paper, its budget, and whether it still comes out.
fn sum(kept: &Kept) -> String {
    let Entry { entry, about, result, .. } = &kept.entry;
    let Some(record) = result.as_ref().and_then(|it| serde_json::from_value::<Corrected>(it.clone()).ok())
    else {
        return String::new();
    };
    let mut text = format!(
        "<h3>Entry {entry}: {}</h3>\n<p><code>{}</code></p>\n",
        escape(&list::outcome(about)),
        escape(&record.line)
    );
    text += &crate::report::correct::budget_table(&record, &format!("Budget of entry {entry}")).print();
    let redone = match redo(&kept.entry) {
        Redone::Agrees { lines } => format!("Redone from what is kept: all {lines} lines agree."),
        Redone::Differs { lines } => format!("Redone from what is kept: {} lines do not agree.", lines.len()),
        Redone::NotHere(why) => format!("Not redone: {why}."),
    };
    text + &html::paragraph(&redone)
}
