//! `book`: check a book for slips, make a new one from check points, set one out for paper.

use crate::dial::{
    Book, DialError, Gap, Law, Meter, MeterPlan, NewBook, NewRow, Residual, Rows, Slip, check_orders,
    new_book, points, slips,
};
use crate::heard::Warning;
use crate::quantity::Hertz;
use serde::Serialize;
use std::fmt::Write;

/// The answer of `book check --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Checked {
    /// Rows in the book.
    pub rows: usize,
    /// Rows that are probably typing slips, in the order of their lines.
    pub slips: Vec<Slip>,
}

/// Looks for slips in a book's text.
///
/// # Errors
/// Text that is no table of frequencies and readings.
pub fn check(text: &str, file: &str) -> Result<Checked, DialError> {
    let rows = Rows::parse(text, file)?;
    Ok(Checked { rows: rows.hertz.len(), slips: slips(&rows) })
}

/// What one degree of the law left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeftOut {
    /// Degree of the polynomial.
    pub degree: usize,
    /// Root mean square of what each point differs by from a law that never saw it, in units of its u.
    pub rms: f64,
}

/// A check point by its orders.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Orders {
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// The fundamental, Hz.
    pub frequency_hz: f64,
}

/// A stretch where more points are needed, and which ones would do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Wanted {
    /// From where to where, and how uncertain it is.
    #[serde(flatten)]
    pub gap: Gap,
    /// Points of the crystal in it that were not used, the loudest first.
    pub checkpoints: Vec<Orders>,
}

/// The answer of `book fit --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fitted {
    /// Name of the range.
    pub range: String,
    /// The old book whose shape was followed; null where the points stand alone.
    pub shape: Option<String>,
    /// Degree of the polynomial chosen.
    pub degree: usize,
    /// The degrees tried.
    pub left_out: Vec<LeftOut>,
    /// The check points against the law, by reading.
    pub points: Vec<Residual>,
    /// The rows of the new book.
    pub rows: Vec<NewRow>,
    /// Half the rows have a u below this, divisions.
    pub median_u_div: f64,
    /// The largest u of a row, divisions.
    pub largest_u_div: f64,
    /// Where more points are needed.
    pub wanted: Vec<Wanted>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// Points named for one stretch.
const NAMED: usize = 4;

/// What `book fit` is asked.
#[derive(Debug, Clone, Copy)]
pub struct FitJob<'a> {
    /// Name of the range.
    pub range: &'a str,
    /// The points file's name and text.
    pub points: (&'a str, &'a str),
    /// The old book's name and text.
    pub shape: Option<(&'a str, &'a str)>,
    /// Step of the rows; the old book's rows, or a round step, when not given.
    pub step: Option<Hertz>,
}

/// Makes a new book from check points, with an old book's shape where there is one.
///
/// # Errors
/// A range that is not there, points or an old book with something wrong in them, points that no law explains.
pub fn fit(plan: &MeterPlan, job: &FitJob) -> Result<Fitted, DialError> {
    let range = plan.range(job.range)?;
    let (file, text) = job.points;
    let given = points(text, file, &plan.plate, &plan.crystal)?;
    let shape = job.shape.map(|(file, text)| Book::parse(text, file, &plan.plate)).transpose()?;
    let law = Law::new(&given, shape.as_ref(), file)?;
    let span = (range.from_hz, range.to_hz);
    let made = new_book(&law, &given, &plan.plate, span, job.step.map(|step| step.0), file)?;
    let NewBook { rows, residuals, gaps } = made;
    let mut us: Vec<f64> = rows.iter().map(|row| row.u_div).collect();
    us.sort_by(f64::total_cmp);
    let wanted = gaps.into_iter().map(|gap| wanted(plan, gap, &residuals)).collect();
    let mut warnings = Vec::new();
    for point in residuals.iter().filter(|point| point.doubted) {
        warnings.push(Warning {
            code: "point-disagrees".into(),
            message: format!(
                "{file}:{}: the point {} at {:.1} lies {:+.2} div off what the others say: read it again",
                point.line, point.point, point.reading, point.left_out_div
            ),
        });
    }
    Ok(Fitted {
        range: range.name.clone(),
        shape: job.shape.map(|(file, _)| file.to_owned()),
        degree: law.degree,
        left_out: law.left_out.iter().map(|&(degree, rms)| LeftOut { degree, rms }).collect(),
        points: residuals,
        median_u_div: us[us.len() / 2],
        largest_u_div: us[us.len() - 1],
        rows,
        wanted,
        warnings,
    })
}

fn wanted(plan: &MeterPlan, gap: Gap, used: &[Residual]) -> Wanted {
    let crystal = plan.crystal.actual_hz();
    let mut checkpoints: Vec<Orders> = check_orders(crystal, gap.from_hz, gap.to_hz)
        .into_iter()
        .map(|(n, m)| Orders {
            crystal_harmonic: n,
            meter_harmonic: m,
            frequency_hz: f64::from(n) * crystal / f64::from(m),
        })
        .filter(|point| used.iter().all(|used| (used.frequency_hz / point.frequency_hz - 1.0).abs() > 1e-4))
        .collect();
    checkpoints.truncate(NAMED);
    Wanted { gap, checkpoints }
}

/// The new book as a file.
pub fn book_text(record: &Fitted, meter: &str) -> String {
    let from = match &record.shape {
        Some(shape) => format!("{} check points and the shape of {shape}", record.points.len()),
        None => format!("{} check points", record.points.len()),
    };
    let one_line =
        |text: &str| text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect::<String>();
    let mut text = format!(
        "# {}, range {}: made by hushbeat book fit from {}\n# u_div: standard uncertainty of the reading, divisions\nfrequency_khz,reading,u_div\n",
        one_line(meter),
        one_line(&record.range),
        one_line(&from)
    );
    for row in &record.rows {
        // Writing to a string can't fail. Nine significant digits of a frequency are no rounding.
        let khz = (row.frequency_khz * 1e6).round() / 1e6;
        let _ = writeln!(text, "{khz},{:.4},{:.3}", row.reading, row.u_div);
    }
    text
}

/// A book read for printing, held against no dial.
///
/// # Errors
/// Text that is no table of frequencies and readings, rows that do not go one way.
pub fn readable(text: &str, file: &str) -> Result<Rows, DialError> {
    let rows = Rows::parse(text, file)?;
    let up = rows.hertz.last() > rows.hertz.first();
    for (row, pair) in rows.hertz.windows(2).enumerate() {
        if (pair[1] > pair[0]) != up || (pair[1] - pair[0]).abs() < 1e-9 {
            return Err(rows.table.error(
                rows.table.records[row + 1].line,
                format!("{} kHz does not come after {} kHz", pair[1] / 1e3, pair[0] / 1e3),
                "hushbeat book check finds slips",
            ));
        }
    }
    Ok(rows)
}

/// The book that a meter would have with a new book's rows, to be read back.
///
/// # Errors
/// Rows that the dial does not take.
pub fn read_back(plan: &MeterPlan, record: &Fitted, file: &str) -> Result<Book, DialError> {
    Book::parse(&book_text(record, &plan.name), file, &plan.plate)
}

/// The title of a printed book: the meter and range where one of its ranges names this file.
pub fn title(meter: Option<&Meter>, file: &str) -> String {
    let name = |path: &str| path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned();
    let range = meter.and_then(|meter| {
        let range = meter.ranges.iter().find(|range| name(&range.book.file) == name(file))?;
        Some(format!("{}, range {}", meter.name, range.name))
    });
    range.unwrap_or_else(|| name(file))
}
