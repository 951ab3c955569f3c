//! Two notes followed: which lines they are, through crossings, silences and meetings.
//!
//! # Derivation
//!
//! While the notes are further apart than the frames resolve, each is a line of the table. As one runs into the other
//! the table can't be trusted: from there on the note that stood is foretold by its own steady course, which is known
//! to a few hundredths of a hertz ([`super::meeting`]), and the two are found by fits to windows of many lengths
//! ([`super::close`]). Of two tones the one that is where the standing note must be is it, and the other is the one
//! that moved: a crossing needs no guess, since the difference has a sign of its own.
//!
//! # Weak points
//!
//! * Two notes that move at the same time through each other may be taken for each other.
//! * Nearer than the foretelling is sure, only an unbroken approach tells them apart; else the answer has no side.

use super::close::{self, Found};
use super::meeting::{MEET_HZ, Meeting, PART_HZ};
use super::motion::{Motion, Move, Sighting};
use super::note::{CLICK_PART, HEARD_S, Note, candidates};
use super::sight::Sight;
use crate::beat::lines::{Line, Seen};
use std::collections::VecDeque;

/// A pair that is given up so soon was none, s.
const PASSING_S: f64 = 1.5;
/// How long sightings are kept, s.
const KEPT_S: f64 = 9.0;
/// Hops between two looks at notes that have met.
const CLOSE_EVERY: u64 = 5;
/// How long a note may be silent before it is given up, s.
const PATIENCE_S: f64 = 20.0;
/// Motion against the other note that tells which one is in the hand, Hz.
const TRAVEL_HZ: f64 = 6.0;

/// Follows two notes.
#[derive(Default)]
pub struct Follow {
    notes: Option<[Note; 2]>,
    begun: bool,
    pub since_s: f64,
    ring: VecDeque<Sighting>,
    meeting: Option<Meeting>,
    /// How they move.
    pub motion: Motion,
    /// Tones found together at the newest look, with the note that each is.
    pub standing: Option<(Found, bool)>,
    /// Which of the two was the higher when they were first heard.
    pub first_higher: usize,
    /// Pairs of notes that were followed before this one.
    pub past: Vec<Chapter>,
}

/// What is known of one pair of notes for telling whose is which.
#[derive(Debug, Clone)]
pub struct Chapter {
    /// Which of them was the higher at first.
    pub first_higher: usize,
    pub moves: Vec<Move>,
}

impl Follow {
    /// The number of the pair being followed.
    pub fn chapter(&self) -> usize {
        self.past.len()
    }

    /// What is known of a pair.
    pub fn told(&self, chapter: usize) -> (usize, &[Move]) {
        self.past.get(chapter).map_or((self.first_higher, &self.motion.moves), |c| (c.first_higher, &c.moves))
    }

    /// All movements of all pairs, in order of time.
    pub fn all_moves(&self) -> impl Iterator<Item = &Move> {
        (0..=self.chapter()).flat_map(|c| self.told(c).1)
    }

    /// The notes, when two are followed.
    pub fn notes(&self) -> Option<&[Note; 2]> {
        self.notes.as_ref()
    }

    /// Frequencies of the notes, Hz.
    pub fn hz(&self) -> Vec<f64> {
        self.notes.iter().flatten().map(|n| n.hz).collect()
    }

    /// Sightings of the last seconds, oldest first.
    pub fn sightings(&self) -> &VecDeque<Sighting> {
        &self.ring
    }

    /// Whether they have run together.
    pub fn met(&self) -> bool {
        self.meeting.is_some()
    }

    /// Takes the newest look.
    pub fn look(&mut self, sight: &Sight) {
        let now_s = sight.now_s();
        self.standing = None;
        while self.ring.front().is_some_and(|s| s.at_s < now_s - KEPT_S) {
            self.ring.pop_front();
        }
        self.find_mover(sight, now_s);
        let Some(notes) = self.notes.as_mut() else {
            self.acquire(sight, now_s);
            return;
        };
        if self.meeting.is_some() {
            self.look_closely(sight, now_s);
        } else {
            for note in notes.iter_mut() {
                note.follow(sight, now_s);
            }
            self.look_apart(sight, now_s);
        }
        if let Some(notes) = &self.notes
            && notes.iter().any(|n| now_s - n.seen_s > PATIENCE_S)
        {
            (self.notes, self.meeting) = (None, None);
        }
    }

    /// Finds two notes where none are known: one that moves against another, or the two strongest that stand.
    fn acquire(&mut self, sight: &Sight, now_s: f64) {
        let lines = candidates(sight, now_s);
        let old = |l: &&&Line| now_s - l.born_s > 0.9;
        let mut strong: Vec<&&Line> = lines.iter().filter(old).collect();
        strong.sort_by(|a, b| b.power.total_cmp(&a.power));
        match strong.as_slice() {
            [a, b, ..] if (a.b - b.b).abs() > PART_HZ && b.power > 0.01 * a.power => {
                self.begin([a, b].map(|l| Note::of(l, now_s)), now_s);
            }
            // What sounds like one note may be two.
            [a, ..] if now_s > 1.5 && sight.hops().is_multiple_of(2 * CLOSE_EVERY) => {
                let sound = sight.sound();
                if let Some(found) = close::find(sound, a.b, 0.0, a.born_s + 0.1, sight.density()) {
                    self.begin_together(&found, now_s);
                }
            }
            _ => {}
        }
    }

    /// Begins with two notes that were found together.
    fn begin_together(&mut self, found: &Found, now_s: f64) {
        self.begin([0, 1].map(|i| Note::found(found, i, now_s)), now_s);
        self.meeting = Some(Meeting {
            since_s: now_s - found.window_s,
            stander: 0,
            hz: found.hz[0],
            rate: found.rates[0],
            at_s: now_s,
            exact: found.tells_rate(),
            lines: [None; 2],
            order: Some((0, found.hz[1] - found.hz[0], true)),
            parting: 0,
        });
    }

    fn begin(&mut self, notes: [Note; 2], now_s: f64) {
        // A pair that went again at once, and of which nothing was told, was none.
        let passing = self.motion.moves.is_empty() && now_s - self.since_s < PASSING_S;
        if self.begun && !passing {
            let moves = std::mem::take(&mut self.motion.moves);
            self.past.push(Chapter { first_higher: self.first_higher, moves });
        }
        self.begun = true;
        self.first_higher = usize::from(notes[1].hz > notes[0].hz);
        self.notes = Some(notes);
        self.since_s = now_s;
        self.ring.clear();
        self.motion.moves.clear();
        self.meeting = None;
        self.motion.base = None;
    }

    /// A line that has moved against the others is one of the notes, whatever was taken for one before.
    fn find_mover(&mut self, sight: &Sight, now_s: f64) {
        if !self.motion.moves.is_empty() || self.meeting.is_some() {
            return;
        }
        let lines = candidates(sight, now_s);
        let travels: Vec<(&Line, f64)> = lines.iter().filter_map(|l| Some((*l, travel(l, now_s)?))).collect();
        if travels.len() < 2 {
            return;
        }
        // What the most of them do is the receiver's own drift.
        let mut all: Vec<f64> = travels.iter().map(|t| t.1).collect();
        all.sort_unstable_by(f64::total_cmp);
        let common =
            if all.len() > 2 { all[all.len() / 2] } else { all[usize::from(all[0].abs() > all[1].abs())] };
        let moved = |t: &&(&Line, f64)| (t.1 - common).abs() > TRAVEL_HZ;
        let Some((mover, _)) = travels.iter().filter(moved).max_by(|a, b| a.0.power.total_cmp(&b.0.power))
        else {
            return;
        };
        let standers = travels.iter().filter(|t| !moved(t) && t.0.id != mover.id);
        let Some((stander, _)) = standers.max_by(|a, b| a.0.power.total_cmp(&b.0.power)) else { return };
        // Nearer than frames tell apart, what looks like lines that move is the beat of two that stand.
        if mover.path.recent().all(|p| (p.b - stander.b).abs() < PART_HZ) {
            return;
        }
        let known = self.notes.as_ref().is_some_and(|notes| {
            [mover.id, stander.id].iter().all(|id| notes.iter().any(|n| n.line == Some(*id)))
        });
        if !known {
            self.begin([stander, mover].map(|l| Note::of(l, now_s)), now_s);
            // What they did before they were known for what they are.
            let (a, b) = (stander, mover);
            for p in b.path.recent().filter(|p| p.seen == Seen::Short) {
                if let Some(q) = a.path.at(p.at_s, 0.3) {
                    self.ring.push_back(Sighting {
                        at_s: p.at_s,
                        hz: [q.b, p.b],
                        u_hz: p.u.hypot(q.u),
                        powers: [q.power, p.power],
                        sure: true,
                    });
                }
            }
            if let Some(first) = self.ring.front() {
                self.first_higher = usize::from(first.apart() > 0.0);
            }
            self.trace_moves();
        }
    }

    /// Movements in the sightings so far, for notes found late.
    fn trace_moves(&mut self) {
        let ring: Vec<Sighting> = self.ring.iter().copied().collect();
        self.motion.base = None;
        for s in ring {
            self.motion.take(&s);
        }
    }

    /// The notes are apart: each is a line of its own.
    fn look_apart(&mut self, sight: &Sight, now_s: f64) {
        let pace = self.pace(now_s);
        let Some(notes) = &mut self.notes else { return };
        for i in 0..2 {
            let other = notes[1 - i].line;
            notes[i].recover(sight, now_s, other);
        }
        let apart = notes[1].hz - notes[0].hz;
        // One that is lost may have run into the other if it was on its way there.
        let lost = notes.iter().any(|n| now_s - n.seen_s > HEARD_S);
        let closing = -pace * apart.signum();
        let apart = apart.abs();
        if apart < MEET_HZ
            || lost && apart - 0.3 * closing.max(0.0) < MEET_HZ
            || notes[0].line == notes[1].line && notes[0].line.is_some()
        {
            self.meeting = Some(Meeting::begin(notes, &self.ring, sight, now_s));
            return;
        }
        self.see(sight);
    }

    /// Rate of the difference when both were last heard, Hz/s.
    fn pace(&self, now_s: f64) -> f64 {
        let Some(last) = self.ring.back() else { return 0.0 };
        let earlier = self.ring.iter().rev().find(|s| last.at_s - s.at_s > 0.2 && now_s - s.at_s < 1.5);
        earlier.map_or(0.0, |s| (last.apart() - s.apart()) / (last.at_s - s.at_s))
    }

    /// Takes the newest sighting of both, where there is one.
    fn see(&mut self, sight: &Sight) {
        let Some(notes) = &self.notes else { return };
        let lines =
            notes.each_ref().map(|n| n.line.and_then(|id| sight.table.lines.iter().find(|l| l.id == id)));
        let [Some(a), Some(b)] = lines else { return };
        let newest = |l: &Line| l.path.recent().next_back().copied();
        let (Some(p), Some(q)) = (newest(a), newest(b)) else { return };
        let at_s = p.at_s.min(q.at_s);
        let (Some(p), Some(q)) = (a.path.at(at_s, 0.4), b.path.at(at_s, 0.4)) else { return };
        let faint = notes[0].power * CLICK_PART > p.power || notes[1].power * CLICK_PART > q.power;
        if faint || self.ring.back().is_some_and(|s| s.at_s >= at_s - 1e-6) {
            return;
        }
        let sighting =
            Sighting { at_s, hz: [p.b, q.b], u_hz: p.u.hypot(q.u), powers: [p.power, q.power], sure: true };
        self.ring.push_back(sighting);
        // The middle one of three: a single stray sighting is no motion.
        let n = self.ring.len();
        if n >= 3 {
            let middle = |i: usize| {
                let mut last = [self.ring[n - 3].hz[i], self.ring[n - 2].hz[i], self.ring[n - 1].hz[i]];
                last.sort_unstable_by(f64::total_cmp);
                last[1]
            };
            let hz = [middle(0), middle(1)];
            self.motion.take(&Sighting { hz, ..sighting });
        }
    }

    fn look_closely(&mut self, sight: &Sight, now_s: f64) {
        let Some(meeting) = &mut self.meeting else { return };
        if sight.hops().is_multiple_of(CLOSE_EVERY) {
            let sound = sight.sound();
            let since_s = meeting.since_s - 0.3;
            let foretold = meeting.hz + meeting.rate * (now_s - meeting.at_s);
            if let Some(found) = close::find(sound, foretold, meeting.rate, since_s, sight.density()) {
                let (place, sure) = meeting.place(&found, now_s);
                if !sure && self.motion.moves.is_empty() {
                    // Nothing is known of them that could be mistaken.
                    self.begin_together(&found, now_s);
                    return;
                }
                let tone = |i: usize| if i == meeting.stander { place } else { 1 - place };
                let order = [tone(0), tone(1)];
                let notes = order.map(|i| Note::found(&found, i, now_s));
                meeting.learn(&found, place, now_s);
                meeting.order = Some((place, found.hz[1] - found.hz[0], sure));
                self.standing = Some((found, sure));
                self.notes = Some(notes);
                self.ring.push_back(Sighting {
                    at_s: now_s,
                    hz: notes.map(|n| n.hz),
                    u_hz: found.u_hz,
                    powers: notes.map(|n| n.power),
                    sure,
                });
            }
        }
        let (Some(meeting), Some(notes)) = (&mut self.meeting, &self.notes) else { return };
        if let Some(notes) = meeting.part(notes, sight, now_s) {
            self.notes = Some(notes);
            self.meeting = None;
            self.motion.base = None;
            self.see(sight);
        }
    }
}

/// How far a line has moved within the last two seconds, Hz; `None` for one too young.
fn travel(line: &Line, now_s: f64) -> Option<f64> {
    let recent: Vec<f64> =
        line.path.recent().filter(|p| p.seen != Seen::Long && now_s - p.at_s < 2.0).map(|p| p.b).collect();
    (recent.len() >= 6).then(|| {
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        mean(&recent[recent.len() - 3..]) - mean(&recent[..3])
    })
}
