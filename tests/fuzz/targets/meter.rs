//! Any text as a meter file, its book behind a NUL: read and put to work, or refused with a line.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| drop(hostile::meter(text)));
