//! A note that went below what the path passes, and what stays above of it.
//!
//! Hum on a note, a station's modulation: what rides beside the note at a fixed distance stays at that distance from zero when the
//! note itself is no longer heard, and may keep the note's follower. It is told from the note by two things: it stands about as
//! far from zero as the sidebands were from the note, and far softer than the note was when it passed there.

use super::life::Life;
use super::path::{self, Point};

/// For how many sightings two lives are at a fixed distance, and how much softer the sideband is, in power.
const SIGHTINGS: usize = 6;
const SOFTER: f64 = 0.2;
/// Sidebands are at least so far from their note, and keep their distance so well while it moves by so much, Hz.
const LEAST_HZ: f64 = 30.0;
const KEEPS_HZ: f64 = 2.0;
const MOVES_HZ: f64 = 60.0;
/// How far from its sidebands' distance a note that is no longer heard may leave them, Hz, and up to which multiple.
const UNDER_HZ: f64 = 45.0;
const MULTIPLES: u32 = 2;
/// How much softer than the note was at the same place what stays is, in power.
pub const FAR_SOFTER: f64 = 0.05;
/// How long before the note was lost what stays of it may have been found, s.
const FOUND_S: f64 = 0.5;

/// Ends the lives of notes that went under where only what rode beside them stayed, and makes what was found of that afterwards
/// nothing that moved or rested.
pub fn leave_what_stays_above(lives: &mut [Life]) {
    for i in 0..lives.len() {
        let Some(apart_hz) = spacing(lives, i) else { continue };
        let stays = |b: f64, power: f64, before_s: f64, note: &Life| {
            let near = (1..=MULTIPLES).any(|k| (b.abs() - f64::from(k) * apart_hz).abs() < UNDER_HZ);
            let before = &note.outline[..note.outline.partition_point(|p| p.at_s < before_s)];
            // Below where the note was heard it would be softer than there.
            let lowest = || before.last().filter(|p| b.abs() < p.b.abs()).map(|p| p.power);
            near && path::passed(before, b.abs()).or_else(lowest).is_some_and(|p| power < FAR_SOFTER * p)
        };
        let note = &lives[i];
        let sighted = note.outline.iter().find(|p| stays(p.b, p.power, p.at_s, note)).map(|p| p.at_s);
        let rested = note.rests.iter().find(|(m, _)| stays(m.heard_hz, m.power, m.start_s, note));
        let rested = rested.map(|(m, _)| m.start_s);
        // Or the note itself was followed down to where it is no longer heard.
        let went = !note.at_end && note.last_hz() < UNDER_HZ && note.last.0 * note.last.1 < 0.0;
        let went = went.then_some(note.last_seen_s);
        let Some(stays_s) = sighted.into_iter().chain(rested).chain(went).min_by(f64::total_cmp) else {
            continue;
        };
        // What is louder again afterwards was only faded.
        let loud = |p: &&Point| p.at_s > stays_s && !stays(p.b, p.power, stays_s, note);
        if note.outline.iter().any(|p| loud(&p)) {
            continue;
        }
        let Some(lost) = note.outline.iter().rev().find(|p| p.at_s < stays_s) else { continue };
        let lost_s = lost.at_s;
        let left: Vec<usize> = (0..lives.len())
            .filter(|&j| j != i && lives[j].last_seen_s > lost_s + FOUND_S)
            .filter(|&j| {
                let own = &lives[j];
                let sighted = own.outline.iter().filter(|p| p.at_s > lost_s + FOUND_S);
                let rested = own.rests.iter().filter(|(m, _)| m.start_s > lost_s);
                let later = sighted.map(|p| (p.b, p.power)).chain(rested.map(|(m, _)| (m.heard_hz, m.power)));
                let mut all = later.chain([(own.last_hz(), own.last_power)]);
                all.all(|(b, power)| stays(b, power, stays_s, note))
            })
            .collect();
        for j in left {
            if lives[j].born_s > lost_s - FOUND_S {
                lives[j].has_not_moved();
                lives[j].rests.clear();
            } else {
                lives[j].end_after(lost_s);
            }
        }
        lives[i].end_after(lost_s);
    }
}

/// How far from a note that moved another, softer, went with it all along, Hz.
fn spacing(lives: &[Life], note: usize) -> Option<f64> {
    let a = &lives[note];
    if !a.moved() {
        return None;
    }
    lives.iter().enumerate().filter(|(j, _)| *j != note).find_map(|(_, b)| {
        let (mut run, mut first) = (Vec::new(), None);
        for p in &b.outline {
            let Some((f, power)) = a.at(p.at_s) else { continue };
            let apart_hz = (f - p.b.abs()).abs();
            let goes_on = run.first().is_none_or(|one: &f64| (apart_hz - one).abs() < KEEPS_HZ);
            if p.power > SOFTER * power || !goes_on {
                run.clear();
                first = None;
            }
            if p.power <= SOFTER * power {
                first.get_or_insert(f);
                run.push(apart_hz);
            }
            let moved = first.is_some_and(|one| (f - one).abs() > MOVES_HZ);
            if run.len() >= SIGHTINGS && moved {
                let mean = run.iter().sum::<f64>() / run.len() as f64;
                return (mean > LEAST_HZ).then_some(mean);
            }
        }
        None
    })
}

#[cfg(test)]
mod tests {
    use super::super::life::made::{life, rest};
    use super::*;

    /// A note falls through a path that takes 24 dB an octave below 100 Hz off it and is lost at 45 Hz; a sideband 50 Hz above it
    /// goes with it all the way and stays at 57.6 Hz, where the note's follower finds it.
    fn lives(stays: f64) -> Vec<Life> {
        vec![
            life(
                &[
                    (0.0, 760.0, 3e-2),
                    (2.0, 200.0, 3e-2),
                    (2.3, 100.0, 2e-2),
                    (2.45, 57.0, 2e-3),
                    (2.5, 45.0, 4e-4),
                ],
                vec![rest(3.0, 9.0, 57.6, stays)],
            ),
            life(
                &[
                    (0.0, 810.0, 6e-4),
                    (2.0, 250.0, 6e-4),
                    (2.3, 150.0, 6e-4),
                    (2.5, 95.0, 3e-4),
                    (3.0, 57.6, 3e-5),
                    (7.0, 57.6, 3e-5),
                ],
                Vec::new(),
            ),
            life(&[(4.0, 57.6, 3e-5), (9.0, 58.1, 3e-5)], vec![rest(4.5, 8.5, 57.6, 3e-5)]),
        ]
    }

    #[test]
    fn what_rode_beside_a_note_that_went_under_is_not_the_note() {
        let mut lives = lives(3e-5);
        leave_what_stays_above(&mut lives);
        assert!(
            lives[0].rests.is_empty() && !lives[0].at_end && lives[0].last_seen_s < 2.6,
            "{:?}",
            lives[0]
        );
        assert!(lives[2].rests.is_empty());
    }

    /// As loud as the note was there, it is the note.
    #[test]
    fn what_is_as_loud_as_the_note_was_there_is_the_note() {
        let mut lives = lives(1e-3);
        leave_what_stays_above(&mut lives);
        assert!(lives[0].rests.len() == 1 && lives[0].at_end);
    }
}
