//! Any text as a net's list, as check points for a new book and as a typed book with slips: a card, a book, slips, or a
//! line that refuses it.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| drop(hostile::lists(text)));
