//! Any text as a series, behind one byte that says of what: drift and stability of it, told in words, or a line that
//! refuses it.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|given: (u8, &str)| drop(hostile::series(given.0, given.1)));
