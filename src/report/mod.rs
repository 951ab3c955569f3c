//! One record, many forms: text for people, JSON and CSV for programs, plots for the eye.

pub mod checkpoints;
pub mod correct;
pub mod demo;
pub mod dial;
pub mod drift;
#[cfg(test)]
pub mod example;
#[cfg(feature = "live")]
pub mod inputs;
pub mod json;
pub mod marks;
pub mod plot;
pub mod reference;
mod table;
pub mod text;
pub mod track;
