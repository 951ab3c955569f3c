//! One file per job.
pub mod analyse;
