//! Frames with a slide in frequency undone.

use super::frame::{hann_weight, padded_size};
use super::level::Level;
use super::padded::{Several, plan};
use super::window::hann;
use multiversion::multiversion;
use rustfft::Fft;
use rustfft::num_complex::{Complex32, Complex64};
use std::f64::consts::PI;
use std::sync::Arc;

/// Spectra of a Hann-windowed frame after a steady slide in frequency has been undone, so that a note that moves at
/// that rate is one sharp peak at the frequency it has in mid-frame.
///
/// For real x the transform of x·e^(+jπst²) is that of x·e^(−jπst²) conjugated and read backwards: one transform undoes
/// a slide and its opposite.
pub struct ChirpFrame {
    plan: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    rate_hz: f64,
    scale: f32,
    /// Slides that are undone often, Hz/s, and the windowed turns that undo them.
    known: Vec<(f64, Vec<Complex32>)>,
    turns: Vec<Complex32>,
    /// The frame with the slide undone, the padding behind it.
    turned: Vec<Complex32>,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
    power: Vec<f32>,
}

impl ChirpFrame {
    /// For frames of `len` samples at `rate_hz`; `often` are slides that are undone often, Hz/s.
    pub fn new(len: usize, rate_hz: f64, often: &[f64]) -> Self {
        let size = padded_size(len);
        let plan = plan(size);
        let window = hann(len);
        let turns = |slide: f64| {
            let mut turns = vec![Complex32::default(); len];
            set_turns(&mut turns, &window, slide, rate_hz);
            turns
        };
        Self {
            known: often.iter().map(|&slide| (slide, turns(slide))).collect(),
            turns: turns(0.0),
            scale: (2.0 / hann_weight(len)).powi(2),
            rate_hz,
            turned: vec![Complex32::default(); size],
            bins: vec![Complex32::default(); size],
            scratch: vec![Complex32::default(); plan.get_immutable_scratch_len()],
            power: vec![0.0; size / 2 + 1],
            window,
            plan,
        }
    }

    /// Undoes a slide of `slide` Hz/s in `samples`, which stand on `level`, and, in the same transform, the opposite one: what
    /// [`power`](Self::power) then gives.
    pub fn undo(&mut self, samples: &[f32], level: Level, slide: f64) {
        let known = self.known.iter().find(|(s, _)| (s - slide).abs() < 1e-9);
        let turns = if let Some((_, turns)) = known {
            turns
        } else {
            set_turns(&mut self.turns, &self.window, slide, self.rate_hz);
            &self.turns
        };
        turn(samples, level, turns, &mut self.turned);
        self.plan.process_immutable_with_scratch(&self.turned, &mut self.bins, &mut self.scratch);
    }

    /// Powers with the slide undone, or with the `opposite` one; bins as those of a [`RealFrame`](super::RealFrame) of the same length.
    pub fn power(&mut self, opposite: bool) -> &[f32] {
        let scale = self.scale;
        let half = self.bins.len() / 2;
        if opposite {
            self.power[0] = self.bins[0].norm_sqr() * scale;
            powers_of(&self.bins[half..], scale, &mut self.power[1..]);
            self.power[1..].reverse();
        } else {
            powers_of(&self.bins[..=half], scale, &mut self.power);
        }
        &self.power
    }
}

/// The window times e^(−jπ·slide·t²), t from mid-frame.
fn set_turns(turns: &mut [Complex32], window: &[f32], slide: f64, rate_hz: f64) {
    let (dt, leap) = (1.0 / rate_hz, ABREAST as f64 / rate_hz);
    let phase = |t: f64| -PI * slide * t * t;
    let first = -(turns.len() as f64 - 1.0) / 2.0 * dt;
    let unit = |angle: f64| Complex64::from_polar(1.0, angle);
    let at: [f64; ABREAST] = std::array::from_fn(|i| first + i as f64 * dt);
    let (now, step) = (at.map(|t| unit(phase(t))), at.map(|t| unit(phase(t + leap) - phase(t))));
    let bend = unit(-2.0 * PI * slide * leap * leap);
    let apart = |z: [Complex64; ABREAST]| [z.map(|z| z.re), z.map(|z| z.im)];
    turn_on(apart(now), apart(step), bend, window, turns);
}

/// Turns that are worked out side by side: one alone would wait for its own product.
const ABREAST: usize = 4;

/// Turns times the window, by a recurrence in double precision: from each to the one that many further on two products.
#[multiversion(targets("x86_64+avx2"))]
fn turn_on(
    mut now: Several<ABREAST, f64>,
    mut step: Several<ABREAST, f64>,
    bend: Complex64,
    window: &[f32],
    turns: &mut [Complex32],
) {
    let ((turns, turns_left), (window, window_left)) = (turns.as_chunks_mut(), window.as_chunks::<ABREAST>());
    for (turns, window) in turns.iter_mut().zip(window) {
        *turns = weighed(&now, window);
        let ([re, im], [by_re, by_im]) = (now, step);
        for i in 0..ABREAST {
            now[0][i] = re[i] * by_re[i] - im[i] * by_im[i];
            now[1][i] = re[i] * by_im[i] + im[i] * by_re[i];
            step[0][i] = by_re[i] * bend.re - by_im[i] * bend.im;
            step[1][i] = by_re[i] * bend.im + by_im[i] * bend.re;
        }
    }
    let mut last = [0.0; ABREAST];
    last[..window_left.len()].copy_from_slice(window_left);
    turns_left.copy_from_slice(&weighed(&now, &last)[..turns_left.len()]);
}

/// Turns times their weights.
#[inline(always)]
fn weighed([re, im]: &Several<ABREAST, f64>, window: &[f32; ABREAST]) -> [Complex32; ABREAST] {
    let mut weighed = [Complex32::default(); ABREAST];
    for i in 0..ABREAST {
        weighed[i] = Complex32::new(re[i] as f32 * window[i], im[i] as f32 * window[i]);
    }
    weighed
}

/// The samples over their level, times the windowed turns.
#[multiversion(targets("x86_64+avx2"))]
fn turn(samples: &[f32], level: Level, turns: &[Complex32], turned: &mut [Complex32]) {
    for ((z, x), turn) in turned.iter_mut().zip(samples).zip(turns) {
        *z = turn * level.below(*x);
    }
}

/// Squared sizes of the bins times `scale`.
#[multiversion(targets("x86_64+avx2"))]
fn powers_of(bins: &[Complex32], scale: f32, powers: &mut [f32]) {
    for (p, z) in powers.iter_mut().zip(bins) {
        *p = z.norm_sqr() * scale;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slide_undone_is_a_sharp_peak_at_mid_frame() {
        let (rate, len, slide) = (8000.0, 1280, -900.0);
        let mut frame = ChirpFrame::new(len, rate, &[slide]);
        let note: Vec<f32> = (0..len)
            .map(|n| {
                let t = (n as f64 - (len as f64 - 1.0) / 2.0) / rate;
                (2.0 * PI * (700.0 * t + 0.5 * slide * t * t)).cos() as f32
            })
            .collect();
        let peak = |power: &[f32]| {
            let (k, p) = power.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).expect("bins");
            (k as f64 * rate / padded_size(len) as f64, *p)
        };
        // Both as a slide that is known beforehand, as one that is not, and as the opposite of either.
        for (undone, opposite) in [(slide, false), (slide + 1e-6, false), (-slide, true)] {
            frame.undo(&note, Level::default(), undone);
            let (at, sharp) = peak(frame.power(opposite));
            assert!((at - 700.0).abs() < 4.0 && (sharp - 1.0).abs() < 0.05, "{at} {sharp}");
            assert!(peak(frame.power(!opposite)).1 < 0.3);
        }
        frame.undo(&note, Level::default(), 0.0);
        assert!(peak(frame.power(false)).1 < 0.3);
    }
}
