//! The drawing surface: layout units in, whole backend steps out, and the boxes that labels already occupy.

use super::PlotError;
use super::lettering;
use crate::report::html::printable;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{PathElement, Polygon, Text};
use plotters::prelude::DrawingBackend;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontDesc, FontFamily, FontStyle, RGBColor, ShapeStyle, TextStyle};

/// A place in layout units, x to the right and y down.
pub type Place = (f64, f64);

/// Ink: chosen apart in lightness first and in hue second, so that they survive greyscale print and colour blindness.
pub mod ink {
    use plotters::style::RGBColor;
    /// Text and axes.
    pub const TEXT: RGBColor = RGBColor(34, 34, 40);
    /// Second-rank text.
    pub const QUIET: RGBColor = RGBColor(94, 94, 104);
    /// The note's own line.
    pub const NOTE: RGBColor = RGBColor(70, 70, 82);
    /// Grid.
    pub const GRID: RGBColor = RGBColor(228, 228, 232);
    /// Hum and steady lines.
    pub const HUM: RGBColor = RGBColor(216, 203, 186);
    /// The uncertainty about the note.
    pub const BAND: RGBColor = RGBColor(205, 205, 216);
    /// The stretch of a rest.
    pub const REST: RGBColor = RGBColor(243, 238, 226);
    /// Where nothing can be heard.
    pub const DEAF: RGBColor = RGBColor(232, 230, 238);
    /// Strokes over the deaf stretch.
    pub const DEAF_STROKE: RGBColor = RGBColor(196, 192, 208);
    /// The meter above the signal: dark.
    pub const ABOVE: RGBColor = RGBColor(56, 32, 110);
    /// The meter below the signal: light.
    pub const BELOW: RGBColor = RGBColor(226, 138, 20);
    /// Behind everything.
    pub const PAPER: RGBColor = RGBColor(255, 255, 255);
}

/// Which corner of a text its place means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The place is at the text's left end, half-way up.
    Left,
    /// The middle.
    Centre,
    /// The right end, half-way up.
    Right,
}

/// A box in layout units: left, top, right, bottom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Left edge.
    pub left: f64,
    /// Top edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Bottom edge.
    pub bottom: f64,
}

impl Frame {
    /// Whether the two share any point.
    pub fn meets(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// Whether `other` lies inside.
    pub fn holds(&self, other: &Self) -> bool {
        self.left <= other.left
            && other.right <= self.right
            && self.top <= other.top
            && other.bottom <= self.bottom
    }
}

/// A drawing area with its scale and font.
pub struct Canvas<DB: DrawingBackend> {
    area: DrawingArea<DB, Shift>,
    steps: f64,
}

impl<DB: DrawingBackend> Canvas<DB> {
    /// A canvas over `area` with `steps` backend steps to a layout unit.
    pub fn new(area: DrawingArea<DB, Shift>, steps: u32) -> Self {
        Self { area, steps: f64::from(steps) }
    }

    /// Covers everything with one colour.
    pub fn fill_all(&mut self, colour: RGBColor) -> Result<(), PlotError> {
        self.area.fill(&colour).map_err(refused)
    }

    /// A line through `places`.
    pub fn line(&mut self, places: &[Place], width: f64, colour: RGBColor) -> Result<(), PlotError> {
        let style = self.stroke(width, colour);
        self.area.draw(&PathElement::new(self.steps_of(places), style)).map_err(refused)
    }

    /// A filled polygon.
    pub fn fill(&mut self, corners: &[Place], colour: RGBColor) -> Result<(), PlotError> {
        self.area.draw(&Polygon::new(self.steps_of(corners), colour.filled())).map_err(refused)
    }

    /// A filled box.
    pub fn block(&mut self, frame: Frame, colour: RGBColor) -> Result<(), PlotError> {
        let Frame { left, top, right, bottom } = frame;
        self.fill(&[(left, top), (right, top), (right, bottom), (left, bottom)], colour)
    }

    /// A ring on paper ground. Polygons, because thin circles come out dotted on a bitmap.
    pub fn ring(
        &mut self,
        centre: Place,
        radius: f64,
        width: f64,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        for (radius, colour) in
            [(radius + 1.5, ink::PAPER), (radius + width / 2.0, colour), (radius - width / 2.0, ink::PAPER)]
        {
            let corner = |n: u32| {
                let (sin, cos) = (f64::from(n) * std::f64::consts::TAU / 24.0).sin_cos();
                (centre.0 + radius * cos, centre.1 + radius * sin)
            };
            self.fill(&(0..24).map(corner).collect::<Vec<Place>>(), colour)?;
        }
        Ok(())
    }

    /// One line of text, `em` units tall. Characters that no font or XML takes are replaced.
    pub fn text(
        &mut self,
        place: Place,
        anchor: Anchor,
        text: &str,
        em: f64,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        let horizontal = match anchor {
            Anchor::Left => HPos::Left,
            Anchor::Centre => HPos::Center,
            Anchor::Right => HPos::Right,
        };
        let font =
            FontDesc::new(FontFamily::SansSerif, em * lettering::SIZE_OF_EM * self.steps, FontStyle::Normal);
        let mut style = TextStyle::from(font).pos(Pos::new(horizontal, VPos::Center));
        style.color = colour.to_backend_color();
        let text: String = text.chars().map(printable).collect();
        let place = self.step_of(place);
        self.area.draw(&Text::new(text, place, style)).map_err(refused)
    }

    /// Ends the drawing.
    pub fn finish(self) -> Result<(), PlotError> {
        self.area.present().map_err(refused)
    }

    fn stroke(&self, width: f64, colour: RGBColor) -> ShapeStyle {
        colour.stroke_width((width * self.steps).round().max(1.0) as u32)
    }

    fn step_of(&self, (x, y): Place) -> (i32, i32) {
        ((x * self.steps).round() as i32, (y * self.steps).round() as i32)
    }

    fn steps_of(&self, places: &[Place]) -> Vec<(i32, i32)> {
        places.iter().map(|&place| self.step_of(place)).collect()
    }
}

fn refused(error: impl std::fmt::Display) -> PlotError {
    PlotError::Drawing(error.to_string())
}
