//! A roll-call as text and as a page.

use super::html::{self, Set, escape, outside, paragraph, section};
use super::lines::{instant, notes, set};
use super::table::Table;
use crate::correction::{RollCall, Station};
use crate::live::side_words;
use crate::measured::{decimals_for, value_and_u};
use crate::task::rollcall::RollRecord;

/// Every station against net control.
pub fn text(record: &RollRecord) -> String {
    let roll = &record.roll;
    let mut table = Table::new(&[
        ("note", "Hz"),
        ("turns", ""),
        ("against control", "Hz"),
        ("±", "Hz"),
        ("station", ""),
        ("", ""),
    ]);
    for station in &roll.stations {
        let [note, turns, difference, u] = figures(station, roll);
        let label = crate::source::one_line(&station.label);
        table.row([note, turns, difference, u, label, words(station, roll)]);
    }
    let mut out = format!("{}\n{}", crate::source::one_line(&headline(record)), table.print());
    out.extend(remarks(record).iter().map(|remark| set("", remark)));
    out + &notes(&record.warnings)
}

/// The same as a page for a browser and for paper.
pub fn page(record: &RollRecord, made: &str) -> String {
    let roll = &record.roll;
    let columns = [
        ("station", Set::Words),
        ("against control (Hz)", Set::Figures),
        ("± (Hz)", Set::Figures),
        ("in words", Set::Sentences),
        ("note (Hz)", Set::Figures),
        ("turns", Set::Figures),
    ];
    let mut table = html::Table::new("Every station against net control", &columns);
    for station in &roll.stations {
        let [note, turns, difference, u] = figures(station, roll);
        // Two answers stand below each other.
        let difference = difference.replace(" or ", " or<br/>");
        let words = [words(station, roll), advice(station, roll)].join("");
        let words = escape(&html::held_together(&words));
        let cells = [outside(&station.label), difference, u, words, note, turns];
        let class = if station.label == roll.control { "total" } else { "" };
        table.marked_row(cells, class);
    }
    let reading: String = remarks(record).iter().map(|remark| paragraph(remark)).collect();
    let mut doubts = String::new();
    for warning in &record.warnings {
        doubts += &["<p class=\"caution\">", &escape(&warning.message), "</p>\n"].concat();
    }
    let main = section("stations", "Stations", &table.print())
        + &section("how", "How to read it", &(reading + &doubts));
    let foot =
        format!("<p>Made by hushbeat {} on {}.</p>\n", env!("CARGO_PKG_VERSION"), escape(&instant(made)));
    html::page(&format!("Roll-call: {}", roll.control), &paragraph(&headline(record)), &main, &foot)
}

fn headline(record: &RollRecord) -> String {
    let turns: usize = record.roll.stations.iter().map(|station| station.turns).sum();
    format!(
        "{}: {} stations, {turns} turns at one setting of the dial, control: {}",
        record.path,
        record.roll.stations.len(),
        record.roll.control
    )
}

/// Note, turns, difference and its u as printed.
fn figures(station: &Station, roll: &RollCall) -> [String; 4] {
    let note = format!("{:.*}", decimals_for(station.u_hz.max(1e-3)).min(3), station.offset_hz);
    let turns = station.turns.to_string();
    if station.label == roll.control {
        return [note, turns, "–".to_owned(), "–".to_owned()];
    }
    let signed = |hertz: f64| format!("{:+.*}", decimals_for(station.u_hz.max(1e-6)), hertz);
    let difference = station.difference_hz.map_or_else(|| answers(station, signed), signed);
    [note, turns, difference, value_and_u(0.0, station.u_hz).1]
}

/// The answers that sides leave open: where nobody's side is known, each size stands on either side.
fn answers(station: &Station, signed: impl Fn(f64) -> String) -> String {
    let either = |pair: &[f64]| matches!(pair, [a, b] if (a + b).abs() < 1e-9);
    let pairs = station.alternatives_hz.chunks(2);
    let words: Vec<String> = if pairs.clone().all(either) {
        pairs.map(|pair| format!("±{}", signed(pair[0].abs()).trim_start_matches('+'))).collect()
    } else {
        station.alternatives_hz.iter().map(|&hertz| signed(hertz)).collect()
    };
    words.join(" or ")
}

/// Which side of net control, and where the meter stood.
fn words(station: &Station, roll: &RollCall) -> String {
    if station.label == roll.control {
        return format!("net control, {}", side_words(station.side));
    }
    match station.difference_hz {
        None => "side not known".to_owned(),
        Some(hertz) if hertz.abs() <= 2.0 * station.u_hz => "on net control within its ±".to_owned(),
        Some(hertz) if hertz > 0.0 => "above net control".to_owned(),
        Some(_) => "below net control".to_owned(),
    }
}

/// What to do about it, as the rest of a sentence.
fn advice(station: &Station, roll: &RollCall) -> String {
    match station.difference_hz {
        Some(hertz) if station.label != roll.control && hertz.abs() > 2.0 * station.u_hz => {
            let (size, _) = value_and_u(hertz.abs(), station.u_hz);
            format!(": {} by {size} Hz", if hertz > 0.0 { "lower it" } else { "raise it" })
        }
        _ => String::new(),
    }
}

fn remarks(record: &RollRecord) -> Vec<String> {
    let roll = &record.roll;
    let mut remarks = vec![format!(
        "± is one standard uncertainty of the difference: the two notes, and what the meter may have moved between the turns (a wander of {:.4} Hz per root second). Reading, book, crystal and the meter's own error drop out.",
        roll.wander_hz_per_root_s
    )];
    if let Some(drift) = roll.drift_hz_per_s {
        let (drift, u) = value_and_u(drift, roll.drift_u_hz_per_s);
        remarks.push(format!("The meter's drift against the net, {drift} ± {u} Hz/s, is taken out."));
    }
    if roll.widened >= 1.05 {
        remarks.push(format!(
            "Turns of one station scatter: every ± is {:.1} times what the rests alone would give.",
            roll.widened
        ));
    }
    remarks
}
