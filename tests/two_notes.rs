//! Two notes in one receiver, on seeded random scenes. The truth is that of the synthesis.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]
#![allow(clippy::print_stdout, reason = "the figures are what a full run is for")]

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::Heard;
use hushbeat::offset::Side;
use hushbeat::pipeline::{Ignore, Pipeline, Settings};
use hushbeat::settings::{Sideband, TwoNotes};
use hushbeat::source::synthetic::{Detector, Kind, Receiver, Rendered, Scene, random_scene, render};

fn hear(rendered: &Rendered, settings: &Settings) -> Heard {
    let format = StreamFormat { rate_hz: rendered.rate_hz, channels: rendered.channels };
    let mut pipeline = Pipeline::new(format, settings).unwrap();
    for (i, piece) in rendered.samples.chunks(4096).enumerate() {
        let block = SampleBlock { samples: piece.to_vec(), first_frame: i as u64 * 4096, lost_before: None };
        pipeline.push(&block, &mut Ignore);
    }
    pipeline.finish(&mut Ignore).heard
}

fn side_of_receiver(scene: &Scene) -> (Sideband, Receiver) {
    let Detector::Receiver(receiver) = scene.detector else { panic!("no receiver") };
    (if receiver.pitch_hz > 0.0 { Sideband::Upper } else { Sideband::Lower }, receiver)
}

#[test]
fn random() {
    let n: u64 = std::env::var("N").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let from: u64 = std::env::var("FROM").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    for seed in from..from + n {
        let trial = random_scene(seed, Kind::TwoNotes);
        let made = render(&trial.scene);
        let (sideband, receiver) = side_of_receiver(&trial.scene);
        let two_notes = Some(TwoNotes { sideband, meter_pitch: None });
        let heard = hear(&made, &Settings { two_notes, ..Settings::default() });
        let t = &made.truth.rests[0];
        println!(
            "{seed}: b {:.3} pitch {:.0} drift {:.3} level {:.2}",
            t.beat_hz, receiver.pitch_hz, receiver.drift_hz_per_s, receiver.meter_level
        );
        for r in &heard.rests {
            let b = made.truth.beat_at(r.at_s);
            println!(
                "    {:.2}..{:.2} {:.5} err {:+.5} u {:.5} z {:+.2} {:?} {:?} rate {:.4}",
                r.start_s,
                r.end_s,
                r.offset_hz,
                r.offset_hz - b.abs(),
                r.u_hz,
                (r.offset_hz - b.abs()) / r.u_hz,
                if r.side == Side::Unknown {
                    "??"
                } else if r.side == Side::of(b) {
                    "ok"
                } else {
                    "WRONG"
                },
                r.notes_hz,
                r.rate_hz_per_s
            );
        }
        println!(
            "    {:?} {:?} {:?}",
            heard.ending,
            heard.warnings.iter().map(|w| &w.code).collect::<Vec<_>>(),
            heard.crossings.len()
        );
    }
}
