//! Below what a spectrum resolves: a few cycles of a real note, found by least squares on plain means.

use super::history::History;
use crate::spectrum::Peak;

/// Highest and lowest note looked for here, Hz.
pub const HIGHEST_HZ: f64 = 26.0;
const LOWEST_HZ: f64 = 0.25;
/// Rate of the plain means, Hz.
const RATE_HZ: f64 = 125.0;
/// Lengths looked at, s, longest first.
const LENGTHS_S: [f64; 3] = [4.0, 2.5, 1.3];
/// Least explained over unexplained power, for each of the note's two amplitudes.
const LEAST_F: f64 = 60.0;

/// Looks for a steady low note in the sound since `since_s`, up to sample `end`. Returns it with the length of sound
/// that it was found in, s.
pub fn search(sound: &History, rate_hz: f64, end: u64, since_s: f64) -> Option<(Peak, f64)> {
    let block = (rate_hz / RATE_HZ).round().max(1.0) as usize;
    LENGTHS_S.iter().find_map(|&length_s| {
        let from = end.checked_sub((length_s * rate_hz) as u64)?;
        if (from as f64 / rate_hz) < since_s || from < sound.first() {
            return None;
        }
        let means: Vec<f64> = sound
            .slice(from, end)
            .chunks_exact(block)
            .map(|c| c.iter().filter(|x| x.is_finite()).map(|&x| f64::from(x)).sum::<f64>() / block as f64)
            .collect();
        let dt = block as f64 / rate_hz;
        let lowest = (1.0 / length_s).max(LOWEST_HZ);
        let mut best: Option<(f64, f64, f64)> = None;
        let mut f = lowest;
        while f < HIGHEST_HZ {
            let (misfit, power) = misfit(&means, f, dt);
            if best.is_none_or(|b| misfit < b.1) {
                best = Some((f, misfit, power));
            }
            f += 0.15 / length_s;
        }
        let (f, left, power) = best?;
        let mean = means.iter().sum::<f64>() / means.len() as f64;
        let total: f64 = means.iter().map(|x| (x - mean) * (x - mean)).sum();
        let statistic = (total - left) / 2.0 / (left / (means.len() as f64 - 4.0)).max(1e-300);
        let inside = f > lowest * 1.01 && f < HIGHEST_HZ - 0.2;
        (statistic > LEAST_F && inside)
            .then_some((Peak { frequency_hz: f, power, snr: statistic }, length_s))
    })
}

/// Sum of squares that a note at `f` with a steady level leaves, and its squared amplitude.
fn misfit(x: &[f64], f: f64, dt: f64) -> (f64, f64) {
    let (mut cc, mut ss, mut cs, mut c1, mut s1) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut xc, mut xs, mut x1, mut xx) = (0.0, 0.0, 0.0, 0.0);
    let w = 2.0 * std::f64::consts::PI * f * dt;
    for (n, &x) in x.iter().enumerate() {
        let (s, c) = (w * n as f64).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        c1 += c;
        s1 += s;
        xc += x * c;
        xs += x * s;
        x1 += x;
        xx += x * x;
    }
    let n = x.len() as f64;
    // The level is eliminated first.
    let (cc, ss, cs) = (cc - c1 * c1 / n, ss - s1 * s1 / n, cs - c1 * s1 / n);
    let (xc, xs, xx) = (xc - x1 * c1 / n, xs - x1 * s1 / n, xx - x1 * x1 / n);
    let det = cc * ss - cs * cs;
    if det <= 1e-9 * n * n {
        return (xx, 0.0);
    }
    let (p, q) = ((xc * ss - xs * cs) / det, (xs * cc - xc * cs) / det);
    (xx - p * xc - q * xs, p * p + q * q)
}
