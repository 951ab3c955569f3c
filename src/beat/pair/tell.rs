//! What two notes come to: the records that pass on.

use super::Ear;
use super::phase::Apart;
use crate::beat::lines::Line;
use crate::heard::{Ending, EndingState, Heard, Level, Method, Rest, SteadyNote, Warning};
use crate::offset::Side;

/// The record of a rest.
pub fn rest(apart: &Apart, side: Side, notes_hz: Option<[f64; 2]>) -> Rest {
    let offset_hz = apart.difference_hz.abs();
    Rest {
        start_s: apart.start_s,
        end_s: apart.end_s,
        at_s: apart.at_s,
        offset_hz,
        u_hz: apart.u_hz(),
        u_noise_hz: apart.u_noise_hz,
        u_wander_hz: apart.u_wander_hz,
        heard_hz: offset_hz,
        rate_hz_per_s: apart.rate * apart.difference_hz.signum(),
        rate_u: apart.rate_u,
        side,
        snr_db: 10.0 * (apart.cn0_hz / 4000.0).max(1e-20).log10(),
        method: Method::TwoNotes,
        notes_hz,
        alternatives_hz: Vec::new(),
        pulled: None,
        near_hum_hz: None,
    }
}

/// Lines that were neither of the notes.
#[derive(Default)]
pub struct Bystanders {
    notes: Vec<SteadyNote>,
}

/// How often a line must have been seen to be told of, and how many are.
const LEAST_HITS: u32 = 40;
const MOST: usize = 12;
/// Tones that a standard station's carrier has, and its other side bands, Hz: 440, 500, 600 and 1000 Hz, 100 Hz code
/// (as in `stations`).
const RIDES_HZ: [f64; 5] = [100.0, 440.0, 500.0, 600.0, 1000.0];
const RIDE_HZ: f64 = 1.5;

impl Bystanders {
    /// Takes a line that has ended, or that is there at the end.
    pub fn take(&mut self, line: &Line, notes_hz: &[f64]) {
        let own = |n: &f64| (n - line.b).abs() < 4.0;
        if line.hits < LEAST_HITS
            || notes_hz.iter().any(own)
            || notes_hz.len() < 2
            || self.notes.len() >= MOST
        {
            return;
        }
        let rides = notes_hz
            .iter()
            .flat_map(|n| RIDES_HZ.iter().map(move |r| (n, r)))
            .find(|(n, r)| ((line.b - **n).abs() - **r).abs() < RIDE_HZ);
        let why = match rides {
            Some((note, ride)) => {
                format!("rides {ride:.0} Hz from the note at {note:.0} Hz, as a station's tone does")
            }
            None if line.path.travel_hz() < 6.0 => "stands while one of the two notes moves".to_owned(),
            None => return,
        };
        if self.notes.iter().any(|n| (n.frequency_hz - line.b).abs() < 4.0) {
            return;
        }
        self.notes.push(SteadyNote {
            frequency_hz: line.b,
            u_hz: line.b_u(),
            level_db: 10.0 * line.power.max(1e-20).log10(),
            why,
        });
    }
}

fn warn(warnings: &mut Vec<Warning>, code: &str, message: &str) {
    warnings.push(Warning { code: code.to_owned(), message: message.to_owned() });
}

/// All that was heard.
pub fn heard(ear: &Ear, standing: bool, level: Level, warnings: &mut Vec<Warning>) -> Heard {
    let now_s = ear.sight.now_s();
    let (mut rests, mut refused) = (Vec::new(), 0);
    for r in &ear.stand.rests {
        if ear.glide.straddled(f64::midpoint(r.apart.start_s, r.apart.end_s)) {
            refused += 1;
        } else {
            rests.push(ear.record(&r.apart, r.sure, r.chapter));
        }
    }
    let straddled = refused > 0 || ear.glide.straddled(now_s);
    let chapter = ear.follow.chapter();
    let last = ear.last_sure.map(|(s, _)| s);
    let newest = ear.follow.sightings().back().copied().or(last);
    let silent_s = newest.map_or(f64::INFINITY, |s| now_s - s.at_s);
    let last_rest: Option<&Rest> = rests.last();
    let rested = last_rest.filter(|r| standing && now_s - r.end_s < 1.5);
    let (state, at_s) = match (newest, rested) {
        (None, _) => (EndingState::Quiet, 0.0),
        (Some(_), Some(r)) => (EndingState::Resting, r.start_s),
        (Some(s), None) if silent_s > 1.2 => (EndingState::Lost, s.at_s),
        (Some(_), None) => {
            (EndingState::Moving, ear.follow.motion.moves.last().map_or(ear.follow.since_s, |m| m.from_s))
        }
    };
    let offset_hz = match state {
        _ if ear.glide.straddled(now_s) => None,
        EndingState::Resting => rested.map(|r| r.offset_hz),
        _ => newest.map(|s| s.apart().abs()),
    };
    let side = newest
        .filter(|s| s.sure && offset_hz.is_some())
        .map_or(Side::Unknown, |s| super::Whose::side(ear.sense(), ear.meter(chapter), s.apart()));
    if straddled {
        warn(
            warnings,
            "straddled",
            "the two notes glide against each other: the receiver's beat oscillator lies between signal and meter, \
             and the sum of the notes would be the offset; turn its pitch control until both notes are on one side of \
             it and move the same way, then let them rest again",
        );
    }
    if newest.is_none() && !ear.sight.table.lines.is_empty() {
        warn(
            warnings,
            "one-note",
            "two notes were expected and not found; check that signal and meter are both heard through the receiver, \
             or leave --two-notes away for a single beat note",
        );
    }
    if newest.is_some() && !straddled {
        if rests.iter().any(|r| r.notes_hz.is_none()) {
            warn(
                warnings,
                "whose-note",
                "which note is the meter's is not known; turn the meter a little while listening, or say \
                 --meter-pitch higher or lower",
            );
        } else if ear.sense().is_none() && !rests.is_empty() {
            warn(
                warnings,
                "sideband",
                "the receiver's side is not known, so the side of the offset is not either; say --two-notes upper or \
                 lower, or declare a --turning",
            );
        }
        if ear.whose.contradicted(ear.follow.all_moves()) {
            warn(
                warnings,
                "turning",
                "the pitch went the other way than the declared turning and side of the receiver say; one of the two \
                 is wrong, and with it the side",
            );
        }
    }
    Heard {
        ending: Ending { state, at_s, offset_hz, bound_hz: None, side },
        rests,
        crossings: if straddled { Vec::new() } else { ear.crossings.clone() },
        steady_notes: ear.bystanders.notes.clone(),
        hum: ear.sight.hum_heard(),
        level,
        warnings: std::mem::take(warnings),
    }
}
