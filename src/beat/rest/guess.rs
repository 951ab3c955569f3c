//! Where a fit begins: the frequency near the tracker's figure at which the blocks add up highest.

use crate::estimate::BlockSums;
use multiversion::multiversion;
use num_complex::Complex64;
use std::f64::consts::PI;

/// The frequency within `within_hz` of `guess_hz` at which blocks `from..to` add up highest: where a fit has to begin, which
/// would stay on a side lobe.
pub fn strongest_near(sums: &BlockSums, (from, to): (usize, usize), guess_hz: f64, within_hz: f64) -> f64 {
    let step = 0.25 / ((to - from) as f64 * sums.block_s());
    let steps = (within_hz / step) as i32;
    let there = (from..to).filter_map(|k| sums.mean(k));
    // On plain means a steady level would outdo a low note.
    let level = if sums.carrier_hz() > 0.0 {
        Complex64::default()
    } else {
        let (sum, n) = there.fold((Complex64::default(), 0), |(sum, n), z| (sum + z, n + 1));
        sum / f64::from(n.max(1))
    };
    let means: Vec<Complex64> =
        (from..to).map(|k| sums.mean(k).map_or(Complex64::default(), |z| z - level)).collect();
    let tried: Vec<f64> = (-steps..=steps).map(|i| f64::from(i) * step).collect();
    let totals = tried.chunks(SIDE_BY_SIDE).flat_map(|some| {
        let turn = |apart: &f64| {
            let beside_hz = guess_hz + apart - sums.carrier_hz();
            Complex64::from_polar(1.0, -2.0 * PI * beside_hz * sums.block_s())
        };
        totals(&means, std::array::from_fn(|i| some.get(i).map_or(Complex64::ONE, turn)))
    });
    // Nearer counts more: a louder neighbour four hertz off is another line.
    tried
        .iter()
        .zip(totals)
        .map(|(apart, total)| (guess_hz + apart, total / (1.0 + apart * apart)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(guess_hz, |best| best.0)
}

/// Frequencies that are tried side by side.
const SIDE_BY_SIDE: usize = 8;

/// Powers of the sums of the means, each turned by so much more than the one before.
#[multiversion(targets("x86_64+avx2"))]
fn totals(means: &[Complex64], turns: [Complex64; SIDE_BY_SIDE]) -> [f64; SIDE_BY_SIDE] {
    let (turn_re, turn_im) = (turns.map(|t| t.re), turns.map(|t| t.im));
    let (mut re, mut im) = ([1.0; SIDE_BY_SIDE], [0.0; SIDE_BY_SIDE]);
    let (mut sum_re, mut sum_im) = ([0.0; SIDE_BY_SIDE], [0.0; SIDE_BY_SIDE]);
    for z in means {
        for i in 0..SIDE_BY_SIDE {
            sum_re[i] += z.re * re[i] - z.im * im[i];
            sum_im[i] += z.re * im[i] + z.im * re[i];
            let next = (re[i] * turn_re[i] - im[i] * turn_im[i], re[i] * turn_im[i] + im[i] * turn_re[i]);
            (re[i], im[i]) = next;
        }
    }
    std::array::from_fn(|i| sum_re[i] * sum_re[i] + sum_im[i] * sum_im[i])
}
