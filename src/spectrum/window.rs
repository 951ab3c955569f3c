//! Windows.

use std::f64::consts::PI;

/// Periodic Hann window of `len` samples.
pub fn hann(len: usize) -> Vec<f32> {
    (0..len).map(|n| (0.5 - 0.5 * (2.0 * PI * n as f64 / len as f64).cos()) as f32).collect()
}

/// Equivalent noise bandwidth of a window, in bins of its own length: N·Σw²/(Σw)².
pub fn enbw_bins(window: &[f32]) -> f64 {
    let sum: f64 = window.iter().map(|&w| f64::from(w)).sum();
    let squares: f64 = window.iter().map(|&w| f64::from(w).powi(2)).sum();
    window.len() as f64 * squares / (sum * sum)
}
