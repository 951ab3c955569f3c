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
        let unit = |cycles: f64| Complex64::from_polar(1.0, 2.0 * PI * cycles);
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

#[cfg(test)]
mod tests {
    use super::*;

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
