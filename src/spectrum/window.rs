//! Windows.

use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// `first` and what it becomes turn after turn, by a product each instead of a sine and a cosine: after n turns it is off by
/// about n·10⁻¹⁶, which single precision never shows.
pub fn turned(first: Complex64, turn_rad: f64) -> impl Iterator<Item = Complex64> {
    let turn = Complex64::from_polar(1.0, turn_rad);
    std::iter::successors(Some(first), move |now| Some(now * turn))
}

/// Periodic Hann window of `len` samples.
pub fn hann(len: usize) -> Vec<f32> {
    let turns = turned(Complex64::ONE, 2.0 * PI / len as f64);
    turns.take(len).map(|turn| (0.5 - 0.5 * turn.re) as f32).collect()
}

/// Equivalent noise bandwidth of a window, in bins of its own length: N·Σw²/(Σw)².
pub fn enbw_bins(window: &[f32]) -> f64 {
    let sum: f64 = window.iter().map(|&w| f64::from(w)).sum();
    let squares: f64 = window.iter().map(|&w| f64::from(w).powi(2)).sum();
    window.len() as f64 * squares / (sum * sum)
}
