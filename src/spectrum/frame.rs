//! One frame of sound into the powers of its spectrum: planned once, all scratch owned, nothing allocated per frame.

use super::window::{enbw_bins, hann};
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Spectrum of a Hann-windowed frame of real samples, zero-padded to at least twice its length.
pub struct RealFrame {
    plan: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    scale: f32,
    enbw_hz: f64,
    bin_hz: f64,
    padded: Vec<f32>,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
    power: Vec<f32>,
}

impl RealFrame {
    /// For frames of `len` samples at `rate_hz`.
    pub fn new(len: usize, rate_hz: f64) -> Self {
        let size = (2 * len).next_power_of_two();
        let plan = RealFftPlanner::new().plan_fft_forward(size);
        let window = hann(len);
        Self {
            scale: (2.0 / window.iter().sum::<f32>()).powi(2),
            enbw_hz: enbw_bins(&window) * rate_hz / len as f64,
            bin_hz: rate_hz / size as f64,
            padded: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            power: vec![0.0; size / 2 + 1],
            window,
            plan,
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
    pub fn power(&mut self, samples: &[f32]) -> &[f32] {
        let len = self.window.len();
        fill_windowed(samples, &self.window, |i, x| self.padded[i] = x);
        self.padded[len..].fill(0.0);
        self.plan
            .process_with_scratch(&mut self.padded, &mut self.bins, &mut self.scratch)
            .expect("the buffers were made by this plan");
        for (p, z) in self.power.iter_mut().zip(&self.bins) {
            *p = z.norm_sqr() * self.scale;
        }
        &self.power
    }
}

/// Hands out the windowed samples with their mean taken out.
fn fill_windowed(samples: &[f32], window: &[f32], mut put: impl FnMut(usize, f32)) {
    let (mut sum, mut weight) = (0.0f32, 0.0f32);
    for (x, w) in samples.iter().zip(window) {
        if x.is_finite() {
            sum += x * w;
            weight += w;
        }
    }
    let mean = if weight > 0.0 { sum / weight } else { 0.0 };
    for (i, (x, w)) in samples.iter().zip(window).enumerate() {
        put(i, if x.is_finite() { (x - mean) * w } else { 0.0 });
    }
}

/// Spectrum of a Hann-windowed frame after a steady slide in frequency has been undone, so that a note that moves at
/// that rate is one sharp peak at the frequency it has in mid-frame.
pub struct ChirpFrame {
    plan: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    rate_hz: f64,
    scale: f32,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
    power: Vec<f32>,
}

impl ChirpFrame {
    /// For frames of `len` samples at `rate_hz`.
    pub fn new(len: usize, rate_hz: f64) -> Self {
        let size = (2 * len).next_power_of_two();
        let plan = FftPlanner::new().plan_fft_forward(size);
        let window = hann(len);
        Self {
            scale: (2.0 / window.iter().sum::<f32>()).powi(2),
            rate_hz,
            bins: vec![Complex32::default(); size],
            scratch: vec![Complex32::default(); plan.get_inplace_scratch_len()],
            power: vec![0.0; size / 2 + 1],
            window,
            plan,
        }
    }

    /// Powers of the frame with a slide of `slide` Hz/s undone; bins as those of a [`RealFrame`] of the same length.
    pub fn power(&mut self, samples: &[f32], slide: f64) -> &[f32] {
        let (len, bins) = (self.window.len(), &mut self.bins);
        // e^(−jπ·slide·t²), t from mid-frame, by a recurrence in double precision: two products a sample.
        let dt = 1.0 / self.rate_hz;
        let phase = |t: f64| -std::f64::consts::PI * slide * t * t;
        let first = -(len as f64 - 1.0) / 2.0 * dt;
        let unit = |angle: f64| rustfft::num_complex::Complex64::from_polar(1.0, angle);
        let (mut turn, mut step) = (unit(phase(first)), unit(phase(first + dt) - phase(first)));
        let bend = unit(-2.0 * std::f64::consts::PI * slide * dt * dt);
        fill_windowed(samples, &self.window, |i, x| {
            bins[i] = Complex32::new(turn.re as f32 * x, turn.im as f32 * x);
            turn *= step;
            step *= bend;
        });
        bins[len..].fill(Complex32::default());
        self.plan.process_with_scratch(bins, &mut self.scratch);
        for (p, z) in self.power.iter_mut().zip(bins.iter()) {
            *p = z.norm_sqr() * self.scale;
        }
        &self.power
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
        assert!((enbw_bins(&w) - 1.5).abs() < 1e-6);
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
        let sine: Vec<f32> = (0..4096).map(|n| (0.3 * (2.0 * PI * 1000.0 * f64::from(n) / rate).cos()) as f32).collect();
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
            mean += power[100..4000].iter().map(|&p| f64::from(p)).sum::<f64>() / 3900.0 / 50.0;
        }
        let expected = 2.0 * (2.0 / rate) * frame.enbw_hz();
        assert!((mean / expected - 1.0).abs() < 0.03, "{}", mean / expected);
    }

    #[test]
    fn a_slide_undone_is_a_sharp_peak_at_mid_frame() {
        let (rate, len, slide) = (8000.0, 1280, -900.0);
        let mut frame = ChirpFrame::new(len, rate);
        let note: Vec<f32> = (0..len)
            .map(|n| {
                let t = (n as f64 - (len as f64 - 1.0) / 2.0) / rate;
                (2.0 * PI * (700.0 * t + 0.5 * slide * t * t)).cos() as f32
            })
            .collect();
        let peak = |power: &[f32]| {
            let (k, p) = power.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).expect("bins");
            (k as f64 * rate / 4096.0, *p)
        };
        let (at, sharp) = peak(frame.power(&note, slide));
        assert!((at - 700.0).abs() < 2.0 && (sharp - 1.0).abs() < 0.05, "{at} {sharp}");
        assert!(peak(frame.power(&note, 0.0)).1 < 0.3);
    }
}
