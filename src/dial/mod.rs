//! What is printed on or about the meter: readings, the calibration book, harmonics, check points, the meter file.
//!
//! This room parses text and opens no file. A [`Meter`] holds a [`Plate`] (the dial's geometry), a [`Crystal`] and
//! one [`Book`] to each [`Range`]; a book is read both ways with its curvature, and says how far its own printing
//! can be trusted.

mod book;
mod check_points;
mod date;
mod error;
mod fit;
mod interpolate;
mod law;
mod matrix;
mod meter;
mod plan;
mod plate;
mod settings;
mod slips;
mod table;
mod transfer;

pub use book::{Book, BookPoint, Rows};
pub use check_points::{CheckPoint, check_orders, check_points, either_side};
pub use date::{Date, NotADate};
pub use error::{DialError, LONGEST, short};
pub use fit::Fit;
pub use law::{Gap, Law, NewBook, NewRow, Point, Residual, new_book, points};
pub use matrix::Matrix;
pub use meter::{Crystal, Meter, Range};
pub use plan::{MeterPlan, RangePlan};
pub use plate::{Approach, Plate};
pub use settings::{Setting, settings};
pub use slips::{Column, Slip, slips};
pub use table::Table;
pub use transfer::{COMFORTABLE_HZ, Transfer, transfer};
