//! One file per job: inputs in, a record out.

pub mod analyse;
pub mod checkpoints;
pub mod correct;
pub mod demo;
pub mod dial;
pub mod drift;
pub mod listen;
pub mod reference;
pub mod span;
pub mod trail;
