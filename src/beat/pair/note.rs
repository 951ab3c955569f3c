//! One of the notes: which line of the table it is, and where it goes while it is not heard.
//!
//! A line of the table takes whatever peak is near. What a key's click leaves, or the other note where this one is silent,
//! is not the note: it is fainter, or it lasts for a look or two. So a note has a course of its own, smoothed and
//! critically damped, which goes on through silences; it is with whichever line is loud enough and on that course.

use super::close::Found;
use super::sight::Sight;
use crate::beat::HOP_S;
use crate::beat::lines::Line;
use crate::beat::path::Point;

/// A line that was last seen longer ago than this is silent now, s: two short frames went by without it.
pub const HEARD_S: f64 = 0.12;
/// How soon a note that is silent stops, s, and how soon it may have become fainter meanwhile, s.
const COAST_S: f64 = 0.15;
const FAINTER_S: f64 = 3.0;
/// A line was where a note was lost that was within this, s and Hz, of it; one that came up since and has this part of its
/// power, or comes from there, is the note after so long, s.
const LOST_S: f64 = 0.3;
const LOST_HZ: f64 = 40.0;
const ROSE_PART: f64 = 0.3;
const ELSEWHERE_S: f64 = 0.5;
/// A line with less than this part of its note's power is not the note; one this far from the note's course, Hz, and so
/// far as the note goes within a time, s, may be a key's click.
pub const CLICK_PART: f64 = 0.03;
const CLICK_HZ: f64 = 4.0;
const CLICK_S: f64 = 0.1;
/// Shares of what a line is off that are put to a course and to its rate: critically damped.
const LEAD: (f64, f64) = (0.35, 0.075);
/// Looks that a line must be elsewhere for the note to be there.
const AWAY: u32 = 5;

/// One of the notes.
#[derive(Debug, Clone, Copy)]
pub struct Note {
    /// The line that it is.
    pub line: Option<u32>,
    /// Frequency, Hz, and rate, Hz/s, at the newest look.
    pub hz: f64,
    pub rate: f64,
    pub seen_s: f64,
    /// Where it was then, Hz.
    lost_hz: f64,
    pub power: f64,
    /// Its own course: frequency, Hz, and rate, Hz/s, smoothed, and for how many looks its line has been elsewhere.
    course: (f64, f64),
    away: u32,
}

impl Note {
    pub fn of(line: &Line, now_s: f64) -> Self {
        Self {
            line: Some(line.id),
            hz: line.b,
            rate: line.r,
            seen_s: now_s,
            lost_hz: line.b,
            power: line.power,
            course: (line.b, line.r),
            away: 0,
        }
    }

    /// Tone `i` of a pair found together, which is no line of its own.
    pub fn found(found: &Found, i: usize, now_s: f64) -> Self {
        Self {
            line: None,
            hz: found.hz[i],
            rate: found.rates[i],
            seen_s: now_s,
            lost_hz: found.hz[i],
            power: found.powers[i],
            course: (found.hz[i], found.rates[i]),
            away: 0,
        }
    }

    /// Takes what its line does, or goes on as it was going.
    pub fn follow(&mut self, sight: &Sight, now_s: f64) {
        let line = self.line.and_then(|id| sight.table.lines.iter().find(|l| l.id == id));
        if let Some(l) = line.filter(|l| now_s - l.last_seen_s < HEARD_S && self.is_heard_in(l)) {
            (self.hz, self.rate, self.seen_s, self.lost_hz) = (l.b, l.r, l.last_seen_s, l.b);
            self.power += 0.2 * (l.power - self.power);
            self.lead_course(l);
            return;
        }
        (self.hz, self.rate) = self.course;
        self.course.0 += self.course.1 * HOP_S;
        self.course.1 *= (-HOP_S / COAST_S).exp();
        // A line that goes after something else meanwhile is no longer the note's.
        let gone = |l: &Line| (l.b - self.hz).abs() > CLICK_HZ && !self.is_heard_in(l);
        if line.is_none_or(gone) {
            self.line = None;
        }
    }

    /// Leads the note's own course on: a key's click throws a line aside for a look or two, a hand moves it for longer.
    pub fn lead_course(&mut self, line: &Line) {
        let (hz, rate) = (self.course.0 + self.course.1 * HOP_S, self.course.1);
        let off = line.b - hz;
        self.away = if off.abs() > CLICK_HZ + CLICK_S * rate.abs() { self.away + 1 } else { 0 };
        self.course = match self.away {
            0 => (hz + LEAD.0 * off, rate + LEAD.1 * off / HOP_S),
            1..AWAY => (hz, rate),
            _ => (line.b, line.r),
        };
    }

    /// Whether a line is loud enough to be the note: a key's click, and what the other note leaves here, are fainter.
    pub fn is_heard_in(&self, line: &Line) -> bool {
        self.is_heard_after(line, 0.0)
    }

    /// The same after a silence, s, out of which it may come fainter.
    pub fn is_heard_after(&self, line: &Line, silent_s: f64) -> bool {
        let least = CLICK_PART * (-silent_s / FAINTER_S).exp() * self.power;
        line.path.recent().next_back().is_some_and(|p| p.power > least)
    }

    /// Looks for a note that was lost, near where it was; `other` is taken.
    pub fn recover(&mut self, sight: &Sight, now_s: f64, other: Option<u32>) {
        let heard = |l: &Line| now_s - l.last_seen_s < HEARD_S;
        if self.line.is_some() && now_s - self.seen_s < HEARD_S {
            return;
        }
        let silent_s = now_s - self.seen_s;
        let gate = if silent_s < 0.6 { 12.0 + 0.3 * self.rate.abs() } else { 3.0 + 0.4 * silent_s };
        let off = |l: &&Line| (l.b - self.hz).abs();
        let back: Vec<&Line> = candidates(sight, now_s)
            .into_iter()
            .filter(|l| heard(l) && Some(l.id) != other && self.is_heard_after(l, silent_s))
            .collect();
        let here = back.iter().copied().filter(|l| off(l) < gate).min_by(|a, b| off(a).total_cmp(&off(b)));
        // Elsewhere: a line that came from where it was lost, or that came up since and is as loud.
        let came = |l: &&Line| {
            let near =
                |p: &Point| (p.at_s - self.seen_s).abs() < LOST_S && (p.b - self.lost_hz).abs() < LOST_HZ;
            l.path.travelled() && l.path.recent().any(near)
        };
        let rose = |l: &&Line| l.born_s > self.seen_s - LOST_S && l.power > ROSE_PART * self.power;
        let elsewhere = || {
            let late = silent_s > ELSEWHERE_S;
            back.iter()
                .copied()
                .filter(|l| late && (came(l) || rose(l)))
                .max_by(|a, b| a.power.total_cmp(&b.power))
        };
        let found = here.or_else(elsewhere);
        if let Some(line) = found {
            *self = Self { power: self.power, ..Self::of(line, now_s) };
        }
    }
}

/// Lines that may be a note.
pub fn candidates(sight: &Sight, now_s: f64) -> Vec<&Line> {
    let heard = |l: &&Line| l.confirmed() && l.hits >= 5 && now_s - l.last_seen_s < 0.3;
    let hum = |l: &Line| !l.path.travelled() && sight.hum.is_line(l.b, 0.4);
    sight.table.lines.iter().filter(heard).filter(|l| !hum(l)).collect()
}
