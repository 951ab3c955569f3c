//! Books: what is wrong in one, how well a new one fits, and one set out for paper.

mod leaves;

use super::table::Table;
use crate::dial::Plate;
use crate::task::book::{Checked, Fitted, Wanted};
pub use leaves::page;
use std::fmt::Write;

/// The slips of a book, a line to each.
pub fn checked_text(record: &Checked, file: &str) -> String {
    let mut out = String::new();
    // Writing to a string can't fail.
    for slip in &record.slips {
        let _ = writeln!(out, "{file}:{}: {}", slip.line, slip.reason);
    }
    let rows = record.rows;
    let _ = match record.slips.len() {
        0 => writeln!(out, "{rows} rows, no slip found"),
        1 => writeln!(out, "{rows} rows, 1 doubtful: hold it against the paper"),
        some => writeln!(out, "{rows} rows, {some} doubtful: hold them against the paper"),
    };
    out
}

/// How a new book came about and how well it fits.
pub fn fitted_text(record: &Fitted, plate: &Plate, out_file: &str) -> String {
    let decimals = plate.reading_decimals();
    let from = match &record.shape {
        Some(shape) => format!("{} points on the shape of {shape}", record.points.len()),
        None => format!("{} points", record.points.len()),
    };
    let (first, last) = (record.rows.first(), record.rows.last());
    let span = first
        .zip(last)
        .map_or_else(String::new, |(a, b)| format!(", {:.3} to {:.3} kHz", a.frequency_khz, b.frequency_khz));
    let mut out = format!("range {}, from {from}: degree {}\n\n", record.range, record.degree);
    let mut table = Table::new(&[
        ("point", ""),
        ("fundamental", "kHz"),
        ("reading", "div"),
        ("u", "div"),
        ("off law", "div"),
        ("unseen", "div"),
        ("", ""),
    ]);
    for point in &record.points {
        table.row([
            point.point.clone(),
            format!("{:.3}", point.frequency_hz / 1e3),
            format!("{:.*}", decimals.max(1), point.reading),
            format!("{:.2}", point.u_div),
            format!("{:+.2}", point.residual_div),
            format!("{:+.2}", point.left_out_div),
            if point.doubted { "doubtful".to_owned() } else { String::new() },
        ]);
    }
    out.push_str(&table.print());
    out.push_str("off law: point less law; unseen: point less a law made without it.\n\n");
    // Writing to a string can't fail.
    let _ = writeln!(
        out,
        "{out_file}: {} rows{span}; u {:.2} div in the middle, {:.2} div at most",
        record.rows.len(),
        record.median_u_div,
        record.largest_u_div
    );
    for wanted in &record.wanted {
        let _ = writeln!(out, "more    {}", wanted_words(wanted));
    }
    for warning in &record.warnings {
        let _ = writeln!(out, "note    {}", warning.message);
    }
    out
}

fn wanted_words(wanted: &Wanted) -> String {
    let gap = &wanted.gap;
    let what = gap.u_div.map_or_else(|| "no rows".to_owned(), |u| format!("u up to {u:.2} div"));
    let points: Vec<String> = wanted
        .checkpoints
        .iter()
        .map(|point| {
            format!("{}/{} ({:.3})", point.crystal_harmonic, point.meter_harmonic, point.frequency_hz / 1e3)
        })
        .collect();
    let points =
        if points.is_empty() { "no check point is left there".to_owned() } else { points.join(", ") };
    format!("points wanted from {:.1} to {:.1} kHz, {what}: {points}", gap.from_hz / 1e3, gap.to_hz / 1e3)
}
