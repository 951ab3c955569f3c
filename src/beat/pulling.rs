//! Is the note pulled? Harmonics in one constant ratio say so, once the path's tilt is taken out of them.
//!
//! # What is compared
//!
//! With H the path and k the order, the harmonics of a pulled note are C·ρ^(k−1)·H(kf) with one complex ρ
//! (see [`super::adler`]). An envelope detector's note has harmonics too, but they are those of
//! √(1 + s² + 2s·cos φ): (h3/h2)/(h2/h1) is about 2 there and not 1. A bent amplifier makes h2 and h3 as it likes, and
//! mostly no h3 to speak of. So both laws are fitted to all harmonics up to the sixth, heard or not, phases and all.
//! The tilt matters as much as the harmonics: a high-pass lowers h1 most, and an envelope's note behind one looks
//! pulled. Therefore every possible path is tried ([`super::rolloff`]), weighed by what the note's level on its way
//! down ([`super::sounding`]) and the phases of the harmonics say of it, and the spread of the answers is in u.
//! On the way down the two also differ: pulled, the harmonics swell as the note falls.
//!
//! # Assumptions and weak points
//!
//! * The path is a Butterworth high-pass; that it is not quite is allowed for by [`LEARNT`] or [`UNLEARNT`].
//! * The note's level on its way down is steady. Where it fades, the soundings scatter and count for less.
//! * Between two lines heard only, a bent amplifier may by accident give the ratios of a pulled note; then the swelling
//!   on the way down must be seen too.

use super::adler;
use super::overtones::{MOST, Overtone};
use super::rolloff::{HighPass, Weighed, fits_within, spread};
use super::sounding::Sounding;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Doubt of the path's tilt between the note and a harmonic, nepers: 0.1 dB where it was learnt on the way down,
/// else half a decibel.
const LEARNT: f64 = 0.0115;
const UNLEARNT: f64 = 0.0576;
/// How many of these a single harmonic may be off either law.
const LAW_DOUBTS: f64 = 1.2;
/// Doubt of the level of a single sounding, nepers.
pub const SOUNDING: f64 = 0.03;
/// Soundings lie so close together that what is wrong with one is wrong with the next: any number counts for so many.
const INDEPENDENT: f64 = 12.0;
/// How much better one law must fit than the other (difference of χ²).
const DECISIVE: f64 = 9.0;
/// A harmonic on its way down that fits no law at all has passed something else that is heard: no χ² counts for more.
const OUTLIER: f64 = 25.0;
/// How much of a harmonic must stand out for it to count, standard uncertainties.
const PLAIN: f64 = 5.0;

/// A pulled note with the pulling undone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pull {
    /// Ratio of the lines.
    pub ratio: f64,
    /// Half the width of the lock range, Hz.
    pub lock_hz: f64,
    /// The offset without coupling, Hz.
    pub offset_hz: f64,
    /// Standard uncertainty of it, Hz, all told.
    pub u_hz: f64,
}

/// A law fitted to the harmonics behind one path.
struct Fit {
    misfit: f64,
    ln_ratio: f64,
    variance: f64,
}

/// A harmonic with the path taken out.
struct Line {
    steps: f64,
    value: Complex64,
    u: f64,
    heard: bool,
}

/// The harmonics as they would be without the path `path`, over the note itself.
fn straightened(overtones: &[Overtone], heard_hz: f64, path: HighPass) -> Vec<Line> {
    let first = path.response(heard_hz);
    overtones
        .iter()
        .map(|o| {
            let tilt = path.response(f64::from(o.order) * heard_hz) / first;
            // Counting phases from the note's counts the path's phase at the note as often as the order says.
            let turned = Complex64::from_polar(1.0, f64::from(o.order - 1) * first.arg());
            Line {
                steps: f64::from(o.order - 1),
                value: o.ratio / tilt * turned,
                u: o.u / tilt.norm(),
                heard: o.ratio.norm() > PLAIN * o.u,
            }
        })
        .collect()
}

/// Fits lines that are `shape` times ρ^(k−1); with `free` the size of ρ is fitted, else it is 1.
fn fit_law(lines: &[Line], shape: &dyn Fn(f64) -> f64, free: bool, doubt: f64) -> Option<Fit> {
    let second = lines.iter().find(|l| l.steps > 0.0 && l.heard)?;
    let value = |l: &Line| l.value / shape(l.steps);
    // Logarithms are taken about a first guess, so that no phase wraps.
    let guess = value(second).powf(1.0 / second.steps);
    let guess = if free { guess } else { guess / guess.norm() };
    let turns = second.steps as i32;
    (0..turns)
        .map(|i| guess * Complex64::from_polar(1.0, 2.0 * PI * f64::from(i) / f64::from(turns)))
        .filter_map(|g| fit_about(lines, shape, free, doubt, g))
        .min_by(|a, b| a.misfit.total_cmp(&b.misfit))
}

fn fit_about(
    lines: &[Line],
    shape: &dyn Fn(f64) -> f64,
    free: bool,
    doubt: f64,
    guess: Complex64,
) -> Option<Fit> {
    let power = |steps: f64| guess.powu(steps as u32);
    let (mut w0, mut w1, mut w2) = (0.0, 0.0, 0.0);
    let (mut z0, mut z1) = (Complex64::default(), Complex64::default());
    for l in lines.iter().filter(|l| l.heard) {
        let z = (l.value / shape(l.steps) / power(l.steps)).ln();
        let w = 1.0 / ((l.u / l.value.norm()).powi(2) + doubt * doubt);
        w0 += w;
        w1 += w * l.steps;
        w2 += w * l.steps * l.steps;
        z0 += z * w;
        z1 += z * w * l.steps;
    }
    let det = w0 * w2 - w1 * w1;
    if det <= 0.0 {
        return None;
    }
    let slope = (z1 * w0 - z0 * w1) / det;
    let slope = if free { slope } else { Complex64::new(0.0, slope.im) };
    let level = (z0 - slope * w1) / w0;
    let misfit = lines
        .iter()
        .map(|l| {
            let expected = shape(l.steps) * (level + slope * l.steps).exp() * power(l.steps);
            (l.value - expected).norm_sqr() / (l.u * l.u + doubt * doubt * expected.norm_sqr())
        })
        .sum();
    let ln_ratio = guess.norm().ln() + slope.re;
    Some(Fit { misfit, ln_ratio, variance: w0 / det })
}

/// Lines of √(1 + s² + 2s·cos φ) over its first, `steps` above it; zero order is the first itself.
fn envelope_lines(s: f64) -> [f64; MOST] {
    const POINTS: u32 = 128;
    let line = |k: usize| -> f64 {
        (0..POINTS)
            .map(|i| {
                let phi = 2.0 * PI * (f64::from(i) + 0.5) / f64::from(POINTS);
                (1.0 + s * s + 2.0 * s * phi.cos()).sqrt() * (k as f64 * phi).cos()
            })
            .sum()
    };
    let first = line(1);
    std::array::from_fn(|i| (line(i + 1) / first).abs())
}

/// How many soundings stand for one.
fn crowd(soundings: usize) -> f64 {
    (soundings as f64 / INDEPENDENT).max(1.0)
}

/// χ² of the note's level on its way down behind `path` when the lock range is ±`lock_hz`; `scatter` is the doubt of
/// one sounding, nepers.
pub fn level_misfit(soundings: &[Sounding], path: HighPass, lock_hz: f64, scatter: f64) -> f64 {
    let (mut w0, mut w1, mut w2) = (0.0, 0.0, 0.0);
    let crowd = crowd(soundings.len());
    for s in soundings {
        let ratio = adler::line_ratio(s.frequency_hz, lock_hz);
        let z = s.amplitude.ln() - adler::first_line(ratio).ln() - path.level(s.frequency_hz);
        let w = 1.0 / ((s.u / s.amplitude).powi(2) + crowd * scatter * scatter + s.haste().powi(2));
        w0 += w;
        w1 += w * z;
        w2 += w * z * z;
    }
    if w0 > 0.0 { (w2 - w1 * w1 / w0).max(0.0) } else { 0.0 }
}

/// χ² of the second and third harmonic on the way down when their ratio to the note is `ratio(frequency)` and its
/// square, without the path's tilt.
pub fn swelling_misfit(
    soundings: &[Sounding],
    path: HighPass,
    ratio: &dyn Fn(f64) -> f64,
    third: &dyn Fn(f64) -> f64,
) -> f64 {
    soundings
        .iter()
        .map(|s| {
            let f = s.frequency_hz;
            let expected = [ratio(f), third(f)];
            s.harmonics
                .iter()
                .zip(expected)
                .zip([2.0, 3.0])
                .map(|((&(level, u), expected), k)| {
                    let expected = expected * s.amplitude * (path.level(k * f) - path.level(f)).exp();
                    // A level is never negative: what noise alone gives counts as nothing.
                    let level = (level * level - 2.0 * u * u).max(0.0).sqrt();
                    let misfit =
                        (level - expected).powi(2) / (u * u + (expected * (0.06 + s.haste())).powi(2));
                    misfit.min(OUTLIER)
                })
                .sum::<f64>()
        })
        .sum()
}

/// The steady ratios to the note, without the path's tilt, that fit the second and third harmonic on the way down best.
pub fn standing_ratios(soundings: &[Sounding], path: HighPass) -> (f64, f64) {
    let ratio = |i: usize| {
        let k = (i + 2) as f64;
        let (mut above, mut below) = (0.0, 0.0);
        for s in soundings {
            let (level, u) = s.harmonics[i];
            let tilt = s.amplitude * (path.level(k * s.frequency_hz) - path.level(s.frequency_hz)).exp();
            let weight = 1.0 / (u * u + (level * 0.06).powi(2));
            above += weight * tilt * (level * level - 2.0 * u * u).max(0.0).sqrt();
            below += weight * tilt * tilt;
        }
        above / below.max(1e-300)
    };
    (ratio(0), ratio(1))
}

/// Mean over the paths of a value of the law behind each.
fn mean(paths: &[Weighed], law: &dyn Fn(HighPass) -> Option<Fit>, value: &dyn Fn(&Fit) -> f64) -> f64 {
    let (sum, weight) = paths
        .iter()
        .filter(|w| w.weight > 1e-6)
        .filter_map(|w| Some((w.weight, value(&law(w.path)?))))
        .fold((0.0, 0.0), |(s, n), (w, v)| (s + w * v, n + w));
    sum / weight.max(1e-300)
}

/// Everything about a rest that is asked: its note, harmonics and the way down to it.
pub struct Evidence<'a> {
    pub heard_hz: f64,
    pub u_hz: f64,
    pub overtones: &'a [Overtone],
    pub soundings: &'a [Sounding],
}

impl Evidence<'_> {
    /// Whether the path's tilt at the note was learnt on the way down.
    fn learnt(&self) -> bool {
        let (mut low, mut high) = (f64::INFINITY, 0.0f64);
        self.soundings.iter().for_each(|s| {
            low = low.min(s.frequency_hz);
            high = high.max(s.frequency_hz);
        });
        self.soundings.len() >= 8 && low < 1.4 * self.heard_hz && high > 2.5 * self.heard_hz
    }

    /// Paths weighed by the level on the way down and by `harmonics`, which gives χ² and the lock range for a path.
    fn paths(&self, harmonics: &dyn Fn(HighPass) -> (f64, f64)) -> (Vec<Weighed>, f64) {
        let mut scatter = SOUNDING;
        let mut found = Vec::new();
        let free = self.soundings.len() as f64 / crowd(self.soundings.len());
        for _ in 0..3 {
            let level = |path, lock_hz| level_misfit(self.soundings, path, lock_hz, scatter);
            found = spread(&mut |path| {
                let (misfit, lock_hz) = harmonics(path);
                misfit + level(path, lock_hz)
            });
            let best = found.iter().min_by(|a, b| a.misfit.total_cmp(&b.misfit));
            let left = best.map_or(0.0, |w| level(w.path, harmonics(w.path).1));
            if left < 1.5 * free.max(1.0) {
                break;
            }
            // The level did not only follow the path: it counts for as much as it holds.
            scatter *= (left / free.max(1.0)).sqrt();
        }
        (found, scatter)
    }

    /// The pulling undone, or `None` where the note is not pulled or nobody could tell.
    pub fn judge(&self) -> Option<Pull> {
        let plain = self.overtones.iter().filter(|o| o.order > 1 && o.ratio.norm() > PLAIN * o.u).count();
        if plain < 2 {
            return None;
        }
        let doubt = if self.learnt() { LEARNT } else { UNLEARNT };
        let f = self.heard_hz;
        let pulled = |path: HighPass| {
            fit_law(&straightened(self.overtones, f, path), &|_| 1.0, true, LAW_DOUBTS * doubt)
                .filter(|fit| fit.ln_ratio < -0.02)
        };
        let (paths, scatter) = self.paths(&|path| {
            pulled(path).map_or((1e9, 0.0), |fit| (fit.misfit, adler::lock_hz(f, fit.ln_ratio.exp())))
        });
        let best = paths.iter().min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
        let fit = pulled(best.path)?;
        let free = 2.0 * self.overtones.len() as f64 - 4.0;
        if fit.misfit > free + 5.0 * (2.0 * free.max(1.0)).sqrt() + 5.0 {
            return None;
        }
        let shapes: Vec<[f64; MOST]> = (1..=10).map(|i| envelope_lines(0.1 * f64::from(i))).collect();
        let envelope = |path: HighPass| {
            let lines = straightened(self.overtones, f, path);
            shapes
                .iter()
                .filter_map(|shape| {
                    fit_law(&lines, &|steps| shape[steps as usize], false, LAW_DOUBTS * doubt)
                })
                .map(|fit| fit.misfit)
                .fold(1e9, f64::min)
        };
        let mut as_envelope = |path| envelope(path) + level_misfit(self.soundings, path, 0.0, scatter);
        if fits_within(best.misfit + DECISIVE, &mut as_envelope) {
            return None;
        }
        let typical = mean(&paths, &pulled, &|fit| fit.ln_ratio);
        let variance = mean(&paths, &pulled, &|fit| fit.variance + (fit.ln_ratio - typical).powi(2));
        let ratio = typical.exp();
        let lock_hz = adler::lock_hz(f, ratio);
        let swells = self.swells(best.path, lock_hz);
        if swells < -DECISIVE || plain < 3 && swells < DECISIVE {
            return None;
        }
        let u_ratio = ratio * variance.sqrt().hypot(doubt);
        let offset_hz = adler::true_offset_hz(f, ratio);
        let u_hz = (self.u_hz * offset_hz / f).hypot(adler::slope_hz(f, ratio) * u_ratio);
        (offset_hz - f > 3.0 * u_hz).then_some(Pull { ratio, lock_hz, offset_hz, u_hz })
    }

    /// How much better the harmonics on the way down fit swelling as those of a pulled note than standing at what they
    /// are in the rest (difference of χ²).
    fn swells(&self, path: HighPass, lock_hz: f64) -> f64 {
        let above: Vec<Sounding> =
            self.soundings.iter().filter(|s| s.frequency_hz > 1.3 * self.heard_hz).copied().collect();
        let lines = straightened(self.overtones, self.heard_hz, path);
        let at = |steps: f64| lines.iter().find(|l| (l.steps - steps).abs() < 0.5).map(|l| l.value.norm());
        let (Some(second), third) = (at(1.0), at(2.0).unwrap_or(0.0)) else { return 0.0 };
        let ratio = |f: f64| adler::line_ratio(f, lock_hz);
        swelling_misfit(&above, path, &|_| second, &|_| third)
            - swelling_misfit(&above, path, &ratio, &|f| ratio(f).powi(2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The second harmonic of a pulled note passes a station's 500 Hz on its way down: that one sounding must not make it one
    /// whose harmonics stand.
    #[test]
    fn one_harmonic_beside_a_tone_tells_nothing() {
        let path = HighPass { corner_hz: 1.0, order: 2 };
        let (lock_hz, heard_hz) = (35.0, 40.0);
        let sounding = |f: f64| {
            let ratio = adler::line_ratio(f, lock_hz);
            let level = |k: i32| (0.2 * ratio.powi(k), 0.012);
            let beside = (f - 250.0).abs() < 10.0;
            let second = if beside { (0.16, 0.004) } else { level(1) };
            Sounding {
                at_s: 0.0,
                frequency_hz: f,
                rate: 0.0,
                amplitude: 0.2,
                u: 0.01,
                harmonics: [second, level(2)],
                density: 1e-9,
            }
        };
        let soundings: Vec<Sounding> = (0..28).map(|i| sounding(53.0 * 1.082f64.powi(i))).collect();
        assert!(soundings.iter().any(|s| s.harmonics[0].0 > 0.15));
        let ratio = |f: f64| adler::line_ratio(f, lock_hz);
        let at_rest = ratio(heard_hz);
        let standing = swelling_misfit(&soundings, path, &|_| at_rest, &|_| at_rest * at_rest);
        let pulled = swelling_misfit(&soundings, path, &ratio, &|f| ratio(f).powi(2));
        assert!(standing > pulled + DECISIVE, "{standing} {pulled}");
    }
}
