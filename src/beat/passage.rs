//! Passages near zero: did the beat go through, or come close and turn back?
//!
//! The audio is even in b, so the passage itself does not tell. What comes before and after does: a hand moves
//! smoothly, so a cubic through the sightings on both sides fits with the sign that is true and bends hard with the
//! other.

use super::path::Point;
use crate::heard::CrossingKind;

/// How much worse the other reading must fit before one is believed.
const DECISIVE: f64 = 5.0;

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
    let (last, first) = (before[before.len() - 1], after[0]);
    let middle = (last.at_s + first.at_s) / 2.0;
    let fit = |sign: f64| {
        let points = before
            .iter()
            .map(|p| (p.at_s - middle, p.b.abs(), p.u))
            .chain(after.iter().map(|p| (p.at_s - middle, sign * p.b.abs(), p.u)));
        cubic(points)
    };
    let (through, through_misfit) = fit(-1.0)?;
    let (back, back_misfit) = fit(1.0)?;
    let dof = (before.len() + after.len()) as f64 - 4.0;
    // Sightings of a fast note are worse than they say: what the better reading leaves is the measure.
    let noise = (through_misfit.min(back_misfit) / dof.max(1.0)).max(1.0);
    let difference = (through_misfit - back_misfit) / noise;
    let kind = if difference < -DECISIVE * 2.0 {
        CrossingKind::Crossed
    } else if difference > DECISIVE * 2.0 {
        CrossingKind::TurnedBack
    } else {
        CrossingKind::Unsure
    };
    let half_gap = (first.at_s - last.at_s) / 2.0;
    let eval = |c: &[f64; 4], x: f64| c[0] + x * (c[1] + x * (c[2] + x * c[3]));
    let steps = (0..=40).map(|i| half_gap * (f64::from(i) / 20.0 - 1.0));
    let nearest = |c: &[f64; 4]| {
        steps.clone().min_by(|x, y| eval(c, *x).abs().total_cmp(&eval(c, *y).abs())).unwrap_or(0.0)
    };
    let at = nearest(if kind == CrossingKind::TurnedBack { &back } else { &through });
    Some(Passage { at_s: middle + at, u_s: (half_gap / 3f64.sqrt()).min(0.3).max(0.01), kind })
}

/// Weighted least squares of a cubic: coefficients and χ².
fn cubic(points: impl Iterator<Item = (f64, f64, f64)> + Clone) -> Option<([f64; 4], f64)> {
    let mut a = [[0.0f64; 5]; 4];
    for (x, y, u) in points.clone() {
        let w = 1.0 / (u * u + 0.25);
        let powers = [1.0, x, x * x, x * x * x];
        for i in 0..4 {
            for j in 0..4 {
                a[i][j] += w * powers[i] * powers[j];
            }
            a[i][4] += w * powers[i] * y;
        }
    }
    for i in 0..4 {
        let pivot = (i..4).max_by(|&r, &s| a[r][i].abs().total_cmp(&a[s][i].abs()))?;
        a.swap(i, pivot);
        if a[i][i].abs() < 1e-12 {
            return None;
        }
        for r in 0..4 {
            if r != i {
                let factor = a[r][i] / a[i][i];
                for c in i..5 {
                    a[r][c] -= factor * a[i][c];
                }
            }
        }
    }
    let c = [a[0][4] / a[0][0], a[1][4] / a[1][1], a[2][4] / a[2][2], a[3][4] / a[3][3]];
    let misfit = points.map(|(x, y, u)| (y - (c[0] + x * (c[1] + x * (c[2] + x * c[3])))).powi(2) / (u * u + 0.25)).sum();
    Some((c, misfit))
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
}
