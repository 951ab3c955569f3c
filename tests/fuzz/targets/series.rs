//! Any text as a series, behind one byte that says of what: drift and stability of it, drawn too, or a line that
//! refuses it.
#![no_main]

use hushbeat::report;
use hushbeat::task::drift::{Kind, Series, drift};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|given: (u8, &str)| {
    let (choice, text) = given;
    let tau0_s = [1.0, 0.1, 1e-3, 3600.0][usize::from(choice & 3)];
    let kind = if choice & 4 == 0 { Kind::Frequency } else { Kind::Phase };
    let nominal = (choice & 8 != 0).then_some(3.725e6);
    let line = match Series::parse(text, "any.csv", tau0_s, kind, nominal) {
        Err(refusal) => refusal.to_string(),
        Ok(series) => match drift("any.csv", &series, None) {
            Err(refusal) => refusal.to_string(),
            Ok((record, _)) => {
                let told = report::drift::text(&record);
                assert!(!told.contains("NaN"), "{told}");
                return;
            }
        },
    };
    assert!(line.starts_with("any.csv:") && line.contains("; hint: ") && line.len() < 1000, "{line}");
});
