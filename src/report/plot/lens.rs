//! A rest under the lens: what is left of the note's phase.

use super::axes::{LinearScale, TimeScale};
use super::canvas::{Anchor, Canvas, Frame, Place, ink};
use super::{BODY, Picture, PlotError, SMALL, TITLE};
use crate::measured::decimals_for;
use crate::report::text::heard;
use crate::task::lens::Lens;
use plotters::prelude::DrawingBackend;

/// Inside of the axes, layout units.
const INSIDE: Frame = Frame { left: 66.0, top: 74.0, right: 724.0, bottom: 412.0 };
/// The smallest span worth showing, degrees either way.
const LEAST_DEG: f64 = 1.0;

/// An angle to two significant digits.
fn degrees(angle: f64) -> String {
    format!("{angle:.*}", decimals_for(angle.max(1e-3)))
}

impl Picture for Lens {
    fn title(&self) -> String {
        format!("Rest {} under the lens", self.number)
    }

    fn about(&self) -> String {
        let Self { number, rest, rms_deg, points } = self;
        let most = points.iter().map(|point| point.1.abs()).fold(0.0, f64::max);
        format!(
            "The phase left over in rest {number}, {:.2} to {:.2} s, when {} and the steady drift are taken out: \
             {} degrees rms, at most {} degrees.",
            rest.start_s,
            rest.end_s,
            heard(rest),
            degrees(*rms_deg),
            degrees(most)
        )
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &mut Canvas<DB>) -> Result<(), PlotError> {
        let Frame { left, top, right, bottom } = INSIDE;
        let time = TimeScale { from_s: self.rest.start_s, to_s: self.rest.end_s, left, right };
        let most = self.points.iter().map(|point| point.1.abs()).fold(LEAST_DEG, f64::max);
        let phase = LinearScale::around_zero(most, top, bottom);
        canvas.fill_all(ink::PAPER)?;
        let band = Frame { top: phase.y(self.rms_deg), bottom: phase.y(-self.rms_deg), ..INSIDE };
        canvas.block(band, ink::BAND)?;
        for (value, label) in phase.ticks() {
            let y = phase.y(value);
            canvas.line(&[(left, y), (right, y)], 0.5, ink::GRID)?;
            canvas.text((left - 7.0, y), Anchor::Right, &label, SMALL, ink::TEXT)?;
        }
        for (time_s, label) in time.ticks() {
            let x = time.x(time_s);
            canvas.line(&[(x, bottom), (x, bottom + 4.0)], 1.0, ink::TEXT)?;
            canvas.text((x, bottom + 14.0), Anchor::Centre, &label, SMALL, ink::TEXT)?;
        }
        canvas.line(&[(left, phase.y(0.0)), (right, phase.y(0.0))], 1.0, ink::QUIET)?;
        let places: Vec<Place> =
            self.points.iter().map(|point| (time.x(point.0), phase.y(point.1))).collect();
        canvas.line(&places, 1.25, ink::ABOVE)?;
        canvas.line(&[(left, top), (left, bottom), (right, bottom)], 1.0, ink::TEXT)?;
        canvas.text((16.0, top - 16.0), Anchor::Left, "phase left over (°)", SMALL, ink::TEXT)?;
        let unit = format!("time ({})", time.unit().0);
        canvas.text((f64::midpoint(left, right), bottom + 34.0), Anchor::Centre, &unit, SMALL, ink::TEXT)?;
        let rest = format!("Rest {}: {}", self.number, heard(&self.rest));
        canvas.text((16.0, 17.0), Anchor::Left, &rest, TITLE, ink::TEXT)?;
        let rms = format!("The steady drift taken out; {}° rms (the band).", degrees(self.rms_deg));
        canvas.text((16.0, 37.0), Anchor::Left, &rms, BODY, ink::TEXT)
    }
}
