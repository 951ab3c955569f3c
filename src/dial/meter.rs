//! A meter: the crystal, the dial, the ranges with their books. Text in, a [`Meter`] out; no file is opened here.

use super::book::Book;
use super::date::Date;
use super::error::DialError;
use super::plan::{MeterPlan, no_such_range};
use super::plate::Plate;
use std::fmt::Display;

/// The check-point crystal and its last calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Crystal {
    /// Nominal frequency, Hz.
    pub frequency_hz: f64,
    /// (actual − nominal)/nominal at the last calibration, ppm.
    pub error_ppm: f64,
    /// Standard uncertainty of the error when it was calibrated, ppm; `None` when nobody ever said.
    pub u_ppm: Option<f64>,
    /// Day of the calibration.
    pub checked: Option<Date>,
    /// Bound for the drift since then, ppm a year, either way.
    pub ageing_ppm_per_year: f64,
    /// Effective degrees of freedom of the calibration; `None` when unlimited.
    pub dof: Option<f64>,
    /// The error found is anywhere between two bounds rather than near their middle.
    pub flat: bool,
}

/// Half-width taken for a crystal of which no uncertainty is stated, ppm (common practice, no source).
pub const UNSTATED_CRYSTAL_PPM: f64 = 100.0;

impl Crystal {
    /// `frequency_hz·(1 + error_ppm·1e-6)`, Hz.
    pub fn actual_hz(&self) -> f64 {
        self.frequency_hz * (1.0 + self.error_ppm * 1e-6)
    }

    /// Standard uncertainty of the error when it was calibrated, ppm, and whether that is a rectangle's.
    pub fn u_then_ppm(&self) -> (f64, bool) {
        match self.u_ppm {
            Some(u_ppm) => (u_ppm, self.flat),
            None => (UNSTATED_CRYSTAL_PPM / 3f64.sqrt(), true),
        }
    }

    /// What it may have aged since then until a day, ppm, half-width.
    pub fn aged_ppm(&self, today: Option<Date>) -> f64 {
        let years = today.zip(self.checked).map_or(0.0, |(today, then)| today.years_since(then).abs());
        self.ageing_ppm_per_year * years
    }

    /// Standard uncertainty of the error on a day, ppm: the calibration's and, as a rectangle, the ageing since.
    pub fn u_ppm_on(&self, today: Option<Date>) -> f64 {
        self.u_then_ppm().0.hypot(self.aged_ppm(today) / 3f64.sqrt())
    }
}

/// One range of the meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Range {
    /// Its name on the switch.
    pub name: String,
    /// Lowest fundamental, Hz.
    pub from_hz: f64,
    /// Highest fundamental, Hz.
    pub to_hz: f64,
    /// Harmonics that serve, in ascending order.
    pub harmonics: Vec<u32>,
    /// Its book.
    pub book: Book,
}

/// A heterodyne frequency meter as its owner describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// What its owner calls it.
    pub name: String,
    /// The check-point crystal.
    pub crystal: Crystal,
    /// The dial.
    pub plate: Plate,
    /// The ranges, in the file's order.
    pub ranges: Vec<Range>,
}

impl Meter {
    /// Reads a meter file's text; `load` is asked for each book by the name given in the file, and answers with the
    /// name to call it by in errors and its text.
    ///
    /// # Errors
    /// Anything that the file or a book has wrong, with file and line.
    pub fn parse<E: Display>(
        text: &str,
        file: &str,
        mut load: impl FnMut(&str) -> Result<(String, String), E>,
    ) -> Result<Self, DialError> {
        let plan = MeterPlan::parse(text, file)?;
        let mut ranges: Vec<Range> = Vec::new();
        for range in plan.ranges {
            let (name, book) = load(&range.book).map_err(|why| DialError::NoBook {
                file: file.to_owned(),
                line: range.book_line,
                book: range.book.clone(),
                why: why.to_string(),
            })?;
            let book = Book::parse(&book, &name, &plan.plate)?;
            ranges.push(range.with(book, file)?);
        }
        Ok(Self { name: plan.name, crystal: plan.crystal, plate: plan.plate, ranges })
    }

    /// The range with this name.
    ///
    /// # Errors
    /// A name that the meter does not have.
    pub fn range(&self, name: &str) -> Result<&Range, DialError> {
        let names = || self.ranges.iter().map(|range| range.name.as_str());
        self.ranges
            .iter()
            .find(|range| range.name == name)
            .ok_or_else(|| no_such_range(&self.name, name, names()))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A meter with straight-line books, for tests of what is built on it: 100 Hz a division on `low`, falling
    /// readings are refused.
    pub(crate) const PLAIN: &str = r#"
name = "bench meter"
[crystal]
frequency_hz = 500e3
u_ppm = 5
checked = 2026-05-01
ageing_ppm_per_year = 2
[dial]
divisions_per_turn = 120
turns = 40
u_div = 0.05
backlash_div = 0.4
[[range]]
name = "low"
from_hz = 160_000
to_hz = 330_000
harmonics = [1, 2, 4, 8]
book = "low.csv"
"#;

    /// A straight-line book from 160 to 330 kHz, 10.01 divisions to the kHz, the readings rounded to a tenth.
    pub(crate) fn plain_book() -> String {
        let rows = (160..=330).map(|khz| format!("{khz},{:.1}", f64::from(khz - 160) * 10.01 + 100.0));
        std::iter::once("frequency_khz,reading".to_owned()).chain(rows).collect::<Vec<_>>().join("\n")
    }

    #[expect(clippy::unnecessary_wraps, reason = "a loader may fail")]
    pub(crate) fn plain_load(name: &str) -> Result<(String, String), String> {
        Ok((name.to_owned(), plain_book()))
    }

    pub(crate) fn plain_meter() -> Meter {
        Meter::parse(PLAIN, "meter.toml", plain_load).unwrap()
    }

    fn say(text: &str) -> String {
        Meter::parse(text, "meter.toml", plain_load).unwrap_err().to_string()
    }

    #[test]
    fn the_file_says_it_all() {
        let meter = plain_meter();
        assert_eq!(meter.ranges[0].harmonics, [1, 2, 4, 8]);
        assert!((meter.plate.end() - 4800.0).abs() < 1e-9);
        // A year after the check: 5 ppm and 2/√3 ppm in quadrature.
        let u = meter.crystal.u_ppm_on("2027-05-01".parse().ok());
        assert!((u - 5f64.hypot(2.0 / 3f64.sqrt())).abs() < 1e-3, "{u}");
        assert_eq!(
            meter.range("high").unwrap_err().to_string(),
            "the meter `bench meter` has no range `high`; hint: its ranges are low"
        );
        assert!(Meter::parse(&format!("\u{feff}{}", PLAIN.replace('\n', "\r\n")), "m", plain_load).is_ok());
    }

    #[test]
    fn every_slip_is_told_with_its_line() {
        let with = |from: &str, to: &str| say(&PLAIN.replace(from, to));
        let cases = [
            (with("backlash_div", "backlsh_div"), "meter.toml:12: unknown field `backlsh_div`"),
            (with("= 500e3", "= nan"), "meter.toml:4: frequency_hz = NaN can't be"),
            (with("= 500e3", "= \"500 kHz\""), "meter.toml:4: invalid type"),
            (with("turns = 40", "turns = 40.5"), "meter.toml:10: turns = 40.5 can't be"),
            (with("turns = 40", "turns = -1"), "meter.toml:10: turns = -1 can't be"),
            (with("u_div = 0.05", "u_div = inf"), "meter.toml:11: u_div = inf can't be"),
            (with("checked = 2026-05-01\n", ""), "meter.toml:6: ageing_ppm_per_year without a day"),
            (with("to_hz = 330_000", "to_hz = 330"), "meter.toml:16: to_hz = 330 is not above"),
            (with("_000", "_000_000"), "meter.toml:16: the book low.csv runs from"),
            (with("[1, 2, 4, 8]", "[0]"), "meter.toml:17: a harmonic = 0 can't be"),
            (with("book = \"low.csv\"", ""), "meter.toml:13: missing field `book`"),
            (with("[[range]]", "[[range"), "meter.toml:13: "),
            (with("turns = 40", "turns = 2"), "low.csv:"),
            (format!("{}{}", PLAIN, &PLAIN[PLAIN.find("[[range]]").unwrap()..]), ""),
        ];
        for (said, start) in &cases[..cases.len() - 1] {
            assert!(said.starts_with(start), "{said}\n  not {start}");
            assert!(said.contains("; hint: ") && !said.contains('\n'), "{said}");
        }
        let twice = say(&cases[cases.len() - 1].0);
        assert!(twice.starts_with("meter.toml:20: a second range `low`"), "{twice}");
        let missing = Meter::parse(PLAIN, "meter.toml", |_| Err::<(String, String), _>("no such file"))
            .unwrap_err()
            .to_string();
        assert!(
            missing.starts_with("meter.toml:18: the book `low.csv` can't be read: no such file"),
            "{missing}"
        );
    }
}
