//! Candidates for an unknown signal as text.

use super::table::Table;
use crate::dial::Plate;
use crate::measured::value_and_u;
use crate::task::unknown::{CandidateRecord, NextRecord, Unknown};
use std::fmt::Write;

/// Candidates that are printed; the others are counted.
const PRINTED: usize = 8;

/// Sets the candidates out, best first, and says what to try next.
pub fn text(record: &Unknown, plate: &Plate) -> String {
    let mut table =
        Table::new(&[("signal", "Hz"), ("±", "Hz"), ("belief", "%"), ("misfit", "u"), ("harmonics", "")]);
    for one in record.candidates.iter().take(PRINTED) {
        let (frequency, u) = value_and_u(one.frequency_hz, one.u_hz);
        table.row([frequency, u, percent(one.share), format!("{:.1}", one.misfit), harmonics(one)]);
    }
    let mut out = table.print();
    // Writing to a string can't fail.
    if record.candidates.len() > PRINTED {
        let _ = writeln!(out, "  and {} that are less likely", record.candidates.len() - PRINTED);
    }
    let printed = record.candidates.iter().take(PRINTED);
    if printed.flat_map(|one| &one.signal_harmonics).any(|&k| k > 1) {
        out.push_str("4/3: the meter's harmonic 4 met the signal's 3; 4 alone met the signal itself.\n");
    }
    out.push_str("± is one standard uncertainty by book and readings, if that candidate is the one.\n");
    match &record.next {
        None => {}
        Some(next) => {
            let _ = writeln!(out, "{}", try_next(next, plate));
        }
    }
    for warning in &record.warnings {
        let _ = writeln!(out, "note    {}", warning.message);
    }
    out
}

fn percent(share: f64) -> String {
    match share * 100.0 {
        percent if percent >= 99.95 => ">99.9".to_owned(),
        percent if percent < 0.1 => "<0.1".to_owned(),
        percent => format!("{percent:.1}"),
    }
}

/// The meter's harmonics, with the signal's where one of them is not the first.
fn harmonics(one: &CandidateRecord) -> String {
    let pairs = one.harmonics.iter().zip(&one.signal_harmonics);
    let words: Vec<String> =
        pairs.map(|(h, k)| if *k == 1 { h.to_string() } else { format!("{h}/{k}") }).collect();
    words.join(" ")
}

fn try_next(next: &NextRecord, plate: &Plate) -> String {
    let decimals = plate.reading_decimals();
    format!(
        "next    listen at {:.decimals$} ({}) on {}: a beat there speaks for {:.3} kHz, silence for {:.3} kHz",
        next.reading,
        plate.engraved(next.reading),
        next.range,
        next.heard_if_hz / 1e3,
        next.silent_if_hz / 1e3
    )
}
