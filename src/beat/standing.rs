//! Rests under way: what is gathered of a line that stands still, until it moves again.

use super::history::History;
use super::hum::HumFollower;
use super::lines::Line;
use super::rest::{self, Measured};
use super::{Ear, ON_HUM_HZ};
use crate::estimate::{BlockSums, Comb};

/// How long before it was seen to stand a rest may have begun, s.
const BEFORE_S: f64 = 1.2;
/// A rest younger than this begins anew when more hum is found, s.
const YOUNG_S: f64 = 3.0;
/// A rest is measured with a hum line beside it when the two have turned this often against each other.
const LEAST_TURNS: f64 = 1.5;
/// How much of where it was seen to stand a rest holds, and how far from it hum is that leaves it alone when it is taken out as it
/// goes, Hz.
const WHOLE: f64 = 0.93;
const AWAY_HZ: f64 = 8.0;
/// How near to where an image would be a line is one, Hz.
const IMAGE_HZ: f64 = 0.4;
/// A line that moves faster stands nowhere, Hz/s.
const FASTEST: f64 = 20.0;
/// How far back is asked whether a rest that is open goes on, s.
const GOES_ON_S: f64 = 2.5;

/// What a rest is gathered from: sound without hum up to sample `end`, and the hum that was taken out of it hop by hop.
struct Heard<'a> {
    clean: &'a History,
    end: u64,
    rate_hz: f64,
    hum: &'a HumFollower,
    hop: usize,
}

/// A rest under way.
pub struct Standing {
    /// On sound without any hum.
    pub sums: BlockSums,
    /// On sound with the hum lines beside the note.
    beside: Option<(Vec<u32>, BlockSums)>,
    pub core: (f64, f64),
    pub frequency_hz: f64,
    /// How far the note has been from the sums' carrier at most, Hz.
    apart_hz: f64,
    strikes: u32,
}

impl Standing {
    /// A note near `frequency_hz` that stood still over `core`, with all that is still kept of it from a little before, but
    /// not from before `earliest_s`; `gift` is scratch.
    fn gather(
        heard: &Heard,
        frequency_hz: f64,
        core: (f64, f64),
        earliest_s: f64,
        gift: &mut Vec<f32>,
    ) -> Self {
        let from_s = (core.0 - BEFORE_S).max(earliest_s).max(0.0);
        let first = ((from_s * heard.rate_hz) as u64).max(heard.clean.first());
        let sums = || rest::sums_for(frequency_hz, heard.rate_hz, first).with_room();
        let orders = heard.hum.beside(frequency_hz);
        let beside = (!orders.is_empty()).then(|| (orders, sums()));
        let mut gathered = Self { sums: sums(), beside, core, frequency_hz, apart_hz: 0.0, strikes: 0 };
        gathered.take(heard, gift);
        gathered
    }

    /// Takes all that has been heard since; `gift` is scratch.
    fn take(&mut self, heard: &Heard, gift: &mut Vec<f32>) {
        let news = heard.clean.slice(self.sums.next_sample(), heard.end);
        self.apart_hz = self.apart_hz.max((self.frequency_hz - self.sums.carrier_hz()).abs());
        self.sums.fold(self.apart_hz);
        self.sums.push(news);
        if let Some((orders, beside)) = &mut self.beside {
            gift.clear();
            gift.extend_from_slice(news);
            heard.hum.give_back(orders, heard.hop, gift);
            beside.fold(self.apart_hz);
            beside.push(gift);
        }
    }

    /// The rest as it is known now; `beside` is what stands beside the note.
    pub fn measure(&self, beside: &Comb) -> Option<Measured> {
        let nearest = beside.orders.iter().map(|&h| f64::from(h) * beside.fundamental_hz - self.frequency_hz);
        let apart = nearest.map(f64::abs).fold(f64::MAX, f64::min);
        let told = apart * (self.core.1 - self.core.0) > LEAST_TURNS;
        let with = self.beside.as_ref().filter(|_| told);
        let measured = |sums| rest::measure(sums, self.core, self.frequency_hz, beside);
        let without = || measured(&self.sums);
        let Some(own) = with.and_then(|b| measured(&b.1)) else { return without() };
        // Hum that wanders is no line that a fit of seconds can hold; far enough away it is better taken out as it goes.
        let length_s = |m: &Measured| m.end_s - m.start_s;
        let short = length_s(&own) < WHOLE * (self.core.1 - self.core.0);
        let longer = if short && apart > AWAY_HZ { without() } else { None };
        Some(longer.filter(|m| WHOLE * length_s(m) > length_s(&own)).unwrap_or(own))
    }
}

/// A rest that is over: where it was seen to stand, and the sign of the line then.
pub struct Closed {
    pub core: (f64, f64),
    pub frequency_hz: f64,
    pub sign: f64,
}

impl Ear {
    pub(super) fn follow_rests(&mut self, end: u64, now_s: f64) {
        for i in 0..self.table.lines.len() {
            let heard =
                Heard { clean: &self.clean, end, rate_hz: self.rate_hz, hum: &self.hum, hop: self.hop };
            let line = &self.table.lines[i];
            if !line.confirmed() {
                continue;
            }
            let is_hum = !line.path.travelled() && self.hum.is_line(line.b.abs(), ON_HUM_HZ);
            // Of a rest that is open only how it goes on is asked.
            let open = self.dossiers.get(&line.id).is_some_and(|d| d.standing.is_some());
            let since_s = if open { now_s - GOES_ON_S } else { 0.0 };
            // Hum, what moves and what is but an image does not begin one.
            let stands = |l: &Line| l.path.standing(now_s, since_s);
            let standing = if open {
                stands(line)
            } else if is_hum || line.r.abs() >= FASTEST {
                None
            } else {
                stands(line).filter(|_| !self.is_image(line))
            };
            let (id, b, seen_s, b_u) = (line.id, line.b.abs(), line.last_seen_s, line.b_u());
            let sign = line.b.signum();
            let dossier = self.dossiers.entry(id).or_default();
            if let Some(open) = &mut dossier.standing {
                open.take(&heard, &mut self.gift);
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
            } else if let Some((from, to, f)) = standing {
                let open = Standing::gather(&heard, f, (from, to), dossier.rest_until_s, &mut self.gift);
                dossier.standing = Some(open);
            }
        }
    }

    /// Young rests have gathered hum that has just been found: they are gathered anew from the sound without it, those too
    /// that the hand has ended since.
    pub(super) fn begin_anew(&mut self, end: u64) {
        let young_s = end as f64 / self.rate_hz - YOUNG_S;
        let heard = Heard { clean: &self.clean, end, rate_hz: self.rate_hz, hum: &self.hum, hop: self.hop };
        for line in &self.table.lines {
            let beside = self.beside(line);
            let Some(dossier) = self.dossiers.get_mut(&line.id) else { continue };
            let mut gather = |core: (f64, f64), frequency_hz: f64, earliest_s: f64| {
                Standing::gather(&heard, frequency_hz, core, earliest_s, &mut self.gift)
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

    /// Whether a line is but an image of another one.
    fn is_image(&self, line: &Line) -> bool {
        let own = (line.b.abs(), line.power);
        let of = |l: &Line| l.confirmed() && self.hum.is_image(own, (l.b.abs(), l.power), IMAGE_HZ);
        !line.path.travelled() && (self.hum.is_step(own.0, own.1) || self.table.lines.iter().any(of))
    }

    /// What stands beside a line: the hum, and other lines that have stood for a while and are loud enough to matter.
    pub(super) fn beside(&self, note: &Line) -> Comb {
        let mut comb = self.hum.comb();
        let standing = self.dossiers.get(&note.id).and_then(|d| d.standing.as_ref());
        let at_hz = standing.map_or(note.b.abs(), |s| s.frequency_hz);
        let stands = |l: &&Line| l.id != note.id && l.confirmed() && l.r.abs() < FASTEST && l.hits > 20;
        let open = |l: &Line| self.dossiers.get(&l.id).is_some_and(|d| d.standing.is_some());
        let leaks = |l: &Line| rest::leaks((l.b.abs(), l.power), (at_hz, note.power));
        let lines = self.table.lines.iter().filter(stands).filter(|l| open(l) && leaks(l));
        comb.lone.extend(lines.map(|l| l.b.abs()));
        comb
    }

    pub(super) fn close_rest(&mut self, id: u32, sign: f64, beside: &Comb) {
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
}
