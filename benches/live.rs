//! What listening costs: the ring alone, and the ear with twenty snapshots a second, for a second of 48 kHz stereo.
//! Prints also how soon a steady note has its first reading, counted in samples.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::Snapshot;
use hushbeat::pipeline::{Pipeline, Sink};
use hushbeat::settings::{ChannelChoice, Settings};
use hushbeat::source::inflow::{Faults, Intake};
use hushbeat::source::ring::ring;
use std::f64::consts::TAU;
use std::hint::black_box;
use std::io::Write;
use std::sync::Arc;

const STEREO: StreamFormat = StreamFormat { rate_hz: 48_000, channels: 2 };
/// Frames that a card hands over at once.
const PORTION: u64 = 960;

/// Takes snapshots and remembers when the first reading came.
#[derive(Default)]
struct Screen {
    read: bool,
}

impl Sink for Screen {
    fn wants_snapshots(&self) -> bool {
        true
    }
    fn snapshot(&mut self, snapshot: &Snapshot) {
        self.read |= snapshot.offset_hz.is_some();
        black_box(snapshot);
    }
}

/// Frames `first..first + PORTION` of silence with faint noise, and from `note_from` on a note of 400 Hz on the left.
fn portion(first: u64, note_from: u64, block: &mut SampleBlock) {
    block.first_frame = first;
    block.samples.clear();
    for n in first..first + PORTION {
        // SplitMix64 (Steele, Lea and Flood, 2014): the same noise at the same frame.
        let mut mixed = n.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        let noise = ((mixed ^ (mixed >> 31)) >> 40) as f32 / (1u64 << 24) as f32 - 0.5;
        let phase = TAU * 400.0 * n as f64 / f64::from(STEREO.rate_hz);
        let note = if n < note_from { 0.0 } else { 0.25 * phase.sin() as f32 };
        block.samples.extend([note + 0.05 * noise, 0.01 * noise]);
    }
}

fn pipeline() -> Pipeline {
    let settings = Settings { channel: ChannelChoice::Number(1), ..Settings::default() };
    Pipeline::new(STEREO, &settings).expect("a usable format")
}

fn live(criterion: &mut Criterion) {
    let (mut ear, mut screen, mut block) = (pipeline(), Screen::default(), SampleBlock::default());
    let note_from = u64::from(STEREO.rate_hz);
    let mut pushed = 0;
    while !screen.read {
        portion(pushed, note_from, &mut block);
        ear.push(&block, &mut screen);
        pushed += PORTION;
    }
    let milliseconds = (pushed - note_from) * 1000 / u64::from(STEREO.rate_hz);
    let _ = writeln!(
        std::io::stderr(),
        "a steady 400 Hz note has its first reading {milliseconds} ms after its first sample"
    );

    let mut group = criterion.benchmark_group("live");
    group.throughput(Throughput::Elements(STEREO.rate_hz.into()));
    group.bench_function("ring", |bencher| {
        let (feed, mut tap) = ring(STEREO, 2.0);
        let mut intake = Intake::new(feed, Arc::new(Faults::default()));
        let (period, mut block) = (vec![1i32 << 20; 2 * PORTION as usize], SampleBlock::default());
        bencher.iter(|| {
            for _ in 0..STEREO.rate_hz / PORTION as u32 {
                intake.take(&period, |sample| sample as f32 / 2_147_483_648.0);
                while tap.next_block(&mut block, 2400) {
                    black_box(&block.samples);
                }
            }
        });
    });
    group.sample_size(10).bench_function("ear with snapshots, a note at rest for 10 s", |bencher| {
        let mut ear = pipeline();
        let mut pushed = 0;
        let mut second = |ear: &mut Pipeline| {
            for _ in 0..u64::from(STEREO.rate_hz) / PORTION {
                portion(pushed, 0, &mut block);
                ear.push(&block, &mut screen);
                pushed += PORTION;
            }
        };
        (0..10).for_each(|_| second(&mut ear));
        bencher.iter(|| second(&mut ear));
    });
    group.finish();
}

criterion_group!(benches, live);
criterion_main!(benches);
