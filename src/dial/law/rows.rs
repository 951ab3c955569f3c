//! A new book from a law: its rows, how far they can be trusted, and where more points are needed.

use super::{Law, Point, reach};
use crate::dial::error::DialError;
use crate::dial::plate::Plate;
use serde::Serialize;

/// Rows go on outside the outermost points up to this u, divisions.
const EXTENDED_DIV: f64 = 0.25;
/// Rows of a larger u ask for more points: two of it are half a division.
const WANTED_DIV: f64 = 0.25;
/// A point farther than this many u from what the others say is doubted.
const STRANGE: f64 = 4.0;
/// Rows that a book without an old one to follow has at least.
const ROWS: f64 = 200.0;

/// A row of a new book.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NewRow {
    /// The fundamental, kHz.
    pub frequency_khz: f64,
    /// Reading, rounded as the vernier reads, divisions.
    pub reading: f64,
    /// Standard uncertainty of the reading, rounding included, divisions.
    pub u_div: f64,
}

/// A point against the law.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Residual {
    /// Line in the points file.
    pub line: usize,
    /// N/M, or the frequency in kHz.
    pub point: String,
    /// The fundamental, Hz.
    pub frequency_hz: f64,
    /// Reading, divisions.
    pub reading: f64,
    /// Standard uncertainty of the reading, divisions.
    pub u_div: f64,
    /// Point less law, divisions.
    pub residual_div: f64,
    /// Point less a law that never saw it, divisions.
    pub left_out_div: f64,
    /// The point disagrees with the others.
    pub doubted: bool,
}

/// A stretch of the range where more points are needed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gap {
    /// First frequency, Hz.
    pub from_hz: f64,
    /// Last frequency, Hz.
    pub to_hz: f64,
    /// Largest u there, divisions; null where no row could be made.
    pub u_div: Option<f64>,
}

/// A new book.
#[derive(Debug, Clone, PartialEq)]
pub struct NewBook {
    /// Rows in the order of frequency.
    pub rows: Vec<NewRow>,
    /// The points, by reading.
    pub residuals: Vec<Residual>,
    /// Where more points are needed, by frequency.
    pub gaps: Vec<Gap>,
}

/// Makes the rows between `span_hz`, at the old book's frequencies where it gives the shape, else in steps of
/// `step_hz` or, that left out, in round steps that make some hundreds of rows.
///
/// # Errors
/// A law that turns back between its points, or that gives no row inside the span.
pub fn new_book(
    law: &Law,
    points: &[Point],
    plate: &Plate,
    span_hz: (f64, f64),
    step_hz: Option<f64>,
    file: &str,
) -> Result<NewBook, DialError> {
    let (first, last) = reach(law, points, plate, EXTENDED_DIV, file)?;
    let ends = [law.at(first)?, law.at(last)?].map(|end| end.map_or(f64::NAN, |end| end.hertz));
    let (low, high) = (ends[0].min(ends[1]).max(span_hz.0), ends[0].max(ends[1]).min(span_hz.1));
    let wanted: Vec<f64> = if let (Some(book), None) = (law.shape, step_hz) {
        book.frequencies()
    } else {
        let step = step_hz.unwrap_or_else(|| round_step((span_hz.1 - span_hz.0) / ROWS));
        let count = (high / step).floor() - (low / step).ceil();
        (0..=count.max(0.0) as usize).map(|row| ((low / step).ceil() + row as f64) * step).collect()
    };
    let parts = f64::from(plate.vernier);
    let mut rows: Vec<NewRow> = Vec::new();
    for hertz in wanted.into_iter().filter(|hertz| (low..=high).contains(hertz)) {
        let Some((reading, u_div)) = reading_of(law, (first, last), plate, hertz)? else { continue };
        let rounded = (reading * parts).round() / parts;
        let u_div = u_div.hypot(1.0 / parts / 12f64.sqrt());
        // Rows closer than the vernier reads would stand at one reading.
        if rows.last().is_none_or(|row| (row.reading - rounded).abs() > 0.5 / parts) {
            rows.push(NewRow { frequency_khz: hertz / 1e3, reading: rounded, u_div });
        }
    }
    if rows.len() < 2 {
        return Err(DialError::NoLaw {
            file: file.to_owned(),
            what: format!(
                "these points reach from {:.1} to {:.1} kHz, which leaves no rows in the range",
                low / 1e3,
                high / 1e3
            ),
        });
    }
    let residuals = points
        .iter()
        .zip(law.residuals(points)?)
        .map(|(point, (residual_div, left_out_div, z))| Residual {
            line: point.line,
            point: point.name.clone(),
            frequency_hz: point.hertz,
            reading: point.reading,
            u_div: point.u_div,
            residual_div,
            left_out_div,
            doubted: z.abs() > STRANGE,
        })
        .collect();
    Ok(NewBook { gaps: gaps(&rows, span_hz), rows, residuals })
}

/// The reading at which the law gives `hertz`, and its u, divisions.
fn reading_of(
    law: &Law,
    (mut low, mut high): (f64, f64),
    plate: &Plate,
    hertz: f64,
) -> Result<Option<(f64, f64)>, DialError> {
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        let Some(point) = law.at(middle)? else { return Ok(None) };
        if (point.hertz < hertz) == plate.rises { low = middle } else { high = middle }
    }
    let middle = f64::midpoint(low, high);
    Ok(law.at(middle)?.map(|point| (middle, point.u_div)))
}

/// The stretches without rows or with a large u.
fn gaps(rows: &[NewRow], span_hz: (f64, f64)) -> Vec<Gap> {
    let mut gaps: Vec<Gap> = Vec::new();
    let (first, last) = (rows[0].frequency_khz * 1e3, rows[rows.len() - 1].frequency_khz * 1e3);
    let step = rows.windows(2).map(|pair| (pair[1].frequency_khz - pair[0].frequency_khz) * 1e3);
    let step = step.fold(0.0, f64::max);
    if first - span_hz.0 > 1.5 * step {
        gaps.push(Gap { from_hz: span_hz.0, to_hz: first, u_div: None });
    }
    let mut open: Option<Gap> = None;
    for row in rows {
        let hertz = row.frequency_khz * 1e3;
        if row.u_div > WANTED_DIV {
            let gap = open.get_or_insert(Gap { from_hz: hertz, to_hz: hertz, u_div: None });
            gap.to_hz = hertz;
            gap.u_div = Some(gap.u_div.unwrap_or(0.0).max(row.u_div));
        } else {
            gaps.extend(open.take());
        }
    }
    gaps.extend(open);
    if span_hz.1 - last > 1.5 * step {
        gaps.push(Gap { from_hz: last, to_hz: span_hz.1, u_div: None });
    }
    gaps
}

/// The largest of 1, 2, 2.5 and 5 times a power of ten that is not above `wish`.
fn round_step(wish: f64) -> f64 {
    let decade = 10f64.powf(wish.log10().floor());
    [1.0, 2.0, 2.5, 5.0].into_iter().rfind(|m| m * decade <= wish * (1.0 + 1e-9)).unwrap_or(1.0) * decade
}
