//! Windows.

use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Turns that a sine and a cosine are worked out for at once.
const STRIDE: usize = 64;

/// `first` and what it becomes turn after turn: one product each, of a long turn and a short one.
pub fn turned(first: Complex64, turn_rad: f64) -> impl Iterator<Item = Complex64> {
    let short: [Complex64; STRIDE] = std::array::from_fn(|i| Complex64::cis(turn_rad * i as f64));
    (0usize..).flat_map(move |n| {
        let long = first * Complex64::cis(turn_rad * (n * STRIDE) as f64);
        short.map(|short| long * short)
    })
}

/// Periodic Hann window of `len` samples.
pub fn hann(len: usize) -> Vec<f32> {
    let turns = turned(Complex64::ONE, 2.0 * PI / len as f64);
    turns.take(len).map(|turn| (0.5 - 0.5 * turn.re) as f32).collect()
}

/// Equivalent noise bandwidth of that window in bins of its own length, N·Σw²/(Σw)²: Σw is N/2, Σw² 3N/8.
pub const HANN_ENBW_BINS: f64 = 1.5;
