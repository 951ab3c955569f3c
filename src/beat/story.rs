//! The story: which line was the note, what the others were, on which side, and how it ends.
//!
//! The line that moved is the note; of several that moved together the lowest of a harmonic family and the middle one
//! of a family at fixed spacing. A line that stood from first to last while another moved is a steady note. Where
//! nothing moved, the strongest line that is no hum, tone or whine is the note.

use super::declared::{Declarations, Declared};
use super::doubt;
use super::ending::Gone;
use super::hand::Between;
use super::hum::HumFollower;
use super::joint;
use super::life::Life;
use super::mend::{mend_faint_tails, mend_sidebands, mend_swaps};
use super::passage::Passage;
use super::path::{Point, TRAVEL_HZ};
use super::rest::Measured;
use super::sounding::Sounding;
use super::swell::Swelling;
use crate::heard::{
    Crossing, CrossingKind, Ending, EndingState, Heard, Level, Method, Pulled, Rest, Warning,
};
use crate::offset::{Side, side_from_turn};
use std::f64::consts::PI;

/// Audio tones of standard-frequency stations, Hz: 15 CFR 200.107 and NIST SP 432 for the United States' (500, 600,
/// 440 steady; 1000, 1200, 1500 marks; 100 code), NRC's description of CHU for 1000.
const STATION_TONES: [f64; 7] = [100.0, 440.0, 500.0, 600.0, 1000.0, 1200.0, 1500.0];

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

/// A rest this exactly on a hum line, Hz, and this much weaker than the note was, in power, is the hum's.
const HUM_EXACT_HZ: f64 = 0.05;
const HUM_PART: f64 = 0.02;

/// How long a note that moves too fast to be followed may be lost, s.
pub const LEAP_S: std::ops::Range<f64> = -0.3..1.5;

/// How much softer than the note something may be that may have been it, in power.
const AS_LOUD: f64 = 0.3;

/// Standard uncertainty of when a move of which both ends are known went through zero, s.
const WAY_U_S: f64 = 0.02;

/// Whether a steady line may be a station's tone.
pub fn is_station_tone(frequency_hz: f64) -> bool {
    is_station_tone_near(frequency_hz, 0.4)
}

/// Whether a line is within `within_hz` of a station's tone: one that swells splits into several.
pub fn is_station_tone_near(frequency_hz: f64, within_hz: f64) -> bool {
    STATION_TONES.iter().any(|t| (frequency_hz - t).abs() < within_hz)
}

/// Side of zero at an instant of a line that has the sign `sign` of its own there, from what was declared and the
/// first move heard after it. A declaration made at the beginning speaks of the first note only.
pub fn side_at(
    declared: &[Declared],
    (outline, passages): (&[Point], &[Passage]),
    first_of_note: bool,
    at_s: f64,
    sign: f64,
) -> Side {
    let mut answer = Side::Unknown;
    for (n, d) in declared.iter().enumerate() {
        let Some(turning) = d.turning else {
            answer = Side::Unknown;
            continue;
        };
        if n == 0 && !first_of_note {
            continue;
        }
        let moves = outline.windows(2).find(|w| {
            w[0].at_s >= d.at_s - 0.2 && w[0].b * w[1].b > 0.0 && (w[1].b.abs() - w[0].b.abs()).abs() > 1.2
        });
        let Some(step) = moves else { continue };
        let moved_s = step[1].at_s;
        if n > 0 && moved_s > at_s {
            continue;
        }
        let rho = step[1].b.abs() - step[0].b.abs();
        let there = side_from_turn(d.hand, turning, rho);
        let doubtful = passages
            .iter()
            .any(|p| p.kind == CrossingKind::Unsure && (p.at_s - moved_s) * (p.at_s - at_s) <= 0.0);
        answer = match there.sign() {
            Some(s) if !doubtful => Side::of(s * step[1].b.signum() * sign),
            _ => Side::Unknown,
        };
    }
    answer
}

/// Highest corner of a path's high-pass that is reckoned with, Hz: a telephone transformer has a higher one, a line input a
/// lower one.
const CORNER_HZ: f64 = 60.0;

/// How late a path that falls off towards zero may let a note at `frequency_hz` come, s: a drifting note is stated for an
/// instant that lies by so much before. At the corner a high-pass delays about a radian, above it by the square of the
/// distance less.
fn path_delay_s(frequency_hz: f64) -> f64 {
    (CORNER_HZ / frequency_hz).min(1.0) / (2.0 * PI * frequency_hz)
}

/// Whether two rests are one that two followers of the note have measured.
fn is_told_twice(rest: &Rest, later: &Rest) -> bool {
    let together_s = rest.end_s.min(later.end_s) - later.start_s;
    let shorter_s = (rest.end_s - rest.start_s).min(later.end_s - later.start_s);
    let apart_hz = (rest.heard_hz - later.heard_hz).abs();
    together_s > 0.5 * shorter_s && apart_hz < SAME_REST_HZ + 4.0 * rest.u_hz.hypot(later.u_hz)
}

/// The record of a measured rest.
pub fn rest_record(m: &Measured, side: Side) -> Rest {
    // Undone, a pull stretches what was heard; what is left open by it counts with the noise.
    let stretch = m.pull.map_or(1.0, |p| p.offset_hz / m.heard_hz);
    let u_wander_hz = m.u_wander_hz * stretch;
    let u_hz = m.pull.map_or(m.u_hz(), |p| p.u_hz).hypot(m.rate * path_delay_s(m.heard_hz));
    Rest {
        start_s: m.start_s,
        end_s: m.end_s,
        at_s: m.at_s,
        offset_hz: m.heard_hz * stretch,
        u_hz,
        u_noise_hz: (u_hz * u_hz - u_wander_hz * u_wander_hz).max(0.0).sqrt(),
        u_wander_hz,
        heard_hz: m.heard_hz,
        // f² = Δ² − L² makes df/dΔ = Δ/f.
        rate_hz_per_s: m.rate / stretch,
        rate_u: m.rate_u / stretch,
        side,
        snr_db: 10.0 * (m.cn0_hz / 4000.0).log10(),
        method: Method::Note,
        notes_hz: None,
        alternatives_hz: Vec::new(),
        pulled: m.pull.map(|p| Pulled { lock_hz: p.lock_hz, line_ratio: p.ratio, u_true_hz: p.u_hz }),
        near_hum_hz: m.near_hum_hz,
    }
}

/// All that is needed to tell the story.
pub struct Story<'a> {
    pub lives: Vec<Life>,
    pub hum: &'a HumFollower,
    pub declared: Declarations,
    pub station_tones: bool,
    pub end_s: f64,
    pub swells: Vec<Swelling>,
}

/// A stretch of the note over which its sign is known to go on from life to life.
#[derive(Default)]
struct Stretch {
    first: bool,
    outline: Vec<Point>,
    passages: Vec<Passage>,
    members: Vec<(usize, f64)>,
    last_sign: f64,
}

impl Story<'_> {
    /// The swells that are the beat: those that no moving note is heard beside. Where nothing moved, they make what
    /// stands a steady note, and the chain empty.
    fn swells_at_rest(&self, chain: &mut Vec<usize>) -> Vec<Swelling> {
        let own: Vec<Swelling> = self.swells.iter().filter(|s| !self.beats_with_hum(s)).cloned().collect();
        if own.is_empty() {
            return own;
        }
        if !chain.iter().any(|&i| self.lives[i].moved_beside(&own)) {
            chain.clear();
            return own;
        }
        let beside = |s: &&Swelling| {
            let note = |i: &usize| {
                let life = &self.lives[*i];
                life.last_seen_s.min(s.rest.end_s) - life.born_s.max(s.rest.start_s) > 1.0
            };
            !chain.iter().any(note)
        };
        own.iter().filter(beside).cloned().collect()
    }

    /// Whether a swell is only the beat of a line with hum close to it: a line that was measured well, as far from hum
    /// as the swell says.
    fn beats_with_hum(&self, swelling: &Swelling) -> bool {
        let measured = |l: &&Life| l.rests.iter().any(|r| r.0.u_hz() < 0.01 && r.0.cn0_hz > 100.0);
        let near = |f: &f64| *f < 420.0 && !self.hum.is_line(*f, 0.3);
        self.lives
            .iter()
            .filter(measured)
            .map(Life::frequency_hz)
            .filter(near)
            .any(|f| [-1.0, -0.5, 0.5, 1.0].iter().any(|k| self.hum.is_line(f + k * swelling.line_hz, 0.06)))
    }

    /// How it ends when a swell is the last that is heard.
    fn swell_ending(&self, swells: &[Swelling]) -> Option<Ending> {
        let rest = &swells.last()?.rest;
        let patience = 1.5 + 3.0 / rest.offset_hz;
        (self.end_s - rest.end_s < patience).then_some(Ending {
            state: EndingState::Resting,
            at_s: rest.start_s,
            offset_hz: Some(rest.offset_hz),
            bound_hz: None,
            side: rest.side,
        })
    }

    /// Why a life that did not move can't be the beat.
    pub(super) fn excuse(&self, life: &Life) -> Option<&'static str> {
        let f = life.frequency_hz();
        if life.travelled {
            return None;
        }
        let left_by_hum = self.hum.is_residue(f, life.power) || self.hum.is_step(f, life.power);
        if self.hum.is_line(f, 0.3) || left_by_hum {
            return Some("hum");
        }
        // Fading smears a tone by up to its own rate; what set out at last is none.
        let set_out = !life.at_end && life.travel_hz > TRAVEL_HZ;
        if self.station_tones && is_station_tone_near(f, 1.0) && !set_out {
            return Some("a standard station's tone");
        }
        let thousand = |l: &Life| {
            let f = l.frequency_hz();
            let k = (f / 1000.0).round();
            (!l.travelled && k >= 1.0 && (f - 1000.0 * k).abs() < 0.6).then_some(k)
        };
        let mut family: Vec<f64> = self.lives.iter().filter_map(thousand).collect();
        family.sort_by(f64::total_cmp);
        family.dedup();
        (thousand(life).is_some() && family.len() >= 2)
            .then_some("one of several multiples of 1000 Hz: a sound card's own whine")
    }

    /// Indices of the lives that are the note, in order of time.
    fn note(&self) -> Vec<usize> {
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
            let rides = ranked
                .iter()
                .any(|&j| j != i && lives[i].rides_on(&lives[j]) && lives[j].power > 0.003 * lives[i].power);
            // A line goes on for a moment after it has lost its note to the one that found it again.
            let rival = chain.iter().any(|&j: &usize| lives[i].is_rival_of(&lives[j]));
            if !rides && !rival {
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
                    && (m.heard_hz - o.heard_hz).abs() < SAME_REST_HZ + 4.0 * u_hz
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
    /// sideband came to rest, and that one is the note.
    fn hand_over(&self, chain: &mut [usize]) {
        let lives = &self.lives;
        let louder = |i: usize| {
            let (rest, _) = lives[i].rests.last()?;
            (0..lives.len()).find(|&j| {
                let l = &lives[j];
                j != i
                    && self.excuse(l).is_none()
                    && l.born_s > lives[i].born_s + 0.3
                    && (-1.5..0.8).contains(&(l.born_s - rest.start_s))
                    && l.rests.iter().any(|(m, _)| m.power > 8.0 * rest.power && m.together_s(rest) > 0.4)
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

    /// Whether something that may have been the note moved before this life of it began: what was declared of the first move is
    /// not known to be of this one.
    fn heard_before(&self, life: &Life) -> bool {
        self.lives.iter().any(|l| {
            let moved = l.outline.iter().take_while(|p| p.at_s < life.first().0 - 0.3);
            let (low, high) =
                moved.fold((f64::MAX, 0.0f64), |(low, high), p| (low.min(p.b.abs()), high.max(p.b.abs())));
            l.travelled && l.power > AS_LOUD * life.power && high - low > TRAVEL_HZ
        })
    }

    /// The chain's lives as stretches of one note as far as they hang together, each with the sign that turns its own
    /// into that of the stretch's first; and whether the stretch is the first one.
    /// `ways` tells what is known, for each, of the way to it from the life before.
    fn stretches(&self, chain: &[usize], ways: &[Option<Between>]) -> Vec<Stretch> {
        let mut stretches: Vec<Stretch> = Vec::new();
        for (n, &i) in chain.iter().enumerate() {
            let life = &self.lives[i];
            let before = n.checked_sub(1).map(|m| &self.lives[chain[m]]);
            let follows = before.is_some_and(|b| life.goes_on_from(b));
            let passage = before.and_then(|b| joint::between(b, life, follows));
            let way = ways[n].filter(|_| !follows && passage.is_none());
            let joins = follows || passage.is_some() || way.is_some();
            if !joins {
                let left = before.and_then(|b| b.left_towards_zero(life));
                if let Some((stretch, (at_s, hz))) = stretches.last_mut().zip(left) {
                    let last = stretch.outline.last().copied();
                    stretch.outline.extend(last.map(|p| Point { at_s, b: hz * p.b.signum(), ..p }));
                }
                let first = n == 0 && !self.heard_before(life);
                stretches.push(Stretch { first, ..Stretch::default() });
            }
            if let Some(stretch) = stretches.last_mut() {
                let own = life.first().1.signum();
                if way.is_some() {
                    // What is heard of a life after the note was found again is not what led to it.
                    stretch.outline.retain(|p| p.at_s <= life.first().0);
                }
                // Into a passage the note went with the sign that it was last seen to have.
                let (into_s, into) = stretch.outline.last().map_or((0.0, 1.0), |p| (p.at_s, p.b.signum()));
                let between = |w: &Between| {
                    let crossed =
                        w.kind == CrossingKind::Crossed && (into_s..life.first().0).contains(&w.at_s);
                    let kind = if crossed { w.kind } else { CrossingKind::TurnedBack };
                    Passage { at_s: w.at_s, u_s: WAY_U_S, kind }
                };
                let way = way.as_ref().map(between);
                let sign = match passage.or(way).map(|p| p.kind) {
                    Some(CrossingKind::Crossed) => -into * own,
                    Some(_) => into * own,
                    None if joins => stretch.last_sign * own,
                    None => 1.0,
                };
                stretch.passages.extend(passage.or(way.filter(|w| w.kind == CrossingKind::Crossed)));
                stretch.outline.extend(life.outline.iter().map(|p| Point { b: p.b * sign, ..*p }));
                stretch.passages.extend(life.passages.iter().copied());
                stretch.members.push((i, sign));
                stretch.last_sign = life.last.0.signum() * sign;
            }
        }
        stretches
    }

    /// Side of the life `i` of the chain at an instant at which its own sign is `sign`.
    fn side_at(&self, stretches: &[Stretch], i: usize, at_s: f64, sign: f64) -> Side {
        let member = |s: &Stretch| s.members.iter().find(|m| m.0 == i).map(|m| m.1);
        stretches.iter().find_map(|s| Some((s, member(s)?))).map_or(Side::Unknown, |(s, own)| {
            side_at(self.declared.all(), (&s.outline, &s.passages), s.first, at_s, sign * own)
        })
    }

    /// Tells the story.
    pub fn tell(mut self, level: Level, mut warnings: Vec<Warning>) -> Heard {
        for life in &mut self.lives {
            life.leave_hum(self.hum);
            life.leave_faint();
        }
        mend_swaps(&mut self.lives);
        mend_faint_tails(&mut self.lives);
        if self.hum.is_found() {
            mend_sidebands(&mut self.lives, self.hum.comb().fundamental_hz);
        }
        for life in &mut self.lives {
            // What a life that moved took for itself of the hum is no rest of the note.
            let (power, hum, moved) = (life.power, self.hum, life.travelled);
            life.rests.retain(|(m, _)| {
                !(moved && m.power < HUM_PART * power && hum.is_line(m.heard_hz, HUM_EXACT_HZ))
            });
        }
        let mut chain = self.note();
        if self.is_crowd(&chain) {
            let stands = |m: &Measured| m.end_s - m.start_s >= CROWD_REST_S;
            for &i in &chain {
                self.lives[i].rests.retain(|(m, _)| stands(m));
            }
        } else {
            self.take_rests_of_others(&chain);
        }
        let swells = self.swells_at_rest(&mut chain);
        let ways = doubt::decide(&mut self.lives, &chain);
        let lives = &self.lives;
        let stretches = self.stretches(&chain, &ways);
        let mut rests: Vec<Rest> = chain
            .iter()
            .flat_map(|&i| {
                let (this, stretches) = (&self, &stretches);
                lives[i]
                    .rests
                    .iter()
                    .map(move |(m, sign)| rest_record(m, this.side_at(stretches, i, m.at_s, *sign)))
            })
            .collect();
        rests.extend(swells.iter().map(|s| s.rest.clone()));
        rests.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let mut crossings: Vec<Crossing> = stretches
            .iter()
            .flat_map(|s| &s.passages)
            .map(|p| Crossing { at_s: p.at_s, u_s: p.u_s, kind: p.kind })
            .collect();
        crossings.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let ending = self.swell_ending(&swells).unwrap_or_else(|| self.ending(&chain, &stretches, &rests));
        rests.dedup_by(|later, rest| {
            let twice = is_told_twice(rest, later);
            if twice && later.end_s - later.start_s > rest.end_s - rest.start_s {
                std::mem::swap(rest, later);
            }
            twice
        });
        let steady_notes = self.steady_notes(&chain, &swells);
        if let Some(rest) = rests.iter().find(|r| r.near_hum_hz.is_some()) {
            warnings.push(Warning {
                code: "near-hum".to_owned(),
                message: format!(
                    "the rest at {:.2} Hz is close to a hum line; move the dial by a few hertz or listen longer",
                    rest.offset_hz
                ),
            });
        }
        if let Some(rest) = rests.iter().find(|r| r.method == Method::Note && r.snr_db < -8.0) {
            warnings.push(Warning {
                code: "weak".to_owned(),
                message: format!(
                    "the note is {:.0} dB under the noise; turn up the level or tighten the coupling",
                    -rest.snr_db
                ),
            });
        }
        let mut pulled =
            chain.iter().flat_map(|&i| &lives[i].rests).filter_map(|(m, _)| Some((m.heard_hz, m.pull?)));
        warnings.extend(pulled.next_back().map(|(heard_hz, pull)| super::coupling::warning(heard_hz, &pull)));
        if ending.state == EndingState::DeadBand {
            warnings.push(Warning {
                code: "dead-band".to_owned(),
                message: "the note went below what the path passes; silence there is no zero beat".to_owned(),
            });
        }
        Heard { rests, ending, crossings, steady_notes, hum: self.hum.heard(), level, warnings }
    }

    fn ending(&self, chain: &[usize], stretches: &[Stretch], rests: &[Rest]) -> Ending {
        let mut ending = Ending {
            state: EndingState::Quiet,
            at_s: 0.0,
            offset_hz: None,
            bound_hz: None,
            side: Side::Unknown,
        };
        // What was heard for a moment at the end tells nothing where more is known.
        let told = |i: usize| self.lives[i].travelled || !self.lives[i].rests.is_empty();
        let Some(&last) = chain.iter().max_by(|&&i, &&j| {
            let latest = self.lives[i].last_seen_s.total_cmp(&self.lives[j].last_seen_s);
            told(i).cmp(&told(j)).then(latest)
        }) else {
            return ending;
        };
        let life = &self.lives[last];
        if !life.travelled && rests.is_empty() {
            return ending; // something stood for a moment, but nothing that could be measured
        }
        let sign = life.last.0.signum();
        ending.side = self.side_at(stretches, last, self.end_s, sign);
        ending.offset_hz = Some(life.last.0.abs());
        let fresh = self.end_s - life.last_seen_s < if life.last.1.abs() > 200.0 { 0.5 } else { 0.35 };
        let still = |r: &&Rest| life.standing_at_end || r.end_s > life.last_seen_s - 0.5;
        if let Some(rest) = rests.last().filter(|r| self.end_s - r.end_s < 0.8 && life.at_end).filter(still) {
            ending.state = EndingState::Resting;
            ending.at_s = rest.start_s;
            ending.offset_hz = Some(rest.offset_hz);
            ending.side = rest.side;
        } else if life.at_end && fresh {
            ending.state = EndingState::Moving;
            ending.at_s = rests.last().map_or(life.born_s, |r| r.end_s);
        } else {
            ending.at_s = life.last_seen_s;
            let mut soundings: Vec<Sounding> =
                chain.iter().flat_map(|&i| &self.lives[i].soundings).copied().collect();
            soundings.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
            let gone = Gone {
                offset_hz: life.last.0.abs(),
                last_seen_s: life.last_seen_s,
                now_s: self.end_s,
                soundings: &soundings,
            };
            let verdict = gone.judge();
            (ending.state, ending.bound_hz) = (verdict.state, verdict.bound_hz);
        }
        ending
    }
}
