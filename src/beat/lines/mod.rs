//! Lines: everything in the spectrum that lasts, each followed by a filter of its own.
//!
//! # Derivation
//!
//! A line's state is its signed frequency b (Hz) and its rate r (Hz/s) in the middle of the newest short frame. Over a
//! hop the hand may change the rate: db = r·dt, dr = white acceleration whose spread grows with the speed already
//! there (a resting hand is quiet, a moving one jerks). A short frame observes b itself; a longer one that ends at the
//! same sample has its middle d earlier and observes b − r·d, which for the slow lines it is asked about is as good.
//! The variance is what the Cramér–Rao bound gives a peak of its signal-to-noise ratio, widened by the slide. The sign of b is the line's own: it was + when the line
//! was born, and the rate keeps its sign through zero, so a line that coasts through zero comes out with b < 0.
//!
//! # Assumptions and weak points
//!
//! * One peak per line and frame: two lines closer than a frame's resolution are seen as one; the moving one coasts.
//! * The hand is a filter with one speed of change: a dial that is spun at more than 3 kHz/s is lost and found again.
//! * Births need three sightings, so a note shorter than 0.2 s is no line.
//! * Crossing and turning back within the deaf span differ only by what comes before and after
//!   (see [`super::passage`]).

mod line;
mod zero;

use super::SHORT_S;
use crate::spectrum::Peak;
use line::SHORT_EDGE_HZ;
pub use line::{Line, SHORT_LOWEST_HZ};

/// Which kind of frame saw a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// Short frames: a strong line, at rest or moving.
    Short,
    /// Medium frames only.
    Medium,
    /// Long frames only: a weak standing line.
    Long,
}

/// One frame's view: where its middle lies and how well it sees.
#[derive(Debug, Clone, Copy)]
pub struct View {
    pub seen: Seen,
    /// End of the frame, s.
    pub end_s: f64,
    /// Length of the frame, s.
    pub length_s: f64,
    /// Equivalent noise bandwidth of a bin, Hz.
    pub enbw_hz: f64,
}

impl View {
    /// Middle of the frame, s.
    pub(super) fn middle_s(&self) -> f64 {
        self.end_s - self.length_s / 2.0
    }

    /// Middle of the short frame that ends with this one, s: the instant that the lines' states are for.
    pub(super) fn state_s(&self) -> f64 {
        self.end_s - SHORT_S / 2.0
    }
}
/// The table of lines: bounded, strongest kept.
#[derive(Debug, Default)]
pub struct Table {
    pub lines: Vec<Line>,
    next_id: u32,
    /// Scratch: which peaks are taken, and the order in which the lines choose.
    taken: Vec<bool>,
    order: Vec<usize>,
}

/// How far under a line another must be to be taken for its side lobe, in power.
const SHADOW: f64 = 0.003;

/// How much louder, in power, of two lines in one place the note was on its way.
const FAR_LOUDER: f64 = 8.0;

/// How far a known line may fade from one sighting to the next, in power.
const FAINT: f64 = 0.006;

/// Most lines followed at a time.
const MOST_LINES: usize = 24;

impl Table {
    /// Moves every line to `now_s` and takes those that have been unseen for too long out to `over`.
    pub fn advance(&mut self, now_s: f64, over: &mut Vec<Line>) {
        for line in &mut self.lines {
            line.advance(now_s - SHORT_S / 2.0);
        }
        over.extend(self.lines.extract_if(.., |l| l.over(now_s)));
    }

    /// Gives the peaks of one frame to the lines; what nobody takes and is at least `birth` over the floor begins a
    /// line of its own.
    pub fn observe(&mut self, peaks: &[Peak], view: &View, birth: f64) {
        let Self { lines, next_id, taken, order } = self;
        taken.clear();
        taken.resize(peaks.len(), false);
        order.clear();
        order.extend(0..lines.len());
        // Those that stand choose first, then the better known.
        order.sort_unstable_by_key(|&i| {
            let line = &lines[i];
            (line.r.abs() > 8.0, std::cmp::Reverse(line.hits.min(1000)), i)
        });
        for &i in &*order {
            let line = &mut lines[i];
            if line.outruns(view) {
                continue;
            }
            // Nearness against loudness: a peak 10 dB down must lie twice as near.
            // Where a sliding note and its mirror image overlap within the frame, a peak is neither.
            let lowest = SHORT_EDGE_HZ + 0.5 * line.r.abs() * view.length_s;
            let best = peaks
                .iter()
                .enumerate()
                .filter(|(k, p)| !taken[*k] && (view.seen != Seen::Short || p.frequency_hz > lowest))
                .filter(|(_, p)| line.hits < 5 || p.power > FAINT * line.power)
                .filter_map(|(k, p)| {
                    line.agreement(p, view)
                        .map(|(d, sign)| (d * d - 0.25 * (p.power / line.power).log10(), sign, k))
                })
                .min_by(|x, y| x.0.total_cmp(&y.0));
            if let Some((_, sign, k)) = best {
                line.update(&peaks[k], sign, view);
                taken[k] = true;
            } else if view.seen == line.seen {
                line.misses += 1;
            }
        }
        for (peak, _) in peaks.iter().zip(&*taken).filter(|(p, t)| !**t && p.snr >= birth) {
            let middle = view.middle_s();
            let shadowed = lines.iter().any(|l| {
                let (expected, _) = l.expected(middle);
                let apart = (expected.abs() - peak.frequency_hz).abs();
                // A window's lobes, drawn out by the slide that a frame does not undo.
                let smear = l.r.abs() * view.length_s;
                apart < 1.6 / view.length_s + 0.6 * smear
                    || apart < 8.0 / view.length_s + 1.5 * smear && peak.power < SHADOW * l.power
            });
            if shadowed || view.seen == Seen::Short && peak.frequency_hz < SHORT_LOWEST_HZ {
                continue;
            }
            if lines.len() >= MOST_LINES {
                let Some(weakest) = (0..lines.len())
                    .filter(|&i| !lines[i].confirmed())
                    .min_by(|&x, &y| lines[x].power.total_cmp(&lines[y].power))
                else {
                    continue;
                };
                if lines[weakest].power > peak.power {
                    continue;
                }
                lines.swap_remove(weakest);
            }
            lines.push(Line::born(*next_id, peak, view));
            *next_id += 1;
        }
    }

    /// Takes the peaks of a very long frame that no line is near to for lines at once: they were heard for seconds. So was a
    /// line that is there but has not been seen often enough yet.
    pub fn discover(&mut self, peaks: &[Peak], view: &View) {
        let middle = view.middle_s();
        for peak in peaks {
            let apart = |l: &Line| {
                let b = l.path.at(middle, 4.0).map_or(l.b.abs(), |p| p.b.abs());
                (b - peak.frequency_hz).abs().min((l.b.abs() - peak.frequency_hz).abs())
            };
            let known = |l: &Line| {
                let smear = l.r.abs() * view.length_s;
                apart(l) < 2.0 + smear
                    || apart(l) < 30.0 / view.length_s + 2.0 * smear && peak.power < SHADOW * l.power
            };
            if let Some(line) = self.lines.iter_mut().find(|l| known(l)) {
                if !line.confirmed() && line.seen == Seen::Long && apart(line) < 2.0 {
                    line.heard_throughout(peak, view);
                }
            } else if self.lines.len() < MOST_LINES {
                let mut line = Line::born(self.next_id, peak, view);
                line.heard_throughout(peak, view);
                self.lines.push(line);
                self.next_id += 1;
            }
        }
    }

    /// Finds a line that is another one's double: the id of the lesser of two that have run together. The note is the one that
    /// was by far the louder on its way: what rode beside it may have been seen more often.
    pub fn double(&self) -> Option<u32> {
        let is_lesser = |a: &Line, b: &Line| match (a.path.power(), b.path.power()) {
            (Some(p), Some(q)) if p.max(q) > FAR_LOUDER * p.min(q) => p < q,
            _ => (a.path.travelled(), a.hits) < (b.path.travelled(), b.hits),
        };
        self.lines.iter().enumerate().find_map(|(i, a)| {
            self.lines[i + 1..]
                .iter()
                .find(|b| {
                    (a.b.abs() - b.b.abs()).abs() < 0.6
                        && (a.r.abs() - b.r.abs()).abs() < 20.0
                        && a.b.abs() > 5.0
                })
                .map(|b| if is_lesser(a, b) { a.id } else { b.id })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A note that stands at 12.7 Hz is seen by long frames; what short ones see of its harmonics is not it, but a note as loud that
    /// is heard at 40 Hz has moved off.
    #[test]
    fn harmonics_of_a_low_note_are_not_taken_for_it() {
        let long = View { seen: Seen::Long, end_s: 4.0, length_s: 2.048, enbw_hz: 0.7 };
        let short = View { seen: Seen::Short, end_s: 4.3, length_s: SHORT_S, enbw_hz: 9.4 };
        let peak = |frequency_hz: f64, power: f64| Peak { frequency_hz, power, snr: 1e4 };
        for (f, power, taken) in [(45.0, 0.2, false), (17.0, 0.9, false), (40.0, 0.9, true)] {
            let mut line = Line::born(0, &peak(12.7, 1.0), &long);
            line.hits = 9;
            assert_eq!(line.agreement(&peak(f, power), &short).is_some(), taken, "{f}");
        }
    }

    /// A note that falls by 350 Hz/s is last seen near 60 Hz and found a second later at rest at 1.3 Hz: that one look shows
    /// where it went, and it is waited for there.
    #[test]
    fn a_note_found_low_has_gone_there() {
        let (mut table, mut over, mut now_s) = (Table::default(), Vec::new(), 0.16);
        let peak = |frequency_hz: f64| Peak { frequency_hz, power: 1.0, snr: 1e4 };
        while now_s < 1.74 {
            let view = View { seen: Seen::Short, end_s: now_s, length_s: SHORT_S, enbw_hz: 9.4 };
            table.advance(now_s, &mut over);
            table.observe(&[peak(600.0 - 350.0 * (now_s - 0.16))], &view, 40.0);
            now_s += 0.05;
        }
        now_s += 1.3;
        table.advance(now_s, &mut over);
        assert_eq!((table.lines.len(), over.len()), (1, 0));
        assert!(table.lines[0].path.lowest_hz() > 70.0 && table.lines[0].went_under());
        table.lines[0].take_low(&peak(1.3), now_s, 1.3);
        assert!(table.lines[0].went_under());
        table.advance(now_s + 2.0, &mut over);
        assert_eq!((table.lines.len(), over.len()), (1, 0), "it is waited for");
    }

    /// A sideband that has been seen more often than the note stands where the note is: the note's line stays.
    #[test]
    fn of_two_in_one_place_the_louder_one_was_the_note() {
        let mut table = Table::default();
        let run = |id: u32, from: f64, power: f64, hops: u32| {
            let view = |hop: u32| View {
                seen: Seen::Short,
                end_s: 0.16 + 0.05 * f64::from(hop),
                length_s: SHORT_S,
                enbw_hz: 9.4,
            };
            let at = |hop: u32| Peak { frequency_hz: from - 30.0 * f64::from(hop), power, snr: 1e4 };
            let mut line = Line::born(id, &at(0), &view(0));
            for hop in 1..hops {
                line.advance(view(hop).state_s());
                line.update(&at(hop), 1.0, &view(hop));
            }
            (line.b, line.r) = (92.0, 240.0);
            line
        };
        table.lines = vec![run(0, 500.0, 4e-2, 9), run(1, 560.0, 5e-4, 12)];
        assert_eq!(table.double(), Some(1));
        table.lines = vec![run(0, 500.0, 4e-2, 9), run(1, 560.0, 3e-2, 12)];
        assert_eq!(table.double(), Some(0));
    }
}
