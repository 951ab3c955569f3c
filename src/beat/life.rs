//! The life of a line, when it is over: where it went, where it rested, and how it stands to other lives.

use super::hand::Between;
use super::hum::HumFollower;
use super::lines::Line;
use super::passage::Passage;
use super::path::{LEAST_OUTLINE, Point, TRAVEL_HZ};
use super::rest::Measured;
use super::sounding::Sounding;
use super::swell::Swelling;
use crate::heard::CrossingKind;
use std::ops::Range;

/// How long a note that moves too fast to be followed may be lost, s, how far it may go in that time, Hz, and by how many powers
/// of ten it may be louder or softer then.
pub const LEAP_S: Range<f64> = -0.3..1.5;
const LEAP_HZ: f64 = 3500.0;
const LEAP_POWER: f64 = 0.4;

/// What is fainter than the same line later by so much, in power, was something else; and how long before a note was caught
/// it may have been there, s.
const FAINT_START: f64 = 0.003;
const SUDDEN_S: f64 = 0.1;

/// Longest time that two lives may be heard apart from each other and be one note, s; how near to each other they are no two
/// notes, Hz and parts of |b|, and the steps in which that is looked at, s.
const OVERLAP_S: f64 = 0.75;
const SAME_HZ: f64 = 5.0;
const SAME_PART: f64 = 0.05;
const STEP_S: f64 = 0.05;

/// How much of a second follower's life the first one tells.
const SHADOW: f64 = 0.9;

/// Below this a note on its way to zero may be lost and found again by another, Hz.
const UNDER_HZ: f64 = 70.0;

/// What stood so much softer than a note, in power, and went with it for a while, s, was dragged along as it passed.
const DRAGGED: f64 = 0.1;
const DRAGGED_S: f64 = 0.3;

/// How long a note may take to leave its line at the end of a rest, s.
const LEFT_S: f64 = 0.3;

/// A line's life, when it is over.
#[derive(Debug, Clone)]
pub struct Life {
    pub born_s: f64,
    pub last_seen_s: f64,
    pub at_end: bool,
    pub standing_at_end: bool,
    pub travelled: bool,
    pub travel_hz: f64,
    /// Squared amplitude: the largest, and the last.
    pub power: f64,
    pub last_power: f64,
    pub hits: u32,
    pub outline: Vec<Point>,
    /// Signed frequency and rate when last seen.
    pub last: (f64, f64),
    pub rests: Vec<(Measured, f64)>,
    pub passages: Vec<Passage>,
    pub soundings: Vec<Sounding>,
}

impl Life {
    pub fn of(line: &Line, rests: Vec<(Measured, f64)>, passages: Vec<Passage>, at_end: bool) -> Self {
        let newest: Vec<Point> = line.path.recent().rev().take(6).copied().collect();
        let last = match (newest.first(), newest.last()) {
            (Some(a), Some(b)) if a.at_s > b.at_s => (a.b, (a.b - b.b) / (a.at_s - b.at_s)),
            _ => (line.b, line.r),
        };
        let loudest = line.path.outline().iter().map(|p| p.power).fold(line.power, f64::max);
        Self {
            born_s: line.born_s,
            last_seen_s: line.last_seen_s,
            at_end,
            standing_at_end: false,
            travelled: line.path.travelled(),
            travel_hz: line.path.travel_hz(),
            power: loudest,
            last_power: line.power,
            hits: line.hits,
            outline: line.path.outline().to_vec(),
            last,
            rests,
            passages,
            soundings: Vec::new(),
        }
    }

    /// Exchanges with `other` everything that came after `at_s`.
    pub fn exchange_after(&mut self, other: &mut Self, at_s: f64) {
        fn swap_tails<T>(a: &mut Vec<T>, b: &mut Vec<T>, later: impl Fn(&T) -> bool) {
            let cut = |v: &[T]| v.iter().position(&later).unwrap_or(v.len());
            let (tail_a, tail_b) = (a.split_off(cut(a)), b.split_off(cut(b)));
            a.extend(tail_b);
            b.extend(tail_a);
        }
        swap_tails(&mut self.outline, &mut other.outline, |p| p.at_s > at_s);
        swap_tails(&mut self.rests, &mut other.rests, |r| r.0.start_s > at_s - 0.8 && r.0.end_s > at_s + 0.3);
        swap_tails(&mut self.passages, &mut other.passages, |p| p.at_s > at_s);
        swap_tails(&mut self.soundings, &mut other.soundings, |s| s.at_s > at_s);
        std::mem::swap(&mut self.last, &mut other.last);
        std::mem::swap(&mut self.last_power, &mut other.last_power);
        std::mem::swap(&mut self.last_seen_s, &mut other.last_seen_s);
        std::mem::swap(&mut self.at_end, &mut other.at_end);
        std::mem::swap(&mut self.standing_at_end, &mut other.standing_at_end);
        for life in [self, other] {
            let extent = life.outline.iter().map(|p| p.b.abs());
            let (highest, lowest) = extent.fold((0.0, f64::MAX), |(high, low), b| (b.max(high), b.min(low)));
            life.travel_hz = (highest - lowest).max(0.0);
            life.travelled = life.travel_hz > TRAVEL_HZ && life.outline.len() >= LEAST_OUTLINE;
            life.power = life.outline.iter().map(|p| p.power).fold(life.last_power, f64::max);
        }
    }

    /// The passages within `span` of which it is not known what they were.
    pub fn unsure_in(&self, span: &Range<f64>) -> impl Iterator<Item = &Passage> {
        self.passages.iter().filter(move |p| p.kind == CrossingKind::Unsure && span.contains(&p.at_s))
    }

    /// Takes a passage through zero that is known from elsewhere, where its own sightings don't say what there was within
    /// `within_s` of it.
    pub fn goes_through(&mut self, passage: &Passage, within_s: f64) {
        let same = |p: &&mut Passage| (p.at_s - passage.at_s).abs() < within_s;
        let at_s = match self.passages.iter_mut().find(same) {
            Some(own) if own.kind != CrossingKind::Unsure => return,
            Some(own) => {
                own.kind = CrossingKind::Crossed;
                own.at_s
            }
            None => {
                let after = self.passages.partition_point(|p| p.at_s < passage.at_s);
                self.passages.insert(after, *passage);
                passage.at_s
            }
        };
        if self.turns_at(at_s) == Some(false) {
            self.turn_back(at_s);
        }
    }

    /// Whether the sign changes from the last sighting before an instant to the first one after it; `None` without both.
    fn turns_at(&self, at_s: f64) -> Option<bool> {
        let after = self.outline.partition_point(|p| p.at_s < at_s);
        let before = after.checked_sub(1)?;
        Some(self.outline[before].b * self.outline.get(after)?.b < 0.0)
    }

    /// Makes the first passage within `span` of which it was not known what it was the one that it is now known to be, and
    /// leaves out all others.
    pub fn settle(&mut self, span: &Range<f64>, known: &Between) {
        let unsure: Vec<Passage> = self.unsure_in(span).copied().collect();
        for (n, passage) in unsure.iter().enumerate() {
            let turned = self.turns_at(passage.at_s) == Some(true);
            if turned != (n == 0 && known.kind == CrossingKind::Crossed) {
                self.turn_back(passage.at_s);
            }
        }
        let mut first = true;
        self.passages.retain_mut(|p| {
            if p.kind != CrossingKind::Unsure || !span.contains(&p.at_s) {
                return true;
            }
            p.kind = known.kind;
            if known.kind == CrossingKind::Crossed {
                p.at_s = known.at_s;
            }
            std::mem::take(&mut first)
        });
    }

    /// Changes the sign of everything after `at_s`.
    fn turn_back(&mut self, at_s: f64) {
        self.outline.iter_mut().filter(|p| p.at_s >= at_s).for_each(|p| p.b = -p.b);
        self.rests.iter_mut().filter(|(m, _)| m.end_s > at_s + LEFT_S).for_each(|(_, sign)| *sign = -*sign);
        self.last = (-self.last.0, -self.last.1);
    }

    /// Whether it was followed while it moved: for long, or so fast that a few sightings tell.
    pub fn moved(&self) -> bool {
        self.travelled && self.hits >= 8
            || self.travel_hz > 60.0 && self.hits >= 4 && self.last.1.abs() > 300.0 && self.span_s() > 0.2
    }

    /// Cuts off the time when it was a line of the hum, before it caught a note that passed.
    pub fn leave_hum(&mut self, hum: &HumFollower) {
        // Rests as hum, and then as something else.
        let as_hum = self.rests.iter().take_while(|(m, _)| hum.was_line(m.heard_hz, 0.3)).count();
        let (hum_rests, note_rests) = self.rests.split_at(as_hum);
        if let (Some((line, _)), Some((note, _))) = (hum_rests.last(), note_rests.first())
            && (note.heard_hz - line.heard_hz).abs() > 1.2
        {
            self.born_s = line.end_s.min(note.start_s);
            self.rests.drain(..as_hum);
        }
        if !self.travelled {
            return;
        }
        let Some(first) = self.outline.first().filter(|p| hum.was_line(p.b.abs(), 0.5)) else { return };
        let line = first.b.abs();
        let Some(left) = self.outline.iter().position(|p| (p.b.abs() - line).abs() > 1.2) else { return };
        let left_s = self.outline[left].at_s;
        self.outline.drain(..left);
        self.rests.retain(|(m, _)| m.end_s > left_s + 0.3 || !hum.was_line(m.heard_hz, 0.3));
        self.passages.retain(|p| p.at_s > left_s);
        self.born_s = self.born_s.max(left_s);
    }

    /// Squared amplitude as it was most of the time that it moved.
    pub fn usual_power(&self) -> f64 {
        let mut powers: Vec<f64> = self.outline.iter().map(|p| p.power).collect();
        powers.sort_unstable_by(f64::total_cmp);
        powers.get(powers.len() / 2).copied().unwrap_or(self.power)
    }

    /// Squared amplitude while it stood.
    pub fn stood_power(&self) -> f64 {
        self.rests.iter().map(|(m, _)| m.power).reduce(f64::max).unwrap_or_else(|| self.usual_power())
    }

    /// |b| when last seen, Hz.
    pub fn last_hz(&self) -> f64 {
        self.last.0.abs()
    }

    pub fn span_s(&self) -> f64 {
        self.last_seen_s - self.born_s
    }

    pub fn frequency_hz(&self) -> f64 {
        self.rests
            .iter()
            .max_by(|a, b| (a.0.end_s - a.0.start_s).total_cmp(&(b.0.end_s - b.0.start_s)))
            .map_or(self.last.0.abs(), |r| r.0.heard_hz)
    }

    /// |b| by the outline at `at_s`.
    pub fn outlined(&self, at_s: f64) -> Option<f64> {
        let i = self.outline.iter().position(|p| p.at_s >= at_s)?;
        let (p, q) = (self.outline.get(i.checked_sub(1)?)?, self.outline[i]);
        let w = (at_s - p.at_s) / (q.at_s - p.at_s).max(1e-9);
        Some(p.b.abs() + w * (q.b.abs() - p.b.abs()))
    }

    /// |b| and power at `t`: of the rest then, between two points of the outline not far apart, or at last.
    pub fn at(&self, t: f64) -> Option<(f64, f64)> {
        if let Some((m, _)) = self.rests.iter().find(|(m, _)| (m.start_s..m.end_s).contains(&t)) {
            return Some((m.heard_hz, m.power));
        }
        let Some(i) = self.outline.iter().position(|p| p.at_s >= t) else {
            // It has not moved since.
            return (t <= self.last_seen_s).then_some((self.last_hz(), self.last_power));
        };
        let (p, q) = (self.outline.get(i.checked_sub(1)?)?, self.outline[i]);
        (q.at_s - p.at_s < 0.5).then_some((self.outlined(t)?, f64::midpoint(p.power, q.power)))
    }

    /// Cuts off the time when it was something faint, before it caught a note that passed.
    pub fn leave_faint(&mut self) {
        let faint = |p: &Point| p.power < FAINT_START * self.power;
        let Some(caught) = self.outline.iter().position(|p| !faint(p)).filter(|&i| self.travelled && i > 0)
        else {
            return;
        };
        let (before, at_s) = (&self.outline[..caught], self.outline[caught].at_s);
        // A note that fades in is louder step by step.
        let sudden = before.iter().all(|p| p.power < 0.1 * self.outline[caught].power);
        if sudden && self.rests.first().is_none_or(|(m, _)| m.start_s > at_s) {
            self.begin_after(before[caught - 1].at_s.max(at_s - SUDDEN_S), 0);
        }
    }

    /// Cuts off the first `rests` rests and all that came before `at_s`.
    pub fn begin_after(&mut self, at_s: f64, rests: usize) {
        self.rests.drain(..rests);
        self.outline.retain(|p| p.at_s > at_s);
        self.passages.retain(|p| p.at_s > at_s);
        self.born_s = self.born_s.max(at_s);
    }

    /// Makes it one that stood: what its follower did was no move of a note.
    pub fn has_not_moved(&mut self) {
        (self.travelled, self.travel_hz) = (false, 0.0);
    }

    /// Cuts off all that came after `at_s`, when it was lost.
    pub fn end_after(&mut self, at_s: f64) {
        self.outline.retain(|p| p.at_s <= at_s);
        self.rests.retain(|(m, _)| m.end_s <= at_s);
        self.passages.retain(|p| p.at_s <= at_s);
        self.soundings.retain(|s| s.at_s <= at_s);
        (self.at_end, self.standing_at_end) = (false, false);
        self.last_seen_s = self.last_seen_s.min(at_s);
        if let [.., p, q] = self.outline.as_slice() {
            (self.last, self.last_power) = ((q.b, (q.b - p.b) / (q.at_s - p.at_s).max(STEP_S)), q.power);
        }
    }

    /// When it stood as the note, s: from its first rest to its last, where it has any. A hum line that is heard until the comb
    /// is taken out may go on as the note that came to rest beside it, and a line that its note has left may catch another.
    pub fn stood_s(&self) -> (f64, f64) {
        let first = self.rests.first().map(|r| r.0.start_s);
        let last = self.rests.last().map(|r| r.0.end_s + LEFT_S);
        (
            first.unwrap_or(self.born_s).max(self.born_s),
            last.unwrap_or(self.last_seen_s).min(self.last_seen_s),
        )
    }

    /// When it was first heard to be somewhere, s, and its signed frequency there.
    pub fn first(&self) -> (f64, f64) {
        self.outline.first().map_or((self.born_s, self.last.0), |p| (p.at_s, p.b))
    }

    /// Whether this life began near where `other` stood, `lead_s` before.
    pub fn set_out_near(&self, other: &Self, lead_s: f64) -> bool {
        let rate = match self.outline.as_slice() {
            [p, q, ..] => (q.b.abs() - p.b.abs()) / (q.at_s - p.at_s).max(0.05),
            _ => 0.0,
        };
        (self.first().1.abs() - other.frequency_hz()).abs() < 40.0 + rate.abs() * (lead_s.abs() + 0.3)
    }

    /// Whether this life goes on where `other` ended, so soon and so near that it can't have been through zero.
    pub fn goes_on_from(&self, other: &Self) -> bool {
        let (first_s, first) = self.first();
        let (from, to) = (other.last.0.abs(), first.abs());
        let gap_s = first_s - other.last_seen_s;
        // Where it was heading for zero fast enough to be through by then, nobody knows.
        let seen_s = other.outline.last().map_or(other.last_seen_s, |p| p.at_s.min(other.last_seen_s));
        let unseen_s = if from.min(to) < UNDER_HZ { first_s - seen_s } else { gap_s };
        let through = other.last.0 * (other.last.0 + 1.5 * other.last.1 * unseen_s.max(0.0)) < 0.0;
        // Where a few last sightings lie apart from all that was followed, it was found there again, not followed.
        let followed = other.outline.last().is_none_or(|p| (p.b.abs() - from).abs() < from);
        (-0.8..1.0).contains(&gap_s) && (from - to).abs() < 0.5 * from.min(to) && !through && followed
    }

    /// Whether this life is where `other` went, moving off too fast to be followed: equally loud.
    pub fn leapt_from(&self, other: &Self) -> bool {
        let apart = self.first().1.abs() - other.frequency_hz();
        let moved_off = other.last.1.abs() > 5.0 && other.last.1 * other.last.0 * apart > 0.0;
        moved_off && self.is_about_as_loud_as(other) && apart.abs() < LEAP_HZ
    }

    fn is_about_as_loud_as(&self, other: &Self) -> bool {
        (self.power / other.power).log10().abs() < LEAP_POWER
    }

    /// When and where `next` was found nearer to zero, s and Hz, if it is where the note went when it left its last rest here too
    /// fast to be followed: whether it had been through zero by then or not, it set out towards it.
    pub fn left_towards_zero(&self, next: &Self) -> Option<(f64, f64)> {
        let (rest, _) = self.rests.last()?;
        let (at_s, hz) =
            next.rests.first().map_or(next.first(), |(m, _)| (m.start_s.min(next.first().0), next.first().1));
        let stayed = (self.last_hz() - rest.heard_hz).abs() < 0.2 * rest.heard_hz;
        let leapt = LEAP_S.contains(&(at_s - self.last_seen_s));
        (self.is_about_as_loud_as(next) && stayed && leapt && hz.abs() < 0.8 * rest.heard_hz)
            .then_some((at_s, hz.abs()))
    }

    /// Whether this life is a note that moved, by more than the lines of a tone that swells lie apart.
    pub fn moved_beside(&self, swells: &[Swelling]) -> bool {
        self.travelled && swells.iter().all(|s| s.is_less_than(self.travel_hz))
    }

    pub fn overlap_s(&self, other: &Self) -> f64 {
        self.last_seen_s.min(other.last_seen_s) - self.born_s.max(other.born_s)
    }

    /// Whether the two were heard in different places, or to rest, for longer than a line goes on that has lost its note to the
    /// one that found it again.
    pub fn is_rival_of(&self, other: &Self) -> bool {
        let overlap_s = self.overlap_s(other);
        let far_softer = |a: &Self, b: &Self| a.stood_power() < DRAGGED * b.stood_power();
        if overlap_s > DRAGGED_S && (far_softer(self, other) || far_softer(other, self)) {
            return true;
        }
        if overlap_s <= OVERLAP_S {
            return false;
        }
        if self.rests.iter().any(|(m, _)| other.rests.iter().any(|(o, _)| m.together_s(o) > 0.0)) {
            return true;
        }
        let from_s = self.born_s.max(other.born_s);
        // Where one of them is not known they count as apart, but for one that was lost near zero where the other is found.
        let together = |t: f64| match (self.at(t), other.at(t)) {
            (Some((f, _)), Some((g, _))) => is_one_place(f, g),
            (None, Some((g, _))) => g < UNDER_HZ && self.is_under(t),
            (Some((f, _)), None) => f < UNDER_HZ && other.is_under(t),
            (None, None) => false,
        };
        let steps = (overlap_s / STEP_S) as usize;
        (0..steps).filter(|i| !together(from_s + *i as f64 * STEP_S)).count() as f64 * STEP_S > OVERLAP_S
    }

    /// Whether it only ever told where `other` was as well, as a second follower of one note.
    pub fn is_shadow_of(&self, other: &Self) -> bool {
        let steps = (self.span_s() / STEP_S) as usize;
        let known = |i: &usize| {
            let t = self.born_s + (*i as f64 + 0.5) * STEP_S;
            self.at(t).is_none() || other.at(t).is_some()
        };
        self.rests.is_empty()
            && !self.is_rival_of(other)
            && (0..steps).filter(known).count() as f64 > SHADOW * steps as f64
    }

    /// Whether it was lost near zero on its way there, at `t`, and not seen anywhere else since.
    fn is_under(&self, t: f64) -> bool {
        let after = self.outline.partition_point(|p| p.at_s < t);
        let Some([.., before, last]) = self.outline.get(..after) else { return false };
        let falls = last.b.abs() < before.b.abs() && last.b.abs() < UNDER_HZ;
        falls && self.outline.get(after).is_none_or(|p| p.b.abs() < UNDER_HZ)
    }

    /// Whether this life moved as a whole multiple of `other`, or at a fixed distance above or below it.
    pub fn rides_on(&self, other: &Self) -> bool {
        let pairs: Vec<(f64, f64)> =
            self.outline.iter().filter_map(|p| Some((p.b.abs(), other.outlined(p.at_s)?))).collect();
        let by_rests = self.rests.iter().any(|(m, _)| {
            other.rests.iter().any(|(o, _)| {
                let together = m.together_s(o) > 0.5;
                let k = (m.heard_hz / o.heard_hz).round();
                let off = (m.heard_hz - k * o.heard_hz).abs();
                together && (2.0..=6.0).contains(&k) && off < 0.02 + 3.0 * (m.u_hz() + k * o.u_hz())
            })
        });
        if by_rests {
            return true;
        }
        if pairs.len() < 4 {
            return false;
        }
        let share = |test: &dyn Fn(&(f64, f64)) -> bool| {
            pairs.iter().filter(|p| test(p)).count() as f64 / pairs.len() as f64
        };
        (2..=6).any(|k| share(&|(a, b)| (a - f64::from(k) * b).abs() < 4.0f64.max(0.02 * a)) > 0.7)
    }
}

/// Whether two followers that are at these |b|, Hz, follow one note.
pub fn is_one_place(f: f64, g: f64) -> bool {
    (f - g).abs() <= SAME_HZ + SAME_PART * f.min(g)
}

/// Lives made for tests.
#[cfg(test)]
pub mod made {
    use super::*;
    use crate::beat::lines::Seen;

    /// A rest that was measured well, with its sign.
    pub fn rest(start_s: f64, end_s: f64, heard_hz: f64, power: f64) -> (Measured, f64) {
        let at_s = f64::midpoint(start_s, end_s);
        let measured = Measured {
            start_s,
            end_s,
            at_s,
            heard_hz,
            u_noise_hz: 1e-4,
            u_wander_hz: 0.0,
            rate: 0.0,
            rate_u: 1e-4,
            cn0_hz: 1e5,
            power,
            near_hum_hz: None,
            pull: None,
        };
        (measured, 1.0)
    }

    /// A life that went straight from one of these points (s, Hz, squared amplitude) to the next.
    pub fn life(points: &[(f64, f64, f64)], rests: Vec<(Measured, f64)>) -> Life {
        let mut outline = Vec::new();
        for pair in points.windows(2) {
            let ((s, b, power), (t, c, _)) = (pair[0], pair[1]);
            let steps = ((t - s) / 0.05).ceil();
            outline.extend((0..steps as usize).map(|i| {
                let w = i as f64 / steps;
                Point { at_s: s + w * (t - s), b: b + w * (c - b), u: 0.1, power, seen: Seen::Short }
            }));
        }
        let (first, last) = (points[0], points[points.len() - 1]);
        let frequencies = points.iter().map(|p| p.1);
        let travel_hz = frequencies.clone().fold(0.0, f64::max) - frequencies.fold(f64::MAX, f64::min);
        Life {
            born_s: first.0,
            last_seen_s: last.0,
            at_end: true,
            standing_at_end: true,
            travelled: travel_hz > 6.0,
            travel_hz,
            power: points.iter().map(|p| p.2).fold(0.0, f64::max),
            last_power: last.2,
            hits: 100,
            outline,
            last: (last.1, 0.0),
            rests,
            passages: Vec::new(),
            soundings: Vec::new(),
        }
    }
}
