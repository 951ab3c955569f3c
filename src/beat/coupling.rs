//! What the ear gathers and asks about coupled oscillators: soundings on the way down, the pull of a rest.

use super::lines::Line;
use super::overtones::{self, Note};
use super::pulling::{Evidence, Pull};
use super::rest::Measured;
use super::sounding::{self, Soundings};
use super::{Ear, SHORT_S};
use crate::heard::Warning;

/// Most soundings taken in one look.
const MOST_A_LOOK: usize = 2;
/// Sightings before a line is worth one.
const LEAST_HITS: u32 = 4;

impl Ear {
    /// Sounds the lowest lines that have moved on since their last sounding.
    pub(super) fn take_soundings(&mut self, end: u64, now_s: f64) {
        let seen = |l: &&Line| l.hits >= LEAST_HITS && now_s - l.last_seen_s < 1e-6;
        let mut due: Vec<(f64, usize)> = self
            .table
            .lines
            .iter()
            .enumerate()
            .filter(|(_, l)| seen(l))
            .map(|(i, l)| (l.b.abs(), i))
            .filter(|&(b, i)| {
                let id = self.table.lines[i].id;
                self.dossiers.get(&id).map_or(sounding::RANGE_HZ.1 > b, |d| d.soundings.due(b))
            })
            .collect();
        due.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let len = (sounding::LENGTH_S.1 * self.rate_hz) as u64;
        for (b, i) in due.into_iter().take(MOST_A_LOOK).filter(|_| end >= len) {
            let (id, rate) = (self.table.lines[i].id, self.table.lines[i].r * self.table.lines[i].b.signum());
            let samples = self.clean.slice(end - len, end);
            let dossier = self.dossiers.entry(id).or_default();
            dossier.soundings.take(samples, self.rate_hz, now_s, b, rate, SHORT_S / 2.0);
        }
    }

    /// Whether the note of a rest was pulled, and its offset without; only the newest part of a long rest is looked at.
    pub(super) fn pull_of(&self, rest: &Measured, soundings: &Soundings) -> Option<Pull> {
        let index = |s: f64| (s * self.rate_hz).round() as u64;
        let first = index(rest.start_s).max(self.raw.first());
        let note = Note { at_s: rest.at_s, frequency_hz: rest.heard_hz, rate: rest.rate };
        let overtones = overtones::measure(
            self.raw.slice(first, index(rest.end_s)),
            self.rate_hz,
            first as f64 / self.rate_hz,
            note,
            &self.hum.comb(),
        )?;
        let evidence = Evidence {
            heard_hz: rest.heard_hz,
            u_hz: rest.u_hz(),
            overtones: &overtones,
            soundings: soundings.all(),
        };
        evidence.judge()
    }
}

/// The warning about a pulled rest; the advice comes first.
pub fn warning(heard_hz: f64, pull: &Pull) -> Warning {
    Warning {
        code: "pulled".to_owned(),
        message: format!(
            "loosen the coupling or work at a larger offset: the oscillators pull each other, the note at {heard_hz:.2} \
             Hz is {:.1} Hz with that undone",
            pull.offset_hz
        ),
    }
}
