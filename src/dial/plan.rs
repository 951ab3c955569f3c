//! The meter file (TOML) by itself: what there is of a meter before its books are opened, or when one is lost.

use super::book::Book;
use super::date::Date;
use super::error::DialError;
use super::meter::{Crystal, Range};
use super::plate::{Approach, Plate};
use serde::Deserialize;
use std::ops::RangeInclusive;
use toml::Spanned;

/// A meter file of a hundred times the length of any that makes sense, bytes: reading one takes a hundred times as much.
const MOST_BYTES: usize = 256 << 10;
/// More ranges than any switch has positions (common practice, no source): each one costs a book.
const MOST_RANGES: usize = 64;

/// One range as the meter file describes it, its book not yet opened.
#[derive(Debug, Clone, PartialEq)]
pub struct RangePlan {
    /// Its name on the switch.
    pub name: String,
    /// Lowest fundamental, Hz.
    pub from_hz: f64,
    /// Highest fundamental, Hz.
    pub to_hz: f64,
    /// Harmonics that serve, in ascending order.
    pub harmonics: Vec<u32>,
    /// Its book as the file names it.
    pub book: String,
    /// Line that names the book.
    pub(super) book_line: usize,
    /// Line of the upper end.
    to_line: usize,
}

impl RangePlan {
    /// The range with its book.
    ///
    /// # Errors
    /// A book that lies outside the range.
    pub fn with(self, book: Book, file: &str) -> Result<Range, DialError> {
        let (low, high) = book.reach();
        if low >= self.to_hz || high <= self.from_hz {
            let what = format!("the book {} runs from {low} to {high} Hz, outside the range", book.file);
            return Err(DialError::at(file, self.to_line, what, "is the book's first column in kHz?"));
        }
        let Self { name, from_hz, to_hz, harmonics, .. } = self;
        Ok(Range { name, from_hz, to_hz, harmonics, book })
    }
}

/// A meter file by itself, its books not yet opened: what there is of a meter that has lost its book.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterPlan {
    /// What its owner calls it.
    pub name: String,
    /// The check-point crystal.
    pub crystal: Crystal,
    /// The dial.
    pub plate: Plate,
    /// The ranges, in the file's order.
    pub ranges: Vec<RangePlan>,
}

impl MeterPlan {
    /// Reads a meter file's text.
    ///
    /// # Errors
    /// Anything that the file has wrong, with file and line.
    pub fn parse(text: &str, file: &str) -> Result<Self, DialError> {
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
        let mut ranges: Vec<RangePlan> = Vec::new();
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
            ranges.push(parse_range(&source, raw)?);
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
    pub fn range(&self, name: &str) -> Result<&RangePlan, DialError> {
        let names = || self.ranges.iter().map(|range| range.name.as_str());
        self.ranges
            .iter()
            .find(|range| range.name == name)
            .ok_or_else(|| no_such_range(&self.name, name, names()))
    }
}

pub(super) fn no_such_range<'a>(
    meter: &str,
    wanted: &str,
    known: impl Iterator<Item = &'a str>,
) -> DialError {
    DialError::NoSuchRange {
        meter: meter.to_owned(),
        wanted: wanted.to_owned(),
        known: known.collect::<Vec<_>>().join(", "),
    }
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
        DialError::at(self.file, self.line(at), what, hint)
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
        dof: None,
        flat: false,
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

fn parse_range(source: &Source, raw: &RawRange) -> Result<RangePlan, DialError> {
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
    Ok(RangePlan {
        name: raw.name.get_ref().clone(),
        from_hz,
        to_hz,
        harmonics,
        book: raw.book.get_ref().clone(),
        book_line: source.line(raw.book.span().start),
        to_line: source.line(at),
    })
}
