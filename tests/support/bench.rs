//! The bench meter of the fixtures, and a job for it.
#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

use hushbeat::clock::Clock;
use hushbeat::correction::{Allowances, Transport};
use hushbeat::dial::{Approach, Meter};
use hushbeat::offset::Offset;
use hushbeat::store;
use hushbeat::task::correct::{Extra, Job, Observation};
use std::path::Path;

pub fn bench_meter() -> Meter {
    store::read_meter(&Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/meters/club-bench.toml")).unwrap()
}

/// One rest heard at a reading of the high range, second harmonic, brought there from below, with what `change` makes of
/// it.
pub fn job(reading: &str, offset: Offset, change: impl FnOnce(&mut Job)) -> Job {
    let mut job = Job {
        range: "high".into(),
        observation: Observation::Single { reading: reading.into(), offset },
        recorded: true,
        approach: Some(Approach::Rising),
        harmonic: 2,
        signal_harmonic: 1,
        checks: Vec::new(),
        transport: Transport::Auto,
        at_min: None,
        crystal: None,
        today: "2026-11-25".parse().ok(),
        clock: Clock::default(),
        allowances: Allowances::default(),
        target: None,
        extra: Extra::default(),
    };
    change(&mut job);
    job
}
