//! The ear on the committed recordings: what it says against the truth that stands beside each.
//!
//! The truth is that of the synthesis (seed, knots and all in the JSON), so it is exact; the tolerance is the ear's own
//! uncertainty, which must itself be near what noise allows.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

#[path = "support/sound.rs"]
mod sound;

use hushbeat::heard::{CrossingKind, EndingState, TrackRow, TrackState};
use hushbeat::offset::{Hand, Side, Turning};
use hushbeat::pipeline::{Ignore, Settings, Sink};
use hushbeat::task::analyse::{Analysis, analyse_file};
use serde_json::Value;
use std::path::Path;

fn hear(name: &str, hand: Hand, turning: Option<Turning>, sink: &mut dyn Sink) -> Analysis {
    let path = format!("{}/fixtures/recordings/{name}.wav", env!("CARGO_MANIFEST_DIR"));
    let settings = Settings { hand, turning, ..Settings::default() };
    analyse_file(Path::new(&path), &settings, None, sink).unwrap()
}

/// Rests of the truth: start, end, signed beat.
fn truth(name: &str) -> Vec<(f64, f64, f64)> {
    let path = format!("{}/fixtures/recordings/{name}.json", env!("CARGO_MANIFEST_DIR"));
    let truth: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let number = |v: &Value| v.as_f64().unwrap();
    let rest = |r: &Value| (number(&r["start_s"]), number(&r["end_s"]), number(&r["beat_hz"]));
    truth["rests"].as_array().unwrap().iter().map(rest).collect()
}

/// Every rest of the truth is measured within four of its own standard uncertainties, with the right side, inside its
/// edges (a tenth of a second outside is in the hand's move), and u is below two millihertz.
fn rests_hold(name: &str, analysis: &Analysis, side_known: bool) {
    let truth = truth(name);
    let rests = &analysis.heard.rests;
    assert_eq!(rests.len(), truth.len(), "{name}: {rests:#?}");
    for (rest, (start, end, beat)) in rests.iter().zip(truth) {
        let z = (rest.offset_hz - beat.abs()) / rest.u_hz;
        assert!(z.abs() < 4.0, "{name}: {} Hz for {} Hz is {z:.1} of its own u", rest.offset_hz, beat.abs());
        assert!(rest.u_hz < 0.002, "{name}: u = {} Hz", rest.u_hz);
        assert!(rest.start_s > start - 0.1 && rest.end_s < end + 0.1, "{name}: {rest:?}");
        assert!(rest.end_s - rest.start_s > 0.8 * (end - start), "{name}: {rest:?}");
        assert_eq!(rest.side, if side_known { Side::of(beat) } else { Side::Unknown }, "{name}");
    }
}

#[test]
fn a_fall_to_rest() {
    let analysis = hear("fall-to-rest", Hand::Meter, Some(Turning::Up), &mut Ignore);
    rests_hold("fall-to-rest", &analysis, true);
    assert_eq!(analysis.heard.ending.state, EndingState::Resting);
    let hum = analysis.heard.hum.unwrap();
    assert!((hum.fundamental_hz - 49.98).abs() < 4.0 * hum.u_hz, "{hum:?}");
}

#[test]
fn undeclared_the_side_stays_unknown() {
    rests_hold("fall-to-rest", &hear("fall-to-rest", Hand::Meter, None, &mut Ignore), false);
}

#[test]
fn the_transmitter_in_the_hand() {
    let analysis = hear("signal-turned", Hand::Signal, Some(Turning::Up), &mut Ignore);
    rests_hold("signal-turned", &analysis, true);
}

#[test]
fn two_rests_in_one_recording() {
    rests_hold("two-rests", &hear("two-rests", Hand::Meter, None, &mut Ignore), false);
}

#[test]
fn a_passage_through_zero_changes_the_side() {
    let analysis = hear("through-zero", Hand::Meter, Some(Turning::Up), &mut Ignore);
    rests_hold("through-zero", &analysis, true);
    let crossings = &analysis.heard.crossings;
    assert_eq!(crossings.len(), 1, "{crossings:?}");
    assert_eq!(crossings[0].kind, CrossingKind::Crossed);
}

#[test]
fn hum_alone_is_no_beat() {
    let analysis = hear("hum-only", Hand::Meter, None, &mut Ignore);
    assert_eq!(analysis.heard.ending.state, EndingState::Quiet);
    assert!(analysis.heard.rests.is_empty() && analysis.heard.ending.offset_hz.is_none());
    let hum = analysis.heard.hum.unwrap();
    assert!((hum.fundamental_hz - 50.02).abs() < 4.0 * hum.u_hz, "{hum:?}");
}

#[test]
fn silence_below_the_path_is_a_bound_and_not_a_zero() {
    let analysis = hear("dead-band", Hand::Meter, None, &mut Ignore);
    let ending = &analysis.heard.ending;
    assert_eq!(ending.state, EndingState::DeadBand);
    // The truth is 4 Hz; the path's corner is at 90 Hz.
    let bound = ending.bound_hz.unwrap();
    assert!((4.0..90.0).contains(&bound), "{bound}");
}

#[test]
fn the_track_follows_the_fall() {
    let mut rows = sound::Rows::default();
    hear("fall-to-rest", Hand::Meter, None, &mut rows);
    let rows = rows.0;
    assert!(rows.windows(2).all(|w| w[1].time_s > w[0].time_s));
    // Minimum-jerk fall from 1100 Hz at the first knot to 38.6 Hz at the second, as the synthesis makes it.
    let heard: Vec<&TrackRow> = rows.iter().filter(|r| r.offset_hz.is_some()).collect();
    assert!(heard.len() as f64 > 0.95 * rows.len() as f64, "{} of {}", heard.len(), rows.len());
    let resting: Vec<&&TrackRow> =
        heard.iter().filter(|r| r.state == TrackState::Resting && (4.0..8.9).contains(&r.time_s)).collect();
    assert!(resting.len() > 80 && resting.iter().all(|r| (r.offset_hz.unwrap() - 38.6).abs() < 1.0));
}
