//! hushbeat: the ear and the clerk of a heterodyne frequency meter.
pub mod block;
pub mod cli;
pub mod clock;
pub mod correction;
pub mod dial;
pub mod heard;
pub mod live;
pub mod measured;
pub mod offset;
pub mod pipeline;
pub mod quantity;
pub mod report;
pub mod session;
pub mod source;
pub mod store;
pub mod task;
