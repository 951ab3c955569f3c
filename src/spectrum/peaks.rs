//! The noise floor of a spectrum and the peaks that stand out of it.

/// Bins to a stretch over which the floor is taken as level.
const STRETCH: usize = 64;

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
        for stretch in power.chunks(STRETCH) {
            if stretch.len() < STRETCH / 2 && !self.levels.is_empty() {
                break;
            }
            self.scratch.clear();
            self.scratch.extend_from_slice(stretch);
            let middle = self.scratch.len() / 2;
            let (_, median, _) = self.scratch.select_nth_unstable_by(middle, f32::total_cmp);
            self.levels.push(*median / std::f32::consts::LN_2);
        }
        // Two stretches on either side vote.
        self.scratch.clear();
        for i in 0..self.levels.len() {
            let (from, to) = (i.saturating_sub(2), (i + 3).min(self.levels.len()));
            let mut votes = [0.0f32; 5];
            let votes = &mut votes[..to - from];
            votes.copy_from_slice(&self.levels[from..to]);
            votes.sort_unstable_by(f32::total_cmp);
            self.scratch.push(votes[votes.len() / 2].min(self.levels[i] * 4.0).max(self.levels[i] * 0.25));
        }
        std::mem::swap(&mut self.levels, &mut self.scratch);
    }

    /// Mean noise power at `bin`.
    pub fn at(&self, bin: usize) -> f32 {
        self.levels.get((bin / STRETCH).min(self.levels.len().saturating_sub(1))).copied().unwrap_or(0.0)
    }
}

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
    for k in first..=last {
        let (a, b, c) = (power[k - 1], power[k], power[k + 1]);
        if b <= a || b < c {
            continue;
        }
        let noise = f64::from(floor.at(k)).max(1e-30);
        let snr = f64::from(b) / noise;
        if snr < least {
            continue;
        }
        let (la, lb, lc) =
            (f64::from(a.max(1e-38)).ln(), f64::from(b).ln(), f64::from(c.max(1e-38)).ln());
        let bend = la - 2.0 * lb + lc;
        let shift = if bend < 0.0 { (0.5 * (la - lc) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        peaks.push(Peak {
            frequency_hz: (k as f64 + shift) * bin_hz,
            power: (lb - 0.25 * (la - lc) * shift).exp(),
            snr,
        });
    }
    peaks.sort_unstable_by(|x, y| y.snr.total_cmp(&x.snr));
    peaks.truncate(most);
}

/// Takes out peaks that are the side lobes of a stronger one: within `reach_hz` of it and more than 25 dB down (a Hann
/// window's first lobe is 31 dB down, a note that slides lifts it a little).
pub fn drop_side_lobes(peaks: &mut Vec<Peak>, reach_hz: f64) {
    const LOBE: f64 = 0.003;
    let all = peaks.clone();
    peaks.retain(|p| {
        !all.iter().any(|q| (q.frequency_hz - p.frequency_hz).abs() < reach_hz && p.power < LOBE * q.power)
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::RealFrame;
    use std::f64::consts::PI;

    /// The bias of the log-magnitude parabola on a Hann window padded twofold is at most 1.626e-3 bins of the
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
        assert!(worst < 1.7e-3 && worst > 1.2e-3, "{worst}");
    }
}
