//! One record, many forms: text for people, JSON and CSV for programs, plots for the eye.

pub mod book;
pub mod checkpoints;
pub mod correct;
pub mod demo;
pub mod dial;
pub mod drift;
#[cfg(test)]
pub mod example;
pub mod html;
#[cfg(feature = "live")]
pub mod inputs;
pub mod json;
pub mod lines;
pub mod marks;
pub mod page;
pub mod plot;
pub mod reference;
pub mod rehearse;
pub mod rollcall;
pub mod sheet;
mod table;
pub mod text;
pub mod track;
pub mod unknown;
