//! What is told while the sound goes on: rows of the track, and the newest that is known.

use super::frames::SHORT_S;
use super::lines::Line;
use super::path::Point;
use super::rest::Measured;
use super::standing::Standing;
use super::{Ear, HOP_S, ROW_GAP_S, pulling, story};
use crate::heard::{EndingState, Snapshot, TrackRow, TrackState};
use crate::offset::Side;

/// Time from one look at what pulls a rest under way to the next, s.
const PULL_EVERY_S: f64 = 1.0;
/// For how long a pull counts that was found, s.
const PULL_KEPT_S: f64 = 5.0;

/// What is known so far of a rest under way.
#[derive(Clone)]
pub struct Provisional {
    id: u32,
    core_from_s: f64,
    /// When it is worth measuring again, s.
    due_s: f64,
    measured: Option<Measured>,
    /// When it is worth looking again for what pulls it, and until when the last that was found counts, s.
    pull_due_s: f64,
    pull_until_s: f64,
}

/// A line this much weaker than another, in power, that moved is no reason to call that one a whistle.
const FAINT: f64 = 0.005;
/// How long before the note was last heard to move what stands was born that is a whistle, s.
const BESIDE_S: f64 = 1.0;
/// How near two lines are that are one note, Hz and parts.
const SAME_HZ: f64 = 5.0;
const SAME_PART: f64 = 0.05;
/// For how long a harmonic may go on when its note is no longer heard, s, and how near to one it is, Hz and parts.
const OUTLIVES_S: f64 = 1.0;
const HARMONIC_HZ: f64 = 1.5;
const HARMONIC_PART: f64 = 0.015;

/// Which line is the note, for one that listens at some instant.
#[derive(Default, Clone, Copy)]
pub struct Choice {
    /// The line that was the note when one was last heard.
    id: Option<u32>,
    /// The line that is the first note that moved.
    first: Option<u32>,
    /// Until when a note was heard to move, s, and its power.
    moved: Option<(f64, f64)>,
}

impl Ear {
    /// The line that is the note as far as is known now; where a past instant is asked about, the lines that were heard
    /// then, those that have ended since among them.
    fn choose(&mut self, at_s: Option<f64>) -> Option<u32> {
        let was = if at_s.is_some() { self.then } else { self.now };
        let choice = self.choose_after(was, at_s)?;
        *(if at_s.is_some() { &mut self.then } else { &mut self.now }) = choice;
        choice.id
    }

    fn choose_after(&self, was: Choice, at_s: Option<f64>) -> Option<Choice> {
        let past = self.ended.iter().map(|e| &e.line).filter(|_| at_s.is_some());
        let whistle = |l: &Line| {
            was.moved.is_some_and(|(to_s, power)| l.born_s < to_s - BESIDE_S && FAINT * l.power < power)
        };
        // Where a line was at the instant asked about; `None` where it was not heard or is nothing to choose.
        let place = |l: &'_ Line| {
            let f = at_s.map_or(Some(l.b), |t| Some(self.place(l, t)?.b))?.abs();
            let tone = self.hum.is_line(f, 0.3)
                || self.is_passing_hum(l)
                || self.station_tones && story::is_station_tone(f);
            (l.confirmed() && (l.path.travelled() || !tone && !whistle(l))).then_some(f)
        };
        let eligible = self.table.lines.iter().chain(past).filter_map(|l| Some((l, place(l)?)));
        let rank = |l: &Line| l.power * if Some(l.id) == was.id { 4.0 } else { 1.0 };
        let (best, f) = eligible.clone().max_by(|(a, _), (b, _)| {
            a.path.travelled().cmp(&b.path.travelled()).then(rank(a).total_cmp(&rank(b)))
        })?;
        // A harmonic of another line that moves with it is not the note.
        let lower = eligible.clone().find(|(l, g)| {
            l.path.travelled() == best.path.travelled()
                && l.power > 0.05 * best.power
                && (2..=3).any(|k| (f - f64::from(k) * g).abs() < 0.01 * f)
        });
        let note = lower.map_or(best, |(l, _)| l);
        let instant_s = at_s.unwrap_or_else(|| self.now_s());
        let before = was.id.filter(|id| *id != note.id).and_then(|id| self.line(id));
        let silent = |b: &Line| match at_s {
            Some(t) => self.place(b, t).is_none(),
            None => self.table.lines.iter().all(|l| l.id != b.id),
        };
        if before.is_some_and(|b| silent(b) && self.outlives(note, b, instant_s)) {
            return None;
        }
        let mut choice = Choice { id: Some(note.id), ..was };
        if note.path.travelled() {
            let goes_on = before.is_some_and(|b| was.first == Some(b.id) && is_one(note, b, instant_s));
            if goes_on || was.first.is_none() {
                choice.first = Some(note.id);
            }
            if !self.stood(note.id, instant_s) {
                choice.moved = Some((instant_s, note.power));
            }
        }
        Some(choice)
    }

    /// Where a line was at an instant: between two sightings or, where it is a note that moved, where it rested.
    fn place(&self, line: &Line, at_s: f64) -> Option<Point> {
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
            rest.map(|(m, sign)| point(b(m, *sign), m.u_hz(), m.power)).or_else(standing)
        };
        line.path.at(at_s, ROW_GAP_S).or_else(|| if line.path.travelled() { rested() } else { None })
    }

    /// Whether a line is but a harmonic of a note that was heard until just before an instant.
    fn outlives(&self, line: &Line, note: &Line, at_s: f64) -> bool {
        let mut back = (1..=(OUTLIVES_S / HOP_S) as u32).map(|back| at_s - HOP_S * f64::from(back));
        let together = back.find_map(|t| Some((self.place(line, t)?, note.path.at(t, ROW_GAP_S)?)));
        together.is_some_and(|(p, q)| {
            let (f, g) = (p.b.abs(), q.b.abs());
            (2..=5).any(|k| (f - f64::from(k) * g).abs() < HARMONIC_HZ + HARMONIC_PART * f)
        })
    }

    /// The rests that are over of a line of the table, or of one that has ended lately.
    fn rests_of(&self, id: u32) -> &[(Measured, f64)] {
        let ended = || self.ended.iter().find(|e| e.line.id == id).map(|e| e.rests.as_slice());
        self.dossiers.get(&id).map(|d| d.rests.as_slice()).or_else(ended).unwrap_or_default()
    }

    /// A line of the table, or one that has ended lately.
    pub(super) fn line(&self, id: u32) -> Option<&Line> {
        let past = self.ended.iter().map(|e| &e.line);
        self.table.lines.iter().chain(past).find(|l| l.id == id)
    }

    /// Side of a line at an instant, as far as is known now; `first` is the first note that moved.
    fn side_of(&self, line: &Line, first: Option<u32>, at_s: f64, sign: f64) -> Side {
        let ended = || self.ended.iter().find(|e| e.line.id == line.id).map(|e| e.passages.as_slice());
        let passages = self.dossiers.get(&line.id).map(|d| d.passages.as_slice()).or_else(ended);
        let stood = self.rests_of(line.id).iter().map(|(m, own)| (m.start_s, m.end_s, own * m.heard_hz));
        let course = (line.path.outline(), passages.unwrap_or_default(), stood);
        let first = first.is_none_or(|id| id == line.id);
        story::side_at(self.declared.all(), course, first, at_s, sign)
    }

    /// Whether a line stood still at an instant.
    pub(super) fn stood(&self, id: u32, at_s: f64) -> bool {
        let within = |from: f64, to: f64| (from..=to).contains(&at_s);
        let standing = self.dossiers.get(&id).and_then(|d| d.standing.as_ref());
        standing.is_some_and(|s| within(s.core.0, s.core.1))
            || self.rests_of(id).iter().any(|(m, _)| within(m.start_s, m.end_s))
    }

    pub(super) fn write_rows(&mut self, now_s: f64, lag_s: f64) {
        let at_s = now_s - lag_s;
        if at_s < SHORT_S / 2.0 {
            return;
        }
        let mut row = TrackRow::quiet(at_s);
        let found = self.choose(Some(at_s)).and_then(|id| self.line(id));
        if let Some((line, point)) = found.and_then(|l| Some((l, self.place(l, at_s)?))) {
            row.offset_hz = Some(point.b.abs());
            row.u_hz = Some(point.u);
            row.side = self.side_of(line, self.then.first, at_s, point.b.signum());
            row.level_db = Some(10.0 * point.power.max(1e-20).log10());
            row.state = if self.stood(line.id, at_s) { TrackState::Resting } else { TrackState::Moving };
        }
        self.rows.push(row);
    }

    /// The newest that is known, provisional.
    pub fn snapshot(&mut self) -> Snapshot {
        let at_s = self.now_s();
        let swelling = self.swells.open();
        let chosen = self.choose(None);
        let silence = if swelling.is_some() { None } else { self.silence(chosen, at_s) };
        let line = chosen.and_then(|id| self.line(id));
        let side = line.map_or(Side::Unknown, |l| {
            // Gone, it is on the side where it was last heard; while it may be on its way through zero nobody knows.
            let last = l.path.recent().next_back().map_or(l.b, |p| p.b).signum();
            let known = silence.is_some() || last * l.b > 0.0;
            if known { self.side_of(l, self.now.first, at_s, last) } else { Side::Unknown }
        });
        let standing = line.and_then(|l| Some((l, self.dossiers.get(&l.id)?.standing.as_ref()?)));
        let same = |p: &&Provisional, id, s: &Standing| p.id == id && (p.core_from_s - s.core.0).abs() < 0.5;
        let provisional =
            standing.map(|(l, s)| match self.provisional.as_ref().filter(|p| same(p, l.id, s)) {
                Some(p) if at_s < p.due_s => p.clone(),
                before => {
                    let mut measured = s.measure(&self.beside(l));
                    let (mut pull_due_s, mut pull_until_s) =
                        before.map_or((0.0, 0.0), |p| (p.pull_due_s, p.pull_until_s));
                    if let (Some(m), Some(dossier)) = (&mut measured, self.dossiers.get(&l.id)) {
                        if at_s >= pull_due_s {
                            m.pull = self.pull_of(m, &dossier.soundings);
                            pull_due_s = at_s + PULL_EVERY_S;
                            pull_until_s = if m.pull.is_some() { at_s + PULL_KEPT_S } else { pull_until_s };
                        }
                        // Between two looks, or where one does not see it for once, it goes with the note.
                        let known = before.and_then(|p| p.measured.as_ref()).filter(|_| at_s < pull_until_s);
                        let moved = |k: &Measured| {
                            let stretch = m.heard_hz / k.heard_hz;
                            k.pull.map(|p| pulling::Pull { offset_hz: p.offset_hz * stretch, ..p })
                        };
                        m.pull = m.pull.or_else(|| known.and_then(moved));
                    }
                    // A rest twice as long is twice the work and twenty times the knowledge: no hurry to do it again.
                    let due_s = at_s + 0.25f64.max(0.06 * (s.core.1 - s.core.0));
                    Provisional { id: l.id, core_from_s: s.core.0, due_s, measured, pull_due_s, pull_until_s }
                }
            });
        let rest =
            provisional.as_ref().and_then(|p| p.measured.as_ref()).map(|m| story::rest_record(m, side));
        let swelling = swelling.filter(|s| line.is_none_or(|l| !s.is_beside(&l.path))).map(|s| s.rest);
        let side = if swelling.is_some() { Side::Unknown } else { side };
        let line = chosen.and_then(|id| self.line(id)).filter(|_| swelling.is_none() && silence.is_none());
        let heard = swelling.as_ref().map(|r| (r.offset_hz, r.u_hz, r.rate_hz_per_s));
        let heard = heard.or(line.map(|l| (l.b.abs(), l.b_u(), l.r * l.b.signum())));
        let rest = swelling.or(rest);
        let snapshot = Snapshot {
            at_s,
            state: match (line, &rest) {
                (_, Some(_)) => EndingState::Resting,
                (None, None) => silence.map_or(EndingState::Quiet, |v| v.state),
                (Some(_), None) => EndingState::Moving,
            },
            offset_hz: heard.map(|h| h.0),
            u_hz: heard.map(|h| h.1),
            side,
            hand: self.declared.newest().hand,
            rate_hz_per_s: heard.map(|h| h.2),
            level_db: 10.0 * line.map_or(self.frames.density * 4000.0, |l| l.power).max(1e-20).log10(),
            rest,
            lost_samples: 0,
            bound_hz: silence.and_then(|v| v.bound_hz),
            notes: None,
        };
        self.provisional = provisional;
        snapshot
    }
}

/// Whether two lines were one note just before an instant.
fn is_one(a: &Line, b: &Line, at_s: f64) -> bool {
    let near = |t: f64| {
        let (f, g) = (a.path.at(t, ROW_GAP_S)?.b.abs(), b.path.at(t, ROW_GAP_S)?.b.abs());
        Some((f - g).abs() < SAME_HZ + SAME_PART * f.min(g))
    };
    (0..=8).any(|back| near(at_s - HOP_S * f64::from(back)).unwrap_or(false))
}
