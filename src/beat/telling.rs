//! What is told while the sound goes on: rows of the track, and the newest that is known.

use super::frames::SHORT_S;
use super::lines::Line;
use super::rest::Measured;
use super::standing::Standing;
use super::{Ear, pulling, story};
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

impl Ear {
    /// The rests that are over of a line of the table, or of one that has ended lately.
    pub(super) fn rests_of(&self, id: u32) -> &[(Measured, f64)] {
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
