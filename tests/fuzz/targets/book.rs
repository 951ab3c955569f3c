//! Any text as a book: read, and then it answers everywhere on the dial with finite figures; or refused with a line.
#![no_main]

#[path = "../../support/hostile.rs"]
mod hostile;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| hostile::book(text));
