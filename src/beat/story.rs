//! The story: which line was the note, what the others were, on which side, and how it ends.
//!
//! The line that moved is the note; of several that moved together the lowest of a harmonic family and the middle one
//! of a family at fixed spacing. A line that stood from first to last while another moved is a steady note. Where
//! nothing moved, the strongest line that is no hum, tone or whine is the note.

use super::chain::tell_once;
use super::declared::{Declarations, Declared};
use super::doubt;
use super::ending::Gone;
use super::family::gather_low_family;
use super::hum::HumFollower;
use super::life::Life;
use super::mend::{
    drop_doubles, mend_faint_tails, mend_harmonics, mend_left_behind, mend_outstayed, mend_passages,
    mend_sidebands, mend_swaps,
};
use super::passage::Passage;
use super::path::{Point, TRAVEL_HZ};
use super::rest::Measured;
use super::sounding::Sounding;
use super::stretch::Stretch;
use super::swell::Swelling;
use super::under::leave_what_stays_above;
use crate::heard::{
    Crossing, CrossingKind, Ending, EndingState, Heard, Level, Method, Pulled, Rest, Warning,
};
use crate::offset::{Side, side_from_turn};
use std::f64::consts::PI;

/// Audio tones of standard-frequency stations, Hz: 15 CFR 200.107 and NIST SP 432 for the United States' (500, 600,
/// 440 steady; 1000, 1200, 1500 marks; 100 code), NRC's description of CHU for 1000.
pub const STATION_TONES: [f64; 7] = [100.0, 440.0, 500.0, 600.0, 1000.0, 1200.0, 1500.0];

/// How near to a multiple of 1000 Hz a sound card's whine is, Hz.
const WHINE_HZ: f64 = 0.6;

/// A rest this exactly on a hum line, Hz, and this much weaker than the note was, in power, is the hum's.
const HUM_EXACT_HZ: f64 = 0.05;
const HUM_PART: f64 = 0.02;

/// A station's pulses come once a second: a rest this exactly on a whole number of hertz, besides its uncertainty, below so many,
/// Hz, and this much weaker than the note was, in power, is theirs.
const PULSES_EXACT_HZ: f64 = 0.01;
const PULSES_HZ: f64 = 60.0;
const PULSES_PART: f64 = 1e-3;

/// A follower that has not moved for so long, s, and hears so little of what the note was, in power, has lost it.
const STUCK_S: f64 = 2.0;
const STUCK_PART: f64 = 0.02;

/// Whether a steady line may be a station's tone.
pub fn is_station_tone(frequency_hz: f64) -> bool {
    is_station_tone_near(frequency_hz, 0.4)
}

/// Whether a line is within `within_hz` of a station's tone: one that swells splits into several.
pub fn is_station_tone_near(frequency_hz: f64, within_hz: f64) -> bool {
    STATION_TONES.iter().any(|t| (frequency_hz - t).abs() < within_hz)
}

/// Where something stood: from and until when, s, and its offset with its sign, Hz.
pub type Stood = (f64, f64, f64);

/// Which multiple of 1000 Hz something is: a sound card whines at several of them.
pub fn thousand(frequency_hz: f64) -> Option<u32> {
    let k = (frequency_hz / 1000.0).round();
    (k >= 1.0 && (frequency_hz - 1000.0 * k).abs() < WHINE_HZ).then_some(k as u32)
}

/// Side of zero at an instant of a line that has the sign `sign` of its own there, from what was declared and the
/// first move heard after it. A declaration made at the beginning speaks of the first note only.
pub fn side_at(
    declared: &[Declared],
    (outline, passages, stood): (&[Point], &[Passage], impl Iterator<Item = Stood> + Clone),
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
        let Some((rho, first)) = first_move(outline.iter().filter(|p| p.at_s >= d.at_s - 0.2), &stood) else {
            continue;
        };
        let moved_s = first.at_s;
        if n > 0 && moved_s > at_s {
            continue;
        }
        let there = side_from_turn(d.hand, turning, rho);
        let doubtful = passages
            .iter()
            .any(|p| p.kind == CrossingKind::Unsure && (p.at_s - moved_s) * (p.at_s - at_s) <= 0.0);
        answer = match there.sign() {
            Some(s) if !doubtful => Side::of(s * first.b.signum() * sign),
            _ => Side::Unknown,
        };
    }
    answer
}

/// How near to its rest a note stands at the end, Hz, that has not left it, and how long before that its phase fitted last, s.
const STAYS_HZ: f64 = 1.0;
const UNFIT_S: f64 = 2.0;

/// How far a line must have gone for that to be a move of the hand, Hz, and how many times what its sightings may be off.
const MOVE_HZ: f64 = 1.2;
const MOVE_SIGMAS: f64 = 4.0;

/// How near to where it stood before a line stands again that no hand has moved, Hz.
const BACK_HZ: f64 = 0.05;

/// The first move on one side of zero: by how much |b| changed, Hz, and the sighting that shows it. What leaves where it
/// `stood` and stands there again was thrown off by what came beside it: no hand finds the same place again.
fn first_move<'a>(
    outline: impl Iterator<Item = &'a Point>,
    stood: &(impl Iterator<Item = Stood> + Clone),
) -> Option<(f64, Point)> {
    let thrown = |p: &Point| {
        let before = stood.clone().filter(|s| s.1 < p.at_s).last();
        let after = stood.clone().find(|s| s.0 > p.at_s);
        before.zip(after).is_some_and(|(before, after)| (before.2 - after.2).abs() < BACK_HZ)
    };
    let mut from: Option<&Point> = None;
    for p in outline {
        let Some(q) = from.filter(|q| q.b * p.b > 0.0) else {
            from = Some(p);
            continue;
        };
        let rho = p.b.abs() - q.b.abs();
        if rho.abs() > MOVE_HZ.max(MOVE_SIGMAS * p.u.hypot(q.u)) {
            if !thrown(p) && !thrown(q) {
                return Some((rho, *p));
            }
            if thrown(q) {
                from = Some(p);
            }
        }
    }
    None
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
        let near = |f: &f64| *f < 420.0 && !self.hum.was_line(*f, 0.3);
        self.lives
            .iter()
            .filter(measured)
            .map(Life::frequency_hz)
            .filter(near)
            .any(|f| [-1.0, -0.5, 0.5, 1.0].iter().any(|k| self.hum.was_line(f + k * swelling.line_hz, 0.06)))
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
        if self.hum.was_line(f, 0.3) || left_by_hum {
            return Some("hum");
        }
        // Fading smears a tone by up to its own rate; what set out at last is none.
        let set_out = !life.at_end && life.travel_hz > TRAVEL_HZ;
        if self.station_tones && is_station_tone_near(f, 1.0) && !set_out {
            return Some("a standard station's tone");
        }
        let whines = |l: &Life| thousand(l.frequency_hz()).filter(|_| !l.travelled);
        let own = whines(life);
        (own.is_some() && self.lives.iter().filter_map(whines).any(|k| Some(k) != own))
            .then_some("one of several multiples of 1000 Hz: a sound card's own whine")
    }

    /// Tells the story.
    pub fn tell(mut self, level: Level, mut warnings: Vec<Warning>) -> Heard {
        for life in &mut self.lives {
            life.leave_hum(self.hum);
            life.leave_faint();
        }
        mend_swaps(&mut self.lives);
        mend_left_behind(&mut self.lives);
        mend_harmonics(&mut self.lives);
        gather_low_family(&mut self.lives);
        mend_faint_tails(&mut self.lives);
        mend_outstayed(&mut self.lives);
        drop_doubles(&mut self.lives);
        if let Some(hum_hz) = self.hum.known_hz() {
            mend_sidebands(&mut self.lives, hum_hz);
        }
        leave_what_stays_above(&mut self.lives);
        mend_passages(&mut self.lives);
        for life in &mut self.lives {
            // What a life that moved took for itself of the hum is no rest of the note.
            let (power, hum, moved, tones) = (life.power, self.hum, life.travelled, self.station_tones);
            life.rests.retain(|(m, _)| {
                let pulses = (m.heard_hz - m.heard_hz.round()).abs() < PULSES_EXACT_HZ + 2.0 * m.u_hz()
                    && m.heard_hz < PULSES_HZ
                    && m.power < PULSES_PART * power;
                let hums = m.power < HUM_PART * power && hum.was_line(m.heard_hz, HUM_EXACT_HZ);
                !(moved && (hums || tones && pulses))
            });
        }
        let mut chain = self.note();
        self.sift_rests(&chain);
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
        tell_once(&mut rests);
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
        // What stands for long far softer than it moved, and of which no rest was measured, is not the note.
        let moved = life.outline.last().map_or((life.born_s, life.last.0), |p| (p.at_s, p.b));
        let unmeasured = rests.last().is_none_or(|r| r.end_s < moved.0 + 0.5);
        let stuck = unmeasured
            && life.travelled
            && life.last_power < STUCK_PART * life.power
            && life.last_seen_s - moved.0 > STUCK_S;
        let still = |r: &&Rest| life.standing_at_end || r.end_s > life.last_seen_s - 0.5;
        // What stands there to the end rests, though its phase may not fit all along.
        let stays = |r: &Rest| life.standing_at_end && (life.last_hz() - r.heard_hz).abs() < STAYS_HZ;
        let lately = |r: &&Rest| self.end_s - r.end_s < if stays(r) { UNFIT_S } else { 0.8 };
        if let Some(rest) = rests.last().filter(|_| life.at_end).filter(lately).filter(still) {
            ending.state = EndingState::Resting;
            ending.at_s = rest.start_s;
            ending.offset_hz = Some(rest.offset_hz);
            ending.side = rest.side;
        } else if life.at_end && fresh && !stuck {
            ending.state = EndingState::Moving;
            ending.at_s = rests.last().map_or(life.born_s, |r| r.end_s);
        } else {
            let (last_s, last) = if stuck { moved } else { (life.last_seen_s, life.last.0) };
            (ending.at_s, ending.offset_hz) = (last_s, Some(last.abs()));
            // What was sounded after the note was lost was something else.
            let soundings = chain.iter().flat_map(|&i| &self.lives[i].soundings);
            let mut soundings: Vec<Sounding> = soundings.filter(|s| s.at_s <= last_s).copied().collect();
            soundings.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
            let gone =
                Gone { offset_hz: last.abs(), last_seen_s: last_s, now_s: self.end_s, soundings: &soundings };
            let verdict = gone.judge();
            (ending.state, ending.bound_hz) = (verdict.state, verdict.bound_hz);
        }
        ending
    }
}

#[cfg(test)]
mod tests {
    use super::super::lines::Seen;
    use super::*;

    /// A weak note that stands at 73.4 Hz, seen once 1.9 Hz off by a frame that knows it to 0.7 Hz, has not moved; one that is
    /// seen 7 Hz off has.
    #[test]
    fn what_sightings_may_be_off_is_no_move() {
        let outline = |off: f64| {
            [(4.0, 73.4, 1.1), (14.6, 73.4 + off, 0.7), (14.7, 73.4, 0.3), (15.0, -73.4 - off, 0.3)]
                .map(|(at_s, b, u)| Point { at_s, b, u, power: 1.0, seen: Seen::Short })
        };
        let nowhere = std::iter::empty();
        assert!(first_move(outline(1.9).iter(), &nowhere).is_none());
        let moved = first_move(outline(-7.0).iter(), &nowhere);
        assert!(moved.is_some_and(|(rho, p)| rho < 0.0 && p.at_s > 14.0));
    }

    /// A station's data throw the follower of its carrier off by 45 Hz; as the carrier stands where it stood, nobody has turned
    /// the dial. Where it stands elsewhere afterwards, somebody has.
    #[test]
    fn what_stands_where_it_stood_was_not_moved() {
        let point = |at_s: f64, b: f64| Point { at_s, b, u: 0.4, power: 1.0, seen: Seen::Short };
        let outline = [point(0.2, 1483.2), point(2.0, 1528.0), point(2.4, 1455.0), point(3.5, 1483.2)];
        let stood = |after: f64| [(0.0, 1.5, 1483.195), (3.3, 4.6, after)].into_iter();
        assert!(first_move(outline.iter(), &stood(1483.192)).is_none());
        assert!(first_move(outline.iter(), &stood(1479.8)).is_some_and(|(rho, _)| rho > 40.0));
    }
}
