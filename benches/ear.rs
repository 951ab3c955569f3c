//! Where the time goes, on a minute of 48 kHz sound: a note that falls twice and rests twice, in hum and hiss. Decoding,
//! decimation, the transforms at the sizes and the rates in use, and the whole recording from its bytes.
//!
//! Throughput is in input samples, so a figure over the sample rate is how many times faster than real time it runs. At
//! the end the whole is set against its floor, decoding and the bare transforms, in rounds of all three.

use criterion::{Criterion, Throughput};
use hushbeat::block::SampleBlock;
use hushbeat::condition::Decimator;
use hushbeat::pipeline::Ignore;
use hushbeat::settings::Settings;
use hushbeat::source::recording::Recording;
use hushbeat::source::synthetic::{Hum, Scene, render};
use hushbeat::spectrum::{ChirpFrame, RealFrame};
use hushbeat::task::analyse::analyse_recording;
use std::hint::black_box;
use std::io::{Cursor, Write};
use std::time::Instant;

const RATE_HZ: u32 = 48_000;
const WORKING_HZ: f64 = 8000.0;
const LENGTH_S: u32 = 60;
/// Rounds that a median is taken of.
const ROUNDS: usize = 21;

/// The minute as a WAV file, and decimated as the ear hears it.
fn sound() -> (&'static [u8], Vec<f32>) {
    let knots = [(0.0, -1800.0), (8.0, -140.0), (30.0, -140.0), (34.0, 400.0), (60.0, 410.0)];
    let hum = Some(Hum::mains(50.02, &[0.1, 0.15, 0.05, 0.03]));
    let scene = Scene { hum, rate_hz: RATE_HZ, ..Scene::new(7, &knots) };
    let rendered = render(&scene);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("memory");
    for x in &rendered.samples {
        writer.write_sample((x * 32_767.0) as i16).expect("memory");
    }
    writer.finalize().expect("memory");
    let mut slow = Vec::new();
    Decimator::new(6).run(&rendered.samples, &mut slow);
    (bytes.into_inner().leak(), slow)
}

fn decode(bytes: &'static [u8]) {
    let mut recording = Recording::from_reader(bytes, "a minute").expect("a good file");
    let mut block = SampleBlock::default();
    while recording.next_block(&mut block).expect("memory") {
        black_box(&block.samples);
    }
}

fn decimate(samples: &[f32]) {
    let (mut decimator, mut out) = (Decimator::new(6), Vec::new());
    for piece in samples.chunks(16_384) {
        out.clear();
        decimator.run(piece, &mut out);
        black_box(&out);
    }
}

fn whole(bytes: &'static [u8]) {
    let recording = Recording::from_reader(bytes, "a minute").expect("a good file");
    let settings = Settings::default();
    black_box(analyse_recording(recording, "a minute", &settings, None, &mut Ignore).expect("sound"));
}

/// The frames in use: length, s, and how many of them a second of this minute is looked at in (counted under a profiler: 1197
/// of the first, 509 of the others together).
const FRAMES: [(&str, f64, f64); 4] =
    [("short", 0.16, 20.0), ("medium", 0.64, 5.0), ("long", 2.048, 2.9), ("deep", 3.2, 0.625)];
/// Short frames with a slide undone, by the second: ten unasked, others where the note moves or has just gone (848 in all).
const SLIDES: f64 = 14.0;

/// A frame of one length, looked at as often as the ear does.
struct Look {
    frame: RealFrame,
    every: usize,
}

impl Look {
    fn new(length_s: f64, per_s: f64) -> Self {
        let frame = RealFrame::new((length_s * WORKING_HZ) as usize, WORKING_HZ);
        Self { frame, every: (WORKING_HZ / per_s) as usize }
    }

    fn run(&mut self, sound: &[f32]) {
        for frame in sound.windows(self.frame.len()).step_by(self.every) {
            black_box(self.frame.power(frame));
        }
    }
}

fn undo_slides(chirp: &mut ChirpFrame, short: &RealFrame, sound: &[f32]) {
    for frame in sound.windows(short.len()).step_by((WORKING_HZ / SLIDES) as usize) {
        chirp.undo(frame, short.level(), 600.0);
        black_box(chirp.power(false));
        black_box(chirp.power(true));
    }
}

fn timed(run: impl FnOnce()) -> f64 {
    let start = Instant::now();
    run();
    start.elapsed().as_secs_f64()
}

fn median(mut values: [f64; ROUNDS]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[ROUNDS / 2]
}

fn main() -> std::io::Result<()> {
    let (bytes, sound) = sound();
    let input: Vec<f32> = (0..RATE_HZ * LENGTH_S).map(|i| (i as f32 * 0.05).sin()).collect();
    let mut looks = FRAMES.map(|(name, length_s, per_s)| (name, Look::new(length_s, per_s)));
    let mut chirp = ChirpFrame::new(looks[0].1.frame.len(), WORKING_HZ, &[600.0]);

    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("a minute");
    group.throughput(Throughput::Elements(u64::from(RATE_HZ * LENGTH_S))).sample_size(20);
    group.bench_function("decoded", |b| b.iter(|| decode(bytes)));
    group.bench_function("decimated", |b| b.iter(|| decimate(&input)));
    for (name, look) in &mut looks {
        group.bench_function(format!("{name} frames"), |b| b.iter(|| look.run(&sound)));
    }
    group.bench_function("slides undone", |b| b.iter(|| undo_slides(&mut chirp, &looks[0].1.frame, &sound)));
    group.bench_function("whole", |b| b.iter(|| whole(bytes)));
    group.finish();
    criterion.final_summary();

    // In turn, so that a clock that wanders is the same for all three.
    let rounds: [[f64; 3]; ROUNDS] = std::array::from_fn(|_| {
        let transforms = || {
            for (_, look) in &mut looks {
                look.run(&sound);
            }
            undo_slides(&mut chirp, &looks[0].1.frame, &sound);
        };
        [timed(|| decode(bytes)), timed(transforms), timed(|| whole(bytes))]
    });
    let [decoding, transforms, all] = [0, 1, 2].map(|i| median(rounds.map(|round| round[i])));
    let ratio = median(rounds.map(|[decoding, transforms, all]| all / (decoding + transforms)));
    let mut out = std::io::stdout();
    let ms = |seconds: f64| 1e3 * seconds;
    writeln!(
        out,
        "floor: decoding {:.2} ms + transforms {:.1} ms = {:.1} ms",
        ms(decoding),
        ms(transforms),
        ms(decoding + transforms)
    )?;
    let times = f64::from(LENGTH_S) / all;
    writeln!(out, "whole: {:.1} ms, {times:.0} times as fast as the sound lasts", ms(all))?;
    writeln!(out, "ratio: {ratio:.2} (median of {ROUNDS} rounds)")
}
