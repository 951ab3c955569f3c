//! Check points as text.

use crate::dial::Plate;
use crate::task::checkpoints::CheckPoints;
use std::fmt::Write;

/// Sets the points out in a table that fits 80 columns.
pub fn text(record: &CheckPoints, plate: &Plate) -> String {
    if record.checkpoints.is_empty() {
        return "no check point that can be heard lies on this range\n".to_owned();
    }
    let decimals = plate.reading_decimals();
    let mut out = format!(
        "{:<10}{:>8}{:>18}{:>10}{:>11}{:>10}\n",
        "range", "point", "fundamental, kHz", "reading", "drum/dial", "loudness"
    );
    for point in &record.checkpoints {
        let orders = format!("{}/{}", point.crystal_harmonic, point.meter_harmonic);
        let close = if point.too_close { "  beside another" } else { "" };
        // Writing to a string can't fail.
        let _ = writeln!(
            out,
            "{:<10}{orders:>8}{:>18.3}{:>10.decimals$}{:>11}{:>10}{close}",
            point.range,
            point.frequency_hz / 1e3,
            point.reading,
            plate.engraved(point.reading),
            point.loudness_rank,
        );
    }
    out.push_str("point: crystal harmonic / meter harmonic; loudness: 1 is the loudest of its range\n");
    if record.checkpoints.iter().any(|point| point.too_close) {
        out.push_str("beside another: the two are easily mistaken; take a point that stands alone\n");
    }
    out
}
