//! Mains hum: its fundamental found from the whole comb, followed, and taken out of what the tracker sees.
//!
//! The comb is looked for in long frames (which resolve half a hertz); once found, each line's amplitude is the mean
//! over the last second and a bit of the sound turned back by the comb's own phase, which is least squares for lines
//! that lie whole hertz apart, and far narrower than a notch: a beat two hertz beside a line passes unharmed.

mod comb;
mod record;
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
use record::Record;
use std::f64::consts::PI;
use tooth::{Shot, Tooth, unit};

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
    record: Record,
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
            record: Record::default(),
        }
    }

    pub fn set_mains(&mut self, mains: Mains) {
        self.mains = mains;
        self.found = false;
        self.teeth.clear();
        self.record = Record::default();
    }

    /// Looks for the comb among the peaks of a long frame; `moving` are notes that moved, whose own harmonics are no
    /// hum; `sound` is what was heard up to now, `hop` the number of samples from look to look. Returns whether a line
    /// was found that was not known.
    pub fn look(&mut self, peaks: &[Peak], moving: &[f64], sound: &History, hop: usize) -> bool {
        let mut by_frequency = std::mem::take(&mut self.by_frequency);
        by_frequency.clear();
        by_frequency.extend_from_slice(peaks);
        by_frequency.sort_unstable_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        let best = comb::find(peaks, &by_frequency, self.mains, moving, self.fundamental_hz());
        self.by_frequency = by_frequency;
        let Some((f0, orders)) = best else {
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
        let known = self.teeth.len();
        for order in orders.iter() {
            if self.teeth.len() < MOST_LINES && !self.teeth.iter().any(|t| t.order == order) {
                self.teeth.push(Tooth::new(order));
                self.learn_back(sound, hop);
            }
        }
        let more = self.teeth.len() > known;
        self.teeth.sort_by_key(|t| t.order);
        self.record.take(f0, news, &self.teeth);
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

    /// The record of the hum: of the comb that was heard for longest, whether it still is or not.
    pub fn heard(&self) -> Option<heard::Hum> {
        self.record.heard()
    }

    /// The fundamental that is known or, where it has been lost, that was heard for longest, Hz.
    pub fn known_hz(&self) -> Option<f64> {
        self.fundamental_hz().or_else(|| self.record.fundamental_hz())
    }
}
