//! The note itself: its uncertainty, its line, and the marks that tell the side.

use super::{INSIDE, Scene, TITLE};
use crate::heard::TrackRow;
use crate::offset::Side;
use crate::report::plot::PlotError;
use crate::report::plot::canvas::{Anchor, Frame, Place, ink};
use plotters::prelude::DrawingBackend;
use plotters::style::RGBColor;

/// Way along the curve between two side markers, layout units.
const MARKER_EVERY: f64 = 30.0;

impl<DB: DrawingBackend> Scene<'_, DB> {
    /// The track: its uncertainty, its line, and markers that tell the side.
    pub(super) fn note(&mut self) -> Result<(), PlotError> {
        if self.pieces.is_empty() && self.analysis.heard.rests.is_empty() {
            let middle = (f64::midpoint(INSIDE.left, INSIDE.right), f64::midpoint(INSIDE.top, INSIDE.bottom));
            return self.canvas.text(middle, Anchor::Centre, "no note was heard", TITLE, ink::QUIET);
        }
        let pieces = std::mem::take(&mut self.pieces);
        for piece in &pieces {
            let spread = |sign: f64| {
                piece.iter().filter_map(move |row| {
                    let offset = row.offset_hz?;
                    Some((row.time_s, offset + sign * row.u_hz.unwrap_or(0.0)))
                })
            };
            let edge = |sign: f64| thin(spread(sign).map(|(time, hz)| self.at(time, hz)));
            let (upper, mut lower) = (edge(1.0), edge(-1.0));
            let band: Vec<Place> = upper
                .into_iter()
                .chain({
                    lower.reverse();
                    lower
                })
                .collect();
            let line = thin(spread(0.0).map(|(time, hz)| self.at(time, hz)));
            self.canvas.fill(&band, ink::BAND)?;
            self.canvas.line(&line, 1.25, ink::NOTE)?;
            self.taken.extend(line.windows(2).flat_map(|pair| along(pair[0], pair[1])));
        }
        for piece in &pieces {
            self.side_markers(piece)?;
        }
        self.pieces = pieces;
        Ok(())
    }

    /// The notes of signal and meter, of which the offset is the difference: the signal's dashed.
    pub(super) fn two_notes(&mut self, trail: &[TrackRow]) -> Result<(), PlotError> {
        let runs = trail.chunk_by(|a, b| a.notes_hz.is_some() == b.notes_hz.is_some());
        for run in runs.filter(|run| run[0].notes_hz.is_some()) {
            for i in 0..2 {
                let places = run.iter().filter_map(|row| Some(self.at(row.time_s, row.notes_hz?[i])));
                let line = thin(places);
                if i == 1 {
                    self.canvas.line(&line, 1.0, ink::QUIET)?;
                    continue;
                }
                for dash in line.chunks(8) {
                    self.canvas.line(&dash[..dash.len().min(4)], 1.0, ink::QUIET)?;
                }
            }
        }
        Ok(())
    }

    fn side_markers(&mut self, piece: &[&TrackRow]) -> Result<(), PlotError> {
        // A rest has a marker of its own.
        let in_rest = |x: f64| {
            let rests = &self.analysis.heard.rests;
            rests.iter().any(|r| x > self.time.x(r.start_s) - 8.0 && x < self.time.x(r.end_s) + 8.0)
        };
        let mut spots: Vec<(Place, Side)> = Vec::new();
        let (mut way, mut before) = (MARKER_EVERY / 2.0, None);
        for row in piece {
            let Some(offset) = row.offset_hz else { continue };
            let here = self.at(row.time_s, offset);
            if let Some((x, y)) = before {
                way += f64::hypot(here.0 - x, here.1 - y);
            }
            before = Some(here);
            let crowded = |spot: &(Place, Side)| f64::hypot(here.0 - spot.0.0, here.1 - spot.0.1) < 13.0;
            if way >= MARKER_EVERY && !in_rest(here.0) && !spots.iter().any(crowded) {
                way = 0.0;
                spots.push((here, row.side));
            }
        }
        spots.into_iter().try_for_each(|(here, side)| self.marker(here, 4.5, side))
    }

    /// The side by shape first and lightness second: ▲ meter above, ▼ meter below, ring unknown.
    pub(super) fn marker(&mut self, (x, y): Place, size: f64, side: Side) -> Result<(), PlotError> {
        let Some(sign) = side.sign() else { return self.canvas.ring((x, y), 0.75 * size, 1.25, ink::NOTE) };
        let corners = |size: f64| {
            [(x, y - sign * size), (x - size, y + sign * 0.75 * size), (x + size, y + sign * 0.75 * size)]
        };
        self.canvas.fill(&corners(size + 1.5), ink::PAPER)?;
        self.canvas.fill(&corners(size), colour_of(side))
    }
}

/// The ink of a side.
pub(super) fn colour_of(side: Side) -> RGBColor {
    match side {
        Side::High => ink::ABOVE,
        Side::Low => ink::BELOW,
        Side::Unknown => ink::NOTE,
    }
}

/// At most four places to a unit of width: first, least, greatest and last, so that no excursion is lost.
fn thin(places: impl Iterator<Item = Place>) -> Vec<Place> {
    let mut thinned: Vec<Place> = Vec::new();
    let all: Vec<Place> = places.collect();
    for column in
        all.chunk_by(|a, b| (a.0 - b.0).abs() < f64::EPSILON || a.0.floor().total_cmp(&b.0.floor()).is_eq())
    {
        let by_height = |a: &&Place, b: &&Place| a.1.total_cmp(&b.1);
        let picks =
            [column.first(), column.iter().min_by(by_height), column.iter().max_by(by_height), column.last()];
        thinned.extend(picks.into_iter().flatten());
        thinned.dedup();
    }
    thinned
}

/// Small boxes along a stroke, for labels to keep away from.
pub(super) fn along(from: Place, to: Place) -> impl Iterator<Item = Frame> {
    let steps = (f64::hypot(to.0 - from.0, to.1 - from.1) / 6.0).ceil().max(1.0);
    (0..=steps as u32).map(move |step| {
        let part = f64::from(step) / steps;
        let (x, y) = (from.0 + part * (to.0 - from.0), from.1 + part * (to.1 - from.1));
        Frame { left: x - 4.0, top: y - 4.0, right: x + 4.0, bottom: y + 4.0 }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_the_extremes() {
        let places = (0..1000).map(|n| (f64::from(n) * 0.01, if n == 555 { 99.0 } else { 1.0 }));
        let thinned = thin(places);
        assert!(thinned.len() < 45 && thinned.iter().any(|place| place.1 > 98.0));
    }
}
