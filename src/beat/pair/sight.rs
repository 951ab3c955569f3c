//! From samples to lines: the frames of the single-note ear, with nothing asked below the audio band.
//!
//! Twenty times a second a short frame is looked at, and copies of it with slides undone; ten times a second a medium
//! one; twice a second a long one, in which the hum is looked for as well.

use super::super::history::History;
use super::super::hum::HumFollower;
use super::super::lines::{Line, Seen, Table, View};
use super::super::{HIGHEST_HZ, HOP_S, LONG_S, MEDIUM_S, SHORT_S};
use crate::heard;
use crate::settings::Mains;
use crate::spectrum::{ChirpFrame, Floor, Peak, RealFrame, drop_side_lobes, find_peaks};

/// How much sound is kept, s: no rest is measured over more than a minute.
pub const KEPT_S: f64 = 66.0;
/// No note of a receiver is lower than this, Hz.
pub const LOWEST_HZ: f64 = 60.0;
/// Hops between medium and between long frames.
const MEDIUM_EVERY: u64 = 2;
const LONG_EVERY: u64 = 10;
/// Slides undone unasked, Hz/s, and those undone besides when a line has just been lost.
const SLIDE: f64 = 600.0;
const QUICK_SLIDES: [f64; 2] = [1400.0, 2400.0];
/// How fast a line must move for its own slide to be undone, Hz/s.
const OWN_SLIDE: f64 = 120.0;
/// What stands out of the floor in each kind of frame.
const LEAST: [f64; 3] = [20.0, 16.0, 18.0];
const BIRTH: [f64; 3] = [40.0, 45.0, 26.0];

/// Frames, hum and the table of lines.
pub struct Sight {
    pub rate_hz: f64,
    pub table: Table,
    pub hum: HumFollower,
    pub clean: History,
    raw: History,
    hop: usize,
    hops: u64,
    short: RealFrame,
    chirp: ChirpFrame,
    medium: RealFrame,
    long: RealFrame,
    floor: Floor,
    peaks: Vec<Peak>,
    gathered: Vec<(Peak, f64)>,
    buffer: Vec<f32>,
    /// Noise density near 1 kHz, squared units per Hz, smoothed.
    pub density: f64,
}

impl Sight {
    /// For samples at `rate_hz`.
    pub fn new(rate_hz: f64, mains: Mains) -> Self {
        let samples = |s: f64| ((s * rate_hz).round() as usize).max(16);
        let frame = |s: f64| RealFrame::new(samples(s), rate_hz);
        Self {
            rate_hz,
            table: Table::default(),
            hum: HumFollower::new(rate_hz, mains),
            clean: History::new(samples(KEPT_S)),
            raw: History::new(samples(2.0 * LONG_S)),
            hop: samples(HOP_S),
            hops: 0,
            short: frame(SHORT_S),
            chirp: ChirpFrame::new(samples(SHORT_S), rate_hz, &[SLIDE, QUICK_SLIDES[0], QUICK_SLIDES[1]]),
            medium: frame(MEDIUM_S),
            long: frame(LONG_S),
            floor: Floor::default(),
            peaks: Vec::new(),
            gathered: Vec::new(),
            buffer: Vec::new(),
            density: 0.0,
        }
    }

    /// Samples that are still to come before the next look.
    pub fn until_next(&self) -> usize {
        ((self.hops + 1) * self.hop as u64 - self.raw.end()) as usize
    }

    /// Takes samples, at most [`until_next`](Self::until_next) of them; whether a look is due.
    pub fn take(&mut self, samples: &[f32]) -> bool {
        self.raw.push(samples);
        self.until_next() == 0
    }

    /// Index after the newest sample looked at.
    pub fn end(&self) -> u64 {
        self.hops * self.hop as u64
    }

    /// Instant of the newest look, s.
    pub fn now_s(&self) -> f64 {
        self.end() as f64 / self.rate_hz
    }

    /// Looks done.
    pub fn hops(&self) -> u64 {
        self.hops
    }

    /// The record of the hum.
    pub fn hum_heard(&self) -> Option<heard::Hum> {
        self.hum.heard()
    }

    /// One look. `notes_hz` are the two notes, which are no hum. Returns the lines that have ended.
    pub fn look(&mut self, notes_hz: &[f64]) -> Vec<Line> {
        self.hops += 1;
        let (end, now_s) = (self.end(), self.now_s());
        self.buffer.clear();
        let hop = self.raw.slice(end - self.hop as u64, end);
        self.hum.clean(hop, notes_hz, &mut self.buffer);
        self.clean.push(&self.buffer);
        let mut over = Vec::new();
        self.table.advance(now_s, &mut over);
        self.look_short(end, now_s);
        if self.hops.is_multiple_of(MEDIUM_EVERY) {
            self.look_at(Seen::Medium, end, now_s);
        }
        if self.hops.is_multiple_of(LONG_EVERY) {
            self.look_for_hum(end, notes_hz);
            self.look_at(Seen::Long, end, now_s);
        }
        while let Some(double) = self.table.double() {
            self.table.lines.retain(|l| l.id != double);
        }
        over
    }

    fn look_short(&mut self, end: u64, now_s: f64) {
        let Some(from) = end.checked_sub(self.short.len() as u64) else { return };
        let samples = self.clean.slice(from, end);
        if gappy(samples) {
            return;
        }
        let length_s = self.short.len() as f64 / self.rate_hz;
        let bin = self.short.bin_hz();
        let range = (LOWEST_HZ, HIGHEST_HZ.min(0.48 * self.rate_hz));
        self.gathered.clear();
        let power = self.short.power(samples);
        self.floor.measure(power);
        find_peaks(power, bin, &self.floor, range, LEAST[0], 12, &mut self.peaks);
        self.gathered.extend(self.peaks.iter().map(|p| (*p, 0.0)));
        // Each slide, and whether its opposite is undone too.
        let mut slides: Vec<(f64, bool)> = Vec::new();
        if self.hops.is_multiple_of(2) {
            slides.push((SLIDE, true));
        }
        let gone = |l: &Line| l.hits > 8 && l.snr > 40.0 && (0.09..0.45).contains(&(now_s - l.last_seen_s));
        if self.table.lines.iter().any(gone) {
            slides.extend(QUICK_SLIDES.map(|s| (s, true)));
        }
        let fast = self.table.lines.iter().filter(|l| l.r.abs() > OWN_SLIDE && l.hits > 1);
        slides.extend(fast.max_by(|a, b| a.power.total_cmp(&b.power)).map(|l| (l.r, false)));
        for (slide, both) in slides {
            self.chirp.undo(samples, slide);
            for opposite in [false, true].into_iter().filter(|o| both || !o) {
                let power = self.chirp.power(opposite);
                find_peaks(power, bin, &self.floor, range, LEAST[0], 8, &mut self.peaks);
                let undone = if opposite { -slide } else { slide };
                self.gathered.extend(self.peaks.iter().map(|p| (*p, undone)));
            }
        }
        // The sharpest copy of a peak is the true one; its smears in the other copies go.
        self.gathered.sort_unstable_by(|a, b| b.0.power.total_cmp(&a.0.power));
        self.peaks.clear();
        let mut kept: Vec<(Peak, f64)> = Vec::with_capacity(12);
        for &(peak, slide) in &self.gathered {
            let smear = |other: f64| 1.6 / length_s + 0.6 * (slide - other).abs() * length_s;
            let clear = |(k, s): &(Peak, f64)| (k.frequency_hz - peak.frequency_hz).abs() > smear(*s);
            if kept.len() < 12 && kept.iter().all(clear) {
                kept.push((peak, slide));
                self.peaks.push(peak);
            }
        }
        drop_side_lobes(&mut self.peaks, length_s);
        let view = View { seen: Seen::Short, end_s: now_s, length_s, enbw_hz: self.short.enbw_hz() };
        self.table.observe(&self.peaks, &view, BIRTH[0]);
    }

    fn look_at(&mut self, seen: Seen, end: u64, now_s: f64) {
        let (frame, kind) = match seen {
            Seen::Long => (&mut self.long, 2),
            _ => (&mut self.medium, 1),
        };
        let Some(from) = end.checked_sub(frame.len() as u64) else { return };
        let samples = self.clean.slice(from, end);
        if gappy(samples) {
            return;
        }
        let bin = frame.bin_hz();
        let range = (LOWEST_HZ, HIGHEST_HZ.min(0.48 * self.rate_hz));
        let power = frame.power(samples);
        self.floor.measure(power);
        find_peaks(power, bin, &self.floor, range, LEAST[kind], 24, &mut self.peaks);
        if seen == Seen::Medium {
            let at = (1000.0f64.min(0.25 * self.rate_hz) / bin) as usize;
            let density = f64::from(self.floor.at(at)) / (2.0 * frame.enbw_hz());
            self.density =
                if self.density > 0.0 { self.density + 0.05 * (density - self.density) } else { density };
        }
        let length_s = frame.len() as f64 / self.rate_hz;
        let view = View { seen, end_s: now_s, length_s, enbw_hz: frame.enbw_hz() };
        let hum = &self.hum;
        self.peaks.retain(|p| seen != Seen::Long || !hum.is_line(p.frequency_hz, 0.35));
        drop_side_lobes(&mut self.peaks, length_s);
        self.table.observe(&self.peaks, &view, BIRTH[kind]);
    }

    fn look_for_hum(&mut self, end: u64, notes_hz: &[f64]) {
        let Some(from) = end.checked_sub(self.long.len() as u64) else { return };
        let samples = self.raw.slice(from, end);
        if gappy(samples) {
            return;
        }
        let bin = self.long.bin_hz();
        let range = (20.0, HIGHEST_HZ.min(0.48 * self.rate_hz));
        let power = self.long.power(samples);
        self.floor.measure(power);
        find_peaks(power, bin, &self.floor, range, LEAST[2], 32, &mut self.peaks);
        drop_side_lobes(&mut self.peaks, LONG_S);
        let moving: Vec<f64> = self.table.lines.iter().filter(|l| l.path.travelled()).map(|l| l.b).collect();
        self.peaks.retain(|p| !notes_hz.iter().any(|n| (n - p.frequency_hz).abs() < 2.0));
        self.hum.look(&self.peaks, &moving, &self.raw, self.hop);
        let hum = &self.hum;
        let notes = |l: &Line| notes_hz.iter().any(|n| (n - l.b).abs() < 2.0);
        self.table.lines.retain(|l| notes(l) || l.path.travelled() || !hum.takes_out(l.b, 0.25));
    }
}

/// Whether too much of a frame is missing for its spectrum to mean anything.
fn gappy(samples: &[f32]) -> bool {
    samples.iter().filter(|x| !x.is_finite()).count() * 4 > samples.len()
}
