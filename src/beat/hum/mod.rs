//! Mains hum: its fundamental found from the whole comb, followed, and taken out of what the tracker sees.
//!
//! The comb is looked for in long frames (which resolve half a hertz); once found, each line's amplitude is the mean
//! over the last second and a bit of the sound turned back by the comb's own phase, which is least squares for lines
//! that lie whole hertz apart, and far narrower than a notch: a beat two hertz beside a line passes unharmed.

mod residue;
mod tooth;

pub use residue::RESIDUE_HZ;
pub use tooth::take_line_out;

use super::history::History;
use crate::estimate::Comb;
use crate::heard;
use crate::settings::Mains;
use crate::spectrum::Peak;
use num_complex::Complex32;
use std::f64::consts::PI;
use std::ops::Range;
use tooth::{Shot, Tooth, unit};

/// Fundamentals that are looked for unasked, Hz: two mains, vibrator supplies, aircraft converters.
const WINDOWS: [(f64, f64); 4] = [(49.3, 50.7), (59.3, 60.7), (98.0, 122.0), (396.0, 404.0)];
/// Highest order considered and highest frequency, Hz.
const MOST_ORDER: u32 = 40;
/// Up to this order a line is believed by itself; higher ones need neighbours.
const LONE_ORDER: u32 = 6;
const HIGHEST_HZ: f64 = 3000.0;
/// Lines taken out at most.
const MOST_LINES: usize = 12;
/// Hops that the amplitude of a line is averaged over.
const HOPS: usize = 26;
/// Hops that it takes at least.
const LEAST_HOPS: usize = 8;

/// Least distance of a standing note from a line at which the line's amplitude may still be learnt, Hz: nearer, the
/// note would leak into the mean over the last hops.
const GUARD_HZ: f64 = 2.5;
/// Weights of the fundamental as a frame sees it (to 0.01 Hz, and a second late) and as it was half a second ago (0.02 Hz),
/// on the scale of [`Tooth::slip`]'s: 0.12 Hz² over the variance.
const SEEN: f64 = 1200.0;
const STEADY: f64 = 300.0;
/// Looks in a row that may show no comb before it is given up.
const MOST_ABSENT: u32 = 3;
/// How far the fundamental may be off before the comb is found anew rather than led back, Hz.
const LOST_HZ: f64 = 0.5;

/// How near a line must be to a note to be fitted with it, Hz.
const BESIDE_HZ: f64 = 30.0;
/// For how many hops it is remembered what was taken out: as long as the sound is kept for a rest.
const TAKEN_HOPS: usize = 250;

/// Finds and follows the hum.
pub struct HumFollower {
    rate_hz: f64,
    mains: Mains,
    fundamental_hz: f64,
    found: bool,
    /// Long frames in a row that showed no comb.
    absent: u32,
    /// Fundamental of a comb of one or two lines that was seen once.
    suspected_hz: f64,
    phase: f64,
    teeth: Vec<Tooth>,
    /// Scratch: the peaks in order of frequency.
    by_frequency: Vec<Peak>,
    /// For how many hops nothing has been taken out.
    left_alone: usize,
    sum: f64,
    sum_squares: f64,
    looks: f64,
}

impl HumFollower {
    pub fn new(rate_hz: f64, mains: Mains) -> Self {
        Self {
            rate_hz,
            mains,
            fundamental_hz: 0.0,
            found: false,
            absent: 0,
            suspected_hz: 0.0,
            phase: 0.0,
            teeth: Vec::new(),
            by_frequency: Vec::new(),
            left_alone: 0,
            sum: 0.0,
            sum_squares: 0.0,
            looks: 0.0,
        }
    }

    pub fn set_mains(&mut self, mains: Mains) {
        self.mains = mains;
        self.found = false;
        self.teeth.clear();
        (self.sum, self.sum_squares, self.looks) = (0.0, 0.0, 0.0);
    }

    /// Looks for the comb among the peaks of a long frame; `moving` are notes that moved, whose own harmonics are no
    /// hum; `sound` is what was heard up to now, `hop` the number of samples from look to look. Returns whether a line
    /// was found that was not known.
    pub fn look(&mut self, peaks: &[Peak], moving: &[f64], sound: &History, hop: usize) -> bool {
        let near;
        let windows: &[(f64, f64)] = match self.mains {
            Mains::Off => return false,
            Mains::Near(f) => {
                near = [(f * 0.97, f * 1.03)];
                &near
            }
            Mains::Auto => &WINDOWS,
        };
        let mut best: Option<(f64, f64, Orders)> = None;
        let mut by_frequency = std::mem::take(&mut self.by_frequency);
        by_frequency.clear();
        by_frequency.extend_from_slice(peaks);
        by_frequency.sort_unstable_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        for peak in peaks.iter().take(24) {
            for order in 1..=6u32 {
                let f0 = peak.frequency_hz / f64::from(order);
                if !windows.iter().any(|w| (w.0..=w.1).contains(&f0)) {
                    continue;
                }
                let (score, refined, orders) = score(&by_frequency, f0);
                // A comb of its own kind needs three lines; a mains frequency proper is believed with two, or with its
                // fundamental alone.
                let named = [50.0, 60.0].iter().any(|m| (refined - m).abs() < 0.3)
                    || matches!(self.mains, Mains::Near(_));
                let low = orders.iter().filter(|&h| h <= 8).count();
                let enough = if named { low >= 2 || orders.iter().next() == Some(1) } else { low >= 3 };
                let of_a_note = moving.iter().any(|&m| {
                    let k = (m / refined).round().max(1.0);
                    (m - k * refined).abs() < 0.1 && orders.iter().all(|h| f64::from(h) % k == 0.0)
                });
                if enough && !of_a_note && best.as_ref().is_none_or(|b| score > b.0) {
                    best = Some((score, refined, orders));
                }
            }
        }
        self.by_frequency = by_frequency;
        let Some((_, f0, orders)) = best else {
            self.absent += 1;
            if self.absent > MOST_ABSENT {
                self.found = false;
                self.teeth.clear();
            }
            return false;
        };
        self.absent = 0;
        let before = std::mem::replace(&mut self.suspected_hz, f0);
        if !self.found && orders.iter().count() < 3 && (f0 - before).abs() > 0.1 {
            return false;
        }
        let news = !self.found || (f0 - self.fundamental_hz).abs() > LOST_HZ;
        if news {
            self.teeth.clear();
            self.phase = 0.0;
            self.fundamental_hz = f0;
        }
        self.found = true;
        self.looks += 1.0;
        self.sum += f0;
        self.sum_squares += f0 * f0;
        let known = self.teeth.len();
        for order in orders.iter() {
            if self.teeth.len() < MOST_LINES && !self.teeth.iter().any(|t| t.order == order) {
                self.teeth.push(Tooth::new(order));
                self.learn_back(sound, hop);
            }
        }
        let more = self.teeth.len() > known;
        self.teeth.sort_by_key(|t| t.order);
        if !news {
            self.lead((f0, SEEN), hop as f64 / self.rate_hz);
        }
        news || more
    }

    /// Leads the fundamental after the comb between two looks; `hop` is the number of samples from look to look.
    pub fn lead_on(&mut self, hop: usize) {
        self.lead((self.fundamental_hz, STEADY), hop as f64 / self.rate_hz);
    }

    /// Leads the fundamental after the comb by the phases of its lines, where these are clear: they know it far better than
    /// a frame does. Where they are not, what is `known` counts: a frequency and its weight.
    fn lead(&mut self, known: (f64, f64), hop_s: f64) {
        let (mut above, mut below) = (known.1 * (known.0 - self.fundamental_hz), known.1);
        for (slip, weight) in self.teeth.iter().filter_map(|t| t.slip(hop_s)) {
            above += weight * slip;
            below += weight;
        }
        let by = (0.7 * above / below).clamp(-0.1, 0.1);
        self.fundamental_hz += by;
        // The means gathered so far were turned back by the old frequency: turn them on to the new one.
        for tooth in &mut self.teeth {
            let step = 2.0 * PI * by * f64::from(tooth.order) * hop_s;
            // The phase is continuous now; a hop that lies back by t was ahead by 2π·by·t.
            let (mut ahead, more) = (unit(0.5 * step), unit(step));
            for sum in tooth.sums.iter_mut().rev() {
                *sum *= ahead;
                ahead *= more;
            }
        }
    }

    /// Fills the means of the newest tooth from the sound of the last hops.
    fn learn_back(&mut self, sound: &History, hop: usize) {
        let step = 2.0 * PI * self.fundamental_hz / self.rate_hz;
        let Some(tooth) = self.teeth.last_mut() else { return };
        let h = f64::from(tooth.order);
        tooth.turns.set(h * step, hop);
        for back in (1..=HOPS as u64).rev() {
            let Some(from) = sound.end().checked_sub(back * hop as u64).filter(|f| *f >= sound.first())
            else {
                continue;
            };
            let start = self.phase - step * (back as f64 * hop as f64);
            let mean = tooth.turns.mean(sound.slice(from, from + hop as u64), h * start);
            tooth.take(mean);
        }
    }

    /// Whether a comb is known.
    pub fn is_found(&self) -> bool {
        self.found
    }

    /// Its fundamental, Hz, where one is known.
    pub fn fundamental_hz(&self) -> Option<f64> {
        self.found.then_some(self.fundamental_hz)
    }

    /// For how many hops up to now the sound has passed as it came.
    pub fn left_alone_hops(&self) -> usize {
        self.left_alone
    }

    /// Takes the comb as it is known out of sound that ended just now: for what was heard before it was known.
    pub fn clean_past(&mut self, sound: &[f32], hop: usize, out: &mut Vec<f32>) {
        out.clear();
        out.extend_from_slice(sound);
        self.left_alone = 0;
        let step = 2.0 * PI * self.fundamental_hz / self.rate_hz;
        for tooth in self.teeth.iter_mut().filter(|t| t.sums.len() >= LEAST_HOPS) {
            let h = f64::from(tooth.order);
            let hops = sound.len() / hop;
            tooth.taken.resize(tooth.taken.len().max(hops), Shot::default());
            tooth.turns.set(h * step, hop);
            for (back, (part, taken)) in
                out.rchunks_exact_mut(hop).zip(tooth.taken.iter_mut().rev()).enumerate()
            {
                let start = h * (self.phase - step * ((back + 1) * hop) as f64);
                *taken = Shot { amplitude: tooth.amplitude, phase: start, step: h * step };
                tooth.turns.take_out(tooth.amplitude, start, part);
            }
        }
    }

    /// The lines that are taken out within `within_hz` of `frequency_hz`.
    fn near(&self, frequency_hz: f64, within_hz: f64) -> impl Iterator<Item = &Tooth> {
        let line = |t: &Tooth| f64::from(t.order) * self.fundamental_hz;
        self.teeth.iter().filter(move |t| (line(t) - frequency_hz).abs() < within_hz)
    }

    /// Orders of the lines that stand beside a note at `note_hz`.
    pub fn beside(&self, note_hz: f64) -> Vec<u32> {
        self.near(note_hz, BESIDE_HZ).map(|t| t.order).collect()
    }

    /// Gives lines back to sound that ended just now and was cleaned, hop by hop what was taken: a fit that knows of
    /// them tells them from the note far better than a mean.
    pub fn give_back(&self, orders: &[u32], hop: usize, sound: &mut [f32]) {
        for tooth in self.teeth.iter().filter(|t| orders.contains(&t.order)) {
            for (part, shot) in sound.rchunks_mut(hop).zip(tooth.taken.iter().rev()) {
                shot.add_to(part, hop);
            }
        }
    }

    /// Takes the comb out of one hop of samples; `notes` are those that stand and are no hum, Hz.
    pub fn clean(&mut self, hop: &[f32], notes: &[f64], out: &mut Vec<f32>) {
        let from = out.len();
        out.extend_from_slice(hop);
        if self.teeth.is_empty() {
            self.left_alone += 1;
            return;
        }
        self.left_alone = 0;
        let step = 2.0 * PI * self.fundamental_hz / self.rate_hz;
        let clean = &mut out[from..];
        for tooth in &mut self.teeth {
            let h = f64::from(tooth.order);
            let line = h * self.fundamental_hz;
            let near = tooth.amplitude.norm_sqr() > 0.0 && notes.iter().any(|n| (n - line).abs() < GUARD_HZ);
            // Once the note has gone its trace must leave the mean first.
            tooth.held = if near { HOPS } else { tooth.held.saturating_sub(1) };
            tooth.turns.set(h * step, hop.len());
            let mean = tooth.turns.mean(hop, h * self.phase);
            tooth.take(mean);
            let known = tooth.sums.len() >= LEAST_HOPS;
            let amplitude = if known { tooth.amplitude } else { Complex32::default() };
            let shot = Shot { amplitude, phase: h * self.phase, step: h * step };
            if known {
                tooth.turns.take_out(amplitude, h * self.phase, clean);
            }
            tooth.taken.push_back(shot);
            if tooth.taken.len() > TAKEN_HOPS {
                tooth.taken.pop_front();
            }
        }
        self.phase = (self.phase + step * hop.len() as f64) % (2.0 * PI);
    }

    /// The comb as it is known now; empty when there is none.
    pub fn comb(&self) -> Comb {
        if !self.found {
            return Comb::default();
        }
        Comb {
            fundamental_hz: self.fundamental_hz,
            orders: self.teeth.iter().map(|t| t.order).collect(),
            free: false,
            lone: Vec::new(),
        }
    }

    /// The record of the hum.
    pub fn heard(&self) -> Option<heard::Hum> {
        if self.looks < 2.0 || self.teeth.is_empty() {
            return None;
        }
        let mean = self.sum / self.looks;
        let spread = (self.sum_squares / self.looks - mean * mean).max(0.0).sqrt();
        let power: f32 = self.teeth.iter().map(|t| t.amplitude.norm_sqr()).sum();
        Some(heard::Hum {
            fundamental_hz: mean,
            u_hz: spread.max(0.003),
            level_db: 10.0 * f64::from(power.max(1e-20)).log10(),
            harmonics: self.teeth.iter().map(|t| t.order).collect(),
        })
    }
}

/// A set of orders up to 63.
#[derive(Clone, Copy, Default)]
struct Orders(u64);

impl Orders {
    fn insert(&mut self, order: u32) {
        self.0 |= 1 << order;
    }

    /// How many of `some` orders there are.
    fn among(self, some: Range<u32>) -> u32 {
        (self.0 & ((1u64 << some.end) - (1u64 << some.start))).count_ones()
    }

    /// The lowest first.
    fn iter(self) -> impl Iterator<Item = u32> {
        (1..64).filter(move |h| self.0 >> h & 1 == 1)
    }
}

/// How well a fundamental explains the peaks, which come in order of frequency: a sum over its lines that are there, the
/// fundamental refined by them, and their orders.
fn score(peaks: &[Peak], f0: f64) -> (f64, f64, Orders) {
    let (mut refined, mut orders, mut total) = (f0, Orders::default(), 0.0);
    for round in 0..2 {
        let (mut above, mut below) = (0.0, 0.0);
        orders = Orders::default();
        total = 0.0;
        for order in 1..=MOST_ORDER {
            let h = f64::from(order);
            if h * refined > HIGHEST_HZ {
                break;
            }
            let gate = 0.15 + if round == 0 { 0.03 * h } else { 0.01 * h };
            // High orders are believed where their neighbours are there too: a lone peak is no line of a comb.
            if order > LONE_ORDER && orders.among(order - 4..order) < 2 {
                continue;
            }
            let (line, gate) = (h * refined, gate.min(0.6));
            let from = peaks.partition_point(|p| p.frequency_hz <= line - gate);
            let near = peaks[from..].iter().take_while(|p| p.frequency_hz < line + gate);
            let Some(peak) = near.max_by(|a, b| a.snr.total_cmp(&b.snr)) else { continue };
            let db = 10.0 * peak.snr.log10();
            total += (db - 10.0).clamp(0.0, 30.0) / h.sqrt();
            let weight = h * h * peak.snr.min(1e5);
            above += weight * peak.frequency_hz / h;
            below += weight;
            orders.insert(order);
        }
        if below > 0.0 {
            refined = above / below;
        }
    }
    (total, refined, orders)
}
