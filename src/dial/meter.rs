//! The meter file (TOML): the crystal, the dial, the ranges with their books. Text in, a [`Meter`] out; no file is
//! opened here.

use super::book::Book;
use super::date::Date;
use super::error::DialError;
use super::plate::{Approach, Plate};
use serde::Deserialize;
use std::fmt::Display;
use std::ops::RangeInclusive;
use toml::Spanned;

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
}

/// Half-width taken for a crystal of which no uncertainty is stated, ppm (common practice, no source).
pub const UNSTATED_CRYSTAL_PPM: f64 = 100.0;

/// A meter file of a hundred times the length of any that makes sense, bytes: reading one takes a hundred times as much.
const MOST_BYTES: usize = 256 << 10;
/// More ranges than any switch has positions (common practice, no source): each one costs a book.
const MOST_RANGES: usize = 64;

impl Crystal {
    /// `frequency_hz·(1 + error_ppm·1e-6)`, Hz.
    pub fn actual_hz(&self) -> f64 {
        self.frequency_hz * (1.0 + self.error_ppm * 1e-6)
    }

    /// Standard uncertainty of the error on a day, ppm: the calibration's and, as a rectangle, the ageing since.
    pub fn u_ppm_on(&self, today: Option<Date>) -> f64 {
        let third = 3f64.sqrt();
        let years = match (today, self.checked) {
            (Some(today), Some(checked)) => today.years_since(checked).abs(),
            _ => 0.0,
        };
        self.u_ppm.unwrap_or(UNSTATED_CRYSTAL_PPM / third).hypot(self.ageing_ppm_per_year * years / third)
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMeter {
    name: String,
    crystal: RawCrystal,
    dial: RawDial,
    range: Vec<RawRange>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCrystal {
    frequency_hz: Spanned<f64>,
    error_ppm: Option<Spanned<f64>>,
    u_ppm: Option<Spanned<f64>>,
    checked: Option<Spanned<toml::value::Datetime>>,
    ageing_ppm_per_year: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDial {
    divisions_per_turn: Spanned<f64>,
    turns: Spanned<f64>,
    vernier: Option<Spanned<f64>>,
    rises: Option<bool>,
    u_div: Option<Spanned<f64>>,
    backlash_div: Option<Spanned<f64>>,
    book_approach: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRange {
    name: Spanned<String>,
    from_hz: Spanned<f64>,
    to_hz: Spanned<f64>,
    harmonics: Option<Vec<Spanned<f64>>>,
    book: Spanned<String>,
}

/// The text of a meter file, for errors with their line.
struct Source<'a> {
    file: &'a str,
    text: &'a str,
}

impl Source<'_> {
    fn line(&self, at: usize) -> usize {
        self.text.get(..at).map_or(1, |before| before.matches('\n').count() + 1)
    }

    fn error(&self, at: usize, what: impl Into<String>, hint: impl Into<String>) -> DialError {
        DialError::InFile {
            file: self.file.to_owned(),
            line: self.line(at),
            what: what.into(),
            hint: hint.into(),
        }
    }

    /// A number within bounds.
    fn number(&self, raw: &Spanned<f64>, key: &str, bounds: RangeInclusive<f64>) -> Result<f64, DialError> {
        let value = *raw.get_ref();
        if bounds.contains(&value) {
            return Ok(value);
        }
        let hint = format!("between {} and {}", bounds.start(), bounds.end());
        Err(self.error(raw.span().start, format!("{key} = {value} can't be"), hint))
    }

    /// A number within bounds, or what is taken when it is left out.
    fn number_or(
        &self,
        raw: Option<&Spanned<f64>>,
        key: &str,
        bounds: RangeInclusive<f64>,
        default: f64,
    ) -> Result<f64, DialError> {
        raw.map_or(Ok(default), |raw| self.number(raw, key, bounds))
    }

    /// A whole number within bounds.
    fn whole(&self, raw: &Spanned<f64>, key: &str, bounds: RangeInclusive<u32>) -> Result<u32, DialError> {
        let value = self.number(raw, key, f64::from(*bounds.start())..=f64::from(*bounds.end()))?;
        if value.fract().abs() > 0.0 {
            return Err(self.error(raw.span().start, format!("{key} = {value} can't be"), "a whole number"));
        }
        Ok(value as u32)
    }
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
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let source = Source { file, text };
        if text.len() > MOST_BYTES {
            let what = format!("longer than {} KiB", MOST_BYTES >> 10);
            return Err(source.error(0, what, "is it a meter file? its books are files of their own"));
        }
        let raw: RawMeter = toml::from_str(text).map_err(|problem| {
            let at = problem.span().map_or(0, |span| span.start);
            let what = problem.message().lines().collect::<Vec<_>>().join(", ");
            source.error(at, what, "name, [crystal], [dial] and one [[range]] or more; README has an example")
        })?;
        let crystal = parse_crystal(&source, &raw.crystal)?;
        let plate = parse_plate(&source, &raw.dial)?;
        let mut ranges: Vec<Range> = Vec::new();
        for raw in &raw.range {
            let at = raw.name.span().start;
            if ranges.len() == MOST_RANGES {
                let what = format!("more than {MOST_RANGES} ranges can't be");
                return Err(source.error(at, what, "one [[range]] for each position of the range switch"));
            }
            if ranges.iter().any(|range| range.name == *raw.name.get_ref()) {
                return Err(source.error(
                    at,
                    format!("a second range `{}`", raw.name.get_ref()),
                    "each range has a name of its own",
                ));
            }
            let (name, book) = load(raw.book.get_ref()).map_err(|why| DialError::NoBook {
                file: file.to_owned(),
                line: source.line(raw.book.span().start),
                book: raw.book.get_ref().clone(),
                why: why.to_string(),
            })?;
            ranges.push(parse_range(&source, raw, Book::parse(&book, &name, &plate)?)?);
        }
        if ranges.is_empty() {
            return Err(source.error(
                0,
                "the meter has no range",
                "one [[range]] for each position of the range switch",
            ));
        }
        Ok(Self { name: raw.name, crystal, plate, ranges })
    }

    /// The range with this name.
    ///
    /// # Errors
    /// A name that the meter does not have.
    pub fn range(&self, name: &str) -> Result<&Range, DialError> {
        self.ranges.iter().find(|range| range.name == name).ok_or_else(|| DialError::NoSuchRange {
            meter: self.name.clone(),
            wanted: name.to_owned(),
            known: self.ranges.iter().map(|range| range.name.as_str()).collect::<Vec<_>>().join(", "),
        })
    }
}

fn parse_crystal(source: &Source, raw: &RawCrystal) -> Result<Crystal, DialError> {
    let checked = match &raw.checked {
        None => None,
        Some(day) => Some(day.get_ref().to_string().parse::<Date>().map_err(|_| {
            source.error(
                day.span().start,
                format!("checked = {} is not a day", day.get_ref()),
                "write it as 2026-05-01",
            )
        })?),
    };
    if let (Some(ageing), None) = (&raw.ageing_ppm_per_year, checked) {
        return Err(source.error(
            ageing.span().start,
            "ageing_ppm_per_year without a day to count from",
            "add checked = and the day of the crystal's last check",
        ));
    }
    Ok(Crystal {
        frequency_hz: source.number(&raw.frequency_hz, "frequency_hz", 1.0..=1e12)?,
        error_ppm: source.number_or(raw.error_ppm.as_ref(), "error_ppm", -1e4..=1e4, 0.0)?,
        u_ppm: raw.u_ppm.as_ref().map(|u| source.number(u, "u_ppm", 0.0..=1e4)).transpose()?,
        checked,
        ageing_ppm_per_year: source.number_or(
            raw.ageing_ppm_per_year.as_ref(),
            "ageing_ppm_per_year",
            0.0..=1e4,
            0.0,
        )?,
    })
}

fn parse_plate(source: &Source, raw: &RawDial) -> Result<Plate, DialError> {
    let book_approach = match &raw.book_approach {
        None => Approach::Rising,
        Some(word) => match word.get_ref().as_str() {
            "rising" => Approach::Rising,
            "falling" => Approach::Falling,
            other => {
                return Err(source.error(
                    word.span().start,
                    format!("book_approach = \"{other}\" can't be"),
                    "\"rising\" or \"falling\", the way the reading moved when the book was made",
                ));
            }
        },
    };
    let divisions_per_turn = source.number(&raw.divisions_per_turn, "divisions_per_turn", 1.0..=1e6)?;
    let vernier =
        raw.vernier.as_ref().map_or(Ok(10), |vernier| source.whole(vernier, "vernier", 1..=1000))?;
    // Unless stated, a reading is good to one part of the vernier either way, rectangular.
    let default_u = 1.0 / (f64::from(vernier) * 3f64.sqrt());
    Ok(Plate {
        divisions_per_turn,
        turns: source.whole(&raw.turns, "turns", 1..=100_000)?,
        vernier,
        rises: raw.rises.unwrap_or(true),
        u_div: source.number_or(raw.u_div.as_ref(), "u_div", 0.0..=divisions_per_turn, default_u)?,
        backlash_div: source.number_or(
            raw.backlash_div.as_ref(),
            "backlash_div",
            0.0..=divisions_per_turn,
            0.0,
        )?,
        book_approach,
    })
}

fn parse_range(source: &Source, raw: &RawRange, book: Book) -> Result<Range, DialError> {
    let from_hz = source.number(&raw.from_hz, "from_hz", 1.0..=1e12)?;
    let to_hz = source.number(&raw.to_hz, "to_hz", 1.0..=1e12)?;
    let at = raw.to_hz.span().start;
    if to_hz <= from_hz {
        return Err(source.error(
            at,
            format!("to_hz = {to_hz} is not above from_hz = {from_hz}"),
            "the lower end first",
        ));
    }
    let (low, high) = book.reach();
    if low >= to_hz || high <= from_hz {
        return Err(source.error(
            at,
            format!("the book {} runs from {low} to {high} Hz, outside the range", book.file),
            "is the book's first column in kHz?",
        ));
    }
    let mut harmonics = match &raw.harmonics {
        None => vec![1],
        Some(list) => list
            .iter()
            .map(|order| source.whole(order, "a harmonic", 1..=1000))
            .collect::<Result<Vec<_>, _>>()?,
    };
    harmonics.sort_unstable();
    harmonics.dedup();
    if harmonics.is_empty() {
        return Err(source.error(at, "harmonics = [] leaves no harmonic", "[1] is the fundamental alone"));
    }
    Ok(Range { name: raw.name.get_ref().clone(), from_hz, to_hz, harmonics, book })
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
