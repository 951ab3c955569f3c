//! What comes out of zero: a note with harmonics or sidebands goes on as its own line.
//!
//! Near zero the lines of one note run into each other, and beyond it the harmonics come up first: from 26 Hz on short frames
//! see the third while the note is at 9 Hz. So the note's line, on its way through, is caught by one of them, and the note
//! is found as a line of its own, or takes the line of another. Which it is shows as soon as both run away from zero in
//! proportion, or at a sideband's distance: of what ran into zero the lowest that was loud was the note, and it goes on as
//! what is the note now.
//!
//! # Weak points
//!
//! * A sideband that is itself folded, |b − hum| while the note is nearer to zero than hum, runs the other way: it is not asked.
//! * A note that turned back is given the other sign here; the passage is judged afterwards, from the sightings.

use super::line::{CONFIRMED, Line};
use super::{Seen, Table};
use crate::beat::path::{self, Point};
use crate::beat::under;

/// Harmonics by which a line that comes out of zero may be caught, and how long after it, s; how fast the note runs then at
/// least, Hz/s.
const HARMONICS: [f64; 4] = [2.0, 3.0, 4.0, 5.0];
const EMERGED_S: f64 = 1.0;
const RUNS_HZ_S: f64 = 15.0;
/// How far it may be from a harmonic: Hz, and parts; and its rate: Hz/s, and parts.
const HARMONIC_OFF: (f64, f64) = (1.5, 0.015);
const HARMONIC_RATE_OFF: (f64, f64) = (60.0, 0.25);
/// How much louder a harmonic may come out of zero than its note, in power, where the path falls off towards zero.
const LOUDER_HARMONIC: f64 = 50.0;
/// How loud a sideband may be, of its note, in power.
const SIDEBAND: f64 = 0.35;
/// How long a note may be unheard beside what rides on it, s.
const HEARD_S: f64 = 0.26;
/// What runs into zero within so long is one note, s.
const TOGETHER_S: f64 = 0.8;
/// A note is this loud, of the loudest line that runs into zero with it, in power.
const AS_LOUD: f64 = 0.1;

impl Line {
    /// Goes on after `into`, its own last sighting on the way into zero, on the other side of that and as what another line has
    /// been since `since_s`.
    fn goes_on_as(&mut self, other: &Self, into: &Point, since_s: f64) {
        let sign = -into.b.signum() * other.b.signum();
        (self.b, self.r, self.p, self.now_s) = (sign * other.b, sign * other.r, other.p, other.now_s);
        (self.power, self.snr, self.last_seen_s) = (other.power, other.snr, other.last_seen_s);
        self.seen_state = (self.b, self.r);
        self.misses = other.misses;
        self.hits += CONFIRMED;
        self.path.forget_after(into.at_s);
        for p in other.path.recent().filter(|p| p.at_s > since_s && p.seen == Seen::Short) {
            self.path.see(p.at_s, sign * p.b, p.u, p.power, p.seen);
        }
    }

    /// When the line came out of zero lately, s.
    fn out_of_zero_s(&self) -> Option<f64> {
        let out = [self.path.turned_s(), self.path.dipped_s()];
        let out_s = out.into_iter().flatten().max_by(f64::total_cmp)?;
        (self.last_seen_s - out_s < EMERGED_S && self.b * self.r > 0.0).then_some(out_s)
    }

    /// Since when the line runs away from zero, new or having come out of it lately, s.
    fn set_out_s(&self) -> Option<f64> {
        let young = self.last_seen_s - self.born_s < EMERGED_S;
        let runs = self.confirmed() && self.b * self.r > 0.0 && self.r.abs() > RUNS_HZ_S;
        if runs && young { Some(self.born_s) } else { self.out_of_zero_s().filter(|_| runs) }
    }

    /// Whether the line is heard as long as a note is, and that is still heard.
    fn is_heard_with(&self, note: &Line) -> bool {
        (note.last_seen_s..note.last_seen_s + HEARD_S).contains(&self.last_seen_s)
    }

    /// Whether the line lies beside a note that runs away from zero as a sideband does, softer.
    fn sideband_of(&self, note: &Line, beside: &dyn Fn(f64) -> bool) -> bool {
        let apart = (self.b.abs() - note.b.abs()).abs();
        self.b * self.r > 0.0
            && self.is_heard_with(note)
            && self.power < SIDEBAND * note.power
            && (self.r.abs() - note.r.abs()).abs() < HARMONIC_RATE_OFF.0 + HARMONIC_RATE_OFF.1 * note.r.abs()
            && beside(apart)
    }

    /// Whether the line is a harmonic of a note that runs away from zero.
    fn harmonic_of(&self, note: &Line) -> bool {
        let (f, rate) = (self.b.abs(), self.r.abs());
        let is = |k: f64| {
            (f - k * note.b.abs()).abs() < HARMONIC_OFF.0 + HARMONIC_OFF.1 * f
                && (rate - k * note.r.abs()).abs() < HARMONIC_RATE_OFF.0 + HARMONIC_RATE_OFF.1 * rate
        };
        self.b * self.r > 0.0
            && self.is_heard_with(note)
            && self.power < LOUDER_HARMONIC * note.power
            && HARMONICS.into_iter().any(is)
    }
}

impl Table {
    /// A note may come out of zero as a new line, or as what was a harmonic or a sideband on the way in, where its own line was
    /// caught by one of those: short frames see them the sooner. What it is since is given back to the line that was the note
    /// on the way in. `beside` tells whether a sideband may lie so far, Hz, from a note; the id of a new line that is one no more.
    pub fn come_down(&mut self, beside: &dyn Fn(f64) -> bool) -> Option<u32> {
        let (j, to, into, own) = (0..self.lines.len()).find_map(|j| {
            let note = &self.lines[j];
            let since_s = note.set_out_s()?;
            let rides = |l: &Line| l.harmonic_of(note) || l.sideband_of(note, beside);
            let out = |l: &Line| l.out_of_zero_s().is_some() || l.born_s > since_s;
            self.lines.iter().find(|l| rides(l) && out(l))?;
            let (to, into) = self.went_in(since_s)?;
            let was = &self.lines[to];
            let free = was.last_seen_s < note.last_seen_s || rides(was);
            // Where the note went past on its way in it was about as loud.
            let way_in = was.path.outline().partition_point(|p| p.at_s <= into.at_s);
            let passed = path::passed(&was.path.outline()[..way_in], note.b.abs());
            let softer = passed.is_some_and(|power| note.power < under::FAR_SOFTER * power);
            (to != j && free && !softer).then(|| (j, to, into, note.path.way_to_zero(since_s)))
        })?;
        let (note, was) = (self.lines[j].clone(), self.lines[to].clone());
        self.lines[to].goes_on_as(&note, &into, own.unwrap_or(into).at_s);
        if let Some(own) = own {
            self.lines[j].goes_on_as(&was, &own, into.at_s);
            return None;
        }
        self.lines.remove(j);
        Some(note.id)
    }

    /// The line that was the note when lines ran into zero before `since_s`, and its last sighting on the way there: the lowest of
    /// those that were about as loud as any.
    fn went_in(&self, since_s: f64) -> Option<(usize, Point)> {
        let runs = |i: &usize| self.lines[*i].confirmed() && self.lines[*i].born_s < since_s;
        let mut into: Vec<(usize, Point)> = (0..self.lines.len())
            .filter(runs)
            .filter_map(|i| Some((i, self.lines[i].path.way_to_zero(since_s)?)))
            .collect();
        // What ran into zero long before the others went through it another time.
        let last_s = into.iter().map(|(_, p)| p.at_s).fold(0.0, f64::max);
        into.retain(|(_, p)| p.at_s > last_s - TOGETHER_S);
        let first_s = into.iter().map(|(_, p)| p.at_s).min_by(f64::total_cmp)?;
        let then = |i: usize| self.lines[i].path.at(first_s, 0.3).map(|p| (p.b.abs(), p.power));
        let loudest = into.iter().filter_map(|(i, _)| then(*i)).map(|(_, power)| power).fold(0.0, f64::max);
        let height =
            |i: usize| then(i).filter(|(_, power)| *power > AS_LOUD * loudest).map_or(f64::MAX, |(b, _)| b);
        into.into_iter().min_by(|a, b| height(a.0).total_cmp(&height(b.0)))
    }
}

#[cfg(test)]
mod tests {
    use super::super::{SHORT_LOWEST_HZ, View};
    use super::*;
    use crate::beat::SHORT_S;
    use crate::spectrum::Peak;

    /// A note falls through zero and slows down beyond it; of what short frames see below 26 Hz only a harmonic is told apart, and
    /// that catches its line. It is given back when the note is seen again.
    #[test]
    fn a_note_comes_out_of_zero_as_itself() {
        let b = |t: f64| {
            let beyond_s = (t - 1.5).max(0.0);
            450.0 - 300.0 * t + 60.0 * beyond_s * beyond_s
        };
        for k in [2.0, 3.0] {
            let (mut table, mut over, mut now_s, mut gone) = (Table::default(), Vec::new(), 0.16, 0);
            while now_s < 2.4 {
                let view = View { seen: Seen::Short, end_s: now_s, length_s: SHORT_S, enbw_hz: 9.4 };
                let b = b(view.middle_s());
                // A path that falls off lets the harmonic through the sooner.
                let note = (b.abs(), 1.0, if b > 0.0 { SHORT_LOWEST_HZ } else { 45.0 });
                let peaks: Vec<Peak> = [note, (k * b.abs(), 0.5, SHORT_LOWEST_HZ)]
                    .into_iter()
                    .filter(|(hz, _, lowest)| hz > lowest)
                    .map(|(frequency_hz, power, _)| Peak { frequency_hz, power, snr: 1e5 * power })
                    .collect();
                table.advance(now_s, &mut over);
                table.observe(&peaks, &view, 40.0);
                gone += usize::from(table.come_down(&|_| false).is_some());
                now_s += 0.05;
            }
            let note = &table.lines[0];
            let now = b(note.now_s);
            assert!(
                note.id == 0 && (note.b - now).abs() < 4.0 && gone > 0,
                "{k}: {} for {now}, {gone}",
                note.b
            );
            let astray = |p: &&Point| (p.b - b(p.at_s)).abs() > 12.0;
            assert!(!note.path.recent().any(|p| astray(&p)), "{k}: {:?}", note.path.recent().find(astray));
        }
    }

    /// A sideband 60 Hz above a note goes through zero with it; what the note's line is taken for there is given back.
    #[test]
    fn a_sideband_is_not_taken_for_the_note() {
        let mut table = Table::default();
        let view = |end_s| View { seen: Seen::Short, end_s, length_s: SHORT_S, enbw_hz: 9.4 };
        let b = |t: f64| 500.0 * (1.0 - t);
        let mut line = |id: u32, f: fn(f64) -> f64, power: f64| {
            let mut made: Option<Line> = None;
            for hop in 3..32 {
                let end_s = f64::from(hop) * 0.05;
                let (view, peak) = (view(end_s), |hz: f64| Peak { frequency_hz: hz.abs(), power, snr: 1e4 });
                let hz = f(view.middle_s());
                if hz.abs() < SHORT_LOWEST_HZ {
                    continue;
                }
                if let Some(line) = &mut made {
                    line.advance(view.state_s());
                    line.update(&peak(hz), hz.signum(), &view);
                } else {
                    made = Some(Line::born(id, &peak(hz), &view));
                }
            }
            table.lines.extend(made);
        };
        // The note's line goes on at what is the sideband beyond zero, the sideband's at the note.
        line(0, |t| if t < 1.0 { 500.0 * (1.0 - t) } else { 500.0 * (1.0 - t) - 60.0 }, 1.0);
        line(1, |t| if t < 1.0 { 500.0 * (1.0 - t) + 60.0 } else { 500.0 * (1.0 - t) }, 1.0);
        table.lines[0].power = 0.02;
        for p in [0.7, 0.8, 0.9] {
            assert!(table.lines[1].path.at(p, 0.3).is_some());
        }
        assert_eq!(table.come_down(&|apart| (apart - 60.0).abs() < 3.0), None);
        let note = &table.lines[0];
        assert!((note.b - b(note.now_s)).abs() < 4.0 && (table.lines[1].b - note.b + 60.0).abs() < 4.0);
        assert!((note.power - 1.0).abs() < 1e-6, "{}", note.power);
    }

    /// What is left of hum stands at half the frequency of a far louder note for a moment: the note is no harmonic of that.
    #[test]
    fn a_far_louder_note_is_no_harmonic() {
        let view = View { seen: Seen::Short, end_s: 1.0, length_s: SHORT_S, enbw_hz: 9.4 };
        let line = |hz: f64, rate: f64, power: f64| {
            let mut line = Line::born(0, &Peak { frequency_hz: hz, power, snr: 1e4 }, &view);
            line.r = rate;
            line
        };
        let left = line(52.3, 165.0, 1e-4);
        assert!(line(105.0, 325.0, 1e-3).harmonic_of(&left));
        assert!(!line(105.0, 325.0, 4e-2).harmonic_of(&left));
    }
}
