//! Any bytes as a recording, from a stream and with a length known: read or refused.
#![no_main]

use hushbeat::block::SampleBlock;
use hushbeat::source::recording::Recording;
use libfuzzer_sys::fuzz_target;
use std::io::Cursor;

fuzz_target!(|bytes: &[u8]| {
    let Ok(mut recording) = Recording::from_reader(Cursor::new(bytes.to_vec()), "any") else { return };
    let channels = usize::from(recording.format().channels);
    let (mut block, mut next) = (SampleBlock::default(), 0);
    while let Ok(true) = recording.next_block(&mut block) {
        assert_eq!(block.samples.len() % channels, 0);
        assert!(block.first_frame >= next && block.samples.capacity() <= 1 << 20);
        next = block.first_frame + (block.samples.len() / channels) as u64;
    }
});
