//! Text for bitmaps, and the measure of text for every form: one shipped font, set with its own side bearings.
//!
//! plotters' text drawing for bitmaps drops the bearings of the glyphs, so that letters stand unevenly, and its thick
//! paths shoot out in spikes where they turn back; both are done here.

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};
use plotters::backend::BitMapBackend;
use plotters::prelude::DrawingBackend;
use plotters_backend::text_anchor::HPos;
use plotters_backend::{BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingErrorKind};
use std::sync::LazyLock;

/// plotters gives sizes that are this many times the em.
pub const SIZE_OF_EM: f64 = 1.24;

/// `DejaVu Sans` cut down to the characters in use; its licence lies beside it.
static FONT: LazyLock<Option<FontRef<'static>>> =
    LazyLock::new(|| FontRef::try_from_slice(include_bytes!("font/DejaVuSans-subset.ttf")).ok());

/// Width of a text set in `em` in the same unit as `em`. Viewers of an SVG use their own sans-serif, and most are
/// narrower.
pub fn width_of(text: &str, em: f64) -> f64 {
    set(text, em as f32, |_, _| ()).into()
}

/// Hands out each glyph with the x at which its origin stands and returns the width of the whole.
fn set(text: &str, em: f32, mut each: impl FnMut(ab_glyph::GlyphId, f32)) -> f32 {
    let Some(font) = FONT.as_ref() else { return 0.0 };
    let font = font.as_scaled(scale(font, em));
    let mut x = 0.0;
    for c in text.chars() {
        let glyph = font.glyph_id(c);
        each(glyph, x);
        x += font.h_advance(glyph);
    }
    x
}

/// `ab_glyph` measures by ascent to descent; typography measures by the em.
fn scale(font: &FontRef<'_>, em: f32) -> PxScale {
    PxScale::from(em * font.height_unscaled() / font.units_per_em().unwrap_or(2048.0))
}

/// A bitmap backend whose text and paths are done here.
pub struct Lettered<'a>(pub BitMapBackend<'a>);

impl<'a> DrawingBackend for Lettered<'a> {
    type ErrorType = <BitMapBackend<'a> as DrawingBackend>::ErrorType;

    fn get_size(&self) -> (u32, u32) {
        self.0.get_size()
    }

    fn ensure_prepared(&mut self) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        self.0.ensure_prepared()
    }

    fn present(&mut self) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        self.0.present()
    }

    fn draw_pixel(
        &mut self,
        place: BackendCoord,
        colour: BackendColor,
    ) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        self.0.draw_pixel(place, colour)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        upper_left: BackendCoord,
        bottom_right: BackendCoord,
        style: &S,
        fill: bool,
    ) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        self.0.draw_rect(upper_left, bottom_right, style, fill)
    }

    /// Stroke by stroke: mitred joins would spike.
    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        let places: Vec<BackendCoord> = path.into_iter().collect();
        places.windows(2).try_for_each(|stroke| self.0.draw_path(stroke.iter().copied(), style))
    }

    /// One line of text whose x-height is centred on `place`.
    fn draw_text<S: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &S,
        place: BackendCoord,
    ) -> Result<(), DrawingErrorKind<Self::ErrorType>> {
        let Some(font) = FONT.as_ref() else { return Ok(()) };
        let em = (style.size() / SIZE_OF_EM) as f32;
        let left = match style.anchor().h_pos {
            HPos::Left => 0.0,
            HPos::Center => -set(text, em, |_, _| ()) / 2.0,
            HPos::Right => -set(text, em, |_, _| ()),
        };
        // The lower-case x of this face is 0.55 em tall; an SVG viewer centres on it in the same way.
        let baseline = place.1 as f32 + 0.275 * em;
        let (width, height) = self.get_size();
        let ink = style.color();
        let mut drawn = Ok(());
        let scale = scale(font, em);
        set(text, em, |glyph, x| {
            let glyph = glyph.with_scale_and_position(scale, point(place.0 as f32 + left + x, baseline));
            let Some(outline) = font.outline_glyph(glyph) else { return };
            let corner = outline.px_bounds().min;
            let (left, top) = (i64::from(corner.x as i32), i64::from(corner.y as i32));
            outline.draw(|dx, dy, cover| {
                let (x, y) = (left + i64::from(dx), top + i64::from(dy));
                if drawn.is_ok() && (0..i64::from(width)).contains(&x) && (0..i64::from(height)).contains(&y)
                {
                    let colour = BackendColor { alpha: ink.alpha * f64::from(cover.min(1.0)), ..ink };
                    drawn = self.0.draw_pixel((x as i32, y as i32), colour);
                }
            });
        });
        drawn
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Advance widths of the face in 2048ths of an em, read from its `hmtx` table.
    #[test]
    fn text_is_as_wide_as_the_face_says() {
        let digit = width_of("8", 2048.0);
        assert!((digit - 1303.0).abs() < 0.5, "{digit}");
        assert!((width_of("±", 2048.0) - 1716.0).abs() < 0.5);
        assert!((width_of("88.8", 12.0) - 12.0 * (3.0 * 1303.0 + 651.0) / 2048.0).abs() < 0.01);
    }
}
