//! What an audio callback does costs no allocation, in calm and in trouble.

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::source::inflow::{Fault, Faults, Intake};
use hushbeat::source::ring::ring;
use std::sync::Arc;

const STEREO: StreamFormat = StreamFormat { rate_hz: 48_000, channels: 2 };

#[test]
fn a_callback_allocates_nothing() {
    let (feed, mut tap) = ring(STEREO, 0.5);
    let faults = Arc::new(Faults::default());
    let mut intake = Intake::new(feed, Arc::clone(&faults));
    let period = [1i32 << 20; 2 * 960];
    let mut block = SampleBlock::default();
    let mut taken = 0;
    for round in 0..2000 {
        // Half of the rounds nobody reads: the ring runs over, and losses pile up.
        if round % 200 < 100 {
            while tap.next_block(&mut block, 4800) {
                taken += block.samples.len();
            }
        }
        let cost = allocation_counter::measure(|| {
            if round % 7 == 0 {
                faults.overrun();
            }
            if round % 11 == 0 {
                faults.fatal(Fault::Broken);
            }
            intake.take(&period, |sample| sample as f32 / 2_147_483_648.0);
        });
        assert_eq!((cost.count_total, cost.bytes_total), (0, 0), "in round {round}");
    }
    assert!(taken > 0 && tap.lost() > 0, "neither calm nor trouble was tried");
}

/// The measure itself: it sees an allocation when there is one.
#[test]
fn an_allocation_would_be_seen() {
    let cost = allocation_counter::measure(|| drop(std::hint::black_box(vec![0u8; 64])));
    assert_eq!(cost.count_total, 1);
}
