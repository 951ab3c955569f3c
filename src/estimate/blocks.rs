//! Sums of the sound times a carrier over short blocks.

use multiversion::multiversion;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Blocks from which on they are folded, and the largest turn of the note within a folded one, in cycles.
const MOST: usize = 4096;
const LARGEST_TURN: f64 = 0.25;

/// Means of x·e^(−j2πf0t) over successive blocks of samples, t counted from the first sample. A block with a missing
/// sample in it is missing as a whole.
#[derive(Debug, Clone)]
pub struct BlockSums {
    rate_hz: f64,
    carrier_hz: f64,
    /// How the carrier turns back from one sample to the next.
    step: Complex64,
    block_len: usize,
    first_sample: u64,
    means: Vec<Option<Complex64>>,
    sum: Complex64,
    in_block: usize,
    complete: bool,
    plain_sum: f64,
    plain_count: u64,
}

impl BlockSums {
    /// Sums about `carrier_hz` (0 for plain means) over blocks of `block_len` samples at `rate_hz`, the first of which
    /// is number `first_sample` of the stream.
    pub fn new(rate_hz: f64, carrier_hz: f64, block_len: usize, first_sample: u64) -> Self {
        Self {
            rate_hz,
            carrier_hz,
            step: Complex64::from_polar(1.0, -2.0 * PI * carrier_hz / rate_hz),
            block_len: block_len.max(1),
            first_sample,
            means: Vec::new(),
            sum: Complex64::default(),
            in_block: 0,
            complete: true,
            plain_sum: 0.0,
            plain_count: 0,
        }
    }

    /// Makes room for all blocks that there will be before they are folded, so that none is made while sound comes in.
    #[must_use]
    pub fn with_room(mut self) -> Self {
        self.means.reserve_exact((MOST + 64).saturating_sub(self.means.len()));
        self
    }

    /// Takes the next samples of the stream.
    pub fn push(&mut self, samples: &[f32]) {
        let mut rest = samples;
        while !rest.is_empty() {
            let take = rest.len().min(self.block_len - self.in_block);
            let (now, later) = rest.split_at(take);
            rest = later;
            let at = (self.means.len() * self.block_len + self.in_block) as f64 / self.rate_hz;
            self.gather(now, at);
            self.in_block += take;
            if self.in_block == self.block_len {
                self.means.push(self.complete.then(|| self.sum / self.block_len as f64));
                (self.sum, self.in_block, self.complete) = (Complex64::default(), 0, true);
            }
        }
    }

    /// The same in blocks `times` as long; a last one that is not whole is left out.
    #[must_use]
    pub fn coarser(&self, times: usize) -> Self {
        let mean = |some: &[Option<Complex64>]| {
            let sum: Option<Complex64> = some.iter().copied().sum();
            sum.map(|sum| sum / some.len() as f64)
        };
        Self {
            block_len: self.block_len * times.max(1),
            means: self.means.chunks_exact(times.max(1)).map(mean).collect(),
            sum: Complex64::default(),
            in_block: 0,
            complete: true,
            ..*self
        }
    }

    /// Halves the number of blocks by making them twice as long, where there are `MOST` or more of them and the note,
    /// never further than `apart_hz` from the carrier, still turns by less than a quarter within a block: so the sums of a
    /// rest of an hour are no larger than those of one of a minute.
    pub fn fold(&mut self, apart_hz: f64) {
        if self.means.len() < MOST || 2.0 * self.block_s() * apart_hz > LARGEST_TURN {
            return;
        }
        let pairs = self.means.len() / 2;
        for k in 0..pairs {
            self.means[k] = self.means[2 * k].zip(self.means[2 * k + 1]).map(|(a, b)| (a + b) / 2.0);
        }
        if self.means.len() > 2 * pairs {
            // A whole block that is half of a longer one: as if it were still under way.
            let odd = self.means[2 * pairs];
            self.sum += odd.unwrap_or_default() * self.block_len as f64;
            self.complete &= odd.is_some();
            self.in_block += self.block_len;
        }
        self.means.truncate(pairs);
        self.block_len *= 2;
    }

    /// Adds samples of one block, the first of them `at` s from the first of all.
    fn gather(&mut self, samples: &[f32], at: f64) {
        let first = Complex64::from_polar(1.0, -2.0 * PI * (self.carrier_hz * at).fract());
        let (sum, level) = turned_sum(samples, first, self.step);
        if level.is_finite() {
            self.sum += sum;
            self.plain_sum += level;
            self.plain_count += samples.len() as u64;
        } else {
            self.complete = false;
        }
    }

    /// Steady level of all the samples taken.
    pub(super) fn level(&self) -> f64 {
        self.plain_sum / self.plain_count.max(1) as f64
    }

    /// The carrier, Hz; 0 for plain means.
    pub fn carrier_hz(&self) -> f64 {
        self.carrier_hz
    }

    /// Length of a block, s.
    pub fn block_s(&self) -> f64 {
        self.block_len as f64 / self.rate_hz
    }

    /// Number of whole blocks.
    pub fn len(&self) -> usize {
        self.means.len()
    }

    /// Whether there is no whole block.
    pub fn is_empty(&self) -> bool {
        self.means.is_empty()
    }

    /// The sample after the last one taken.
    pub fn next_sample(&self) -> u64 {
        self.first_sample + (self.means.len() * self.block_len + self.in_block) as u64
    }

    /// Mean of block `k`; `None` when a sample of it is missing.
    pub fn mean(&self, k: usize) -> Option<Complex64> {
        self.means.get(k).copied().flatten()
    }

    /// Centre of block `k`, s from the first sample.
    pub fn centre_s(&self, k: usize) -> f64 {
        (k as f64 + 0.5) * self.block_s() - 0.5 / self.rate_hz
    }

    /// Instant of the first sample since the stream began, s.
    pub fn origin_s(&self) -> f64 {
        self.first_sample as f64 / self.rate_hz
    }

    /// What the mean over a block leaves of a line `offset_hz` from the carrier: sin(πνL)/(L·sin πν).
    pub fn kernel(&self, offset_hz: f64) -> f64 {
        let x = PI * offset_hz / self.rate_hz;
        let l = self.block_len as f64;
        if x.sin().abs() < 1e-9 { 1.0 } else { (l * x).sin() / (l * x.sin()) }
    }

    /// One-sided noise density (squared units per Hz) from the variance of one real row of the means.
    pub fn density(&self, row_variance: f64) -> f64 {
        // Var(mean) = σ²/L for plain means, half of it in each part with a carrier; σ² = N0·rate/2.
        let sigma2 = row_variance * self.block_len as f64 * if self.carrier_hz > 0.0 { 2.0 } else { 1.0 };
        2.0 * sigma2 / self.rate_hz
    }
}

/// Turns that run side by side: one alone would wait for its own product.
const LANES: usize = 4;

/// The sum of the samples, each turned by `step` more than the one before, the first by `first`; and their plain sum, in
/// which what is missing (NaN) shows.
fn turned_sum(samples: &[f32], first: Complex64, step: Complex64) -> (Complex64, f64) {
    let step2 = step * step;
    let starts = [first, first * step, first * step2, first * step2 * step];
    let mut lanes = Lanes { re: starts.map(|s| s.re), im: starts.map(|s| s.im), ..Lanes::default() };
    let (fours, rest) = samples.as_chunks();
    add_turned(&mut lanes, fours, step2 * step2);
    let mut turn = Complex64::new(lanes.re[0], lanes.im[0]);
    let mut sum = Complex64::new(lanes.sum_re.iter().sum(), lanes.sum_im.iter().sum());
    let mut level = lanes.plain.iter().sum::<f64>();
    for &x in rest {
        sum += turn * f64::from(x);
        level += f64::from(x);
        turn *= step;
    }
    (sum, level)
}

/// Turns, and the sums so far.
#[derive(Default)]
struct Lanes {
    re: [f64; LANES],
    im: [f64; LANES],
    sum_re: [f64; LANES],
    sum_im: [f64; LANES],
    plain: [f64; LANES],
}

/// Adds samples to the sums, all turns `leap` further after each of each.
#[multiversion(targets("x86_64+avx2"))]
fn add_turned(lanes: &mut Lanes, samples: &[[f32; LANES]], leap: Complex64) {
    let Lanes { mut re, mut im, mut sum_re, mut sum_im, mut plain } = *lanes;
    for four in samples {
        for i in 0..LANES {
            let x = f64::from(four[i]);
            sum_re[i] += re[i] * x;
            sum_im[i] += im[i] * x;
            plain[i] += x;
            (re[i], im[i]) = (re[i] * leap.re - im[i] * leap.im, re[i] * leap.im + im[i] * leap.re);
        }
    }
    *lanes = Lanes { re, im, sum_re, sum_im, plain };
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks that were folded are those of sums that had the longer blocks from the beginning, a gap and a block under way
    /// among them.
    #[test]
    fn folded_blocks_are_longer_ones() {
        let sound = |i: usize| if i == 20_007 { f32::NAN } else { (i as f32 * 0.37).sin() + 0.25 };
        let samples: Vec<f32> = (0..7 * (MOST + 1) + 3).map(sound).collect();
        let (mut folded, mut long) =
            (BlockSums::new(8000.0, 471.0, 7, 5), BlockSums::new(8000.0, 471.0, 14, 5));
        for piece in samples.chunks(400) {
            folded.push(piece);
        }
        long.push(&samples);
        folded.fold(200.0);
        assert_eq!(folded.len(), MOST + 1, "a note that turns so far within a block stays as it is");
        folded.fold(1.0);
        for sums in [&mut folded, &mut long] {
            sums.push(&samples[..50]);
        }
        assert_eq!((folded.len(), folded.next_sample()), (long.len(), long.next_sample()));
        for k in 0..long.len() {
            match (folded.mean(k), long.mean(k)) {
                (Some(a), Some(b)) => assert!((a - b).norm() < 1e-9, "{k}: {a} {b}"),
                (a, b) => assert_eq!(a.is_some(), b.is_some(), "{k}"),
            }
        }
    }
}
