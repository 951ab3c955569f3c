//! Any text as a net's list of channels or stations, as check points for a new book, and as a typed book with slips: put
//! to work, or refused with a line.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| drop(hostile::lists(text)));
