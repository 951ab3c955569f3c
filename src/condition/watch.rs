//! What the input level tells: peak, mean square, clipping, and dropped blocks that arrive as exact zeros.

use multiversion::multiversion;
use std::cmp::Ordering;
use std::ops::Range;

/// Shortest run of exact zeros, entered by a jump, that counts as a dropped block, s.
const DROPPED_S: f64 = 0.004;
/// Samples in a row at one value this near full scale are clipped.
const RAIL: f32 = 0.97;
const RAIL_RUN: u32 = 3;
/// A high note at a low rate is clipped for less than that at a time. Then the samples pile up at one value: of those near full
/// scale more than this part, where a whole note has the root of a step's share of that span there, half of them in eight bits.
const PILED: f64 = 0.67;

/// Samples whose squares are added up before the mean square is led on. They are counted from the beginning of the
/// stream, and every [`LANES`]-th is added to a sum of its own, so that all figures are the same for any block size.
const PIECE: usize = 256;
const LANES: usize = 8;

/// What a look at a block has shown.
#[derive(Debug, PartialEq, Eq)]
pub struct Looked<'a> {
    /// Stretches of it that were dropped.
    pub dropped: &'a [Range<usize>],
    /// Whether the samples before it that were undecided have turned out to be dropped.
    pub dropped_before: bool,
    /// How many samples up to its end are undecided: zeros that belong to a dropped stretch if enough others follow. They
    /// may have begun before it.
    pub undecided: usize,
    /// Whether none of its samples is missing (not a finite number).
    pub whole: bool,
}

/// The largest size of some samples, and how many of them have it.
#[derive(Clone, Copy, Default)]
struct Pile {
    size: f32,
    count: u64,
}

impl Pile {
    fn take(&mut self, size: f32) {
        match size.total_cmp(&self.size) {
            Ordering::Less => {}
            Ordering::Equal => self.count += 1,
            Ordering::Greater => *self = Self { size, count: 1 },
        }
    }
}

/// Watches one channel at the card's rate.
pub struct LevelWatch {
    rate_hz: f64,
    peak: f32,
    sum_squares: f64,
    /// Samples taken, missing ones among them, and those that were there.
    taken: u64,
    counted: u64,
    /// Squares of the piece under way, and how many of them are not zero.
    lanes: [f32; LANES],
    sounding: u32,
    clipped: u64,
    missing: u64,
    dropped: u64,
    rail: f32,
    rail_run: u32,
    /// Samples near full scale, and those of them at the highest value and at the lowest.
    near_rail: u64,
    piles: [Pile; 2],
    zero_run: usize,
    jumped_in: bool,
    previous: f32,
    recent_square: f32,
    /// What was dropped of the block under way, and whether a stretch that began before it was.
    marked: Vec<Range<usize>>,
    marked_before: bool,
}

impl LevelWatch {
    /// For a channel at `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            peak: 0.0,
            sum_squares: 0.0,
            taken: 0,
            counted: 0,
            lanes: [0.0; LANES],
            sounding: 0,
            clipped: 0,
            missing: 0,
            dropped: 0,
            rail: 0.0,
            rail_run: 0,
            near_rail: 0,
            piles: [Pile::default(); 2],
            zero_run: 0,
            jumped_in: false,
            previous: 0.0,
            recent_square: 0.0,
            marked: Vec::new(),
            marked_before: false,
        }
    }

    /// Looks at a block and tells which stretches of it were dropped: runs of exact zeros that the sound jumps into.
    pub fn run(&mut self, block: &[f32]) -> Looked<'_> {
        self.marked.clear();
        self.marked_before = false;
        let missing = self.missing;
        let mut i = 0;
        while i < block.len() {
            let whole = self.taken.is_multiple_of(PIECE as u64) && i + PIECE <= block.len();
            if whole && self.take_plain(&block[i..i + PIECE]) {
                i += PIECE;
            } else {
                self.take_one(block[i], i);
                i += 1;
            }
        }
        let may_be = self.jumped_in && self.zero_run < self.shortest();
        Looked {
            dropped: &self.marked,
            dropped_before: self.marked_before,
            undecided: if may_be { self.zero_run } else { 0 },
            whole: self.missing == missing,
        }
    }

    /// Samples to the shortest stretch that counts as dropped.
    fn shortest(&self) -> usize {
        (DROPPED_S * self.rate_hz).ceil() as usize
    }

    /// Takes a whole piece in which nothing is missing, zero or at a rail; returns whether it was one.
    fn take_plain(&mut self, piece: &[f32]) -> bool {
        let (squares, least, top) = measure(piece);
        if !(squares.iter().sum::<f32>().is_finite() && top < RAIL && least > 0.0) {
            return false;
        }
        self.peak = self.peak.max(top);
        self.lanes = squares;
        self.sounding = PIECE as u32;
        self.counted += PIECE as u64;
        self.taken += PIECE as u64;
        self.zero_run = 0;
        self.previous = piece[PIECE - 1];
        (self.rail, self.rail_run) = (self.previous, 1);
        self.end_piece();
        true
    }

    /// Takes `x`, sample `i` of a block.
    fn take_one(&mut self, x: f32, i: usize) {
        let lane = (self.taken % LANES as u64) as usize;
        self.taken += 1;
        if x.is_finite() {
            self.counted += 1;
            self.peak = self.peak.max(x.abs());
            self.lanes[lane] += x * x;
            self.count_clipped(x);
            if x == 0.0 {
                self.count_zeros(i);
            } else {
                self.zero_run = 0;
                self.sounding += 1;
            }
            self.previous = x;
        } else {
            self.missing += 1;
            self.zero_run = 0;
        }
        if self.taken.is_multiple_of(PIECE as u64) {
            self.end_piece();
        }
    }

    fn count_zeros(&mut self, i: usize) {
        if self.zero_run == 0 {
            self.jumped_in = self.previous * self.previous > 0.06 * self.recent_square;
        }
        self.zero_run += 1;
        let shortest = self.shortest();
        if self.zero_run < shortest || !self.jumped_in || self.recent_square <= 0.0 {
            return;
        }
        if self.zero_run == shortest {
            self.marked_before = i + 1 < shortest;
            self.dropped += shortest as u64;
            self.marked.push((i + 1).saturating_sub(shortest)..i + 1);
        } else {
            self.dropped += 1;
            match self.marked.last_mut() {
                Some(last) if last.end == i => last.end = i + 1,
                _ => self.marked.push(i..i + 1),
            }
        }
    }

    /// Adds the piece under way to the mean square, and leads the recent one (over half a second) after it.
    fn end_piece(&mut self) {
        let squares = self.lanes.iter().sum::<f32>();
        self.sum_squares += f64::from(squares);
        if self.sounding > 0 {
            let weight = (self.sounding as f32 / (0.5 * self.rate_hz) as f32).min(1.0);
            self.recent_square += weight * (squares / self.sounding as f32 - self.recent_square);
        }
        (self.lanes, self.sounding) = ([0.0; LANES], 0);
    }

    fn count_clipped(&mut self, x: f32) {
        let at_rail = x.abs() >= RAIL;
        if at_rail {
            self.near_rail += 1;
            self.piles[usize::from(x < 0.0)].take(x.abs());
        }
        if at_rail && x.to_bits() == self.rail.to_bits() {
            self.rail_run += 1;
            self.clipped += match self.rail_run {
                n if n < RAIL_RUN => 0,
                RAIL_RUN => u64::from(RAIL_RUN),
                _ => 1,
            };
        } else {
            self.rail = x;
            self.rail_run = 1;
        }
    }

    /// Largest sample, 1 = full scale.
    pub fn peak(&self) -> f64 {
        f64::from(self.peak)
    }

    /// Root mean square, 1 = full scale.
    pub fn rms(&self) -> f64 {
        let squares = self.sum_squares + f64::from(self.lanes.iter().sum::<f32>());
        if self.counted == 0 { 0.0 } else { (squares / self.counted as f64).sqrt() }
    }

    /// Fraction of samples that stand at a rail.
    pub fn clipped_fraction(&self) -> f64 {
        let piled = self.piles.iter().map(|p| p.count).sum::<u64>();
        let piled = if piled as f64 > PILED * self.near_rail as f64 { piled } else { 0 };
        if self.counted == 0 { 0.0 } else { self.clipped.max(piled) as f64 / self.counted as f64 }
    }

    /// Seconds that are missing: lost before, not a number, or dropped as zeros.
    pub fn missing_s(&self) -> f64 {
        (self.missing + self.dropped) as f64 / self.rate_hz
    }
}

/// Squares of a piece's samples, lane by lane, and the smallest and the largest size among them.
#[multiversion(targets("x86_64+avx2"))]
fn measure(piece: &[f32]) -> ([f32; LANES], f32, f32) {
    let (mut squares, mut highest, mut lowest) = ([0.0f32; LANES], [0.0f32; LANES], [f32::MAX; LANES]);
    for part in piece.as_chunks::<LANES>().0 {
        for i in 0..LANES {
            let size = part[i].abs();
            squares[i] += part[i] * part[i];
            highest[i] = if size > highest[i] { size } else { highest[i] };
            lowest[i] = if size < lowest[i] { size } else { lowest[i] };
        }
    }
    let least = lowest.iter().copied().fold(f32::MAX, f32::min);
    (squares, least, highest.iter().copied().fold(0.0, f32::max))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A note of three samples to a period is clipped for two of them at most; a whole one of full scale dwells near its peak
    /// as well, most of all in eight bits.
    #[test]
    fn a_high_note_is_clipped_for_less_than_three_samples_at_a_time() {
        let fraction = |gain: f64, steps: f64| {
            let note = |i: u32| gain * (f64::from(i) * 2.1206).sin();
            let sound = (0..16_000).map(|i| ((note(i) * steps).round() / steps).clamp(-1.0, 1.0) as f32);
            let mut watch = LevelWatch::new(8000);
            watch.run(&sound.collect::<Vec<f32>>());
            watch.clipped_fraction()
        };
        for steps in [127.0, 32_767.0] {
            assert!(fraction(1.2, steps) > 0.3, "{steps}: {}", fraction(1.2, steps));
            assert!(fraction(1.0, steps) < 1e-9, "{steps}: {}", fraction(1.0, steps));
        }
    }

    /// Zeros up to the end of a block may go on in the next one: then they were dropped too.
    #[test]
    fn a_dropped_stretch_is_the_same_whatever_the_blocks() {
        let mut sound: Vec<f32> = (0..8000).map(|i| 0.5 * (i as f32 * 0.3 + 0.1).sin()).collect();
        sound[4010..4200].fill(0.0);
        sound[6000..6020].fill(0.0);
        for size in [1, 7, 31, 100, 4011, 4100, 8000] {
            let (mut watch, mut dropped, mut waiting) = (LevelWatch::new(8000), Vec::new(), 0);
            for (n, block) in sound.chunks(size).enumerate() {
                let looked = watch.run(block);
                let from = n * size;
                if looked.dropped_before {
                    dropped.extend(from - waiting..from);
                }
                dropped.extend(looked.dropped.iter().flat_map(|d| from + d.start..from + d.end));
                waiting = looked.undecided;
            }
            assert_eq!(dropped, (4010..4200).collect::<Vec<_>>(), "{size}");
            assert!((watch.missing_s() - 190.0 / 8000.0).abs() < 1e-9, "{size}");
        }
    }

    #[test]
    fn sees_clipping_and_dropped_blocks_but_not_a_slow_quiet_note() {
        let tone = |gain: f32| -> Vec<f32> {
            (0..8000).map(|i| (gain * (i as f32 * 0.3).sin()).clamp(-1.0, 1.0)).collect()
        };
        let mut hot = LevelWatch::new(8000);
        assert_eq!(
            hot.run(&tone(4.0)),
            Looked { dropped: &[], dropped_before: false, undecided: 0, whole: true }
        );
        assert!(hot.clipped_fraction() > 0.5);
        let mut fair = LevelWatch::new(8000);
        let mut sound = tone(0.99);
        sound[4003..4202].fill(0.0);
        assert_eq!(fair.run(&sound).dropped, std::slice::from_ref(&(4003..4202)));
        assert!(fair.clipped_fraction() < 1e-9);
        assert!((fair.missing_s() - 199.0 / 8000.0).abs() < 1e-3);
        sound[7] = f32::NAN;
        assert!(!fair.run(&sound).whole);
        // A half-hertz note in eight bits dwells on zero for tens of milliseconds and is no gap.
        let slow: Vec<f32> = (0..16000).map(|i| ((i as f32 * 0.0004).sin() * 12.0).round() / 128.0).collect();
        assert!(LevelWatch::new(8000).run(&slow).dropped.is_empty());
    }
}
