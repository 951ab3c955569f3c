//! The turns of a line that slides steadily, instant after instant.

use num_complex::Complex64;
use std::f64::consts::PI;

/// e^(j·phase) at equal steps of time, by two products a step instead of a sine and a cosine.
///
/// Every product rounds: after n steps the phase is off by about n²·10⁻¹⁶ rad, which is nothing for the few thousand steps
/// of a fit.
#[derive(Debug, Clone)]
pub struct Turning {
    now: Complex64,
    step: Complex64,
    bend: Complex64,
}

impl Turning {
    /// For a phase of 2π(f + ½·rate·t)·t, `frequency_hz` being f and `rate` in Hz/s, at t = `from_s` (s) and every `step_s`
    /// after it.
    pub fn new(frequency_hz: f64, rate: f64, from_s: f64, step_s: f64) -> Self {
        Self {
            now: unit((frequency_hz + 0.5 * rate * from_s) * from_s),
            step: unit((frequency_hz + rate * (from_s + 0.5 * step_s)) * step_s),
            bend: unit(rate * step_s * step_s),
        }
    }

    /// The turn now; the next call gives that of the next instant.
    #[inline(always)]
    pub fn turn(&mut self) -> Complex64 {
        let now = self.now;
        self.now *= self.step;
        self.step *= self.bend;
        now
    }
}

/// e^(j2π·cycles).
fn unit(cycles: f64) -> Complex64 {
    Complex64::from_polar(1.0, 2.0 * PI * cycles)
}

/// The turns of `N` neighbouring instants at a time, which do not wait for each other's products: real parts and imaginary
/// parts apart, so that wide registers may hold either.
#[derive(Debug, Clone)]
pub struct Turnings<const N: usize> {
    now: [[f64; N]; 2],
    step: [[f64; N]; 2],
    bend: Complex64,
}

impl<const N: usize> Turnings<N> {
    /// As [`Turning::new`].
    pub fn new(frequency_hz: f64, rate: f64, from_s: f64, step_s: f64) -> Self {
        let leap_s = N as f64 * step_s;
        let mut first = Turning::new(frequency_hz, rate, from_s, step_s);
        // From each to what it is `N` instants later, and by how much more that is with each.
        let mut leaps = Turning {
            now: unit((frequency_hz + rate * (from_s + 0.5 * leap_s)) * leap_s),
            step: unit(rate * step_s * leap_s),
            bend: Complex64::ONE,
        };
        let mut this = Self { now: [[0.0; N]; 2], step: [[0.0; N]; 2], bend: unit(rate * leap_s * leap_s) };
        for i in 0..N {
            let (now, step) = (first.turn(), leaps.turn());
            (this.now[0][i], this.now[1][i]) = (now.re, now.im);
            (this.step[0][i], this.step[1][i]) = (step.re, step.im);
        }
        this
    }

    /// Real and imaginary parts of the turns now; the next call gives those of the `N` instants after them.
    #[inline(always)]
    pub fn turn(&mut self) -> [[f64; N]; 2] {
        let [re, im] = self.now;
        let [by_re, by_im] = self.step;
        for i in 0..N {
            self.now[0][i] = re[i] * by_re[i] - im[i] * by_im[i];
            self.now[1][i] = re[i] * by_im[i] + im[i] * by_re[i];
            self.step[0][i] = by_re[i] * self.bend.re - by_im[i] * self.bend.im;
            self.step[1][i] = by_re[i] * self.bend.im + by_im[i] * self.bend.re;
        }
        [re, im]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Several abreast turn as one after the other do.
    #[test]
    fn several_abreast_are_the_same() {
        let (f, rate, from, dt) = (-170.0, 0.4, -0.3, 1.0 / 8000.0);
        let mut one = Turning::new(f, rate, from, dt);
        let mut four = Turnings::<4>::new(f, rate, from, dt);
        for n in 0..1200 {
            let [re, im] = four.turn();
            for i in 0..4 {
                let off = (Complex64::new(re[i], im[i]) - one.turn()).norm();
                assert!(off < 1e-9, "{n} {i}: {off}");
            }
        }
    }

    /// A fast slide over as many steps as the longest fit has, against the phase itself.
    #[test]
    fn many_steps_end_where_one_does() {
        let (f, rate, from, dt) = (3400.0, -0.7, -40.0, 0.02);
        let mut turning = Turning::new(f, rate, from, dt);
        for i in 0..4096 {
            let t = from + f64::from(i) * dt;
            let cycles = (f + 0.5 * rate * t) * t;
            let truth = Complex64::from_polar(1.0, 2.0 * PI * cycles.fract());
            assert!((turning.turn() - truth).norm() < 1e-7, "{i}");
        }
    }
}
