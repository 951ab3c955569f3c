//! The Allan family against averaging time, both logarithmic, with the 95 % interval of the Allan deviation; above it
//! the course of the values with the fitted drift.

use super::axes::{LinearScale, OffsetScale, TimeScale};
use super::canvas::{Anchor, Canvas, Frame, Place, ink};
use super::lettering::width_of;
use super::{Picture, PlotError};
use crate::measured::decimals_for;
use crate::stability::Point;
use crate::task::drift::{Course, DriftRecord};
use plotters::prelude::DrawingBackend;
use plotters::style::RGBColor;
use std::fmt::Write;

/// The course of the values.
const ABOVE: Frame = Frame { left: 84.0, top: 66.0, right: 716.0, bottom: 172.0 };
/// The deviations.
const BELOW: Frame = Frame { left: 84.0, top: 222.0, right: 716.0, bottom: 396.0 };
const TITLE: f64 = 15.0;
const SMALL: f64 = 11.5;
/// Most places of a drawn line.
const PLACES: usize = 1500;

/// A series and its stability.
pub(super) struct Stability<'a> {
    pub record: &'a DriftRecord,
    pub course: &'a Course,
}

impl Picture for Stability<'_> {
    fn title(&self) -> String {
        format!("Drift and stability in {}", self.record.path)
    }

    fn about(&self) -> String {
        let record = self.record;
        let mut words =
            format!("{} values {} s apart and their Allan deviation.", record.points, record.tau0_s);
        for point in &record.stability.overlapping_allan {
            let Point { tau_s, value, low, high, .. } = point;
            // Writing to a string can't fail.
            let _ = write!(words, " {tau_s} s: {value:.2e} ({low:.1e} to {high:.1e}).");
        }
        words
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &mut Canvas<DB>) -> Result<(), PlotError> {
        let Self { record, course } = self;
        canvas.fill_all(ink::PAPER)?;
        let path = std::path::Path::new(&record.path);
        let name = path.file_name().map_or(record.path.clone(), |name| name.to_string_lossy().into_owned());
        canvas.text((16.0, 17.0), Anchor::Left, &name, TITLE, ink::TEXT)?;
        values(canvas, record, course)?;
        deviations(canvas, record)
    }
}

/// The unit that suits values which lie so far from their mean, and how many of it are one of the record's own.
fn unit_for(record: &DriftRecord, spread: f64) -> (&'static str, f64) {
    match (record.unit == "Hz", spread) {
        (true, ..0.05) => ("mHz", 1e3),
        (true, _) => ("Hz", 1.0),
        (false, ..1e-7) => ("1e-9", 1e9),
        (false, _) => ("ppm", 1e6),
    }
}

fn values<DB: DrawingBackend>(
    canvas: &mut Canvas<DB>,
    record: &DriftRecord,
    course: &Course,
) -> Result<(), PlotError> {
    let Frame { left, top, right, bottom } = ABOVE;
    let (Some(first), Some(last)) = (course.values.first(), course.values.last()) else { return Ok(()) };
    let time = TimeScale { from_s: first.0, to_s: last.0.max(first.0 + 1e-9), left, right };
    let middle = record.mean;
    let spread = course.values.iter().map(|value| (value.1 - middle).abs()).fold(0.0, f64::max);
    let (unit, size) = unit_for(record, spread);
    let scale = LinearScale::around_zero(if spread > 0.0 { spread * size } else { 1.0 }, top, bottom);
    let y = |value: f64| scale.y((value - middle) * size);
    for (value, label) in scale.few_ticks(5.0) {
        let y = scale.y(value);
        canvas.line(&[(left, y), (right, y)], 0.5, ink::GRID)?;
        canvas.text((left - 7.0, y), Anchor::Right, &label, SMALL, ink::TEXT)?;
    }
    for (at, label) in time.ticks() {
        let x = time.x(at);
        canvas.line(&[(x, bottom), (x, bottom + 4.0)], 1.0, ink::TEXT)?;
        canvas.text((x, bottom + 14.0), Anchor::Centre, &label, SMALL, ink::TEXT)?;
    }
    canvas.line(&[(left, top), (left, bottom), (right, bottom)], 1.0, ink::TEXT)?;
    let own = if record.unit == "Hz" { ("Hz", 1.0) } else { (unit, size) };
    let decimals = decimals_for(spread * own.1 / 10.0);
    let own_unit = if own.0.starts_with("1e") { own.0[1..].to_owned() } else { format!(" {}", own.0) };
    let head = format!("value less mean ({unit}); the mean is {:.decimals$}{own_unit}", middle * own.1);
    canvas.text((16.0, top - 20.0), Anchor::Left, &head, SMALL, ink::TEXT)?;
    let label = format!("time ({})", time.unit().0);
    canvas.text((right, bottom + 30.0), Anchor::Right, &label, SMALL, ink::TEXT)?;
    let mut x = right;
    for (name, width, colour) in [("fit", 1.75, ink::ABOVE), ("values", 1.0, ink::BELOW)] {
        canvas.text((x, top - 20.0), Anchor::Right, name, SMALL, ink::TEXT)?;
        x -= width_of(name, SMALL) + 6.0;
        canvas.line(&[(x - 18.0, top - 20.0), (x, top - 20.0)], width, colour)?;
        x -= 18.0 + 16.0;
    }
    let step = course.values.len() / PLACES + 1;
    let gap = 1.5 * record.tau0_s;
    for piece in course.values.chunk_by(|a, b| b.0 - a.0 < gap) {
        let places: Vec<Place> =
            piece.iter().step_by(step).map(|value| (time.x(value.0), y(value.1))).collect();
        canvas.line(&places, 1.0, ink::BELOW)?;
    }
    let fit: Vec<Place> = course
        .values
        .iter()
        .zip(&course.fitted)
        .step_by(step)
        .map(|(value, fitted)| (time.x(value.0), y(*fitted)))
        .collect();
    canvas.line(&fit, 1.75, ink::ABOVE)?;
    if let Some(at) = record.settled_s.filter(|at| *at > first.0) {
        let x = time.x(at);
        canvas.line(&[(x, top), (x, bottom)], 1.0, ink::QUIET)?;
        canvas.text((x + 5.0, top + 8.0), Anchor::Left, "settled", SMALL, ink::QUIET)?;
    }
    Ok(())
}

/// How a deviation's points are marked: told apart by shape as well as by colour.
#[derive(Debug, Clone, Copy)]
enum Mark {
    Ring,
    Square,
    Diamond,
    Cross,
}

impl Mark {
    fn draw<DB: DrawingBackend>(
        self,
        canvas: &mut Canvas<DB>,
        (x, y): Place,
        width: f64,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        match self {
            Self::Ring => canvas.ring((x, y), 3.5, width, colour),
            Self::Square => canvas.fill(
                &[(x - 3.0, y - 3.0), (x + 3.0, y - 3.0), (x + 3.0, y + 3.0), (x - 3.0, y + 3.0)],
                colour,
            ),
            Self::Diamond => canvas.fill(&[(x, y - 4.5), (x + 4.5, y), (x, y + 4.5), (x - 4.5, y)], colour),
            Self::Cross => {
                canvas.line(&[(x - 3.5, y - 3.5), (x + 3.5, y + 3.5)], width, colour)?;
                canvas.line(&[(x - 3.5, y + 3.5), (x + 3.5, y - 3.5)], width, colour)
            }
        }
    }
}

/// Averaging time along the bottom, logarithmic.
struct Times {
    from: f64,
    to: f64,
}

impl Times {
    fn x(&self, tau: f64) -> f64 {
        let part = (tau / self.from).ln() / (self.to / self.from).ln();
        BELOW.left + part.clamp(0.0, 1.0) * (BELOW.right - BELOW.left)
    }
}

fn deviations<DB: DrawingBackend>(canvas: &mut Canvas<DB>, record: &DriftRecord) -> Result<(), PlotError> {
    let Frame { left, top, right, bottom } = BELOW;
    let stability = &record.stability;
    let lists: [(&str, &[Point], RGBColor, Mark); 4] = [
        ("total", &stability.total, ink::QUIET, Mark::Cross),
        ("Hadamard", &stability.hadamard, ink::BELOW, Mark::Diamond),
        ("modified Allan", &stability.modified_allan, ink::NOTE, Mark::Square),
        ("Allan, 95 %", &stability.overlapping_allan, ink::ABOVE, Mark::Ring),
    ];
    let all = || lists.iter().flat_map(|list| list.1.iter()).filter(|point| point.value > 0.0);
    let Some(last) = all().map(|point| point.tau_s).reduce(f64::max) else { return Ok(()) };
    let times = Times { from: record.tau0_s * 0.8, to: (last * 1.25).max(record.tau0_s * 8.0) };
    let least = all().map(|point| point.low.max(point.value / 10.0)).fold(f64::INFINITY, f64::min);
    let most = all().map(|point| point.high.min(point.value * 10.0)).fold(0.0, f64::max);
    let scale = OffsetScale::around(least, most, top, bottom);
    for (value, label) in scale.ticks() {
        let y = scale.y(value);
        canvas.line(&[(left, y), (right, y)], 0.5, ink::GRID)?;
        let label = if scale.from_hz < 1e-4 { format!("{value:e}") } else { label };
        canvas.text((left - 7.0, y), Anchor::Right, &label, SMALL, ink::TEXT)?;
    }
    let mut tau = 10f64.powf(times.from.log10().ceil());
    while tau <= times.to {
        let x = times.x(tau);
        canvas.line(&[(x, top), (x, bottom)], 0.5, ink::GRID)?;
        canvas.line(&[(x, bottom), (x, bottom + 4.0)], 1.0, ink::TEXT)?;
        canvas.text((x, bottom + 14.0), Anchor::Centre, &tau.to_string(), SMALL, ink::TEXT)?;
        tau *= 10.0;
    }
    canvas.line(&[(left, top), (left, bottom), (right, bottom)], 1.0, ink::TEXT)?;
    let unit = if record.unit == "Hz" { "Hz" } else { "relative" };
    canvas.text((16.0, top - 16.0), Anchor::Left, &format!("deviation ({unit})"), SMALL, ink::TEXT)?;
    canvas.text((right, bottom + 30.0), Anchor::Right, "averaging time (s)", SMALL, ink::TEXT)?;
    let mut x = left;
    for (name, list, colour, mark) in lists {
        let bars = name.starts_with("Allan");
        let width = if bars { 1.75 } else { 1.25 };
        let places: Vec<Place> = list
            .iter()
            .filter(|point| point.value > 0.0)
            .map(|point| (times.x(point.tau_s), scale.y(point.value)))
            .collect();
        if places.len() > 1 {
            canvas.line(&places, width, colour)?;
        }
        for (point, place) in list.iter().filter(|point| point.value > 0.0).zip(&places) {
            if bars {
                let (low, high) = (scale.y(point.low), scale.y(point.high));
                canvas.line(&[(place.0, low), (place.0, high)], 1.25, colour)?;
                for y in [low, high] {
                    canvas.line(&[(place.0 - 4.0, y), (place.0 + 4.0, y)], 1.25, colour)?;
                }
            }
            mark.draw(canvas, *place, width, colour)?;
        }
        let y = 448.0;
        canvas.line(&[(x, y), (x + 18.0, y)], width, colour)?;
        mark.draw(canvas, (x + 9.0, y), width, colour)?;
        canvas.text((x + 24.0, y), Anchor::Left, name, SMALL, ink::TEXT)?;
        x += 24.0 + width_of(name, SMALL) + 20.0;
    }
    Ok(())
}
