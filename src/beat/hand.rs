//! How a hand moves the beat from one stop to the next, and what that tells of a passage near zero that nobody heard.
//!
//! A hand's move from rest to rest is the one of least jerk (Flash and Hogan, J. Neurosci. 5(7) 1688–1703, 1985): the fifth
//! degree in time, speed and acceleration zero at both ends. Where both rests are known, when it began and when it ended is
//! all that is open, and a stop on the one side of zero is another curve than one on the other: 2|b| more of travel. Where
//! only the stop is known, its last part is still a cubic in what is left of the time, times a quadratic.
//!
//! Nothing is told unless the sightings agree with such a move on one side to within their uncertainty, and not on the other:
//! a hand of another kind agrees on neither.

use super::lines::Seen;
use super::path::Point;
use super::rest::Measured;
use crate::estimate::Normal;
use crate::heard::CrossingKind;

/// How much worse the other side must fit before one is believed, in units of χ².
const DECISIVE: f64 = 10.0;
/// How well the better one must fit, χ² for each degree of freedom.
const AGREES: f64 = 1.5;
/// What a short frame's peak may be off besides its own uncertainty, Hz.
pub const PEAK_OFF_HZ: f64 = 0.5;
/// Below this it runs into its own mirror image, Hz.
const LOWEST_HZ: f64 = 30.0;

/// How far from where it stood, Hz, and how many sightings make a stop.
const STANDS_HZ: f64 = 2.0;
pub const STOOD: usize = 4;

/// How many of the sightings, from the first on, are where the first is.
pub fn stood<'a>(mut points: impl Iterator<Item = &'a Point> + Clone) -> usize {
    let there = points.clone();
    let Some(first) = points.next() else { return 0 };
    there.take_while(|p| (p.b.abs() - first.b.abs()).abs() < STANDS_HZ).count()
}

/// A misfit on each side of zero, the one on which the move began first, as a kind: what the sightings tell.
fn kind([back, through]: [f64; 2], dof: f64) -> Option<CrossingKind> {
    let left = back.min(through) / dof;
    let scale = left.max(1.0);
    (left <= AGREES).then_some(if through - back > DECISIVE * scale {
        CrossingKind::TurnedBack
    } else if back - through > DECISIVE * scale {
        CrossingKind::Crossed
    } else {
        CrossingKind::Unsure
    })
}

/// Steps in which the end of a move is looked for, and how long after the note is seen to stand it may still creep, s.
const STOP_STEPS: usize = 30;
const CREEPS_S: f64 = 0.15;
/// Lowest power of the time left in a stop, and terms from there.
const STOP_LOWEST: i32 = 3;
const STOP_TERMS: usize = 3;

/// On which side of zero a hand stopped that is seen before a passage and seen to have stopped after it. `None` where it is
/// not seen to stop, or in no such way.
pub fn stop(before: &[Point], after: &[Point]) -> Option<CrossingKind> {
    let stood = stood(after.iter().rev());
    if stood < STOOD {
        return None;
    }
    let stands = &after[after.len() - stood..];
    let stopped_hz = stands.iter().map(|p| p.b.abs()).sum::<f64>() / stood as f64;
    let free = STOP_TERMS + 1;
    // The stop itself is one number, which is known.
    let dof = (before.len() + after.len()).checked_sub(stood + free).filter(|d| *d > 0)? as f64;
    let (from_s, to_s) = (before.last()?.at_s, stands[0].at_s + CREEPS_S);
    let misfit = |sign: f64, end_s: f64| {
        let mut normal = Normal::new(STOP_TERMS);
        let signed = before.iter().map(|p| (p, 1.0)).chain(after.iter().map(|p| (p, sign)));
        let mut beyond = 0.0;
        for (p, own) in signed {
            let weight = 1.0 / p.u.hypot(PEAK_OFF_HZ);
            let left = own * p.b.abs() - sign * stopped_hz;
            let time_left = end_s - p.at_s;
            if time_left <= 0.0 {
                beyond += (left * weight).powi(2);
                continue;
            }
            let row: [f64; STOP_TERMS] =
                std::array::from_fn(|k| weight * time_left.powi(STOP_LOWEST + k as i32));
            normal.add(&row, left * weight);
        }
        normal.solve().map_or(f64::INFINITY, |found| normal.misfit(&found.x) + beyond)
    };
    let best = |sign: f64| {
        (1..=STOP_STEPS)
            .map(|n| misfit(sign, from_s + (to_s - from_s) * n as f64 / STOP_STEPS as f64))
            .fold(f64::INFINITY, f64::min)
    };
    kind([best(1.0), best(-1.0)], dof)
}

/// How long before and after the ends of two rests a move between them may have begun and ended, s.
const BEGINS_S: f64 = 0.3;
const ENDS_S: f64 = 0.3;
/// Steps in which these are looked for, and the last one, s.
const STEP_S: f64 = 0.03;
const LAST_STEP_S: f64 = 0.001;
/// Fewest sightings that tell of a move.
const LEAST_SEEN: usize = 3;

/// A move between two rests: whether it went through zero, and when it was there or nearest to it, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Between {
    pub kind: CrossingKind,
    pub at_s: f64,
}

/// Whether the hand went through zero between two rests of one note, from what was seen of it on the way.
pub fn between(from: &Measured, to: &Measured, seen: &[Point]) -> Option<Between> {
    let on_the_way = |p: &&Point| {
        p.seen == Seen::Short
            && p.b.abs() > LOWEST_HZ
            && p.at_s > from.end_s - BEGINS_S
            && p.at_s < to.start_s + ENDS_S
            && (p.b.abs() - from.heard_hz).abs() > STANDS_HZ
            && (p.b.abs() - to.heard_hz).abs() > STANDS_HZ
    };
    let seen: Vec<Sight> = seen.iter().filter(on_the_way).map(Sight::of).collect();
    let dof = seen.len().checked_sub(2).filter(|_| seen.len() >= LEAST_SEEN)? as f64;
    let [back, through] = [1.0, -1.0].map(|sign| Move::of(from, to, sign, &seen));
    let kind = kind([back.misfit, through.misfit], dof)?;
    let at_s = match kind {
        CrossingKind::Crossed => through.nearest_s(),
        // A turn is nearest to zero where the lower of the two rests ends or begins.
        _ if from.heard_hz < to.heard_hz => back.begin_s,
        _ => back.end_s,
    };
    Some(Between { kind, at_s })
}

/// Sightings that are looked at for about where a move's ends are.
const LOOKED_AT: usize = 16;

/// What a sighting tells of a move: where the note was, on whatever side, and how sure that is.
#[derive(Debug, Clone, Copy)]
struct Sight {
    at_s: f64,
    hz: f64,
    weight: f64,
}

impl Sight {
    fn of(point: &Point) -> Self {
        Self { at_s: point.at_s, hz: point.b.abs(), weight: point.u.hypot(PEAK_OFF_HZ).powi(-2) }
    }
}

/// A move of least jerk.
struct Move {
    from_hz: f64,
    to_hz: f64,
    begin_s: f64,
    end_s: f64,
    misfit: f64,
}

impl Move {
    /// The one that agrees best with what was seen, if it ended on the side `sign` of the one on which it began.
    fn of(from: &Measured, to: &Measured, sign: f64, seen: &[Sight]) -> Self {
        let mut best = Self {
            from_hz: from.heard_hz,
            to_hz: sign * to.heard_hz,
            begin_s: from.end_s,
            end_s: to.start_s,
            misfit: f64::INFINITY,
        };
        // About where the ends are some of the sightings tell.
        let some: Vec<Sight> = seen.iter().step_by(seen.len().div_ceil(LOOKED_AT)).copied().collect();
        best.try_ends(from.end_s, to.start_s, &some);
        let steps = |width_s: f64| -> i32 { (width_s / STEP_S).ceil() as i32 };
        for i in -steps(BEGINS_S)..=steps(BEGINS_S) {
            for j in -steps(ENDS_S)..=steps(ENDS_S) {
                best.try_ends(from.end_s + f64::from(i) * STEP_S, to.start_s + f64::from(j) * STEP_S, &some);
            }
        }
        let (begin_s, end_s) = (best.begin_s, best.end_s);
        best.misfit = f64::INFINITY;
        best.try_ends(begin_s, end_s, seen);
        let mut step = STEP_S / 2.0;
        while step > LAST_STEP_S {
            let (begin_s, end_s) = (best.begin_s, best.end_s);
            let mut better = false;
            for (i, j) in [(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1), (1, -1), (-1, 1)] {
                let (begin_s, end_s) = (begin_s + f64::from(i) * step, end_s + f64::from(j) * step);
                let within = (begin_s - from.end_s).abs() < BEGINS_S + STEP_S
                    && (end_s - to.start_s).abs() < ENDS_S + STEP_S;
                better |= within && best.try_ends(begin_s, end_s, seen);
            }
            if !better {
                step /= 2.0;
            }
        }
        best
    }

    /// Takes other ends if the move agrees better with them.
    fn try_ends(&mut self, begin_s: f64, end_s: f64, seen: &[Sight]) -> bool {
        if end_s - begin_s < STEP_S {
            return false;
        }
        let other = Self { begin_s, end_s, ..*self };
        let mut misfit = 0.0;
        for sight in seen {
            misfit += sight.weight * (other.at(sight.at_s).abs() - sight.hz).powi(2);
            if misfit >= self.misfit {
                return false;
            }
        }
        *self = Self { misfit, ..other };
        true
    }

    fn at(&self, at_s: f64) -> f64 {
        let u = ((at_s - self.begin_s) / (self.end_s - self.begin_s)).clamp(0.0, 1.0);
        self.from_hz + (self.to_hz - self.from_hz) * u.powi(3) * (10.0 - 15.0 * u + 6.0 * u * u)
    }

    /// When it is nearest to zero, s.
    fn nearest_s(&self) -> f64 {
        let (mut low, mut high) = (self.begin_s, self.end_s);
        while high - low > LAST_STEP_S {
            let middle = f64::midpoint(low, high);
            if self.at(middle) * self.from_hz > 0.0 { low = middle } else { high = middle }
        }
        f64::midpoint(low, high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;

    /// A rest at `heard_hz`.
    fn rest(start_s: f64, end_s: f64, heard_hz: f64) -> Measured {
        Measured {
            start_s,
            end_s,
            at_s: f64::midpoint(start_s, end_s),
            heard_hz,
            u_noise_hz: 0.001,
            u_wander_hz: 0.0,
            rate: 0.0,
            rate_u: 0.0,
            cn0_hz: 1e5,
            power: 1.0,
            near_hum_hz: None,
            pull: None,
        }
    }

    /// Sightings of |b| with errors of 0.3 Hz that are said to be no more than 1 Hz.
    fn sightings(b: impl Fn(f64) -> f64, from_s: f64, to_s: f64, seed: u64) -> Vec<Point> {
        let mut normal = normals(seed);
        let seen = |at_s: f64, b: f64| Point { at_s, b, u: 1.0, power: 1.0, seen: Seen::Short };
        let steps = ((to_s - from_s) / 0.05) as usize;
        let at = |i: usize| from_s + i as f64 * 0.05;
        (0..steps).map(|i| seen(at(i), b(at(i)).abs() + 0.3 * normal())).collect()
    }

    /// A fall from 838 Hz to 30 Hz in a second on either side of zero, not heard where it is below 200 Hz and moves.
    #[test]
    fn a_fast_fall_is_told_by_the_whole_move_and_never_wrongly_by_the_stop() {
        let (begin_s, end_s) = (1.0, 1.95);
        for (side, wanted) in [(1.0, CrossingKind::TurnedBack), (-1.0, CrossingKind::Crossed)] {
            for seed in 0..20 {
                let whole = Move { from_hz: 838.0, to_hz: side * 30.0, begin_s, end_s, misfit: 0.0 };
                let before = sightings(|t| whole.at(t), 1.1, 1.62, seed);
                let after = sightings(|t| whole.at(t), 1.98, 2.3, seed + 100);
                let told = stop(&before, &after).expect("it stops");
                assert!([wanted, CrossingKind::Unsure].contains(&told), "{told:?}");
                let way = between(&rest(0.0, 0.98, 838.0), &rest(2.0, 7.0, 30.0), &before).expect("seen");
                assert_eq!(way.kind, wanted);
                if wanted == CrossingKind::Crossed {
                    assert!(whole.at(way.at_s).abs() < 15.0, "{way:?}");
                }
            }
        }
    }

    /// A hand that brakes late makes no such move: nothing is told of where it went unheard.
    #[test]
    fn a_hand_of_another_kind_is_not_judged() {
        let late = |t: f64| 838.0 - 808.0 * ((t - 1.0) / 0.95).clamp(0.0, 1.0).powi(3);
        let seen = sightings(late, 1.1, 1.8, 3);
        assert_eq!(between(&rest(0.0, 0.98, 838.0), &rest(2.0, 7.0, 30.0), &seen), None);
    }

    /// Two sightings fit any move.
    #[test]
    fn what_was_hardly_seen_is_not_told() {
        let whole = Move { from_hz: 655.0, to_hz: 94.0, begin_s: 0.6, end_s: 1.2, misfit: 0.0 };
        let seen = sightings(|t| whole.at(t), 0.8, 0.9, 1);
        assert_eq!(between(&rest(0.0, 0.58, 655.0), &rest(1.2, 6.0, 94.0), &seen), None);
    }
}
