//! The Cramér–Rao bound.

/// Smallest standard deviation, Hz, that an unbiased estimate of a steady note's frequency can have, amplitude and
/// phase unknown: σ_f = √(3 / (2π²·C/N0·T³)).
///
/// `cn0_hz`: the note's power over the one-sided noise density, Hz; `span_s`: how long it was heard.
///
/// Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974, for many cycles in the span; with an unknown steady drift
/// beside it the bound at mid-span is the same.
pub fn tone_bound_hz(cn0_hz: f64, span_s: f64) -> f64 {
    (3.0 / (2.0 * std::f64::consts::PI.powi(2) * cn0_hz * span_s.powi(3))).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Figures computed from Kay's form σ_f = (fs/2π)·√(12/(ηN(N²−1))) of the same bound, "Fundamentals of
    /// Statistical Signal Processing", vol. 1 (1993), ch. 3: rate Hz, span s, η dB, σ_f Hz.
    #[test]
    fn agrees_with_the_published_form() {
        for (fs, t, eta_db, sigma) in [
            (8000.0, 1.0, 0.0, 6.164_044e-3),
            (8000.0, 1.0, 20.0, 6.164_044e-4),
            (48000.0, 1.0, 10.0, 7.957_747e-4),
            (48000.0, 10.0, 10.0, 2.516_461e-5),
            (48000.0, 60.0, -20.0, 5.414_561e-5),
        ] {
            let cn0 = 10f64.powf(eta_db / 10.0) * fs / 2.0;
            let bound = tone_bound_hz(cn0, t);
            assert!((bound / sigma - 1.0).abs() < 1e-6, "{fs} {t} {eta_db}: {bound} for {sigma}");
        }
    }
}
