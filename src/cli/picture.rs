//! A picture's file: its form goes by the name's ending.

use super::failure::Failure;
use crate::report::plot::PlotError;
use crate::store;
use std::path::PathBuf;

/// Where a picture goes, and in which form.
#[derive(Debug, Clone)]
pub enum Picture {
    Svg(PathBuf),
    Png(PathBuf),
}

impl Picture {
    /// Draws it in the form that its file asks for and writes that.
    ///
    /// # Errors
    /// A picture that can't be drawn, a file that can't be written.
    pub fn write(
        &self,
        svg: impl FnOnce() -> Result<String, PlotError>,
        png: impl FnOnce() -> Result<Vec<u8>, PlotError>,
    ) -> Result<(), Failure> {
        let (path, drawn) = match self {
            Self::Svg(path) => (path, svg().map(String::into_bytes)),
            Self::Png(path) => (path, png()),
        };
        let bytes = drawn.map_err(|error| Failure::Job(error.to_string()))?;
        Ok(store::write_atomic(path, &bytes)?)
    }
}

/// Reads a picture's name from the command line.
///
/// # Errors
/// An ending that is neither `.svg` nor `.png`.
pub fn picture(text: &str) -> Result<Picture, String> {
    let path = PathBuf::from(text);
    match path.extension().map(|ending| ending.to_string_lossy().to_lowercase()).as_deref() {
        Some("svg") => Ok(Picture::Svg(path)),
        Some("png") => Ok(Picture::Png(path)),
        _ => Err("a plot is SVG or PNG; hint: end the name in .svg or .png".to_owned()),
    }
}
