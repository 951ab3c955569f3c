//! The ear on random bench scenes of every kind, and at every block size. The truth is that of the synthesis.
//!
//! An ordinary run takes a few seeds of each kind; `HUSHBEAT_FULL=1 cargo test --release --test ear_scenes -- --nocapture`
//! takes many and prints a line for each kind.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]
#![allow(clippy::print_stdout, reason = "the figures are what a full run is for")]

#[path = "support/full.rs"]
mod full;
#[path = "support/sound.rs"]
mod sound;

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::{CrossingKind, EndingState, Heard, Rest};
use hushbeat::offset::{Side, Turning};
use hushbeat::pipeline::{Ignore, Pipeline, Settings};
use hushbeat::source::synthetic::{Hum, Kind, Rendered, Scene, Trial, Truth, random_scene, render};
use proptest::prelude::*;

/// A tenth of a second of a gentle start or stop of the hand may count with the rest, s.
const EDGE_S: f64 = 0.15;
/// Errors larger than this many of their own standard uncertainties are wrong.
const MOST_SIGMAS: f64 = 5.0;
/// What a path's delay makes of a drifting or wandering note, Hz.
const PATH_HZ: f64 = 0.002;

fn format(rendered: &Rendered) -> StreamFormat {
    StreamFormat { rate_hz: rendered.rate_hz, channels: rendered.channels }
}

fn hear(trial: &Trial) -> (Heard, Truth) {
    let rendered = render(&trial.scene);
    let settings = Settings {
        hand: trial.hand,
        turning: trial.turning,
        station_tones: trial.station_tones,
        ..Settings::default()
    };
    (sound::hear(format(&rendered), &rendered.samples, &settings, &mut Ignore), rendered.truth)
}

/// What one trial came to.
#[derive(Default)]
struct Tally {
    faults: Vec<String>,
    /// A side that is the opposite of the truth: never allowed, whatever else went wrong.
    wrong_side: bool,
    /// Steady notes that are told of and not there, Hz.
    ghosts: Vec<f64>,
}

/// Whether a steady line is in the scene besides the note: a whistle, a station's tone, that of its programme.
fn is_there(scene: &Scene, f: f64) -> bool {
    let programme = scene.programme.map(|_| 600.0);
    let mut tones = scene.whistles.iter().chain(&scene.station).map(|tone| tone.0).chain(programme);
    // Clipped, a note has harmonics that fold back from half the rate.
    scene.gain.is_some() || tones.any(|tone| (tone - f).abs() < 0.3)
}

fn judge(trial: &Trial, heard: &Heard, truth: &Truth) -> Tally {
    let mut tally = Tally::default();
    let mut left: Vec<_> = heard.rests.iter().collect();
    for (start, end, beat) in trial.audible_rests(truth).into_iter().filter(|r| r.1 - r.0 >= 1.0) {
        let overlap = |r: &Rest| r.end_s.min(end) - r.start_s.max(start);
        let fits = |r: &&Rest| overlap(r) >= 0.5 * (end - start) && (r.offset_hz - beat.abs()).abs() < 6.0;
        let found = left.iter().position(fits);
        let Some(found) = found else {
            tally.faults.push(format!("missed {beat:.2} Hz from {start:.1} to {end:.1} s"));
            continue;
        };
        let rest = if trial.scene.keyed.is_empty() { left.remove(found) } else { left[found] };
        let error = rest.offset_hz - truth.beat_at(rest.at_s).abs();
        let z = error / rest.u_hz.hypot(PATH_HZ);
        if z.abs() > MOST_SIGMAS {
            tally.faults.push(format!("{:.4} Hz is {z:+.1} of its u from {:.4}", rest.offset_hz, beat.abs()));
        }
        // The times of a key that is down may be pieced together.
        let pieced = !trial.scene.keyed.is_empty();
        if !pieced && (rest.start_s < start - EDGE_S || rest.end_s > end + EDGE_S) {
            tally.faults.push(format!("{:.2} to {:.2} s leaves the rest", rest.start_s, rest.end_s));
        }
        tally.wrong_side |= rest.side != Side::Unknown && rest.side != Side::of(beat);
    }
    for rest in left {
        // What is left may be where the beat crept, or a part of a rest that was given in two.
        let middle = truth.beat_at(f64::midpoint(rest.start_s, rest.end_s)).abs();
        let crept = (truth.beat_at(rest.start_s) - truth.beat_at(rest.end_s)).abs() < 3.0;
        let there = trial.scene.lock_hz > 0.0 || crept && (rest.offset_hz - middle).abs() < 2.0;
        if !there {
            tally.faults.push(format!("no rest at {:.2} Hz, {:.1} s", rest.offset_hz, rest.start_s));
        }
    }
    if heard.ending.state != trial.ending {
        tally.faults.push(format!("ends {:?} for {:?}", heard.ending.state, trial.ending));
    }
    if let Some(bound) = heard.ending.bound_hz.filter(|_| heard.ending.state == EndingState::DeadBand) {
        let last = truth.beat_hz.last().map_or(0.0, |b| b.abs());
        if bound < last {
            tally.faults.push(format!("bounded by {bound:.1} Hz at {last:.1} Hz"));
        }
    }
    for crossing in heard.crossings.iter().filter(|c| c.kind == CrossingKind::Crossed) {
        if !truth.crossings.iter().any(|t| (t.at_s - crossing.at_s).abs() < 0.4) {
            tally.faults.push(format!("no crossing at {:.2} s", crossing.at_s));
        }
    }
    let listed = heard.steady_notes.iter().map(|n| n.frequency_hz);
    tally.ghosts = listed.filter(|f| !is_there(&trial.scene, *f)).collect();
    tally
}

/// Kinds for the other ear: two notes in one receiver, tried by `two_notes.rs`.
const LATER: [Kind; 2] = [Kind::TwoNotes, Kind::Straddled];

/// In every kind most trials hold entirely, no side is ever wrong, and hardly ever is a steady note told of that is not there.
#[test]
fn random_scenes_of_every_kind() {
    let seeds = 1..=full::count(2, 60);
    let (mut trials, mut held, mut ghosts) = (0, 0, 0);
    for &kind in Kind::ALL.iter().filter(|k| !LATER.contains(k)) {
        let (mut of, mut good, mut shown) = (0, 0, Vec::new());
        for seed in seeds.clone() {
            let trial = random_scene(seed, kind);
            let (heard, truth) = hear(&trial);
            let tally = judge(&trial, &heard, &truth);
            assert!(!tally.wrong_side, "{kind:?} {seed}: a side is wrong: {:#?}", heard.rests);
            of += 1;
            good += usize::from(tally.faults.is_empty());
            for f in &tally.ghosts {
                println!("{kind:?} {seed}: a steady note at {f:.2} Hz is not there");
            }
            ghosts += tally.ghosts.len();
            if !tally.faults.is_empty() {
                shown.push(format!("{seed}: {}", tally.faults.join("; ")));
            }
        }
        println!("{good:3} of {of:3} {kind:?}");
        for line in shown.iter().take(8) {
            println!("            {line}");
        }
        trials += of;
        held += good;
    }
    println!("{held} of {trials} trials hold");
    assert!(10 * held >= 8 * trials, "{held} of {trials}");
    println!("{ghosts} steady notes that are not there");
    assert!(20 * ghosts <= trials, "{ghosts} of {trials}");
}

/// A note with a loud second harmonic, and one that the card clips, rocked through zero and back: short frames see the
/// harmonics on the other side before they see the note. The side is right wherever it is told, and mostly it is.
#[test]
fn a_note_with_harmonics_is_rocked_through_zero() {
    let (mut told, mut of) = (0, 0);
    for seed in 1..=full::count(6, 60) {
        let from = -400.0 - 61.0 * (seed % 9) as f64;
        let (over, rest) = (90.0 + 37.0 * (seed % 7) as f64, -66.7 - 21.3 * (seed % 6) as f64);
        let knots = [(0.0, from), (2.5, over), (4.5, rest), (10.0, rest)];
        for clipped in [false, true] {
            let scene = Scene {
                second_harmonic: if clipped { 0.0 } else { 0.6 },
                gain: clipped.then_some(17.0),
                rate_hz: 16_000,
                ..Scene::new(seed, &knots)
            };
            let rendered = render(&scene);
            let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
            let heard = sound::hear(format(&rendered), &rendered.samples, &settings, &mut Ignore);
            let found = heard.rests.iter().find(|r| r.end_s - r.start_s > 4.0);
            let found = found.unwrap_or_else(|| panic!("{seed} {clipped}: {heard:#?}"));
            assert!((found.offset_hz - rest.abs()).abs() < 0.01, "{seed} {clipped}: {found:?}");
            assert_ne!(found.side, Side::High, "{seed} {clipped}: {:?}", heard.crossings);
            of += 1;
            told += u32::from(found.side == Side::Low);
        }
    }
    println!("{told} of {of} sides told");
    assert!(5 * told >= 4 * of, "{told} of {of}");
}

/// The rows of the track keep to the note: they do not go over to whistles, tones, hum, harmonics or sidebands, neither while
/// the note moves nor when it is no longer heard. A pulled note's rows tell what is heard, and are not asked.
#[test]
fn the_rows_keep_to_the_note() {
    const NOT_ASKED: [Kind; 4] = [Kind::Pulled, Kind::PulledDeaf, Kind::Locked, Kind::EnvelopeNote];
    let (mut rows, mut off, mut worst) = (0, 0, Vec::new());
    for &kind in Kind::ALL.iter().filter(|k| !LATER.contains(k) && !NOT_ASKED.contains(k)) {
        for seed in 1..=full::count(1, 12) {
            let trial = random_scene(seed, kind);
            let rendered = render(&trial.scene);
            let settings = Settings {
                hand: trial.hand,
                turning: trial.turning,
                station_tones: trial.station_tones,
                ..Settings::default()
            };
            let mut heard = sound::Rows::default();
            sound::hear(format(&rendered), &rendered.samples, &settings, &mut heard);
            let beat = |t: f64| rendered.truth.beat_at(t).abs();
            let is_off = |t: f64, hz: f64| {
                // Where a row's instant lies within a hop or two of the sighting.
                let around = [-0.1, -0.05, 0.0, 0.05, 0.1].map(|d| beat((t + d).max(0.0)));
                let (low, high) = around.iter().fold((f64::MAX, 0.0f64), |(l, h), &b| (l.min(b), h.max(b)));
                hz < low - (0.03 * low).max(4.0) || hz > high + (0.03 * high).max(4.0)
            };
            let told = heard.0.iter().filter_map(|r| Some((r.time_s, r.offset_hz?)));
            let (own, own_off) = told.fold((0, 0), |(n, m), (t, hz)| (n + 1, m + usize::from(is_off(t, hz))));
            rows += own;
            off += own_off;
            if own_off > 0 {
                worst.push((own_off, own, format!("{kind:?} {seed}")));
            }
        }
    }
    worst.sort_unstable();
    for (own_off, own, what) in worst.iter().rev().take(12) {
        println!("{own_off:4} of {own:4} rows off: {what}");
    }
    println!("{off} of {rows} rows off");
    assert!(50 * off < rows, "{off} of {rows}");
}

/// Hum on a note that goes under what the path passes: its sidebands stay, 50 Hz from zero, and are neither the note nor a rest
/// of it.
#[test]
fn a_note_under_the_path_leaves_its_hum() {
    for seed in 1..=full::count(3, 20) {
        let stop = 4.0 + 1.3 * (seed % 3) as f64;
        let knots = [(0.0, 760.0 + 41.0 * (seed % 5) as f64), (3.1, stop), (10.0, stop)];
        let scene = Scene {
            hum_on_note: Some((50.0, 0.28)),
            hum: Some(Hum::mains(50.0, &[0.1, 0.18, 0.08, 0.03])),
            high_pass: Some((82.0, 4)),
            snr_db: 15.4,
            rate_hz: 8_000,
            ..Scene::new(seed, &knots)
        };
        let rendered = render(&scene);
        let heard = sound::hear(format(&rendered), &rendered.samples, &Settings::default(), &mut Ignore);
        assert!(heard.rests.is_empty(), "{seed}: {:?}", heard.rests);
        assert_eq!(heard.ending.state, EndingState::DeadBand, "{seed}: {:?}", heard.ending);
        assert!(heard.ending.bound_hz.is_some_and(|b| b > stop), "{seed}: {:?}", heard.ending);
    }
}

/// A note with hum on it, rocked up through zero and back: its sidebands cross its line there, and follow none of what it does.
#[test]
fn a_note_with_hum_on_it_is_rocked_through_zero() {
    let (mut told, mut wrong, mut all) = (0, 0, 0);
    for seed in 1..=full::count(12, 60) {
        let part = (seed % 7) as f64 / 7.0;
        let (above, below) = (110.0 + 190.0 * part, 215.0 - 130.0 * part);
        let mains = if seed % 2 == 0 { 50.0 } else { 60.0 };
        let scene = Scene {
            hum_on_note: Some((mains, 0.12 + 0.18 * part)),
            hum: Some(Hum::mains(mains, &[0.5, 0.3, 0.3, 0.2, 0.1])),
            high_pass: [None, Some((20.0, 2)), Some((30.0, 2))][seed as usize % 3],
            snr_db: 18.0,
            rate_hz: 8_000,
            ..Scene::new(seed, &[(0.0, -640.0), (2.5, above), (4.5, -below), (9.0, -below)])
        };
        let rendered = render(&scene);
        let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
        let heard = sound::hear(format(&rendered), &rendered.samples, &settings, &mut Ignore);
        let rest = heard.rests.last().unwrap_or_else(|| panic!("{seed}: no rest"));
        let off_hz = (rest.offset_hz - below).abs();
        assert!(off_hz < 4.0 * rest.u_hz && rest.u_hz < 0.01, "{seed}: {below} {rest:?}");
        all += 1;
        told += usize::from(rest.side == Side::Low);
        wrong += usize::from(rest.side == Side::High);
    }
    println!("{told} of {all} sides told, {wrong} wrong");
    assert!(wrong == 0 && 4 * told >= 3 * all, "{told} of {all}, {wrong} wrong");
}

fn told(scene: &Scene, sizes: &[usize]) -> String {
    let rendered = render(scene);
    let mut pipeline = Pipeline::new(format(&rendered), &Settings::default()).unwrap();
    let channels = usize::from(rendered.channels);
    let (mut at, mut next) = (0, sizes.iter().cycle());
    while at < rendered.samples.len() {
        let size = (next.next().copied().unwrap_or(1).max(1) * channels).min(rendered.samples.len() - at);
        let block = SampleBlock {
            samples: rendered.samples[at..at + size].to_vec(),
            first_frame: (at / channels) as u64,
            lost_before: None,
        };
        pipeline.push(&block, &mut Ignore);
        at += size;
    }
    serde_json::to_string(&pipeline.finish(&mut Ignore).heard).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 10, ..ProptestConfig::default() })]

    /// The blocks that the sound comes in, from one sample to a mebibyte, leave no trace in what is told.
    #[test]
    fn any_block_size_tells_the_same(
        seed in 1u64..1000,
        kind in prop::sample::select(vec![
            Kind::CleanFall, Kind::LoudHum, Kind::ThroughZero, Kind::Pulled, Kind::Swell, Kind::Glitches, Kind::Clipped,
            Kind::OneChannel, Kind::Opposed,
        ]),
        sizes in prop::collection::vec(prop_oneof![Just(1usize), 2..64usize, 64..5000usize, Just(262_144usize)], 1..6usize),
    ) {
        let scene = random_scene(seed, kind).scene;
        prop_assert_eq!(told(&scene, &sizes), told(&scene, &[4096]));
    }
}
