//! Typing slips in a book, found by its smoothness.
//!
//! A book has one column that was chosen, in even steps, and one that was measured. A slip in the chosen column breaks
//! the steps, and its neighbours say exactly what should stand there. In the measured column every row is held against
//! a curve through its neighbours that never saw the row itself; the scatter of the rows around tells how much is
//! rounding. The worst row is set aside and its neighbours are judged anew, until none is left. A run of rows that
//! carries the figures of the row before or after shows as two jumps of one row's difference.

mod curve;
mod edits;
mod steps;

use super::book::Rows;
use super::table::decimals;
use serde::Serialize;

/// The two columns of a book.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Column {
    /// The first.
    #[serde(rename = "frequency_khz")]
    Frequency,
    /// The second.
    #[serde(rename = "reading")]
    Reading,
}

impl Column {
    fn index(self) -> usize {
        match self {
            Self::Frequency => 0,
            Self::Reading => 1,
        }
    }

    fn other(self) -> Self {
        match self {
            Self::Frequency => Self::Reading,
            Self::Reading => Self::Frequency,
        }
    }

    /// The word for it, with the unit of its figures.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Frequency => ("frequency", "kHz"),
            Self::Reading => ("reading", "div"),
        }
    }
}

/// A row that is probably not what was on the paper.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slip {
    /// Line in the file, counted from 1.
    pub line: usize,
    /// The row's frequency as typed, kHz.
    pub frequency_khz: f64,
    /// The row's reading as typed, divisions.
    pub reading: f64,
    /// The column that is doubted; null where the whole row is.
    pub column: Option<Column>,
    /// What should probably stand in that column; null where the row should not be there at all or in another place.
    pub suggested: Option<f64>,
    /// Why, in words.
    pub reason: String,
}

/// The rows of a book while they are being judged.
struct Page<'a> {
    rows: &'a Rows,
    /// Both columns, kHz and divisions, as they are corrected on the way.
    columns: [Vec<f64>; 2],
    slips: Vec<(usize, Slip)>,
}

impl Page<'_> {
    fn grain(&self, column: Column) -> f64 {
        match column {
            Column::Frequency => self.rows.frequency_grain_hz / 1e3,
            Column::Reading => self.rows.reading_grain,
        }
    }

    fn line(&self, row: usize) -> usize {
        self.rows.table.records[row].line
    }

    fn text(&self, row: usize, column: Column) -> &str {
        &self.rows.table.records[row].fields[column.index()]
    }

    /// A figure as this column would have it.
    fn rounded(&self, value: f64, column: Column) -> f64 {
        let places = self.rows.table.records.iter().map(|record| decimals(&record.fields[column.index()]));
        let unit = 10f64.powf(places.max().unwrap_or(0).min(6) as f64);
        (value * unit).round() / unit
    }

    /// Notes a slip; a row is doubted once.
    fn doubt(&mut self, row: usize, column: Option<Column>, suggested: Option<f64>, reason: String) {
        if self.slips.iter().any(|slip| slip.0 == row) {
            return;
        }
        let slip = Slip {
            line: self.line(row),
            frequency_khz: self.rows.hertz[row] / 1e3,
            reading: self.rows.readings[row],
            column,
            suggested,
            reason,
        };
        self.slips.push((row, slip));
    }

    /// What is said of one figure that should be another.
    fn figure_reason(&self, row: usize, column: Column, suggested: f64, how: &str) -> String {
        let (word, unit) = column.words();
        format!("{how}: {word} {} where {suggested} {unit} is expected", self.text(row, column))
    }
}

/// Finds the slips of a book, in the order of its lines.
pub fn slips(rows: &Rows) -> Vec<Slip> {
    let khz = rows.hertz.iter().map(|hertz| hertz / 1e3).collect();
    let mut page = Page { rows, columns: [khz, rows.readings.clone()], slips: Vec::new() };
    let kept = without_repeats(&mut page);
    let chosen = steps::chosen_column(&page, &kept);
    let kept = match chosen {
        Some(column) => steps::judge(&mut page, column, kept),
        None => kept,
    };
    curve::judge(&mut page, chosen, kept);
    page.slips.sort_by_key(|slip| slip.0);
    page.slips.into_iter().map(|slip| slip.1).collect()
}

/// Rows without those that were typed before.
fn without_repeats(page: &mut Page) -> Vec<usize> {
    let mut kept: Vec<usize> = Vec::new();
    let mut first = std::collections::BTreeMap::new();
    for row in 0..page.rows.hertz.len() {
        let key = (page.rows.hertz[row].to_bits(), page.rows.readings[row].to_bits());
        if let Some(&before) = first.get(&key) {
            let reason = format!("this row stands already in line {}: strike it", page.line(before));
            page.doubt(row, None, None, reason);
        } else {
            first.insert(key, row);
            kept.push(row);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bent book of 60 rows, 1 kHz to the row, readings to a tenth.
    fn book() -> Vec<[String; 2]> {
        (0..60)
            .map(|row| {
                let x = f64::from(row);
                [format!("{}", 200 + row), format!("{:.1}", 300.0 + 21.3 * x + 0.11 * x * x)]
            })
            .collect()
    }

    fn found(rows: &[[String; 2]]) -> Vec<Slip> {
        let lines: Vec<String> = rows.iter().map(|[khz, reading]| format!("{khz},{reading}")).collect();
        let text = format!("frequency_khz,reading\n{}\n", lines.join("\n"));
        slips(&Rows::parse(&text, "b.csv").unwrap())
    }

    /// Line and suggestion of the only slip found.
    fn only(rows: &[[String; 2]]) -> (usize, Option<Column>, Option<f64>, String) {
        let found = found(rows);
        assert_eq!(found.len(), 1, "{found:?}");
        let slip = found.into_iter().next().unwrap();
        (slip.line, slip.column, slip.suggested, slip.reason)
    }

    fn typed(row: usize, column: usize, from: &str, to: &str) -> Vec<[String; 2]> {
        let mut rows = book();
        assert!(rows[row][column].contains(from), "{} has no {from}", rows[row][column]);
        rows[row][column] = rows[row][column].replacen(from, to, 1);
        rows
    }

    #[test]
    fn a_clean_book_is_left_alone() {
        assert_eq!(found(&book()), []);
        let mut down = book();
        down.reverse();
        assert_eq!(found(&down), []);
        assert_eq!(found(&book()[..2]), []);
    }

    /// Row 20 is 220 kHz at 300 + 426 + 44 = 770.0 and stands in line 22.
    #[test]
    fn one_digit_in_either_column() {
        let (line, column, suggested, reason) = only(&typed(20, 1, "770.0", "710.0"));
        assert_eq!((line, column, suggested), (22, Some(Column::Reading), Some(770.0)));
        assert_eq!(reason, "one digit: reading 710.0 where 770 div is expected");
        let (line, column, suggested, _) = only(&typed(20, 0, "220", "280"));
        assert_eq!((line, column, suggested), (22, Some(Column::Frequency), Some(220.0)));
        // First and last row.
        let (line, _, suggested, _) = only(&typed(0, 1, "300.0", "800.0"));
        assert_eq!((line, suggested), (2, Some(300.0)));
        let (line, _, suggested, _) = only(&typed(59, 0, "259", "258.5"));
        assert_eq!((line, suggested), (61, Some(259.0)));
    }

    #[test]
    fn swapped_digits_and_a_lost_point() {
        // Row 30: 300 + 639 + 99 = 1038.0.
        let (line, _, suggested, reason) = only(&typed(30, 1, "1038.0", "1083.0"));
        assert_eq!((line, suggested), (32, Some(1038.0)));
        assert!(reason.starts_with("swapped digits"), "{reason}");
        let (_, _, suggested, reason) = only(&typed(30, 1, "1038.0", "10380"));
        assert_eq!(suggested, Some(1038.0));
        assert!(reason.starts_with("point"), "{reason}");
    }

    #[test]
    fn a_repeated_row_and_a_repeated_reading() {
        let mut rows = book();
        rows.insert(21, rows[20].clone());
        let (line, column, suggested, reason) = only(&rows);
        assert_eq!((line, column, suggested), (23, None, None));
        assert_eq!(reason, "this row stands already in line 22: strike it");
        let mut rows = book();
        rows[21][1] = rows[20][1].clone();
        let (line, _, _, reason) = only(&rows);
        assert_eq!(line, 23);
        assert!(reason.starts_with("the reading of the row before"), "{reason}");
    }

    #[test]
    fn rows_that_changed_places() {
        let mut rows = book();
        rows.swap(20, 21);
        let (line, _, _, reason) = only(&rows);
        assert_eq!(line, 22);
        assert!(reason.contains("changed places"), "{reason}");
    }

    /// From row 20 on ten readings are those of the next row, as when one was passed over and made up for later.
    #[test]
    fn a_run_of_shifted_rows() {
        let mut rows = book();
        for (row, next) in rows[20..30].iter_mut().zip(&book()[21..]) {
            row[1].clone_from(&next[1]);
        }
        let found = found(&rows);
        assert_eq!(found.iter().map(|slip| slip.line).collect::<Vec<_>>(), (22..32).collect::<Vec<_>>());
        for (slip, right) in found.iter().zip(&book()[20..30]) {
            let right: f64 = right[1].parse().unwrap();
            assert!((slip.suggested.unwrap() - right).abs() < 0.11, "{slip:?} {right}");
            assert!(slip.reason.contains("lines 22 to 31"), "{}", slip.reason);
        }
    }
}
