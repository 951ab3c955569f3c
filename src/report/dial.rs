//! Dial settings as text.

use crate::dial::Plate;
use crate::measured::value_and_u;
use crate::task::dial::{NearCheck, Read, Settings, TransferRecord};
use std::fmt::Write;

/// Sets out every way to reach a frequency, best first.
pub fn settings_text(record: &Settings, plate: &Plate) -> String {
    let mut out = String::new();
    let decimals = plate.reading_decimals();
    let harmonic = if record.signal_harmonic > 1 {
        format!(" by its harmonic {}", record.signal_harmonic)
    } else {
        String::new()
    };
    // Writing to a string can't fail.
    let _ = writeln!(out, "{:.3} kHz{harmonic}, best way first", record.wanted_hz / 1e3);
    let _ = writeln!(
        out,
        "{:<10}{:>8}{:>11}{:>11}{:>18}{:>15}{:>10}",
        "range", "harmonic", "reading", "drum/dial", "fundamental", "at the signal", "u"
    );
    for way in &record.settings {
        let (fundamental, _) = value_and_u(way.fundamental_hz, way.u_hz / f64::from(way.harmonic));
        let _ = writeln!(
            out,
            "{:<10}{:>8}{:>11.decimals$}{:>11}{:>15} Hz{:>8.1} Hz/div{:>7} Hz",
            way.range,
            way.harmonic,
            way.reading,
            plate.engraved(way.reading),
            fundamental,
            way.slope_hz_per_div,
            value_and_u(0.0, way.u_hz).1,
        );
        if !way.checkpoints.is_empty() {
            let points: Vec<String> = way.checkpoints.iter().map(|point| near(point, decimals)).collect();
            let _ = writeln!(out, "{:<10}check at {}", "", points.join(", or "));
        }
        if let Some(found) = &way.transfer {
            let _ = writeln!(out, "{:<10}untouched at {}", "", untouched(found, plate));
        }
    }
    if record.settings.iter().any(|way| way.transfer.is_some()) {
        out.push_str(
            "untouched: check point and signal are heard at one setting of the dial; reading\nand book drop out, u is the crystal's\n",
        );
    }
    if plate.backlash_div > 0.0 {
        let _ = writeln!(
            out,
            "come to every reading with the reading {}, as the book was made",
            plate.book_approach.word()
        );
    }
    out
}

/// Check point and signal at one setting, in words.
fn untouched(found: &TransferRecord, plate: &Plate) -> String {
    let side = |beat: f64| if beat < 0.0 { "below" } else { "above" };
    format!(
        "{:.*}: {:.0} Hz {} {}/{}, {:.0} Hz {} the signal; u {} Hz",
        plate.reading_decimals(),
        found.reading,
        found.check_beat_hz.abs(),
        side(found.check_beat_hz),
        found.crystal_harmonic,
        found.meter_harmonic,
        found.signal_beat_hz.abs(),
        side(found.signal_beat_hz),
        value_and_u(0.0, found.u_hz).1
    )
}

fn near(point: &NearCheck, decimals: usize) -> String {
    format!(
        "{:.decimals$} ({}/{}, {:.3} kHz)",
        point.reading,
        point.crystal_harmonic,
        point.meter_harmonic,
        point.frequency_hz / 1e3
    )
}

/// Says what a reading stands for.
pub fn reading_text(record: &Read) -> String {
    let (frequency, u) = value_and_u(record.frequency_hz, record.u_hz);
    format!(
        "{frequency} Hz, u = {u} Hz by book and reading; {:.2} Hz to a division\n",
        record.slope_hz_per_div
    )
}
