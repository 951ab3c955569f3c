//! Plots as SVG (text kept as text) and PNG. plotters is used in this room only.

mod axes;
mod canvas;
mod descent;
mod law;
mod lens;
mod lettering;
mod stability;

use crate::heard::TrackRow;
use crate::offset::Hand;
use crate::report::html::escape;
use crate::task::analyse::Analysis;
use crate::task::book::Fitted;
use crate::task::drift::{Course, DriftRecord};
use crate::task::lens::Lens;
use canvas::Canvas;
use descent::Descent;
use lettering::Lettered;
use plotters::backend::{BitMapBackend, SVGBackend};
use plotters::drawing::IntoDrawingArea;
use plotters::prelude::DrawingBackend;
use stability::Stability;

/// Why a plot could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The drawing library refused.
    #[error("the plot could not be drawn: {0}")]
    Drawing(String),
    /// The PNG encoder refused.
    #[error("the plot could not be packed as PNG: {0}")]
    Packing(#[from] png::EncodingError),
}

/// Width and height in the units that everything is laid out in: CSS pixels of the SVG. Shown at 600 px the smallest
/// text is still 9 px tall.
const SIZE: (u32, u32) = (760, 470);

/// Steps of the coordinates per unit in the SVG: plotters rounds to whole steps, and a quarter of a pixel is not seen.
const SVG_STEPS: u32 = 4;

/// Pixels per unit in the PNG: sharp on paper and on dense screens.
const PNG_STEPS: u32 = 2;

/// Drawn this many times as fine each way and averaged, which smooths every edge alike.
const PNG_FINER: u32 = 2;

/// Text sizes, em in layout units.
const TITLE: f64 = 15.0;
const BODY: f64 = 12.5;
const SMALL: f64 = 11.5;

/// Something that can be drawn on the canvas, and says in words what is to be seen.
trait Picture {
    /// A few words that name it.
    fn title(&self) -> String;
    /// The same as the picture tells, for those who can't see it.
    fn about(&self) -> String;
    /// Draws it.
    fn draw<DB: DrawingBackend>(&self, canvas: &mut Canvas<DB>) -> Result<(), PlotError>;
}

/// The descent of the note as an SVG document: log |offset| in Hz against time.
///
/// # Errors
/// When the drawing library refuses.
pub fn descent_svg(analysis: &Analysis, trail: &[TrackRow], hand: Hand) -> Result<String, PlotError> {
    svg(&Descent { analysis, trail, hand }, "descent")
}

/// The descent of the note as a PNG file's bytes, 8-bit RGB.
///
/// # Errors
/// When the drawing library or the encoder refuses.
pub fn descent_png(analysis: &Analysis, trail: &[TrackRow], hand: Hand) -> Result<Vec<u8>, PlotError> {
    png(&Descent { analysis, trail, hand })
}

/// A rest under the lens as an SVG document: phase left over in degrees against time.
///
/// # Errors
/// When the drawing library refuses.
pub fn lens_svg(lens: &Lens) -> Result<String, PlotError> {
    svg(lens, &format!("lens{}", lens.number))
}

/// A rest under the lens as a PNG file's bytes.
///
/// # Errors
/// When the drawing library or the encoder refuses.
pub fn lens_png(lens: &Lens) -> Result<Vec<u8>, PlotError> {
    png(lens)
}

/// The points of a new book against its law as an SVG document: point less law in divisions against the reading.
///
/// # Errors
/// When the drawing library refuses.
pub fn law_svg(fitted: &Fitted) -> Result<String, PlotError> {
    svg(fitted, "law")
}

/// The points of a new book against its law as a PNG file's bytes.
///
/// # Errors
/// When the drawing library or the encoder refuses.
pub fn law_png(fitted: &Fitted) -> Result<Vec<u8>, PlotError> {
    png(fitted)
}

/// The course of a series and its Allan family as an SVG document, the latter on logarithmic axes with error bars.
///
/// # Errors
/// When the drawing library refuses.
pub fn stability_svg(record: &DriftRecord, course: &Course) -> Result<String, PlotError> {
    svg(&Stability { record, course }, "stability")
}

/// The same as a PNG file's bytes.
///
/// # Errors
/// When the drawing library or the encoder refuses.
pub fn stability_png(record: &DriftRecord, course: &Course) -> Result<Vec<u8>, PlotError> {
    png(&Stability { record, course })
}

/// A picture as SVG; `key` keeps its names apart from those of other pictures on a page.
fn svg(picture: &impl Picture, key: &str) -> Result<String, PlotError> {
    let mut body = String::new();
    {
        let backend = SVGBackend::with_string(&mut body, (SIZE.0 * SVG_STEPS, SIZE.1 * SVG_STEPS));
        let mut canvas = Canvas::new(backend.into_drawing_area(), SVG_STEPS);
        picture.draw(&mut canvas)?;
        canvas.finish()?;
    }
    // The library's opening tag knows neither units of layout nor a title for those who can't see the picture.
    let inside = body.split_once('\n').map_or("", |(_, rest)| rest);
    let (width, height) = SIZE;
    let (title, about) = (escape(&picture.title()), escape(&picture.about()));
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-labelledby=\"{key}-title {key}-about\" \
         width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {} {}\">\n<title id=\"{key}-title\">{title}</title>\n\
         <desc id=\"{key}-about\">{about}</desc>\n{inside}",
        width * SVG_STEPS,
        height * SVG_STEPS
    ))
}

/// A picture as PNG.
fn png(picture: &impl Picture) -> Result<Vec<u8>, PlotError> {
    let steps = PNG_STEPS * PNG_FINER;
    let (fine_width, fine_height) = (SIZE.0 * steps, SIZE.1 * steps);
    let mut fine = vec![0; (fine_width * fine_height * 3) as usize];
    {
        let backend = Lettered(BitMapBackend::with_buffer(&mut fine, (fine_width, fine_height)));
        let mut canvas = Canvas::new(backend.into_drawing_area(), steps);
        picture.draw(&mut canvas)?;
        canvas.finish()?;
    }
    let (width, height) = (SIZE.0 * PNG_STEPS, SIZE.1 * PNG_STEPS);
    let pixels = averaged(&fine, fine_width as usize);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.write_header()?.write_image_data(&pixels)?;
    Ok(bytes)
}

/// RGB rows of `width` pixels, each square of [`PNG_FINER`] by [`PNG_FINER`] made one pixel of their mean.
fn averaged(fine: &[u8], width: usize) -> Vec<u8> {
    let side = PNG_FINER as usize;
    let rows = fine.chunks_exact(3 * width * side);
    rows.flat_map(|rows| {
        (0..width / side).flat_map(move |column| {
            (0..3).map(move |channel| {
                let square = (0..side * side).map(|n| {
                    let (x, y) = (column * side + n % side, n / side);
                    u32::from(rows[3 * (y * width + x) + channel])
                });
                (square.sum::<u32>() / (PNG_FINER * PNG_FINER)) as u8
            })
        })
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn the_descent_as_svg() {
        let (told, trail) = example::fall_to_rest();
        insta::assert_snapshot!(descent_svg(&told, &trail, Hand::Meter).unwrap());
    }

    #[test]
    fn every_kind_of_ending_is_drawn_in_both_forms() {
        for (name, (told, trail)) in example::all() {
            let svg = descent_svg(&told, &trail, Hand::Meter).unwrap();
            assert!(svg.starts_with("<svg ") && svg.trim_end().ends_with("</svg>"), "{name}");
            let png = descent_png(&told, &trail, Hand::Signal).unwrap();
            assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n", "{name}");
            // To look at them: HUSHBEAT_PLOTS=folder cargo test every_kind
            if let Some(folder) = std::env::var_os("HUSHBEAT_PLOTS") {
                let folder = std::path::PathBuf::from(folder);
                std::fs::write(folder.join(format!("{name}.svg")), svg).unwrap();
                std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
            }
        }
    }

    #[test]
    fn a_square_of_pixels_becomes_their_mean() {
        let fine =
            [[0, 0, 0], [40, 0, 0], [9, 9, 9], [9, 9, 9], [40, 0, 8], [80, 0, 0], [9, 9, 9], [9, 9, 9]];
        assert_eq!(averaged(&fine.concat(), 4), [40, 0, 2, 9, 9, 9]);
    }

    #[test]
    fn outside_text_can_not_break_out_of_the_svg() {
        let (mut told, trail) = example::fall_to_rest();
        told.input.path = "a<script>\"&'\u{1}\n.wav".to_owned();
        let svg = descent_svg(&told, &trail, Hand::Meter).unwrap();
        assert!(!svg.contains("<script") && !svg.contains('\u{1}'), "{}", &svg[..400]);
        assert!(svg.contains("&lt;script&gt;"));
    }
}
