//! A calibration book: frequency against reading for one range, with what its printing has rounded away.

use super::error::DialError;
use super::interpolate::interpolate;
use super::plate::Plate;
use super::table::{Table, decimals};

/// The header of a book, and what may follow: the standard uncertainty of a row's reading, divisions.
pub const HEADER: [&str; 2] = ["frequency_khz", "reading"];
pub const U_DIV: [&str; 1] = ["u_div"];

/// Rows as they stand in the file, in the file's order, not yet held against the dial.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// The text they came from.
    pub table: Table,
    /// Frequencies, Hz.
    pub hertz: Vec<f64>,
    /// Readings, divisions.
    pub readings: Vec<f64>,
    /// Standard uncertainty of each reading where the book states it, divisions; else 0.
    pub u_div: Vec<f64>,
    /// Grain of the frequency column, the largest step of which all its figures are multiples, Hz.
    pub frequency_grain_hz: f64,
    /// Grain of the reading column, divisions.
    pub reading_grain: f64,
}

impl Rows {
    /// Reads the rows of a book without asking for their order.
    ///
    /// # Errors
    /// A missing header, a field that is no number, a frequency that is not positive or beyond 1 THz.
    pub fn parse(text: &str, file: &str) -> Result<Self, DialError> {
        let table = Table::read(text, file, &HEADER, &U_DIV)?;
        let (mut khz_column, mut readings, mut u_div) = (Vec::new(), Vec::new(), Vec::new());
        for record in &table.records {
            let khz = table.number(record, 0, "the frequency in kHz")?;
            let reading = table.number(record, 1, "the reading in divisions")?;
            if !(khz > 0.0 && khz <= 1e9) {
                return Err(table.error(
                    record.line,
                    format!("a frequency of {khz} kHz can't be"),
                    "the first column is in kHz",
                ));
            }
            let u = if record.fields.len() > 2 { table.number(record, 2, "u in divisions")? } else { 0.0 };
            if u < 0.0 {
                let what = format!("u_div = {u} can't be");
                return Err(table.error(record.line, what, "an uncertainty is 0 or above"));
            }
            khz_column.push(khz);
            readings.push(reading);
            u_div.push(u);
        }
        let places = |column: usize| {
            let written = table.records.iter().map(|record| decimals(&record.fields[column]));
            written.max().unwrap_or(0)
        };
        let frequency_grain_hz = 1e3 * grain(&khz_column, places(0));
        let reading_grain = grain(&readings, places(1));
        Ok(Self {
            hertz: khz_column.iter().map(|khz| khz * 1e3).collect(),
            readings,
            u_div,
            frequency_grain_hz,
            reading_grain,
            table,
        })
    }
}

/// The largest step of which all the figures of a column, written with this many decimals, are multiples.
fn grain(column: &[f64], decimals: usize) -> f64 {
    // More than six decimals are no rounding that matters on any dial.
    let unit = 10f64.powf(decimals.min(6) as f64);
    let common = column.iter().fold(0u64, |common, value| {
        let (mut a, mut b) = (common, (value.abs() * unit).round() as u64);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a
    });
    common.max(1) as f64 / unit
}

/// A column this many times coarser than the other was chosen, not measured.
const CHOSEN_IS_COARSER: f64 = 3.0;

/// A book that has been held against its dial: rows in the order of rising readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Book {
    /// Name of the file.
    pub file: String,
    readings: Vec<f64>,
    hertz: Vec<f64>,
    /// Standard uncertainty of each reading where the book states it, divisions; else 0.
    u_div: Vec<f64>,
    /// Rounding step of the readings, divisions; 0 where the readings were chosen.
    reading_rounding: f64,
    /// Rounding step of the frequencies, Hz; 0 where the frequencies were chosen.
    frequency_rounding_hz: f64,
}

/// What a book says at a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct BookPoint {
    /// The reading, divisions.
    pub reading: f64,
    /// The meter's frequency there by the book, Hz.
    pub hertz: f64,
    /// Hz per division (negative where the frequency falls as the reading rises).
    pub slope: f64,
    /// Index and weight of the rows it was made from.
    pub rows: Vec<(usize, f64)>,
    /// Standard uncertainty of one row from its rounding, at this slope, Hz.
    pub row_u_hz: f64,
    /// What interpolation by a cubic neglects, and what the book itself states of its rows, taken as a standard
    /// uncertainty, Hz.
    pub remainder_hz: f64,
}

impl BookPoint {
    /// Standard uncertainty of the book at this reading, from rounding and interpolation, Hz.
    pub fn u_hz(&self) -> f64 {
        let weight: f64 = self.rows.iter().map(|row| row.1 * row.1).sum();
        (self.row_u_hz * weight.sqrt()).hypot(self.remainder_hz)
    }
}

impl Book {
    /// Reads a book and holds it against the dial.
    ///
    /// # Errors
    /// A missing header, a field that is no number, rows out of order, a row given twice, a reading off the dial, fewer than two rows.
    pub fn parse(text: &str, file: &str, plate: &Plate) -> Result<Self, DialError> {
        Self::new(Rows::parse(text, file)?, plate)
    }

    /// Holds rows against the dial they belong to.
    ///
    /// # Errors
    /// Rows out of order, a row given twice, a reading off the dial, fewer than two rows.
    pub fn new(rows: Rows, plate: &Plate) -> Result<Self, DialError> {
        let table = &rows.table;
        let line = |row: usize| table.records[row].line;
        let last = rows.hertz.len() - 1;
        if last == 0 {
            return Err(table.error(
                line(0),
                "one row is no book",
                "at least two rows, better one to a few divisions",
            ));
        }
        for (row, &reading) in rows.readings.iter().enumerate() {
            if !(0.0..=plate.end()).contains(&reading) {
                return Err(table.error(
                    line(row),
                    format!("reading {reading} is off the dial"),
                    format!("the dial runs from 0 to {}", plate.end()),
                ));
            }
        }
        // The page may run either way; its first and last row tell which.
        let up = rows.hertz[last] > rows.hertz[0];
        let readings_up = up == plate.rises;
        for row in 1..=last {
            let (before, here) =
                ((rows.hertz[row - 1], rows.readings[row - 1]), (rows.hertz[row], rows.readings[row]));
            let follows = |before: f64, here: f64, up: bool| if up { here > before } else { here < before };
            if before == here {
                return Err(table.error(
                    line(row),
                    format!("this row stands already in line {}", line(row - 1)),
                    "strike one of them",
                ));
            }
            if !follows(before.0, here.0, up) {
                return Err(table.error(
                    line(row),
                    format!("{} kHz does not come after {} kHz", here.0 / 1e3, before.0 / 1e3),
                    "rows stand in the order of frequency, each frequency once",
                ));
            }
            if !follows(before.1, here.1, readings_up) {
                return Err(table.error(
                    line(row),
                    format!("reading {} does not come after {}", here.1, before.1),
                    format!(
                        "the meter file says that the frequency {} with the reading",
                        if plate.rises { "rises" } else { "falls" }
                    ),
                ));
            }
        }
        let (mut readings, mut hertz, mut u_div) = (rows.readings, rows.hertz, rows.u_div);
        if !readings_up {
            readings.reverse();
            hertz.reverse();
            u_div.reverse();
        }
        // One column was chosen in round figures and is exact, the other was measured and rounded: the finer grain, at
        // the book's mean slope, tells which. Where the grains are alike both are taken as rounded.
        let mean_slope = ((hertz[last] - hertz[0]) / (readings[last] - readings[0])).abs();
        let coarseness = rows.frequency_grain_hz / (rows.reading_grain * mean_slope);
        Ok(Self {
            file: rows.table.file,
            reading_rounding: if coarseness < 1.0 / CHOSEN_IS_COARSER { 0.0 } else { rows.reading_grain },
            frequency_rounding_hz: if coarseness > CHOSEN_IS_COARSER { 0.0 } else { rows.frequency_grain_hz },
            readings,
            hertz,
            u_div,
        })
    }

    /// The book's frequencies from the lowest to the highest, Hz.
    pub fn frequencies(&self) -> Vec<f64> {
        let mut all = self.hertz.clone();
        all.sort_by(f64::total_cmp);
        all
    }

    /// First and last reading, divisions.
    pub fn readings(&self) -> (f64, f64) {
        (self.readings[0], self.readings[self.readings.len() - 1])
    }

    /// Lowest and highest frequency, Hz.
    pub fn reach(&self) -> (f64, f64) {
        let (first, last) = (self.hertz[0], self.hertz[self.hertz.len() - 1]);
        (first.min(last), first.max(last))
    }

    /// What the book says at a reading.
    ///
    /// # Errors
    /// A reading outside the rows: a book is never extended by guessing.
    pub fn at(&self, reading: f64) -> Result<BookPoint, DialError> {
        let (low, high) = self.readings();
        if !(low..=high).contains(&reading) {
            return Err(DialError::OffBook {
                reading,
                book: self.file.clone(),
                low,
                high,
                hint: "a book is not extended beyond its rows; is it the right range?",
            });
        }
        let found = interpolate(&self.readings, &self.hertz, reading);
        let stated = found.rows.iter().map(|&(row, _)| self.u_div[row]).fold(0.0, f64::max);
        Ok(BookPoint {
            reading,
            hertz: found.value,
            slope: found.slope,
            // What a row's own u adds is common to its neighbours, so it is not lessened by their weights.
            remainder_hz: found.remainder.hypot(stated * found.slope),
            // A rounding step q leaves a rectangle of half-width q/2: u = q/√12.
            row_u_hz: self.frequency_rounding_hz.hypot(self.reading_rounding * found.slope) / 12f64.sqrt(),
            rows: found.rows,
        })
    }

    /// What the book says where the meter gives `hertz`; `None` outside the rows.
    pub fn reading_of(&self, hertz: f64) -> Option<BookPoint> {
        let rises = self.hertz[0] < self.hertz[self.hertz.len() - 1];
        let below = |value: f64| if rises { value < hertz } else { value > hertz };
        let right = self.hertz.partition_point(|&value| below(value));
        if right == 0 {
            // Exactly on the first row, or outside.
            return (self.hertz[0].to_bits() == hertz.to_bits())
                .then(|| self.at(self.readings[0]).ok())
                .flatten();
        }
        if right == self.hertz.len() {
            return None;
        }
        // Halving inside the rows that bracket it; 60 steps exhaust the digits of a reading.
        let (mut low, mut high) = (self.readings[right - 1], self.readings[right]);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if middle <= low || middle >= high {
                break;
            }
            if below(interpolate(&self.readings, &self.hertz, middle).value) {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.at(high).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dial::plate::Approach;

    fn plate(rises: bool) -> Plate {
        Plate {
            divisions_per_turn: 100.0,
            turns: 10,
            vernier: 10,
            rises,
            u_div: 0.05,
            backlash_div: 0.0,
            book_approach: Approach::Rising,
        }
    }

    const BOOK: &str =
        "frequency_khz,reading\n# upper half\n100,10.0\n101,20.1\n102,30.4\n103,40.9\n104,51.6\n";

    #[test]
    fn a_book_reads_both_ways() {
        let book = Book::parse(BOOK, "b.csv", &plate(true)).unwrap();
        let point = book.at(30.4).unwrap();
        assert!((point.hertz - 102_000.0).abs() < 1e-9);
        let back = book.reading_of(102_500.0).unwrap();
        assert!((book.at(back.reading).unwrap().hertz - 102_500.0).abs() < 1e-6);
        assert!((book.reading_of(100_000.0).unwrap().reading - 10.0).abs() < 1e-9);
        assert!((book.reading_of(104_000.0).unwrap().reading - 51.6).abs() < 1e-9);
        assert_eq!(book.reading_of(99_999.0), None);
        assert!(book.at(51.7).is_err());
    }

    /// Frequencies go in steps of 1 kHz, readings are rounded to a tenth: one row's u is 0.1/√12 division.
    #[test]
    fn the_rounding_is_in_the_column_that_was_measured() {
        let book = Book::parse(BOOK, "b.csv", &plate(true)).unwrap();
        let point = book.at(30.4).unwrap();
        assert!((point.row_u_hz - point.slope * 0.1 / 12f64.sqrt()).abs() < 1e-9);
        let by_reading = "frequency_khz,reading\n100.00,10\n101.03,20\n102.09,30\n103.17,40\n104.28,50\n";
        let book = Book::parse(by_reading, "b.csv", &plate(true)).unwrap();
        assert!((book.at(25.0).unwrap().row_u_hz - 10.0 / 12f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn a_dial_that_falls_and_a_page_from_top_to_bottom_are_taken() {
        let falling = "frequency_khz,reading\r\n100,51.6\r\n101,40.9\r\n102,30.4\r\n103,20.1\r\n104,10\r\n";
        let book = Book::parse(&format!("\u{feff}{falling}"), "b.csv", &plate(false)).unwrap();
        assert!(book.at(30.0).unwrap().slope < 0.0);
        assert!((book.reading_of(103_000.0).unwrap().reading - 20.1).abs() < 1e-9);
        let downward = "frequency_khz,reading\n104,51.6\n103,40.9\n102,30.4\n";
        assert!(Book::parse(downward, "b.csv", &plate(true)).is_ok());
    }

    #[test]
    fn slips_are_refused_with_their_line() {
        let say = |text: &str| Book::parse(text, "b.csv", &plate(true)).unwrap_err().to_string();
        let cases = [
            ("frequency_khz,reading\n100,10\n99,20\n102,30\n", "b.csv:3: 99 kHz does not come after 100 kHz"),
            ("frequency_khz,reading\n100,10\n101,9\n102,30\n", "b.csv:3: reading 9 does not come after 10"),
            (
                "frequency_khz,reading\n100,10\n\n100,10\n102,30\n",
                "b.csv:4: this row stands already in line 2",
            ),
            ("frequency_khz,reading\n100,10\n101,1000.1\n", "b.csv:3: reading 1000.1 is off the dial"),
            (
                "frequency_khz,reading\n100,10\n101,nan\n",
                "b.csv:3: `nan` is not a number for the reading in divisions",
            ),
            ("frequency_khz,reading\n1e300,10\n", "b.csv:2: a frequency of 1"),
            ("frequency_khz,reading\n100\n", "b.csv:2: expected 2 columns, found 1"),
            ("frequency_khz,reading\n100,5,10,2\n", "b.csv:2: expected 2 columns, found 4"),
            ("frequency_khz;reading\n100;10\n", "b.csv:1: expected the header"),
            ("reading,frequency_khz\n1,1\n", "b.csv:1: expected the header"),
            ("", "b.csv:1: the table is empty"),
            ("frequency_khz,reading\n100,10\n", "b.csv:2: one row is no book"),
        ];
        for (text, start) in cases {
            let said = say(text);
            assert!(said.starts_with(start), "{said}");
            assert!(said.contains("; hint: "), "{said}");
            assert!(!said.contains('\n'), "{said}");
        }
    }
}
