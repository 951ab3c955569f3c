//! From the meter's error at its check points to its error at another reading.
//!
//! What an error keeps constant depends on its cause. Shunt capacitance (the corrector, a changed tube, age) enters as
//! 1/f² = 4π²L·C, so δf = −2π²L·δC·f³: the error goes as f³. Inductance gives δf/f constant: it goes as f. A slipped
//! dial is constant in divisions: it goes as the slope of the book.
//!
//! One check cannot tell the causes apart: `auto` takes the centre of what the three say and half their spread as a
//! rectangle. Several checks can: each cause, and each mixture of causes, is weighed by how well it explains them
//! (its marginal likelihood, every cause having a normal prior of zero mean and the size of the errors seen, single
//! causes before mixtures), and the answer is the weighted mean. All of this is linear in the errors once the weights
//! stand, so that every input of a check can be followed into the result.

use crate::dial::{BookPoint, Matrix};

/// What a correction is carried over by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Transport {
    /// As f³: shunt capacitance.
    Capacitance,
    /// As f: inductance, or the crystal.
    Ratio,
    /// Constant in divisions: a slipped dial.
    Divisions,
    /// Whatever the checks say.
    #[default]
    Auto,
}

const CAUSES: [Transport; 3] = [Transport::Capacitance, Transport::Ratio, Transport::Divisions];

impl Transport {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Capacitance => "capacitance",
            Self::Ratio => "ratio",
            Self::Divisions => "divisions",
            Self::Auto => "auto",
        }
    }

    /// The error at `point` for one that is 1 at `reference`, by a single cause.
    fn shape(self, point: &BookPoint, reference: &BookPoint) -> f64 {
        match self {
            Self::Capacitance => (point.hertz / reference.hertz).powi(3),
            Self::Divisions => point.slope / reference.slope,
            Self::Ratio | Self::Auto => point.hertz / reference.hertz,
        }
    }
}

/// Odds of one cause alone, a mixture of two and of all three, before the checks are heard.
const PRIOR: [f64; 3] = [0.6, 0.3, 0.1];
/// Size of a cause's prior against the errors seen: wide enough not to pull the answer toward zero.
const PRIOR_WIDTH: f64 = 3.0;

/// The correction at one reading.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Transported {
    /// Weight of each check's error; their weighted sum is the correction.
    pub weights: Vec<f64>,
    /// What not knowing the cause leaves, Hz: a standard uncertainty.
    pub u_hz: f64,
    /// Whether that is a rectangle.
    pub rectangle: bool,
}

/// The errors of the meter at its check points.
#[derive(Debug, Clone)]
pub(super) struct CheckErrors<'a> {
    /// Where they lie.
    pub points: &'a [BookPoint],
    /// True frequency less the book's, Hz.
    pub errors: &'a [f64],
    /// Covariance of the errors, Hz².
    pub covariance: &'a Matrix,
}

impl CheckErrors<'_> {
    /// Carries the errors over to a reading; at least one check.
    pub fn carry(&self, transport: Transport, to: &BookPoint) -> Transported {
        match (transport, self.points) {
            (Transport::Auto, [check]) => self.carry_one(to, check),
            (Transport::Auto, _) => self.weigh_causes(to),
            (cause, _) => self.fit_one_cause(cause, to),
        }
    }

    /// One check, cause unknown: centre and half spread.
    fn carry_one(&self, to: &BookPoint, check: &BookPoint) -> Transported {
        let shapes = CAUSES.map(|cause| cause.shape(to, check));
        let low = shapes.iter().copied().fold(f64::INFINITY, f64::min);
        let high = shapes.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // The error itself is known to its uncertainty only: the spread is that of the largest it may well be.
        let size = self.errors[0].abs() + 2.0 * self.covariance[(0, 0)].sqrt();
        let u_hz = size * (high - low) / 2.0 / 3f64.sqrt();
        Transported { weights: vec![f64::midpoint(low, high)], u_hz, rectangle: true }
    }

    /// The cause is stated: generalised least squares for its one size.
    fn fit_one_cause(&self, cause: Transport, to: &BookPoint) -> Transported {
        let shape: Vec<f64> = self.points.iter().map(|point| cause.shape(point, to)).collect();
        let weighted = self.covariance.solve(&shape);
        let norm: f64 = shape.iter().zip(&weighted).map(|(a, b)| a * b).sum();
        Transported { weights: weighted.iter().map(|w| w / norm).collect(), u_hz: 0.0, rectangle: false }
    }

    /// Several checks, cause unknown: the mean over causes and mixtures, weighted by the evidence for each.
    fn weigh_causes(&self, to: &BookPoint) -> Transported {
        let count = self.points.len();
        let size = self.errors.iter().enumerate().map(|(j, error)| error * error + self.covariance[(j, j)]);
        let tau2 = PRIOR_WIDTH.powi(2) * size.sum::<f64>() / count as f64;
        let mut models = Vec::new();
        for subset in 1u32..8 {
            let causes: Vec<Transport> =
                (0..3).filter(|bit| subset & (1 << bit) != 0).map(|bit| CAUSES[bit]).collect();
            let size = causes.len();
            // As many prior odds as there are mixtures of that size: three, three, one.
            let prior = PRIOR[size - 1] / [3.0, 3.0, 1.0][size - 1];
            models.push(self.model(&causes, prior, tau2, to));
        }
        let best = models.iter().map(|model| model.log_evidence).fold(f64::NEG_INFINITY, f64::max);
        let odds: Vec<f64> = models.iter().map(|model| (model.log_evidence - best).exp()).collect();
        let total: f64 = odds.iter().sum();
        let mut weights = vec![0.0; count];
        for (model, odds) in models.iter().zip(&odds) {
            for (sum, weight) in weights.iter_mut().zip(&model.weights) {
                *sum += odds / total * weight;
            }
        }
        let value = |weights: &[f64]| weights.iter().zip(self.errors).map(|(w, e)| w * e).sum::<f64>();
        let mean = value(&weights);
        let variance: f64 = models
            .iter()
            .zip(&odds)
            .map(|(model, odds)| odds / total * (model.variance + (value(&model.weights) - mean).powi(2)))
            .sum();
        // The checks' own noise is followed into the budget line by line; what remains is the causes'.
        let noise = self.covariance.between(&weights, &weights);
        Transported { weights, u_hz: (variance - noise).max(0.0).sqrt(), rectangle: false }
    }

    /// One mixture of causes with normal priors of variance `tau2`.
    fn model(&self, causes: &[Transport], prior: f64, tau2: f64, to: &BookPoint) -> Model {
        let count = self.points.len();
        // A cause's size is its effect at a check in the middle.
        let middle = &self.points[count / 2];
        let basis = |point: &BookPoint| -> Vec<f64> {
            causes.iter().map(|cause| cause.shape(point, middle)).collect()
        };
        let shapes: Vec<Vec<f64>> = self.points.iter().map(basis).collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let total =
            Matrix::from_fn(count, |(i, j)| self.covariance[(i, j)] + tau2 * dot(&shapes[i], &shapes[j]));
        let here = basis(to);
        let cross: Vec<f64> = shapes.iter().map(|shape| tau2 * dot(shape, &here)).collect();
        let weights = total.solve(&cross);
        let explained = total.solve(self.errors);
        Model {
            log_evidence: prior.ln() - 0.5 * (dot(self.errors, &explained) + total.ln_determinant()),
            variance: tau2 * dot(&here, &here) - dot(&cross, &weights),
            weights,
        }
    }
}

/// What one mixture of causes says.
struct Model {
    log_evidence: f64,
    weights: Vec<f64>,
    variance: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(hertz: f64, slope: f64) -> BookPoint {
        BookPoint { reading: 0.0, hertz, slope, rows: vec![], row_u_hz: 0.0, remainder_hz: 0.0 }
    }

    fn noise(count: usize, u: f64) -> Matrix {
        Matrix::from_fn(count, |(i, j)| if i == j { u * u } else { 0.0 })
    }

    /// Common practice, no source: shunt capacitance moves f as f³, inductance as f; from 200 to 300 kHz an error of
    /// 8 Hz becomes 27 Hz and 12 Hz.
    #[test]
    fn one_check_is_carried_by_its_cause_or_by_the_centre_of_all() {
        let (check, to) = ([point(200e3, 40.0)], point(300e3, 50.0));
        let covariance = noise(1, 1e-9);
        let errors = CheckErrors { points: &check, errors: &[8.0], covariance: &covariance };
        let by = |transport| {
            let carried = errors.carry(transport, &to);
            (carried.weights[0] * 8.0, carried.u_hz)
        };
        assert!((by(Transport::Capacitance).0 - 27.0).abs() < 1e-9);
        assert!((by(Transport::Ratio).0 - 12.0).abs() < 1e-9);
        assert!((by(Transport::Divisions).0 - 10.0).abs() < 1e-9);
        let (centre, u) = by(Transport::Auto);
        assert!((centre - 18.5).abs() < 1e-9 && (u - 8.5 / 3f64.sqrt()).abs() < 1e-6);
    }

    #[test]
    fn several_checks_choose_the_cause() {
        let checks = [point(170e3, 28.0), point(230e3, 36.0), point(320e3, 40.0)];
        let to = point(280e3, 39.0);
        let covariance = noise(3, 0.5);
        for cause in CAUSES {
            let errors: Vec<f64> = checks.iter().map(|check| 100.0 * cause.shape(check, &to)).collect();
            let errors = CheckErrors { points: &checks, errors: &errors, covariance: &covariance };
            let carried = errors.carry(Transport::Auto, &to);
            let correction: f64 = carried.weights.iter().zip(errors.errors).map(|(w, e)| w * e).sum();
            let u = carried.u_hz.hypot(covariance.between(&carried.weights, &carried.weights).sqrt());
            assert!((correction - 100.0).abs() < 2.0 * u, "{cause:?}: {correction} ± {u}");
            assert!(u < 1.5, "{cause:?}: {u}");
        }
    }
}
