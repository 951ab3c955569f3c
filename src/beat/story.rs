//! The story: which line was the note, what the others were, on which side, and how it ends.
//!
//! The line that moved is the note; of several that moved together the lowest of a harmonic family and the middle one
//! of a family at fixed spacing. A line that stood from first to last while another moved is a steady note. Where
//! nothing moved, the strongest line that is no hum, tone or whine is the note.

use super::hum::HumFollower;
use super::lines::Line;
use super::passage::Passage;
use super::path::Point;
use super::rest::Measured;
use super::swell::Swelling;
use crate::heard::{
    Crossing, CrossingKind, Ending, EndingState, Heard, Level, Method, Rest, SteadyNote, Warning,
};
use crate::offset::{Hand, Side, Turning, side_from_turn};

/// Audio tones of standard-frequency stations, Hz: 15 CFR 200.107 and NIST SP 432 for the United States' (500, 600,
/// 440 steady; 1000, 1200, 1500 marks; 100 code), NRC's description of CHU for 1000.
const STATION_TONES: [f64; 7] = [100.0, 440.0, 500.0, 600.0, 1000.0, 1200.0, 1500.0];

/// Whether a steady line may be a station's tone.
pub fn is_station_tone(frequency_hz: f64) -> bool {
    is_station_tone_near(frequency_hz, 0.4)
}

/// Whether a line is within `within_hz` of a station's tone: one that swells splits into several.
pub fn is_station_tone_near(frequency_hz: f64, within_hz: f64) -> bool {
    STATION_TONES.iter().any(|t| (frequency_hz - t).abs() < within_hz)
}

/// What was declared, and when.
#[derive(Debug, Clone, Copy)]
pub struct Declared {
    pub at_s: f64,
    pub hand: Hand,
    pub turning: Option<Turning>,
}

/// A line's life, when it is over.
#[derive(Debug, Clone)]
pub struct Life {
    pub born_s: f64,
    pub last_seen_s: f64,
    pub at_end: bool,
    pub standing_at_end: bool,
    travelled: bool,
    travel_hz: f64,
    power: f64,
    hits: u32,
    outline: Vec<Point>,
    /// Signed frequency and rate when last seen.
    last: (f64, f64),
    rests: Vec<(Measured, f64)>,
    passages: Vec<Passage>,
}

impl Life {
    pub fn of(line: &Line, rests: Vec<(Measured, f64)>, passages: Vec<Passage>, at_end: bool) -> Self {
        let newest: Vec<Point> = line.path.recent().rev().take(6).copied().collect();
        let last = match (newest.first(), newest.last()) {
            (Some(a), Some(b)) if a.at_s > b.at_s => (a.b, (a.b - b.b) / (a.at_s - b.at_s)),
            _ => (line.b, line.r),
        };
        let loudest = line.path.outline().iter().map(|p| p.power).fold(line.power, f64::max);
        Self {
            born_s: line.born_s,
            last_seen_s: line.last_seen_s,
            at_end,
            standing_at_end: false,
            travelled: line.path.travelled(),
            travel_hz: line.path.travel_hz(),
            power: loudest,
            hits: line.hits,
            outline: line.path.outline().to_vec(),
            last,
            rests,
            passages,
        }
    }

    fn span_s(&self) -> f64 {
        self.last_seen_s - self.born_s
    }

    fn frequency_hz(&self) -> f64 {
        self.rests
            .iter()
            .max_by(|a, b| (a.0.end_s - a.0.start_s).total_cmp(&(b.0.end_s - b.0.start_s)))
            .map_or(self.last.0.abs(), |r| r.0.heard_hz)
    }

    /// |b| by the outline at `at_s`.
    fn outlined(&self, at_s: f64) -> Option<f64> {
        let i = self.outline.iter().position(|p| p.at_s >= at_s)?;
        let (p, q) = (self.outline.get(i.checked_sub(1)?)?, self.outline[i]);
        let w = (at_s - p.at_s) / (q.at_s - p.at_s).max(1e-9);
        Some(p.b.abs() + w * (q.b.abs() - p.b.abs()))
    }

    /// Whether this life is a note that moved, by more than the lines of a tone that swells lie apart.
    fn moved_beside(&self, swells: &[Swelling]) -> bool {
        self.travelled && swells.iter().all(|s| s.is_less_than(self.travel_hz))
    }

    fn overlap_s(&self, other: &Self) -> f64 {
        self.last_seen_s.min(other.last_seen_s) - self.born_s.max(other.born_s)
    }

    /// Whether this life moved as a whole multiple of `other`, or at a fixed distance above or below it.
    fn rides_on(&self, other: &Self) -> bool {
        let pairs: Vec<(f64, f64)> =
            self.outline.iter().filter_map(|p| Some((p.b.abs(), other.outlined(p.at_s)?))).collect();
        if pairs.len() < 4 {
            return false;
        }
        let share = |test: &dyn Fn(&(f64, f64)) -> bool| {
            pairs.iter().filter(|p| test(p)).count() as f64 / pairs.len() as f64
        };
        (2..=6).any(|k| share(&|(a, b)| (a - f64::from(k) * b).abs() < 4.0f64.max(0.02 * a)) > 0.7)
    }
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

/// Whether a line this far from a stronger one is there only because that one swells.
fn is_side_line(apart_hz: f64, swells: &[Swelling]) -> bool {
    swells.iter().any(|s| {
        let k = (2.0 * apart_hz.abs() / s.line_hz).round();
        (1.0..=8.0).contains(&k) && (apart_hz.abs() - 0.5 * k * s.line_hz).abs() < 0.3
    })
}

/// The record of a measured rest.
pub fn rest_record(m: &Measured, side: Side) -> Rest {
    Rest {
        start_s: m.start_s,
        end_s: m.end_s,
        at_s: m.at_s,
        offset_hz: m.heard_hz,
        u_hz: m.u_hz(),
        u_noise_hz: m.u_noise_hz,
        u_wander_hz: m.u_wander_hz,
        heard_hz: m.heard_hz,
        rate_hz_per_s: m.rate,
        rate_u: m.rate_u,
        side,
        snr_db: 10.0 * (m.cn0_hz / 4000.0).log10(),
        method: Method::Note,
        notes_hz: None,
        alternatives_hz: Vec::new(),
        pulled: None,
        near_hum_hz: m.near_hum_hz,
    }
}

/// All that is needed to tell the story.
pub struct Story<'a> {
    pub lives: Vec<Life>,
    pub hum: &'a HumFollower,
    pub declared: Vec<Declared>,
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
        (self.end_s - rest.end_s < patience).then(|| Ending {
            state: EndingState::Resting,
            at_s: rest.start_s,
            offset_hz: Some(rest.offset_hz),
            bound_hz: None,
            side: rest.side,
        })
    }

    /// Why a life that did not move can't be the beat.
    fn excuse(&self, life: &Life) -> Option<&'static str> {
        let f = life.frequency_hz();
        if life.travelled {
            return None;
        }
        if self.hum.is_line(f, 0.3) {
            return Some("hum");
        }
        if self.station_tones && is_station_tone(f) {
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
        let movers: Vec<usize> =
            (0..lives.len()).filter(|&i| lives[i].travelled && lives[i].hits >= 8).collect();
        if movers.is_empty() {
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
            let mut same: Vec<usize> =
                candidates.filter(|&i| (lives[i].frequency_hz() - f).abs() < 1.0).collect();
            same.sort_by(|&i, &j| lives[i].born_s.total_cmp(&lives[j].born_s));
            return same;
        }
        // Of movers at one time the strongest in movement; what rides on another goes.
        let mut chain: Vec<usize> = Vec::new();
        let mut ranked = movers;
        ranked.sort_by(|&i, &j| {
            let weight = |l: &Life| l.power.powf(0.5) * l.travel_hz.min(2000.0) * l.span_s().min(5.0);
            weight(&lives[j]).total_cmp(&weight(&lives[i]))
        });
        for &i in &ranked {
            let root = ranked
                .iter()
                .any(|&j| j != i && lives[i].rides_on(&lives[j]) && lives[j].power > 0.003 * lives[i].power);
            let rival = chain.iter().any(|&j: &usize| lives[i].overlap_s(&lives[j]) > 0.4);
            if !root && !rival {
                chain.push(i);
            }
        }
        // What stood before the note was lost or after it was found again, close by, is the note too.
        let adjoining: Vec<usize> = (0..lives.len())
            .filter(|i| !chain.contains(i) && !lives[*i].travelled && self.excuse(&lives[*i]).is_none())
            .filter(|&i| {
                let s = &lives[i];
                chain.iter().any(|&j| {
                    let m = &lives[j];
                    let gap = s.born_s - m.last_seen_s;
                    let reach = 25.0 + m.last.1.abs() * (gap.abs() + 0.3);
                    let after =
                        (-0.6..2.5).contains(&gap) && (m.last.0.abs() - s.frequency_hz()).abs() < reach;
                    let lead = m.born_s - s.last_seen_s;
                    let first = m.outline.first().map_or(m.last.0.abs(), |p| p.b.abs());
                    let before = (-0.6..1.0).contains(&lead) && (first - s.frequency_hz()).abs() < 40.0;
                    (after || before) && s.power > 0.02 * m.power
                }) && chain.iter().all(|&j| s.overlap_s(&lives[j]) < 0.8)
            })
            .collect();
        chain.extend(adjoining);
        chain.sort_by(|&i, &j| lives[i].born_s.total_cmp(&lives[j].born_s));
        chain
    }

    fn side_at(&self, life: &Life, first_of_note: bool, at_s: f64, sign: f64) -> Side {
        side_at(&self.declared, (&life.outline, &life.passages), first_of_note, at_s, sign)
    }

    /// Tells the story.
    pub fn tell(self, level: Level, mut warnings: Vec<Warning>) -> Heard {
        let mut chain = self.note();
        let lives = &self.lives;
        let swells = self.swells_at_rest(&mut chain);
        let first = chain.first().copied();
        let mut rests: Vec<Rest> = chain
            .iter()
            .flat_map(|&i| {
                let life = &lives[i];
                let this = &self;
                life.rests
                    .iter()
                    .map(move |(m, sign)| rest_record(m, this.side_at(life, Some(i) == first, m.at_s, *sign)))
            })
            .collect();
        rests.extend(swells.iter().map(|s| s.rest.clone()));
        rests.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let mut crossings: Vec<Crossing> = chain
            .iter()
            .flat_map(|&i| lives[i].passages.iter())
            .map(|p| Crossing { at_s: p.at_s, u_s: p.u_s, kind: p.kind })
            .collect();
        crossings.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let ending = self.swell_ending(&swells).unwrap_or_else(|| self.ending(&chain, &rests));
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
        if ending.state == EndingState::DeadBand {
            warnings.push(Warning {
                code: "dead-band".to_owned(),
                message: "the note went below what the path passes; silence there is no zero beat".to_owned(),
            });
        }
        Heard { rests, ending, crossings, steady_notes, hum: self.hum.heard(), level, warnings }
    }

    fn ending(&self, chain: &[usize], rests: &[Rest]) -> Ending {
        let mut ending = Ending {
            state: EndingState::Quiet,
            at_s: 0.0,
            offset_hz: None,
            bound_hz: None,
            side: Side::Unknown,
        };
        let Some(&last) =
            chain.iter().max_by(|&&i, &&j| self.lives[i].last_seen_s.total_cmp(&self.lives[j].last_seen_s))
        else {
            return ending;
        };
        let life = &self.lives[last];
        if !life.travelled && rests.is_empty() {
            return ending; // something stood for a moment, but nothing that could be measured
        }
        let sign = life.last.0.signum();
        ending.side = self.side_at(life, chain.first() == Some(&last), self.end_s, sign);
        ending.offset_hz = Some(life.last.0.abs());
        let fresh = self.end_s - life.last_seen_s < 0.35;
        if let Some(rest) = rests.last().filter(|r| self.end_s - r.end_s < 0.8 && life.at_end) {
            ending.state = EndingState::Resting;
            ending.at_s = rest.start_s;
            ending.offset_hz = Some(rest.offset_hz);
            ending.side = rest.side;
        } else if life.at_end && fresh {
            ending.state = EndingState::Moving;
            ending.at_s = rests.last().map_or(life.born_s, |r| r.end_s);
        } else {
            let (b, r) = (life.last.0.abs(), life.last.1 * sign);
            ending.at_s = life.last_seen_s;
            let falling = r < -2.0 && b / -r < 1.5;
            if life.travelled && falling && b < 350.0 {
                ending.state = EndingState::DeadBand;
                ending.bound_hz = Some(b);
            } else {
                ending.state = EndingState::Lost;
            }
        }
        ending
    }

    fn steady_notes(&self, chain: &[usize], swells: &[Swelling]) -> Vec<SteadyNote> {
        let moved = chain.iter().any(|&i| self.lives[i].travelled);
        let mut notes: Vec<SteadyNote> = Vec::new();
        let mut others: Vec<&Life> = (0..self.lives.len())
            .filter(|i| !chain.contains(i))
            .map(|i| &self.lives[i])
            .filter(|l| !l.travelled && l.span_s() > 1.5 && !l.rests.is_empty())
            .collect();
        others.sort_by(|a, b| b.power.total_cmp(&a.power));
        for life in others {
            let f = life.frequency_hz();
            let excuse = self.excuse(life);
            let harmonic = chain.iter().any(|&i| {
                let g = self.lives[i].frequency_hz();
                (2..=8).any(|k| (f - f64::from(k) * g).abs() < 0.3)
            });
            if excuse == Some("hum")
                || harmonic
                || notes.iter().any(|n| (n.frequency_hz - f).abs() < 1.0)
                || notes.iter().any(|n| is_side_line(f - n.frequency_hz, swells))
                || notes.len() >= 6
            {
                continue;
            }
            let Some(best) = life.rests.iter().min_by(|a, b| a.0.u_hz().total_cmp(&b.0.u_hz())) else {
                continue;
            };
            notes.push(SteadyNote {
                frequency_hz: best.0.heard_hz,
                u_hz: best.0.u_hz(),
                level_db: 10.0 * best.0.power.max(1e-20).log10(),
                why: excuse
                    .unwrap_or(if !swells.is_empty() && chain.is_empty() {
                        "it stood still while the programme swelled"
                    } else if moved {
                        "it stood still while the note moved"
                    } else {
                        "weaker than the note that stands beside it"
                    })
                    .to_owned(),
            });
        }
        notes
    }
}
