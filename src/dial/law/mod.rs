//! The tuning capacitor's law through check points: the way to a new book for an old meter.
//!
//! `1/f² = 4π²·L·C`, and the capacitance is smooth in the angle of its shaft; so `y = (f₀/f)²` is fitted as a
//! polynomial in the reading `D`, or, where an old book tells the shape, as that book's `y` and a polynomial to be added
//! (a change of shunt capacitance alone is its constant term). A reading's u enters as `u_y = |dy/dD|·u_div`. The degree
//! is the one whose fit predicts each point best without having seen it. What the next degree would add, and its
//! variance, is the uncertainty of a row: the chosen polynomial is not the law, only as much of it as the points show.

mod points;
mod rows;

use super::book::Book;
use super::error::DialError;
use super::fit::{Fit, chebyshev};
use super::plate::Plate;
pub use points::{Point, points};
pub use rows::{Gap, NewBook, NewRow, Residual, new_book};

/// Degrees that are tried from points alone, and on top of an old book's shape.
const DEGREES: std::ops::RangeInclusive<usize> = 2..=10;
const DEGREES_ON_SHAPE: std::ops::RangeInclusive<usize> = 0..=6;
/// A higher degree has to better the sum of squares left out by this much.
const WORTH: f64 = 0.95;
/// Points without which there is no law to see.
const FEWEST: usize = 6;
const FEWEST_ON_SHAPE: usize = 2;

/// The law of one range as its check points show it.
#[derive(Debug, Clone)]
pub struct Law<'a> {
    shape: Option<&'a Book>,
    /// Scale of `y`, Hz.
    f0: f64,
    middle: f64,
    half: f64,
    /// Degree of the chosen polynomial.
    pub degree: usize,
    fit: Fit,
    /// The next degree, or the one before where there is none.
    beside: Fit,
    beside_degree: usize,
    /// Variance of unit weight, 1 at least.
    unit_variance: f64,
    /// Degrees tried and the root mean square of what each left out, in units of u.
    pub left_out: Vec<(usize, f64)>,
}

/// The law at a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LawPoint {
    /// The fundamental, Hz.
    pub hertz: f64,
    /// Hz per division.
    pub slope: f64,
    /// Standard uncertainty, divisions.
    pub u_div: f64,
}

impl<'a> Law<'a> {
    /// Fits the law to points in the order of their readings.
    ///
    /// # Errors
    /// Too few points, points outside the shape's book, points that no law explains.
    pub fn new(points: &[Point], shape: Option<&'a Book>, file: &str) -> Result<Self, DialError> {
        let fewest = if shape.is_some() { FEWEST_ON_SHAPE } else { FEWEST };
        if points.len() < fewest {
            return Err(DialError::TooFewPoints { file: file.to_owned(), found: points.len(), fewest });
        }
        let last = &points[points.len() - 1];
        let (low, high) = (points[0].reading, last.reading);
        let mut law = Self {
            shape,
            f0: (points[0].hertz * last.hertz).sqrt(),
            middle: f64::midpoint(low, high),
            half: ((high - low) / 2.0).max(1e-6),
            degree: 0,
            fit: Fit::new(&[vec![1.0]], &[0.0], &[1.0]).ok_or_else(|| no_law(file))?,
            beside: Fit::new(&[vec![1.0]], &[0.0], &[1.0]).ok_or_else(|| no_law(file))?,
            beside_degree: 0,
            unit_variance: 1.0,
            left_out: Vec::new(),
        };
        let mut values = Vec::new();
        for point in points {
            let shape = law.shape_at(point.reading).map_err(|error| at_point(file, point, &error))?;
            values.push((law.f0 / point.hertz).powi(2) - shape);
        }
        // Readings weigh by dy/dD, which is known better after a first fit.
        let mut slopes = law.first_slopes(points)?;
        for _ in 0..2 {
            let mut u = Vec::new();
            for (point, slope) in points.iter().zip(&slopes) {
                u.push(law.u_y(point, *slope).map_err(|error| at_point(file, point, &error))?);
            }
            law.choose(points, &values, &u).ok_or_else(|| no_law(file))?;
            slopes = points.iter().map(|point| law.y_slope(point.reading)).collect::<Result<_, _>>()?;
        }
        Ok(law)
    }

    /// Tries the degrees and keeps the one that predicts points best.
    fn choose(&mut self, points: &[Point], values: &[f64], u: &[f64]) -> Option<()> {
        let (degrees, spare) = if self.shape.is_some() { (DEGREES_ON_SHAPE, 2) } else { (DEGREES, 3) };
        let most = (*degrees.end()).min((points.len() - spare).max(*degrees.start()));
        let fits: Vec<(usize, Fit)> = (*degrees.start()..=most + 1)
            .filter_map(|degree| {
                let rows: Vec<Vec<f64>> =
                    points.iter().map(|point| chebyshev(degree, self.t(point.reading))).collect();
                Some((degree, Fit::new(&rows, values, u)?))
            })
            .collect();
        let left_out = |fit: &Fit| fit.left_out().iter().map(|z| z * z).sum::<f64>();
        let mut best: Option<(usize, f64)> = None;
        for (index, (degree, fit)) in fits.iter().enumerate().filter(|(_, fit)| fit.0 <= most) {
            let score = left_out(fit);
            let judged = fit.dof > 0 || *degree == *degrees.start();
            if judged && best.is_none_or(|best| score < WORTH * best.1) {
                best = Some((index, score));
            }
        }
        let (index, _) = best?;
        let count = points.len() as f64;
        self.left_out = fits
            .iter()
            .filter(|(degree, fit)| *degree <= most && fit.dof > 0)
            .map(|(degree, fit)| (*degree, (left_out(fit) / count).sqrt()))
            .collect();
        let beside = fits.get(index + 1).or_else(|| index.checked_sub(1).and_then(|before| fits.get(before)));
        let beside = beside.unwrap_or(&fits[index]);
        (self.degree, self.fit) = fits[index].clone();
        (self.beside_degree, self.beside) = beside.clone();
        self.unit_variance = self.fit.unit_variance().unwrap_or(1.0).max(1.0);
        Some(())
    }

    fn t(&self, reading: f64) -> f64 {
        (reading - self.middle) / self.half
    }

    /// Standard uncertainty of the old book at a reading, divisions; 0 without one.
    fn shape_u(&self, reading: f64) -> Result<f64, DialError> {
        let Some(book) = self.shape else { return Ok(0.0) };
        let there = book.at(reading)?;
        Ok(there.u_hz() / there.slope.abs())
    }

    /// Standard uncertainty of a point's `y`, with `dy/dD` there.
    fn u_y(&self, point: &Point, slope: f64) -> Result<f64, DialError> {
        let u_div = point.u_div.hypot(self.shape_u(point.reading)?);
        let y = (self.f0 / point.hertz).powi(2);
        Ok((slope * u_div).hypot(2.0 * y * point.u_hz / point.hertz).max(f64::MIN_POSITIVE))
    }

    /// The old book's `y`; 0 without one.
    fn shape_at(&self, reading: f64) -> Result<f64, DialError> {
        let Some(book) = self.shape else { return Ok(0.0) };
        Ok((self.f0 / book.at(reading)?.hertz).powi(2))
    }

    /// `dy/dD` before there is a fit: of the old book, or of the chords between points.
    fn first_slopes(&self, points: &[Point]) -> Result<Vec<f64>, DialError> {
        let y = |point: &Point| (self.f0 / point.hertz).powi(2);
        (0..points.len())
            .map(|at| {
                if let Some(book) = self.shape {
                    let there = book.at(points[at].reading)?;
                    return Ok(-2.0 * (self.f0 / there.hertz).powi(2) * there.slope / there.hertz);
                }
                let (a, b) = (&points[at.saturating_sub(1)], &points[(at + 1).min(points.len() - 1)]);
                Ok((y(b) - y(a)) / (b.reading - a.reading).max(1e-6))
            })
            .collect()
    }

    fn y(&self, reading: f64) -> Result<f64, DialError> {
        Ok(self.shape_at(reading)? + self.fit.value(&chebyshev(self.degree, self.t(reading))))
    }

    fn y_slope(&self, reading: f64) -> Result<f64, DialError> {
        let step = self.half * 1e-3;
        let (low, high) = match self.shape.map(Book::readings) {
            Some((low, high)) => ((reading - step).max(low), (reading + step).min(high)),
            None => (reading - step, reading + step),
        };
        Ok((self.y(high)? - self.y(low)?) / (high - low))
    }

    /// The law at a reading; `None` where it gives no frequency, which an extended polynomial may.
    ///
    /// # Errors
    /// A reading outside the old book that gives the shape.
    pub fn at(&self, reading: f64) -> Result<Option<LawPoint>, DialError> {
        let (y, slope) = (self.y(reading)?, self.y_slope(reading)?);
        if !(y > 0.0 && slope.abs() > 0.0) {
            return Ok(None);
        }
        let t = self.t(reading);
        let (chosen, beside) = (chebyshev(self.degree, t), chebyshev(self.beside_degree, t));
        let more = self.beside.value(&beside) - self.fit.value(&chosen);
        let variance = self.fit.variance(&chosen).max(self.beside.variance(&beside)) * self.unit_variance;
        let u_y = variance.sqrt().hypot(more);
        let hertz = self.f0 / y.sqrt();
        let u_div = (u_y / slope.abs()).hypot(self.shape_u(reading)?);
        Ok(Some(LawPoint { hertz, slope: -0.5 * hertz * slope / y, u_div }))
    }

    /// What each point is off the law, and off a law that never saw it, divisions, positive where the point's reading is
    /// the larger; and how strange that is.
    fn residuals(&self, points: &[Point]) -> Result<Vec<(f64, f64, f64)>, DialError> {
        let (left_out, strange) = (self.fit.left_out(), self.fit.strangeness());
        points
            .iter()
            .enumerate()
            .map(|(at, point)| {
                let slope = self.y_slope(point.reading)?;
                let u = self.u_y(point, slope)?;
                // y falls short where the reading is too large on a law that rises.
                let div = -u / slope;
                Ok((self.fit.residuals[at] * div, left_out[at] * div, strange[at]))
            })
            .collect()
    }
}

/// The same with the line of the point that it is about.
fn at_point(file: &str, point: &Point, error: &DialError) -> DialError {
    let told = error.to_string();
    let (what, hint) = told.split_once("; hint: ").unwrap_or((&told, "is it a point of this range?"));
    DialError::at(file, point.line, what, hint)
}

fn no_law(file: &str) -> DialError {
    DialError::NoLaw { file: file.to_owned(), what: "no smooth law passes through these points".into() }
}

/// The dial's readings over which a law may be followed: out from the points to where its u exceeds `limit_div`, where
/// it turns back, or where dial or old book end.
fn reach(
    law: &Law,
    points: &[Point],
    plate: &Plate,
    limit_div: f64,
    file: &str,
) -> Result<(f64, f64), DialError> {
    let (first, last) = (points[0].reading, points[points.len() - 1].reading);
    let (low, high) = law.shape.map_or((0.0, plate.end()), Book::readings);
    let sound = |reading: f64| -> Result<Option<LawPoint>, DialError> {
        Ok(law.at(reading)?.filter(|point| (point.slope > 0.0) == plate.rises))
    };
    let step = plate.end() / 2000.0;
    let mut at = first;
    while at < last {
        if sound(at)?.is_none() {
            return Err(DialError::NoLaw {
                file: file.to_owned(),
                what: format!("the law through these points turns back at reading {at:.0}"),
            });
        }
        at += step;
    }
    let follow = |from: f64, step: f64| -> Result<f64, DialError> {
        let mut reached = from;
        loop {
            let next = reached + step;
            let good =
                (low..=high).contains(&next) && sound(next)?.is_some_and(|point| point.u_div <= limit_div);
            if !good {
                return Ok(reached);
            }
            reached = next;
        }
    };
    Ok((follow(first, -step)?, follow(last, step)?))
}
