//! Two notes followed: which lines they are, through crossings, silences and meetings.
//!
//! # Derivation
//!
//! While the notes are further apart than the frames resolve, each is a line of the table. As one runs into the other
//! the table can't be trusted: from there on the note that stood is foretold by its own steady course, which is known
//! to a few hundredths of a hertz, and the two are found by fits to windows of many lengths ([`super::close`]). Of two tones the one that is where
//! the standing note must be is it, and the other is the one that moved: a crossing needs no guess, since the
//! difference has a sign of its own.
//!
//! # Weak points
//!
//! * Two notes that move at the same time through each other may be taken for each other.
//! * Nearer than the foretelling is sure, only an unbroken approach tells them apart; else the answer has no side.

use super::close::{self, Found};
use super::sight::Sight;
use super::wide;
use crate::beat::HOP_S;
use crate::beat::lines::{Line, Seen};
use crate::beat::path::Point;
use crate::estimate::Normal;
use std::collections::VecDeque;

/// Where the notes meet and where they part again, Hz.
const MEET_HZ: f64 = 22.0;
const PART_HZ: f64 = 27.0;
/// Windows that tell a standing note's drift, and that are believed against what was foretold, s.
const RATE_S: f64 = 1.5;
const LEARN_S: f64 = 3.0;
/// A pair that is given up so soon was none, s.
const PASSING_S: f64 = 1.5;
/// Looks in a row for which notes that part are apart.
const PARTING: u32 = 3;
/// How long sightings are kept, s.
const KEPT_S: f64 = 9.0;
/// Hops between two looks at notes that have met.
const CLOSE_EVERY: u64 = 5;
/// Further apart than this they do not disturb each other, Hz; over how long a note's course is taken, s.
const CLEAR_HZ: f64 = 60.0;
const COURSE_S: f64 = 4.0;
/// How long a note may be silent before it is given up, s.
const PATIENCE_S: f64 = 20.0;
/// A line that was last seen longer ago than this is silent now, s: two short frames went by without it.
const HEARD_S: f64 = 0.12;
/// How soon a note that is silent stops, s, and how soon it may have become fainter meanwhile, s.
const COAST_S: f64 = 0.15;
const FAINTER_S: f64 = 3.0;
/// A line was where a note was lost that was within this, s and Hz, of it; one that came up since and has this part of its
/// power, or comes from there, is the note after so long, s.
const LOST_S: f64 = 0.3;
const LOST_HZ: f64 = 40.0;
const ROSE_PART: f64 = 0.3;
const ELSEWHERE_S: f64 = 0.5;
/// A line with less than this part of its note's power is not the note; one this far from the note's course, Hz, and so
/// far as the note goes within a time, s, may be a key's click.
const CLICK_PART: f64 = 0.03;
const CLICK_HZ: f64 = 4.0;
const CLICK_S: f64 = 0.1;
/// Shares of what a line is off that are put to a course and to its rate: critically damped.
const LEAD: (f64, f64) = (0.35, 0.075);
/// Looks that a line must be elsewhere for the note to be there.
const AWAY: u32 = 5;
/// Motion against the other note that tells which one is in the hand, Hz.
const TRAVEL_HZ: f64 = 6.0;

/// One of the notes.
#[derive(Debug, Clone, Copy)]
pub struct Note {
    line: Option<u32>,
    /// Frequency, Hz, and rate, Hz/s, at the newest look.
    pub hz: f64,
    pub rate: f64,
    pub seen_s: f64,
    /// Where it was then, Hz.
    lost_hz: f64,
    pub power: f64,
    /// Its own course: frequency, Hz, and rate, Hz/s, smoothed, and for how many looks its line has been elsewhere.
    course: (f64, f64),
    away: u32,
}

/// Both notes seen at one instant.
#[derive(Debug, Clone, Copy)]
pub struct Sighting {
    pub at_s: f64,
    pub hz: [f64; 2],
    /// Standard uncertainty of the difference, Hz.
    pub u_hz: f64,
    pub powers: [f64; 2],
    /// Whether it is sure which is which.
    pub sure: bool,
}

impl Sighting {
    /// Note 1 − note 0, Hz.
    pub fn apart(&self) -> f64 {
        self.hz[1] - self.hz[0]
    }
}

/// A movement of one of the notes against the other.
#[derive(Debug, Clone, Copy)]
pub struct Move {
    pub from_s: f64,
    pub to_s: f64,
    /// The note that moved.
    pub note: usize,
    /// By how much in pitch, Hz.
    pub by_hz: f64,
}

/// The notes run together.
#[derive(Debug, Clone, Copy)]
struct Meeting {
    since_s: f64,
    /// The one that stood, its frequency, rate and their instant when last known.
    stander: usize,
    hz: f64,
    rate: f64,
    at_s: f64,
    /// Whether that is from its phase.
    exact: bool,
    /// The lines that the notes were.
    lines: [Option<u32>; 2],
    /// Of the tones found last the one that stood, their distance, and whether that was sure.
    order: Option<(usize, f64, bool)>,
    /// Looks in a row at which they were apart again.
    parting: u32,
}

/// Follows two notes.
#[derive(Default)]
pub struct Follow {
    notes: Option<[Note; 2]>,
    begun: bool,
    pub since_s: f64,
    ring: VecDeque<Sighting>,
    meeting: Option<Meeting>,
    /// Movements, in order of time.
    pub moves: Vec<Move>,
    /// Tones found together at the newest look, with the note that each is.
    pub standing: Option<(Found, bool)>,
    /// Both glide by the same amount: the same way (+) or against each other (−), Hz.
    pub together_hz: [f64; 2],
    /// Which of the two was the higher when they were first heard.
    pub first_higher: usize,
    glide: Option<Sighting>,
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
        self.past.get(chapter).map_or((self.first_higher, &self.moves), |c| (c.first_higher, &c.moves))
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
            notes.iter_mut().for_each(|note| note.follow(sight, now_s));
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
            exact: true,
            lines: [None; 2],
            order: Some((0, found.hz[1] - found.hz[0], true)),
            parting: 0,
        });
    }

    fn begin(&mut self, notes: [Note; 2], now_s: f64) {
        // A pair that went again at once, and of which nothing was told, was none.
        let passing = self.moves.is_empty() && now_s - self.since_s < PASSING_S;
        if self.begun && !passing {
            let moves = std::mem::take(&mut self.moves);
            self.past.push(Chapter { first_higher: self.first_higher, moves });
        }
        self.begun = true;
        self.first_higher = usize::from(notes[1].hz > notes[0].hz);
        self.notes = Some(notes);
        self.since_s = now_s;
        self.ring.clear();
        self.moves.clear();
        self.meeting = None;
        self.glide = None;
    }

    /// A line that has moved against the others is one of the notes, whatever was taken for one before.
    fn find_mover(&mut self, sight: &Sight, now_s: f64) {
        if !self.moves.is_empty() || self.meeting.is_some() {
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
        self.glide = None;
        for s in ring {
            self.take_motion(&s);
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
            self.meet(sight, now_s);
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
            self.take_motion(&Sighting { hz, ..sighting });
        }
    }

    /// Notes which of the two moves against the other, and whether both glide.
    fn take_motion(&mut self, now: &Sighting) {
        let Some(base) = self.glide else {
            self.glide = Some(*now);
            return;
        };
        let by = [0, 1].map(|i| now.hz[i] - base.hz[i]);
        let step_s = now.at_s - base.at_s;
        let far = by[0].abs().max(by[1].abs());
        let sure = 2.0f64.max(4.0 * now.u_hz);
        if far < sure && step_s < 1.5 {
            return;
        }
        self.glide = Some(*now);
        if far < sure || step_s > 1.5 && far < 3.0 {
            return;
        }
        let (mover, still) = if by[1].abs() > by[0].abs() { (1, 0) } else { (0, 1) };
        if by[still].abs() > 0.6 * by[mover].abs() {
            // Peaks that are near each other pull at each other: that is no glide.
            let alike = by[still].abs() > 0.8 * by[mover].abs();
            if !alike || now.apart().abs() < CLEAR_HZ || base.apart().abs() < CLEAR_HZ {
                return;
            }
            self.together_hz[usize::from(by[0] * by[1] < 0.0)] += far;
            return;
        }
        if by[still].abs() > 0.4 * by[mover].abs() {
            return;
        }
        match self.moves.last_mut() {
            Some(last)
                if last.note == mover && last.by_hz * by[mover] > 0.0 && base.at_s - last.to_s < 1.0 =>
            {
                last.to_s = now.at_s;
                last.by_hz += by[mover];
            }
            _ => {
                if self.moves.len() > 4000 {
                    self.moves.drain(1..2000);
                }
                self.moves.push(Move { from_s: base.at_s, to_s: now.at_s, note: mover, by_hz: by[mover] });
            }
        }
    }

    /// The notes run together: from here on the one that stood is foretold.
    fn meet(&mut self, sight: &Sight, now_s: f64) {
        let Some(notes) = &self.notes else { return };
        let rough = [0, 1].map(|i| course(&self.ring, i, now_s));
        let speed = |i: usize| rough[i].map_or(notes[i].rate, |c| c.1).abs() + 0.001 * i as f64;
        let stander = usize::from(speed(1) < speed(0));
        let (hz, rate) =
            rough[stander].map_or((notes[stander].hz, 0.0), |(hz, rate)| (hz, rate.clamp(-0.5, 0.5)));
        let mut meeting = Meeting {
            since_s: now_s,
            stander,
            hz,
            rate,
            at_s: now_s,
            exact: false,
            lines: notes.map(|n| n.line),
            order: None,
            parting: 0,
        };
        // By its phase, over the time that the other was too far away to disturb it.
        if let Some(last) = self.ring.iter().rposition(|s| s.apart().abs() > CLEAR_HZ) {
            let to_s = self.ring[last].at_s;
            let near = self.ring.range(..last).rposition(|s| s.apart().abs() < CLEAR_HZ);
            let from_s = near.map_or(self.ring[0].at_s, |i| self.ring[i].at_s).max(to_s - COURSE_S);
            let sound = sight.sound();
            let about = hz - rate * (now_s - f64::midpoint(from_s, to_s));
            if let Some((hz, rate)) = wide::course(sound, about, (from_s, to_s)) {
                meeting = Meeting { hz, rate, at_s: to_s, exact: true, ..meeting };
            }
        }
        self.meeting = Some(meeting);
    }

    fn look_closely(&mut self, sight: &Sight, now_s: f64) {
        let Some(meeting) = &mut self.meeting else { return };
        if sight.hops().is_multiple_of(CLOSE_EVERY) {
            let sound = sight.sound();
            let since_s = meeting.since_s - 0.3;
            let foretold = meeting.hz + meeting.rate * (now_s - meeting.at_s);
            if let Some(found) = close::find(sound, foretold, meeting.rate, since_s, sight.density()) {
                let (place, sure) = meeting.place(&found, now_s);
                if !sure && self.moves.is_empty() {
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
        self.part(sight, now_s);
    }

    /// Lets the notes part: one line where the standing note must be, another at some distance, for some looks in a row.
    fn part(&mut self, sight: &Sight, now_s: f64) {
        let (Some(meeting), Some(notes)) = (&mut self.meeting, &self.notes) else { return };
        let age = now_s - meeting.at_s;
        let (foretold, _) = meeting.foretold(now_s);
        let lines = || {
            let heard = |l: &&Line| l.hits >= 3 && now_s - l.last_seen_s < HOP_S && l.seen != Seen::Long;
            sight.table.lines.iter().filter(heard)
        };
        let off = |l: &Line| (l.b - foretold).abs();
        let stander = lines()
            .filter(|l| off(l) < 2.5 + 0.3 * age.min(8.0) && l.r.abs() < 30.0)
            .min_by(|a, b| off(a).total_cmp(&off(b)));
        // What was there beside them before they met is not the one that comes out.
        let fresh = |l: &&Line| {
            l.path.travelled() || l.born_s > meeting.since_s - 0.5 || meeting.lines.contains(&Some(l.id))
        };
        let loud = |l: &&Line| l.power > 0.03 * notes[1 - meeting.stander].power;
        let mover = stander.and_then(|stander| {
            lines()
                .filter(|l| l.id != stander.id && (PART_HZ..400.0).contains(&(l.b - stander.b).abs()))
                .filter(|l| fresh(l) && loud(l))
                .max_by(|a, b| a.power.total_cmp(&b.power))
        });
        let Some((stander, mover)) = stander.zip(mover) else {
            meeting.parting = 0;
            return;
        };
        meeting.parting += 1;
        if meeting.parting < PARTING {
            return;
        }
        let mut notes = [Note::of(stander, now_s); 2];
        notes[1 - meeting.stander] = Note::of(mover, now_s);
        self.notes = Some(notes);
        self.meeting = None;
        self.glide = None;
        self.see(sight);
    }
}

impl Meeting {
    /// Which of the tones found is the one that stood, and whether that is sure.
    fn place(&self, found: &Found, now_s: f64) -> (usize, bool) {
        let age = now_s - self.at_s;
        let apart = found.hz[1] - found.hz[0];
        if let Some((place, before, sure)) = self.order
            && age < 1.1
            && (before - apart).abs() < 0.3 * apart + 3.0 * found.u_hz
        {
            return (place, sure);
        }
        let (foretold, doubt) = self.foretold(now_s);
        let off = found.hz.map(|f| (f - foretold).abs());
        let place = usize::from(off[1] < off[0]);
        let sure = off[place] < 0.3 + 3.0 * doubt && (off[1] - off[0]).abs() > doubt.min(0.8 * apart);
        (place, sure)
    }

    /// Where the standing note must be, Hz, and how far from there it may be.
    fn foretold(&self, now_s: f64) -> (f64, f64) {
        let age = now_s - self.at_s;
        let (sudden, steady, wander) = if self.exact { (0.03, 0.008, 0.02) } else { (0.1, 0.05, 0.03) };
        (self.hz + self.rate * age, sudden + steady * age + wander * age.sqrt())
    }

    /// Takes the standing note's course from tones found, where it agrees with what was known or was long looked at.
    fn learn(&mut self, found: &Found, place: usize, now_s: f64) {
        let (foretold, doubt) = self.foretold(now_s);
        if (found.hz[place] - foretold).abs() > 3.0 * doubt && found.window_s < LEARN_S {
            return;
        }
        (self.hz, self.at_s, self.exact) = (found.hz[place], now_s, true);
        if found.window_s > RATE_S {
            self.rate = found.rates[place];
        }
    }
}

impl Note {
    fn of(line: &Line, now_s: f64) -> Self {
        Self {
            line: Some(line.id),
            hz: line.b,
            rate: line.r,
            seen_s: now_s,
            lost_hz: line.b,
            power: line.power,
            course: (line.b, line.r),
            away: 0,
        }
    }

    /// Tone `i` of a pair found together, which is no line of its own.
    fn found(found: &Found, i: usize, now_s: f64) -> Self {
        Self {
            line: None,
            hz: found.hz[i],
            rate: found.rates[i],
            seen_s: now_s,
            lost_hz: found.hz[i],
            power: found.powers[i],
            course: (found.hz[i], found.rates[i]),
            away: 0,
        }
    }

    /// Takes what its line does, or goes on as it was going.
    fn follow(&mut self, sight: &Sight, now_s: f64) {
        let line = self.line.and_then(|id| sight.table.lines.iter().find(|l| l.id == id));
        match line.filter(|l| now_s - l.last_seen_s < HEARD_S && self.is_heard_in(l)) {
            Some(l) => {
                (self.hz, self.rate, self.seen_s, self.lost_hz) = (l.b, l.r, l.last_seen_s, l.b);
                self.power += 0.2 * (l.power - self.power);
                self.lead_course(l);
            }
            None => {
                (self.hz, self.rate) = self.course;
                self.course.0 += self.course.1 * HOP_S;
                self.course.1 *= (-HOP_S / COAST_S).exp();
                // A line that goes after something else meanwhile is no longer the note's.
                let gone = |l: &Line| (l.b - self.hz).abs() > CLICK_HZ && !self.is_heard_in(l);
                if line.is_none_or(gone) {
                    self.line = None;
                }
            }
        }
    }

    /// Leads the note's own course on: a key's click throws a line aside for a look or two, a hand moves it for longer.
    fn lead_course(&mut self, line: &Line) {
        let (hz, rate) = (self.course.0 + self.course.1 * HOP_S, self.course.1);
        let off = line.b - hz;
        self.away = if off.abs() > CLICK_HZ + CLICK_S * rate.abs() { self.away + 1 } else { 0 };
        self.course = match self.away {
            0 => (hz + LEAD.0 * off, rate + LEAD.1 * off / HOP_S),
            1..AWAY => (hz, rate),
            _ => (line.b, line.r),
        };
    }

    /// Whether a line is loud enough to be the note: a key's click, and what the other note leaves here, are fainter.
    fn is_heard_in(&self, line: &Line) -> bool {
        self.is_heard_after(line, 0.0)
    }

    /// The same after a silence, s, out of which it may come fainter.
    fn is_heard_after(&self, line: &Line, silent_s: f64) -> bool {
        let least = CLICK_PART * (-silent_s / FAINTER_S).exp() * self.power;
        line.path.recent().next_back().is_some_and(|p| p.power > least)
    }

    /// Looks for a note that was lost, near where it was; `other` is taken.
    fn recover(&mut self, sight: &Sight, now_s: f64, other: Option<u32>) {
        let heard = |l: &Line| now_s - l.last_seen_s < HEARD_S;
        if self.line.is_some() && now_s - self.seen_s < HEARD_S {
            return;
        }
        let silent_s = now_s - self.seen_s;
        let gate = if silent_s < 0.6 { 12.0 + 0.3 * self.rate.abs() } else { 3.0 + 0.4 * silent_s };
        let off = |l: &&Line| (l.b - self.hz).abs();
        let back: Vec<&Line> = candidates(sight, now_s)
            .into_iter()
            .filter(|l| heard(l) && Some(l.id) != other && self.is_heard_after(l, silent_s))
            .collect();
        let here = back.iter().copied().filter(|l| off(l) < gate).min_by(|a, b| off(a).total_cmp(&off(b)));
        // Elsewhere: a line that came from where it was lost, or that came up since and is as loud.
        let came = |l: &&Line| {
            let near =
                |p: &Point| (p.at_s - self.seen_s).abs() < LOST_S && (p.b - self.lost_hz).abs() < LOST_HZ;
            l.path.travelled() && l.path.recent().any(near)
        };
        let rose = |l: &&Line| l.born_s > self.seen_s - LOST_S && l.power > ROSE_PART * self.power;
        let elsewhere = || {
            let late = silent_s > ELSEWHERE_S;
            back.iter()
                .copied()
                .filter(|l| late && (came(l) || rose(l)))
                .max_by(|a, b| a.power.total_cmp(&b.power))
        };
        let found = here.or_else(elsewhere);
        if let Some(line) = found {
            *self = Self { power: self.power, ..Self::of(line, now_s) };
        }
    }
}

/// Lines that may be a note.
fn candidates(sight: &Sight, now_s: f64) -> Vec<&Line> {
    let heard = |l: &&Line| l.confirmed() && l.hits >= 5 && now_s - l.last_seen_s < 0.3;
    let hum = |l: &Line| !l.path.travelled() && sight.hum.is_line(l.b, 0.4);
    sight.table.lines.iter().filter(heard).filter(|l| !hum(l)).collect()
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

/// Frequency now and rate of a note over its last seconds of standing, by least squares.
fn course(ring: &VecDeque<Sighting>, note: usize, now_s: f64) -> Option<(f64, f64)> {
    let fit = |length_s: f64, far: bool| {
        let mut normal = Normal::new(2);
        // Just before they meet, each pulls the other's peak towards itself.
        let clear = |s: &&Sighting| now_s - s.at_s < length_s && (!far || s.apart().abs() > 2.0 * PART_HZ);
        for s in ring.iter().filter(clear) {
            normal.add(&[1.0, s.at_s - now_s], s.hz[note]);
        }
        if normal.rows() < 6 {
            return None;
        }
        let (x, _) = normal.solve()?;
        let scatter = (normal.misfit(&x) / (normal.rows() - 2) as f64).sqrt();
        Some((x[0], x[1], scatter))
    };
    let far = fit(4.0, true).is_some();
    let (hz, rate, scatter) = fit(if far { 2.0 } else { 1.2 }, far)?;
    // A longer stretch tells a slow drift far better, as long as it is one.
    let long = fit(4.0, far).filter(|l| l.2 < 2.0 * scatter + 0.1 && rate.abs() < 3.0);
    Some(long.map_or((hz, rate), |l| (l.0, l.1)))
}
