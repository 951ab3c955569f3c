//! The ear: from conditioned samples to what was heard.
//!
//! Twenty times a second a short frame is looked at (and copies of it with slides undone), five times a second a
//! medium one, twice a second a long one. Their peaks feed the table of `lines`, one filter a line; the hum is
//! found in the long frames and taken out of what the others see. A line that stands still opens a `rest`, whose
//! sums gather until it moves again. What is note, harmonic, sideband or whistle is decided by the `story` from the
//! lives of all lines, so a label can be revised until the end. Nothing grows with the length of the sound but the
//! short records of what was heard.

mod adler;
mod coupling;
mod declared;
mod ears;
mod ending;
mod frames;
mod history;
mod hum;
mod joint;
mod life;
mod lines;
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
mod steady;
mod story;
mod swell;

pub use ears::{Ears, Tells};

use crate::estimate::{BlockSums, Comb};
use crate::heard::{CrossingKind, EndingState, Heard, Level, Snapshot, TrackRow, TrackState, Warning};
use crate::offset::Side;
use crate::settings::{Command, Settings};
use crate::spectrum::{Peak, RealFrame, drop_side_lobes};
use declared::Declarations;
use frames::{Asked, Frames, SHORT_S, frame, samples};
use history::History;
use hum::{HumFollower, RESIDUE_HZ};
use life::Life;
use lines::{Line, Seen, Table, View};
use rest::Measured;
use std::collections::HashMap;
use story::Story;

/// Time from one look to the next, s.
const HOP_S: f64 = 0.05;
/// Hops between medium and between long frames.
const MEDIUM_EVERY: u64 = 4;
const LONG_EVERY: u64 = 10;
/// Length of the frame that a weak note is found in, hops between two of them, and what stands out of the floor there:
/// once in ten hours by chance (e^-28 in each of 12 000 bins, 4500 frames an hour).
const DEEP_S: f64 = 3.2;
const DEEP_EVERY: u64 = 16;
const DEEP_BIRTH: f64 = 28.0;
/// What is asked of a long frame.
const LONG_ASKED: Asked = Asked { lowest_hz: 1.5, least_snr: 18.0, most: 32 };
/// The first look for hum: in how long a frame, and after how many hops.
const EARLY_S: f64 = 1.024;
const FIRST_HUM_LOOK: u64 = 21;
/// How far back the sound is cleaned of hum that has just been found, s.
const HUM_BACK_S: f64 = 2.0;
/// How long before it was seen to stand a rest may have begun, s.
const BEFORE_S: f64 = 1.2;
/// A rest younger than this begins anew when more hum is found, s.
const YOUNG_S: f64 = 3.0;
/// A rest is measured with a hum line beside it when the two have turned this often against each other.
const LEAST_TURNS: f64 = 1.5;
/// A track row is final this long after its instant, s.
const LAG_S: f64 = 3.0;
/// Longest gap between two sightings that a row may bridge, s.
const ROW_GAP_S: f64 = 0.3;
/// How much of the sound is kept for a rest to begin in, s.
const KEPT_S: f64 = 12.0;

/// What stays beside a hum line for longer is no residue of it, s.
const PASSING_S: f64 = 8.0;

/// Time from one look at what pulls a rest under way to the next, s.
const PULL_EVERY_S: f64 = 1.0;
/// For how long a pull counts that was found, s.
const PULL_KEPT_S: f64 = 5.0;

/// How near to where an image would be a line is one, Hz.
const IMAGE_HZ: f64 = 0.4;

/// How near to where a note has stood something is that it left behind, Hz, and how often it must have been seen there.
const LEFT_HZ: f64 = 2.0;
const LEFT_POINTS: usize = 4;

/// Lives whose soundings are kept.
const LIVES_SOUNDED: usize = 40;

/// How far back is asked whether a rest that is open goes on, s.
const GOES_ON_S: f64 = 2.5;

/// A rest under way.
struct Standing {
    /// On sound without any hum.
    sums: BlockSums,
    /// On sound with the hum lines beside the note.
    beside: Option<(Vec<u32>, BlockSums)>,
    core: (f64, f64),
    frequency_hz: f64,
    /// How far the note has been from the sums' carrier at most, Hz.
    apart_hz: f64,
    strikes: u32,
}

impl Standing {
    /// A rest that begins with sample `first` at a note near `frequency_hz` that stood still over `core`.
    fn begin(frequency_hz: f64, core: (f64, f64), first: u64, rate_hz: f64, hum: &HumFollower) -> Self {
        let sums = || rest::sums_for(frequency_hz, rate_hz, first).with_room();
        let orders = hum.beside(frequency_hz);
        let beside = (!orders.is_empty()).then(|| (orders, sums()));
        Self { sums: sums(), beside, core, frequency_hz, apart_hz: 0.0, strikes: 0 }
    }

    /// Takes all that has been heard since, up to sample `end`; `gift` is scratch.
    fn take(&mut self, clean: &History, end: u64, hum: &HumFollower, hop: usize, gift: &mut Vec<f32>) {
        let news = clean.slice(self.sums.next_sample(), end);
        self.apart_hz = self.apart_hz.max((self.frequency_hz - self.sums.carrier_hz()).abs());
        self.sums.fold(self.apart_hz);
        self.sums.push(news);
        if let Some((orders, beside)) = &mut self.beside {
            gift.clear();
            gift.extend_from_slice(news);
            hum.give_back(orders, hop, gift);
            beside.fold(self.apart_hz);
            beside.push(gift);
        }
    }

    /// The rest as it is known now; `beside` is what stands beside the note.
    fn measure(&self, beside: &Comb) -> Option<Measured> {
        let nearest = beside.orders.iter().map(|&h| f64::from(h) * beside.fundamental_hz - self.frequency_hz);
        let apart = nearest.map(f64::abs).fold(f64::MAX, f64::min);
        let told = apart * (self.core.1 - self.core.0) > LEAST_TURNS;
        let with = self.beside.as_ref().filter(|_| told);
        let measured = |sums| rest::measure(sums, self.core, self.frequency_hz, beside);
        with.and_then(|b| measured(&b.1)).or_else(|| measured(&self.sums))
    }
}

/// A rest that is over: where it was seen to stand, and the sign of the line then.
struct Closed {
    core: (f64, f64),
    frequency_hz: f64,
    sign: f64,
}

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

/// What is known so far of a rest under way.
#[derive(Clone)]
struct Provisional {
    id: u32,
    core_from_s: f64,
    /// When it is worth measuring again, s.
    due_s: f64,
    measured: Option<Measured>,
    /// When it is worth looking again for what pulls it, and until when the last that was found counts, s.
    pull_due_s: f64,
    pull_until_s: f64,
}

/// A line that has ended lately: what the rows still to be written need of it.
struct Ended {
    line: Line,
    passages: Vec<passage::Passage>,
    /// Where it stood still, s.
    rests: Vec<(f64, f64)>,
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
    chosen: Option<u32>,
    /// The first line that was the note and moved.
    first_note: Option<u32>,
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
            chosen: None,
            first_note: None,
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
        self.noted.clear();
        let hum = &self.hum;
        let notes = self.table.lines.iter().filter(|l| l.confirmed() && l.r.abs() < 8.0);
        // What a line of the hum leaves of itself is no note that it would have to be kept from.
        let notes = notes.filter(|l| !hum.is_residue(l.b.abs(), l.power));
        let notes = notes.filter(|l| l.path.travelled() || !hum.is_line(l.b.abs(), RESIDUE_HZ));
        self.noted.extend(notes.map(|l| l.b.abs()));
        let hop = self.raw.slice(end - self.hop as u64, end);
        self.hum.clean(hop, &self.noted, &mut self.hop_buffer);
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
        while let Some(double) = self.table.double() {
            self.table.lines.retain(|l| l.id != double);
            self.dossiers.remove(&double);
        }
        self.follow_rests(end, now_s);
        self.judge_passages(now_s);
        self.write_rows(now_s, LAG_S);
    }

    /// Hops from one deep look to the next: half as many looks while a note that moved is heard, since what else stands there
    /// is no more than a whistle.
    fn deep_every(&self, now_s: f64) -> u64 {
        let heard = |l: &Line| l.confirmed() && l.path.travelled() && now_s - l.last_seen_s < ROW_GAP_S;
        if self.table.lines.iter().any(heard) { 2 * DEEP_EVERY } else { DEEP_EVERY }
    }

    fn look_short(&mut self, end: u64) {
        let (lines, unasked) = (&self.table.lines, self.hops.is_multiple_of(2));
        if let Some(view) = self.frames.look_short(&self.clean, end, lines, unasked, (3.0, 20.0)) {
            // What is left of a hum line that wanders starts no line, and catches none: only a note that came by is there.
            let came = |f: f64| {
                lines.iter().any(|l| l.path.travelled() && (l.b.abs() - f).abs() < 1.0 / view.length_s)
            };
            let hum = &self.hum;
            let peaks = &mut self.frames.peaks;
            peaks.retain(|p| !hum.may_be_residue(p.frequency_hz, p.power) || came(p.frequency_hz));
            self.table.observe(&self.frames.peaks, &view, 40.0);
        }
    }

    fn look_medium(&mut self, end: u64) {
        let asked = Asked { lowest_hz: 6.0, least_snr: 16.0, most: 16 };
        if let Some(view) = self.frames.look_medium(&self.clean, end, asked) {
            self.table.observe(&self.frames.peaks, &view, 45.0);
        }
    }

    /// Looks for the hum's comb in all that is heard; at the beginning in a frame half as long.
    fn look_for_hum(&mut self, end: u64) {
        if self.hum.is_found() && !self.hops.is_multiple_of(2 * LONG_EVERY) {
            self.hum.lead_on(self.hop);
            return;
        }
        let early = end < self.frames.long_len() as u64;
        let seen = if early {
            self.frames.look_in(&mut self.early, &self.raw, end, LONG_ASKED)
        } else {
            self.frames.look_long(&self.raw, end, LONG_ASKED)
        };
        let Some(View { length_s, .. }) = seen else { return };
        if !early {
            self.long_peaks.clone_from(&self.frames.peaks);
            self.long_seen = end;
        }
        drop_side_lobes(&mut self.frames.peaks, length_s);
        let moved = self.table.lines.iter().filter(|l| l.path.travelled()).map(|l| l.b.abs());
        self.noted.clear();
        self.noted.extend(moved);
        if !self.hum.is_found() {
            // A note that has moved, and its harmonics, are no hum, even where they pass its lines.
            let lines = &self.table.lines;
            let own = |f: f64| {
                lines.iter().filter(|l| l.path.travelled() || l.r.abs() > 10.0).any(|l| {
                    let reach = 2.0 + l.r.abs().min(10.0) * length_s;
                    (1..=4).any(|k| (f - f64::from(k) * l.b.abs()).abs() < f64::from(k) * reach)
                })
            };
            self.frames.peaks.retain(|p| !own(p.frequency_hz));
        }
        if self.hum.look(&self.frames.peaks, &self.noted, &self.raw, self.hop) {
            let from = self.raw.first().max(end.saturating_sub((HUM_BACK_S * self.rate_hz) as u64));
            self.hum.clean_past(self.raw.slice(from, end), self.hop, &mut self.hop_buffer);
            self.clean.replace(from, &self.hop_buffer);
            self.begin_anew(end);
        }
        // What was followed as a line and is hum is no line any more: it would catch a note that passes.
        let hum = &self.hum;
        let (table, dossiers) = (&mut self.table, &mut self.dossiers);
        table.lines.retain(|l| {
            let drop = !l.path.travelled() && hum.takes_out(l.b.abs(), 0.25);
            if drop {
                dossiers.remove(&l.id);
            }
            !drop
        });
    }

    /// Young rests have gathered hum that has just been found: they are gathered anew from the sound without it, those too
    /// that the hand has ended since.
    fn begin_anew(&mut self, end: u64) {
        let young_s = end as f64 / self.rate_hz - YOUNG_S;
        for line in &self.table.lines {
            let beside = self.beside(line);
            let Some(dossier) = self.dossiers.get_mut(&line.id) else { continue };
            let mut gather = |core: (f64, f64), frequency_hz: f64, earliest_s: f64| {
                let first =
                    ((earliest_s.max(core.0 - BEFORE_S) * self.rate_hz) as u64).max(self.clean.first());
                let mut open = Standing::begin(frequency_hz, core, first, self.rate_hz, &self.hum);
                open.take(&self.clean, end, &self.hum, self.hop, &mut self.gift);
                open
            };
            if let Some(open) = dossier.standing.as_mut().filter(|s| s.core.0 > young_s) {
                *open = gather(open.core, open.frequency_hz, dossier.rest_until_s);
            }
            if let Some(closed) = dossier.closed.take_if(|c| c.core.0 > young_s) {
                let before = dossier.rests.iter().rposition(|(m, _)| m.end_s > closed.core.0);
                let earliest_s =
                    dossier.rests.last().filter(|_| before.is_none()).map_or(0.0, |(m, _)| m.end_s);
                let measured = gather(closed.core, closed.frequency_hz, earliest_s).measure(&beside);
                if let Some(m) = measured {
                    dossier.rest_until_s = dossier.rest_until_s.max(m.end_s);
                    match before {
                        Some(i) => dossier.rests[i].0 = m,
                        None => dossier.rests.push((m, closed.sign)),
                    }
                }
            }
        }
    }

    fn look_long(&mut self, end: u64) {
        let whole = self.frames.long_len();
        let view = if self.long_seen == end && self.hum.left_alone_hops() * self.hop >= whole {
            // Nothing was taken out of all that the frame holds: it has been looked at just now.
            self.frames.peaks.clone_from(&self.long_peaks);
            self.frames.long_view(end)
        } else {
            let seen = self.frames.look_long(&self.clean, end, LONG_ASKED);
            let Some(view) = seen else { return };
            view
        };
        let hum = &self.hum;
        self.frames.peaks.retain(|p| !hum.is_line(p.frequency_hz, 0.35));
        drop_side_lobes(&mut self.frames.peaks, view.length_s);
        self.table.observe(&self.frames.peaks, &view, 26.0);
    }

    /// Looks for what only a very long frame shows: a weak note that stands.
    fn look_deep(&mut self, end: u64) {
        let asked = Asked { lowest_hz: 4.0, least_snr: DEEP_BIRTH, most: 12 };
        let Some(view) = self.frames.look_in(&mut self.deep, &self.clean, end, asked) else { return };
        let hum = &self.hum;
        self.frames.peaks.retain(|p| !hum.is_line(p.frequency_hz, 0.5));
        drop_side_lobes(&mut self.frames.peaks, view.length_s);
        let mut peaks = std::mem::take(&mut self.frames.peaks);
        peaks.retain(|p| !self.is_left_behind(p.frequency_hz, &view));
        self.table.discover(&peaks, &view);
        self.frames.peaks = peaks;
    }

    /// Looks below what the frames resolve, for a note that went there.
    fn look_low(&mut self, end: u64, now_s: f64) {
        let hum = &self.hum;
        let heard = |l: &Line| l.confirmed() && l.b.abs() > low::HIGHEST_HZ && !hum.is_line(l.b.abs(), 0.4);
        if !self.table.lines.iter().any(heard) {
            // Nothing is heard above: a low note may stand there from the beginning.
            let found = self.low.search(&self.clean, end, 0.0).filter(|f| f.0.frequency_hz < 8.0);
            if let Some((peak, length_s)) = found {
                let view = View { seen: Seen::Long, end_s: now_s, length_s, enbw_hz: 1.0 / length_s };
                self.table.observe(&[peak], &view, 0.0);
            }
        }
        for line in &mut self.table.lines {
            let gone = now_s - line.last_seen_s;
            if !line.went_under() || gone < 0.5 && line.b.abs() > low::HIGHEST_HZ {
                continue;
            }
            let since_s = line.went_low_s();
            if let Some((peak, length_s)) = self.low.search(&self.clean, end, since_s) {
                if line.path.recent().next_back().is_some_and(|p| p.b.abs() > low::HIGHEST_HZ) {
                    // It came here unheard, perhaps through zero.
                    let (from_s, to_s) = (line.last_seen_s, now_s - length_s);
                    self.dossiers.entry(line.id).or_default().passages.push(passage::Passage {
                        at_s: f64::midpoint(from_s, to_s.max(from_s)),
                        u_s: (0.3 * (to_s - from_s)).max(0.1),
                        kind: CrossingKind::Unsure,
                    });
                }
                line.take_low(&peak, now_s, length_s);
            }
        }
    }

    /// Offers the tones that do not move, loudest first, to the swells.
    fn offer_tones(&mut self) {
        let steady = |l: &&Line| {
            l.confirmed() && !l.path.travelled() && l.b.abs() > 150.0 && !self.hum.is_line(l.b.abs(), 0.4)
        };
        let mut loudest: [(f64, f64); swell::TONES_OFFERED] = Default::default();
        for line in self.table.lines.iter().filter(steady) {
            rank(&mut loudest, (line.power, line.b.abs()), |new, old| new.0 > old.0);
        }
        self.noted.clear();
        self.noted.extend(loudest.iter().filter(|t| t.0 > 0.0).map(|t| t.1));
        self.swells.offer(&self.noted);
    }

    fn follow_rests(&mut self, end: u64, now_s: f64) {
        for i in 0..self.table.lines.len() {
            let line = &self.table.lines[i];
            if !line.confirmed() {
                continue;
            }
            let is_hum = !line.path.travelled() && self.hum.is_line(line.b.abs(), 0.25);
            // Of a rest that is open only how it goes on is asked.
            let open = self.dossiers.get(&line.id).is_some_and(|d| d.standing.is_some());
            let since_s = if open { now_s - GOES_ON_S } else { 0.0 };
            let standing = line.path.standing(now_s, since_s);
            let is_image = standing.is_some() && self.is_image(line);
            let (id, b, r, seen_s, b_u) = (line.id, line.b.abs(), line.r, line.last_seen_s, line.b_u());
            let sign = line.b.signum();
            let dossier = self.dossiers.entry(id).or_default();
            if let Some(open) = &mut dossier.standing {
                open.take(&self.clean, end, &self.hum, self.hop, &mut self.gift);
                let mut close = is_hum;
                if let Some((_, to, f)) = standing.filter(|s| (s.2 - open.frequency_hz).abs() < 2.0) {
                    open.core.1 = open.core.1.max(to);
                    open.frequency_hz += 0.2 * (f - open.frequency_hz);
                    open.strikes = 0;
                } else if now_s - seen_s < 0.12 && (b - open.frequency_hz).abs() > 1.5f64.max(5.0 * b_u) {
                    open.strikes += 1;
                    close |= open.strikes >= 3;
                }
                close |=
                    open.sums.carrier_hz() > 0.0 && (open.frequency_hz - open.sums.carrier_hz()).abs() > 6.0;
                if close {
                    let beside = self.beside(&self.table.lines[i]);
                    self.close_rest(id, sign, &beside);
                }
            } else if let Some((from, to, f)) = standing.filter(|_| !is_hum && r.abs() < 20.0 && !is_image) {
                let earliest = (from - BEFORE_S).max(dossier.rest_until_s).max(0.0);
                let first = ((earliest * self.rate_hz) as u64).max(self.clean.first());
                let mut open = Standing::begin(f, (from, to), first, self.rate_hz, &self.hum);
                open.take(&self.clean, end, &self.hum, self.hop, &mut self.gift);
                dossier.standing = Some(open);
            }
        }
    }

    /// Whether a line is but an image of another one.
    fn is_image(&self, line: &Line) -> bool {
        let own = (line.b.abs(), line.power);
        let of = |l: &Line| l.confirmed() && self.hum.is_image(own, (l.b.abs(), l.power), IMAGE_HZ);
        !line.path.travelled() && (self.hum.is_step(own.0, own.1) || self.table.lines.iter().any(of))
    }

    /// Whether a note stood at this frequency within the time of a frame and has left it: what the frame still shows of it is
    /// no line of its own.
    fn is_left_behind(&self, frequency_hz: f64, view: &View) -> bool {
        let near = |l: &Line| (l.b.abs() - frequency_hz).abs() < LEFT_HZ;
        let stood = |l: &Line| {
            let within = |p: &&path::Point| {
                p.at_s > view.end_s - view.length_s && (p.b.abs() - frequency_hz).abs() < LEFT_HZ
            };
            l.confirmed() && l.path.recent().filter(within).count() >= LEFT_POINTS
        };
        let lines = &self.table.lines;
        !lines.iter().any(near) && lines.iter().chain(self.ended.iter().map(|e| &e.line)).any(stood)
    }

    /// What stands beside a line: the hum, and other lines that have stood for a while and are loud enough to matter.
    fn beside(&self, note: &Line) -> Comb {
        let mut comb = self.hum.comb();
        let standing = self.dossiers.get(&note.id).and_then(|d| d.standing.as_ref());
        let at_hz = standing.map_or(note.b.abs(), |s| s.frequency_hz);
        let stands = |l: &&Line| l.id != note.id && l.confirmed() && l.r.abs() < 20.0 && l.hits > 20;
        let open = |l: &Line| self.dossiers.get(&l.id).is_some_and(|d| d.standing.is_some());
        let leaks = |l: &Line| rest::leaks((l.b.abs(), l.power), (at_hz, note.power));
        let lines = self.table.lines.iter().filter(stands).filter(|l| open(l) && leaks(l));
        comb.lone.extend(lines.map(|l| l.b.abs()));
        comb
    }

    fn close_rest(&mut self, id: u32, sign: f64, beside: &Comb) {
        let Some(dossier) = self.dossiers.get_mut(&id) else { return };
        let Some(open) = dossier.standing.take() else { return };
        dossier.rest_until_s = open.core.1;
        dossier.closed = Some(Closed { core: open.core, frequency_hz: open.frequency_hz, sign });
        let measured = open.measure(beside);
        if let Some(mut m) = measured {
            let soundings = std::mem::take(&mut dossier.soundings);
            m.pull = self.pull_of(&m, &soundings);
            let Some(dossier) = self.dossiers.get_mut(&id) else { return };
            dossier.soundings = soundings;
            dossier.rest_until_s = m.end_s;
            dossier.rests.push((m, sign));
        }
    }

    fn bury(&mut self, line: Line) {
        let beside = self.beside(&line);
        self.close_rest(line.id, line.b.signum(), &beside);
        let dossier = self.dossiers.remove(&line.id).unwrap_or_default();
        if line.confirmed()
            && !self.is_passing_hum(&line)
            && (line.path.travelled() || line.last_seen_s - line.born_s > 0.8 || !dossier.rests.is_empty())
        {
            let mut life = Life::of(&line, dossier.rests.clone(), dossier.passages.clone(), false);
            life.soundings = dossier.soundings.last_fall();
            // Only how the last of them ended is ever asked.
            if let Some(old) = self.past.len().checked_sub(LIVES_SOUNDED) {
                self.past[old].soundings = Vec::new();
            }
            self.past.push(life);
            self.ended.push(Ended {
                passages: dossier.passages,
                rests: dossier.rests.iter().map(|(m, _)| (m.start_s, m.end_s)).collect(),
                line,
            });
        }
    }

    /// Whether a line is for all that is known what a wandering line of the hum left of itself for a few seconds.
    fn is_passing_hum(&self, line: &Line) -> bool {
        !line.path.travelled()
            && line.last_seen_s - line.born_s < PASSING_S
            && self.hum.may_be_residue(line.b.abs(), line.power)
    }

    /// Looks at lines whose sign has changed with sightings on both sides.
    fn judge_passages(&mut self, now_s: f64) {
        for line in &mut self.table.lines {
            let dossier = self.dossiers.entry(line.id).or_default();
            if line.path.turned_s().is_none_or(|t| t <= dossier.judged_s) {
                continue;
            }
            let points: Vec<path::Point> = line.path.recent().copied().collect();
            let Some(turn) = (1..points.len())
                .rev()
                .find(|&i| points[i].b * points[i - 1].b < 0.0 && points[i].at_s > dossier.judged_s)
            else {
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
            let before: Vec<_> = before.iter().filter(|p| near(p, s)).copied().collect();
            let after: Vec<_> = after.iter().filter(|p| near(p, t)).copied().collect();
            dossier.judged_s = t;
            let judged = passage::judge(&before, &after);
            if let Some(p) = judged {
                if p.kind == CrossingKind::TurnedBack {
                    line.turn_back(t);
                }
                dossier.passages.push(p);
            }
        }
    }

    /// The line that is the note as far as is known now; where a past instant is asked about, the lines that were heard
    /// then, those that have ended since among them.
    fn choose(&mut self, at_s: Option<f64>) -> Option<u32> {
        let past = self.ended.iter().map(|e| &e.line).filter(|_| at_s.is_some());
        // Where a line was at the instant asked about; `None` where it was not heard or is nothing to choose.
        let place = |l: &'_ Line| {
            let f = match at_s {
                Some(t) => l.path.at(t, ROW_GAP_S)?.b.abs(),
                None => l.b.abs(),
            };
            let tone = self.hum.is_line(f, 0.3)
                || self.is_passing_hum(l)
                || self.station_tones && story::is_station_tone(f);
            (l.confirmed() && (l.path.travelled() || !tone)).then_some(f)
        };
        let eligible = self.table.lines.iter().chain(past).filter_map(|l| Some((l, place(l)?)));
        let rank = |l: &Line| l.power * if Some(l.id) == self.chosen { 4.0 } else { 1.0 };
        let (best, f) = eligible.clone().max_by(|(a, _), (b, _)| {
            a.path.travelled().cmp(&b.path.travelled()).then(rank(a).total_cmp(&rank(b)))
        })?;
        // A harmonic of another line that moves with it is not the note.
        let lower = eligible.clone().find(|(l, g)| {
            l.path.travelled() == best.path.travelled()
                && l.power > 0.05 * best.power
                && (2..=3).any(|k| (f - f64::from(k) * g).abs() < 0.01 * f)
        });
        let note = lower.map_or(best, |(l, _)| l);
        let (id, travelled) = (note.id, note.path.travelled());
        self.chosen = Some(id);
        if travelled {
            self.first_note.get_or_insert(id);
        }
        Some(id)
    }

    /// A line of the table, or one that has ended lately.
    fn line(&self, id: u32) -> Option<&Line> {
        let past = self.ended.iter().map(|e| &e.line);
        self.table.lines.iter().chain(past).find(|l| l.id == id)
    }

    /// Side of a line at an instant, as far as is known now.
    fn side_of(&self, line: &Line, at_s: f64, sign: f64) -> Side {
        let ended = || self.ended.iter().find(|e| e.line.id == line.id).map(|e| e.passages.as_slice());
        let passages =
            self.dossiers.get(&line.id).map(|d| d.passages.as_slice()).or_else(ended).unwrap_or_default();
        let first = self.first_note.is_none_or(|id| id == line.id);
        story::side_at(self.declared.all(), (line.path.outline(), passages), first, at_s, sign)
    }

    /// Whether a line stood still at an instant.
    fn stood(&self, id: u32, at_s: f64) -> bool {
        let within = |from: f64, to: f64| (from..=to).contains(&at_s);
        let ended = self.ended.iter().filter(|e| e.line.id == id).flat_map(|e| &e.rests);
        let dossier = self.dossiers.get(&id);
        dossier.and_then(|d| d.standing.as_ref()).is_some_and(|s| within(s.core.0, s.core.1))
            || dossier.is_some_and(|d| d.rests.iter().any(|(m, _)| within(m.start_s, m.end_s)))
            || ended.into_iter().any(|&(from, to)| within(from, to))
    }

    fn write_rows(&mut self, now_s: f64, lag_s: f64) {
        let at_s = now_s - lag_s;
        if at_s < SHORT_S / 2.0 {
            return;
        }
        let mut row = TrackRow::quiet(at_s);
        let found = self.choose(Some(at_s)).and_then(|id| self.line(id));
        if let Some((line, point)) = found.and_then(|l| Some((l, l.path.at(at_s, ROW_GAP_S)?))) {
            row.offset_hz = Some(point.b.abs());
            row.u_hz = Some(point.u);
            row.side = self.side_of(line, at_s, point.b.signum());
            row.level_db = Some(10.0 * point.power.max(1e-20).log10());
            row.state = if self.stood(line.id, at_s) { TrackState::Resting } else { TrackState::Moving };
        }
        self.rows.push(row);
    }

    /// The newest that is known, provisional.
    pub fn snapshot(&mut self) -> Snapshot {
        let at_s = self.now_s();
        let swelling = self.swells.open();
        let chosen = self.choose(None);
        let line = chosen.and_then(|id| self.line(id));
        let side = line.map_or(Side::Unknown, |l| self.side_of(l, at_s, l.b.signum()));
        let standing = line.and_then(|l| Some((l, self.dossiers.get(&l.id)?.standing.as_ref()?)));
        let same = |p: &&Provisional, id, s: &Standing| p.id == id && (p.core_from_s - s.core.0).abs() < 0.5;
        let provisional =
            standing.map(|(l, s)| match self.provisional.as_ref().filter(|p| same(p, l.id, s)) {
                Some(p) if at_s < p.due_s => p.clone(),
                before => {
                    let mut measured = s.measure(&self.beside(l));
                    let (mut pull_due_s, mut pull_until_s) =
                        before.map_or((0.0, 0.0), |p| (p.pull_due_s, p.pull_until_s));
                    if let (Some(m), Some(dossier)) = (&mut measured, self.dossiers.get(&l.id)) {
                        if at_s >= pull_due_s {
                            m.pull = self.pull_of(m, &dossier.soundings);
                            pull_due_s = at_s + PULL_EVERY_S;
                            pull_until_s = if m.pull.is_some() { at_s + PULL_KEPT_S } else { pull_until_s };
                        }
                        // Between two looks, or where one does not see it for once, it goes with the note.
                        let known = before.and_then(|p| p.measured.as_ref()).filter(|_| at_s < pull_until_s);
                        let moved = |k: &Measured| {
                            let stretch = m.heard_hz / k.heard_hz;
                            k.pull.map(|p| pulling::Pull { offset_hz: p.offset_hz * stretch, ..p })
                        };
                        m.pull = m.pull.or_else(|| known.and_then(moved));
                    }
                    // A rest twice as long is twice the work and twenty times the knowledge: no hurry to do it again.
                    let due_s = at_s + 0.25f64.max(0.06 * (s.core.1 - s.core.0));
                    Provisional { id: l.id, core_from_s: s.core.0, due_s, measured, pull_due_s, pull_until_s }
                }
            });
        let rest =
            provisional.as_ref().and_then(|p| p.measured.as_ref()).map(|m| story::rest_record(m, side));
        let swelling = swelling.filter(|s| line.is_none_or(|l| !s.is_beside(&l.path))).map(|s| s.rest);
        let side = if swelling.is_some() { Side::Unknown } else { side };
        let silence = if swelling.is_some() { None } else { self.silence(chosen, at_s) };
        let line = chosen.and_then(|id| self.line(id)).filter(|_| swelling.is_none() && silence.is_none());
        let heard = swelling.as_ref().map(|r| (r.offset_hz, r.u_hz, r.rate_hz_per_s));
        let heard = heard.or(line.map(|l| (l.b.abs(), l.b_u(), l.r * l.b.signum())));
        let rest = swelling.or(rest);
        let snapshot = Snapshot {
            at_s,
            state: match (line, &rest) {
                (_, Some(_)) => EndingState::Resting,
                (None, None) => silence.map_or(EndingState::Quiet, |v| v.state),
                (Some(_), None) => EndingState::Moving,
            },
            offset_hz: heard.map(|h| h.0),
            u_hz: heard.map(|h| h.1),
            side,
            hand: self.declared.newest().hand,
            rate_hz_per_s: heard.map(|h| h.2),
            level_db: 10.0 * line.map_or(self.frames.density * 4000.0, |l| l.power).max(1e-20).log10(),
            rest,
            lost_samples: 0,
            bound_hz: silence.and_then(|v| v.bound_hz),
            notes: None,
        };
        self.provisional = provisional;
        snapshot
    }

    /// Ends the sound: all that was heard. `level` and `warnings` come from the conditioning.
    pub fn finish(mut self, level: Level, mut warnings: Vec<Warning>) -> (Heard, Vec<TrackRow>) {
        let end = self.raw.end();
        let now_s = end as f64 / self.rate_hz;
        self.follow_rests(end, now_s);
        let mut lag = LAG_S - HOP_S;
        while lag > HOP_S / 2.0 {
            self.write_rows(now_s, lag);
            lag -= HOP_S;
        }
        // All rests are closed while it is known of each what stands beside the others.
        let lines = self.table.lines.clone();
        let beside: Vec<Comb> = lines.iter().map(|l| self.beside(l)).collect();
        for (line, beside) in lines.into_iter().zip(beside) {
            let standing = self.dossiers.get(&line.id).and_then(|d| d.standing.as_ref()).is_some();
            self.close_rest(line.id, line.b.signum(), &beside);
            let dossier = self.dossiers.remove(&line.id).unwrap_or_default();
            if line.confirmed() && !self.is_passing_hum(&line) {
                let mut life = Life::of(&line, dossier.rests, dossier.passages, true);
                life.soundings = dossier.soundings.last_fall();
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
