//! Reading a recording alone: a minute of 48 kHz mono in memory, samples a second.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hushbeat::block::SampleBlock;
use hushbeat::source::recording::Recording;
use std::hint::black_box;
use std::io::Cursor;

const SAMPLES: u32 = 60 * 48_000;

/// A WAV file of a sawtooth.
fn wav(bits: u16, sample_format: hound::SampleFormat) -> Vec<u8> {
    let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: bits, sample_format };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("memory");
    for i in 0..SAMPLES {
        let sample = (i % 256) as i16 - 128;
        match sample_format {
            hound::SampleFormat::Int => writer.write_sample(sample).expect("memory"),
            hound::SampleFormat::Float => writer.write_sample(f32::from(sample) / 128.0).expect("memory"),
        }
    }
    writer.finalize().expect("memory");
    bytes.into_inner()
}

fn decode(criterion: &mut Criterion) {
    use hound::SampleFormat::{Float, Int};
    let mut group = criterion.benchmark_group("decode");
    group.throughput(Throughput::Elements(SAMPLES.into())).sample_size(20);
    for (name, bits, sample_format) in [("i16", 16, Int), ("i24", 24, Int), ("f32", 32, Float)] {
        // Shared, so that only reading is measured, not the copying of the file.
        let bytes: &'static [u8] = wav(bits, sample_format).leak();
        group.bench_function(name, |bencher| {
            let mut block = SampleBlock::default();
            bencher.iter(|| {
                let mut recording = Recording::from_reader(bytes, name).expect("a good file");
                while recording.next_block(&mut block).expect("memory") {
                    black_box(&block.samples);
                }
            });
        });
    }
    group.finish();
}

criterion_group!(benches, decode);
criterion_main!(benches);
