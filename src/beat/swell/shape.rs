//! What two carriers do to a programme, and what the swell's own lines say of it.
//!
//! A carrier of amplitude 1 with the programme on it and a bare one of amplitude r, φ apart: their sum has the
//! envelope ρ = √(1 + r² + 2r·cos φ), and of the programme's sidebands an envelope detector passes
//! g = (1 + r·cos φ)/ρ. A gain control that holds the carrier steady divides that by ρ once more. Both are even in φ,
//! so all lines of the swell have one phase; without gain control the line at 2f is the stronger one where r is small
//! (g ≈ 1 − ½r²·sin²φ) or large, and with r a little over 1 the third may be. So the strongest line, at F, may be the
//! beat at F or two, three or four times a beat below: all these shapes are fitted to the lines at F and at fractions
//! of it, with r, the gain control and a floor of noise free.

use num_complex::Complex64;
use std::f64::consts::PI;

/// A line of the swell: its order (1 for the one that was followed), its complex amplitude, the variance of either part.
pub type Line = (f64, Complex64, f64);
/// Highest order of the beat that a line may be.
const LINES: usize = 16;
/// What the followed line may be of the beat.
const MULTIPLES: [usize; 4] = [1, 2, 3, 4];
/// Receivers differ: the lines need not fit better than this part of the strongest.
const LIKENESS: f64 = 0.05;
/// Floors of noise under the programme, in power.
const FLOORS: [f64; 3] = [0.003, 0.03, 0.15];
/// Operators make the carriers about equal: the ratio is within a factor of three or so of 1.
const RATIO_SPREAD: f64 = 1.1;
/// How far the part of the sound that swells, by its weight, is likely to be from all of it (of its logarithm).
const SHARE_SPREAD: f64 = 0.7;
/// A difference of misfits below which both answers stand.
const UNDECIDED: f64 = 9.0;

/// How the lines are explained best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    /// Weaker of meter's carrier over station's.
    pub ratio: f64,
    pub agc: bool,
    /// Misfit plus what is unlikely about the ratio.
    pub cost: f64,
    /// The smallest misfit of any ratio: what the sound alone says.
    pub misfit: f64,
}

/// What the line at F is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    /// The beat over F: 1, ½, ⅓ or ¼.
    pub beat: f64,
    /// The other answer over F, where the sound allows it.
    pub other: Option<f64>,
    pub shape: Shape,
}

/// Amplitude gain of the programme.
pub fn gain(ratio: f64, agc: bool, phase: f64) -> f64 {
    let c = phase.cos();
    let carrier = (1.0 + ratio * ratio + 2.0 * ratio * c).max(1e-6).sqrt();
    let g = (1.0 + ratio * c) / carrier;
    if agc { g / carrier } else { g }
}

/// One shape that two carriers can give a swell.
struct Model {
    ratio: f64,
    agc: bool,
    lines: [f64; LINES],
}

/// Lines of the swell's logarithm over a floor of noise (relative to the mean power), nepers.
fn lines(ratio: f64, agc: bool, floor: f64) -> [f64; LINES] {
    const POINTS: usize = 48;
    let angle = |i: usize| PI * (i as f64 + 0.5) / POINTS as f64;
    let powers: Vec<f64> = (0..POINTS).map(|i| gain(ratio, agc, angle(i)).powi(2)).collect();
    let mean = powers.iter().sum::<f64>() / POINTS as f64;
    let mut out = [0.0; LINES];
    for (i, p) in powers.iter().enumerate() {
        let y = 0.5 * (p + floor * mean).ln() * 2.0 / POINTS as f64;
        // cos (k + 1)a = 2·cos a·cos ka − cos (k − 1)a
        let twice = 2.0 * angle(i).cos();
        let (mut before, mut now) = (1.0, 0.5 * twice);
        for line in &mut out {
            *line += y * now;
            (before, now) = (now, twice * now - before);
        }
    }
    out
}

/// All shapes that are tried: ratios from 1/60 to 4, a ninth apart.
fn models() -> Vec<Model> {
    let mut models = Vec::new();
    for agc in [false, true] {
        for i in -36..=12 {
            let ratio = 2f64.powf(f64::from(i) / 6.0 + 0.04);
            models.extend(FLOORS.map(|floor| Model { ratio, agc, lines: lines(ratio, agc, floor) }));
        }
    }
    models
}

/// Cost of the lines `seen` if the followed one is the `multiple`-th of the beat's.
fn cost(seen: &[Line], multiple: usize, models: &[Model]) -> Shape {
    let most = seen.iter().map(|s| s.1.norm()).fold(0.0, f64::max);
    let doubt = |v: f64| v + (LIKENESS * most).powi(2);
    let order = |l: &Line| l.0 * multiple as f64;
    let whole = |l: &&Line| (order(l) - order(l).round()).abs() < 0.01 && order(l) < LINES as f64 + 0.5;
    let idle: f64 = seen.iter().filter(|l| !whole(l)).map(|l| l.1.norm_sqr() / doubt(l.2)).sum();
    let mine: Vec<(usize, Complex64, f64)> =
        seen.iter().filter(whole).map(|l| (order(l).round() as usize, l.1, doubt(l.2))).collect();
    let none = f64::INFINITY;
    let mut best = Shape { ratio: 1.0, agc: false, cost: none, misfit: none };
    for model in models {
        let misfit = idle + at_best_phase(&mine, &model.lines);
        let total = misfit + (model.ratio.ln() / RATIO_SPREAD).powi(2);
        let least = misfit.min(best.misfit);
        if total < best.cost {
            best = Shape { ratio: model.ratio, agc: model.agc, cost: total, misfit: least };
        }
        best.misfit = least;
    }
    best
}

fn at_best_phase(mine: &[(usize, Complex64, f64)], model: &[f64; LINES]) -> f64 {
    // Channels without the programme, which hear only noise, make all lines smaller by one factor.
    let misfit = |phase: f64| {
        let (mut along, mut size, mut all) = (0.0, 0.0, 0.0);
        for (k, c, v) in mine {
            let m = Complex64::from_polar(1.0, *k as f64 * phase) * model[k - 1];
            along += (c * m.conj()).re / v;
            size += m.norm_sqr() / v;
            all += c.norm_sqr() / v;
        }
        let share = (along / size.max(1e-300)).clamp(0.1, 1.0);
        (all - 2.0 * share * along + share * share * size).max(0.0) + (share.ln() / SHARE_SPREAD).powi(2)
    };
    // The phase of the strongest line leaves as many choices as its order.
    let size = |l: &(usize, Complex64, f64)| (model[l.0 - 1] * l.1.norm()).abs();
    let Some(top) = mine.iter().max_by(|a, b| size(a).total_cmp(&size(b))) else {
        return 0.0;
    };
    let turned = top.1.arg() + if model[top.0 - 1] < 0.0 { PI } else { 0.0 };
    (0..top.0).map(|m| misfit((turned + 2.0 * PI * m as f64) / top.0 as f64)).fold(f64::INFINITY, f64::min)
}

/// Decides what the followed line is of the beat.
pub fn judge(seen: &[Line]) -> Verdict {
    // A beat whose own first line was not looked at can't be weighed.
    let looked_at = |beat: &f64| seen.iter().any(|l| (l.0 - beat).abs() < 0.01);
    let models = models();
    let mut ranked: Vec<(f64, Shape)> = MULTIPLES
        .iter()
        .filter(|m| looked_at(&(**m as f64).recip()))
        .map(|&m| ((m as f64).recip(), cost(seen, m, &models)))
        .collect();
    ranked.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
    // Which is likelier depends on what operators do; whether the other is possible, on the sound alone.
    let possible = |r: &&(f64, Shape)| r.1.misfit - ranked[0].1.misfit < UNDECIDED;
    let other = ranked[1..].iter().find(possible).map(|r| r.0);
    Verdict { beat: ranked[0].0, other, shape: ranked[0].1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A brute-force envelope detector: two carriers of which one is modulated by 1 % at an angle-independent rate;
    /// the modulation of the sum's magnitude over that of the carrier alone.
    #[test]
    fn the_gain_is_that_of_an_envelope_detector() {
        for ratio in [0.3, 0.9, 1.7] {
            for i in 0..12 {
                let phase = 0.5 * f64::from(i) + 0.1;
                let sum =
                    |m: f64| (Complex64::new(1.0 + m, 0.0) + Complex64::from_polar(ratio, phase)).norm();
                let detected = (sum(1e-5) - sum(-1e-5)) / 2e-5;
                assert!((detected - gain(ratio, false, phase)).abs() < 1e-6, "{ratio} {phase}");
            }
        }
    }

    /// Series of the logarithm by hand: ln ρ = −Σ(−r)^k·cos kφ/k, ln(1 + r·cos φ) = … 2Σ(−1)^(k+1)·q^k·cos kφ/k with
    /// q = (1 − √(1 − r²))/r; for r = 0.6 the first two lines are 2/3 − 0.6 and −1/9 + 0.18.
    #[test]
    fn lines_by_hand() {
        let found = lines(0.6, false, 0.0);
        assert!((found[0] - (2.0 / 3.0 - 0.6)).abs() < 1e-9 && (found[1] - (0.18 - 1.0 / 9.0)).abs() < 1e-9);
        let found = lines(0.6, true, 0.0);
        assert!((found[0] - (2.0 / 3.0 - 1.2)).abs() < 1e-9 && (found[1] - (0.36 - 1.0 / 9.0)).abs() < 1e-9);
    }

    /// Lines of a swell of which the `multiple`-th is the one that was followed.
    fn seen(ratio: f64, agc: bool, multiple: usize, variance: f64) -> Vec<Line> {
        let model = lines(ratio, agc, 0.01);
        super::super::ORDERS
            .iter()
            .map(|&order| {
                let k = order * multiple as f64;
                let whole = (k - k.round()).abs() < 0.01 && k < 16.5;
                let h = if whole { model[k.round() as usize - 1] } else { 0.0 };
                (order, Complex64::from_polar(1.0, 0.7 * k) * h, variance)
            })
            .collect()
    }

    #[test]
    fn the_beat_is_told_from_its_multiples_where_the_lines_allow_it() {
        let cases =
            [(0.3, false), (0.5, false), (1.0, false), (2.5, false), (0.3, true), (0.7, true), (1.6, true)];
        for (ratio, agc) in cases {
            // The line that is followed is the strongest one.
            let model = lines(ratio, agc, 0.01);
            let strongest =
                (0..LINES).max_by(|&a, &b| model[a].abs().total_cmp(&model[b].abs())).expect("lines");
            let verdict = judge(&seen(ratio, agc, strongest + 1, 1e-6));
            let right = 1.0 / (strongest as f64 + 1.0);
            assert!((verdict.beat - right).abs() < 1e-9, "{ratio} {agc} {strongest} {verdict:?}");
        }
    }

    #[test]
    fn a_faint_swell_has_two_answers() {
        let verdict = judge(&seen(0.2, false, 2, 2e-5));
        let both = [Some(verdict.beat), verdict.other];
        assert!(both.contains(&Some(0.5)) && verdict.other.is_some(), "{verdict:?}");
    }
}
