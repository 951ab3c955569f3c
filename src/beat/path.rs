//! Where a line has been: the last seconds in full, the moves of its life in outline.

use super::lines::Seen;
use std::collections::VecDeque;

/// How much of the path is kept in full, s.
const KEPT_S: f64 = 5.0;
/// A change of |b| by this much is worth a point of the outline, Hz or parts of |b|.
const OUTLINE_HZ: f64 = 1.5;
const OUTLINE_PART: f64 = 0.02;
/// Most points of the outline.
const MOST_OUTLINE: usize = 2000;
/// How far a sighting and the mean of a run of them may stray from a stretch that stands still, Hz, and how many make a run.
const STRAY_HZ: f64 = 0.5;
const STILL_HZ: f64 = 0.4;
const RUN: usize = 5;
/// Sightings by longer frames that a line swayed by a neighbour is known by, and within what time, s.
const SWAYED: usize = 4;
const SWAYED_S: f64 = 1.5;
/// How many of the newest sightings by short ones tell that the hand moves, which longer ones see later, and how far off their
/// mean is then, Hz.
const NEWEST: usize = 4;
const SWAY_HZ: f64 = 2.0;
/// Between two short sightings below the one, Hz, a line may have been through zero where they are further apart than the other,
/// s, or it was fast enough.
const DIP_HZ: f64 = 130.0;
const DIP_S: f64 = 0.07;
/// How many of the newest sightings are asked whether the line is near zero.
const NEAREST: usize = 4;
/// How long after it so much is seen that it can be judged, s.
pub const DIP_KNOWN_S: f64 = 0.5;
/// How near to zero it must have been heading, by what is seen on either side, Hz.
const DIP_TO_HZ: f64 = 10.0;
/// How far back a way into zero is sought, s; how fast it leads there at least, Hz/s; by how much of its rate it goes on from one
/// sighting to the next; how far from zero it may end, s.
const INTO_S: f64 = 2.0;
const FALLS_HZ_S: f64 = 40.0;
const GOES_ON: f64 = 0.5;
const TO_ZERO_S: f64 = 0.5;
/// Longest time between two sightings of which a note has gone past what lies between, s.
const PASSED_S: f64 = 0.5;
/// Power of the frequency with which a path falls off towards zero at most (of the fourth order), and by how much, in power, what
/// is not the line is softer or louder.
const STEEPEST: i32 = 8;
const FAR: f64 = 8.0;
/// How far back that counts, s: a note may fade. What a path may have taken off that is not seen, in power.
const LATELY_S: f64 = 1.2;
const UNSEEN_LOSS: f64 = 0.15;
/// Travel that makes a line one that has moved, Hz, and points of its outline.
pub const TRAVEL_HZ: f64 = 6.0;
pub const LEAST_OUTLINE: usize = 4;

/// What a sighting is to a stretch that stands still.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// It belongs.
    Belongs,
    /// It strays, which one alone may.
    Strays,
    /// The stretch has ended before it.
    Ends,
}

/// A stretch that stands still, gathered from one end: a sighting, or a run of them, that strays from the mean so far by more
/// than its uncertainty ends it.
pub struct Still {
    /// How far a sighting and the mean of a run may be off besides their uncertainties, Hz.
    stray_hz: f64,
    run_off_hz: f64,
    count: usize,
    strays: u32,
    weight: f64,
    sum: f64,
    run: [(f64, f64); RUN],
}

impl Still {
    pub fn new(stray_hz: f64, run_off_hz: f64) -> Self {
        Self { stray_hz, run_off_hz, count: 0, strays: 0, weight: 0.0, sum: 0.0, run: [(0.0, 0.0); RUN] }
    }

    /// Takes the next sighting, a frequency and its weight (Hz⁻²).
    pub fn take(&mut self, f: f64, w: f64) -> Taken {
        if self.count > 0 {
            let mean = self.mean();
            self.run.rotate_left(1);
            self.run[RUN - 1] = (w, w * f);
            let (rw, rf) = self.run.iter().fold((0.0, 0.0), |(a, b), r| (a + r.0, b + r.1));
            // How far off by more than what is allowed, and by how many times the uncertainty: asked only where it matters.
            let off = |d: f64, allowed: f64, sigmas: f64, w: f64| {
                let over = d.abs() - allowed;
                over > 0.0 && over > sigmas * (1.0 / w + 1.0 / self.weight).sqrt()
            };
            let astray = self.count >= RUN && off(rf / rw - mean, self.run_off_hz, 3.5, rw);
            let strays = off(f - mean, self.stray_hz, 4.0, w);
            self.strays = if strays { self.strays + 1 } else { 0 };
            if self.strays >= 3 || astray {
                return Taken::Ends;
            }
            if strays {
                return Taken::Strays;
            }
        }
        self.weight += w;
        self.sum += w * f;
        self.count += 1;
        Taken::Belongs
    }

    /// Sightings that belong.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Their mean, Hz.
    pub fn mean(&self) -> f64 {
        self.sum / self.weight
    }

    /// Their weight, Hz⁻².
    pub fn weight(&self) -> f64 {
        self.weight
    }
}

/// One sighting.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    pub at_s: f64,
    /// Signed by the line's own sign.
    pub b: f64,
    pub u: f64,
    pub power: f64,
    pub seen: Seen,
}

/// A line's path.
#[derive(Debug, Clone, Default)]
pub struct Path {
    recent: VecDeque<Point>,
    outline: Vec<Point>,
    lowest: f64,
    highest: f64,
    sightings: u32,
    /// When the sign last changed, as far as is known, s.
    turned_s: Option<f64>,
    /// When it was last seen again after a silence near zero, with the sign it had, s.
    dipped_s: Option<f64>,
}

/// Whether a line may have been through zero between two sightings by short frames, and back or through, though the later one
/// was taken for the same side.
fn is_dip(last: &Point, first: &Point) -> bool {
    last.b.abs().min(first.b.abs()) < DIP_HZ && last.b * first.b > 0.0
}

/// Whether a line that was seen at `outer` and then at `inner` reaches zero within `gap_s`.
fn reaches(outer: &Point, inner: &Point, gap_s: f64) -> bool {
    let rate = (inner.b.abs() - outer.b.abs()) / (inner.at_s - outer.at_s).abs().max(1e-3);
    inner.b.abs() + rate * gap_s < DIP_TO_HZ
}

/// Power with which a note last went past a frequency on its way, by the sightings of it in order of time.
pub fn passed(outline: &[Point], hz: f64) -> Option<f64> {
    let spans = |pair: &&[Point]| {
        let (p, q) = (pair[0].b.abs(), pair[1].b.abs());
        (p.min(q)..=p.max(q)).contains(&hz) && pair[1].at_s - pair[0].at_s < PASSED_S
    };
    outline.windows(2).rev().find(spans).map(|pair| f64::midpoint(pair[0].power, pair[1].power))
}

impl Path {
    /// Adds a sighting.
    pub fn see(&mut self, at_s: f64, b: f64, u: f64, power: f64, seen: Seen) {
        let point = Point { at_s, b, u, power, seen };
        if self.sightings == 0 {
            (self.lowest, self.highest) = (b.abs(), b.abs());
        }
        self.sightings += 1;
        // Sightings of different frames come a little out of order.
        let place = self.recent.iter().rposition(|p| p.at_s <= at_s).map_or(0, |i| i + 1);
        self.recent.insert(place, point);
        let turned =
            |i: usize| (1..self.recent.len()).contains(&i) && self.recent[i].b * self.recent[i - 1].b < 0.0;
        if seen == Seen::Short {
            let near = self.recent.iter().rev().take(NEAREST).any(|p| p.b.abs() < DIP_HZ);
            let mut short =
                self.recent.iter().take(if near { place } else { 0 }).rev().filter(|p| p.seen == Seen::Short);
            let (last, earlier) = (short.next(), short.next());
            let dips = last.is_some_and(|last| {
                let gap_s = at_s - last.at_s;
                is_dip(last, &point) && (gap_s > DIP_S || earlier.is_some_and(|e| reaches(e, last, gap_s)))
            });
            self.dipped_s = if dips { Some(at_s) } else { self.dipped_s };
        }
        let last = [place + 1, place].into_iter().find(|&i| turned(i)).map(|i| self.recent[i].at_s);
        if let Some(last) = last {
            self.turned_s = Some(self.turned_s.map_or(last, |t| t.max(last)));
        }
        while self.recent.front().is_some_and(|p| p.at_s < at_s - KEPT_S) {
            self.recent.pop_front();
        }
        // A single stray peak is no travel: the middle one of three counts.
        if let Some(m) = self.middle_of_three() {
            self.lowest = self.lowest.min(m.b.abs());
            self.highest = self.highest.max(m.b.abs());
            let far = |p: &Point| (p.b - m.b).abs() > OUTLINE_HZ.max(OUTLINE_PART * m.b.abs());
            if self.outline.last().is_none_or(|p| m.at_s > p.at_s && far(p)) {
                if self.outline.len() >= MOST_OUTLINE {
                    let mut keep = false;
                    self.outline.retain(|_| {
                        keep = !keep;
                        keep
                    });
                }
                self.outline.push(m);
            }
        }
    }

    /// When, first after `since_s`, the line was seen again after a silence near zero in which it was heading there, or from which
    /// it came, with the sign it had, s.
    pub fn dip_after(&self, since_s: f64) -> Option<f64> {
        let short: Vec<&Point> = self.recent.iter().filter(|p| p.seen == Seen::Short).collect();
        (1..short.len()).map(|i| (i, short[i - 1], short[i])).find_map(|(i, last, first)| {
            let gap_s = first.at_s - last.at_s;
            let dips = first.at_s > since_s
                && is_dip(last, first)
                && (i.checked_sub(2).is_some_and(|i| reaches(short[i], last, gap_s))
                    || short.get(i + 1).is_some_and(|next| reaches(next, first, gap_s)));
            dips.then_some(first.at_s)
        })
    }

    /// Squared amplitude on its way, the geometric mean; `None` where it did not move.
    pub fn power(&self) -> Option<f64> {
        let logs: f64 = self.outline.iter().map(|p| p.power.ln()).sum();
        (self.travelled() && !self.outline.is_empty()).then(|| (logs / self.outline.len() as f64).exp())
    }

    /// Least and most power at a frequency that is the line's, by how loud it has lately been and what a path that falls off
    /// towards zero may make of it on the way from there.
    pub fn loudness_at(&self, hz: f64) -> (f64, f64) {
        let last_s = self.recent.back().map_or(0.0, |p| p.at_s);
        let lately = |p: &&Point| p.seen == Seen::Short && p.at_s > last_s - LATELY_S;
        let short = || self.recent.iter().filter(lately);
        let loudest = short().map(|p| p.power).fold(0.0, f64::max);
        let (mut least, mut most) = (0.0, if loudest > 0.0 { 0.0 } else { f64::INFINITY });
        for p in short() {
            // Steps down are taken from what the path lets through there already: 1 / (1 + (corner / f)^steepest).
            let step = (p.b.abs() / hz).powi(STEEPEST);
            let lost = loudest / p.power - 1.0 + UNSEEN_LOSS;
            least = f64::max(least, if step > 1.0 { loudest / (1.0 + lost * step) } else { p.power });
            most = f64::max(most, p.power / step.min(1.0));
        }
        (least / FAR, most * FAR)
    }

    /// The line was found at `frequency_hz` by more than a peak: this one sighting is travel.
    pub fn was_at(&mut self, frequency_hz: f64) {
        self.lowest = self.lowest.min(frequency_hz);
        self.highest = self.highest.max(frequency_hz);
    }

    fn middle_of_three(&self) -> Option<Point> {
        let n = self.recent.len();
        if n < 3 {
            return None;
        }
        let mut last = [self.recent[n - 3], self.recent[n - 2], self.recent[n - 1]];
        last.sort_unstable_by(|a, b| a.b.abs().total_cmp(&b.b.abs()));
        Some(last[1])
    }

    /// Sightings of the last seconds, oldest first.
    pub fn recent(&self) -> impl DoubleEndedIterator<Item = &Point> {
        self.recent.iter()
    }

    /// Instant of the newest change of sign, s.
    pub fn turned_s(&self) -> Option<f64> {
        self.turned_s
    }

    /// Instant of the newest sighting after a silence near zero from which the line came back with the sign it had, s.
    pub fn dipped_s(&self) -> Option<f64> {
        self.dipped_s
    }

    /// Outline of the whole life, oldest first.
    pub fn outline(&self) -> &[Point] {
        &self.outline
    }

    /// Changes the sign of everything from `at_s` on.
    pub fn turn_back(&mut self, at_s: f64) {
        for p in self.recent.iter_mut().chain(&mut self.outline).filter(|p| p.at_s >= at_s) {
            p.b = -p.b;
        }
    }

    /// The last sighting by a short frame, before `since_s`, on a way that leads to zero; `None` where it was not heading there.
    pub fn way_to_zero(&self, since_s: f64) -> Option<Point> {
        let lately = |p: &&Point| p.seen == Seen::Short && (since_s - INTO_S..since_s).contains(&p.at_s);
        let seen: Vec<&Point> = self.recent.iter().filter(lately).collect();
        let rate = |w: &[&Point]| (w[0].b.abs() - w[1].b.abs()) / (w[1].at_s - w[0].at_s).max(1e-3);
        let falls = |w: &[&Point]| w[0].b * w[1].b > 0.0 && rate(w) > FALLS_HZ_S;
        // Runs in which it falls without a break: what comes after one is something else.
        let (mut into, mut from) = (None, 0);
        for last in 1..seen.len() {
            let here = &seen[last - 1..=last];
            let goes_on =
                falls(here) && (last == from + 1 || rate(here) > GOES_ON * rate(&seen[last - 2..last]));
            if !goes_on {
                from = last;
                continue;
            }
            let zero_s = seen[last].at_s + seen[last].b.abs() / rate(here);
            if last > from + 1 && zero_s - seen[last].at_s < TO_ZERO_S && zero_s < since_s + TO_ZERO_S {
                into = Some(*seen[last]);
            }
        }
        into
    }

    /// Forgets all that was seen after `at_s`.
    pub fn forget_after(&mut self, at_s: f64) {
        self.recent.retain(|p| p.at_s <= at_s);
        self.outline.retain(|p| p.at_s <= at_s);
        self.turned_s = self.turned_s.filter(|t| *t <= at_s);
        self.dipped_s = self.dipped_s.filter(|t| *t <= at_s);
    }

    /// Lowest |b| seen, Hz.
    pub fn lowest_hz(&self) -> f64 {
        self.lowest
    }

    /// How far |b| has been from its lowest to its highest, Hz.
    pub fn travel_hz(&self) -> f64 {
        self.highest - self.lowest
    }

    /// Whether the line has moved at all.
    pub fn travelled(&self) -> bool {
        self.travel_hz() > TRAVEL_HZ && self.outline.len() >= LEAST_OUTLINE
            || self.travel_hz() > 40.0 && self.sightings >= 10
    }

    /// b at `at_s` between two sightings not further apart than `most_s`.
    pub fn at(&self, at_s: f64, most_s: f64) -> Option<Point> {
        let after = self.recent.partition_point(|p| p.at_s < at_s);
        let q = *self.recent.get(after)?;
        let Some(p) = after.checked_sub(1).map(|i| self.recent[i]) else {
            return (q.at_s - at_s < 1e-9).then_some(q);
        };
        if q.at_s - p.at_s > most_s {
            return None;
        }
        let w = if q.at_s > p.at_s { (at_s - p.at_s) / (q.at_s - p.at_s) } else { 1.0 };
        Some(Point {
            at_s,
            b: p.b + w * (q.b - p.b),
            power: p.power + w * (q.power - p.power),
            u: p.u.max(q.u),
            ..q
        })
    }

    /// The stretch, up to now, over which the sightings stand still: its first and last instant, mean |b|.
    /// `None` when the last half second (or the last three sightings of long frames) moves.
    /// No sightings before `since_s` are asked.
    pub fn standing(&self, now_s: f64, since_s: f64) -> Option<(f64, f64, f64)> {
        let last = self.recent.back()?;
        let window = match last.seen {
            Seen::Short => 0.45,
            Seen::Medium => 0.5,
            Seen::Long => 1.2,
        };
        if now_s - last.at_s > 0.5 * window + if last.seen == Seen::Long { 1.7 } else { 0.5 } {
            return None;
        }
        let stood = |(from, to, f, count): (f64, f64, f64, usize)| {
            (count >= 3 && to - from >= window).then_some((from, to, f))
        };
        self.still(since_s, |_| true).and_then(stood).or_else(|| {
            // Another line close by, which only longer frames tell from this one, sways the sightings of short ones.
            let (mut seen, mut low, mut high) = (0, f64::MAX, 0.0f64);
            for p in self.recent.iter().rev().take_while(|p| now_s - p.at_s < SWAYED_S) {
                if p.seen != Seen::Short && seen < SWAYED {
                    (seen, low, high) = (seen + 1, low.min(p.b.abs()), high.max(p.b.abs()));
                }
            }
            let moves = || {
                let short = self.recent.iter().rev().filter(|p| p.seen == Seen::Short).take(NEWEST);
                let (sum, n) = short.fold((0.0, 0.0), |(sum, n), p| (sum + p.b.abs(), n + 1.0));
                (sum / n - f64::midpoint(low, high)).abs() > SWAY_HZ
            };
            let swayed = seen == SWAYED && high - low < STRAY_HZ && !moves();
            swayed.then(|| self.still(since_s, |p| p.seen != Seen::Short)).flatten().and_then(stood)
        })
    }

    /// Walking back to `since_s` from the newest of some sightings, as far as they stand still: the first and the last instant,
    /// their mean, and how many they are.
    fn still(&self, since_s: f64, some: impl Fn(&Point) -> bool) -> Option<(f64, f64, f64, usize)> {
        let (mut first, mut last_s, mut still) = (None, None, Still::new(STRAY_HZ, STILL_HZ));
        for p in self.recent.iter().rev().take_while(|p| p.at_s >= since_s) {
            if !some(p) {
                continue;
            }
            last_s.get_or_insert(p.at_s);
            match still.take(p.b.abs(), 1.0 / (p.u * p.u)) {
                Taken::Ends => break,
                Taken::Strays => {}
                Taken::Belongs => first = Some(p.at_s),
            }
        }
        Some((first?, last_s?, still.mean(), still.count()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// A note that leaves a stop near zero through it, and is seen again with the sign that it had, is asked about; one that rises
    /// from where it stood is not.
    #[test]
    fn a_silence_near_zero_on_the_way_there_is_a_dip() {
        let path = |b: fn(f64) -> f64| {
            let mut path = Path::default();
            for hop in 0..30 {
                let at_s = f64::from(hop) * 0.05;
                let b = b(at_s).abs();
                if b > 26.0 && !(0.95..1.15).contains(&at_s) {
                    path.see(at_s, b, 0.1, 1.0, Seen::Short);
                }
            }
            path
        };
        let through = path(|t| 44.0 - 400.0 * (t - 0.8).max(0.0).powi(2));
        assert!(
            through.dip_after(0.0).is_some_and(|t| (1.1..1.3).contains(&t)) && through.dipped_s().is_some()
        );
        let up = path(|t| 44.0 + 400.0 * (t - 1.1).max(0.0).powi(2));
        assert_eq!(up.dip_after(0.0), None);
    }

    /// A line 22.5 Hz off sways what short frames see of a note that stands, twenty times a second; medium frames tell the two
    /// apart.
    #[test]
    fn a_swayed_line_stands_by_its_longer_frames() {
        let (mut short, mut both) = (Path::default(), Path::default());
        for hop in 0..40 {
            let at_s = f64::from(hop) * 0.05;
            let swayed = 247.2 + 1.2 * (2.0 * PI * 22.5 * at_s).sin();
            short.see(at_s, swayed, 0.06, 1.0, Seen::Short);
            both.see(at_s, swayed, 0.06, 1.0, Seen::Short);
            if hop % 4 == 0 && at_s > 0.3 {
                both.see(at_s - 0.24, 247.2 + 0.02 * swayed.sin(), 0.02, 1.0, Seen::Medium);
            }
        }
        assert!(short.standing(2.0, 0.0).is_none());
        let (from, to, f) = both.standing(2.0, 0.0).expect("it stands");
        assert!(to - from > 1.0 && (f - 247.2).abs() < 0.05, "{from} {to} {f}");
    }

    /// A note that falls through a path of the second order with its corner at 30 Hz is waited for: a sideband 19 dB down is not
    /// it, its own line far down the path is.
    #[test]
    fn a_sideband_is_not_as_loud() {
        let power = |f: f64| 0.04 / (1.0 + (30.0 / f).powi(4));
        let mut note = Path::default();
        for hop in 0..12 {
            let (at_s, b) = (f64::from(hop) * 0.05, 420.0 - 30.0 * f64::from(hop));
            note.see(at_s, b, 0.5, power(b), Seen::Short);
        }
        for (hz, sideband) in [(135.0, 135.0), (66.0, 66.0), (52.0, 100.0)] {
            let (least, most) = note.loudness_at(hz);
            assert!((least..most).contains(&power(hz)), "{hz}: {least} {most}");
            assert!(0.0125 * power(sideband) < note.loudness_at(sideband).0, "{sideband}: {least}");
        }
        assert!(note.loudness_at(18.0).0 < power(18.0));
    }
}
