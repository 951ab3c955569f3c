//! The ear at its limits: notes far under the noise, hours of nothing, quick falls, oscillators that wander, and a card that
//! has one input for two channels. The truth is that of the synthesis.
//!
//! An ordinary run takes a part; `HUSHBEAT_FULL=1 cargo test --release --test ear_limits -- --nocapture` takes all.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]
#![allow(clippy::print_stdout, reason = "the figures are what a full run is for")]

#[path = "support/full.rs"]
mod full;
#[path = "support/sound.rs"]
mod sound;

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::{EndingState, Heard, Snapshot};
use hushbeat::pipeline::{Ignore, Pipeline, Settings, Sink};
use hushbeat::source::synthetic::{Detector, Hum, Rendered, Scene, render};

const RATE_HZ: u32 = 8000;

/// A scene on a bare wire: the path passes everything.
fn bare(seed: u64, knots: &[(f64, f64)]) -> Scene {
    Scene { rate_hz: RATE_HZ, high_pass: None, low_pass: None, ..Scene::new(seed, knots) }
}

fn hear(rendered: &Rendered, sink: &mut dyn Sink) -> Heard {
    let format = StreamFormat { rate_hz: rendered.rate_hz, channels: rendered.channels };
    sound::hear(format, &rendered.samples, &Settings::default(), sink)
}

/// A steady note 22 dB under the noise of 4 kHz, in recordings of four seconds: found in 95 of 100, and nothing else is.
#[test]
fn a_note_far_under_the_noise_is_found_within_four_seconds() {
    let trials = full::count(20, 100);
    let mut found = 0;
    for seed in 1..=trials {
        let f = 300.0 + 2700.0 * ((seed as f64) * 0.618_034).fract();
        let scene = Scene { snr_db: -22.0, ..bare(seed, &[(0.0, f), (4.0, f)]) };
        let heard = hear(&render(&scene), &mut Ignore);
        let right = |offset_hz: f64| (offset_hz - f).abs() < 0.1;
        assert!(heard.rests.iter().all(|r| right(r.offset_hz)), "seed {seed}: {:?} for {f}", heard.rests);
        found += u64::from(!heard.rests.is_empty());
    }
    println!("{found} of {trials} found");
    assert!(100 * found >= 95 * trials, "{found} of {trials}");
}

/// Hiss, and hiss with hum that wanders by a twentieth of a hertz, hold no rest: an hour of each in a full run.
#[test]
fn nothing_is_made_of_hiss_and_wandering_hum() {
    let length_s = Some(full::count(180.0, 3600.0));
    let hum = Hum { wander_hz: 0.05, ..Hum::mains(50.02, &[0.25, 0.4, 0.15, 0.1, 0.07, 0.05, 0.03]) };
    for (seed, hum) in [(1, None), (2, Some(hum))] {
        let silent =
            Scene { detector: Detector::Silent, length_s, hum, snr_db: 10.0, ..bare(seed, &[(0.0, 0.0)]) };
        let heard = hear(&render(&silent), &mut Ignore);
        assert!(heard.rests.is_empty(), "seed {seed}: {:#?}", heard.rests);
        assert_eq!(heard.ending.state, EndingState::Quiet, "seed {seed}");
    }
}

/// From 700 Hz to 20 Hz in two seconds, 20 dB over the noise: the track is off by less than a hundredth or one hertz, root
/// mean square, and leaves out a fifth of the fall at most: below 28 Hz a note is found only when it has turned a few
/// times.
#[test]
fn a_quick_fall_is_followed() {
    for seed in 1..=full::count(4, 40) {
        let scene =
            Scene { snr_db: 20.0, ..bare(seed, &[(0.0, 700.0), (2.0, 700.0), (4.0, 20.0), (6.0, 20.0)]) };
        let (rendered, mut rows) = (render(&scene), sound::Rows::default());
        let _ = hear(&rendered, &mut rows);
        let falling = rows.0.iter().filter(|r| (2.0..=4.0).contains(&r.time_s));
        let all = falling.clone().count();
        let off: Vec<f64> = falling
            .filter_map(|r| Some((r.offset_hz?, rendered.truth.beat_at(r.time_s).abs())))
            .map(|(heard, truth)| (heard - truth) / (0.01 * truth).max(1.0))
            .collect();
        let rms = (off.iter().map(|e| e * e).sum::<f64>() / off.len() as f64).sqrt();
        println!("seed {seed}: {rms:.2} of a hundredth or a hertz, {} of {all} rows", off.len());
        assert!(rms < 1.0 && 10 * off.len() >= 8 * all, "seed {seed}: {rms}, {} of {all} rows", off.len());
    }
}

/// Error at the stated instant over u, for oscillators whose frequency walks at random: 0.7 to 1.4 in a hundred trials. Of
/// ten trials the spread is known to a quarter. And the rest is all there: one in a hundred at most is cut down by more than a
/// fifth, as happens where its wander is taken for the hand; a part that looks rigid would be stated ten times too well.
#[test]
fn a_wandering_oscillator_gets_a_true_uncertainty() {
    let trials = full::count(10, 100);
    let (least, most) = full::count((0.35, 2.1), (0.7, 1.4));
    for (wander, length_s) in full::count(
        &[(0.01, 10.0)][..],
        &[(0.002, 15.0), (0.01, 4.0), (0.01, 10.0), (0.01, 15.0), (0.03, 4.0), (0.03, 10.0), (0.03, 15.0)],
    ) {
        let (mut squares, mut cut) = (0.0, 0);
        for seed in 1..=trials {
            let f = 350.0 + seed as f64;
            let scene = Scene {
                wander_hz_per_root_s: *wander,
                snr_db: 20.0,
                ..bare(seed, &[(0.0, f), (*length_s, f)])
            };
            let rendered = render(&scene);
            let heard = hear(&rendered, &mut Ignore);
            let longest =
                heard.rests.iter().max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)));
            let rest = longest.unwrap_or_else(|| panic!("seed {seed}: no rest"));
            cut += u64::from(rest.end_s - rest.start_s < 0.8 * length_s);
            squares += ((rest.offset_hz - rendered.truth.beat_at(rest.at_s)) / rest.u_hz).powi(2);
        }
        let spread = (squares / trials as f64).sqrt();
        println!("{wander} Hz/√s for {length_s} s: error over u {spread:.2}, {cut} cut down");
        assert!(100 * cut <= trials, "{wander} Hz/√s for {length_s} s: {cut} of {trials} cut down");
        assert!((least..most).contains(&spread), "{wander} Hz/√s for {length_s} s: {spread}");
    }
}

/// Whether a snapshot with a figure has come.
#[derive(Default)]
struct First(bool);

impl Sink for First {
    fn wants_snapshots(&self) -> bool {
        true
    }
    fn snapshot(&mut self, snapshot: &Snapshot) {
        self.0 |= snapshot.offset_hz.is_some();
    }
}

/// One microphone on both channels of a card: there is nothing to choose, and a note is heard at once, on channel 1.
#[test]
fn one_input_for_two_channels_is_heard_at_once() {
    let rendered = render(&bare(3, &[(0.0, 400.0), (2.0, 400.0)]));
    let twice: Vec<f32> = rendered.samples.iter().flat_map(|&x| [x, x]).collect();
    // Blocks as a card gives them: what has come in is heard before the next.
    let first_heard = |samples: &[f32], channels: u16| {
        let format = StreamFormat { rate_hz: RATE_HZ, channels };
        let (mut pipeline, mut first) =
            (Pipeline::new(format, &Settings::default()).unwrap(), First::default());
        let mut came = None;
        for (i, block) in samples.chunks(usize::from(channels) * 160).enumerate() {
            let first_frame = 160 * i as u64;
            let block = SampleBlock { samples: block.to_vec(), first_frame, lost_before: None };
            pipeline.push(&block, &mut first);
            if first.0 && came.is_none() {
                came = Some(first_frame + 160);
            }
        }
        (came, pipeline.finish(&mut first).channel_used)
    };
    let alone = first_heard(&rendered.samples, 1);
    assert!(alone.0.is_some());
    assert_eq!(first_heard(&twice, 2), alone);
}
