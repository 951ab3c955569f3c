//! The looks at the sound: short, medium, long and very long frames, each for what it shows best.

use super::frames::Asked;
use super::lines::{Line, Seen, View};
use super::{DEEP_EVERY, Ear, LONG_EVERY, ON_HUM_HZ, ROW_GAP_S, low, passage, path, rank, swell};
use crate::heard::CrossingKind;
use crate::spectrum::drop_side_lobes;

/// What stands out of the floor in a very long frame: once in ten hours by chance (e^-28 in each of 12 000 bins, 4500 frames
/// an hour).
const DEEP_BIRTH: f64 = 28.0;
/// What is asked of a long frame.
const LONG_ASKED: Asked = Asked { lowest_hz: 1.5, least_snr: 18.0, most: 32 };
/// How far back the sound is cleaned of hum that has just been found, s.
const HUM_BACK_S: f64 = 2.0;
/// How near to where a note has stood something is that it left behind, Hz, and how often it must have been seen there.
const LEFT_HZ: f64 = 2.0;
const LEFT_POINTS: usize = 4;

impl Ear {
    /// Hops from one deep look to the next: half as many looks while a note that moved is heard, since what else stands there
    /// is no more than a whistle.
    pub(super) fn deep_every(&self, now_s: f64) -> u64 {
        let heard = |l: &Line| l.confirmed() && l.path.travelled() && now_s - l.last_seen_s < ROW_GAP_S;
        if self.table.lines.iter().any(heard) { 2 * DEEP_EVERY } else { DEEP_EVERY }
    }

    pub(super) fn look_short(&mut self, end: u64) {
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

    pub(super) fn look_medium(&mut self, end: u64) {
        let asked = Asked { lowest_hz: 6.0, least_snr: 16.0, most: 16 };
        if let Some(view) = self.frames.look_medium(&self.clean, end, asked) {
            self.table.observe(&self.frames.peaks, &view, 45.0);
        }
    }

    /// Looks for the hum's comb in all that is heard; at the beginning in a frame half as long.
    pub(super) fn look_for_hum(&mut self, end: u64) {
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
                    let near = |k: i32| (f - f64::from(k) * l.b.abs()).abs() < f64::from(k) * reach;
                    (1..=4).any(near) && !came_to_hum(l, lines)
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
            let drop = !l.path.travelled() && hum.takes_out(l.b.abs(), ON_HUM_HZ);
            if drop {
                dossiers.remove(&l.id);
            }
            !drop
        });
    }

    pub(super) fn look_long(&mut self, end: u64) {
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
    pub(super) fn look_deep(&mut self, end: u64) {
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
    pub(super) fn look_low(&mut self, end: u64, now_s: f64) {
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

    /// Offers the tones that do not move, loudest first, to the swells.
    pub(super) fn offer_tones(&mut self) {
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
}

/// How near to a multiple of where a line came to rest another stands, Hz, and for how much longer, s, for both to be hum.
const COMB_HZ: f64 = 0.5;
const BEFORE_S: f64 = 0.5;
/// Highest such multiple.
const MOST_MULTIPLE: f64 = 8.0;

/// Whether a line that has moved stands now where hum was before it came: a multiple of it has stood for longer, as a note's own
/// harmonic can't have.
fn came_to_hum(line: &Line, lines: &[Line]) -> bool {
    let came_s = line.path.outline().last().map_or(line.born_s, |p| p.at_s);
    lines.iter().filter(|l| l.confirmed() && !l.path.travelled() && l.born_s < came_s - BEFORE_S).any(|l| {
        let multiple = (l.b.abs() / line.b.abs()).round();
        (2.0..=MOST_MULTIPLE).contains(&multiple) && (l.b.abs() - multiple * line.b.abs()).abs() < COMB_HZ
    })
}
