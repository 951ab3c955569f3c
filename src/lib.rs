//! hushbeat: the ear and the clerk of a heterodyne frequency meter.
pub mod beat;
pub mod block;
pub mod cli;
pub mod clock;
pub mod heard;
pub mod measured;
pub mod offset;
pub mod pipeline;
pub mod quantity;
pub mod report;
pub mod source;
pub mod store;
pub mod task;
pub mod condition;
pub mod estimate;
pub mod settings;
pub mod spectrum;
