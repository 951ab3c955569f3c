//! Which line is the note while the sound goes on: for the rows, a few seconds late, and now.
//!
//! What moved is the note, and of what moved the loudest; what stood beside it is a whistle, even where the note can't be heard.
//! A line of the hum or a station's tone that the note's follower was left at is passed over for what moves on.

use super::life::is_one_place;
use super::lines::Line;
use super::path::{self, Point};
use super::rest::Measured;
use super::{Ear, HOP_S, ON_HUM_HZ, ROW_GAP_S, story, under};

/// A line that moved and is this much weaker than another, in power, is no reason to call that one a whistle.
const FAINT: f64 = 0.005;
/// How long before the note was last heard to move what stands was born that is a whistle, s.
const BESIDE_S: f64 = 1.0;
/// What moved by more, all in all, stands no longer, Hz.
const STANDS_HZ: f64 = 5.0;
/// How much the line that was the note before counts, in power.
const BEFORE: f64 = 4.0;
/// A fundamental, or the middle of a family, may be this much softer than another line of it, in power.
const FUNDAMENTAL: f64 = 0.05;
const MIDDLE: f64 = 0.003;
/// Below this a path may let a note's sidebands through the louder, Hz.
const SOFT_HZ: f64 = 120.0;
/// How long before the note was lost what stays of it may have been found, and how long after it, s; and how many lives back a
/// note is looked for.
const FOUND_S: f64 = 0.5;
const STAYS_S: f64 = 60.0;
const LIVES: usize = 12;
/// How near to its place in a family a line is, Hz, and the highest order of hum on a note.
const FAMILY_HZ: f64 = 3.0;
const HUM_ORDERS: u32 = 3;
/// How many riders are remembered, how much softer than the note they are, in power, and how long before it was lost a sideband was
/// as far from it, s.
const RIDERS: usize = 6;
const SOFTER: f64 = 0.2;
const BESIDE_FOR_S: [f64; 2] = [0.3, 0.6];
/// For how long a harmonic may go on when its note is no longer heard, s, and how near to one it is, Hz and parts.
const OUTLIVES_S: f64 = 1.0;
const HARMONIC_HZ: f64 = 1.5;
const HARMONIC_PART: f64 = 0.025;

/// Which line is the note, for one that listens at some instant.
#[derive(Default, Clone, Copy)]
pub struct Choice {
    /// The line that was the note when one was last heard.
    id: Option<u32>,
    /// The line that is the first note that moved.
    pub first: Option<u32>,
    /// Until when a note was heard to move, s, and its power at most.
    moved: Option<(f64, f64)>,
    /// Lines that rode on a note, or beside it, when that was no longer heard, the newest first.
    riders: [Option<u32>; RIDERS],
}

impl Choice {
    fn with_rider(mut self, id: u32) -> Self {
        self.riders.rotate_right(1);
        self.riders[0] = Some(id);
        self
    }

    /// Whether a line is one of the riders, and still softer than the note was.
    fn is_rider(&self, id: u32, power: f64) -> bool {
        self.riders.contains(&Some(id)) && self.moved.is_some_and(|(_, moved)| power < SOFTER * moved)
    }
}

/// A line that may be the note at the instant asked about.
#[derive(Clone, Copy)]
pub struct Candidate {
    id: u32,
    hz: f64,
    power: f64,
    travelled: bool,
    /// Stands where hum or a station's tone does.
    aside: bool,
}

impl Candidate {
    fn leads(&self) -> bool {
        self.travelled && !self.aside
    }

    /// Which multiple of 1000 Hz it is that stands.
    fn thousand(&self) -> Option<u32> {
        story::thousand(self.hz).filter(|_| !self.travelled)
    }
}

impl Ear {
    /// The line that is the note as far as is known now; where a past instant is asked about, of the lines that were heard
    /// then, those that have ended since among them.
    pub(super) fn choose(&mut self, at_s: Option<f64>) -> Option<u32> {
        let was = if at_s.is_some() { self.then } else { self.now };
        let mut candidates = std::mem::take(&mut self.candidates);
        self.find_candidates(&was, at_s, &mut candidates);
        let chosen = self.choose_among(&candidates, was, at_s);
        self.candidates = candidates;
        let (choice, heard) = chosen?;
        *(if at_s.is_some() { &mut self.then } else { &mut self.now }) = choice;
        choice.id.filter(|_| heard)
    }

    fn find_candidates(&self, was: &Choice, at_s: Option<f64>, candidates: &mut Vec<Candidate>) {
        let past = self.ended.iter().map(|e| &e.line).filter(|_| at_s.is_some());
        let instant_s = at_s.unwrap_or_else(|| self.now_s());
        let whistle = |l: &Line, power: f64| {
            l.path.travel_hz() < STANDS_HZ
                && was.moved.is_some_and(|(to_s, moved)| l.born_s < to_s - BESIDE_S && FAINT * power < moved)
        };
        let candidate = |l: &Line| {
            let placed = |t: f64| self.place(l, t).map(|p| (p.b, p.power));
            let (b, power) = at_s.map_or(Some((l.b, l.power)), placed)?;
            let hz = b.abs();
            let travelled = l.path.travelled();
            let tone = self.station_tones && story::is_station_tone(hz);
            let hum = |within_hz: f64| self.hum.is_line(hz, within_hz);
            let other = !travelled && (hum(0.3) || tone || self.is_passing_hum(l) || whistle(l, power))
                || self.stays_of_note(l, hz, power)
                || was.is_rider(l.id, power);
            let aside = (tone || hum(ON_HUM_HZ)) && self.stood(l.id, instant_s);
            (l.confirmed() && !other).then_some(Candidate { id: l.id, hz, power, travelled, aside })
        };
        candidates.clear();
        candidates.extend(self.table.lines.iter().chain(past).filter_map(candidate));
        // Several multiples of 1000 Hz are a sound card's own.
        let mut thousands = candidates.iter().filter_map(Candidate::thousand);
        let first = thousands.next();
        if thousands.any(|k| Some(k) != first) {
            candidates.retain(|c| c.thousand().is_none());
        }
    }

    /// The choice after another one, and whether what was chosen is heard.
    fn choose_among(
        &self,
        candidates: &[Candidate],
        was: Choice,
        at_s: Option<f64>,
    ) -> Option<(Choice, bool)> {
        let rank = |c: &Candidate| c.power * if Some(c.id) == was.id { BEFORE } else { 1.0 };
        let best =
            candidates.iter().max_by(|a, b| a.leads().cmp(&b.leads()).then(rank(a).total_cmp(&rank(b))))?;
        // A harmonic of another line that moves with it is not the note.
        let lower = || {
            candidates.iter().find(|c| {
                c.leads() == best.leads()
                    && c.power > FUNDAMENTAL * best.power
                    && (2..=3).any(|k| (best.hz - f64::from(k) * c.hz).abs() < 0.01 * best.hz)
            })
        };
        let chosen = self.middle(candidates, best).or_else(lower).unwrap_or(best);
        let note = self.line(chosen.id)?;
        let instant_s = at_s.unwrap_or_else(|| self.now_s());
        let before = was.id.filter(|id| *id != note.id).and_then(|id| self.line(id));
        let silent = |b: &Line| match at_s {
            Some(t) => self.place(b, t).is_none(),
            None => self.table.lines.iter().all(|l| l.id != b.id),
        };
        if before.is_some_and(|b| silent(b) && self.outlives(note, b, instant_s)) {
            return Some((was.with_rider(note.id), false));
        }
        let mut choice = Choice { id: Some(note.id), ..was };
        if chosen.travelled {
            let goes_on = before.is_some_and(|b| was.first == Some(b.id) && is_one(note, b, instant_s));
            if goes_on || was.first.is_none() {
                choice.first = Some(note.id);
            }
            if !self.stood(note.id, instant_s) {
                let loudest = was.moved.map_or(0.0, |(_, power)| power).max(chosen.power);
                choice.moved = Some((instant_s, loudest));
            }
        }
        Some((choice, true))
    }

    /// The line of which `side` is but a sideband: the one in the middle, with another sideband as far off on its other side.
    fn middle<'a>(&self, candidates: &'a [Candidate], side: &Candidate) -> Option<&'a Candidate> {
        let hum_hz = self.hum.fundamental_hz();
        let hum = (1..=HUM_ORDERS).filter_map(|k| Some(f64::from(k) * hum_hz?));
        let tones = story::STATION_TONES.into_iter().filter(|_| self.station_tones);
        let moves = |c: &&Candidate| c.leads() && c.id != side.id;
        let is_at = |c: &Candidate, hz: f64| (c.hz - hz.abs()).abs() < FAMILY_HZ;
        let is_middle = |c: &&Candidate, apart_hz: f64| {
            let other = |hz: f64| candidates.iter().filter(moves).any(|o| o.id != c.id && is_at(o, hz));
            let (below, above) = (c.hz - apart_hz, c.hz + apart_hz);
            is_at(side, below) && other(above) || is_at(side, above) && other(below)
        };
        let least = |c: &Candidate| if c.hz < SOFT_HZ { MIDDLE } else { 1.0 };
        let loud = |c: &&Candidate| c.id != side.id && c.power > least(c) * side.power;
        hum.chain(tones).find_map(|apart_hz| {
            candidates.iter().filter(loud).find(|c| side.leads() && is_middle(c, apart_hz))
        })
    }

    /// Whether a line, found after a note was lost on its way to zero, is far softer than the note was when it went past there: what
    /// rode beside the note and stays.
    fn stays_of_note(&self, line: &Line, hz: f64, power: f64) -> bool {
        let lost = |last_seen_s: f64| (-FOUND_S..STAYS_S).contains(&(line.born_s - last_seen_s));
        let waiting = self.table.lines.iter().filter(|l| l.id != line.id && l.path.travelled());
        let waiting = waiting.filter(|l| lost(l.last_seen_s)).map(|l| l.path.outline());
        let ended = self.past.iter().rev().take(LIVES).filter(|l| l.moved() && lost(l.last_seen_s));
        let mut notes = waiting.chain(ended.map(|l| l.outline.as_slice()));
        let passed = |outline| path::passed(outline, hz);
        hz < SOFT_HZ && notes.any(|o| passed(o).is_some_and(|p| power < under::FAR_SOFTER * p))
    }

    /// Where a line was at an instant: between two sightings or, where it is a note that moved, where it rested.
    pub(super) fn place(&self, line: &Line, at_s: f64) -> Option<Point> {
        let within = |from: f64, to: f64| (from..=to).contains(&at_s);
        let rested = || {
            let rest = self.rests_of(line.id).iter().find(|(m, _)| within(m.start_s, m.end_s));
            let b = |m: &Measured, sign: f64| sign * (m.heard_hz + m.rate * (at_s - m.at_s));
            let point = |b, u, power| Point { at_s, b, u, power, seen: line.seen };
            let standing = || {
                let standing = self.dossiers.get(&line.id)?.standing.as_ref()?;
                let b = standing.frequency_hz * line.b.signum();
                within(standing.core.0, standing.core.1).then(|| point(b, line.b_u(), line.power))
            };
            let u = |m: &Measured| m.u_hz().hypot(m.rate_u * (at_s - m.at_s));
            rest.map(|(m, sign)| point(b(m, *sign), u(m), m.power)).or_else(standing)
        };
        line.path.at(at_s, ROW_GAP_S).or_else(|| if line.path.travelled() { rested() } else { None })
    }

    /// Whether a line is but a harmonic or a sideband of a note that was heard until just before an instant.
    fn outlives(&self, line: &Line, note: &Line, at_s: f64) -> bool {
        let mut back = (1..=(OUTLIVES_S / HOP_S) as u32).map(|back| at_s - HOP_S * f64::from(back));
        let places = |t: f64| Some((self.place(line, t)?, note.path.at(t, ROW_GAP_S)?));
        let Some(t) = back.find(|t| places(*t).is_some()) else { return false };
        let apart = |t: f64| places(t).map(|(p, q)| (p.b.abs(), q.b.abs()));
        let harmonic = |(f, g): (f64, f64)| {
            (2..=5).any(|k| (f - f64::from(k) * g).abs() < HARMONIC_HZ + HARMONIC_PART * f)
        };
        // As far from the note as it is now it was all the time that the note moved.
        let sideband = |(f, g): (f64, f64)| {
            let soft = line.power < SOFTER * note.power;
            soft && BESIDE_FOR_S.into_iter().all(|s| {
                apart(t - s).is_some_and(|(h, i)| {
                    ((f - g) - (h - i)).abs() < FAMILY_HZ && (g - i).abs() > 2.0 * FAMILY_HZ
                })
            })
        };
        apart(t).is_some_and(|now| harmonic(now) || sideband(now))
    }
}

/// Whether two lines were one note just before an instant.
fn is_one(a: &Line, b: &Line, at_s: f64) -> bool {
    let near =
        |t: f64| Some(is_one_place(a.path.at(t, ROW_GAP_S)?.b.abs(), b.path.at(t, ROW_GAP_S)?.b.abs()));
    (0..=8).any(|back| near(at_s - HOP_S * f64::from(back)).unwrap_or(false))
}
