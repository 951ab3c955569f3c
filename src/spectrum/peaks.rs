//! The noise floor of a spectrum and the peaks that stand out of it.

use multiversion::multiversion;

/// Least bins to a stretch over which the floor is taken as level, and the most of them that are looked at: in a padded
/// spectrum neighbours say the same.
const STRETCH: usize = 64;
const LOOKED_AT: usize = 32;
const EVERY: usize = STRETCH / LOOKED_AT;
/// Stretches whose medians are worked out side by side.
const TOGETHER: usize = 16;

/// The noise floor: mean noise power per bin, a figure to every stretch of bins.
#[derive(Debug, Default)]
pub struct Floor {
    levels: Vec<f32>,
    scratch: Vec<f32>,
}

impl Floor {
    /// Measures the floor of `power`: the median of each stretch over ln 2, which is the mean of exponentially
    /// distributed powers; lines and notes hardly move a median. Each stretch then takes the smaller of itself and
    /// the mean of its neighbours' so that a broad note does not hide itself.
    pub fn measure(&mut self, power: &[f32]) {
        self.levels.clear();
        measure_stretches(power, &mut self.levels);
        vote(&self.levels, &mut self.scratch);
        std::mem::swap(&mut self.levels, &mut self.scratch);
    }

    /// Mean noise power at `bin`.
    pub fn at(&self, bin: usize) -> f32 {
        let stretch = bin / STRETCH;
        self.levels.get(stretch.min(self.levels.len().saturating_sub(1))).copied().unwrap_or(0.0)
    }
}

/// Appends the floor of every stretch by itself.
#[multiversion(targets("x86_64+avx2"))]
fn measure_stretches(power: &[f32], levels: &mut Vec<f32>) {
    for some in power.chunks(TOGETHER * STRETCH) {
        // What there is less of than of the others counts as above them all.
        let (mut tops, mut below, mut stretches) = ([[i16::MAX; TOGETHER]; LOOKED_AT], [0; TOGETHER], 0);
        for (lane, stretch) in some.chunks(STRETCH).enumerate() {
            if stretch.len() < STRETCH / 2 && !(levels.is_empty() && lane == 0) {
                break;
            }
            let top = |x: f32| (x.to_bits() >> UNASKED_BITS) as i16;
            if let Some(stretch) = stretch.first_chunk::<STRETCH>() {
                for i in 0..LOOKED_AT {
                    tops[i][lane] = top(stretch[i * EVERY]);
                }
            } else {
                for (tops, x) in tops.iter_mut().zip(stretch.iter().step_by(EVERY)) {
                    tops[lane] = top(*x);
                }
            }
            below[lane] = (stretch.len().div_ceil(EVERY) / 2) as i16;
            stretches += 1;
        }
        if stretches == 0 {
            break;
        }
        let middles = middles_of(&tops, &below);
        levels.extend(middles[..stretches].iter().map(|middle| middle / std::f32::consts::LN_2));
    }
}

/// What each stretch is taken for after two on either side have voted: the middle of them, as far as its own level allows.
#[multiversion(targets("x86_64+avx2"))]
fn vote(levels: &[f32], voted: &mut Vec<f32>) {
    let allowed = |vote: f32, own: f32| vote.min(own * 4.0).max(own * 0.25);
    voted.clear();
    let at_the_edge = |i: usize| {
        let (from, to) = (i.saturating_sub(2), (i + 3).min(levels.len()));
        let mut votes = [0.0f32; 5];
        let votes = &mut votes[..to - from];
        votes.copy_from_slice(&levels[from..to]);
        votes.sort_unstable_by(f32::total_cmp);
        allowed(votes[votes.len() / 2], levels[i])
    };
    voted.extend((0..levels.len().min(2)).map(at_the_edge));
    let inner = levels.array_windows().map(|five| allowed(middle_of_five(*five), five[2]));
    voted.extend(inner);
    voted.extend((levels.len().saturating_sub(2).max(2)..levels.len()).map(at_the_edge));
}

/// The third of five values in order.
#[inline(always)]
fn middle_of_five([a, b, c, d, e]: [f32; 5]) -> f32 {
    // The least and the greatest of two pairs' extremes go; the middle of what is left stays.
    let low = a.min(b).max(c.min(d));
    let high = a.max(b).min(c.max(d));
    low.max(high).min(low.min(high).max(e))
}

/// For every lane the power below which `below` of the `tops` of powers lie, to a part in a hundred: bit by bit from the
/// top, since powers are never negative and their bits are therefore ordered as they are. Quicker than to sort, and always
/// equally quick; all lanes side by side in wide registers.
#[inline(always)]
fn middles_of(tops: &[[i16; TOGETHER]; LOOKED_AT], below: &[i16; TOGETHER]) -> [f32; TOGETHER] {
    let mut found = [0i16; TOGETHER];
    for bit in (0..15).rev() {
        let tried = found.map(|f| f | 1 << bit);
        let mut less = [0i16; TOGETHER];
        for [a, b, c, d] in tops.as_chunks().0 {
            for lane in 0..TOGETHER {
                // Counted downwards: what a comparison of lanes leaves is −1.
                let under = |tops: &[i16; TOGETHER]| if tops[lane] < tried[lane] { -1 } else { 0 };
                less[lane] += under(a) + under(b) + under(c) + under(d);
            }
        }
        for lane in 0..TOGETHER {
            found[lane] = if -less[lane] <= below[lane] { tried[lane] } else { found[lane] };
        }
    }
    // In the middle of what the bits not asked for leave open.
    found.map(|top| f32::from_bits((top as u32) << UNASKED_BITS | 1 << (UNASKED_BITS - 1)))
}

/// Bits of a power that are not asked for: seven of the mantissa's are.
const UNASKED_BITS: u32 = 16;

/// A peak of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Squared amplitude of the line.
    pub power: f64,
    /// Its power over the mean noise power of the bin.
    pub snr: f64,
}

/// Finds the peaks above `least` times the floor between two frequencies, the strongest (over the floor) first, at
/// most `most` of them; `peaks` is cleared first.
///
/// The frequency is the vertex of a parabola through the logarithms of three bins; with a Hann window padded
/// fourfold its bias is below 0.0002 of an unpadded bin, padded twofold 0.0016.
#[multiversion(targets("x86_64+avx2"))]
pub fn find_peaks(
    power: &[f32],
    bin_hz: f64,
    floor: &Floor,
    (from_hz, to_hz): (f64, f64),
    least: f64,
    most: usize,
    peaks: &mut Vec<Peak>,
) {
    peaks.clear();
    let first = ((from_hz / bin_hz).ceil() as usize).max(1);
    let last = ((to_hz / bin_hz) as usize).min(power.len().saturating_sub(2));
    let (whole, _) = power.as_chunks::<STRETCH>();
    for i in first / STRETCH..=last / STRETCH {
        let noise = f64::from(floor.at(i * STRETCH)).max(1e-30);
        let threshold = (least * noise) as f32;
        // Most stretches hold nothing that stands out.
        if whole.get(i).is_some_and(|stretch| highest(stretch) < threshold) {
            continue;
        }
        for k in first.max(i * STRETCH)..(last + 1).min((i + 1) * STRETCH) {
            let (a, b, c) = (power[k - 1], power[k], power[k + 1]);
            if b >= threshold && b > a && b >= c {
                peaks.push(peak_at(k, [a, b, c], bin_hz, noise));
            }
        }
    }
    peaks.sort_unstable_by(|x, y| y.snr.total_cmp(&x.snr));
    peaks.truncate(most);
}

/// The highest of a stretch's powers: eight sought side by side.
#[inline(always)]
fn highest(powers: &[f32; STRETCH]) -> f32 {
    let mut high = [0.0f32; 8];
    for eight in powers.as_chunks().0 {
        high = higher(high, *eight);
    }
    highest_of(&high)
}

/// The higher of two, lane by lane.
#[inline(always)]
fn higher(a: [f32; 8], b: [f32; 8]) -> [f32; 8] {
    let mut high = a;
    for i in 0..8 {
        high[i] = if b[i] > a[i] { b[i] } else { a[i] };
    }
    high
}

/// The highest of eight; out of line, or the lanes would be taken apart for it.
#[inline(never)]
fn highest_of(powers: &[f32; 8]) -> f32 {
    powers.iter().fold(0.0, |high, &p| if p > high { p } else { high })
}

/// The peak at bin `k` from the powers of that bin and its neighbours.
fn peak_at(k: usize, powers: [f32; 3], bin_hz: f64, noise: f64) -> Peak {
    let [la, lb, lc] = powers.map(|p| f64::from(p.max(1e-38)).ln());
    let bend = la - 2.0 * lb + lc;
    let shift = if bend < 0.0 { (0.5 * (la - lc) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Peak {
        frequency_hz: (k as f64 + shift) * bin_hz,
        power: (lb - 0.25 * (la - lc) * shift).exp(),
        snr: f64::from(powers[1]) / noise,
    }
}

/// Takes out peaks that are the side lobes of a stronger one: within five times the inverse of the frame's length of it and
/// more than 25 dB down (a Hann window's first lobe is 31 dB down, a note that slides lifts it a little), or further off and
/// no more than twice as high as a Hann window's lobes are there, d bins off: 1/(π·d·(d² − 1)) of the amplitude. What is
/// 110 dB down is what the transform's own rounding leaves.
pub fn drop_side_lobes(peaks: &mut Vec<Peak>, length_s: f64) {
    const LOBE: f64 = 0.003;
    const NEAR: f64 = 5.0;
    const ROUNDING: f64 = 1e-11;
    let lobe = |p: &Peak, q: &Peak| {
        let d = (q.frequency_hz - p.frequency_hz).abs() * length_s;
        let limit = if d < NEAR {
            LOBE
        } else {
            (4.0 / (std::f64::consts::PI * d * (d * d - 1.0)).powi(2)).max(ROUNDING)
        };
        p.power < limit * q.power
    };
    // One bit a peak: nothing is allocated for a handful.
    let mut lobes = 0u64;
    for (i, p) in peaks.iter().enumerate().take(64) {
        if peaks.iter().any(|q| lobe(p, q)) {
            lobes |= 1 << i;
        }
    }
    let mut i = 0;
    peaks.retain(|_| {
        i += 1;
        i > 64 || lobes >> (i - 1) & 1 == 0
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::RealFrame;
    use std::f64::consts::PI;

    #[test]
    fn the_middle_is_the_middle() {
        let mut uniform = crate::estimate::chance::uniforms(3);
        for _ in 0..500 {
            let five: [f32; 5] = std::array::from_fn(|_| (uniform() * 9.0).floor() as f32);
            let mut sorted = five;
            sorted.sort_unstable_by(f32::total_cmp);
            assert!((middle_of_five(five) - sorted[2]).abs() < f32::EPSILON, "{five:?}");
            let power: Vec<f32> = (0..3 * STRETCH + 40).map(|_| (-uniform().ln()) as f32).collect();
            let mut found = Vec::new();
            measure_stretches(&power, &mut found);
            assert_eq!(found.len(), 4);
            for (found, stretch) in found.iter().zip(power.chunks(STRETCH)) {
                let mut sorted: Vec<f32> = stretch.iter().step_by(EVERY).copied().collect();
                sorted.sort_unstable_by(f32::total_cmp);
                let middle = sorted[sorted.len() / 2] / std::f32::consts::LN_2;
                assert!((found / middle - 1.0).abs() < 0.004, "{found} {sorted:?}");
            }
        }
    }

    /// The bias of the log-magnitude parabola on a Hann window padded by half (to 1536 points) is at most 4.044e-3 bins of the
    /// unpadded transform (computed with numpy over all fractions of a bin, complex tone, 1024 points).
    #[test]
    fn the_parabola_keeps_its_known_bias() {
        let (rate, len) = (1024.0, 1024);
        let mut frame = RealFrame::new(len, rate);
        let (mut floor, mut peaks, mut worst) = (Floor::default(), Vec::new(), 0.0f64);
        for step in 0..40 {
            let f = 256.0 + f64::from(step) / 40.0;
            let tone: Vec<f32> = (0..len).map(|n| (2.0 * PI * f * n as f64 / rate).cos() as f32).collect();
            let power = frame.power(&tone).to_vec();
            floor.measure(&power);
            find_peaks(&power, frame.bin_hz(), &floor, (1.0, 500.0), 1e6, 1, &mut peaks);
            worst = worst.max((peaks[0].frequency_hz - f).abs());
        }
        assert!(worst < 4.1e-3 && worst > 3.0e-3, "{worst}");
    }
}
