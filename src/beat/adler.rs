//! Two oscillators that pull each other: what the beat note then is.
//!
//! Adler (Proc. IRE 34(6) 351–357, June 1946) gives the phase between them, dθ/dt = 2π(Δ − L·sin θ), with Δ the offset
//! there would be without coupling and L half the width of the range in which they lock. For Δ > L the beat that is
//! heard is f = √(Δ² − L²), and its lines fall off in one constant ratio r = L/(Δ + f) (Armand, Proc. IEEE 57(5)
//! 798–799, May 1969): e^(jθ) = (1 − r²)·Σ ρ^(k−1)·e^(j2πkft) besides a steady part, |ρ| = r. So the note carries in
//! its own harmonics what it has been pulled by.

/// Ratio of successive lines when `heard_hz` is heard and the lock range is ±`lock_hz`.
pub fn line_ratio(heard_hz: f64, lock_hz: f64) -> f64 {
    lock_hz / (heard_hz + heard_hz.hypot(lock_hz))
}

/// The offset without coupling, Hz.
pub fn true_offset_hz(heard_hz: f64, ratio: f64) -> f64 {
    heard_hz * (1.0 + ratio * ratio) / (1.0 - ratio * ratio)
}

/// d(true offset)/d(ratio), Hz.
pub fn slope_hz(heard_hz: f64, ratio: f64) -> f64 {
    4.0 * heard_hz * ratio / (1.0 - ratio * ratio).powi(2)
}

/// Half the width of the lock range, Hz.
pub fn lock_hz(heard_hz: f64, ratio: f64) -> f64 {
    2.0 * heard_hz * ratio / (1.0 - ratio * ratio)
}

/// Level of the first line beside that of an oscillator left alone.
pub fn first_line(ratio: f64) -> f64 {
    1.0 - ratio * ratio
}

#[cfg(test)]
mod tests {
    use super::*;

    /// K = Δ/L, f/Δ, r, dB from line to line, 1 − r²: the closed forms of Adler (1946) and Armand (1969), which an
    /// integration of Adler's equation and a transform over whole beats gave to the same six digits.
    const TABLE: [(f64, f64, f64, f64, f64); 7] = [
        (1.001, 0.044_688, 0.956_267, 0.388, 0.085_553),
        (1.05, 0.304_911, 0.729_844, 2.735, 0.467_328),
        (1.1, 0.416_598, 0.641_742, 3.853, 0.588_167),
        (1.25, 0.600_000, 0.500_000, 6.021, 0.750_000),
        (2.0, 0.866_025, 0.267_949, 11.439, 0.928_203),
        (3.0, 0.942_809, 0.171_573, 15.311, 0.970_563),
        (10.0, 0.994_987, 0.050_126, 25.999, 0.997_487),
    ];

    #[test]
    fn the_lines_of_a_pulled_beat() {
        for (k, beat, ratio, step_db, first) in TABLE {
            let lock = 30.0;
            let heard = beat * k * lock;
            let r = line_ratio(heard, lock);
            // Six printed digits of the beat, and K = 1.001 makes the most of them.
            assert!((r - ratio).abs() < 2e-6, "K = {k}: {r}");
            assert!((-20.0 * r.log10() - step_db).abs() < 6e-4, "K = {k}");
            assert!((first_line(r) - first).abs() < 3e-6, "K = {k}");
            assert!((true_offset_hz(heard, ratio) / (k * lock) - 1.0).abs() < 3e-5, "K = {k}");
            assert!((lock_hz(heard, ratio) / lock - 1.0).abs() < 3e-5, "K = {k}");
        }
    }

    /// A case worked elsewhere: 100 kHz apart with 60 kHz of lock beat at 80 kHz, each line 9.54 dB under the last.
    #[test]
    fn a_worked_case() {
        let r = line_ratio(80e3, 60e3);
        assert!((r - 1.0 / 3.0).abs() < 1e-12 && (-20.0 * r.log10() - 9.54).abs() < 0.005);
        assert!((true_offset_hz(80e3, r) - 100e3).abs() < 1e-6);
        let step = 1e-6;
        let slope = (true_offset_hz(80e3, r + step) - true_offset_hz(80e3, r - step)) / (2.0 * step);
        assert!((slope / slope_hz(80e3, r) - 1.0).abs() < 1e-6);
    }

    /// Adler's equation itself, integrated in small steps over one beat and resolved into its lines.
    #[test]
    fn the_equation_gives_these_lines() {
        let (delta, lock, steps) = (1.25f64, 1.0f64, 200_000);
        let heard = (delta * delta - lock * lock).sqrt();
        let h = 1.0 / heard / f64::from(steps);
        let speed = |p: f64| 2.0 * std::f64::consts::PI * (delta - lock * p.sin());
        let (mut theta, mut lines) = (0.3f64, [num_complex::Complex64::default(); 4]);
        for i in 0..steps {
            for (k, line) in lines.iter_mut().enumerate() {
                let turn = -2.0 * std::f64::consts::PI * k as f64 * f64::from(i) / f64::from(steps);
                *line += num_complex::Complex64::from_polar(1.0 / f64::from(steps), theta + turn);
            }
            let middle = theta + 0.5 * h * speed(theta);
            theta += h * speed(middle);
        }
        let r = line_ratio(heard, lock);
        assert!((lines[1].norm() - first_line(r)).abs() < 1e-6);
        assert!((lines[2].norm() / lines[1].norm() - r).abs() < 1e-6);
        assert!((lines[3].norm() / lines[2].norm() - r).abs() < 1e-6);
        assert!((lines[3] * lines[1] / (lines[2] * lines[2]) - 1.0).norm() < 1e-5);
    }
}
