//! The descent of the note: what is drawn, in which order, and how labels keep out of each other's way.

mod labels;
mod note;

use super::axes::{OffsetScale, TimeScale};
use super::canvas::{Anchor, Canvas, Frame, Place, ink};
use super::lettering::width_of;
use super::{BODY, Picture, PlotError, SMALL, TITLE};
use crate::heard::{TrackRow, two_notes};
use crate::offset::{Hand, Side};
use crate::report::text::{bound, ending_in_words, hertz};
use crate::task::analyse::Analysis;
use plotters::prelude::DrawingBackend;
use std::fmt::Write;

/// Inside of the axes, layout units.
const INSIDE: Frame = Frame { left: 58.0, top: 74.0, right: 668.0, bottom: 396.0 };
/// The plot in words, for those who can't see it.
fn in_words(analysis: &Analysis, hand: Hand, pair: bool) -> String {
    let mut words =
        "The logarithm of the offset in hertz against time, with rests and their uncertainty.".to_owned();
    if pair {
        words.push_str(" Above it the notes of signal (dashed) and meter, whose difference it is.");
    }
    for (number, rest) in analysis.heard.rests.iter().enumerate() {
        let side = hand.side_in_words(rest.side, &hertz(rest.offset_hz, rest.u_hz));
        // Writing to a String can't fail.
        let _ = write!(words, " Rest {}, {:.2} to {:.2} s: {side}.", number + 1, rest.start_s, rest.end_s);
    }
    words.push(' ');
    words.push_str(&ending_in_words(&analysis.heard.ending, &analysis.heard.rests, hand));
    words
}

/// What a descent is drawn from.
pub struct Descent<'a> {
    /// What was heard.
    pub analysis: &'a Analysis,
    /// The track.
    pub trail: &'a [TrackRow],
    /// Whose side is told.
    pub hand: Hand,
}

impl Picture for Descent<'_> {
    fn title(&self) -> String {
        let two = two_notes(self.trail);
        let what = if two { "Two notes and their difference" } else { "Descent of the beat note" };
        format!("{what} in {}", self.analysis.input.path)
    }

    fn about(&self) -> String {
        in_words(self.analysis, self.hand, two_notes(self.trail))
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &mut Canvas<DB>) -> Result<(), PlotError> {
        draw(canvas, self)
    }
}

/// Draws the whole plot.
fn draw<DB: DrawingBackend>(canvas: &mut Canvas<DB>, of: &Descent) -> Result<(), PlotError> {
    let mut scene = Scene::new(canvas, of.analysis, of.trail, of.hand);
    scene.canvas.fill_all(ink::PAPER)?;
    scene.deaf_stretch()?;
    scene.rest_stretches()?;
    scene.axes()?;
    scene.steady_lines()?;
    scene.two_notes(of.trail)?;
    scene.note()?;
    scene.passages()?;
    scene.rests()?;
    scene.head()?;
    scene.legend()
}

struct Scene<'a, DB: DrawingBackend> {
    canvas: &'a mut Canvas<DB>,
    analysis: &'a Analysis,
    hand: Hand,
    time: TimeScale,
    offset: OffsetScale,
    /// Unbroken pieces of the track.
    pieces: Vec<Vec<&'a TrackRow>>,
    /// Whether two notes are drawn beside their difference.
    pair: bool,
    /// Boxes that a label must not cover.
    taken: Vec<Frame>,
    /// Boxes that a label keeps off while there is other room.
    faint: Vec<Frame>,
}

impl<'a, DB: DrawingBackend> Scene<'a, DB> {
    fn new(canvas: &'a mut Canvas<DB>, analysis: &'a Analysis, trail: &'a [TrackRow], hand: Hand) -> Self {
        let pieces: Vec<Vec<&TrackRow>> = trail
            .chunk_by(|a, b| a.offset_hz.is_some() == b.offset_hz.is_some())
            .filter(|piece| piece.first().is_some_and(|row| row.offset_hz.is_some()))
            .map(|piece| piece.iter().collect())
            .collect();
        let time = time_scale(analysis, trail);
        let offset = offset_scale(analysis, trail);
        let pair = two_notes(trail);
        Self { canvas, analysis, hand, time, offset, pieces, pair, taken: Vec::new(), faint: Vec::new() }
    }

    fn at(&self, time_s: f64, offset_hz: f64) -> Place {
        (self.time.x(time_s), self.offset.y(offset_hz))
    }

    /// The dead band: shaded and hatched, so that it is seen in print.
    fn deaf_stretch(&mut self) -> Result<(), PlotError> {
        let Some(limit) = self.analysis.heard.ending.bound_hz else { return Ok(()) };
        let top = self.offset.y(limit);
        let Frame { left, right, bottom, .. } = INSIDE;
        if bottom - top < 2.0 {
            return Ok(());
        }
        self.canvas.block(Frame { top, ..INSIDE }, ink::DEAF)?;
        let rise = bottom - top;
        let mut foot = left - rise;
        while foot < right {
            let from = (foot.max(left), bottom - (left - foot).max(0.0));
            let to = ((foot + rise).min(right), top + (foot + rise - right).max(0.0));
            self.canvas.line(&[from, to], 0.5, ink::DEAF_STROKE)?;
            foot += 11.0;
        }
        self.boxed((left + 8.0, bottom - 11.0), &format!("not heard below {} (95 %)", bound(limit)))
    }

    fn rest_stretches(&mut self) -> Result<(), PlotError> {
        for rest in &self.analysis.heard.rests {
            let (left, right) = (self.time.x(rest.start_s), self.time.x(rest.end_s));
            self.canvas.block(Frame { left, right, ..INSIDE }, ink::REST)?;
        }
        Ok(())
    }

    fn axes(&mut self) -> Result<(), PlotError> {
        let Frame { left, top, right, bottom } = INSIDE;
        for (hz, label) in self.offset.ticks() {
            let y = self.offset.y(hz);
            self.canvas.line(&[(left, y), (right, y)], 0.5, ink::GRID)?;
            self.canvas.text((left - 7.0, y), Anchor::Right, &label, SMALL, ink::TEXT)?;
        }
        for (time_s, label) in self.time.ticks() {
            let x = self.time.x(time_s);
            self.canvas.line(&[(x, bottom), (x, bottom + 4.0)], 1.0, ink::TEXT)?;
            self.canvas.text((x, bottom + 14.0), Anchor::Centre, &label, SMALL, ink::TEXT)?;
        }
        self.canvas.line(&[(left, top), (left, bottom), (right, bottom)], 1.0, ink::TEXT)?;
        self.canvas.text((16.0, top - 16.0), Anchor::Left, "|offset| (Hz)", SMALL, ink::TEXT)?;
        let unit = format!("time ({})", self.time.unit().0);
        self.canvas.text((right + 20.0, bottom + 14.0), Anchor::Left, &unit, SMALL, ink::TEXT)
    }

    /// Hum and notes that stood still, faint, named in the right margin where there is room.
    fn steady_lines(&mut self) -> Result<(), PlotError> {
        let heard = &self.analysis.heard;
        let hum = heard.hum.iter().flat_map(|hum| {
            hum.harmonics.iter().map(|&order| ("hum", hum.fundamental_hz * f64::from(order)))
        });
        let steady = heard.steady_notes.iter().map(|note| ("steady", note.frequency_hz));
        let mut lines: Vec<(&str, f64)> = hum
            .chain(steady)
            .filter(|(_, hz)| (self.offset.from_hz..=self.offset.to_hz).contains(hz))
            .collect();
        lines.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (mut last_line, mut last_label) = (f64::INFINITY, f64::INFINITY);
        for (kind, hz) in lines {
            let y = self.offset.y(hz);
            if last_line - y < 5.0 {
                continue;
            }
            last_line = y;
            self.canvas.line(&[(INSIDE.left, y), (INSIDE.right, y)], 0.5, ink::HUM)?;
            self.faint.push(Frame { top: y, bottom: y + 1.0, ..INSIDE });
            if last_label - y >= 13.0 {
                last_label = y;
                let label = format!("{kind} {hz:.0} Hz");
                self.canvas.text((INSIDE.right + 6.0, y), Anchor::Left, &label, 10.5, ink::QUIET)?;
            }
        }
        Ok(())
    }

    fn head(&mut self) -> Result<(), PlotError> {
        let path = std::path::Path::new(&self.analysis.input.path);
        let name =
            path.file_name().map_or(self.analysis.input.path.clone(), |n| n.to_string_lossy().into_owned());
        let heard = &self.analysis.heard;
        let ending = ending_in_words(&heard.ending, &heard.rests, self.hand);
        let ending = ending.split_inclusive(". ").next().unwrap_or_default().trim_end().to_owned();
        for (line, em, y) in [(name, TITLE, 17.0), (ending, BODY, 37.0)] {
            let line = fitted(&line, em, 728.0);
            self.canvas.text((16.0, y), Anchor::Left, &line, em, ink::TEXT)?;
        }
        Ok(())
    }

    /// What the marks mean; only those that occur.
    fn legend(&mut self) -> Result<(), PlotError> {
        let heard = &self.analysis.heard;
        let rows = self.pieces.iter().flatten().map(|row| row.side);
        let sides: Vec<Side> = rows.chain(heard.rests.iter().map(|rest| rest.side)).collect();
        let y = 448.0;
        let mut x = INSIDE.left;
        for side in [Side::High, Side::Low, Side::Unknown] {
            if sides.contains(&side) {
                self.marker((x + 5.0, y), 5.0, side)?;
                x = self.legend_text(x + 16.0, y, side_alone(self.hand, side))?;
            }
        }
        if !self.pieces.is_empty() {
            self.canvas
                .block(Frame { left: x, top: y - 4.0, right: x + 18.0, bottom: y + 4.0 }, ink::BAND)?;
            self.canvas.line(&[(x, y), (x + 18.0, y)], 1.25, ink::NOTE)?;
            x = self.legend_text(x + 24.0, y, "note ± u")?;
        }
        if self.pair {
            let dash = |i: f64| (x + 7.0 * i, x + 7.0 * i + 4.0);
            for (from, to) in (0..3).map(|i| dash(f64::from(i))) {
                self.canvas.line(&[(from, y - 3.0), (to, y - 3.0)], 1.25, ink::QUIET)?;
            }
            self.canvas.line(&[(x, y + 3.0), (x + 18.0, y + 3.0)], 1.25, ink::QUIET)?;
            x = self.legend_text(x + 24.0, y, "signal's (dashed), meter's note")?;
        }
        if !heard.rests.is_empty() {
            self.canvas
                .block(Frame { left: x, top: y - 7.0, right: x + 18.0, bottom: y + 7.0 }, ink::REST)?;
            self.canvas.line(&[(x, y), (x + 18.0, y)], 3.0, ink::TEXT)?;
            self.legend_text(x + 24.0, y, "rest")?;
        }
        Ok(())
    }

    /// Writes one entry and returns where the next begins.
    fn legend_text(&mut self, x: f64, y: f64, text: &str) -> Result<f64, PlotError> {
        self.canvas.text((x, y), Anchor::Left, text, SMALL, ink::TEXT)?;
        Ok(x + width_of(text, SMALL) + 20.0)
    }
}

/// The text, or as much of it as fits and an ellipsis.
fn fitted(text: &str, em: f64, room: f64) -> String {
    let mut fitted = text.to_owned();
    let mut kept = text.chars().count();
    while width_of(&fitted, em) > room && kept > 1 {
        kept -= 1;
        fitted = text.chars().take(kept).chain(['…']).collect();
    }
    fitted
}

/// The side with its subject and without an amount.
fn side_alone(hand: Hand, side: Side) -> &'static str {
    match (hand, side) {
        (Hand::Meter, Side::High) => "meter above the signal",
        (Hand::Meter, Side::Low) => "meter below the signal",
        (Hand::Signal, Side::High) => "transmitter low",
        (Hand::Signal, Side::Low) => "transmitter high",
        (_, Side::Unknown) => "side unknown",
    }
}

fn time_scale(analysis: &Analysis, trail: &[TrackRow]) -> TimeScale {
    let heard = &analysis.heard;
    let ends = heard.rests.iter().map(|rest| rest.end_s).chain(trail.last().map(|row| row.time_s));
    let last = ends.fold(heard.ending.at_s, f64::max);
    // A part of a recording starts where its track starts; a whole one starts at zero and lasts to its end.
    let from_s = trail.first().map_or(0.0, |row| row.time_s);
    let (from_s, to_s) =
        if from_s < 1.0 { (0.0, last.max(analysis.input.duration_s)) } else { (from_s, last) };
    TimeScale { from_s, to_s: to_s.max(from_s + 0.1), left: INSIDE.left, right: INSIDE.right }
}

/// Room for everything heard, and for some of the dead band below it.
fn offset_scale(analysis: &Analysis, trail: &[TrackRow]) -> OffsetScale {
    let heard = &analysis.heard;
    let notes = trail.iter().flat_map(|row| row.notes_hz.into_iter().flatten());
    let offsets = trail.iter().filter_map(|row| row.offset_hz).chain(heard.rests.iter().map(|r| r.offset_hz));
    let offsets = offsets.chain(notes);
    let offsets = offsets.filter(|hz| hz.is_finite() && *hz > 0.0);
    let (least, most) = offsets.fold((f64::INFINITY, 0.0f64), |(a, b), hz| (a.min(hz), b.max(hz)));
    let (least, most) = if most > 0.0 { (least, most) } else { (10.0, 900.0) };
    let least = heard.ending.bound_hz.map_or(least, |limit| least.min(limit / 2.5));
    OffsetScale::around(least.max(most * 1e-5).max(0.01), most, INSIDE.top, INSIDE.bottom)
}
