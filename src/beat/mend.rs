//! Lives that were taken for each other, put right: what only shows when all of them are known.

use super::life::Life;
use super::lines::SHORT_LOWEST_HZ;
use super::passage::Passage;
use super::path::Point;
use super::rest::Measured;
use crate::heard::CrossingKind;

/// Gives each of two lives what came after an instant in the other.
pub fn exchange_after(lives: &mut [Life], i: usize, j: usize, at_s: f64) {
    let (low, high) = lives.split_at_mut(i.max(j));
    low[i.min(j)].exchange_after(&mut high[0], at_s);
}

/// How soon after a line was left exactly there another is known to stand that took its place, s.
const LATE_S: f64 = 3.0;
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
                let apart_hz = (m.heard_hz - stood.heard_hz).abs();
                let late = mover.travelled
                    && apart_hz < SAME_LINE_HZ.max(6.0 * stood.u_hz().min(0.05))
                    && (0.0..LATE_S).contains(&(from_s - stood.end_s));
                let there = late || apart_hz < 0.5 && (from_s - stood.end_s).abs() < 0.8;
                there.then_some(from_s)
            });
            let Some(stands_s) = stands_s else { continue };
            let at_s = f64::midpoint(stands_s, stood.end_s);
            let off = |p: &Point| (p.b.abs() - stood.heard_hz).abs() > 6.0;
            let moved_on = stander.outline.iter().any(|p| p.at_s > at_s - 0.3 && off(p));
            // Where the line is only known to stand again some time after it was left, it is when it was left that counts.
            let left =
                stander.outline.iter().find(|p| p.at_s > stood.end_s && off(p)).map(|p| p.at_s.next_down());
            let at_s = left.filter(|t| at_s - t > 0.2).unwrap_or(at_s);
            let came = mover.born_s < at_s - 0.3 && mover.travelled;
            let found_anew = !mover.travelled && mover.born_s > stood.start_s + FOUND_ANEW_S;
            if moved_on && (came || found_anew) {
                exchange_after(lives, i, j, at_s);
            }
        }
    }
}

/// How near to where a steady line stood another stands that took its place, Hz, and how soon, s, and how near, Hz, to where it
/// stood a note is found again that left its follower there.
const SAME_LINE_HZ: f64 = 0.1;
const LEFT_BEHIND_S: f64 = 1.0;
/// How long a follower that has lost its line goes on at most, s.
const LOST_S: f64 = 3.0;
const BEYOND_HZ: f64 = 200.0;

/// A moving note may leave its follower to a steady line that it crosses, and be found anew beyond it; the line's own follower
/// is lost. Then what moved stands where that line stood, and what came after is given back.
pub fn mend_left_behind(lives: &mut [Life]) {
    for j in (0..lives.len()).filter(|&j| lives[j].travelled).collect::<Vec<_>>() {
        let first_s = lives[j].first().0;
        let ended_then = |l: &&Life| !l.travelled && (l.last_seen_s - first_s).abs() < LOST_S;
        let long = |(m, _): &&(Measured, f64)| m.end_s - m.start_s > FOUND_ANEW_S;
        let stood: Vec<Measured> = lives
            .iter()
            .filter(ended_then)
            .filter_map(|l| Some(l.rests.iter().rfind(long)?.0.clone()))
            .collect();
        let left = |i: &usize| {
            let (mover, found) = (&lives[*i], &lives[j]);
            *i != j && stood.iter().any(|stood| is_left_behind(mover, found, stood))
        };
        if let Some(i) = (0..lives.len()).find(left) {
            // Its first sighting among what is given back.
            exchange_after(lives, i, j, first_s.next_down());
        }
    }
}

/// Whether the note that `mover` was went on as `found` beyond the steady line that `stood`, of which that is the follower since.
fn is_left_behind(mover: &Life, found: &Life, stood: &Measured) -> bool {
    let (first_s, first) = found.first();
    let from_line = |b: f64| b.abs() - stood.heard_hz;
    let taken = |m: &Measured| {
        (m.heard_hz - stood.heard_hz).abs() < SAME_LINE_HZ && m.end_s > first_s && m.end_s > stood.end_s
    };
    let passed = || {
        let before = mover.outlined(first_s - LEFT_BEHIND_S);
        before.is_some_and(|b| from_line(b) * from_line(first) < 0.0)
    };
    let stays = || mover.outline.iter().filter(|p| p.at_s > first_s).all(|p| from_line(p.b).abs() < STAYS_HZ);
    let alike = || (mover.usual_power() / ALIKE..mover.usual_power() * ALIKE).contains(&found.usual_power());
    mover.travelled
        && stood.end_s < first_s + LEFT_BEHIND_S
        && from_line(first).abs() < BEYOND_HZ
        && mover.rests.iter().any(|(m, _)| taken(m))
        && passed()
        && stays()
        && alike()
}

/// How soon before it was found at rest a note was near there, s, and within how many times that frequency; when after that it
/// is asked where its follower is, s.
const NEARLY_S: f64 = 0.4;
const NEARLY: f64 = 8.0;
const CAME_S: [f64; 3] = [0.5, 1.0, 2.0];
/// How much higher, and in power softer, what keeps that is; by how much the note may differ from what it was on its way.
const HIGHER: f64 = 1.5;
const SOFTER: f64 = 2.0;
const ON_ITS_WAY: f64 = 6.0;

/// A note that falls below what short frames see leaves its follower to one of its harmonics, and is found by longer frames as
/// a line that never moved. What came after is given back.
pub fn mend_harmonics(lives: &mut [Life]) {
    for i in 0..lives.len() {
        let went = |&j: &usize| {
            let rest = lives[j].rests.first().filter(|_| j != i);
            rest.is_some_and(|(m, _)| has_gone_to(&lives[i], &lives[j], m))
        };
        let loudness = |&j: &usize| lives[j].stood_power();
        let found = (0..lives.len()).filter(went).max_by(|x, y| loudness(x).total_cmp(&loudness(y)));
        if let Some(j) = found {
            let (at_s, note_hz) = (lives[j].rests[0].0.start_s, lives[j].rests[0].0.heard_hz);
            exchange_after(lives, i, j, at_s);
            lives[i].rests.retain(|(m, _)| m.end_s < at_s || m.heard_hz < HIGHER * note_hz);
        }
    }
}

/// Whether the note that `mover` was went down to where `found` rests, at `m`, and left its follower to a harmonic.
fn has_gone_to(mover: &Life, found: &Life, m: &Measured) -> bool {
    let rides = |after_s: &f64| {
        let at = mover.at(m.start_s + after_s);
        at.is_some_and(|(f, power)| f.abs() > HIGHER * m.heard_hz && SOFTER * power < m.power)
    };
    let nearly = |b: f64| b.abs() < NEARLY * m.heard_hz;
    m.heard_hz < SHORT_LOWEST_HZ
        && mover.travelled
        && !found.travelled
        && mover.born_s < m.start_s - FOUND_ANEW_S
        && !nearly(mover.first().1)
        && mover.outlined(m.start_s - NEARLY_S).is_some_and(nearly)
        && (mover.power / ON_ITS_WAY..mover.power * ON_ITS_WAY).contains(&m.power)
        && CAME_S.iter().filter(|after_s| rides(after_s)).count() >= 2
}

/// How much of a rest that a louder line measured too is that line's, and how much louder that is, in power.
const SAME_TIME: f64 = 0.8;
const FAR_LOUDER: f64 = 10.0;

/// What a faint line measured of a loud one beside it, into which it leaks as it fades, is no rest of its own.
pub fn drop_doubles(lives: &mut [Life]) {
    let doubled = |life: &Life, m: &Measured| {
        let same = |o: &Measured| {
            m.together_s(o) > SAME_TIME * (m.end_s - m.start_s) && super::chain::is_same_figure(m, o)
        };
        lives
            .iter()
            .filter(|l| l.power > FAR_LOUDER * life.power)
            .any(|l| l.rests.iter().any(|(o, _)| same(o)))
    };
    let own: Vec<Vec<bool>> =
        lives.iter().map(|l| l.rests.iter().map(|(m, _)| !doubled(l, m)).collect()).collect();
    for (life, own) in lives.iter_mut().zip(own) {
        let mut own = own.into_iter();
        life.rests.retain(|_| own.next().unwrap_or(true));
    }
}

/// How much longer a second follower must have stayed, s.
const OUTSTAYS_S: f64 = 0.3;

/// Keyed, a note may come to have a second follower, which never saw it move, and the first one is lost in a pause. What rests where
/// the note rested, at the same time and longer, goes on as the note.
pub fn mend_outstayed(lives: &mut [Life]) {
    for i in 0..lives.len() {
        let Some((own, sign)) = lives[i].rests.last().filter(|_| lives[i].moved()).cloned() else { continue };
        let length_s = |m: &Measured| m.end_s - m.start_s;
        let outstays = |l: &Life| {
            let rest = l.rests.iter().rfind(|(m, _)| m.together_s(&own) > 0.0)?;
            let same = super::chain::is_same_figure(&rest.0, &own);
            let outstays =
                l.last_seen_s > lives[i].last_seen_s + OUTSTAYS_S && rest.0.end_s > own.end_s + OUTSTAYS_S;
            let longer = outstays && length_s(&rest.0) > length_s(&own);
            (same && longer && !l.travelled).then(|| rest.0.clone())
        };
        let found = lives.iter().enumerate().filter(|(j, _)| *j != i);
        let longest = found
            .filter_map(|(j, l)| Some((j, outstays(l)?)))
            .max_by(|(_, m), (_, o)| length_s(m).total_cmp(&length_s(o)));
        let Some((j, rest)) = longest else { continue };
        let Ok([note, stayed]) = lives.get_disjoint_mut([i, j]) else { continue };
        note.rests.pop();
        let rest_end_s = rest.end_s;
        let later = stayed.rests.drain(..).map(|(m, _)| m).filter(|m| m.start_s > rest_end_s);
        note.rests.extend(std::iter::once(rest).chain(later).map(|m| (m, sign)));
        (note.last_seen_s, note.last_power) = (stayed.last_seen_s, stayed.last_power);
        (note.at_end, note.standing_at_end) = (stayed.at_end, stayed.standing_at_end);
        note.last = (sign * stayed.last_hz(), 0.0);
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

/// When before and after a passage a harmonic is compared with its note, s; how near to its place it is then, Hz and parts; and
/// how near in time two passages are one, s.
const ALONG_S: [f64; 2] = [-0.3, 0.6];
const ALONG_OFF: (f64, f64) = (4.0, 0.03);
const ONE_PASSAGE_S: f64 = 0.4;

/// A note's harmonics go through zero with it, and one of them may show that they went where the note's own line does not.
pub fn mend_passages(lives: &mut [Life]) {
    for i in 0..lives.len() {
        let through: Vec<Passage> = (0..lives.len())
            .filter(|&j| j != i)
            .flat_map(|j| lives[j].passages.iter().map(move |p| (j, *p)))
            .filter(|(j, p)| p.kind == CrossingKind::Crossed && goes_along(&lives[*j], &lives[i], p.at_s))
            .map(|(_, p)| p)
            .collect();
        for passage in through {
            lives[i].goes_through(&passage, ONE_PASSAGE_S);
        }
    }
}

/// Whether a life was a harmonic of a note before an instant and after it: where they all meet at zero it may go over to another.
fn goes_along(harmonic: &Life, note: &Life, at_s: f64) -> bool {
    ALONG_S.iter().all(|t| {
        let (Some(h), Some(b)) = (harmonic.outlined(at_s + t), note.outlined(at_s + t)) else { return false };
        (2..=5).any(|k| (h - f64::from(k) * b).abs() < ALONG_OFF.0 + ALONG_OFF.1 * h)
    })
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

#[cfg(test)]
mod tests {
    use super::super::life::made::{life, rest};
    use super::super::sounding::Sounding;
    use super::*;

    /// A note falls from 1400 Hz through a station's 600 Hz, leaves its follower there and is found anew below.
    #[test]
    fn a_follower_left_at_a_steady_line_is_given_back() {
        let tone = life(&[(0.0, 600.0, 1.0), (3.0, 600.0, 1.0)], vec![rest(0.0, 2.9, 600.0, 1.0)]);
        let kept = life(
            &[(0.0, 1400.0, 2.0), (3.1, 600.0, 2.0), (12.0, 600.0, 1.0)],
            vec![rest(4.0, 12.0, 600.0, 1.0)],
        );
        let found = |beyond_hz: f64| {
            life(
                &[(3.2, beyond_hz, 2.0), (5.5, 60.0, 2.0), (12.0, 60.0, 2.0)],
                vec![rest(5.5, 12.0, 60.0, 2.0)],
            )
        };
        let mut lives = [tone.clone(), kept.clone(), found(560.0)];
        mend_left_behind(&mut lives);
        assert!((lives[1].last_hz() - 60.0).abs() < 1e-9 && (lives[1].frequency_hz() - 60.0).abs() < 1e-9);
        assert!(!lives[2].travelled && (lives[2].frequency_hz() - 600.0).abs() < 1e-9);
        // What begins somewhere else is another line.
        let mut lives = [tone, kept, found(1560.0)];
        mend_left_behind(&mut lives);
        assert!((lives[1].frequency_hz() - 600.0).abs() < 1e-9);
    }

    /// A pulled note falls to 12.7 Hz; its follower stays with what short frames see of its harmonics.
    #[test]
    fn a_follower_left_to_harmonics_is_given_back() {
        let kept = life(
            &[(0.0, 540.0, 1.0), (2.8, 30.0, 1.0), (2.9, 45.0, 0.05), (12.0, 45.0, 0.05)],
            vec![rest(4.0, 12.0, 44.9, 0.05)],
        );
        let low =
            |power: f64| life(&[(3.0, 12.7, power), (12.0, 12.7, power)], vec![rest(3.0, 12.0, 12.7, power)]);
        let mut lives = [kept.clone(), low(0.4)];
        mend_harmonics(&mut lives);
        assert!((lives[0].frequency_hz() - 12.7).abs() < 1e-9 && lives[0].rests.len() == 1, "{lives:?}");
        // What is no louder is not the note.
        let mut lives = [kept, low(0.06)];
        mend_harmonics(&mut lives);
        assert!((lives[0].frequency_hz() - 44.9).abs() < 1e-9);
    }

    #[test]
    fn what_leaks_from_a_loud_line_is_no_rest_of_a_faint_one() {
        let loud = life(&[(0.0, 600.0, 1.0), (20.0, 600.0, 1.0)], vec![rest(0.0, 20.0, 600.0, 1.0)]);
        let faint = life(
            &[(4.0, 590.0, 0.01), (8.0, 590.0, 0.01)],
            vec![rest(4.0, 6.0, 600.001, 0.05), rest(6.0, 8.0, 590.0, 0.01)],
        );
        let mut lives = [faint, loud];
        drop_doubles(&mut lives);
        let left: Vec<f64> = lives.iter().flat_map(|l| &l.rests).map(|r| r.0.heard_hz).collect();
        assert_eq!(left, [590.0, 600.0]);
    }

    /// A note that falls through a tone takes the tone's own follower along, and leaves it its own, which is known to stand there
    /// only a second later. What was heard of its level on the way down goes with it.
    #[test]
    fn a_follower_taken_along_is_given_back_with_its_soundings() {
        let mut tone = life(
            &[(0.0, 500.0, 1.0), (1.7, 500.0, 1.0), (3.0, 40.0, 4.0), (3.1, 38.0, 4.0)],
            vec![rest(0.0, 1.64, 500.0, 1.0)],
        );
        let mut kept = life(
            &[(0.0, 1000.0, 4.0), (1.7, 505.0, 4.0), (10.0, 500.0, 1.0)],
            vec![rest(2.6, 10.0, 500.001, 1.0)],
        );
        let sounding = |at_s: f64| Sounding {
            at_s,
            frequency_hz: 200.0,
            rate: -400.0,
            amplitude: 1.0,
            u: 0.1,
            harmonics: [(0.0, 0.1); 2],
            density: 1e-9,
        };
        (tone.soundings, kept.soundings) = (vec![sounding(2.4)], vec![sounding(1.2)]);
        let mut lives = [tone, kept];
        mend_swaps(&mut lives);
        assert!((lives[1].last_hz() - 38.0).abs() < 1e-9 && lives[1].rests.is_empty(), "{:?}", lives[1]);
        assert_eq!(lives[1].soundings.iter().map(|s| s.at_s).collect::<Vec<_>>(), [1.2, 2.4]);
        assert_eq!(lives[0].rests.len(), 2);
    }

    /// Keyed, a note gets a second follower at rest, and the first one is lost in a pause; what only lingers where the note was, for
    /// a shorter time than it rested, is no such follower.
    #[test]
    fn a_second_follower_that_stays_longer_goes_on_as_the_note() {
        let note = life(
            &[(0.0, 928.0, 1.0), (2.5, 398.7, 1.0), (4.7, 398.7, 0.5)],
            vec![rest(2.6, 4.6, 398.69, 0.8)],
        );
        for (from_s, to_s, taken) in [(2.6, 9.6, true), (4.0, 5.4, false)] {
            let stayed =
                life(&[(from_s, 398.69, 1.0), (to_s, 398.69, 1.0)], vec![rest(from_s, to_s, 398.69, 1.0)]);
            let mut lives = [note.clone(), stayed];
            lives[0].at_end = false;
            mend_outstayed(&mut lives);
            assert_eq!((lives[0].at_end, lives[1].rests.is_empty()), (taken, taken));
            assert!((lives[0].rests[0].0.end_s - if taken { to_s } else { 4.6 }).abs() < 1e-9);
        }
    }
}
