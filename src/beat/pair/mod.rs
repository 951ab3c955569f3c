//! The ear for two notes in one receiver.
//!
//! A receiver whose beat oscillator is on makes a note of the signal and one of the meter, fᵢ = σ(Fᵢ − F₀), σ = +1
//! where pitch rises with radio frequency and −1 where it falls. Their difference is the offset with its sign,
//! b = `σ(f_meter` − `f_signal`), and the beat oscillator F₀ with its drift and wander is not in it.
//!
//! Lines come from frames as in the ear for one note (`sight`). Two of them are the notes (`follow`, each a `note`), and
//! which one is turned shows in their `motion`; where they run together (`meeting`) they are found by joint fits (`close`). Stretches in which the difference stands still are rests
//! (`stand`), measured by the phase between the notes (`phase`), which comes from short stretches where those tell
//! the notes apart (`wide`) and from the fitted pair where they don't (`near`). Which note is whose, and σ, follow
//! from what is declared (`whose`). Notes that glide against each other lie on both sides of the beat oscillator:
//! then the sum is the offset, and no answer is given (`glide`). What all of it comes to is told in `tell`.
//!
//! # Assumptions and weak points
//!
//! * Both notes are in the audio band at once; a station's tones and other whistles may be there too, but the notes
//!   are the strongest of what moves and of what stands.
//! * One of the two stands while the other is turned.
//! * Without drift a beat oscillator between the notes looks like one beside them: the receiver's dial must tell.

mod close;
mod follow;
mod glide;
mod meeting;
mod motion;
mod near;
mod note;
mod phase;
mod sight;
mod stand;
mod tell;
mod whose;
mod wide;

use super::HOP_S;
use super::declared::Declarations;
use super::ears::Tells;
use crate::heard::{Crossing, CrossingKind, EndingState};
use crate::heard::{Heard, Level, NotesNow, Rest, Snapshot, TrackRow, TrackState, Warning};
use crate::offset::Side;
use crate::settings::{Command, Settings, TwoNotes};
use follow::Follow;
use glide::Glide;
use motion::Sighting;
use sight::Sight;
use stand::Stand;
use tell::Bystanders;
use whose::Whose;

/// A track row is final this long after its instant, s.
const LAG_S: f64 = 3.0;
/// Longest gap between two sightings that a row may bridge, s.
const ROW_GAP_S: f64 = 0.35;
/// A note unseen for so long is not heard now, s.
const UNHEARD_S: f64 = 0.7;

/// A rest under way as it was measured last.
struct Provisional {
    core_from_s: f64,
    due_s: f64,
    rest: Option<(phase::Apart, bool, usize)>,
}

/// The ear for two notes in one channel at the working rate.
pub struct Ear {
    sight: Sight,
    follow: Follow,
    stand: Stand,
    glide: Glide,
    whose: Whose,
    rows: Vec<TrackRow>,
    crossings: Vec<Crossing>,
    /// Newest sighting whose order was sure, for crossings.
    last_sure: Option<(Sighting, usize)>,
    bystanders: Bystanders,
    provisional: Option<Provisional>,
}

impl Ear {
    /// An ear for samples at `rate_hz`, at least 400 Hz.
    pub fn new(rate_hz: f64, settings: &Settings, two_notes: TwoNotes) -> Self {
        Self {
            sight: Sight::new(rate_hz, settings.mains),
            follow: Follow::default(),
            stand: Stand::default(),
            glide: Glide::default(),
            whose: Whose { two_notes, declared: Declarations::new(settings) },
            rows: Vec::new(),
            crossings: Vec::new(),
            last_sure: None,
            bystanders: Bystanders::default(),
            provisional: None,
        }
    }

    /// Takes a declaration that holds from `at_s` on.
    pub fn command(&mut self, at_s: f64, command: Command) {
        match command {
            Command::Hand(hand) => self.whose.declared.hand(at_s, hand),
            Command::Turning(turning) => self.whose.declared.turning(at_s, turning),
            Command::Mains(mains) => self.sight.hum.set_mains(mains),
            Command::Channel(_) => {}
        }
    }

    /// Takes conditioned samples; `each_look` is called after every look with the ear itself.
    pub fn push(&mut self, samples: &[f32], each_look: &mut dyn FnMut(&mut dyn Tells)) {
        let mut rest = samples;
        while !rest.is_empty() {
            let take = rest.len().min(self.sight.until_next());
            let due = self.sight.take(&rest[..take]);
            rest = &rest[take..];
            if due {
                self.look();
                each_look(self);
            }
        }
    }

    fn look(&mut self) {
        let notes = self.follow.hz();
        let ended = self.sight.look(&notes);
        let now_s = self.sight.now_s();
        for line in &ended {
            self.bystanders.take(line, &notes);
        }
        self.follow.look(&self.sight);
        self.stand.look(&self.sight, &self.follow);
        let heard = self.heard_now();
        let moved_s = self.follow.motion.moves.last().map_or(self.follow.since_s, |m| m.to_s);
        self.glide.look(&self.sight, heard, moved_s, &self.follow);
        self.watch_crossings();
        self.write_row(now_s - LAG_S);
    }

    /// Both notes, where both are heard now, Hz.
    fn heard_now(&self) -> Option<[f64; 2]> {
        let now_s = self.sight.now_s();
        let notes = self.follow.notes()?;
        notes.iter().all(|n| now_s - n.seen_s < UNHEARD_S).then(|| [notes[0].hz, notes[1].hz])
    }

    /// The sense of pitch as far as is known now.
    fn sense(&self) -> Option<f64> {
        self.whose.sense(self.follow.all_moves())
    }

    fn meter(&self, chapter: usize) -> Option<usize> {
        self.whose.meter(chapter, self.follow.told(chapter))
    }

    /// Signal's and meter's note from notes 0 and 1, where it is known which is which.
    fn ordered(&self, chapter: usize, hz: [f64; 2]) -> Option<[f64; 2]> {
        self.meter(chapter).map(|m| [hz[1 - m], hz[m]])
    }

    fn watch_crossings(&mut self) {
        let Some(now) = self.follow.sightings().back().copied().filter(|s| s.sure) else { return };
        let chapter = self.follow.chapter();
        if let Some((last, before)) = self.last_sure
            && before == chapter
            && last.apart() * now.apart() < 0.0
        {
            let share = last.apart() / (last.apart() - now.apart());
            let gap = now.at_s - last.at_s;
            self.crossings.push(Crossing {
                at_s: last.at_s + share * gap,
                u_s: (gap / 12f64.sqrt()).clamp(0.01, 0.5),
                kind: CrossingKind::Crossed,
            });
        }
        self.last_sure = Some((now, chapter));
    }

    fn write_row(&mut self, at_s: f64) {
        if at_s < super::frames::SHORT_S / 2.0 {
            return;
        }
        let mut row = TrackRow::quiet(at_s);
        let ring = self.follow.sightings();
        let after = ring.partition_point(|s| s.at_s < at_s);
        let neighbours = after.checked_sub(1).and_then(|i| Some((*ring.get(i)?, *ring.get(after)?)));
        if let Some((p, q)) = neighbours.filter(|(p, q)| q.at_s - p.at_s < ROW_GAP_S) {
            let w = (at_s - p.at_s) / (q.at_s - p.at_s).max(1e-9);
            let hz = [0, 1].map(|i| p.hz[i] + w * (q.hz[i] - p.hz[i]));
            let chapter = self.follow.chapter();
            row.offset_hz = Some((hz[1] - hz[0]).abs());
            row.u_hz = Some(p.u_hz.max(q.u_hz));
            let sure = p.sure && q.sure;
            row.side = Whose::side(self.sense(), self.meter(chapter).filter(|_| sure), hz[1] - hz[0]);
            row.level_db = Some(10.0 * q.powers[0].min(q.powers[1]).max(1e-20).log10());
            row.state = if self.stood(at_s) { TrackState::Resting } else { TrackState::Moving };
            row.notes_hz = Some(self.ordered(chapter, hz).unwrap_or(hz));
            if self.glide.straddled(at_s) {
                (row.offset_hz, row.u_hz, row.side) = (None, None, Side::Unknown);
            }
        }
        self.rows.push(row);
    }

    fn stood(&self, at_s: f64) -> bool {
        let open = self.stand.open.as_ref().is_some_and(|s| (s.core.0..=s.core.1).contains(&at_s));
        open || self
            .stand
            .rests
            .iter()
            .rev()
            .take(8)
            .any(|r| (r.apart.start_s..=r.apart.end_s).contains(&at_s))
    }

    /// The record of a rest.
    fn record(&self, apart: &phase::Apart, sure: bool, chapter: usize) -> Rest {
        let meter = self.meter(chapter);
        let side = Whose::side(self.sense(), meter.filter(|_| sure), apart.difference_hz);
        tell::rest(apart, side, self.ordered(chapter, apart.hz).filter(|_| sure))
    }

    /// Ends the sound: all that was heard. `level` and `warnings` come from the conditioning.
    pub fn finish(mut self, level: Level, mut warnings: Vec<Warning>) -> (Heard, Vec<TrackRow>) {
        let now_s = self.sight.now_s();
        let standing = self.stand.open.as_ref().is_some_and(|s| now_s - s.core.1 < 1.2);
        self.stand.close(&self.sight, now_s);
        let mut lag = LAG_S - HOP_S;
        while lag > HOP_S / 2.0 {
            self.write_row(now_s - lag);
            lag -= HOP_S;
        }
        let notes = self.follow.hz();
        for line in &self.sight.table.lines {
            self.bystanders.take(line, &notes);
        }
        let heard = tell::heard(&self, standing, level, &mut warnings);
        (heard, self.rows)
    }
}

impl Tells for Ear {
    fn drain_rows(&mut self) -> std::vec::Drain<'_, TrackRow> {
        self.rows.drain(..)
    }

    fn snapshot(&mut self) -> Snapshot {
        let at_s = self.sight.now_s();
        let straddled = self.glide.straddled(at_s);
        let chapter = self.follow.chapter();
        if let Some(open) = &self.stand.open {
            let begun = self.provisional.as_ref().is_none_or(|p| (p.core_from_s - open.core.0).abs() > 0.5);
            if begun || self.provisional.as_ref().is_some_and(|p| at_s >= p.due_s) {
                let rest = open.measure(&self.sight, at_s).map(|apart| (apart, open.sure, open.chapter));
                // A rest twice as long is twice the work and many times the knowledge: no hurry to do it again.
                let due_s = at_s + 0.25f64.max(0.08 * (open.core.1 - open.core.0));
                self.provisional = Some(Provisional { core_from_s: open.core.0, due_s, rest });
            }
        } else {
            self.provisional = None;
        }
        let measured = self.provisional.as_ref().and_then(|p| p.rest.as_ref()).filter(|_| !straddled);
        let rest = measured.map(|(apart, sure, chapter)| self.record(apart, *sure, *chapter));
        let notes = self.follow.notes().copied();
        let heard = notes.map(|n| n.map(|n| (at_s - n.seen_s < UNHEARD_S).then_some(n.hz)));
        let newest =
            self.follow.sightings().back().copied().filter(|s| at_s - s.at_s < UNHEARD_S && !straddled);
        let meter = self.meter(chapter);
        let side =
            newest.map_or(Side::Unknown, |s| Whose::side(self.sense(), meter.filter(|_| s.sure), s.apart()));
        let rate = notes.map(|n| (n[1].rate - n[0].rate) * (n[1].hz - n[0].hz).signum());
        let level = notes.map_or(self.sight.density() * 4000.0, |n| n[0].power.min(n[1].power));
        Snapshot {
            at_s,
            state: match (&rest, newest) {
                (Some(_), _) => EndingState::Resting,
                (None, Some(_)) => EndingState::Moving,
                (None, None) if notes.is_some() => EndingState::Lost,
                (None, None) => EndingState::Quiet,
            },
            offset_hz: newest.map(|s| s.apart().abs()),
            u_hz: newest.map(|s| s.u_hz),
            side,
            hand: self.whose.declared.newest().hand,
            rate_hz_per_s: newest.and(rate),
            level_db: 10.0 * level.max(1e-20).log10(),
            rest,
            lost_samples: 0,
            bound_hz: None,
            notes: Some(NotesNow {
                hz: heard.map_or([None; 2], |h| meter.map_or(h, |m| [h[1 - m], h[m]])),
                told: meter.is_some(),
                sense: self.sense(),
                straddled,
            }),
        }
    }
}
