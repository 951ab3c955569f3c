//! One file per job: inputs in, a record out.

pub mod analyse;
pub mod book;
pub mod checkpoints;
pub mod correct;
pub mod demo;
pub mod dial;
pub mod drift;
pub mod hold_off;
pub mod lens;
pub mod listen;
pub mod reference;
pub mod rehearse;
pub mod rollcall;
pub mod sheet;
pub mod span;
pub mod trail;
pub mod unknown;
