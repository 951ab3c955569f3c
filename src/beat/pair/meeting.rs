//! The notes run together: nearer than the lines of the table tell apart.
//!
//! From here on the note that stood is foretold by its own steady course; tones found together ([`super::close`]) are put
//! in order by it, and lead it on where they agree. They part where there is a line where the standing note must be, and
//! another at some distance.

use super::close::Found;
use super::motion::{CLEAR_HZ, Sighting};
use super::note::Note;
use super::sight::Sight;
use super::wide;
use crate::beat::HOP_S;
use crate::beat::lines::{Line, Seen};
use crate::estimate::Normal;
use std::collections::VecDeque;

/// Where the notes meet and where they part again, Hz.
pub const MEET_HZ: f64 = 22.0;
pub const PART_HZ: f64 = 27.0;
/// Windows that are believed against what was foretold, s, and by how much the drift in a shorter one may differ, Hz/s.
const LEARN_S: f64 = 3.0;
const OTHER_RATE: f64 = 0.05;
/// Looks in a row for which notes that part are apart.
const PARTING: u32 = 3;
const COURSE_S: f64 = 4.0;

/// The notes run together.
#[derive(Debug, Clone, Copy)]
pub struct Meeting {
    pub since_s: f64,
    /// The one that stood, its frequency, rate and their instant when last known.
    pub stander: usize,
    pub hz: f64,
    pub rate: f64,
    pub at_s: f64,
    /// Whether that is from its phase, the rate too.
    pub exact: bool,
    /// The lines that the notes were.
    pub lines: [Option<u32>; 2],
    /// Of the tones found last the one that stood, their distance, and whether that was sure.
    pub order: Option<(usize, f64, bool)>,
    /// Looks in a row at which they were apart again.
    pub parting: u32,
}

impl Meeting {
    /// The notes run together: from here on the one that stood is foretold.
    pub fn begin(notes: &[Note; 2], ring: &VecDeque<Sighting>, sight: &Sight, now_s: f64) -> Self {
        let rough = [0, 1].map(|i| course(ring, i, now_s));
        let speed = |i: usize| rough[i].map_or(notes[i].rate, |c| c.1).abs() + 0.001 * i as f64;
        let stander = usize::from(speed(1) < speed(0));
        let (hz, rate) =
            rough[stander].map_or((notes[stander].hz, 0.0), |(hz, rate)| (hz, rate.clamp(-0.5, 0.5)));
        let mut meeting = Self {
            since_s: now_s,
            stander,
            hz,
            rate,
            at_s: now_s,
            exact: false,
            lines: notes.map(|n| n.line),
            order: None,
            parting: 0,
        };
        // By its phase, over the time that the other was too far away to disturb it.
        if let Some(last) = ring.iter().rposition(|s| s.apart().abs() > CLEAR_HZ) {
            let to_s = ring[last].at_s;
            let near = ring.range(..last).rposition(|s| s.apart().abs() < CLEAR_HZ);
            let from_s = near.map_or(ring[0].at_s, |i| ring[i].at_s).max(to_s - COURSE_S);
            let sound = sight.sound();
            let about = hz - rate * (now_s - f64::midpoint(from_s, to_s));
            if let Some((hz, rate)) = wide::course(sound, about, (from_s, to_s)) {
                meeting = Self { hz, rate, at_s: to_s, exact: true, ..meeting };
            }
        }
        meeting
    }

    /// Which of the tones found is the one that stood, and whether that is sure.
    pub fn place(&self, found: &Found, now_s: f64) -> (usize, bool) {
        let age = now_s - self.at_s;
        let apart = found.hz[1] - found.hz[0];
        if let Some((place, before, sure)) = self.order
            && age < 1.1
            && (before - apart).abs() < 0.3 * apart + 3.0 * found.u_hz
        {
            return (place, sure);
        }
        let (foretold, doubt) = self.foretold(now_s);
        let off = found.hz.map(|f| (f - foretold).abs());
        let place = usize::from(off[1] < off[0]);
        let sure = off[place] < 0.3 + 3.0 * doubt && (off[1] - off[0]).abs() > doubt.min(0.8 * apart);
        (place, sure)
    }

    /// Where the standing note must be, Hz, and how far from there it may be.
    pub fn foretold(&self, now_s: f64) -> (f64, f64) {
        let age = now_s - self.at_s;
        let (sudden, steady, wander) = if self.exact { (0.03, 0.008, 0.02) } else { (0.1, 0.05, 0.03) };
        (self.hz + self.rate * age, sudden + steady * age + wander * age.sqrt())
    }

    /// Takes the standing note's course from tones found, where it agrees with what was known or was long looked at.
    pub fn learn(&mut self, found: &Found, place: usize, now_s: f64) {
        let (foretold, doubt) = self.foretold(now_s);
        let told = found.tells_rate();
        let elsewhere = (found.hz[place] - foretold).abs() > 3.0 * doubt;
        // What is left of the hand's move in a window bends what is fitted to it.
        let bent = told && self.exact && (found.rates[place] - self.rate).abs() > OTHER_RATE;
        if (elsewhere || bent) && found.window_s < LEARN_S {
            return;
        }
        (self.hz, self.at_s) = (found.hz[place], now_s);
        self.exact |= told;
        if told {
            self.rate = found.rates[place];
        }
    }

    /// Lets the notes part: one line where the standing note must be, another at some distance, for some looks in a row.
    pub fn part(&mut self, notes: &[Note; 2], sight: &Sight, now_s: f64) -> Option<[Note; 2]> {
        let age = now_s - self.at_s;
        let (foretold, _) = self.foretold(now_s);
        let lines = || {
            let heard = |l: &&Line| l.hits >= 3 && now_s - l.last_seen_s < HOP_S && l.seen != Seen::Long;
            sight.table.lines.iter().filter(heard)
        };
        let off = |l: &Line| (l.b - foretold).abs();
        let stander = lines()
            .filter(|l| off(l) < 2.5 + 0.3 * age.min(8.0) && l.r.abs() < 30.0)
            .min_by(|a, b| off(a).total_cmp(&off(b)));
        // What was there beside them before they met is not the one that comes out.
        let fresh = |l: &&Line| {
            l.path.travelled() || l.born_s > self.since_s - 0.5 || self.lines.contains(&Some(l.id))
        };
        let loud = |l: &&Line| l.power > 0.03 * notes[1 - self.stander].power;
        let mover = stander.and_then(|stander| {
            lines()
                .filter(|l| l.id != stander.id && (PART_HZ..400.0).contains(&(l.b - stander.b).abs()))
                .filter(|l| fresh(l) && loud(l))
                .max_by(|a, b| a.power.total_cmp(&b.power))
        });
        let Some((stander, mover)) = stander.zip(mover) else {
            self.parting = 0;
            return None;
        };
        self.parting += 1;
        if self.parting < PARTING {
            return None;
        }
        let mut notes = [Note::of(stander, now_s); 2];
        notes[1 - self.stander] = Note::of(mover, now_s);
        Some(notes)
    }
}

/// Frequency now and rate of a note over its last seconds of standing, by least squares.
fn course(ring: &VecDeque<Sighting>, note: usize, now_s: f64) -> Option<(f64, f64)> {
    let fit = |length_s: f64, far: bool| {
        let mut normal = Normal::new(2);
        // Just before they meet, each pulls the other's peak towards itself.
        let clear = |s: &&Sighting| now_s - s.at_s < length_s && (!far || s.apart().abs() > 2.0 * PART_HZ);
        for s in ring.iter().filter(clear) {
            normal.add(&[1.0, s.at_s - now_s], s.hz[note]);
        }
        if normal.rows() < 6 {
            return None;
        }
        let x = normal.solve()?.x;
        let scatter = (normal.misfit(&x) / (normal.rows() - 2) as f64).sqrt();
        Some((x[0], x[1], scatter))
    };
    let far = fit(4.0, true).is_some();
    let (hz, rate, scatter) = fit(if far { 2.0 } else { 1.2 }, far)?;
    // A longer stretch tells a slow drift far better, as long as it is one.
    let long = fit(4.0, far).filter(|l| l.2 < 2.0 * scatter + 0.1 && rate.abs() < 3.0);
    Some(long.map_or((hz, rate), |l| (l.0, l.1)))
}
