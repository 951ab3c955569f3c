//! One file per job.
pub mod analyse;
pub mod correct;
pub mod dial;
pub mod listen;
