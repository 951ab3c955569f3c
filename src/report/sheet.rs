//! A net's card as text and as a page for paper.

use super::html::{self, Set, escape, outside, paragraph};
use super::table::Table;
use crate::dial::Plate;
use crate::measured::value_and_u;
use crate::task::sheet::{Line, Sheet};

/// The card as text.
pub fn text(record: &Sheet, plate: &Plate) -> String {
    let mut table = Table::new(&[
        ("frequency", "kHz"),
        ("range", ""),
        ("harm", ""),
        ("drum/dial", "div"),
        ("slope", "Hz/div"),
        ("u", "Hz"),
        ("tolerance", "div"),
        ("check at", "div"),
        ("point", ""),
        ("label", ""),
    ]);
    for line in &record.channels {
        let [reading, check, orders] = settings(line, plate);
        table.row([
            khz(line.frequency_hz),
            line.setting.range.clone(),
            line.setting.harmonic.to_string(),
            reading,
            format!("{:.1}", line.setting.slope_hz_per_div.abs()),
            value_and_u(0.0, line.setting.u_hz).1,
            tolerance(line),
            check,
            orders,
            line.label.clone(),
        ]);
    }
    let mut out = format!("{}\n{}", record.meter, table.print());
    for remark in remarks(record, plate) {
        out.push_str(&remark);
        out.push('\n');
    }
    out
}

/// The card as a page that prints on one leaf, with room to note what was found.
pub fn page(record: &Sheet, plate: &Plate) -> String {
    let mut table = html::Table::new(
        "The surest setting for each channel",
        &[
            ("channel", Set::Words),
            ("kHz", Set::Figures),
            ("range", Set::Words),
            ("harmonic", Set::Figures),
            ("drum/dial", Set::Figures),
            ("Hz/div", Set::Figures),
            ("u (Hz)", Set::Figures),
            ("tolerance (div)", Set::Figures),
            ("check at", Set::Figures),
            ("point", Set::Words),
            ("found", Set::Words),
        ],
    );
    for line in &record.channels {
        let [reading, check, orders] = settings(line, plate);
        let cells = [
            outside(&line.label),
            khz(line.frequency_hz),
            escape(&line.setting.range),
            line.setting.harmonic.to_string(),
            format!("<strong>{reading}</strong>"),
            format!("{:.1}", line.setting.slope_hz_per_div.abs()),
            value_and_u(0.0, line.setting.u_hz).1,
            tolerance(line),
            check,
            orders,
            String::new(),
        ];
        table.marked_row(cells, "channel");
    }
    let notes: String = remarks(record, plate).iter().map(|remark| paragraph(remark)).collect();
    let made = concat!("<p>Made by hushbeat ", env!("CARGO_PKG_VERSION"), " from the meter's book.</p>\n");
    let title = format!("Dial card: {}", record.meter);
    let rules = "body { max-width: 66rem; }\ntr.channel td:last-child { min-width: 9rem; }\ntr.channel th { white-space: nowrap; }\n\
                 td strong { font-size: 1.15em; }\n@media print { @page { size: landscape; } }\n";
    html::styled_page(&title, "", &(table.print() + &notes), made, rules)
}

/// Drum and dial, the check point's drum and dial, and its orders.
fn settings(line: &Line, plate: &Plate) -> [String; 3] {
    let (check, orders) = match &line.checkpoint {
        Some(point) => {
            (plate.engraved(point.reading), format!("{}/{}", point.crystal_harmonic, point.meter_harmonic))
        }
        None => ("–".to_owned(), "–".to_owned()),
    };
    [plate.engraved(line.setting.reading), check, orders]
}

/// A frequency in kHz with all its figures, three decimals at least where it has any.
fn khz(hertz: f64) -> String {
    let exact = format!("{:.6}", hertz / 1e3);
    let short = exact.trim_end_matches('0');
    let decimals = short.split_once('.').map_or(0, |(_, fraction)| fraction.len());
    format!("{:.*}", decimals.max(3), hertz / 1e3)
}

fn tolerance(line: &Line) -> String {
    let sign = if line.sure == Some(false) { " !" } else { "" };
    line.tolerance_div.map_or_else(|| "–".to_owned(), |div| format!("±{div:.2}{sign}"))
}

fn remarks(record: &Sheet, plate: &Plate) -> Vec<String> {
    let mut remarks: Vec<String> = Vec::new();
    if let Some(hold_off) = record.hold_off_hz {
        let side = if hold_off < 0.0 { "below" } else { "above" };
        remarks.push(format!(
            "Every reading holds the meter {:.0} Hz {side} its channel: a signal on the channel gives a note of {:.0} Hz.",
            hold_off.abs(),
            hold_off.abs()
        ));
    }
    remarks.push(
        "Set the corrector to zero beat at the check point (crystal harmonic / meter harmonic) first."
            .to_owned(),
    );
    if plate.backlash_div > 0.0 {
        remarks.push(format!(
            "Come to every reading with the reading {}, as the book was made.",
            plate.book_approach.word()
        ));
    }
    if record.channels.iter().any(|line| line.sure == Some(false)) {
        remarks.push(
            "!: 2u of book and reading exceed the tolerance; measure with hushbeat correct and a check point."
                .to_owned(),
        );
    }
    remarks
}
