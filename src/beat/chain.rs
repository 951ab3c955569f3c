//! Which lives were the note: of those that moved, those that can have been one note, and what stood where it stood.

use super::life::{LEAP_S, Life};
use super::mend::{APART_HZ, apart_by_hum};
use super::rest::Measured;
use super::story::Story;
use crate::heard::Rest;

/// A mover this much weaker than the loudest, in power, is not the note.
const FAINT: f64 = 0.005;

/// How many others that moved make a crowd, how loud each is at least, in power of the one followed, and how long something
/// stands in a crowd that is a rest, s: longer than syllables and keyed tones do.
const CROWD: usize = 4;
const CROWD_PART: f64 = 0.3;
const CROWD_REST_S: f64 = 3.0;

/// How near to where the note rested something rests that is the note, Hz, besides their uncertainties, which are smaller, and
/// how equally loud, powers of ten; and how far off the note is somewhere else, Hz.
const SAME_REST_HZ: f64 = 0.02;
const SAME_POWER: f64 = 0.6;
const SAME_PLACE_HZ: f64 = 2.0;

impl Story<'_> {
    /// Indices of the lives that are the note, in order of time.
    pub(super) fn note(&self) -> Vec<usize> {
        let lives = &self.lives;
        let movers: Vec<usize> = (0..lives.len()).filter(|&i| lives[i].moved()).collect();
        let moved = !movers.is_empty();
        let mut chain = if moved { self.strongest_movers(movers) } else { self.strongest_standing() };
        if chain.is_empty() {
            return chain;
        }
        self.hand_over(&mut chain);
        // What stood before the note was lost or after it was found again is the note too. Where nothing was followed
        // on its way, only what moved off too fast to be followed.
        loop {
            let joins = (0..lives.len())
                .filter(|i| !chain.contains(i) && !lives[*i].moved() && self.excuse(&lives[*i]).is_none())
                .filter(|&i| self.adjoins(i, &chain, moved))
                .max_by(|&i, &j| lives[i].stood_power().total_cmp(&lives[j].stood_power()));
            let Some(i) = joins else { break };
            chain.push(i);
        }
        chain.sort_by(|&i, &j| lives[i].born_s.total_cmp(&lives[j].born_s));
        chain
    }

    /// Of what only stood, the strongest, and all that stood at its frequency.
    fn strongest_standing(&self) -> Vec<usize> {
        let lives = &self.lives;
        let candidates =
            (0..lives.len()).filter(|&i| self.excuse(&lives[i]).is_none() && lives[i].span_s() >= 0.5);
        let Some(best) = candidates.clone().max_by(|&i, &j| {
            let weight =
                |l: &Life| l.power * l.span_s().min(10.0) * if l.rests.is_empty() { 0.001 } else { 1.0 };
            weight(&lives[i]).total_cmp(&weight(&lives[j]))
        }) else {
            return Vec::new();
        };
        // A fundamental no more than 26 dB below is the note rather than its harmonic.
        let f = lives[best].frequency_hz();
        let root = candidates
            .clone()
            .filter(|&i| {
                let g = lives[i].frequency_hz();
                lives[i].power > 0.0025 * lives[best].power
                    && (2..=4).any(|k| (f - f64::from(k) * g).abs() < 0.05 + 1e-4 * f)
            })
            .min_by(|&i, &j| lives[i].frequency_hz().total_cmp(&lives[j].frequency_hz()))
            .unwrap_or(best);
        let f = lives[root].frequency_hz();
        candidates.filter(|&i| (lives[i].frequency_hz() - f).abs() < 1.0).collect()
    }

    /// Of movers at one time the strongest in movement; what rides on another goes.
    fn strongest_movers(&self, mut ranked: Vec<usize>) -> Vec<usize> {
        let lives = &self.lives;
        ranked.sort_by(|&i, &j| {
            let weight = |l: &Life| l.usual_power().sqrt() * l.travel_hz.min(2000.0) * l.span_s().min(5.0);
            weight(&lives[j]).total_cmp(&weight(&lives[i]))
        });
        let loudest = ranked.iter().map(|&i| lives[i].power).fold(0.0, f64::max);
        ranked.retain(|&i| lives[i].power > FAINT * loudest);
        let mut chain: Vec<usize> = Vec::new();
        for &i in &ranked {
            // Two that changed places near zero ride on each other: then the lower one at the end is the note.
            let rider = |j: usize| {
                lives[i].rides_on(&lives[j])
                    && (lives[i].last_hz() > lives[j].last_hz() || !lives[j].rides_on(&lives[i]))
            };
            let rides = ranked.iter().any(|&j| j != i && lives[j].power > 0.003 * lives[i].power && rider(j));
            // A line goes on for a moment after it has lost its note to the one that found it again.
            let rival = chain.iter().any(|&j: &usize| lives[i].is_rival_of(&lives[j]));
            let shadow = || chain.iter().any(|&j: &usize| lives[i].is_shadow_of(&lives[j]));
            if !rides && !rival && !shadow() {
                chain.retain(|&j| !lives[j].is_shadow_of(&lives[i]));
                chain.push(i);
            }
        }
        chain
    }

    /// Whether about as many others moved at the same time, about as loud, that the one followed may as well be any of them:
    /// voice, or keyed tones side by side. Its short stands are no rests then.
    fn is_crowd(&self, chain: &[usize]) -> bool {
        let lives = &self.lives;
        let followed: Vec<&Life> = chain.iter().map(|&i| &lives[i]).filter(|l| l.moved()).collect();
        let loudest = followed.iter().map(|l| l.power).fold(0.0, f64::max);
        let others = (0..lives.len()).filter(|i| !chain.contains(i)).map(|i| &lives[i]);
        let rivals = others.filter(|l| l.moved() && l.power > CROWD_PART * loudest);
        let rivals = rivals.filter(|l| followed.iter().any(|f| l.is_rival_of(f))).count();
        rivals >= CROWD && rivals > 2 * followed.len()
    }

    /// Leaves out of the rests of the note what is none in a crowd; outside one, takes what else is a rest of it.
    pub(super) fn sift_rests(&mut self, chain: &[usize]) {
        if self.is_crowd(chain) {
            for &i in chain {
                self.lives[i].rests.retain(|(m, _)| m.end_s - m.start_s >= CROWD_REST_S);
            }
        } else {
            self.take_rests_of_others(chain);
        }
        self.keep_in_one_place(chain);
    }

    /// The note rests in one place at a time: of two rests of two lives that lie over each other and are not one, that stays
    /// which is known better, the louder and longer one.
    fn keep_in_one_place(&mut self, chain: &[usize]) {
        let all: Vec<(usize, Measured)> = chain
            .iter()
            .flat_map(|&i| self.lives[i].rests.iter().map(move |(m, _)| (i, m.clone())))
            .collect();
        for &i in chain {
            self.lives[i].rests.retain(|(m, _)| {
                let beats = |o: &Measured| m.lies_over(o) && !is_same_figure(m, o) && o.u_hz() < m.u_hz();
                !all.iter().any(|(j, o)| *j != i && beats(o))
            });
        }
    }

    /// A line that began beside the note and took it over when its own was lost was not followed with it; where it rests exactly
    /// where the note rested, and nothing else was followed meanwhile, that is the note's rest.
    fn take_rests_of_others(&mut self, chain: &[usize]) {
        let own: Vec<_> = chain
            .iter()
            .flat_map(|&i| self.lives[i].rests.iter().map(move |rest| (i, rest.clone())))
            .collect();
        let others =
            (0..self.lives.len()).filter(|i| !chain.contains(i) && self.excuse(&self.lives[*i]).is_none());
        let elsewhere = |m: &Measured| {
            let at = [m.start_s, m.at_s, m.end_s];
            let away = |t: f64, i: usize| {
                self.lives[i].at(t).is_some_and(|(f, _)| (f.abs() - m.heard_hz).abs() > SAME_PLACE_HZ)
            };
            at.iter().any(|&t| chain.iter().any(|&i| away(t, i)))
        };
        let mut taken: Vec<(usize, (Measured, f64))> = Vec::new();
        for (m, _) in others.flat_map(|i| &self.lives[i].rests) {
            let agrees = |(_, (o, _)): &&(usize, (Measured, f64))| {
                let u_hz = m.u_hz().hypot(o.u_hz());
                4.0 * u_hz < SAME_REST_HZ
                    && is_same_figure(m, o)
                    && (m.power / o.power).log10().abs() < SAME_POWER
            };
            let apart_s = |(_, (o, _)): &(usize, (Measured, f64))| -m.together_s(o);
            let free = own.iter().chain(&taken).all(|rest| apart_s(rest) >= 0.0);
            let nearest = own.iter().filter(agrees).min_by(|x, y| apart_s(x).total_cmp(&apart_s(y)));
            if let Some((i, (_, sign))) = nearest.filter(|_| free && !elsewhere(m)) {
                taken.push((*i, (m.clone(), *sign)));
            }
        }
        for (i, rest) in taken {
            self.lives[i].rests.push(rest);
            self.lives[i].rests.sort_by(|x, y| x.0.start_s.total_cmp(&y.0.start_s));
        }
    }

    /// A quick note may lose its follower to a sideband beside it: then a far louder line began just before the
    /// sideband came to rest, or moved too and rests as far off as hum rides on a note, and that one is the note.
    fn hand_over(&self, chain: &mut [usize]) {
        let (lives, hum_hz) = (&self.lives, self.hum.known_hz());
        let louder = |i: usize| {
            let (rest, _) = lives[i].rests.last()?;
            (0..lives.len()).find(|&j| {
                let l = &lives[j];
                let began_there =
                    || l.born_s > lives[i].born_s + 0.3 && (-1.5..0.8).contains(&(l.born_s - rest.start_s));
                let beside = |m: &Measured| {
                    hum_hz.is_some_and(|hum| apart_by_hum(m.heard_hz, rest.heard_hz, hum, APART_HZ))
                };
                let rests_louder = |m: &Measured| {
                    let loud = m.power > 8.0 * rest.power && m.together_s(rest) > 0.4;
                    loud && (began_there() || l.moved() && beside(m))
                };
                j != i && self.excuse(l).is_none() && l.rests.iter().any(|(m, _)| rests_louder(m))
            })
        };
        for at in 0..chain.len() {
            if let Some(j) = louder(chain[at]).filter(|j| !chain.contains(j)) {
                chain[at] = j;
            }
        }
    }

    /// Whether the standing life `i` continues the chain at either end.
    fn adjoins(&self, i: usize, chain: &[usize], moved: bool) -> bool {
        let s = &self.lives[i];
        let (from_s, to_s) = s.stood_s();
        let continues = chain.iter().any(|&j| {
            let m = &self.lives[j];
            let gap = from_s - m.last_seen_s;
            let reach = 25.0 + m.last.1.abs() * (gap.abs() + 0.3);
            let after = (-0.6..2.5).contains(&gap) && (m.last.0.abs() - s.frequency_hz()).abs() < reach;
            let lead = m.born_s - to_s;
            let before = (-0.6..1.0).contains(&lead) && m.set_out_near(s, lead);
            let leapt = LEAP_S.contains(&lead) && m.leapt_from(s) || LEAP_S.contains(&gap) && s.leapt_from(m);
            (moved && (after || before) || leapt) && s.power > 0.02 * m.power
        });
        let overlap = |l: &Life| to_s.min(l.last_seen_s) - from_s.max(l.born_s);
        continues && chain.iter().all(|&j| overlap(&self.lives[j]) < 0.8)
    }
}

/// Whether two frequencies, Hz, each with its uncertainty, are one, as well as both are known.
fn is_same((f, u): (f64, f64), (g, v): (f64, f64)) -> bool {
    (f - g).abs() < SAME_REST_HZ + 4.0 * u.hypot(v)
}

/// Whether two rests have the same figure, as well as both are known.
pub fn is_same_figure(m: &Measured, o: &Measured) -> bool {
    is_same((m.heard_hz, m.u_hz()), (o.heard_hz, o.u_hz()))
}

/// Leaves the longer of two rests that are one, which two followers of the note have measured; `rests` in order of time.
pub fn tell_once(rests: &mut Vec<Rest>) {
    rests.dedup_by(|later, rest| {
        let twice = is_told_twice(rest, later);
        if twice && later.end_s - later.start_s > rest.end_s - rest.start_s {
            std::mem::swap(rest, later);
        }
        twice
    });
}

/// Whether two rests are one that two followers of the note have measured.
fn is_told_twice(rest: &Rest, later: &Rest) -> bool {
    let together_s = rest.end_s.min(later.end_s) - later.start_s;
    let shorter_s = (rest.end_s - rest.start_s).min(later.end_s - later.start_s);
    together_s > 0.5 * shorter_s && is_same((rest.heard_hz, rest.u_hz), (later.heard_hz, later.u_hz))
}
