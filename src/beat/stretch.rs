//! The note's lives as stretches over which its sign is known to go on from one to the next.

use super::hand::Between;
use super::joint::Joint;
use super::life::Life;
use super::passage::Passage;
use super::path::{Point, TRAVEL_HZ};
use super::rest::Measured;
use super::story::{Stood, Story, side_at};
use crate::heard::CrossingKind;
use crate::offset::Side;

/// How much softer than the note something may be that may have been it, in power.
const AS_LOUD: f64 = 0.3;

/// Standard uncertainty of when a move of which both ends are known went through zero, s.
const WAY_U_S: f64 = 0.02;

/// A stretch of the note over which its sign is known to go on from life to life.
#[derive(Default)]
pub struct Stretch {
    pub first: bool,
    pub outline: Vec<Point>,
    pub passages: Vec<Passage>,
    pub members: Vec<(usize, f64)>,
    stood: Vec<Stood>,
    last_sign: f64,
}

impl Story<'_> {
    /// Whether something that may have been the note moved before this life of it began: what was declared of the first move is
    /// not known to be of this one.
    fn heard_before(&self, life: &Life) -> bool {
        self.lives.iter().any(|l| {
            let moved = l.outline.iter().take_while(|p| p.at_s < life.first().0 - 0.3);
            let (low, high) =
                moved.fold((f64::MAX, 0.0f64), |(low, high), p| (low.min(p.b.abs()), high.max(p.b.abs())));
            l.travelled && l.power > AS_LOUD * life.power && high - low > TRAVEL_HZ
        })
    }

    /// The chain's lives as stretches of one note as far as they hang together, each with the sign that turns its own
    /// into that of the stretch's first; and whether the stretch is the first one.
    /// `ways` tells what is known, for each, of the way to it from the life before.
    pub(super) fn stretches(&self, chain: &[usize], ways: &[Option<Between>]) -> Vec<Stretch> {
        let mut stretches: Vec<Stretch> = Vec::new();
        for (n, &i) in chain.iter().enumerate() {
            let life = &self.lives[i];
            let before = n.checked_sub(1).map(|m| &self.lives[chain[m]]);
            let joint = before.map(|b| Joint::of(b, life));
            let holds = joint.as_ref().is_some_and(Joint::holds);
            let passage = joint.and_then(|j| j.passage);
            let way = ways[n].filter(|_| !holds);
            let joins = holds || way.is_some();
            if !joins {
                let left = before.and_then(|b| b.left_towards_zero(life));
                if let Some((stretch, (at_s, hz))) = stretches.last_mut().zip(left) {
                    let last = stretch.outline.last().copied();
                    stretch.outline.extend(last.map(|p| Point { at_s, b: hz * p.b.signum(), ..p }));
                }
                let first = n == 0 && !self.heard_before(life);
                stretches.push(Stretch { first, ..Stretch::default() });
            }
            if let Some(stretch) = stretches.last_mut() {
                let own = life.first().1.signum();
                if way.is_some() {
                    // What is heard of a life after the note was found again is not what led to it.
                    stretch.outline.retain(|p| p.at_s <= life.first().0);
                }
                // Into a passage the note went with the sign that it was last seen to have.
                let (into_s, into) = stretch.outline.last().map_or((0.0, 1.0), |p| (p.at_s, p.b.signum()));
                let between = |w: &Between| {
                    let crossed =
                        w.kind == CrossingKind::Crossed && (into_s..life.first().0).contains(&w.at_s);
                    let kind = if crossed { w.kind } else { CrossingKind::TurnedBack };
                    Passage { at_s: w.at_s, u_s: WAY_U_S, kind }
                };
                let way = way.as_ref().map(between);
                let sign = match passage.or(way).map(|p| p.kind) {
                    Some(CrossingKind::Crossed) => -into * own,
                    Some(_) => into * own,
                    None if joins => stretch.last_sign * own,
                    None => 1.0,
                };
                stretch.passages.extend(passage.or(way.filter(|w| w.kind == CrossingKind::Crossed)));
                stretch.outline.extend(life.outline.iter().map(|p| Point { b: p.b * sign, ..*p }));
                stretch.passages.extend(life.passages.iter().copied());
                let stood = |(m, own): &(Measured, f64)| (m.start_s, m.end_s, sign * own * m.heard_hz);
                stretch.stood.extend(life.rests.iter().map(stood));
                stretch.members.push((i, sign));
                stretch.last_sign = life.last.0.signum() * sign;
            }
        }
        stretches
    }

    /// Side of the life `i` of the chain at an instant at which its own sign is `sign`.
    pub(super) fn side_at(&self, stretches: &[Stretch], i: usize, at_s: f64, sign: f64) -> Side {
        let member = |s: &Stretch| s.members.iter().find(|m| m.0 == i).map(|m| m.1);
        stretches.iter().find_map(|s| Some((s, member(s)?))).map_or(Side::Unknown, |(s, own)| {
            let course = (s.outline.as_slice(), s.passages.as_slice(), s.stood.iter().copied());
            side_at(self.declared.all(), course, s.first, at_s, sign * own)
        })
    }
}
