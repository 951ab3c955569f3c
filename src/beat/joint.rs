//! Where one life of the note ends on its way to zero and the next begins: did the note go through in between?

use super::HOP_S;
use super::life::Life;
use super::lines::Seen;
use super::passage::{self, ABOUT_S, Passage};
use super::path::Point;
use crate::heard::CrossingKind;

/// Longest silence that a passage may lie in, s.
const MOST_GAP_S: f64 = 1.0;

/// How a life of the note joins the one before.
pub struct Joint {
    /// Whether the second is known to go on where the first ended.
    pub follows: bool,
    /// The passage between them, where what is known of both decides it.
    pub passage: Option<Passage>,
}

impl Joint {
    pub fn of(before: &Life, after: &Life) -> Self {
        let follows = after.goes_on_from(before);
        Self { follows, passage: between(before, after, follows) }
    }

    /// Whether it is known how the one joins the other.
    pub fn holds(&self) -> bool {
        self.follows || self.passage.is_some()
    }
}

fn between(before: &Life, after: &Life, joins: bool) -> Option<Passage> {
    let (last, first_s) = (before.outline.last()?, after.first().0);
    // The follower may have gone through on its own after it was last sure of the note.
    let went_through = last.b * before.last.0 < 0.0;
    let heads_for_zero = before.last.0 * before.last.1 < 0.0;
    let near = (0.0..MOST_GAP_S).contains(&(first_s - last.at_s));
    let judged = before.passages.iter().any(|p| p.at_s > last.at_s - ABOUT_S);
    if !near || judged || !(went_through || heads_for_zero && !joins) {
        return None;
    }
    let recent = |p: &&Point| p.at_s > last.at_s - ABOUT_S;
    let lately: Vec<Point> = before.outline.iter().filter(recent).copied().collect();
    let passage = passage::judge(&lately, &beginning(after))?;
    (passage.kind != CrossingKind::Unsure).then_some(passage)
}

/// The first sightings of a life: of an outline only where it moves, so where it came to rest it stood once a hop.
fn beginning(life: &Life) -> Vec<Point> {
    let until_s = life.first().0 + ABOUT_S;
    let mut points: Vec<Point> = life.outline.iter().filter(|p| p.at_s < until_s).copied().collect();
    if let Some((rest, _)) = life.rests.first().filter(|(m, _)| m.start_s < until_s) {
        points.retain(|p| p.at_s < rest.start_s);
        let stood_s = until_s.min(rest.end_s) - rest.start_s;
        points.extend((0..=(stood_s / HOP_S) as usize).map(|hop| Point {
            at_s: rest.start_s + hop as f64 * HOP_S,
            b: rest.heard_hz,
            u: rest.u_hz(),
            power: rest.power,
            seen: Seen::Short,
        }));
    }
    points
}
