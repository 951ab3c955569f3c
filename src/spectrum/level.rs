//! The level that samples stand on, and sums of products.

use multiversion::multiversion;

/// The level that a frame's samples stand on.
#[derive(Debug, Clone, Copy, Default)]
pub struct Level {
    /// Mean of the samples under the window, missing ones left out.
    pub(super) mean: f32,
    /// Whether none is missing.
    pub(super) whole: bool,
}

impl Level {
    /// Of the samples under a window whose sum is `weight`.
    pub(super) fn of(samples: &[f32], window: &[f32], weight: f32) -> Self {
        let (sum, whole) = dot_there(samples, window);
        let there = || samples.iter().zip(window).filter(|(x, _)| x.is_finite());
        let weight = if whole { weight } else { there().map(|(_, w)| w).sum() };
        Self { mean: if weight > 0.0 { sum / weight } else { 0.0 }, whole }
    }

    /// What a sample has over the level below it; nothing where it is missing.
    #[inline(always)]
    pub(super) fn below(self, x: f32) -> f32 {
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
