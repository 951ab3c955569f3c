//! Sound for the ear, and what a file holds of it.
#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::{Heard, TrackRow};
use hushbeat::pipeline::{Pipeline, Settings, Sink};
use hushbeat::source::recording;
use std::path::Path;

/// Keeps the rows of the track.
#[derive(Default)]
pub struct Rows(pub Vec<TrackRow>);

impl Sink for Rows {
    fn row(&mut self, row: &TrackRow) {
        self.0.push(row.clone());
    }
}

/// Frames that the ear is given at a time.
const PIECE: usize = 4096;

/// All that the ear has to say of some sound, channels interleaved.
pub fn hear(format: StreamFormat, samples: &[f32], settings: &Settings, sink: &mut dyn Sink) -> Heard {
    let mut pipeline = Pipeline::new(format, settings).unwrap();
    for (i, piece) in samples.chunks(PIECE * usize::from(format.channels)).enumerate() {
        let first_frame = (i * PIECE) as u64;
        pipeline.push(&SampleBlock { samples: piece.to_vec(), first_frame, lost_before: None }, sink);
    }
    pipeline.finish(sink).heard
}

/// All samples of a recording.
pub fn samples_of(path: &Path) -> (StreamFormat, Vec<f32>) {
    let mut recording = recording::open(path).unwrap();
    let (mut samples, mut block) = (Vec::new(), SampleBlock::default());
    while recording.next_block(&mut block).unwrap() {
        samples.extend_from_slice(&block.samples);
    }
    (recording.format(), samples)
}
