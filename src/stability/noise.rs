//! Which kind of power-law noise it is, from the lag-1 autocorrelation of the phase.
//!
//! W. J. Riley and C. A. Greenhall, "Power law noise identification using the lag 1 autocorrelation", 18th European
//! Frequency and Time Forum (2004); NIST SP 1065 (2008), 5.5.6.

use super::series::PhaseSeries;
use serde::{Deserialize, Serialize};

/// The kind of noise, by the exponent α of its frequency spectrum, `S_y(f)` ∝ f^α.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noise {
    /// α = 2: white noise of the phase.
    WhitePhase,
    /// α = 1: flicker noise of the phase.
    FlickerPhase,
    /// α = 0: white noise of the frequency.
    WhiteFrequency,
    /// α = −1: flicker noise of the frequency.
    FlickerFrequency,
    /// α = −2 and beyond: a random walk of the frequency.
    RandomWalkFrequency,
}

impl Noise {
    /// α.
    pub fn alpha(self) -> i32 {
        match self {
            Self::WhitePhase => 2,
            Self::FlickerPhase => 1,
            Self::WhiteFrequency => 0,
            Self::FlickerFrequency => -1,
            Self::RandomWalkFrequency => -2,
        }
    }

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::WhitePhase => "white phase",
            Self::FlickerPhase => "flicker phase",
            Self::WhiteFrequency => "white frequency",
            Self::FlickerFrequency => "flicker frequency",
            Self::RandomWalkFrequency => "random walk",
        }
    }

    fn of_alpha(alpha: f64) -> Self {
        match alpha.round() as i32 {
            2.. => Self::WhitePhase,
            1 => Self::FlickerPhase,
            0 => Self::WhiteFrequency,
            -1 => Self::FlickerFrequency,
            _ => Self::RandomWalkFrequency,
        }
    }
}

/// Fewest values that tell a kind of noise (SP 1065, 5.5.6).
const FEWEST: usize = 30;

/// The kind of noise at the averaging factor `m`, from the longest stretch without a gap; `None` where too few phases
/// m apart are left.
pub fn kind_of_noise(series: &PhaseSeries, m: usize) -> Option<Noise> {
    let mut z: Vec<f64> = series.longest().iter().copied().step_by(m).collect();
    if z.len() < FEWEST {
        return None;
    }
    // A steady frequency and its steady drift are no noise.
    take_parabola_out(&mut z);
    let mut differenced = 0.0;
    loop {
        let r = lag_one(&z);
        let rho = r / (1.0 + r);
        if rho < 0.25 || differenced >= 2.0 {
            // z has the spectrum f^p with p = −2(ρ + d); phase is two powers below frequency.
            return Some(Noise::of_alpha(-2.0 * (rho + differenced) + 2.0));
        }
        z = z.windows(2).map(|pair| pair[1] - pair[0]).collect();
        differenced += 1.0;
    }
}

/// Autocorrelation at lag one.
fn lag_one(z: &[f64]) -> f64 {
    let mean = z.iter().sum::<f64>() / z.len() as f64;
    let own: f64 = z.iter().map(|z| (z - mean).powi(2)).sum();
    let next: f64 = z.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    if own > 0.0 { next / own } else { 0.0 }
}

/// Takes the best parabola out: the first three orthogonal polynomials on evenly spaced points (Gram 1883).
fn take_parabola_out(z: &mut [f64]) {
    let n = z.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let bow = (n * n - 1.0) / 12.0;
    let shapes: [fn(f64, f64) -> f64; 3] = [|_, _| 1.0, |t, _| t, |t, bow| t * t - bow];
    for shape in shapes {
        let value = |i: usize| shape(i as f64 - middle, bow);
        let (mut along, mut own) = (0.0, 0.0);
        for (i, z) in z.iter().enumerate() {
            along += z * value(i);
            own += value(i).powi(2);
        }
        for (i, z) in z.iter_mut().enumerate() {
            *z -= along / own * value(i);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stability::testing::{Chance, power_law};

    /// Noise made to order (N. J. Kasdin, Proc. IEEE 83(5), 1995) is told for what it is at small averaging factors.
    #[test]
    fn noise_made_to_order_is_told() {
        for noise in [
            Noise::WhitePhase,
            Noise::FlickerPhase,
            Noise::WhiteFrequency,
            Noise::FlickerFrequency,
            Noise::RandomWalkFrequency,
        ] {
            let found = (0..20)
                .filter(|&seed| {
                    let x = power_law(noise.alpha(), 1024, &mut Chance::new(seed));
                    let x: Vec<Option<f64>> = x.into_iter().map(Some).collect();
                    kind_of_noise(&PhaseSeries::from_phase(&x, 1.0), 1) == Some(noise)
                })
                .count();
            assert!(found >= 18, "{noise:?}: {found} of 20");
        }
    }

    #[test]
    fn a_drift_is_no_noise_and_few_points_tell_nothing() {
        let mut chance = Chance::new(5);
        let mut x = power_law(2, 300, &mut chance);
        for (i, x) in x.iter_mut().enumerate() {
            *x += 1000.0 * i as f64 + 3.0 * (i * i) as f64;
        }
        let x: Vec<Option<f64>> = x.into_iter().map(Some).collect();
        let series = PhaseSeries::from_phase(&x, 1.0);
        assert_eq!(kind_of_noise(&series, 1), Some(Noise::WhitePhase));
        assert_eq!(kind_of_noise(&series, 11), None);
    }
}
