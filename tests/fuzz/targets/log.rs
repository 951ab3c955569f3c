//! Any bytes as a bench log: listed, shown with every sum done again, written out as CSV and as a page.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| drop(hostile::log(bytes)));
