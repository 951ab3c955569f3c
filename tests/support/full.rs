//! How much of a test that takes long is done: a part of it in an ordinary run, all of it with `HUSHBEAT_FULL=1`.
#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]

/// Whether all of it is asked for.
pub fn full() -> bool {
    std::env::var_os("HUSHBEAT_FULL").is_some()
}

/// One count or the other.
pub fn count<T>(part: T, all: T) -> T {
    if full() { all } else { part }
}

pub fn share(part: usize, of: usize) -> f64 {
    part as f64 / of.max(1) as f64
}
