//! Check points for a new book, as they are written down.

use crate::dial::error::DialError;
use crate::dial::meter::Crystal;
use crate::dial::plate::Plate;
use crate::dial::table::{Table, decimals};

/// The two headers of a points file, each with what may follow.
const BY_POINT: ([&str; 2], [&str; 2]) = (["reading", "point"], ["beat_hz", "u_div"]);
const BY_FREQUENCY: ([&str; 2], [&str; 1]) = (["frequency_khz", "reading"], ["u_div"]);

/// A reading at which the meter's fundamental is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Line in the file.
    pub line: usize,
    /// N/M, or the frequency in kHz as it was written.
    pub name: String,
    /// Reading, divisions.
    pub reading: f64,
    /// Its standard uncertainty, divisions.
    pub u_div: f64,
    /// The fundamental, Hz.
    pub hertz: f64,
    /// Standard uncertainty of the fundamental but for the crystal's, Hz.
    pub u_hz: f64,
}

/// More points than any crystal gives.
const MOST: usize = 5000;

/// Reads check points. Under the header `reading,point` a point is N/M, where the crystal's harmonic N met the meter's
/// harmonic M, and `beat_hz` is `M·f_meter − N·f_crystal` where it was not nil; under `frequency_khz,reading` the
/// frequency is known otherwise. `u_div` may follow; left out or empty it is the plate's.
///
/// # Errors
/// Anything that is wrong in the file, with its line.
pub fn points(text: &str, file: &str, plate: &Plate, crystal: &Crystal) -> Result<Vec<Point>, DialError> {
    let body = text.strip_prefix('\u{feff}').unwrap_or(text);
    let head = body.lines().map(str::trim).find(|line| !line.is_empty() && !line.starts_with('#'));
    let by_point = head.is_some_and(|head| head.to_ascii_lowercase().starts_with("reading"));
    let table = if by_point {
        Table::read(text, file, &BY_POINT.0, &BY_POINT.1)?
    } else {
        Table::read(text, file, &BY_FREQUENCY.0, &BY_FREQUENCY.1)?
    };
    if let Some(over) = table.records.get(MOST) {
        let what = format!("more than {MOST} points");
        return Err(table.error(over.line, what, "is it the right file? a few dozen points make a book"));
    }
    let mut found = Vec::new();
    for record in &table.records {
        let number = |column: usize, name: &str| table.number(record, column, name);
        let filled = |column: usize| record.fields.get(column).is_some_and(|field| !field.is_empty());
        let at = |what: String, hint: &str| table.error(record.line, what, hint);
        let reading = &record.fields[usize::from(!by_point)];
        let reading = plate.reading(reading).map_err(|error| {
            let told = error.to_string();
            let (what, hint) = told.split_once("; hint: ").unwrap_or((&told, "a reading of this dial"));
            at(what.to_owned(), hint)
        })?;
        let (hertz, u_hz, u_column) = if by_point {
            let orders = record.fields[1].split_once('/').and_then(|(n, m)| {
                let order = |text: &str| text.trim().parse::<u32>().ok().filter(|n| (1..=10_000).contains(n));
                order(n).zip(order(m))
            });
            let Some((n, m)) = orders else {
                return Err(at(
                    format!("`{}` is not a check point", record.fields[1]),
                    "write N/M, such as 7/2",
                ));
            };
            let beat = if filled(2) { number(2, "the beat in Hz")? } else { 0.0 };
            let m = f64::from(m);
            // The beat is read to its last digit.
            let places = if filled(2) { decimals(&record.fields[2]) } else { 0 };
            let u_beat = 10f64.powi(-(places as i32)) / 12f64.sqrt();
            ((f64::from(n) * crystal.actual_hz() + beat) / m, u_beat / m, 3)
        } else {
            let khz = number(0, "the frequency in kHz")?;
            let u_hz = 1e3 * 10f64.powi(-(decimals(&record.fields[0]) as i32)) / 12f64.sqrt();
            // A round figure stands for a standard's own frequency, not for one rounded to a kilohertz.
            (khz * 1e3, if decimals(&record.fields[0]) == 0 { 0.0 } else { u_hz }, 2)
        };
        if !(hertz > 0.0 && hertz <= 1e12) {
            return Err(at(format!("a fundamental of {hertz} Hz can't be"), "is it the right column?"));
        }
        let u_div = if filled(u_column) { number(u_column, "u in divisions")? } else { plate.u_div };
        if !(u_div > 0.0 && u_div <= plate.divisions_per_turn) {
            return Err(at(
                format!("u_div = {u_div} can't be"),
                "the standard uncertainty of the reading, above 0; it is also taken from the meter file's u_div",
            ));
        }
        found.push(Point {
            line: record.line,
            name: record.fields[usize::from(by_point)].clone(),
            reading,
            u_div,
            hertz,
            u_hz,
        });
    }
    for (index, point) in found.iter().enumerate() {
        let before = found[..index].iter().find(|other| {
            (other.hertz - point.hertz).abs() < 1e-9 && (other.reading - point.reading).abs() < 1e-9
        });
        if let Some(before) = before {
            return Err(table.error(
                point.line,
                format!("this point stands already in line {}", before.line),
                "strike one of them",
            ));
        }
    }
    found.sort_by(|a, b| a.reading.total_cmp(&b.reading));
    Ok(found)
}
