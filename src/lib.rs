//! hushbeat: the ear and the clerk of a heterodyne frequency meter.
pub mod block;
pub mod cli;
pub mod clock;
pub mod heard;
pub mod live;
pub mod measured;
pub mod offset;
pub mod pipeline;
pub mod quantity;
pub mod session;
pub mod source;
pub mod task;
