//! One file per job.
pub mod analyse;
pub mod span;
pub mod trail;
