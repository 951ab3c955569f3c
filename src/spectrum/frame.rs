//! One frame of sound into its spectrum: planned once, all scratch owned, nothing allocated per frame.

use super::window::{HANN_ENBW_BINS, hann, turned};
use multiversion::multiversion;
use rustfft::num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftPlanner};
use std::cell::RefCell;
use std::f64::consts::PI;
use std::sync::Arc;

/// From this size on a transform does not fit the nearest cache.
const LARGE: usize = 1024;
/// The odd parts of sizes that transforms are quick at, of small ones and of large ones.
const ODD_PARTS: [&[usize]; 2] = [&[1, 3, 5, 25], &[3, 9, 15, 27, 45, 75, 81, 135, 225, 243, 405]];
/// The highest power of two in the size of a large transform: with a higher one its columns fall on one another in the cache.
const MOST_TWOS: u32 = 10;

/// The smallest even size of at least `least` points that the transforms are quick at.
fn quick_size(least: usize) -> usize {
    let is_large = least >= LARGE;
    ODD_PARTS[usize::from(is_large)]
        .iter()
        .map(|odd| odd * least.div_ceil(*odd).next_power_of_two().max(2))
        .filter(|size| !is_large || size.trailing_zeros() <= MOST_TWOS)
        .min()
        .unwrap_or_else(|| least.next_power_of_two())
}

thread_local! {
    static PLANNER: RefCell<FftPlanner<f32>> = RefCell::new(FftPlanner::new());
}

/// The complex transform of `size` points. Frames of a thread share what their plans have in common.
fn plan(size: usize) -> Arc<dyn Fft<f32>> {
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(size))
}

/// A transform of real samples, zero-padded: even and odd samples are the two parts of a complex transform of half the
/// size, whose bins are then untangled. The padding is written once, since the transform leaves its input as it was.
struct Padded {
    plan: Arc<dyn Fft<f32>>,
    /// Two samples each.
    input: Vec<Complex32>,
    tangled: Vec<Complex32>,
    /// −½·j·e^(−2πjk/size) for k from 0 to a quarter of the size, and scratch.
    turns: Parts,
    parts: Parts,
    scratch: Vec<Complex32>,
}

impl Padded {
    /// For `size` points, an even number.
    fn new(size: usize) -> Self {
        let half = size / 2;
        let plan = plan(half);
        let turns = turned(Complex64::new(0.0, -0.5), -2.0 * PI / size as f64).take(half / 2 + 1);
        let (re, im) = turns.map(|turn| (turn.re as f32, turn.im as f32)).unzip();
        Self {
            input: vec![Complex32::default(); half],
            tangled: vec![Complex32::default(); half],
            turns: Parts { re, im },
            parts: Parts { re: vec![0.0; half], im: vec![0.0; half] },
            scratch: vec![Complex32::default(); plan.get_immutable_scratch_len()],
            plan,
        }
    }

    /// Points of the transform.
    fn size(&self) -> usize {
        2 * self.input.len()
    }

    /// Transforms the input; what `told` makes of a bin goes into `bins`, half the size and one more.
    fn run<T>(&mut self, bins: &mut [T], told: impl Fn(Complex32) -> T) {
        self.plan.process_immutable_with_scratch(&self.input, &mut self.tangled, &mut self.scratch);
        untangle(&self.tangled, &self.turns, &mut self.parts, bins, told);
    }
}

/// Bins that are untangled side by side.
const SIDE_BY_SIDE: usize = 8;

/// Real and imaginary parts apart, so that wide registers may hold either.
struct Parts {
    re: Vec<f32>,
    im: Vec<f32>,
}

/// Real and imaginary parts of some numbers.
type Several<const N: usize, T = f32> = [[T; N]; 2];

impl Parts {
    /// `N` bins at a time, from the second on.
    fn forward<const N: usize>(&self) -> impl Iterator<Item = [&[f32; N]; 2]> {
        let [re, im] = [&self.re, &self.im].map(|part| part[1..].as_chunks().0);
        re.iter().zip(im).map(|(re, im)| [re, im])
    }

    /// The same from the last on.
    fn backward<const N: usize>(&self) -> impl Iterator<Item = [&[f32; N]; 2]> {
        let [re, im] = [&self.re, &self.im].map(|part| part[1..].as_rchunks().1);
        re.iter().zip(im).rev().map(|(re, im)| [re, im])
    }

    fn one(&self, k: usize) -> Several<1> {
        [[self.re[k]], [self.im[k]]]
    }
}

/// From the bins Z of a transform of n pairs of real samples those of all 2n samples: with the halves of sum and difference
/// of `Z_k` and the conjugate of `Z_(n−k)`, which are the transforms of the even samples and j times that of the odd ones.
/// `parts` is scratch.
#[multiversion(targets("x86_64+avx2"))]
fn untangle<T>(
    tangled: &[Complex32],
    turns: &Parts,
    parts: &mut Parts,
    bins: &mut [T],
    told: impl Fn(Complex32) -> T,
) {
    let n = tangled.len();
    let Some(first) = tangled.first() else { return };
    bins[0] = told(Complex32::new(first.re + first.im, 0.0));
    bins[n] = told(Complex32::new(first.re - first.im, 0.0));
    parts.re.clear();
    parts.im.clear();
    parts.re.extend(tangled.iter().map(|z| z.re));
    parts.im.extend(tangled.iter().map(|z| z.im));
    // Bins k and n − k come in pairs; several of each side by side as long as they do not meet.
    let (low, high) = bins[..n].split_at_mut(n / 2 + 1);
    let ((below, _), (_, above)) = (low[1..].as_chunks_mut(), high.as_rchunks_mut());
    let outputs = below.iter_mut().zip(above.iter_mut().rev());
    let inputs = parts.forward().zip(parts.backward()).zip(turns.forward());
    let mut k = 1;
    for ((below, above), ((near, mirror), turn)) in outputs.zip(inputs) {
        (*below, *above) = untangle_some::<SIDE_BY_SIDE, T>(near, mirror, turn, &told);
        k += SIDE_BY_SIDE;
    }
    for k in k..=n / 2 {
        let [near, mirror, turn] = [parts.one(k), parts.one(n - k), turns.one(k)];
        ([bins[k]], [bins[n - k]]) =
            untangle_some(near.each_ref(), mirror.each_ref(), turn.each_ref(), &told);
    }
}

/// What is told of some bins and, in their own order, of those that mirror them.
#[inline(always)]
fn untangle_some<const N: usize, T>(
    near: [&[f32; N]; 2],
    mirror: [&[f32; N]; 2],
    turn: [&[f32; N]; 2],
    told: &impl Fn(Complex32) -> T,
) -> ([T; N], [T; N]) {
    let mirror = mirror.map(|part| -> [f32; N] { std::array::from_fn(|i| part[N - 1 - i]) });
    let (mut below, mut above) = ([[0.0; N]; 2], [[0.0; N]; 2]);
    for i in 0..N {
        let even = (0.5 * (near[0][i] + mirror[0][i]), 0.5 * (near[1][i] - mirror[1][i]));
        let (re, im) = (near[0][i] - mirror[0][i], near[1][i] + mirror[1][i]);
        let odd = (re * turn[0][i] - im * turn[1][i], re * turn[1][i] + im * turn[0][i]);
        (below[0][i], below[1][i]) = (even.0 + odd.0, even.1 + odd.1);
        (above[0][i], above[1][i]) = (even.0 - odd.0, odd.1 - even.1);
    }
    let bin = |of: &Several<N>, i: usize| told(Complex32::new(of[0][i], of[1][i]));
    (std::array::from_fn(|i| bin(&below, i)), std::array::from_fn(|i| bin(&above, N - 1 - i)))
}

/// The bins of a padded frame without a window.
pub struct PlainFrame {
    padded: Padded,
    bins: Vec<Complex32>,
    len: usize,
}

impl PlainFrame {
    /// For frames of `len` samples, padded to at least `size` points.
    pub fn new(len: usize, size: usize) -> Self {
        let padded = Padded::new(quick_size(size.max(len)));
        Self { bins: vec![Complex32::default(); padded.size() / 2 + 1], padded, len }
    }

    /// Points of the transform.
    pub fn size(&self) -> usize {
        self.padded.size()
    }

    /// Σ (x − `level`)·e^(−2πjkn/size) for k from 0 to half the size; exactly as many samples as the frame has.
    ///
    /// # Panics
    /// Never: the transform's buffers are of its own making.
    pub fn bins(&mut self, samples: &[f32], level: f32) -> &[Complex32] {
        let (pairs, single) = samples[..self.len].as_chunks::<2>();
        for (z, pair) in self.padded.input.iter_mut().zip(pairs) {
            *z = Complex32::new(pair[0] - level, pair[1] - level);
        }
        if let [x] = single {
            self.padded.input[pairs.len()] = Complex32::new(x - level, 0.0);
        }
        self.padded.run(&mut self.bins, |z| z);
        &self.bins
    }
}

/// The size that frames of `len` samples are padded to: half as much again at least. The parabola through three bins is
/// then off by less than 0.004 of a bin of the unpadded transform, and a line between two bins loses 0.6 dB at most.
fn padded_size(len: usize) -> usize {
    quick_size(len + len / 2)
}

/// Sum of a periodic Hann window of `len` samples.
fn hann_weight(len: usize) -> f32 {
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

/// The same with turns in the place of the window.
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

/// The level that a frame's samples stand on.
#[derive(Debug, Clone, Copy, Default)]
pub struct Level {
    /// Mean of the samples under the window, missing ones left out.
    mean: f32,
    /// Whether none is missing.
    whole: bool,
}

impl Level {
    /// Of the samples under a window whose sum is `weight`.
    fn of(samples: &[f32], window: &[f32], weight: f32) -> Self {
        let (sum, whole) = dot_there(samples, window);
        let there = || samples.iter().zip(window).filter(|(x, _)| x.is_finite());
        let weight = if whole { weight } else { there().map(|(_, w)| w).sum() };
        Self { mean: if weight > 0.0 { sum / weight } else { 0.0 }, whole }
    }

    /// What a sample has over the level below it; nothing where it is missing.
    #[inline(always)]
    fn below(self, x: f32) -> f32 {
        let over = x - self.mean;
        if over.is_finite() { over } else { 0.0 }
    }
}

/// Sums of products that are worked out side by side: one alone would wait for its own last addition.
const SUMS: usize = 32;

/// Sum of products.
#[multiversion(targets("x86_64+avx2"))]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0f32; SUMS];
    let ((many_a, a), (many_b, b)) = (a.as_chunks::<SUMS>(), b.as_chunks::<SUMS>());
    for (a, b) in many_a.iter().zip(many_b) {
        for i in 0..SUMS {
            sums[i] += a[i] * b[i];
        }
    }
    total(&sums) + a.iter().zip(b).map(|(a, b)| a * b).sum::<f32>()
}

/// Sum of the products of what is there of the samples: missing ones (NaN) are left out; and whether none is.
pub fn dot_there(samples: &[f32], weights: &[f32]) -> (f32, bool) {
    // What is missing shows in the sum.
    let sum = dot(samples, weights);
    if sum.is_finite() {
        return (sum, true);
    }
    let there = samples.iter().zip(weights).filter(|(x, _)| x.is_finite());
    (there.map(|(x, w)| x * w).sum(), false)
}

/// The sum of the sums, halved in number by each addition; apart from the loop, or the compiler would take that apart too.
#[inline(never)]
fn total(sums: &[f32; SUMS]) -> f32 {
    let mut sums = *sums;
    for half in [16, 8, 4, 2, 1] {
        for i in 0..half {
            sums[i] += sums[i + half];
        }
    }
    sums[0]
}

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

    /// Powers with the slide undone, or with the `opposite` one; bins as those of a [`RealFrame`] of the same length.
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
