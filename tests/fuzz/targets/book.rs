//! Any text as a book: read, and then it answers everywhere on the dial with finite figures; or refused with a line.
#![no_main]

use hushbeat::dial::{Approach, Book, Plate};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    for rises in [true, false] {
        let plate = Plate {
            divisions_per_turn: 100.0,
            turns: 50,
            vernier: 10,
            rises,
            u_div: 0.05,
            backlash_div: 0.2,
            book_approach: Approach::Rising,
        };
        match Book::parse(text, "any.csv", &plate) {
            Ok(book) => {
                let (low, high) = book.readings();
                for part in [0.0, 0.01, 0.5, 1.0] {
                    if let Ok(point) = book.at(low + part * (high - low)) {
                        assert!(!point.hertz.is_nan() && !point.u_hz().is_nan());
                        let _ = book.reading_of(point.hertz);
                    }
                }
                let (low, high) = book.reach();
                for part in [0.0, 0.3, 1.0] {
                    let _ = book.reading_of(low + part * (high - low));
                }
            }
            Err(refusal) => {
                let line = refusal.to_string();
                assert!(line.starts_with("any.csv:") && line.contains("; hint: ") && line.len() < 1000, "{line}");
            }
        }
    }
});
