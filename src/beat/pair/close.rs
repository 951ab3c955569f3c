//! Two notes that run together: nearer to each other than the frames resolve.
//!
//! Windows that end now are tried, each twice as long as the one before. In each, two tones with a common drift are
//! fitted by maximum likelihood; the first guess is the strongest line, then the strongest of what is left, each in
//! turn taken out and found again. The longest window that two standing tones explain to within the noise is believed.

use super::near::sums_over;
use super::wide::Sound;
use crate::estimate::{BlockSums, PairFit, PairFree, fit_pair, vertex};
use num_complex::Complex64;
use std::f64::consts::PI;

/// Windows, s.
const WINDOWS_S: [f64; 6] = [0.4, 0.8, 1.6, 3.2, 6.4, 12.8];
/// Length of a block, s, and how far from the standing note the other is looked for, Hz.
const BLOCK_S: f64 = 0.01;
const REACH_HZ: f64 = 30.0;
/// Rounds of finding one tone with the other taken out.
const ROUNDS: usize = 8;
/// Turns of the beat in a window, and how many times its uncertainty the difference must be.
const LEAST_TURNS: f64 = 0.8;
const LEAST_SIGMAS: f64 = 8.0;
/// Most that may be left over, of what the noise leaves.
const MOST_LEFT: f64 = 1.6;
/// … or of a tone's own power: a wandering or fading one leaves so much.
const LITTLE: f64 = 0.03;
/// Energy over the noise density that each tone has.
const LEAST_ENERGY: f64 = 50.0;

/// Two tones found.
#[derive(Debug, Clone, Copy)]
pub struct Found {
    /// Frequencies at the window's end, Hz, the lower first.
    pub hz: [f64; 2],
    /// Standard uncertainty of their difference, Hz.
    pub u_hz: f64,
    pub powers: [f64; 2],
    /// The window's length, s.
    pub window_s: f64,
    /// Common drift, Hz/s.
    pub rate: f64,
}

/// Looks for two tones about `near_hz` in windows that end with the sound and begin after `since_s`; `rate` is what is known
/// of their common drift, `density` the noise.
pub fn find(sound: Sound, near_hz: f64, rate: f64, since_s: f64, density: f64) -> Option<Found> {
    let (first_s, end_s) = sound.kept_s();
    let mut best: Option<(Found, PairFit, f64)> = None;
    for window_s in WINDOWS_S {
        let from_s = end_s - window_s;
        if from_s < first_s.max(since_s) {
            break;
        }
        let sums = sums_over(sound, near_hz, (from_s, end_s), BLOCK_S);
        let all = (0, sums.len());
        let guess = match &best {
            // Known from a shorter window: the frequencies at the middle of this one.
            Some((_, fit, origin_s)) => {
                let middle = f64::midpoint(from_s, end_s);
                let hz = [0, 1].map(|i| fit.hz[i] + fit.rate * (middle - origin_s - fit.at_s));
                PairFit::guess(middle - sums.origin_s(), hz, fit.rate)
            }
            None => match first_guess(&sums, rate) {
                Some(guess) => guess,
                None => continue,
            },
        };
        let free = PairFree { rate: window_s > 1.5, swell: window_s > 0.7 };
        let Some(fit) = fit_pair(&sums, all, &guess, free) else { continue };
        let apart = (fit.hz[1] - fit.hz[0]).abs();
        let left = sums.density(fit.row_variance) / density.max(1e-300);
        let energy =
            fit.amplitudes.iter().map(|a| a.norm_sqr() / 2.0 / density * window_s).fold(f64::MAX, f64::min);
        let near = fit.hz.iter().all(|f| (f - near_hz).abs() < REACH_HZ);
        let slow = fit.rate.abs() < 0.6;
        let told = apart * window_s > LEAST_TURNS && apart > LEAST_SIGMAS * fit.u_difference_hz;
        // A fading note leaves more than the noise, but little of itself.
        let loud = fit.amplitudes.iter().map(num_complex::Complex::norm_sqr).fold(f64::MAX, f64::min) / 8.0;
        let fits = left < MOST_LEFT || fit.row_variance < LITTLE * loud;
        if near && slow && told && fits && energy > LEAST_ENERGY {
            let order = if fit.hz[0] < fit.hz[1] { [0, 1] } else { [1, 0] };
            let at_end = end_s - sums.origin_s() - fit.at_s;
            let found = Found {
                hz: order.map(|i| fit.hz[i] + fit.rate * at_end),
                u_hz: fit.u_difference_hz,
                powers: order.map(|i| fit.amplitudes[i].norm_sqr()),
                window_s,
                rate: fit.rate,
            };
            best = Some((found, fit, sums.origin_s()));
        } else if best.is_some() {
            break;
        }
    }
    best.map(|b| b.0)
}

/// The two strongest tones, each found with the other taken out.
fn first_guess(sums: &BlockSums, rate: f64) -> Option<PairFit> {
    let n = sums.len();
    if n < 12 {
        return None;
    }
    let middle = f64::midpoint(sums.centre_s(0), sums.centre_s(n - 1));
    let span = n as f64 * sums.block_s();
    let straight: Vec<Complex64> = (0..n)
        .map(|k| {
            let tau = sums.centre_s(k) - middle;
            sums.mean(k).unwrap_or_default() * Complex64::from_polar(1.0, -PI * rate * tau * tau)
        })
        .collect();
    let tone = |hz: f64, k: usize| Complex64::from_polar(1.0, 2.0 * PI * hz * (sums.centre_s(k) - middle));
    let amplitude = |left: &[Complex64], hz: f64| {
        let step = Complex64::from_polar(1.0, -2.0 * PI * hz * sums.block_s());
        let mut turn = tone(hz, 0).conj();
        let mut sum = Complex64::default();
        for z in left {
            sum += z * turn;
            turn *= step;
        }
        sum / n as f64
    };
    let strongest = |left: &[Complex64], about: Option<f64>| {
        let fine = 0.2 / span;
        let (centre, reach, step) = about.map_or((0.0, REACH_HZ, 2.0 * fine), |hz| (hz, 1.0 / span, fine));
        let steps = (reach / step) as i32;
        let power = |hz: f64| amplitude(left, hz).norm_sqr();
        let best = (-steps..=steps)
            .map(|i| centre + step * f64::from(i))
            .map(|hz| (hz, power(hz)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map_or(0.0, |b| b.0);
        best + vertex([best - step, best, best + step].map(power), 1.0) * step
    };
    let without = |hz: f64, a: Complex64| -> Vec<Complex64> {
        straight.iter().enumerate().map(|(k, z)| z - a * tone(hz, k)).collect()
    };
    let mut first = strongest(&straight, None);
    let mut a = amplitude(&straight, first);
    let mut second = strongest(&without(first, a), None);
    let mut b = amplitude(&without(first, a), second);
    for _ in 0..ROUNDS {
        first = strongest(&without(second, b), Some(first));
        a = amplitude(&without(second, b), first);
        second = strongest(&without(first, a), Some(second));
        b = amplitude(&without(first, a), second);
    }
    let carrier = sums.carrier_hz();
    Some(PairFit::guess(middle, [carrier + first, carrier + second], rate))
}
