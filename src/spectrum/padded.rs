//! Zero-padded transforms of real samples: planned once, scratch shared, nothing allocated per frame.

use super::window::turned;
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
pub(super) fn quick_size(least: usize) -> usize {
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
    static SCRATCH: RefCell<Scratch> = RefCell::default();
}

/// What a transform needs only while it is worked out; all of a thread share it, so that it stays near.
#[derive(Default)]
struct Scratch {
    tangled: Vec<Complex32>,
    inner: Vec<Complex32>,
}

impl Scratch {
    /// Room for `bins` bins and `inner` values within the transform.
    fn of(&mut self, bins: usize, inner: usize) -> (&mut [Complex32], &mut [Complex32]) {
        self.tangled.resize(bins.max(self.tangled.len()), Complex32::default());
        self.inner.resize(inner.max(self.inner.len()), Complex32::default());
        (&mut self.tangled[..bins], &mut self.inner[..inner])
    }
}

/// The complex transform of `size` points. Frames of a thread share what their plans have in common.
pub(super) fn plan(size: usize) -> Arc<dyn Fft<f32>> {
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(size))
}

/// A transform of real samples, zero-padded: even and odd samples are the two parts of a complex transform of half the
/// size, whose bins are then untangled. The padding is written once, since the transform leaves its input as it was.
pub(super) struct Padded {
    plan: Arc<dyn Fft<f32>>,
    /// Two samples each.
    pub(super) input: Vec<Complex32>,
    /// −½·j·e^(−2πjk/size) for k from 0 to a quarter of the size: real and imaginary parts.
    turns: [Vec<f32>; 2],
}

impl Padded {
    /// For `size` points, an even number.
    pub(super) fn new(size: usize) -> Self {
        let half = size / 2;
        let turns = turned(Complex64::new(0.0, -0.5), -2.0 * PI / size as f64).take(half / 2 + 1);
        let (re, im) = turns.map(|turn| (turn.re as f32, turn.im as f32)).unzip();
        let this = Self { plan: plan(half), input: vec![Complex32::default(); half], turns: [re, im] };
        SCRATCH.with_borrow_mut(|scratch| {
            scratch.of(half, this.plan.get_immutable_scratch_len());
        });
        this
    }

    /// Points of the transform.
    fn size(&self) -> usize {
        2 * self.input.len()
    }

    /// Transforms the input; what `told` makes of a bin goes into `bins`, half the size and one more.
    pub(super) fn run<T>(&self, bins: &mut [T], told: impl Fn(Complex32) -> T) {
        SCRATCH.with_borrow_mut(|scratch| {
            let (tangled, inner) = scratch.of(self.input.len(), self.plan.get_immutable_scratch_len());
            self.plan.process_immutable_with_scratch(&self.input, tangled, inner);
            untangle(tangled, &self.turns, bins, told);
        });
    }
}

/// Bins that are untangled side by side, and those that are taken apart for it at a time.
const SIDE_BY_SIDE: usize = 8;
const PIECE: usize = 64;

/// Real and imaginary parts of some numbers.
pub(super) type Several<const N: usize, T = f32> = [[T; N]; 2];

/// From the bins Z of a transform of n pairs of real samples those of all 2n samples: with the halves of sum and difference
/// of `Z_k` and the conjugate of `Z_(n−k)`, which are the transforms of the even samples and j times that of the odd ones.
#[multiversion(targets("x86_64+avx2"))]
fn untangle<T>(tangled: &[Complex32], turns: &[Vec<f32>; 2], bins: &mut [T], told: impl Fn(Complex32) -> T) {
    let n = tangled.len();
    let Some(first) = tangled.first() else { return };
    bins[0] = told(Complex32::new(first.re + first.im, 0.0));
    bins[n] = told(Complex32::new(first.re - first.im, 0.0));
    // Bins k and n − k come in pairs; many of each side at a time as long as they do not meet.
    let [turns_re, turns_im] = turns;
    let (low, high) = bins[..n].split_at_mut(n / 2 + 1);
    let ((below, _), (_, above)) = (low[1..].as_chunks_mut(), high.as_rchunks_mut());
    let (near, mirror) = (tangled[1..].as_chunks().0, tangled[1..].as_rchunks().1);
    let turns = turns_re[1..].as_chunks().0.iter().zip(turns_im[1..].as_chunks().0);
    let inputs = near.iter().zip(mirror.iter().rev()).zip(turns);
    let mut k = 1;
    for ((below, above), ((near, mirror), turn)) in below.iter_mut().zip(above.iter_mut().rev()).zip(inputs) {
        untangle_piece([near, mirror], [turn.0, turn.1], [below, above], &told);
        k += PIECE;
    }
    for k in k..=n / 2 {
        let one = |k: usize| [[tangled[k].re], [tangled[k].im]];
        let turn = [[turns_re[k]], [turns_im[k]]];
        ([bins[k]], [bins[n - k]]) =
            untangle_some(one(k).each_ref(), one(n - k).each_ref(), turn.each_ref(), &told);
    }
}

/// Untangles a piece and, in their own order, the bins that mirror it.
#[inline(always)]
fn untangle_piece<T>(
    [near, mirror]: [&[Complex32; PIECE]; 2],
    turns: [&[f32; PIECE]; 2],
    [below, above]: [&mut [T; PIECE]; 2],
    told: &impl Fn(Complex32) -> T,
) {
    let (mut near_parts, mut mirror_parts) = ([[0.0; PIECE]; 2], [[0.0; PIECE]; 2]);
    take_apart(near, &mut near_parts);
    take_apart(mirror, &mut mirror_parts);
    let [near_re, near_im] = near_parts.each_ref().map(|part| part.as_chunks().0);
    let [mirror_re, mirror_im] = mirror_parts.each_ref().map(|part| part.as_chunks().0);
    let [turn_re, turn_im] = turns.map(|part| part.as_chunks().0);
    let (below, above) = (below.as_chunks_mut().0, above.as_chunks_mut().0);
    for i in 0..PIECE / SIDE_BY_SIDE {
        let last = PIECE / SIDE_BY_SIDE - 1 - i;
        (below[i], above[last]) = untangle_some::<SIDE_BY_SIDE, T>(
            [&near_re[i], &near_im[i]],
            [&mirror_re[last], &mirror_im[last]],
            [&turn_re[i], &turn_im[i]],
            told,
        );
    }
}

/// Real and imaginary parts apart, so that wide registers may hold either.
#[inline(always)]
fn take_apart(piece: &[Complex32; PIECE], [re, im]: &mut [[f32; PIECE]; 2]) {
    for ((z, re), im) in piece.iter().zip(re).zip(im) {
        (*re, *im) = (z.re, z.im);
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
