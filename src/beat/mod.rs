//! The ear: from conditioned samples to what was heard.
//!
//! Twenty times a second a short frame is looked at (and copies of it with slides undone), five times a second a
//! medium one, twice a second a long one. Their peaks feed the table of `lines`, one filter a line; the hum is
//! found in the long frames and taken out of what the others see. A line that stands still opens a `rest`, whose
//! sums gather until it moves again. What is note, harmonic, sideband or whistle is decided by the `story` from the
//! lives of all lines, so a label can be revised until the end. Nothing grows with the length of the sound but the
//! short records of what was heard.

mod adler;
mod chain;
mod choice;
mod coupling;
mod declared;
mod doubt;
mod ears;
mod ending;
mod family;
mod frames;
mod hand;
mod history;
mod hum;
mod joint;
mod life;
mod lines;
mod looks;
mod low;
mod mend;
mod overtones;
mod pair;
mod passage;
mod path;
mod pulling;
mod rest;
mod rolloff;
mod sounding;
mod standing;
mod steady;
mod story;
mod stretch;
mod swell;
mod telling;
mod under;

pub use ears::{Ears, Tells};

use crate::estimate::Comb;
use crate::heard::{CrossingKind, Heard, Level, TrackRow, Warning};
use crate::settings::{Command, Settings};
use crate::spectrum::{Peak, RealFrame};
use choice::{Candidate, Choice};
use declared::Declarations;
use frames::{Frames, SHORT_S, frame, samples};
use history::History;
use hum::{HumFollower, RESIDUE_HZ};
use life::Life;
use lines::{Line, Seen, Table};
use rest::Measured;
use standing::{Closed, Standing};
use std::collections::HashMap;
use story::Story;
use telling::Provisional;

/// Time from one look to the next, s.
const HOP_S: f64 = 0.05;
/// Hops between medium and between long frames.
const MEDIUM_EVERY: u64 = 4;
const LONG_EVERY: u64 = 10;
/// Length of the frame that a weak note is found in, s, and hops between two of them.
const DEEP_S: f64 = 3.2;
const DEEP_EVERY: u64 = 16;
/// The first look for hum: in how long a frame, and after how many hops.
const EARLY_S: f64 = 1.024;
const FIRST_HUM_LOOK: u64 = 21;
/// A track row is final this long after its instant, s.
const LAG_S: f64 = 3.0;
/// A line that has not been heard for so long is no double of one that is, s.
const UNHEARD_S: f64 = 0.5;
/// Longest gap between two sightings that a row may bridge, s.
const ROW_GAP_S: f64 = 0.3;
/// How much of the sound is kept for a rest to begin in, s.
const KEPT_S: f64 = 12.0;

/// What stays beside a hum line for longer is no residue of it, s.
const PASSING_S: f64 = 8.0;
/// How near to a line of the hum something stands on it, Hz, and how much louder the note is, in power, that left it there.
const ON_HUM_HZ: f64 = 0.25;
const LOUDER: f64 = 30.0;

/// Lives whose soundings are kept.
const LIVES_SOUNDED: usize = 40;

/// How far from its place beside a note that runs a sideband may be seen, Hz.
const BESIDE_OFF_HZ: f64 = 3.0;

/// What a line has besides its track.
#[derive(Default)]
struct Dossier {
    standing: Option<Standing>,
    rests: Vec<(Measured, f64)>,
    /// The newest of them, or what could not be measured.
    closed: Option<Closed>,
    passages: Vec<passage::Passage>,
    rest_until_s: f64,
    /// Instant up to which sign changes have been judged.
    judged_s: f64,
    soundings: sounding::Soundings,
}

/// A line that has ended lately: what the rows still to be written need of it.
struct Ended {
    line: Line,
    passages: Vec<passage::Passage>,
    /// Where it stood still, with the signs that it had then.
    rests: Vec<(Measured, f64)>,
}

/// The ear for one channel at the working rate.
pub struct Ear {
    rate_hz: f64,
    raw: History,
    clean: History,
    hop: usize,
    hops: u64,
    frames: Frames,
    deep: RealFrame,
    /// For the hum before a long frame is full.
    early: RealFrame,
    /// Scratch for lines that are over, and for frequencies, Hz.
    over: Vec<Line>,
    noted: Vec<f64>,
    /// Scratch for sound that a hum line is given back to.
    gift: Vec<f32>,
    /// Peaks of the newest long frame of all that is heard, and the sample it ended with.
    long_peaks: Vec<Peak>,
    long_seen: u64,
    low: low::Low,
    hop_buffer: Vec<f32>,
    table: Table,
    dossiers: HashMap<u32, Dossier>,
    past: Vec<Life>,
    hum: HumFollower,
    declared: Declarations,
    station_tones: bool,
    rows: Vec<TrackRow>,
    /// Which line is the note now, and which was when the newest row was written.
    now: Choice,
    then: Choice,
    /// Scratch for lines that may be it.
    candidates: Vec<Candidate>,
    /// Lines that have ended lately, with their passages, for the rows still to be written.
    ended: Vec<Ended>,
    provisional: Option<Provisional>,
    swells: swell::Swells,
    silence: Option<coupling::Silence>,
}

impl Ear {
    /// An ear for samples at `rate_hz`, at least 400 Hz.
    pub fn new(rate_hz: f64, settings: &Settings) -> Self {
        let hop = samples(HOP_S, rate_hz);
        Self {
            rate_hz,
            raw: History::new(samples(KEPT_S, rate_hz)),
            clean: History::new(samples(KEPT_S, rate_hz)),
            hop,
            hops: 0,
            frames: Frames::new(rate_hz),
            deep: frame(DEEP_S, rate_hz),
            early: frame(EARLY_S, rate_hz),
            over: Vec::new(),
            noted: Vec::new(),
            gift: Vec::new(),
            long_peaks: Vec::new(),
            long_seen: 0,
            low: low::Low::new(rate_hz),
            hop_buffer: Vec::new(),
            table: Table::default(),
            dossiers: HashMap::new(),
            past: Vec::new(),
            hum: HumFollower::new(rate_hz, settings.mains),
            declared: Declarations::new(settings),
            station_tones: settings.station_tones,
            rows: Vec::new(),
            now: Choice::default(),
            then: Choice::default(),
            candidates: Vec::new(),
            ended: Vec::new(),
            provisional: None,
            swells: swell::Swells::new(rate_hz, hop, settings.station_tones),
            silence: None,
        }
    }

    /// Takes a declaration that holds from `at_s` on.
    pub fn command(&mut self, at_s: f64, command: Command) {
        match command {
            Command::Hand(hand) => self.declared.hand(at_s, hand),
            Command::Turning(turning) => self.declared.turning(at_s, turning),
            Command::Mains(mains) => self.hum.set_mains(mains),
            Command::Channel(_) => {}
        }
    }

    /// Takes conditioned samples; `each_look` is called after every look with the ear itself.
    pub fn push(&mut self, samples: &[f32], each_look: &mut dyn FnMut(&mut Self)) {
        let mut rest = samples;
        while !rest.is_empty() {
            let next_look = (self.hops + 1) * self.hop as u64;
            let take = rest.len().min((next_look - self.raw.end()) as usize);
            self.raw.push(&rest[..take]);
            rest = &rest[take..];
            if self.raw.end() == next_look {
                self.look();
                each_look(self);
            }
        }
    }

    /// Instant of the newest look, s.
    pub fn now_s(&self) -> f64 {
        (self.hops * self.hop as u64) as f64 / self.rate_hz
    }

    /// Rows that have become final since the last call.
    pub fn drain_rows(&mut self) -> std::vec::Drain<'_, TrackRow> {
        self.rows.drain(..)
    }

    fn look(&mut self) {
        self.hops += 1;
        let end = self.hops * self.hop as u64;
        let now_s = end as f64 / self.rate_hz;
        self.hop_buffer.clear();
        let mut noted = std::mem::take(&mut self.noted);
        noted.clear();
        let hum = &self.hum;
        let notes = self.table.lines.iter().filter(|l| l.confirmed() && l.r.abs() < 8.0);
        // What a line of the hum leaves of itself is no note that it would have to be kept from.
        let notes = notes.filter(|l| !hum.is_residue(l.b.abs(), l.power));
        let notes = notes.filter(|l| l.path.travelled() || !hum.is_line(l.b.abs(), RESIDUE_HZ));
        let notes = notes.filter(|l| !self.is_left_on_hum(l));
        noted.extend(notes.map(|l| l.b.abs()));
        let hop = self.raw.slice(end - self.hop as u64, end);
        self.hum.clean(hop, &noted, &mut self.hop_buffer);
        self.noted = noted;
        self.clean.push(&self.hop_buffer);
        self.swells.push(&self.hop_buffer);
        let mut over = std::mem::take(&mut self.over);
        self.table.advance(now_s, &mut over);
        for line in over.drain(..) {
            self.bury(line);
        }
        self.over = over;
        self.ended.retain(|e| now_s - e.line.last_seen_s < LAG_S + 1.0);
        self.look_short(end);
        self.take_soundings(end, now_s);
        if self.hops.is_multiple_of(MEDIUM_EVERY) {
            self.look_medium(end);
        }
        if self.hops.is_multiple_of(LONG_EVERY) || self.hops == FIRST_HUM_LOOK {
            self.look_for_hum(end);
        }
        if self.hops.is_multiple_of(self.deep_every(now_s)) {
            self.look_deep(end);
        }
        if self.hops.is_multiple_of(LONG_EVERY) {
            self.look_long(end);
            self.look_low(end, now_s);
            self.offer_tones();
        }
        let hum_hz = self.hum.fundamental_hz();
        let beside = |apart_hz: f64| {
            hum_hz.is_some_and(|hum| mend::apart_by_hum(apart_hz, 0.0, hum, BESIDE_OFF_HZ))
                || self.station_tones && story::is_station_tone_near(apart_hz, BESIDE_OFF_HZ)
        };
        if let Some(gone) = self.table.come_down(&beside) {
            self.dossiers.remove(&gone);
        }
        while let Some(double) = self.table.double() {
            let lesser = self.table.lines.extract_if(.., |l| l.id == double).next();
            // What has not been heard for long only happens to be expected there: it was a line of its own.
            match lesser.filter(|l| l.last_seen_s < now_s - UNHEARD_S) {
                Some(line) => self.bury(line),
                None => drop(self.dossiers.remove(&double)),
            }
        }
        self.follow_rests(end, now_s);
        self.judge_passages(now_s);
        self.write_rows(now_s, LAG_S);
    }

    fn bury(&mut self, line: Line) {
        // Of what is never told no rest is measured.
        let told = line.confirmed() && !self.is_passing_hum(&line);
        if told {
            let beside = self.beside(&line);
            self.close_rest(line.id, line.b.signum(), &beside);
        }
        let dossier = self.dossiers.remove(&line.id).unwrap_or_default();
        if told
            && (line.path.travelled() || line.last_seen_s - line.born_s > 0.8 || !dossier.rests.is_empty())
        {
            let mut life = Life::of(&line, dossier.rests.clone(), dossier.passages.clone(), false);
            life.soundings = dossier.soundings.all().to_vec();
            // Only how the last of them ended is ever asked.
            if let Some(old) = self.past.len().checked_sub(LIVES_SOUNDED) {
                self.past[old].soundings = Vec::new();
            }
            self.past.push(life);
            self.ended.push(Ended { passages: dossier.passages, rests: dossier.rests, line });
        }
    }

    /// Whether a line that moved is but the line of the hum that it stands on: a note that passed there carried it along, and
    /// is heard elsewhere, far louder. Kept for a note, it would keep that line of the hum from being taken out, and so itself
    /// alive.
    fn is_left_on_hum(&self, line: &Line) -> bool {
        let passed = |l: &Line| l.confirmed() && l.path.travelled() && l.power > LOUDER * line.power;
        self.hum.takes_out(line.b.abs(), ON_HUM_HZ) && self.table.lines.iter().any(passed)
    }

    /// Whether a line is for all that is known what a wandering line of the hum left of itself for a few seconds.
    fn is_passing_hum(&self, line: &Line) -> bool {
        !line.path.travelled()
            && line.last_seen_s - line.born_s < PASSING_S
            && self.hum.may_be_residue(line.b.abs(), line.power)
    }

    /// Looks at lines whose sign has changed with sightings on both sides, or that were silent near zero and may have changed it.
    fn judge_passages(&mut self, now_s: f64) {
        for line in &mut self.table.lines {
            let dossier = self.dossiers.entry(line.id).or_default();
            let new = |t: &f64| *t > dossier.judged_s;
            let turned = line.path.turned_s().is_some_and(|t| new(&t));
            let dipped_s = line.path.dipped_s().filter(new).filter(|t| now_s > t + path::DIP_KNOWN_S);
            if !turned && dipped_s.is_none() {
                continue;
            }
            let points: Vec<path::Point> = line.path.recent().copied().collect();
            let turns = |i: usize| points[i].b * points[i - 1].b < 0.0;
            let turn = (1..points.len()).rev().find(|&i| turned && new(&points[i].at_s) && turns(i));
            let dip = || {
                let dip_s = line.path.dip_after(dossier.judged_s)?;
                (1..points.len()).find(|&i| points[i].at_s >= dip_s)
            };
            let Some(turn) = turn.or_else(dip) else {
                dossier.judged_s = dipped_s.unwrap_or(dossier.judged_s);
                continue;
            };
            let (before, after) = points.split_at(turn);
            let enough = after.len() >= 8 || after.last().is_some_and(|p| p.at_s - after[0].at_s > 0.4);
            if !enough || after[0].at_s > now_s - 0.3 {
                continue;
            }
            let near =
                |p: &&path::Point, t: f64| (p.at_s - t).abs() < passage::ABOUT_S && p.seen == Seen::Short;
            let (s, t) = (before[before.len() - 1].at_s, after[0].at_s);
            dossier.judged_s = t;
            let before: Vec<_> = before.iter().filter(|p| near(p, s)).copied().collect();
            let after: Vec<_> = after.iter().filter(|p| near(p, t)).copied().collect();
            let judged = passage::judge(&before, &after);
            // What was seen on either side may be too little to tell by: then nobody knows.
            let unseen = turns(turn).then(|| passage::Passage {
                at_s: f64::midpoint(s, t),
                u_s: 0.3 * (t - s),
                kind: CrossingKind::Unsure,
            });
            if let Some(p) = judged.or(unseen) {
                let changed = match p.kind {
                    CrossingKind::Crossed => true,
                    CrossingKind::TurnedBack => false,
                    CrossingKind::Unsure => turns(turn),
                };
                if changed != turns(turn) {
                    line.turn_back(t);
                }
                // What was told of this silence before, from sightings that were another line's, is told anew.
                dossier.passages.retain(|before| before.at_s < s);
                dossier.passages.push(p);
            }
        }
    }

    /// Ends the sound: all that was heard. `level` and `warnings` come from the conditioning.
    pub fn finish(mut self, level: Level, mut warnings: Vec<Warning>) -> (Heard, Vec<TrackRow>) {
        let end = self.raw.end();
        let now_s = end as f64 / self.rate_hz;
        self.follow_rests(end, now_s);
        // All rests are closed while it is known of each what stands beside the others.
        let lines = self.table.lines.clone();
        let beside: Vec<Comb> = lines.iter().map(|l| self.beside(l)).collect();
        let stands = |l: &Line| self.dossiers.get(&l.id).is_some_and(|d| d.standing.is_some());
        let standing: Vec<bool> = lines.iter().map(stands).collect();
        for (line, beside) in lines.iter().zip(beside) {
            self.close_rest(line.id, line.b.signum(), &beside);
        }
        let mut lag = LAG_S - HOP_S;
        while lag > HOP_S / 2.0 {
            self.write_rows(now_s, lag);
            lag -= HOP_S;
        }
        for (line, standing) in lines.into_iter().zip(standing) {
            let dossier = self.dossiers.remove(&line.id).unwrap_or_default();
            if line.confirmed() && !self.is_passing_hum(&line) {
                let mut life = Life::of(&line, dossier.rests, dossier.passages, true);
                life.soundings = dossier.soundings.all().to_vec();
                life.standing_at_end = standing;
                self.past.push(life);
            }
        }
        let (swells, doubt) = self.swells.finish();
        warnings.extend(doubt);
        let story = Story {
            swells,
            lives: self.past,
            hum: &self.hum,
            declared: self.declared,
            station_tones: self.station_tones,
            end_s: now_s,
        };
        (story.tell(level, warnings), self.rows)
    }
}

/// Puts an item in its place among the best so far, in order; the last of them drops out.
fn rank<T>(best: &mut [T], item: T, before: impl Fn(&T, &T) -> bool) {
    if let Some(place) = best.iter().position(|old| before(&item, old)) {
        best[place..].rotate_right(1);
        best[place] = item;
    }
}
