//! What is printed on or about the meter: readings, the calibration book, harmonics, check points, the meter file.
//!
//! This room parses text and opens no file. A [`Meter`] holds a [`Plate`] (the dial's geometry), a [`Crystal`] and
//! one [`Book`] to each [`Range`]; a book is read both ways with its curvature, and says how far its own printing
//! can be trusted.

mod book;
mod check_points;
mod date;
mod error;
mod interpolate;
mod matrix;
mod meter;
mod plate;
mod settings;
mod table;

pub use book::{Book, BookPoint};
pub use check_points::{CheckPoint, check_points, either_side};
pub use date::{Date, NotADate};
pub use error::DialError;
pub use matrix::Matrix;
pub use meter::{Crystal, Meter, Range};
pub use plate::{Approach, Plate};
pub use settings::{Setting, settings};
