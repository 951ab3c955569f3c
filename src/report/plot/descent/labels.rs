//! Names and figures in the plot, and how they keep out of each other's way.

use super::note::{along, colour_of};
use super::{BODY, INSIDE, SMALL, Scene, side_alone};
use crate::heard::{CrossingKind, EndingState, Rest};
use crate::report::plot::PlotError;
use crate::report::plot::canvas::{Anchor, Frame, Place, ink};
use crate::report::plot::lettering::width_of;
use crate::report::text::hertz;
use plotters::prelude::DrawingBackend;

impl<DB: DrawingBackend> Scene<'_, DB> {
    /// Passages near zero, and where the note ended when it did not simply rest.
    pub(super) fn passages(&mut self) -> Result<(), PlotError> {
        let heard = &self.analysis.heard;
        let ended = match heard.ending.state {
            EndingState::DeadBand => Some("not heard any more"),
            EndingState::Locked => Some("snapped away"),
            EndingState::Lost => Some("stopped"),
            EndingState::Quiet | EndingState::Moving | EndingState::Resting => None,
        };
        let passed = heard.crossings.iter().map(|crossing| {
            let label = match crossing.kind {
                CrossingKind::Crossed => "through zero",
                CrossingKind::TurnedBack => "turned back",
                CrossingKind::Unsure => "through zero or back?",
            };
            (crossing.at_s, label)
        });
        let uprights: Vec<(f64, &str)> =
            passed.chain(ended.map(|label| (heard.ending.at_s, label))).collect();
        for &(at_s, _) in &uprights {
            self.upright(self.time.x(at_s))?;
        }
        uprights.into_iter().try_for_each(|(at_s, label)| self.upright_label(self.time.x(at_s), label))
    }

    /// A dashed upright over the whole height.
    fn upright(&mut self, x: f64) -> Result<(), PlotError> {
        self.faint.push(Frame { left: x, right: x + 1.0, ..INSIDE });
        let mut top = INSIDE.top;
        while top < INSIDE.bottom {
            self.canvas.line(&[(x, top), (x, (top + 4.0).min(INSIDE.bottom))], 0.75, ink::QUIET)?;
            top += 9.0;
        }
        Ok(())
    }

    /// Names an upright near its top or foot, on whichever side there is room; left out where there is none.
    fn upright_label(&mut self, x: f64, label: &str) -> Result<(), PlotError> {
        let width = width_of(label, SMALL);
        let heights = (0..5).flat_map(|row| {
            let inset = 11.0 + 18.0 * f64::from(row);
            [INSIDE.top + inset, INSIDE.bottom - inset]
        });
        let free = |place: Place| {
            let frame = label_frame(place, width);
            let mut others = self.taken.iter().chain(&self.faint);
            INSIDE.holds(&frame) && !others.any(|other| other.meets(&frame))
        };
        let mut places = heights.flat_map(|y| [(x + 6.0, y), (x - 6.0 - width, y)]);
        places.find(|&place| free(place)).map_or(Ok(()), |place| self.boxed(place, label))
    }

    /// A label on a paper-coloured ground that later labels keep away from; `place` is its left end.
    pub(super) fn boxed(&mut self, place: Place, label: &str) -> Result<(), PlotError> {
        let frame = label_frame(place, width_of(label, SMALL));
        self.canvas.block(frame, ink::PAPER)?;
        self.taken.push(frame);
        self.canvas.text(place, Anchor::Left, label, SMALL, ink::QUIET)
    }

    /// The rests: a bar over the stretch, a mark at the instant the figure holds for, and the figures.
    pub(super) fn rests(&mut self) -> Result<(), PlotError> {
        let rests = &self.analysis.heard.rests;
        for rest in rests {
            let (from, to) = (self.at(rest.start_s, rest.offset_hz), self.at(rest.end_s, rest.offset_hz));
            self.canvas.line(&[from, to], 3.0, colour_of(rest.side))?;
            self.marker(self.at(rest.at_s, rest.offset_hz), 6.0, rest.side)?;
            self.taken.extend(along(from, to));
        }
        // The longest rests are labelled first: where there is no room for all, they are the ones worth it.
        let mut order: Vec<(usize, &Rest)> = (1..).zip(rests).collect();
        order.sort_by(|(_, a), (_, b)| (b.end_s - b.start_s).total_cmp(&(a.end_s - a.start_s)));
        order.into_iter().try_for_each(|(number, rest)| self.rest_label(number, rest))
    }

    /// Number, figures and side beside a rest, in the nearest free place; the number alone where there is none.
    fn rest_label(&mut self, number: usize, rest: &Rest) -> Result<(), PlotError> {
        let figures = hertz(rest.offset_hz, rest.u_hz);
        let figures =
            if self.analysis.heard.rests.len() > 1 { format!("{number}: {figures}") } else { figures };
        let side = side_alone(self.hand, rest.side);
        let (x, y) = self.at(rest.at_s, rest.offset_hz);
        let full = width_of(&figures, BODY).max(width_of(side, SMALL));
        if let Some(frame) = self.room((x, y), full, 17.0) {
            self.leader((x, y), &frame)?;
            if self.faint.iter().any(|line| line.meets(&frame)) {
                self.canvas.block(frame, ink::PAPER)?;
            }
            let (left, middle) = (frame.left + 3.0, f64::midpoint(frame.top, frame.bottom));
            self.taken.push(frame);
            self.canvas.text((left, middle - 7.5), Anchor::Left, &figures, BODY, ink::TEXT)?;
            return self.canvas.text((left, middle + 7.5), Anchor::Left, side, SMALL, ink::TEXT);
        }
        let number = number.to_string();
        let Some(frame) = self.room((x, y), width_of(&number, BODY), 8.0) else { return Ok(()) };
        let place = (frame.left + 3.0, f64::midpoint(frame.top, frame.bottom));
        self.taken.push(frame);
        self.canvas.text(place, Anchor::Left, &number, BODY, ink::TEXT)
    }

    /// The free box nearest to a rest's mark for a label of this width and half height, clear of faint lines if it can be.
    fn room(&self, (x, y): Place, width: f64, half: f64) -> Option<Frame> {
        let box_at = |dx: f64, dy: f64| {
            let left = (x + dx - width / 2.0).clamp(INSIDE.left + 4.0, INSIDE.right - width - 4.0);
            Frame { left: left - 3.0, top: y + dy - half, right: left + width + 3.0, bottom: y + dy + half }
        };
        let mut candidates: Vec<(f64, f64)> = (0..7)
            .flat_map(|step| [-1.0, 1.0].map(|sign| sign * (10.0 + half + 12.0 * f64::from(step))))
            .flat_map(|dy| [0.0, 20.0, -20.0, 50.0, -50.0, 90.0, -90.0].map(|dx| (dx, dy)))
            .collect();
        candidates.sort_by(|a, b| f64::hypot(a.0, a.1).total_cmp(&f64::hypot(b.0, b.1)));
        let clear = |boxes: &[Frame], frame: &Frame| !boxes.iter().any(|other| other.meets(frame));
        let free: Vec<Frame> = candidates
            .into_iter()
            .map(|(dx, dy)| box_at(dx, dy))
            .filter(|frame| INSIDE.holds(frame) && clear(&self.taken, frame))
            .collect();
        free.iter().find(|frame| clear(&self.faint, frame)).or(free.first()).copied()
    }

    /// A thin line from a mark to a label that is not right beside it.
    fn leader(&mut self, (x, y): Place, frame: &Frame) -> Result<(), PlotError> {
        let below = frame.top > y;
        let edge = if below { frame.top } else { frame.bottom };
        let foot = (x.clamp(frame.left + 6.0, frame.right - 6.0), edge);
        if f64::hypot(foot.0 - x, foot.1 - y) <= 20.0 {
            return Ok(());
        }
        self.canvas.line(&[(x, if below { y + 8.0 } else { y - 8.0 }), foot], 0.75, ink::QUIET)
    }
}

/// The box of a small label whose left end is `place`.
fn label_frame((left, y): Place, width: f64) -> Frame {
    Frame { left: left - 3.0, top: y - 8.0, right: left + width + 3.0, bottom: y + 8.0 }
}
