//! Passages near zero that the sightings around them leave open, decided from the rests on both sides.

use super::hand::{self, Between};
use super::joint::Joint;
use super::life::Life;
use super::path::Point;
use crate::heard::CrossingKind;

/// How long before a rest and after it a passage may have been put, s.
const ABOUT_S: f64 = 0.2;

/// Decides what is open between each rest of the note and the next; the lives in `chain` are the note, in order of time. For
/// each of them: what is known of the way to it from the life before.
pub fn decide(lives: &mut [Life], chain: &[usize]) -> Vec<Option<Between>> {
    let mut ways = vec![None; chain.len()];
    let mut rests: Vec<(usize, usize)> =
        (0..chain.len()).flat_map(|n| (0..lives[chain[n]].rests.len()).map(move |k| (n, k))).collect();
    let start_s = |&(n, k): &(usize, usize)| lives[chain[n]].rests[k].0.start_s;
    rests.sort_by(|x, y| start_s(x).total_cmp(&start_s(y)));
    for pair in rests.windows(2) {
        let [(n, from), (m, to)] = [pair[0], pair[1]].map(|(n, k)| (n, lives[chain[n]].rests[k].0.clone()));
        let span = from.end_s - ABOUT_S..to.start_s + ABOUT_S;
        if m < n || to.start_s < from.end_s {
            continue;
        }
        let open = |i: usize| lives[chain[i]].unsure_in(&span).next().is_some();
        let apart = |i: usize| !Joint::of(&lives[chain[i - 1]], &lives[chain[i]]).holds();
        if !(n..=m).any(open) && !(n + 1..=m).any(apart) {
            continue;
        }
        let mut seen: Vec<Point> = (n..=m).flat_map(|i| &lives[chain[i]].outline).copied().collect();
        seen.sort_by(|p, q| p.at_s.total_cmp(&q.at_s));
        let way = hand::between(&from, &to, &seen).filter(|w| w.kind != CrossingKind::Unsure);
        let Some(way) = way else { continue };
        for &i in &chain[n..=m] {
            lives[i].settle(&span, &way);
        }
        ways[n + 1..=m].fill(Some(way));
    }
    ways
}
