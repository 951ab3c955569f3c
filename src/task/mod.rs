//! One file per job.
pub mod analyse;
pub mod checkpoints;
pub mod correct;
pub mod dial;
