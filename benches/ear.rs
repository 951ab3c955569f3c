//! Where the time goes: the bare transforms at the sizes in use, the ear, and a whole recording from its bytes.
//! Throughput is in input samples, so a figure over the sample rate is how many times faster than real time it runs.
#![allow(missing_docs, reason = "the macro makes undocumented functions")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::pipeline::{Ignore, Pipeline, Settings};
use hushbeat::source::recording::Recording;
use hushbeat::spectrum::{ChirpFrame, RealFrame};
use hushbeat::task::analyse::analyse_recording;
use std::hint::black_box;
use std::io::Cursor;

static RECORDING: &[u8] = include_bytes!("../fixtures/recordings/two-rests.wav");
const RATE_HZ: f64 = 8000.0;

fn sound() -> Vec<f32> {
    let mut recording = Recording::from_reader(Cursor::new(RECORDING), "two-rests").expect("a fixture");
    let (mut block, mut samples) = (SampleBlock::default(), Vec::new());
    while recording.next_block(&mut block).expect("a fixture") {
        samples.extend_from_slice(&block.samples);
    }
    samples
}

/// The transforms that a second of sound costs: twenty short ones, twenty short ones with a slide undone, ten medium
/// and two long ones.
fn transforms(c: &mut Criterion) {
    let samples = sound();
    let frame = |s: f64| RealFrame::new((s * RATE_HZ) as usize, RATE_HZ);
    let (mut short, mut medium, mut long) = (frame(0.16), frame(0.64), frame(2.048));
    let mut chirp = ChirpFrame::new(short.len(), RATE_HZ, &[600.0]);
    let mut group = c.benchmark_group("transforms");
    group.throughput(Throughput::Elements(RATE_HZ as u64));
    group.bench_function("of a second of sound", |b| {
        b.iter(|| {
            for i in 0..20 {
                let at = i * 400;
                black_box(short.power(&samples[at..at + short.len()]));
                chirp.undo(&samples[at..at + short.len()], 600.0);
                black_box(chirp.power(true));
            }
            for i in 0..10 {
                black_box(medium.power(&samples[i * 800..i * 800 + medium.len()]));
            }
            for i in 0..2 {
                black_box(long.power(&samples[i * 4000..i * 4000 + long.len()]));
            }
        });
    });
    group.finish();
}

fn whole(c: &mut Criterion) {
    let samples = sound();
    let mut group = c.benchmark_group("whole");
    group.throughput(Throughput::Elements(samples.len() as u64)).sample_size(20);
    group.bench_function("pipeline at 8 kHz", |b| {
        b.iter(|| {
            let format = StreamFormat { rate_hz: RATE_HZ as u32, channels: 1 };
            let mut pipeline = Pipeline::new(format, &Settings::default()).expect("a plain format");
            for (i, piece) in samples.chunks(4096).enumerate() {
                let block =
                    SampleBlock { samples: piece.to_vec(), first_frame: i as u64 * 4096, lost_before: None };
                pipeline.push(&block, &mut Ignore);
            }
            pipeline.finish(&mut Ignore)
        });
    });
    group.bench_function("recording from its bytes", |b| {
        b.iter(|| {
            let recording = Recording::from_reader(Cursor::new(RECORDING), "two-rests").expect("a fixture");
            analyse_recording(recording, "two-rests", &Settings::default(), None, &mut Ignore).expect("sound")
        });
    });
    group.finish();
}

criterion_group!(benches, transforms, whole);
criterion_main!(benches);
