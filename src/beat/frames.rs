//! The frames that both ears look at, and the peaks in them.
//!
//! A short frame sees a note that moves, in copies of it with slides undone where it moves fast; a medium one a note that
//! stands; a long one tells a weak note from the noise and the lines of the hum from each other.

use super::history::History;
use super::lines::{Line, Seen, View};
use super::low;
use crate::spectrum::{ChirpFrame, Floor, Peak, RealFrame, drop_side_lobes, find_peaks};

pub const SHORT_S: f64 = 0.16;
pub const MEDIUM_S: f64 = 0.64;
pub const LONG_S: f64 = 2.048;
/// Slide undone unasked, Hz/s, with its opposite, and how fast a line must move for its own slide to be undone.
const SLIDE: f64 = 600.0;
const OWN_SLIDE: f64 = 120.0;
/// Slides undone besides when a line has just been lost, Hz/s, each with its opposite.
const QUICK_SLIDES: [f64; 2] = [1400.0, 2400.0];
/// Most peaks of a short frame, and of each copy of it.
const MOST_SHORT: usize = 12;
const MOST_UNDONE: usize = 8;
/// Side lobes are looked for within this many times the inverse of a frame's length.
const LOBES: f64 = 5.0;
/// How far below a note its side lobes lie at least, in power, where only they are within what is asked for.
const LOW_LOBE: f64 = 0.01;
/// Highest frequency of a note, Hz.
const HIGHEST_HZ: f64 = 3900.0;

/// Samples to a length, s.
pub fn samples(length_s: f64, rate_hz: f64) -> usize {
    ((length_s * rate_hz).round() as usize).max(16)
}

/// A frame for a length, s.
pub fn frame(length_s: f64, rate_hz: f64) -> RealFrame {
    RealFrame::new(samples(length_s, rate_hz), rate_hz)
}

/// What is asked of a frame: the lowest frequency, Hz, the least over the floor, and how many peaks at most.
#[derive(Clone, Copy)]
pub struct Asked {
    pub lowest_hz: f64,
    pub least_snr: f64,
    pub most: usize,
}

/// Frames, the floor of the newest, and its peaks.
pub struct Frames {
    rate_hz: f64,
    short: RealFrame,
    chirp: ChirpFrame,
    medium: RealFrame,
    long: RealFrame,
    floor: Floor,
    /// Peaks of the newest frame, as they are left to stand.
    pub peaks: Vec<Peak>,
    /// Scratch: slides to be undone, and whether their opposites are too; peaks with the slide undone, all and kept.
    slides: Vec<(f64, bool)>,
    gathered: Vec<(Peak, f64)>,
    kept: Vec<(Peak, f64)>,
    /// Noise density near 1 kHz, squared units per Hz, smoothed over medium frames.
    pub density: f64,
}

impl Frames {
    /// For samples at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let often = [SLIDE, QUICK_SLIDES[0], QUICK_SLIDES[1]];
        Self {
            rate_hz,
            short: frame(SHORT_S, rate_hz),
            chirp: ChirpFrame::new(samples(SHORT_S, rate_hz), rate_hz, &often),
            medium: frame(MEDIUM_S, rate_hz),
            long: frame(LONG_S, rate_hz),
            floor: Floor::default(),
            peaks: Vec::new(),
            slides: Vec::new(),
            gathered: Vec::new(),
            kept: Vec::new(),
            density: 0.0,
        }
    }

    /// Samples to a long frame.
    pub fn long_len(&self) -> usize {
        self.long.len()
    }

    /// Peaks above `lowest_hz` and `least_snr` of the short frame that ends with sample `end`, side lobes left out;
    /// `unasked`: also with the usual slide undone. `None`, with the peaks as they were, where it is not full yet or too
    /// much of it is missing.
    pub fn look_short(
        &mut self,
        sound: &History,
        end: u64,
        lines: &[Line],
        unasked: bool,
        (lowest_hz, least_snr): (f64, f64),
    ) -> Option<View> {
        let samples = whole_frame(sound, end, self.short.len())?;
        let view = view_of(&self.short, Seen::Short, end, self.rate_hz);
        let (now_s, length_s) = (view.end_s, view.length_s);
        let bin_hz = self.short.bin_hz();
        let range = range(lowest_hz, self.rate_hz);
        let power = self.short.power(samples);
        self.floor.measure(power);
        find_peaks(power, bin_hz, &self.floor, range, least_snr, MOST_SHORT, &mut self.peaks);
        self.gathered.clear();
        self.gathered.extend(self.peaks.iter().map(|p| (*p, 0.0)));
        // Each slide, and whether its opposite is undone too.
        self.slides.clear();
        if unasked {
            self.slides.push((SLIDE, true));
        }
        // A line that stood a moment ago and is gone may have been taken away by a quick hand; one so low that only long frames
        // see it is not gone in between.
        let gone = |l: &Line| {
            let seen = l.path.recent().next_back().map(|p| p.seen);
            l.hits > 8
                && l.snr > 40.0
                && (0.09..0.45).contains(&(now_s - l.last_seen_s))
                && (l.b.abs() > low::HIGHEST_HZ || seen != Some(Seen::Long))
        };
        if lines.iter().any(gone) {
            self.slides.extend(QUICK_SLIDES.map(|s| (s, true)));
        }
        let fast = lines.iter().filter(|l| l.r.abs() > OWN_SLIDE && l.hits > 1);
        if let Some(line) = fast.max_by(|a, b| a.power.total_cmp(&b.power)) {
            self.slides.push((line.r * line.b.signum(), false));
        }
        for &(slide, both) in &self.slides {
            self.chirp.undo(samples, self.short.level(), slide);
            for opposite in [false, true].into_iter().filter(|o| both || !o) {
                let power = self.chirp.power(opposite);
                find_peaks(power, bin_hz, &self.floor, range, least_snr, MOST_UNDONE, &mut self.peaks);
                let undone = if opposite { -slide } else { slide };
                self.gathered.extend(self.peaks.iter().map(|p| (*p, undone)));
            }
        }
        self.keep_sharpest(length_s);
        drop_side_lobes(&mut self.peaks, length_s);
        drop_low_ghosts(&mut self.peaks);
        Some(view)
    }

    /// The sharpest copy of a peak is the true one; its smears in the other copies go.
    fn keep_sharpest(&mut self, length_s: f64) {
        self.gathered.sort_unstable_by(|a, b| b.0.power.total_cmp(&a.0.power));
        self.kept.clear();
        for &(peak, slide) in &self.gathered {
            let smear = |other: f64| 1.6 / length_s + 0.6 * (slide - other).abs() * length_s;
            let clear = |(k, s): &(Peak, f64)| (k.frequency_hz - peak.frequency_hz).abs() > smear(*s);
            if self.kept.len() < MOST_SHORT && self.kept.iter().all(clear) {
                self.kept.push((peak, slide));
            }
        }
        self.peaks.clear();
        self.peaks.extend(self.kept.iter().map(|k| k.0));
    }

    /// Peaks of the medium frame that ends with sample `end`, side lobes left out; leads the density of the noise.
    pub fn look_medium(&mut self, sound: &History, end: u64, asked: Asked) -> Option<View> {
        let (frame, peaks) = (&mut self.medium, &mut self.peaks);
        let view = peaks_in(frame, Seen::Medium, sound, (end, self.rate_hz), asked, &mut self.floor, peaks)?;
        let bin = (1000.0f64.min(0.25 * self.rate_hz) / self.medium.bin_hz()) as usize;
        let density = f64::from(self.floor.at(bin)) / (2.0 * view.enbw_hz);
        self.density =
            if self.density > 0.0 { self.density + 0.05 * (density - self.density) } else { density };
        drop_side_lobes(&mut self.peaks, view.length_s);
        Some(view)
    }

    /// Peaks of the long frame that ends with sample `end`.
    pub fn look_long(&mut self, sound: &History, end: u64, asked: Asked) -> Option<View> {
        let (frame, peaks) = (&mut self.long, &mut self.peaks);
        peaks_in(frame, Seen::Long, sound, (end, self.rate_hz), asked, &mut self.floor, peaks)
    }

    /// The view of a long frame that ends with sample `end`.
    pub fn long_view(&self, end: u64) -> View {
        view_of(&self.long, Seen::Long, end, self.rate_hz)
    }

    /// Peaks of another frame that ends with sample `end`, which is to see what a long one does.
    pub fn look_in(
        &mut self,
        frame: &mut RealFrame,
        sound: &History,
        end: u64,
        asked: Asked,
    ) -> Option<View> {
        peaks_in(frame, Seen::Long, sound, (end, self.rate_hz), asked, &mut self.floor, &mut self.peaks)
    }
}

/// Frequencies that are looked at, Hz.
fn range(lowest_hz: f64, rate_hz: f64) -> (f64, f64) {
    (lowest_hz, HIGHEST_HZ.min(0.48 * rate_hz))
}

fn view_of(frame: &RealFrame, seen: Seen, end: u64, rate_hz: f64) -> View {
    View {
        seen,
        end_s: end as f64 / rate_hz,
        length_s: frame.len() as f64 / rate_hz,
        enbw_hz: frame.enbw_hz(),
    }
}

/// The samples of a frame of `len` that ends with sample `end`; `None` where it is not full yet or too much is missing.
fn whole_frame(sound: &History, end: u64, len: usize) -> Option<&[f32]> {
    let from = end.checked_sub(len as u64)?;
    (!sound.is_gappy(from, end)).then(|| sound.slice(from, end))
}

/// Finds the peaks of a frame that ends with sample `end` of `sound`, at `rate_hz`. `None`, with `peaks` as they were, where
/// it is not full yet or too much of it is missing.
fn peaks_in(
    frame: &mut RealFrame,
    seen: Seen,
    sound: &History,
    (end, rate_hz): (u64, f64),
    asked: Asked,
    floor: &mut Floor,
    peaks: &mut Vec<Peak>,
) -> Option<View> {
    let samples = whole_frame(sound, end, frame.len())?;
    let view = view_of(frame, seen, end, rate_hz);
    let bin_hz = frame.bin_hz();
    let power = frame.power(samples);
    floor.measure(power);
    find_peaks(power, bin_hz, floor, range(asked.lowest_hz, rate_hz), asked.least_snr, asked.most, peaks);
    // A note below all that is asked for leaves its side lobes above.
    let below = power[..(asked.lowest_hz / bin_hz) as usize].iter().copied().fold(0.0, f32::max);
    let reach_hz = asked.lowest_hz + LOBES / view.length_s;
    peaks.retain(|p| p.frequency_hz > reach_hz || p.power > LOW_LOBE * f64::from(below));
    Some(view)
}

/// Takes out of a short frame's peaks what a low note that it does not resolve from its mirror image leaves there.
fn drop_low_ghosts(peaks: &mut Vec<Peak>) {
    let low = peaks.iter().filter(|p| p.frequency_hz < low::HIGHEST_HZ).map(|p| p.power).fold(0.0, f64::max);
    peaks.retain(|p| p.frequency_hz > 14.0 && (p.frequency_hz > 45.0 || p.power >= low));
}
