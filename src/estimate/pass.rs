//! What block means hold of a line and of its mirror image, neighbouring blocks side by side.

use super::blocks::BlockSums;
use super::linear::ROWS;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Real and imaginary parts of what stands in neighbouring blocks, as many as are worked on side by side.
pub type Parts = [[f64; ROWS]; 2];

/// What the means over a block pass of a line and of its mirror image, about the frequency that it was guessed at: the
/// exact figures cost four sines, a parabola is as good as far as a block turns by less than [`BENT`] more.
#[derive(Debug, Clone)]
pub struct Pass {
    about_hz: f64,
    within_hz: f64,
    near: [f64; 3],
    image: [f64; 3],
}

/// Half the turn over a block, rad, up to which a parabola stands for the kernel: its error is below 2e-4 there.
const BENT: f64 = 0.4;

impl Pass {
    pub fn new(sums: &BlockSums, frequency: f64) -> Self {
        let step = BENT / (PI * sums.block_s());
        let parabola = |about: f64| {
            let [a, b, c] = [-step, 0.0, step].map(|d| sums.kernel(about + d));
            [b, (c - a) / (2.0 * step), (a - 2.0 * b + c) / (2.0 * step * step)]
        };
        Self {
            about_hz: frequency,
            within_hz: step,
            near: parabola(frequency - sums.carrier_hz()),
            image: parabola(frequency + sums.carrier_hz()),
        }
    }

    /// The factors for the line at some frequencies, and for its image.
    #[inline(always)]
    pub fn at(&self, sums: &BlockSums, frequency: &[f64; ROWS]) -> [[f64; ROWS]; 2] {
        let (mut near, mut image, mut furthest) = ([0.0; ROWS], [0.0; ROWS], 0.0f64);
        for i in 0..ROWS {
            let d = frequency[i] - self.about_hz;
            near[i] = self.near[0] + d * (self.near[1] + d * self.near[2]);
            image[i] = self.image[0] + d * (self.image[1] + d * self.image[2]);
            furthest = furthest.max(d.abs());
        }
        if furthest > self.within_hz { exactly_at(sums, frequency) } else { [near, image] }
    }

    /// The two terms that a real line leaves in some blocks, for amplitude 1 and for amplitude j: `turn` is e^(j·its phase),
    /// `back` e^(−j·the carrier's phase).
    #[inline(always)]
    pub fn terms(&self, sums: &BlockSums, frequency: &[f64; ROWS], turn: &Parts, back: &Parts) -> [Parts; 2] {
        let [near, image] = self.at(sums, frequency);
        let (mut one, mut j) = ([[0.0; ROWS]; 2], [[0.0; ROWS]; 2]);
        for i in 0..ROWS {
            let (rr, ii) = (turn[0][i] * back[0][i], turn[1][i] * back[1][i]);
            let (ri, ir) = (turn[0][i] * back[1][i], turn[1][i] * back[0][i]);
            let (near, image) = (0.5 * near[i], 0.5 * image[i]);
            let (near_re, near_im) = ((rr - ii) * near, (ri + ir) * near);
            let (image_re, image_im) = ((rr + ii) * image, (ri - ir) * image);
            (one[0][i], one[1][i]) = (near_re + image_re, near_im + image_im);
            (j[0][i], j[1][i]) = (image_im - near_im, near_re - image_re);
        }
        [one, j]
    }
}

/// The factors of [`Pass::at`], however far off.
#[cold]
fn exactly_at(sums: &BlockSums, frequency: &[f64; ROWS]) -> [[f64; ROWS]; 2] {
    [-sums.carrier_hz(), sums.carrier_hz()].map(|carrier_hz| frequency.map(|f| sums.kernel(f + carrier_hz)))
}

/// A product of parts with real numbers.
#[inline(always)]
pub fn scaled(z: &Parts, by: &[f64; ROWS]) -> Parts {
    let mut product = *z;
    for part in &mut product {
        for i in 0..ROWS {
            part[i] *= by[i];
        }
    }
    product
}

/// Adds the product of a complex amplitude with a line's two terms.
#[inline(always)]
pub fn add_times(sum: &mut Parts, a: Complex64, [one, j]: &[Parts; 2]) {
    for part in 0..2 {
        for i in 0..ROWS {
            sum[part][i] += one[part][i] * a.re + j[part][i] * a.im;
        }
    }
}

/// The product of a complex amplitude with a line's two terms.
#[inline(always)]
pub fn times(a: Complex64, terms: &[Parts; 2]) -> Parts {
    let mut product = [[0.0; ROWS]; 2];
    add_times(&mut product, a, terms);
    product
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The terms of a line, against the means of its samples one by one: near where the parabola was laid, and further off
    /// than it reaches.
    #[test]
    fn the_terms_are_the_means_of_the_line() {
        const RATE_HZ: f64 = 8000.0;
        for (line_hz, guess_hz) in [(208.3, 207.9), (187.0, 208.0), (61.3, 60.0)] {
            for amplitude in [Complex64::ONE, Complex64::i(), Complex64::new(0.3, -0.8)] {
                let turn = |s: f64| Complex64::from_polar(1.0, 2.0 * PI * line_hz * s);
                let sound: Vec<f32> =
                    (0..160 * ROWS).map(|i| (amplitude * turn(i as f64 / RATE_HZ)).re as f32).collect();
                let mut sums = BlockSums::new(RATE_HZ, 200.0, 160, 0);
                sums.push(&sound);
                let turned = |hz: f64| -> Parts {
                    let z = |k| Complex64::from_polar(1.0, 2.0 * PI * hz * sums.centre_s(k));
                    [std::array::from_fn(|k| z(k).re), std::array::from_fn(|k| z(k).im)]
                };
                let pass = Pass::new(&sums, guess_hz);
                let terms = pass.terms(&sums, &[line_hz; ROWS], &turned(line_hz), &turned(-200.0));
                let [re, im] = times(amplitude, &terms);
                for k in 0..ROWS {
                    let off = sums.mean(k).expect("a whole block") - Complex64::new(re[k], im[k]);
                    assert!(off.norm() < 3e-4, "{line_hz} {amplitude} {k}: {off}");
                }
            }
        }
    }
}
