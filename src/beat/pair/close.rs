//! Two notes that run together: nearer to each other than the frames resolve.
//!
//! Windows that end now are tried, each twice as long as the one before. In each, two tones with a common drift (or with
//! opposite ones) are fitted by maximum likelihood; the first guess is the strongest line, then the strongest of what is left, each in
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
const LEAST_TURNS: f64 = 1.2;
const LEAST_SIGMAS: f64 = 8.0;
/// Most that may be left over, of what the noise leaves.
const MOST_LEFT: f64 = 1.6;
/// … or of a tone's own power: a wandering or fading one leaves so much.
const LITTLE: f64 = 0.03;
/// Fastest drift, Hz/s.
const FASTEST: f64 = 0.6;
/// Windows up to this are looked at without regard to shorter ones, s.
const FRESH_S: f64 = 4.0;
/// Energy over the noise density that each tone has.
const LEAST_ENERGY: f64 = 50.0;

/// Windows from which on a drift and a swelling are fitted, s.
const DRIFT_S: f64 = 1.5;
const SWELL_S: f64 = 0.7;
/// Twice the logarithm of the likelihood ratio, and slowest drift, Hz/s, that tell whether tones drift alike.
const DRIFT_TOLD: f64 = 40.0;
const SLOWEST: f64 = 0.009;

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
    /// Drift of each, Hz/s: alike, or against each other.
    pub rates: [f64; 2],
    /// Whether they drift against each other; `None` where the drift does not show.
    pub against: Option<bool>,
}

impl Found {
    /// Whether the window was long enough to tell the drift.
    pub fn tells_rate(&self) -> bool {
        self.window_s > DRIFT_S
    }
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
        let look = Look { sums: &sums, window_s, end_s, near_hz, density };
        // Known from a shorter window: the frequencies at the middle of this one.
        let known = best.as_ref().and_then(|(_, fit, origin_s)| {
            let middle = f64::midpoint(from_s, end_s);
            let hz = [0, 1].map(|i| fit.hz_at(i, middle - origin_s));
            let guess = PairFit::guess(middle - sums.origin_s(), hz, fit.rate);
            look.judge(PairFit { against: fit.against, ..guess })
        });
        // What a short window seemed to show, a longer one may know better.
        let fresh = || first_guess(&sums, rate).and_then(|guess| look.judge(guess));
        let found = known.or_else(|| if window_s < FRESH_S || best.is_none() { fresh() } else { None });
        match found {
            Some((found, fit)) => best = Some((found, fit, sums.origin_s())),
            None if best.is_some() && window_s > FRESH_S => break,
            None => {}
        }
    }
    best.map(|b| b.0)
}

/// One window.
struct Look<'a> {
    sums: &'a BlockSums,
    window_s: f64,
    end_s: f64,
    near_hz: f64,
    density: f64,
}

impl Look<'_> {
    /// Fits from a guess; what is found where two standing tones explain the window.
    fn judge(&self, guess: PairFit) -> Option<(Found, PairFit)> {
        let (sums, window_s) = (self.sums, self.window_s);
        let (fit, against) = fit_either(sums, (0, sums.len()), guess, window_s)?;
        let apart = (fit.hz[1] - fit.hz[0]).abs();
        let left = sums.density(fit.row_variance) / self.density.max(1e-300);
        let weaker = fit.amplitudes.iter().map(num_complex::Complex::norm_sqr).fold(f64::MAX, f64::min);
        let near = fit.hz.iter().all(|f| (f - self.near_hz).abs() < REACH_HZ);
        let slow = fit.rate.abs() < FASTEST;
        let told = apart * window_s > LEAST_TURNS && apart > LEAST_SIGMAS * fit.u_difference_hz;
        // A fading note leaves more than the noise, but little of itself.
        let fits = left < MOST_LEFT || fit.row_variance < LITTLE * weaker / 8.0;
        let heard = weaker / 2.0 * window_s > LEAST_ENERGY * self.density;
        if !(near && slow && told && fits && heard) {
            return None;
        }
        let order = if fit.hz[0] < fit.hz[1] { [0, 1] } else { [1, 0] };
        let found = Found {
            hz: order.map(|i| fit.hz_at(i, self.end_s - sums.origin_s())),
            u_hz: fit.u_difference_hz,
            powers: order.map(|i| fit.amplitudes[i].norm_sqr()),
            window_s,
            rates: order.map(|i| fit.rate_of(i)),
            against,
        };
        Some((found, fit))
    }
}

/// Fits two tones that drift alike and, where the window is long enough to tell, two that drift against each other; gives
/// the better one, and whether it is certain which that is.
fn fit_either(
    sums: &BlockSums,
    all: (usize, usize),
    guess: PairFit,
    window_s: f64,
) -> Option<(PairFit, Option<bool>)> {
    let free = PairFree { rate: window_s > DRIFT_S, swell: window_s > SWELL_S };
    let alike = PairFit { against: false, ..guess.clone() };
    let like = fit_pair(sums, all, &alike, free);
    if !free.rate {
        return Some((like?, None));
    }
    let Some(unlike) = fit_pair(sums, all, &guess.against(), free) else { return Some((like?, None)) };
    let Some(like) = like else { return Some((unlike, None)) };
    // Twice the logarithm of the likelihood ratio.
    let better = like.rows as f64 * (like.row_variance / unlike.row_variance).ln();
    let against = better > 0.0;
    let fit = if against { unlike } else { like };
    let told = better.abs() > DRIFT_TOLD && fit.rate.abs() > SLOWEST;
    Some((fit, told.then_some(against)))
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
