//! Any text as a net's list, as check points for a new book and as a typed book with slips: a card, a book, slips, or a
//! line that refuses it.
#![no_main]

use hushbeat::dial::{Meter, MeterPlan};
use hushbeat::task::{book, sheet};
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;

const METER: &str = include_str!("../../../fixtures/meters/club-bench.toml");
const LOW: &str = include_str!("../../../fixtures/books/club-bench-low.csv");
const HIGH: &str = include_str!("../../../fixtures/books/club-bench-high.csv");

static BENCH: LazyLock<(Meter, MeterPlan)> = LazyLock::new(|| {
    let book = |name: &str| if name.contains("low") { LOW } else { HIGH };
    let load = |name: &str| Ok::<_, String>((name.to_owned(), book(name).to_owned()));
    (Meter::parse(METER, "m.toml", load).unwrap(), MeterPlan::parse(METER, "m.toml").unwrap())
});

fuzz_target!(|text: &str| {
    let (meter, plan) = &*BENCH;
    let refused = |line: String| {
        assert!(line.starts_with("any.csv") && line.contains("; hint: ") && line.len() < 1000, "{line}");
    };
    match sheet::Channels::parse(text, "any.csv").and_then(|list| sheet::sheet(meter, &list, None)) {
        Ok(card) => assert!(card.channels.iter().all(|line| line.setting.reading.is_finite())),
        Err(refusal) => refused(refusal.to_string()),
    }
    for shape in [None, Some(("shape.csv", HIGH))] {
        let job = book::FitJob { range: "high", points: ("any.csv", text), shape, step: None };
        match book::fit(plan, &job) {
            Ok(fitted) => assert!(fitted.rows.iter().all(|row| row.u_div.is_finite())),
            Err(refusal) => refused(refusal.to_string()),
        }
    }
    match book::check(text, "any.csv") {
        Ok(checked) => assert!(checked.slips.len() <= checked.rows),
        Err(refusal) => refused(refusal.to_string()),
    }
});
