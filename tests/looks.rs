//! The ear allocates nothing while it listens: all scratch is made before, and what is kept has a largest size.

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::pipeline::{Ignore, Pipeline};
use hushbeat::settings::Settings;
use std::f32::consts::PI;

const RATE_HZ: u32 = 48_000;

/// A sound for one block that begins at a sample index.
type Sound = fn(u64, &mut [f32]);

/// Noise of a generator that can be entered at any sample: the mixing function of `SplitMix64` (Steele, Lea and
/// Flood, OOPSLA 2014) of the index.
fn noise(at: u64) -> f32 {
    let mut z = at.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32 - 0.5
}

fn wave(at: u64, hz: f64) -> f32 {
    (2.0 * PI * ((at as f64 * hz / f64::from(RATE_HZ)).fract() as f32)).cos()
}

fn hiss(from: u64, out: &mut [f32]) {
    out.iter_mut().zip(from..).for_each(|(x, i)| *x = 0.05 * noise(i));
}

fn rest_in_hum(from: u64, out: &mut [f32]) {
    let hum = |i: u64| (1..6).map(|h| 0.03 * wave(i, 50.003 * f64::from(h))).sum::<f32>();
    out.iter_mut().zip(from..).for_each(|(x, i)| *x = 0.1 * wave(i, 412.37) + hum(i) + 0.02 * noise(i));
}

#[test]
fn a_look_allocates_nothing_once_the_ear_is_warm() {
    let sounds: [(&str, Sound); 2] = [("hiss", hiss), ("a rest in hum", rest_in_hum)];
    for (name, sound) in sounds {
        let format = StreamFormat { rate_hz: RATE_HZ, channels: 1 };
        let mut pipeline = Pipeline::new(format, &Settings::default()).expect("a plain format");
        let mut block = SampleBlock { samples: vec![0.0; 4800], first_frame: 0, lost_before: None };
        let (mut at_s, mut spent) = (0.0, Vec::new());
        while at_s < 70.0 {
            sound(block.first_frame, &mut block.samples);
            let cost = allocation_counter::measure(|| pipeline.push(&block, &mut Ignore));
            block.first_frame += block.samples.len() as u64;
            at_s = block.first_frame as f64 / f64::from(RATE_HZ);
            if at_s > WARM_S && cost.count_total > 0 {
                spent.push((at_s, cost.count_total, cost.bytes_total));
            }
        }
        assert!(spent.is_empty(), "{name}: allocations at {spent:?}");
        let heard = pipeline.finish(&mut Ignore).heard;
        assert_eq!(heard.rests.len(), usize::from(name != "hiss"), "{name}: {:?}", heard.rests);
    }
}

/// By then every kind of look has been made, and the histories are full, s.
const WARM_S: f64 = 30.0;
