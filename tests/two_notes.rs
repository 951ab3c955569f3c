//! Two notes in one receiver, on seeded random scenes. The truth is that of the synthesis.
//!
//! An ordinary run takes a part of the cases; `HUSHBEAT_FULL=1 cargo test --release --test two_notes -- --nocapture` takes
//! them all and prints what it measured.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]
#![allow(clippy::print_stdout, reason = "the figures are what a full run is for")]

#[path = "support/full.rs"]
mod full;
#[path = "support/sound.rs"]
mod sound;

use full::{count, full};
use hushbeat::block::StreamFormat;
use hushbeat::clock::Clock;
use hushbeat::correction::{Allowances, Measurement, Request, Transport, correct};
use hushbeat::dial::Meter;
use hushbeat::heard::{EndingState, Heard, Method, Rest, TrackRow};
use hushbeat::offset::{Side, Turning};
use hushbeat::pipeline::Settings;
use hushbeat::settings::{Pitch, Sideband, TwoNotes};
use hushbeat::source::synthetic::{Detector, Kind, Receiver, Rendered, Scene, random_scene, render};
use std::f64::consts::{FRAC_PI_2, PI, TAU};

fn hear(rendered: &Rendered, settings: &Settings) -> (Heard, Vec<TrackRow>) {
    let format = StreamFormat { rate_hz: rendered.rate_hz, channels: rendered.channels };
    let mut rows = sound::Rows::default();
    let heard = sound::hear(format, &rendered.samples, settings, &mut rows);
    (heard, rows.0)
}

/// So many seeds, a part of them in an ordinary run.
fn seeds(all: u64, few: u64) -> std::ops::RangeInclusive<u64> {
    let asked = std::env::var("SEEDS").ok().and_then(|n| n.parse().ok());
    1..=asked.unwrap_or(count(few, all))
}

fn receiver(scene: &Scene) -> Receiver {
    let Detector::Receiver(receiver) = scene.detector else { panic!("no receiver") };
    receiver
}

/// What the receiver's owner would declare.
fn declared(scene: &Scene) -> Settings {
    let upper = receiver(scene).pitch_hz > 0.0;
    let sideband = if upper { Sideband::Upper } else { Sideband::Lower };
    Settings { two_notes: Some(TwoNotes { sideband, meter_pitch: None }), ..Settings::default() }
}

/// Cramér–Rao bound of the difference of two tones that share one drift, Hz, over `span` s, the signal's amplitude
/// multiplied by `gain`: the Fisher information of both frequencies, the drift, amplitudes and phases, summed sample by
/// sample and inverted. Rife and Boorstyn, "Multiple tone parameter estimation from discrete-time observations", Bell
/// System Technical Journal 55(9), 1389–1410, 1976, whose matrix has the drift for one more column here.
fn bound_hz(scene: &Scene, beat_hz: f64, span: (f64, f64), gain: &dyn Fn(f64) -> f64) -> f64 {
    let r = receiver(scene);
    let rate = f64::from(scene.rate_hz);
    let noise = scene.amplitude.powi(2) / 2.0 / 10f64.powf(scene.snr_db / 10.0) * rate / 2.0 / 4000.0;
    let middle = f64::midpoint(span.0, span.1);
    let hz = [r.pitch_hz + r.drift_hz_per_s * middle, r.pitch_hz + beat_hz + r.drift_hz_per_s * middle];
    let mut fisher = [[0.0f64; 7]; 7];
    for n in (span.0 * rate).ceil() as i64..(span.1 * rate).floor() as i64 {
        let t = n as f64 / rate;
        let tau = t - middle;
        let level = [scene.amplitude * gain(t), scene.amplitude * r.meter_level];
        let mut row = [0.0; 7];
        for i in 0..2 {
            let phase = TAU * (hz[i] + 0.5 * r.drift_hz_per_s * tau) * tau + i as f64;
            let (s, c) = phase.sin_cos();
            row[i] = -level[i] * s * TAU * tau;
            row[2] -= level[i] * s * TAU / 2.0 * tau * tau;
            row[3 + i] = c * level[i];
            row[5 + i] = -level[i] * s;
        }
        for i in 0..7 {
            for j in 0..7 {
                fisher[i][j] += row[i] * row[j] / noise;
            }
        }
    }
    // The variance of hz[1] − hz[0] is e'F⁻¹e with e = (−1, 1, 0 …): solve F·x = e.
    let mut x = [-1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0];
    for k in 0..7 {
        let pivot = (k..7).max_by(|&a, &b| fisher[a][k].abs().total_cmp(&fisher[b][k].abs())).unwrap();
        fisher.swap(k, pivot);
        x.swap(k, pivot);
        for i in 0..7 {
            if i != k {
                let share = fisher[i][k] / fisher[k][k];
                (0..7).for_each(|j| fisher[i][j] -= share * fisher[k][j]);
                x[i] -= share * x[k];
            }
        }
    }
    (x[1] / fisher[1][1] - x[0] / fisher[0][0]).sqrt()
}

/// Two equal tones far apart and both free: each has the bound of one tone, as in Rife and Boorstyn's single-tone paper
/// (IEEE Trans. Inf. Theory 20(5), 591–598, 1974), and the difference √2 of it.
#[test]
fn far_apart_the_bound_is_that_of_two_single_tones() {
    let scene = pair_scene(1, 900.0, 300.0, 8.0);
    let one = hushbeat::estimate::tone_bound_hz(4000.0 * 10f64.powf(1.5), 8.0);
    let both = bound_hz(&scene, 300.0, (0.0, 8.0), &|_| 1.0);
    assert!((both / one / 2f64.sqrt() - 1.0).abs() < 1e-3, "{both} {one}");
    let near = bound_hz(&scene, 0.02, (0.0, 8.0), &|_| 1.0);
    assert!(near > 1.5 * both, "{near} {both}");
}

/// Notes at rest from the start at 15 dB.
fn pair_scene(seed: u64, pitch_hz: f64, beat_hz: f64, length_s: f64) -> Scene {
    Scene {
        rate_hz: 8000,
        snr_db: 15.0,
        detector: Detector::Receiver(Receiver { pitch_hz, drift_hz_per_s: 0.0, meter_level: 1.0 }),
        high_pass: Some((100.0, 2)),
        ..Scene::new(seed, &[(0.0, beat_hz), (length_s, beat_hz)])
    }
}

/// How the signal's level goes in a scene: keyed and fading; the fade's phase is not told, so the mean of some is taken.
fn mean_bound_hz(scene: &Scene, beat_hz: f64, span: (f64, f64)) -> f64 {
    let keyed = |t: f64| scene.keyed.is_empty() || scene.keyed.iter().any(|k| k.0 <= t && t < k.1);
    let phases: &[f64] = if scene.fade.is_some() { &[0.0, FRAC_PI_2, PI, 3.0 * FRAC_PI_2] } else { &[0.0] };
    let squares = phases.iter().map(|phase| {
        let fade = |t: f64| {
            let db =
                scene.fade.map_or(0.0, |(rate, depth)| depth / 2.0 * (1.0 - (TAU * rate * t + phase).cos()));
            10f64.powf(-db / 20.0)
        };
        bound_hz(scene, beat_hz, span, &|t| if keyed(t) { fade(t) } else { 0.0 }).powi(2)
    });
    (squares.sum::<f64>() / phases.len() as f64).sqrt()
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// The rest that holds most of a stretch.
fn rest_in(heard: &Heard, (from, to): (f64, f64)) -> Option<&Rest> {
    let overlap = |r: &&Rest| r.end_s.min(to) - r.start_s.max(from);
    heard.rests.iter().max_by(|a, b| overlap(a).total_cmp(&overlap(b))).filter(|r| overlap(r) > 0.0)
}

/// At 15 dB, faded, keyed, crossing, with a beat oscillator that drifts by up to 0.2 Hz/s: the side, the error over u,
/// and the error over the bound.
#[test]
fn random_scenes_reach_the_bound() {
    let (mut zs, mut ratios, mut right, mut of) = (Vec::new(), Vec::new(), 0, 0);
    let (mut missed, mut lines) = (0, Vec::new());
    for seed in seeds(200, 8) {
        let trial = random_scene(seed, Kind::TwoNotes);
        let made = render(&trial.scene);
        let (heard, _) = hear(&made, &declared(&trial.scene));
        let truth = made.truth.rests[0];
        of += 1;
        let Some(rest) = rest_in(&heard, (truth.start_s, truth.end_s)) else {
            missed += 1;
            lines.push(format!("{seed}: missed {:.2} Hz: {:?}", truth.beat_hz, heard.ending));
            continue;
        };
        assert_eq!(rest.method, Method::TwoNotes);
        let beat = made.truth.beat_at(rest.at_s);
        let error = rest.offset_hz - beat.abs();
        let bound = mean_bound_hz(&trial.scene, beat, (truth.start_s, truth.end_s));
        right += usize::from(rest.side == Side::of(beat));
        zs.push(error / rest.u_hz);
        ratios.push(error / bound);
        let odd =
            rest.side != Side::of(beat) || (error / rest.u_hz).abs() > 3.0 || (error / bound).abs() > 3.5;
        if odd || heard.ending.state != EndingState::Resting {
            lines.push(format!(
                "{seed}: {:.2} Hz, {:?}, z {:+.2}, error over bound {:+.2}, u over bound {:.2}, {:.2} to {:.2} s, fade {:?}, keyed {:?}, {:?}, {} rests",
                beat, rest.side, error / rest.u_hz, error / bound, rest.u_hz / bound, rest.start_s, rest.end_s,
                trial.scene.fade, trial.scene.keyed, heard.ending.state, heard.rests.len()
            ));
        }
    }
    for line in &lines {
        println!("{line}");
    }
    println!(
        "{of} scenes, {missed} missed, side right {right}, error/u spread {:.3}, rms error {:.3} of the bound",
        rms(&zs),
        rms(&ratios)
    );
    assert!(100 * right >= 99 * of, "side right in {right} of {of}");
    if full() {
        assert!((0.8..1.2).contains(&rms(&zs)), "{}", rms(&zs));
        assert!(rms(&ratios) < 1.3, "{}", rms(&ratios));
    } else {
        assert!(zs.iter().all(|z| z.abs() < 4.0), "{zs:?}");
        assert!(rms(&ratios) < 1.8, "{}", rms(&ratios));
    }
}

/// A fall to half a hertz, left for 20 s at 20 dB.
fn half_a_hertz(seed: u64, side: f64, through: bool, wander: f64) -> Scene {
    let from = if through { -500.0 } else { 500.0 };
    Scene {
        snr_db: 20.0,
        wander_hz_per_root_s: wander,
        detector: Detector::Receiver(Receiver { pitch_hz: 1100.0, drift_hz_per_s: 0.1, meter_level: 0.8 }),
        knots: vec![(0.0, side * from), (4.0, side * 0.5), (24.0, side * 0.5)],
        ..pair_scene(seed, 1100.0, 0.0, 24.0)
    }
}

#[test]
fn half_a_hertz_for_twenty_seconds() {
    let (mut within, mut of) = (0, 0);
    for seed in seeds(20, 1) {
        for (side, through) in [(1.0, false), (-1.0, false), (1.0, true), (-1.0, true)] {
            for wander in [0.0, 0.002] {
                // An ordinary run takes every second of them.
                if !full() && through != (wander > 0.0) {
                    continue;
                }
                let scene = half_a_hertz(seed, side, through, wander);
                let made = render(&scene);
                let (heard, _) = hear(&made, &declared(&scene));
                let Some(rest) = rest_in(&heard, (8.0, 24.0)) else {
                    panic!("seed {seed}, {side}, {through}, {wander}: {heard:#?}")
                };
                let beat = made.truth.beat_at(rest.at_s);
                let error = rest.offset_hz - beat.abs();
                println!(
                    "{seed} {side:+} {through} {wander}: error {error:+.5} Hz, u {:.5}, {:?}, {:.1} to {:.1} s",
                    rest.u_hz, rest.side, rest.start_s, rest.end_s
                );
                assert_eq!(rest.side, Side::of(beat), "seed {seed}, {side}, {through}, {wander}");
                if wander > 0.0 {
                    of += 1;
                    within += usize::from(error.abs() < 2.0 * rest.u_hz);
                } else {
                    assert!(error.abs() < 0.001, "seed {seed}: {error}");
                }
            }
        }
    }
    println!("{within} of {of} wandering ones within 2u");
    assert!(20 * within >= 17 * of, "{within} of {of}");
}

/// Both notes glide by 4 Hz in 20 s and nothing is turned: one rest, no movement.
#[test]
fn the_beat_oscillators_drift_is_no_movement() {
    for seed in seeds(20, 1) {
        for beat in [180.0, -35.0, 6.0] {
            let mut scene = pair_scene(seed, 900.0, beat, 20.0);
            scene.detector =
                Detector::Receiver(Receiver { pitch_hz: 900.0, drift_hz_per_s: 0.2, meter_level: 0.7 });
            let made = render(&scene);
            let mut settings = declared(&scene);
            let pitch = if beat > 0.0 { Pitch::Higher } else { Pitch::Lower };
            settings.two_notes.as_mut().unwrap().meter_pitch = Some(pitch);
            let (heard, rows) = hear(&made, &settings);
            assert_eq!(heard.ending.state, EndingState::Resting, "{seed} {beat}: {heard:#?}");
            let [rest] = heard.rests.as_slice() else { panic!("{seed} {beat}: {:#?}", heard.rests) };
            assert_eq!(rest.side, Side::of(beat));
            assert!(rest.rate_hz_per_s.abs() < 4.0 * rest.rate_u && rest.rate_u < 0.001, "{rest:?}");
            assert!((rest.offset_hz - beat.abs()).abs() < 4.0 * rest.u_hz, "{rest:?}");
            let heard_rows = rows.iter().filter(|row| row.time_s > 4.0).filter_map(|row| row.offset_hz);
            let worst = heard_rows.map(|offset| (offset - beat.abs()).abs()).fold(0.0, f64::max);
            assert!(worst < 1.0, "{seed} {beat}: the track strays by {worst} Hz");
            assert!(heard.crossings.is_empty());
        }
    }
}

/// A beat oscillator between the notes: told and refused wherever it drifts enough to show, 0.02 Hz/s that is.
#[test]
fn a_straddled_beat_oscillator_is_noticed() {
    let (mut noticed, mut of) = (0, 0);
    for seed in seeds(120, 6) {
        let trial = random_scene(seed, Kind::Straddled);
        let drift = receiver(&trial.scene).drift_hz_per_s;
        if drift.abs() < 0.02 {
            continue;
        }
        let made = render(&trial.scene);
        let (heard, _) = hear(&made, &declared(&trial.scene));
        of += 1;
        let told = heard.warnings.iter().any(|w| w.code == "straddled") && heard.rests.is_empty();
        noticed += usize::from(told);
        if !told {
            println!("{seed}: drift {drift:.3}: {:?} {:?}", heard.rests.len(), heard.warnings);
        }
    }
    println!("{noticed} of {of} noticed");
    assert!(100 * noticed >= 95 * of, "{noticed} of {of}");
}

/// `auto` learns the receiver's side from the declared turning.
#[test]
fn auto_learns_the_side_from_a_turning() {
    for seed in seeds(30, 4) {
        let trial = random_scene(seed, Kind::TwoNotes);
        let made = render(&trial.scene);
        let two_notes = Some(TwoNotes::default());
        let settings = Settings { two_notes, turning: trial.turning, ..Settings::default() };
        let (heard, _) = hear(&made, &settings);
        let truth = made.truth.rests[0];
        let rest = rest_in(&heard, (truth.start_s, truth.end_s)).unwrap();
        assert_eq!(rest.side, Side::of(truth.beat_hz), "{seed}");
        // Without a turning there is no side, and the answer says why.
        let (heard, _) = hear(&made, &Settings { two_notes, ..Settings::default() });
        assert!(heard.rests.iter().all(|r| r.side == Side::Unknown), "{seed}");
        assert!(heard.warnings.iter().any(|w| w.code == "sideband"), "{seed}");
        // A turning that contradicts a declared side is told.
        let other = trial.turning.map(|t| if t == Turning::Up { Turning::Down } else { Turning::Up });
        let (heard, _) = hear(&made, &Settings { turning: other, ..declared(&trial.scene) });
        assert!(heard.warnings.iter().any(|w| w.code == "turning"), "{seed}");
    }
}

/// A meter without error but for the reading of its dial: 1 Hz to a division from 2 MHz on.
fn meter() -> Meter {
    let rows: String = (0..=50)
        .flat_map(|row| [(2000.0 + f64::from(row) / 10.0).to_string(), format!(",{}\n", row * 100)])
        .collect();
    let text = "name = 'm'\n[crystal]\nfrequency_hz = 1e6\nu_ppm = 0.001\n[dial]\ndivisions_per_turn = 100\nturns = 50\n\
                u_div = 0.003\n[[range]]\nname = 'r'\nfrom_hz = 2e6\nto_hz = 2005000\nbook = 'b'\n";
    let book = format!("frequency_khz,reading\n{rows}");
    Meter::parse(text, "m.toml", |name| Ok::<_, String>((name.to_owned(), book.clone()))).unwrap()
}

/// What is heard, handed to the dial: the signal's frequency comes out within U in 95 %.
#[test]
fn the_corrected_frequency_is_the_one_put_in() {
    let meter = meter();
    let (mut within, mut of) = (0, 0);
    for seed in seeds(200, 4) {
        let trial = random_scene(1000 + seed, Kind::TwoNotes);
        let made = render(&trial.scene);
        let (heard, _) = hear(&made, &declared(&trial.scene));
        of += 1;
        let Ok(offset) = heard.offset(None) else {
            println!("{seed}: no offset");
            continue;
        };
        let reading = 2500.0 + seed as f64;
        // The dial stands within its uncertainty of what was read, at twenty places between ±2 of it.
        let slip = 0.003 * ((seed * 7 % 20) as f64 / 5.0 - 1.9) / 1.155;
        let beat = made.truth.beat_at(heard.rests.last().map_or(8.0, |rest| rest.at_s));
        let signal = 2e6 + reading + slip - beat;
        let record = correct(&Request {
            meter: &meter,
            range: &meter.ranges[0],
            measurement: Measurement::Single { reading, offset },
            recorded: true,
            approach: None,
            harmonic: 1,
            signal_harmonic: 1,
            checks: &[],
            transport: Transport::Auto,
            at_min: None,
            crystal: &meter.crystal,
            today: None,
            clock: &Clock { error_ppm: Some(0.0), u_ppm: 0.0, applied: true, ..Clock::default() },
            allowances: Allowances::default(),
            target: None,
            extra: hushbeat::correction::Extra::default(),
        })
        .unwrap();
        let error = record.frequency_hz.unwrap() - signal;
        within += usize::from(error.abs() <= record.expanded_u_hz);
        if error.abs() > record.expanded_u_hz {
            println!("{seed}: {error:+.4} Hz, U {:.4} Hz", record.expanded_u_hz);
        }
    }
    println!("{within} of {of} within U");
    assert!(100 * within >= 95 * of, "{within} of {of}");
}
