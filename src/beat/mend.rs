//! Lives that were taken for each other, put right: what only shows when all of them are known.

use super::life::Life;
use super::rest::Measured;

/// Gives each of two lives what came after an instant in the other.
fn exchange_after(lives: &mut [Life], i: usize, j: usize, at_s: f64) {
    let (low, high) = lives.split_at_mut(i.max(j));
    low[i.min(j)].exchange_after(&mut high[0], at_s);
}

/// How long a line must have stood to be known for a steady one when another is found in its place, s.
const FOUND_ANEW_S: f64 = 1.0;

/// Where a moving note crosses a steady line, the two may be taken for each other: then the one that moved stands
/// where the other stood, from the moment that the other moves on. What came after is given back.
pub fn mend_swaps(lives: &mut [Life]) {
    for i in 0..lives.len() {
        for j in 0..lives.len() {
            if i == j {
                continue;
            }
            let (mover, stander) = (&lives[i], &lives[j]);
            let Some((stood, _)) = stander.rests.first() else { continue };
            // What never moved may have been found anew where the note had taken its follower away: then its birth counts.
            let stands_s = mover.rests.iter().find_map(|(m, _)| {
                let from_s = if mover.travelled { m.start_s } else { mover.born_s };
                let there = (m.heard_hz - stood.heard_hz).abs() < 0.5 && (from_s - stood.end_s).abs() < 0.8;
                there.then_some(from_s)
            });
            let Some(stands_s) = stands_s else { continue };
            let at_s = f64::midpoint(stands_s, stood.end_s);
            let moved_on = stander
                .outline
                .iter()
                .any(|p| p.at_s > at_s - 0.3 && (p.b.abs() - stood.heard_hz).abs() > 6.0);
            let came = mover.born_s < at_s - 0.3 && mover.travelled;
            let found_anew = !mover.travelled && mover.born_s > stood.start_s + FOUND_ANEW_S;
            if moved_on && (came || found_anew) {
                exchange_after(lives, i, j, at_s);
            }
        }
    }
}

/// How near, Hz, and how soon, s, a life begins to where and when a note left its rest, to be that note.
const SET_OUT_HZ: f64 = 40.0;
const SET_OUT_S: f64 = 0.5;
/// By how much a note's loudness may differ from one life to the next, in power.
const ALIKE: f64 = 3.0;

/// A note that sets out may leave its follower to a sideband beside it, and be found as a new life: then what rested goes on
/// far softer from when that one begins, as loud as the rest was. What came after is given back.
pub fn mend_faint_tails(lives: &mut [Life]) {
    for i in 0..lives.len() {
        for j in 0..lives.len() {
            let Some(at_s) = (i != j).then(|| set_out(&lives[i], &lives[j])).flatten() else { continue };
            exchange_after(lives, i, j, at_s);
        }
    }
}

/// When the note that `rested` left that life for `found`.
fn set_out(rested: &Life, found: &Life) -> Option<f64> {
    let (first_s, first) = found.first();
    let (rest, _) = rested.rests.iter().rfind(|(m, _)| m.end_s < first_s + SET_OUT_S)?;
    let rate = match found.outline.as_slice() {
        [p, q, ..] => (q.b.abs() - p.b.abs()) / (q.at_s - p.at_s).max(STEP_S),
        _ => return None,
    };
    let lead_s = (first_s - rest.end_s).abs();
    let near = (first.abs() - rest.heard_hz).abs() < SET_OUT_HZ + rate.abs() * lead_s;
    let alike = (rest.power / ALIKE..rest.power * ALIKE).contains(&found.usual_power());
    let after = |p: &&super::path::Point| p.at_s > first_s;
    let softer = rested.last_power < rest.power / LOUDER
        && rested.outline.iter().filter(after).all(|p| p.power < rest.power / ALIKE);
    (found.moved() && lead_s < SET_OUT_S && near && alike && softer).then_some(rest.end_s)
}

/// How much louder a note is than hum's sidebands on it, in power, and for how long two lives are compared, s.
const LOUDER: f64 = 5.0;
const TOGETHER_S: f64 = 0.4;
/// Highest order of hum on the note that is looked for, and how far from it a line may be, Hz: at rest, and while the two
/// are seen at slightly different instants of a fall.
const MOST_ORDER: f64 = 4.0;
pub const APART_HZ: f64 = 0.5;
const APART_MOVING_HZ: f64 = 10.0;
/// How far from its last rest a life is at its end that went nowhere after it, Hz.
const STAYS_HZ: f64 = 5.0;
/// Steps in which two lives are compared, s.
const STEP_S: f64 = 0.1;

/// Whether two frequencies lie apart as a note and hum on it do.
pub fn apart_by_hum(f: f64, g: f64, hum_hz: f64, within_hz: f64) -> bool {
    let order = ((f - g).abs() / hum_hz).round();
    (1.0..=MOST_ORDER).contains(&order) && ((f - g).abs() - order * hum_hz).abs() < within_hz
}

/// Hum on a note rides beside it at a fixed distance, and where the note runs the followers of the two may change places.
/// Of two lives that lie apart by hum, the louder one is the note at every instant: where that changes from one to the
/// other, what came after is exchanged.
pub fn mend_sidebands(lives: &mut [Life], hum_hz: f64) {
    for i in 0..lives.len() {
        for j in i + 1..lives.len() {
            if let Some(at_s) = changes_places(&lives[i], &lives[j], hum_hz) {
                exchange_after(lives, i, j, at_s);
            }
        }
    }
    // A rest of a sideband alone, while the note stood beside it, is no rest of a note that this life became.
    for i in 0..lives.len() {
        let beside = |own: &Measured| {
            lives.iter().enumerate().filter(|(j, _)| *j != i).flat_map(|(_, l)| &l.rests).any(|(m, _)| {
                m.together_s(own) > TOGETHER_S
                    && m.power > LOUDER * own.power
                    && apart_by_hum(m.heard_hz, own.heard_hz, hum_hz, APART_HZ)
            })
        };
        let rests = &lives[i].rests;
        let own = rests.iter().take_while(|(m, _)| beside(m)).count();
        let Some(end_s) = own.checked_sub(1).map(|last| rests[last].0.end_s).filter(|_| lives[i].travelled)
        else {
            continue;
        };
        // Where it stays there, it was the note that became this.
        let stays = own == rests.len() && (lives[i].last_hz() - rests[own - 1].0.heard_hz).abs() < STAYS_HZ;
        if !stays {
            lives[i].begin_after(end_s, own);
        }
    }
}

/// The instant at which the louder of two lives that lie apart by hum becomes the softer one.
fn changes_places(a: &Life, b: &Life, hum_hz: f64) -> Option<f64> {
    let (from, to) = (a.born_s.max(b.born_s), a.last_seen_s.min(b.last_seen_s));
    let steps = ((to - from) / STEP_S) as usize;
    // Since when the one and the other has been the louder one without a break, s.
    let (mut was, mut runs) = (None, [None::<f64>; 2]);
    for step in 0..steps {
        let t = from + (step as f64 + 0.5) * STEP_S;
        let (Some((f, p)), Some((g, q))) = (a.at(t), b.at(t)) else { continue };
        if !apart_by_hum(f, g, hum_hz, APART_MOVING_HZ) {
            continue;
        }
        let louder = usize::from(q > p);
        if p.max(q) < LOUDER * p.min(q) {
            continue;
        }
        runs[1 - louder] = None;
        let since = *runs[louder].get_or_insert(t);
        if t - since > TOGETHER_S {
            match was {
                Some((before, until)) if before != louder => return Some(f64::midpoint(until, since)),
                _ => was = Some((louder, t)),
            }
        }
    }
    None
}
