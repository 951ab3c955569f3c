//! Hand-made answers that obey the physics of a descent, for the tests of every form.

use crate::clock::Clock;
use crate::heard::{
    Crossing, CrossingKind, Ending, EndingState, Heard, Hum, Level, Method, Pulled, Rest, SteadyNote,
    TrackRow, TrackState, Warning,
};
use crate::offset::Side;
use crate::task::analyse::{Analysis, Input};

/// A track every 0.1 s from a signed beat; what is below `deaf_hz` is not heard.
fn trail(duration_s: f64, deaf_hz: f64, beat: impl Fn(f64) -> f64) -> Vec<TrackRow> {
    (1..(duration_s * 10.0) as u32)
        .map(|step| {
            let time_s = f64::from(step) * 0.1;
            let b = beat(time_s);
            let rate = (beat(time_s + 0.05) - b) / 0.05;
            let heard = b.abs() > deaf_hz;
            let still = rate.abs() < 0.2;
            TrackRow {
                time_s,
                offset_hz: heard.then_some(b.abs()),
                u_hz: heard.then_some(if still { 0.03 } else { 0.4 + 0.01 * rate.abs() }),
                side: Side::of(b),
                level_db: heard.then_some(-21.0),
                state: match (heard, still) {
                    (true, true) => TrackState::Resting,
                    (true, false) => TrackState::Moving,
                    (false, _) => TrackState::DeadBand,
                },
                notes_hz: None,
            }
        })
        .collect()
}

fn rest(start_s: f64, end_s: f64, beat: f64, side: Side) -> Rest {
    Rest {
        start_s,
        end_s,
        at_s: f64::midpoint(start_s, end_s),
        offset_hz: beat.abs(),
        u_hz: 0.0021,
        u_noise_hz: 0.0018,
        u_wander_hz: 0.0011,
        heard_hz: beat.abs(),
        rate_hz_per_s: 0.0031,
        rate_u: 0.0012,
        side,
        snr_db: 22.1,
        method: Method::Note,
        notes_hz: None,
        alternatives_hz: vec![],
        pulled: None,
        near_hum_hz: None,
    }
}

fn told(path: &str, duration_s: f64, ending: Ending) -> Analysis {
    Analysis {
        schema: 1,
        input: Input {
            path: path.to_owned(),
            sample_rate_hz: 8000,
            channels: 1,
            channel_used: 1,
            frames: (duration_s * 8000.0) as u64,
            duration_s,
            format: "16-bit integer".to_owned(),
            notes: vec![],
            clock: Clock::default(),
            stopped: false,
        },
        heard: Heard {
            rests: vec![],
            ending,
            crossings: vec![],
            steady_notes: vec![],
            hum: None,
            level: Level { peak_dbfs: -9.4, rms_dbfs: -21.8, clipped_fraction: 0.0 },
            warnings: vec![],
        },
    }
}

fn ending(state: EndingState, at_s: f64, offset_hz: Option<f64>, side: Side) -> Ending {
    Ending { state, at_s, offset_hz, bound_hz: None, side }
}

fn hum() -> Hum {
    Hum { fundamental_hz: 50.012, u_hz: 0.004, level_db: -28.0, harmonics: vec![1, 2, 3, 4, 6, 8] }
}

/// A smooth move of the hand from `from` to `to` over `start..end`, standing before and after.
fn moved(time: f64, (start, end): (f64, f64), (from, to): (f64, f64)) -> f64 {
    let part = ((time - start) / (end - start)).clamp(0.0, 1.0);
    from + (to - from) * part * part * (3.0 - 2.0 * part)
}

/// The meter comes up from below, rests, and a nudge shows the side.
pub fn fall_to_rest() -> (Analysis, Vec<TrackRow>) {
    let beat = |t: f64| moved(t, (0.3, 6.0), (-1103.0, -38.6)) + moved(t, (9.0, 9.4), (0.0, 6.0));
    let mut told =
        told("recordings/fall-to-rest.wav", 12.0, ending(EndingState::Resting, 9.5, Some(32.6), Side::Low));
    told.heard.rests = vec![rest(6.1, 8.9, -38.6, Side::Low), rest(9.5, 12.0, -32.6, Side::Low)];
    told.heard.hum = Some(hum());
    (told, trail(12.0, 5.0, beat))
}

/// Two passages of zero and a turn-back on the way to a rest above.
pub fn through_zero() -> (Analysis, Vec<TrackRow>) {
    let beat = |t: f64| {
        moved(t, (0.2, 2.0), (-620.0, 260.0))
            + moved(t, (2.4, 3.6), (0.0, -330.0))
            + moved(t, (4.2, 5.5), (0.0, 132.5))
    };
    let mut told = told("through-zero.wav", 11.0, ending(EndingState::Resting, 5.6, Some(62.5), Side::High));
    told.heard.rests = vec![rest(3.65, 4.15, -70.0, Side::Low), rest(5.6, 11.0, 62.5, Side::High)];
    told.heard.crossings =
        [1.35, 3.24, 4.87].map(|at_s| Crossing { at_s, u_s: 0.02, kind: CrossingKind::Crossed }).to_vec();
    told.heard.steady_notes = vec![SteadyNote {
        frequency_hz: 1000.02,
        u_hz: 0.01,
        level_db: -41.0,
        why: "stood still throughout".to_owned(),
    }];
    (told, trail(11.0, 6.0, beat))
}

/// Followed down to where the path goes deaf.
pub fn dead_band() -> (Analysis, Vec<TrackRow>) {
    let beat = |t: f64| moved(t, (0.3, 7.0), (840.0, 4.0));
    let mut told = told("dead-band.wav", 14.0, ending(EndingState::DeadBand, 6.3, Some(31.0), Side::High));
    told.heard.ending.bound_hz = Some(27.3);
    told.heard.hum = Some(hum());
    told.heard.warnings = vec![Warning {
        code: "dead-band".to_owned(),
        message: "the path passes nothing below about 28 Hz; measure at a larger offset.".to_owned(),
    }];
    (told, trail(14.0, 27.3, beat))
}

/// Pulled by coupling, side never declared.
pub fn pulled() -> (Analysis, Vec<TrackRow>) {
    let beat = |t: f64| moved(t, (0.3, 5.0), (700.0, 40.0));
    let mut told = told("pulled.wav", 10.0, ending(EndingState::Resting, 5.1, Some(50.2), Side::Unknown));
    let mut only = rest(5.1, 10.0, 50.2, Side::Unknown);
    only.heard_hz = 40.0;
    only.u_hz = 0.9;
    only.u_noise_hz = 0.899_999_327;
    only.pulled = Some(Pulled { lock_hz: 30.3, line_ratio: 0.337, u_true_hz: 0.9 });
    only.near_hum_hz = Some(50.01);
    only.alternatives_hz = vec![20.0];
    told.heard.rests = vec![only];
    told.input.notes = vec!["the data length was missing; read to the end of the file".to_owned()];
    let trail = trail(10.0, 5.0, beat);
    (told, trail.into_iter().map(|row| TrackRow { side: Side::Unknown, ..row }).collect())
}

/// It snaps away over the last step, as an injected oscillator does at the edge of its lock range.
pub fn locked() -> (Analysis, Vec<TrackRow>) {
    let beat = |t: f64| {
        let apart = moved(t, (0.3, 8.0), (600.0, 10.0));
        if apart > 40.0 { (apart * apart - 1600.0).sqrt() } else { 0.0 }
    };
    let told = told("locked.wav", 10.0, ending(EndingState::Locked, 6.9, Some(55.0), Side::High));
    (told, trail(10.0, 5.0, beat))
}

/// An hour with many rests, the meter on either side in turn.
pub fn evening() -> (Analysis, Vec<TrackRow>) {
    let level =
        |n: u32| if n.is_multiple_of(2) { 18.0 + 31.0 * f64::from(n) } else { -9.0 - 22.0 * f64::from(n) };
    let beat = |t: f64| {
        let n = (t / 300.0) as u32;
        moved(t, (f64::from(n) * 300.0, f64::from(n) * 300.0 + 40.0), (level(n + 11), level(n)))
    };
    let mut told = told("evening.wav", 3600.0, ending(EndingState::Moving, 3595.0, Some(251.0), Side::Low));
    told.heard.rests = (0..12)
        .map(|n| {
            let start = f64::from(n) * 300.0;
            rest(start + 45.0, start + 298.0, level(n), Side::of(level(n)))
        })
        .collect();
    (told, trail(3600.0, 4.0, beat))
}

/// Hum and nothing else.
pub fn quiet() -> (Analysis, Vec<TrackRow>) {
    let mut told = told("hum-only.wav", 8.0, ending(EndingState::Quiet, 0.0, None, Side::Unknown));
    told.heard.hum = Some(hum());
    let trail = trail(8.0, f64::INFINITY, |_| 1.0);
    let silent = |row| TrackRow { side: Side::Unknown, state: TrackState::Quiet, ..row };
    (told, trail.into_iter().map(silent).collect())
}

/// All of them by name.
pub fn all() -> Vec<(&'static str, (Analysis, Vec<TrackRow>))> {
    vec![
        ("fall-to-rest", fall_to_rest()),
        ("through-zero", through_zero()),
        ("dead-band", dead_band()),
        ("pulled", pulled()),
        ("locked", locked()),
        ("evening", evening()),
        ("quiet", quiet()),
    ]
}
