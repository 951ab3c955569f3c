//! The points of a new book against its law: what each is off, and how well the law is known between them.

use super::axes::LinearScale;
use super::canvas::{Anchor, Canvas, Frame, Place, ink};
use super::{BODY, Picture, PlotError, SMALL, TITLE};
use crate::task::book::Fitted;
use plotters::prelude::DrawingBackend;

/// Inside of the axes, layout units.
const INSIDE: Frame = Frame { left: 66.0, top: 74.0, right: 724.0, bottom: 396.0 };
/// The smallest span worth showing, divisions either way.
const LEAST_DIV: f64 = 0.2;
/// Half the height of a point's mark, layout units.
const MARK: f64 = 4.5;

impl Picture for Fitted {
    fn title(&self) -> String {
        format!("Check points of range {} against the law of its new book", self.range)
    }

    fn about(&self) -> String {
        let most = self.points.iter().map(|point| point.residual_div.abs()).fold(0.0, f64::max);
        format!(
            "Point less law in divisions against the reading: {} points, at most {most:.2} divisions off a law of degree \
             {}; the band is twice the standard uncertainty of the rows, {:.2} divisions in the middle and {:.2} at most.",
            self.points.len(),
            self.degree,
            self.median_u_div,
            self.largest_u_div
        )
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &mut Canvas<DB>) -> Result<(), PlotError> {
        let Frame { left, top, right, bottom } = INSIDE;
        let readings =
            self.rows.iter().map(|row| row.reading).chain(self.points.iter().map(|point| point.reading));
        let (from, to) = readings.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), r| (a.min(r), b.max(r)));
        let across = Across { from, to: to.max(from + 1.0) };
        let most = self
            .points
            .iter()
            .map(|point| point.residual_div.abs() + point.u_div)
            .chain(self.rows.iter().map(|row| 2.0 * row.u_div))
            .fold(LEAST_DIV, f64::max);
        let off = LinearScale::around_zero(most, top, bottom);
        canvas.fill_all(ink::PAPER)?;
        let edge = |side: f64| {
            self.rows.iter().map(move |row| (across.x(row.reading), off.y(side * 2.0 * row.u_div)))
        };
        let band: Vec<Place> = edge(1.0).chain(edge(-1.0).collect::<Vec<_>>().into_iter().rev()).collect();
        canvas.fill(&band, ink::BAND)?;
        for (value, label) in off.ticks() {
            let y = off.y(value);
            canvas.line(&[(left, y), (right, y)], 0.5, ink::GRID)?;
            canvas.text((left - 7.0, y), Anchor::Right, &label, SMALL, ink::TEXT)?;
        }
        for value in across.ticks() {
            let x = across.x(value);
            canvas.line(&[(x, bottom), (x, bottom + 4.0)], 1.0, ink::TEXT)?;
            canvas.text((x, bottom + 14.0), Anchor::Centre, &format!("{value:.0}"), SMALL, ink::TEXT)?;
        }
        canvas.line(&[(left, off.y(0.0)), (right, off.y(0.0))], 1.0, ink::QUIET)?;
        for point in &self.points {
            let (x, y) = (across.x(point.reading), off.y(point.residual_div));
            let bar = |side: f64| (x, off.y(point.residual_div + side * point.u_div));
            canvas.line(&[bar(-1.0), bar(1.0)], 1.25, ink::NOTE)?;
            let colour = if point.doubted { ink::BELOW } else { ink::ABOVE };
            // A doubtful point is told by its shape first: a cross instead of a square.
            if point.doubted {
                let arm = MARK + 1.5;
                canvas.line(&[(x - arm, y - arm), (x + arm, y + arm)], 2.5, colour)?;
                canvas.line(&[(x - arm, y + arm), (x + arm, y - arm)], 2.5, colour)?;
            } else {
                let square = Frame { left: x - MARK, top: y - MARK, right: x + MARK, bottom: y + MARK };
                canvas.block(square, colour)?;
            }
        }
        canvas.line(&[(left, top), (left, bottom), (right, bottom)], 1.0, ink::TEXT)?;
        canvas.text((16.0, top - 16.0), Anchor::Left, "point less law (div)", SMALL, ink::TEXT)?;
        canvas.text(
            (f64::midpoint(left, right), bottom + 34.0),
            Anchor::Centre,
            "reading (div)",
            SMALL,
            ink::TEXT,
        )?;
        let head = format!("Range {}: {} check points and the new book", self.range, self.points.len());
        canvas.text((16.0, 17.0), Anchor::Left, &head, TITLE, ink::TEXT)?;
        let legend = "Squares: points with their u; cross: doubtful. Band: 2u of the rows.";
        canvas.text((16.0, 37.0), Anchor::Left, legend, BODY, ink::TEXT)
    }
}

/// Readings along the bottom.
#[derive(Debug, Clone, Copy)]
struct Across {
    from: f64,
    to: f64,
}

impl Across {
    fn x(&self, reading: f64) -> f64 {
        INSIDE.left + (reading - self.from) / (self.to - self.from) * (INSIDE.right - INSIDE.left)
    }

    /// About eight ticks at 1, 2 or 5 times a power of ten.
    fn ticks(&self) -> Vec<f64> {
        let wish = (self.to - self.from) / 8.0;
        let decade = 10f64.powf(wish.log10().floor());
        let step = [1.0, 2.0, 5.0].into_iter().find(|m| m * decade >= wish).unwrap_or(10.0) * decade;
        let (first, last) = ((self.from / step).ceil() as i64, (self.to / step).floor() as i64);
        (first..=last).map(|n| n as f64 * step).collect()
    }
}
