//! One frame of sound into its spectrum.

use super::level::Level;
use super::padded::{Padded, quick_size};
use super::window::{HANN_ENBW_BINS, hann};
use multiversion::multiversion;
use rustfft::num_complex::Complex32;

/// The size that frames of `len` samples are padded to: half as much again at least. The parabola through three bins is
/// then off by less than 0.004 of a bin of the unpadded transform, and a line between two bins loses 0.6 dB at most.
pub(super) fn padded_size(len: usize) -> usize {
    quick_size(len + len / 2)
}

/// Sum of a periodic Hann window of `len` samples.
pub(super) fn hann_weight(len: usize) -> f32 {
    0.5 * len as f32
}

/// Spectrum of a Hann-windowed frame of real samples, zero-padded by half its length or more.
pub struct RealFrame {
    padded: Padded,
    window: Vec<f32>,
    weight: f32,
    scale: f32,
    enbw_hz: f64,
    bin_hz: f64,
    power: Vec<f32>,
    level: Level,
}

impl RealFrame {
    /// For frames of `len` samples at `rate_hz`.
    pub fn new(len: usize, rate_hz: f64) -> Self {
        let size = padded_size(len);
        let window = hann(len);
        Self {
            padded: Padded::new(size),
            weight: hann_weight(len),
            scale: (2.0 / hann_weight(len)).powi(2),
            enbw_hz: HANN_ENBW_BINS * rate_hz / len as f64,
            bin_hz: rate_hz / size as f64,
            power: vec![0.0; size / 2 + 1],
            level: Level::default(),
            window,
        }
    }

    /// Samples to a frame.
    pub fn len(&self) -> usize {
        self.window.len()
    }

    /// Whether frames have no samples at all.
    pub fn is_empty(&self) -> bool {
        self.window.is_empty()
    }

    /// Distance of two bins, Hz.
    pub fn bin_hz(&self) -> f64 {
        self.bin_hz
    }

    /// Equivalent noise bandwidth of a bin, Hz: white noise of density N0 (per Hz, one-sided) has the mean power
    /// 2·N0·this in every bin.
    pub fn enbw_hz(&self) -> f64 {
        self.enbw_hz
    }

    /// Powers of the frame `samples` (exactly [`len`](Self::len) of them), its mean taken out; missing samples (NaN)
    /// count as nothing.
    ///
    /// # Panics
    /// Never: the transform's buffers are of its own making.
    pub fn power(&mut self, samples: &[f32]) -> &[f32] {
        self.level = Level::of(samples, &self.window, self.weight);
        weigh(samples, self.level, &self.window, &mut self.padded.input);
        let scale = self.scale;
        self.padded.run(&mut self.power, |z| z.norm_sqr() * scale);
        &self.power
    }

    /// The level that the samples stand on of which [`power`](Self::power) was last asked.
    pub fn level(&self) -> Level {
        self.level
    }
}

/// The samples over their level, times the window, in pairs; nothing where one is missing.
#[multiversion(targets("x86_64+avx2"))]
fn weigh(samples: &[f32], level: Level, window: &[f32], weighed: &mut [Complex32]) {
    let ((pairs, single), (weights, weight)) = (samples.as_chunks::<2>(), window.as_chunks::<2>());
    if level.whole {
        for ((z, x), w) in weighed.iter_mut().zip(pairs).zip(weights) {
            *z = Complex32::new((x[0] - level.mean) * w[0], (x[1] - level.mean) * w[1]);
        }
    } else {
        for ((z, x), w) in weighed.iter_mut().zip(pairs).zip(weights) {
            *z = Complex32::new(level.below(x[0]) * w[0], level.below(x[1]) * w[1]);
        }
    }
    if let (Some(z), [x], [w]) = (weighed.get_mut(pairs.len()), single, weight) {
        *z = Complex32::new(level.below(*x) * w, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// G. Heinzel, A. Rüdiger, R. Schilling, "Spectrum and spectral density estimation by the DFT" (2002), Hann:
    /// NENBW 1.5000 bins, maximum amplitude error (scalloping at half a bin) −1.4236 dB, coherent gain 0.5.
    #[test]
    fn hann_figures_of_heinzel() {
        let w = hann(4096);
        let sum = |power: i32| w.iter().map(|&w| f64::from(w).powi(power)).sum::<f64>();
        assert!((4096.0 * sum(2) / sum(1).powi(2) - HANN_ENBW_BINS).abs() < 1e-6);
        assert!((sum(1) / f64::from(hann_weight(4096)) - 1.0).abs() < 1e-6);
        let gain = |offset: f64| {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, &w) in w.iter().enumerate() {
                let a = 2.0 * PI * offset * n as f64 / 4096.0;
                re += f64::from(w) * a.cos();
                im += f64::from(w) * a.sin();
            }
            re.hypot(im) / 4096.0
        };
        assert!((gain(0.0) - 0.5).abs() < 1e-6);
        assert!((20.0 * (gain(0.5) / gain(0.0)).log10() + 1.4236).abs() < 1e-4);
    }

    #[test]
    fn a_sine_peaks_at_its_squared_amplitude_and_noise_at_its_density() {
        let rate = 8000.0;
        let mut frame = RealFrame::new(4096, rate);
        let sine: Vec<f32> =
            (0..4096).map(|n| (0.3 * (2.0 * PI * 1000.0 * f64::from(n) / rate).cos()) as f32).collect();
        let top = frame.power(&sine).iter().copied().fold(0.0, f32::max);
        assert!((top - 0.09).abs() < 1e-4, "{top}");
        // White noise of unit variance has the one-sided density 2/rate; a plain generator of our own stands in.
        let mut state = 1u64;
        let mut draw = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1u64 << 24) as f32 - 0.5
        };
        let mut mean = 0.0;
        for _ in 0..50 {
            let noise: Vec<f32> = (0..4096).map(|_| draw() * 12f32.sqrt()).collect();
            let power = frame.power(&noise);
            mean += power[100..3000].iter().map(|&p| f64::from(p)).sum::<f64>() / 2900.0 / 50.0;
        }
        let expected = 2.0 * (2.0 / rate) * frame.enbw_hz();
        assert!((mean / expected - 1.0).abs() < 0.03, "{}", mean / expected);
    }
}
