//! Passages near zero: did the beat go through, or come close and turn back?
//!
//! The audio is even in b, so the passage itself does not tell. What comes before and after does: a hand moves
//! smoothly, so a polynomial through the sightings on both sides fits with the sign that is true and bends hard with the
//! other. How supple a curve must be depends on the hand: a stiff one may fit a stop just beyond zero with the wrong sign,
//! a supple one anything. So three of different degree are asked: the two more supple ones are believed where they agree, and
//! the two stiffer ones where they agree by far and the third can't tell. A hand that is seen to have stopped is asked for its
//! stop instead.

use super::hand::{self, PEAK_OFF_HZ, STOOD};
use super::path::Point;
use crate::estimate::Normal;
use crate::heard::CrossingKind;

/// How much worse the other reading must fit before one is believed, in units of what is left of a sighting's square.
const DECISIVE: f64 = 10.0;
/// And where the most supple curve can't tell; or where all agree, one of them by far.
const FAR: f64 = 100.0;
const LIKELY: f64 = 7.0;
/// What the better of two readings may leave for each degree of freedom, in units of what a sighting may be off: more is no hand's
/// curve.
const AGREES: f64 = 5.0;
/// A hand that goes on by so little of its speed may have stopped.
const SLOW: f64 = 0.1;
/// Degrees of the curves: a move from rest to rest is of the fifth (Flash and Hogan, J. Neurosci. 5(7) 1688-1703, 1985).
const DEGREES: [usize; 3] = [3, 4, 5];
/// Coefficients of the highest.
const MOST_TERMS: usize = 6;
/// How long before and after a passage sightings count, s.
pub const ABOUT_S: f64 = 0.45;

/// A passage judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    pub at_s: f64,
    pub u_s: f64,
    pub kind: CrossingKind,
}

/// Judges a passage from the sightings `before` it and `after` it (any sign: only |b| is used).
/// `None` with fewer than three on a side.
pub fn judge(before: &[Point], after: &[Point]) -> Option<Passage> {
    if before.len() < 3 || after.len() < 3 {
        return None;
    }
    // Where the hand has stopped, what follows is no part of its move.
    let before = &before[hand::stood(before.iter()).saturating_sub(STOOD)..];
    let after = &after[..after.len() - hand::stood(after.iter().rev()).saturating_sub(STOOD)];
    let (last, first) = (before[before.len() - 1], after[0]);
    let half_gap = (first.at_s - last.at_s) / 2.0;
    let middle = f64::midpoint(last.at_s, first.at_s);
    let both = before.iter().map(|p| (p, false)).chain(after.iter().map(|p| (p, true)));
    let points: Vec<(f64, f64, f64, bool)> =
        both.map(|(p, later)| (p.at_s - middle, p.b.abs(), p.u, later)).collect();
    let [stiff, middling, supple] = DEGREES.map(|degree| Reading::of(&points, degree));
    let (stiff, middling, supple) = (stiff?, middling?, supple?);
    let all = |likely: f64| {
        let kind = stiff.kind(likely);
        (kind == middling.kind(likely) && kind == supple.kind(likely)).then_some(kind)
    };
    let kind = match supple.kind(DECISIVE) {
        _ if supple.noise > AGREES => CrossingKind::Unsure,
        CrossingKind::Unsure if stiff.kind(FAR) == middling.kind(FAR) => middling.kind(FAR),
        CrossingKind::Unsure if stiff.noise < AGREES && all(LIKELY) == Some(stiff.kind(FAR)) => {
            stiff.kind(FAR)
        }
        // What the stiff one speaks against may be two moves, with a stop in the silence.
        kind if kind == middling.kind(DECISIVE)
            && [kind, CrossingKind::Unsure].contains(&stiff.kind(DECISIVE))
            && !all_but_stops(before, after) =>
        {
            kind
        }
        _ => CrossingKind::Unsure,
    };
    // No polynomial stops dead: one with the wrong sign may come nearer to a stop than one with the true sign.
    let kind = hand::stop(before, after).unwrap_or(kind);
    let curve = if kind == CrossingKind::TurnedBack { &middling.back } else { &middling.through };
    let eval = |x: f64| curve.iter().rev().fold(0.0, |sum, c| sum * x + c);
    let steps = (0..=40).map(|i| half_gap * (f64::from(i) / 20.0 - 1.0));
    let at = steps.min_by(|x, y| eval(*x).abs().total_cmp(&eval(*y).abs())).unwrap_or(0.0);
    Some(Passage { at_s: middle + at, u_s: (half_gap / 3f64.sqrt()).clamp(0.01, 0.3), kind })
}

/// Whether the hand is so much slower after the silence than before that it may have stopped in it, and gone on either way.
fn all_but_stops(before: &[Point], after: &[Point]) -> bool {
    let rate = |p: &Point, q: &Point| (q.b.abs() - p.b.abs()).abs() / (q.at_s - p.at_s).max(1e-3);
    let falls = rate(&before[before.len() - 2], &before[before.len() - 1]);
    rate(&after[0], &after[1]) < SLOW * falls
}

/// Curves of one degree through the sightings, with the sign changed in between and not.
struct Reading {
    through: [f64; MOST_TERMS],
    back: [f64; MOST_TERMS],
    /// By how much the one with the sign changed fits worse.
    difference: f64,
    /// What the better one leaves for each degree of freedom.
    noise: f64,
}

impl Reading {
    fn of(points: &[(f64, f64, f64, bool)], degree: usize) -> Option<Self> {
        let fit = |sign: f64| {
            let signed = |&(x, b, u, later): &(f64, f64, f64, bool)| (x, if later { sign * b } else { b }, u);
            polynomial(points.iter().map(signed), degree + 1)
        };
        let (through, through_misfit) = fit(-1.0)?;
        let (back, back_misfit) = fit(1.0)?;
        let dof = (points.len() as f64 - degree as f64 - 1.0).max(1.0);
        // Sightings of a fast note are worse than they say: what the better reading leaves is the measure.
        let noise = (through_misfit.min(back_misfit) / dof).max(1.0);
        Some(Self { through, back, difference: (through_misfit - back_misfit) / noise, noise })
    }

    fn kind(&self, decisive: f64) -> CrossingKind {
        if self.difference < -decisive {
            CrossingKind::Crossed
        } else if self.difference > decisive {
            CrossingKind::TurnedBack
        } else {
            CrossingKind::Unsure
        }
    }
}

/// Weighted least squares of a polynomial of so many terms: coefficients and χ².
fn polynomial(
    points: impl Iterator<Item = (f64, f64, f64)>,
    terms: usize,
) -> Option<([f64; MOST_TERMS], f64)> {
    let mut normal = Normal::new(terms);
    for (x, y, u) in points {
        let weight = 1.0 / u.hypot(PEAK_OFF_HZ);
        let mut power = weight;
        let row: [f64; MOST_TERMS] = std::array::from_fn(|_| {
            let column = power;
            power *= x;
            column
        });
        normal.add(&row[..terms], y * weight);
    }
    let found = normal.solve()?.x;
    let misfit = normal.misfit(&found);
    let mut coefficients = [0.0; MOST_TERMS];
    coefficients[..terms].copy_from_slice(&found);
    Some((coefficients, misfit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beat::lines::Seen;

    fn sightings(b: impl Fn(f64) -> f64, from: f64, to: f64) -> Vec<Point> {
        let mut points = Vec::new();
        let mut t = from;
        while t < to {
            let wobble = 0.3 * (t * 977.0).sin();
            points.push(Point { at_s: t, b: b(t).abs() + wobble, u: 0.3, power: 1.0, seen: Seen::Short });
            t += 0.05;
        }
        points
    }

    #[test]
    fn through_and_back_are_told_apart() {
        let through = |t: f64| -400.0 * (t - 1.0) - 60.0 * (t - 1.0).powi(2);
        let p = judge(&sightings(through, 0.5, 0.93), &sightings(through, 1.1, 1.5)).expect("points");
        assert_eq!(p.kind, CrossingKind::Crossed);
        assert!((p.at_s - 1.0).abs() < 0.03);
        let back = |t: f64| 12.0 + 900.0 * (t - 1.0).powi(2);
        let p = judge(&sightings(back, 0.5, 0.85), &sightings(back, 1.2, 1.6)).expect("points");
        assert_eq!(p.kind, CrossingKind::TurnedBack);
    }

    /// A quick hand that stops soon beyond zero (a move of least jerk from 870 to −150 Hz), and one that stops short of it.
    #[test]
    fn a_stop_soon_after_the_passage_is_no_turning_back() {
        let least_jerk = |to: f64| {
            move |t: f64| {
                let u = ((t - 0.87) / 1.08).clamp(0.0, 1.0);
                870.0 + (to - 870.0) * u.powi(3) * (10.0 - 15.0 * u + 6.0 * u * u)
            }
        };
        let through = least_jerk(-150.0);
        let p = judge(&sightings(through, 1.1, 1.5), &sightings(through, 1.87, 2.3)).expect("points");
        assert_eq!(p.kind, CrossingKind::Crossed);
        assert!(through(p.at_s).abs() < 60.0, "{p:?}");
        let short_of = least_jerk(40.0);
        let p = judge(&sightings(short_of, 1.3, 1.7), &sightings(short_of, 1.9, 2.4)).expect("points");
        assert_ne!(p.kind, CrossingKind::Crossed);
    }
}
