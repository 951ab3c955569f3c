//! Any text as a meter file, its book behind a NUL: read and put to work, or refused with a line.
#![no_main]

use hushbeat::dial::Meter;
use hushbeat::quantity::Hertz;
use hushbeat::task::{checkpoints, dial};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let (meter, book) = text.split_once('\0').unwrap_or((text, "frequency_khz,reading\n160,100\n330,1800\n"));
    let load = |name: &str| Ok::<_, String>((name.to_owned(), book.to_owned()));
    match Meter::parse(meter, "any.toml", load) {
        Ok(meter) => {
            for hertz in [1.0, 200e3, 1e6, 3.52e6] {
                let _ = dial::to_reading(&meter, Hertz(hertz), 1);
            }
            let _ = checkpoints::checkpoints(&meter, None, None);
            let _ = checkpoints::checkpoints(&meter, None, Some(Hertz(250e3)));
            for range in &meter.ranges {
                for reading in ["0", "1000", "3/12.5"] {
                    let _ = dial::to_frequency(&meter, &range.name, reading, 2);
                }
            }
        }
        Err(refusal) => {
            let line = refusal.to_string();
            assert!(line.contains("; hint: ") && line.len() < 1000, "{line}");
        }
    }
});
