//! The comb that the peaks of a long frame show.

use crate::settings::Mains;
use crate::spectrum::Peak;
use std::ops::Range;

/// Fundamentals that are looked for unasked, Hz: two mains, vibrator supplies, aircraft converters.
const WINDOWS: [(f64, f64); 4] = [(49.3, 50.7), (59.3, 60.7), (98.0, 122.0), (396.0, 404.0)];
/// Mains frequencies, Hz, and how far from them the mains may be.
const MAINS: [f64; 2] = [50.0, 60.0];
const MAINS_WITHIN_HZ: f64 = 0.3;
/// Highest order considered and highest frequency, Hz.
const MOST_ORDER: u32 = 40;
/// Up to this order a line is believed by itself; higher ones need neighbours.
const LONE_ORDER: u32 = 6;
const HIGHEST_HZ: f64 = 3000.0;

/// How far a line between those of a comb may put the half of its fundamental off, Hz, to be one of the same mains; and how much
/// louder than the comb's loudest it may be at most.
const HALF_WITHIN_HZ: f64 = 0.03;
const HALF_LOUDER: f64 = 3.0;

/// A set of orders up to 63.
#[derive(Clone, Copy, Default)]
pub struct Orders(u64);

impl Orders {
    pub fn insert(&mut self, order: u32) {
        self.0 |= 1 << order;
    }

    /// How many of `some` orders there are.
    fn among(self, some: Range<u32>) -> u32 {
        (self.0 & ((1u64 << some.end) - (1u64 << some.start))).count_ones()
    }

    pub fn has(self, order: u32) -> bool {
        order < 64 && self.0 >> order & 1 == 1
    }

    /// The lowest first.
    pub fn iter(self) -> impl Iterator<Item = u32> {
        (1..64).filter(move |&h| self.has(h))
    }
}

/// The comb that explains the loudest of the peaks best: its fundamental, Hz, and the orders of its lines. `by_frequency`
/// are the same peaks in that order, `moving` notes that moved, Hz, whose own harmonics are no hum; `known_hz` is the
/// fundamental that was known before.
pub fn find(
    peaks: &[Peak],
    by_frequency: &[Peak],
    mains: Mains,
    moving: &[f64],
    known_hz: Option<f64>,
) -> Option<(f64, Orders)> {
    let near;
    let windows: &[(f64, f64)] = match mains {
        Mains::Off => return None,
        Mains::Near(f) => {
            near = [(f * 0.97, f * 1.03)];
            &near
        }
        Mains::Auto => &WINDOWS,
    };
    let mut best: Option<(f64, f64, Orders)> = None;
    for peak in peaks.iter().take(24) {
        for order in 1..=6u32 {
            let f0 = peak.frequency_hz / f64::from(order);
            if !windows.iter().any(|w| (w.0..=w.1).contains(&f0)) {
                continue;
            }
            let (score, refined, orders) = score(by_frequency, f0);
            // A comb of its own kind needs three lines; a mains frequency proper is believed with two, or with its
            // fundamental alone.
            let named = is_mains(refined) || matches!(mains, Mains::Near(_));
            let low = orders.iter().filter(|&h| h <= 8).count();
            let enough = if named { low >= 2 || orders.iter().next() == Some(1) } else { low >= 3 };
            let of_a_note = moving.iter().any(|&m| {
                let k = (m / refined).round().max(1.0);
                (m - k * refined).abs() < 0.1 && orders.iter().all(|h| f64::from(h) % k == 0.0)
            });
            if enough && !of_a_note && best.as_ref().is_none_or(|b| score > b.0) {
                best = Some((score, refined, orders));
            }
        }
    }
    let (_, f0, orders) = best?;
    let halved = if mains == Mains::Auto { halved(by_frequency, f0, known_hz) } else { None };
    halved.or(Some((f0, orders)))
}

fn is_mains(frequency_hz: f64) -> bool {
    MAINS.iter().any(|m| (frequency_hz - m).abs() < MAINS_WITHIN_HZ)
}

/// The comb of twice as many lines that one of the fundamental `f0` is the even half of. Two rectifiers in one tube draw
/// their current twice a cycle: of the hum of such a supply the even lines are by far the loudest. That it is the mains' is
/// told by a line between them, or was known before.
fn halved(by_frequency: &[Peak], f0: f64, known_hz: Option<f64>) -> Option<(f64, Orders)> {
    let half = f0 / 2.0;
    if !is_mains(half) {
        return None;
    }
    let (_, refined, orders) = score(by_frequency, half);
    let power = |h: u32| {
        let near = |p: &&Peak| (p.frequency_hz - f64::from(h) * half).abs() < 0.1 * f64::from(h);
        by_frequency.iter().filter(near).map(|p| p.power).fold(0.0, f64::max)
    };
    let loudest = (2..=LONE_ORDER).step_by(2).map(power).fold(0.0, f64::max);
    let odd = (1..=LONE_ORDER).step_by(2).any(|h| orders.has(h) && power(h) < HALF_LOUDER * loudest);
    let known = known_hz.is_some_and(|k| is_mains(k) && (k - half).abs() < MAINS_WITHIN_HZ);
    ((refined - half).abs() < HALF_WITHIN_HZ && odd || known).then_some((refined, orders))
}

/// How well a fundamental explains the peaks, which come in order of frequency: a sum over its lines that are there, the
/// fundamental refined by them, and their orders.
fn score(peaks: &[Peak], f0: f64) -> (f64, f64, Orders) {
    let (mut refined, mut orders, mut total) = (f0, Orders::default(), 0.0);
    for round in 0..2 {
        let (mut above, mut below) = (0.0, 0.0);
        orders = Orders::default();
        total = 0.0;
        for order in 1..=MOST_ORDER {
            let h = f64::from(order);
            if h * refined > HIGHEST_HZ {
                break;
            }
            let gate = 0.15 + if round == 0 { 0.03 * h } else { 0.01 * h };
            // High orders are believed where their neighbours are there too: a lone peak is no line of a comb.
            if order > LONE_ORDER && orders.among(order - 4..order) < 2 {
                continue;
            }
            let (line, gate) = (h * refined, gate.min(0.6));
            let from = peaks.partition_point(|p| p.frequency_hz <= line - gate);
            let near = peaks[from..].iter().take_while(|p| p.frequency_hz < line + gate);
            let Some(peak) = near.max_by(|a, b| a.snr.total_cmp(&b.snr)) else { continue };
            let db = 10.0 * peak.snr.log10();
            total += (db - 10.0).clamp(0.0, 30.0) / h.sqrt();
            let weight = h * h * peak.snr.min(1e5);
            above += weight * peak.frequency_hz / h;
            below += weight;
            orders.insert(order);
        }
        if below > 0.0 {
            refined = above / below;
        }
    }
    (total, refined, orders)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of peaks, each its frequency and how far it stands over the noise, the fundamental and the orders.
    fn found(lines: &[(f64, f64)], known_hz: Option<f64>) -> Option<(f64, Vec<u32>)> {
        let peak = |&(frequency_hz, snr): &(f64, f64)| Peak { frequency_hz, snr, power: snr };
        let by_frequency: Vec<Peak> = lines.iter().map(peak).collect();
        let mut loudest = by_frequency.clone();
        loudest.sort_by(|a, b| b.snr.total_cmp(&a.snr));
        find(&loudest, &by_frequency, Mains::Auto, &[], known_hz)
            .map(|(f0, orders)| (f0, orders.iter().collect()))
    }

    /// Lines at twice the mains frequency and its multiples are the even ones of the mains as soon as one between them tells so,
    /// and stay that where it is not heard for once.
    #[test]
    fn ripple_of_both_halves_of_the_mains_is_the_mains() {
        let even = [(100.0, 800.0), (200.01, 120.0), (299.99, 90.0), (400.0, 40.0)];
        let with_first = [&[(49.99, 40.0)][..], &even].concat();
        for (lines, known_hz) in [(&with_first[..], None), (&even[..], Some(49.98))] {
            let (f0, orders) = found(lines, known_hz).expect("a comb");
            assert!((f0 - 50.0).abs() < 0.01, "{f0}");
            assert!([2, 4, 6, 8].iter().all(|h| orders.contains(h)), "{orders:?}");
        }
        let (f0, _) = found(&even, None).expect("a comb");
        assert!((f0 - 100.0).abs() < 0.01, "{f0}");
    }

    /// A vibrator's comb is not halved, and a note beside half of one is no line of the mains.
    #[test]
    fn a_note_does_not_halve_a_comb() {
        let vibrator = [(57.6, 90.0), (115.2, 800.0), (230.4, 300.0), (345.6, 90.0)];
        let note = [(50.45, 5000.0), (100.0, 800.0), (200.0, 120.0), (300.0, 90.0)];
        for (lines, at_hz) in [(&vibrator, 115.2), (&note, 100.0)] {
            let (f0, _) = found(lines, None).expect("a comb");
            assert!((f0 - at_hz).abs() < 0.01, "{f0}");
        }
    }
}
