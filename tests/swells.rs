//! Swelling programmes and fading ones, made to order: the truth is that of the synthesis.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

use hushbeat::block::SampleBlock;
use hushbeat::heard::{EndingState, Heard, Method, Snapshot};
use hushbeat::offset::Side;
use hushbeat::pipeline::{Ignore, Pipeline, Settings, Sink};
use hushbeat::source::synthetic::{Detector, Programme, Renderer, Scene};

fn hear(scene: &Scene, sink: &mut dyn Sink) -> Heard {
    let mut renderer = Renderer::new(scene);
    let settings = Settings { station_tones: true, ..Settings::default() };
    let mut pipeline = Pipeline::new(renderer.format(), &settings).unwrap();
    let mut block = SampleBlock::default();
    while renderer.next_block(&mut block) {
        pipeline.push(&block, sink);
    }
    pipeline.finish(sink).heard
}

fn programme(seed: u64, beat_hz: f64, length_s: f64, programme: Programme) -> Scene {
    Scene {
        rate_hz: 8000,
        detector: Detector::Silent,
        programme: Some(programme),
        ..Scene::new(seed, &[(0.0, beat_hz), (length_s, beat_hz)])
    }
}

/// One rest over nearly the whole recording, within four of its own uncertainties (and those no more than a few
/// millihertz), without a side.
fn swells(scene: &Scene) -> Heard {
    let heard = hear(scene, &mut Ignore);
    let (truth, length) = (scene.knots[0].1, scene.duration_s());
    assert_eq!(heard.rests.len(), 1, "{truth} Hz: {heard:#?}");
    let rest = &heard.rests[0];
    assert_eq!(rest.method, Method::Swell);
    assert!((rest.offset_hz - truth).abs() < 4.0 * rest.u_hz && rest.u_hz < 0.004, "{truth} Hz: {rest:?}");
    assert!(rest.end_s - rest.start_s > 0.75 * length, "{truth} Hz: {rest:?}");
    assert_eq!((rest.side, heard.ending.state), (Side::Unknown, EndingState::Resting));
    heard
}

#[test]
fn a_programme_that_swells_is_a_beat() {
    for (seed, beat, ratio, agc) in [
        (1, 0.63, 1.0, false),
        (2, 1.9, 0.6, true),
        (3, 0.9, 0.5, false),
        (4, 3.4, 0.3, true),
        (5, 1.3, 2.5, false),
    ] {
        swells(&programme(seed, beat, 24.0, Programme::Swell { ratio, agc }));
    }
}

#[test]
fn wandering_it_is_still_one() {
    let scene = Scene {
        wander_hz_per_root_s: 0.004,
        ..programme(7, 1.4, 20.0, Programme::Swell { ratio: 0.8, agc: false })
    };
    let heard = hear(&scene, &mut Ignore);
    let rest = heard.rests.first().unwrap();
    // 0.004 Hz/√s over half of twenty seconds is 13 mHz; five times that.
    assert!(rest.method == Method::Swell && (rest.offset_hz - 1.4).abs() < 0.065, "{rest:?}");
}

#[test]
fn fading_is_none() {
    for (seed, rate_hz) in [(11, 0.1), (12, 0.3), (13, 0.6), (14, 1.0), (15, 2.0)] {
        let heard = hear(&programme(seed, 0.0, 24.0, Programme::Fading { rate_hz }), &mut Ignore);
        assert!(heard.rests.is_empty() && heard.ending.state == EndingState::Quiet, "{rate_hz}: {heard:#?}");
    }
}

/// Keeps the newest rest that was shown while listening.
#[derive(Default)]
struct Shown(Option<Snapshot>);

impl Sink for Shown {
    fn wants_snapshots(&self) -> bool {
        true
    }
    fn snapshot(&mut self, snapshot: &Snapshot) {
        if snapshot.rest.is_some() {
            self.0 = Some(snapshot.clone());
        }
    }
}

#[test]
fn while_listening_the_swell_is_shown() {
    let mut shown = Shown::default();
    hear(&programme(21, 1.7, 20.0, Programme::Swell { ratio: 1.0, agc: false }), &mut shown);
    let rest = shown.0.unwrap().rest.unwrap();
    assert!(rest.method == Method::Swell && (rest.offset_hz - 1.7).abs() < 4.0 * rest.u_hz, "{rest:?}");
}
