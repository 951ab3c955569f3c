//! Any bytes as a bench log: listed, shown with every sum done again, written out as CSV and as a page.
#![no_main]

use hushbeat::benchlog::{self, Filter, Kept, Log, Presence};
use hushbeat::store::ledger::Lines;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let log = Log::of(&Lines::of(bytes));
    let _ = benchlog::list(&log, &Filter::default());
    let all: Vec<&Kept> = log.entries.iter().collect();
    for kept in &all {
        let _ = benchlog::show(kept, &|_| Presence::Gone);
    }
    let _ = benchlog::csv(&all);
    let page = benchlog::html(&all, "any");
    assert!(!page.contains("<script"), "{page}");
});
