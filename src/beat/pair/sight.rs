//! From samples to lines: the frames of the single-note ear, with nothing asked below the audio band.
//!
//! Twenty times a second a short frame is looked at, and copies of it with slides undone; ten times a second a medium
//! one; twice a second a long one, in which the hum is looked for as well.

use super::super::frames::{Asked, Frames, LONG_S, samples};
use super::super::history::History;
use super::super::hum::HumFollower;
use super::super::lines::{Line, Table};
use super::super::{HOP_S, ON_HUM_HZ};
use super::wide::Sound;
use crate::heard;
use crate::settings::Mains;
use crate::spectrum::drop_side_lobes;

/// How much sound is kept, s: no rest is measured over more than a minute.
pub const KEPT_S: f64 = 66.0;
/// No note of a receiver is lower than this, Hz.
pub const LOWEST_HZ: f64 = 60.0;
/// Hops between medium and between long frames.
const MEDIUM_EVERY: u64 = 2;
const LONG_EVERY: u64 = 10;
/// What stands out of the floor in each kind of frame, and what begins a line there.
const LEAST: [f64; 3] = [20.0, 16.0, 18.0];
const BIRTH: [f64; 3] = [40.0, 45.0, 26.0];
const MOST: usize = 24;

/// Frames, hum and the table of lines.
pub struct Sight {
    pub rate_hz: f64,
    pub table: Table,
    pub hum: HumFollower,
    pub clean: History,
    raw: History,
    hop: usize,
    hops: u64,
    frames: Frames,
    buffer: Vec<f32>,
}

impl Sight {
    /// For samples at `rate_hz`.
    pub fn new(rate_hz: f64, mains: Mains) -> Self {
        Self {
            rate_hz,
            table: Table::default(),
            hum: HumFollower::new(rate_hz, mains),
            clean: History::new(samples(KEPT_S, rate_hz)),
            raw: History::new(samples(2.0 * LONG_S, rate_hz)),
            hop: samples(HOP_S, rate_hz),
            hops: 0,
            frames: Frames::new(rate_hz),
            buffer: Vec::new(),
        }
    }

    /// Noise density near 1 kHz, squared units per Hz, smoothed.
    pub fn density(&self) -> f64 {
        self.frames.density
    }

    /// The sound to measure in.
    pub fn sound(&self) -> Sound<'_> {
        Sound { history: &self.clean, rate_hz: self.rate_hz }
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
        let unasked = self.hops.is_multiple_of(2);
        let lines = &self.table.lines;
        if let Some(view) = self.frames.look_short(&self.clean, end, lines, unasked, (LOWEST_HZ, LEAST[0])) {
            self.table.observe(&self.frames.peaks, &view, BIRTH[0]);
        }
        if self.hops.is_multiple_of(MEDIUM_EVERY) {
            let asked = Asked { lowest_hz: LOWEST_HZ, least_snr: LEAST[1], most: MOST };
            if let Some(view) = self.frames.look_medium(&self.clean, end, asked) {
                self.table.observe(&self.frames.peaks, &view, BIRTH[1]);
            }
        }
        if self.hops.is_multiple_of(LONG_EVERY) {
            self.look_for_hum(end, notes_hz);
            self.look_long(end);
        }
        while let Some(double) = self.table.double() {
            self.table.lines.retain(|l| l.id != double);
        }
        over
    }

    fn look_long(&mut self, end: u64) {
        let asked = Asked { lowest_hz: LOWEST_HZ, least_snr: LEAST[2], most: MOST };
        let Some(view) = self.frames.look_long(&self.clean, end, asked) else { return };
        let (hum, peaks) = (&self.hum, &mut self.frames.peaks);
        peaks.retain(|p| !hum.is_line(p.frequency_hz, 0.35));
        drop_side_lobes(peaks, view.length_s);
        self.table.observe(peaks, &view, BIRTH[2]);
    }

    fn look_for_hum(&mut self, end: u64, notes_hz: &[f64]) {
        let asked = Asked { lowest_hz: 20.0, least_snr: LEAST[2], most: 32 };
        let Some(view) = self.frames.look_long(&self.raw, end, asked) else { return };
        let peaks = &mut self.frames.peaks;
        drop_side_lobes(peaks, view.length_s);
        let moving: Vec<f64> = self.table.lines.iter().filter(|l| l.path.travelled()).map(|l| l.b).collect();
        peaks.retain(|p| !notes_hz.iter().any(|n| (n - p.frequency_hz).abs() < 2.0));
        self.hum.look(peaks, &moving, &self.raw, self.hop);
        let hum = &self.hum;
        let notes = |l: &Line| notes_hz.iter().any(|n| (n - l.b).abs() < 2.0);
        self.table.lines.retain(|l| notes(l) || l.path.travelled() || !hum.takes_out(l.b, ON_HUM_HZ));
    }
}
