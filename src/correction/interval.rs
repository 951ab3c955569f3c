//! From a combined standard uncertainty to an interval: Student's t, or draws where one rectangle dominates, and the
//! probability of conformity.

use super::budget::{Component, Shape};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Probability that the interval covers.
const COVERAGE: f64 = 0.95;
/// Share of one rectangle in u beyond which Student's t no longer describes the sum.
const DOMINANT: f64 = 0.7;
/// Draws: they leave about 0.3 % on the half-width.
const DRAWS: usize = 100_000;

/// What the components of a budget come to.
#[derive(Debug, Clone)]
pub struct Combined {
    /// Combined standard uncertainty, Hz.
    pub u_hz: f64,
    /// Half-width of the symmetric interval that covers 95 %, Hz.
    pub expanded_u_hz: f64,
    /// U/u.
    pub coverage_factor: f64,
    /// Effective degrees of freedom by Welch–Satterthwaite; `None` when unlimited, or when the interval was drawn.
    pub effective_dof: Option<f64>,
    errors: Errors,
}

/// How the error is distributed.
#[derive(Debug, Clone)]
enum Errors {
    /// Scaled Student's t; no degrees of freedom stands for the normal distribution.
    Student { u_hz: f64, dof: Option<f64> },
    /// Sorted draws, Hz.
    Drawn(Vec<f64>),
}

impl Combined {
    /// Combines independent components: u by the sum of squares (JCGM 100, 5.1.2), ν by Welch–Satterthwaite (G.4.1),
    /// the interval from t at the whole degrees of freedom below (G.4.2), or from draws (JCGM 101) where one
    /// rectangle makes up more than 0.7 of u.
    pub fn of(components: &[Component]) -> Self {
        let u_hz = components.iter().map(|part| part.u_hz * part.u_hz).sum::<f64>().sqrt();
        let dominated =
            components.iter().any(|part| part.shape == Shape::Rectangle && part.u_hz > DOMINANT * u_hz);
        if dominated {
            let drawn = draw(components);
            let mut sizes: Vec<f64> = drawn.iter().map(|error| error.abs()).collect();
            sizes.sort_unstable_by(f64::total_cmp);
            let expanded_u_hz = sizes[(COVERAGE * DRAWS as f64) as usize];
            return Self {
                u_hz,
                expanded_u_hz,
                coverage_factor: expanded_u_hz / u_hz,
                effective_dof: None,
                errors: Errors::Drawn(drawn),
            };
        }
        let effective_dof = effective_dof(components, u_hz);
        let coverage_factor = student_factor(COVERAGE, effective_dof.map(|dof| dof.floor().max(1.0)));
        Self {
            u_hz,
            expanded_u_hz: coverage_factor * u_hz,
            coverage_factor,
            effective_dof,
            errors: Errors::Student { u_hz, dof: effective_dof },
        }
    }

    /// Probability that a value estimated as `estimate` lies within ±`tolerance` (JCGM 106, 7.2).
    pub fn conformity(&self, estimate: f64, tolerance: f64) -> f64 {
        match &self.errors {
            Errors::Student { u_hz, .. } if *u_hz <= 0.0 => f64::from(u8::from(estimate.abs() <= tolerance)),
            Errors::Student { u_hz, dof } => {
                let below = |bound: f64| student_cdf((bound - estimate) / u_hz, *dof);
                below(tolerance) - below(-tolerance)
            }
            Errors::Drawn(draws) => {
                let below = |bound: f64| draws.partition_point(|draw| estimate + draw <= bound) as f64;
                (below(tolerance) - below(-tolerance)) / draws.len() as f64
            }
        }
    }
}

/// `ν_eff = u⁴/Σ(u_i⁴/ν_i)`; `None` when no component has limited degrees of freedom.
fn effective_dof(components: &[Component], u_hz: f64) -> Option<f64> {
    let sum: f64 = components.iter().filter_map(|part| part.dof.map(|dof| part.u_hz.powi(4) / dof)).sum();
    (sum > 0.0).then(|| u_hz.powi(4) / sum)
}

/// From so many degrees of freedom on, t is the normal distribution to four digits (and its quantile takes for ever).
const UNLIMITED: f64 = 10_000.0;

/// Student's t for limited degrees of freedom.
fn limited(dof: Option<f64>) -> Option<StudentsT> {
    dof.filter(|&dof| dof < UNLIMITED).and_then(|dof| StudentsT::new(0.0, 1.0, dof).ok())
}

/// The factor k for which ±k·u covers `probability`.
fn student_factor(probability: f64, dof: Option<f64>) -> f64 {
    let upper = f64::midpoint(1.0, probability);
    let normal = || Normal::standard().inverse_cdf(upper);
    limited(dof).map_or_else(normal, |t| t.inverse_cdf(upper))
}

fn student_cdf(x: f64, dof: Option<f64>) -> f64 {
    limited(dof).map_or_else(|| Normal::standard().cdf(x), |t| t.cdf(x))
}

/// Sorted draws of the sum of all components about zero, Hz; the same budget always gives the same draws.
fn draw(components: &[Component]) -> Vec<f64> {
    // All that is normal is one normal.
    let plain = |part: &&Component| part.shape == Shape::Normal && part.dof.is_none();
    let normal = components.iter().filter(plain).map(|part| part.u_hz * part.u_hz).sum::<f64>().sqrt();
    let others: Vec<&Component> = components.iter().filter(|part| !plain(part) && part.u_hz > 0.0).collect();
    let mut chance = Chance(0x6875_7368_6265_6174);
    let mut draws: Vec<f64> = (0..DRAWS)
        .map(|_| {
            normal * chance.student(None)
                + others.iter().map(|part| part.u_hz * chance.of_shape(part.shape, part.dof)).sum::<f64>()
        })
        .collect();
    draws.sort_unstable_by(f64::total_cmp);
    draws
}

/// A seeded stream of chance: Weyl sequence with the mixing function of `SplitMix64` (Steele, Lea & Flood 2014).
struct Chance(u64);

impl Chance {
    /// Uniform in −1..1.
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (mixed ^ (mixed >> 31)) as f64 / 2f64.powi(63) - 1.0
    }

    /// Student's t by the polar method (Bailey 1994); the normal distribution when `dof` is `None` (Marsaglia).
    fn student(&mut self, dof: Option<f64>) -> f64 {
        loop {
            let (u, v) = (self.even(), self.even());
            let w = u * u + v * v;
            if w > 0.0 && w <= 1.0 {
                return match dof {
                    None => u * (-2.0 * w.ln() / w).sqrt(),
                    Some(dof) => u * (dof * (w.powf(-2.0 / dof) - 1.0) / w).sqrt(),
                };
            }
        }
    }

    /// A draw with standard deviation 1 (for t: scale 1).
    fn of_shape(&mut self, shape: Shape, dof: Option<f64>) -> f64 {
        match shape {
            Shape::Normal => self.student(dof),
            Shape::Rectangle => self.even() * 3f64.sqrt(),
            Shape::Triangle => (self.even() + self.even()) * 1.5f64.sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's t, two-sided 95 %, 95.45 % and 99 % (any table; computed with scipy 1.17), and the normal
    /// factors.
    #[test]
    fn student_factors() {
        let table = [
            (4.0, 2.7764, 2.8693, 4.6041),
            (9.0, 2.2622, 2.3198, 3.2498),
            (16.0, 2.1199, 2.1689, 2.9208),
            (20.0, 2.0860, 2.1330, 2.8453),
            (50.0, 2.0086, 2.0513, 2.6778),
            (100.0, 1.9840, 2.0253, 2.6259),
        ];
        for (dof, p95, p9545, p99) in table {
            for (probability, expected) in [(0.95, p95), (0.9545, p9545), (0.99, p99)] {
                let got = student_factor(probability, Some(dof));
                assert!((got - expected).abs() < 6e-5, "ν {dof} p {probability}: {got}");
            }
        }
        assert!((student_factor(0.95, None) - 1.959_964).abs() < 1e-6);
        assert!((student_factor(0.95, Some(9999.0)) - student_factor(0.95, Some(1e9))).abs() < 3e-4);
        assert!((student_factor(0.99, None) - 2.575_829).abs() < 1e-6);
        for (k, p) in [(1.0, 0.682_689), (2.0, 0.954_500), (3.0, 0.997_300)] {
            assert!((2.0 * student_cdf(k, None) - 1.0 - p).abs() < 1e-6);
        }
    }

    fn part(shape: Shape, u_hz: f64, dof: Option<f64>) -> Component {
        Component { dof, shape, ..Component::normal("x", 0.0, "Hz", 1.0, u_hz) }
    }

    /// A lone rectangle of half-width a covers 95 % within 0.95·a, not within 1.96·a/√3.
    #[test]
    fn a_lone_rectangle_is_drawn() {
        let got = Combined::of(&[part(Shape::Rectangle, 20.0 / 3f64.sqrt(), None)]);
        assert!((got.expanded_u_hz - 19.0).abs() < 0.06, "{}", got.expanded_u_hz);
        // With t for the lesser part: the draws of t have t's quantile.
        let mut chance = Chance(1);
        let beyond = (0..200_000).filter(|_| chance.student(Some(4.0)).abs() > 2.7764).count();
        assert!((beyond as f64 / 200_000.0 - 0.05).abs() < 0.0015, "{beyond}");
    }

    /// Two equal rectangles make a triangle, which the normal factor over-covers; each is 0.707 of u, so it is drawn:
    /// 95 % lie within 2a(1 − √0.05).
    #[test]
    fn two_equal_rectangles_make_a_triangle() {
        let u = 1.0 / 3f64.sqrt();
        let got = Combined::of(&[part(Shape::Rectangle, u, None), part(Shape::Rectangle, u, None)]);
        assert!((got.expanded_u_hz - 2.0 * (1.0 - 0.05f64.sqrt())).abs() < 0.008, "{}", got.expanded_u_hz);
    }

    /// Four equal unit contributions come to 2.0 (JCGM 101, 9.2, as quoted); with ν = 10 each, `ν_eff` = 40.
    #[test]
    fn four_equal_contributions() {
        let got = Combined::of(&vec![part(Shape::Normal, 1.0, Some(10.0)); 4]);
        assert!((got.u_hz - 2.0).abs() < 1e-12);
        assert!((got.effective_dof.unwrap() - 40.0).abs() < 1e-9);
    }

    /// A triangle of half-width a has u = a/√6; two alike rectangles of half-width 1 make one of half-width 2.
    #[test]
    fn a_triangle_is_drawn_as_two_rectangles() {
        let wide = part(Shape::Rectangle, 10.0, None);
        let with = |small| Combined::of(&[wide.clone(), small]).expanded_u_hz;
        let triangle = Component::triangle("count", 0.0, "Hz", 1.0, 2.0 * 3.0);
        assert!((triangle.u_hz - 6.0 / 6f64.sqrt()).abs() < 1e-12);
        let two = Combined::of(&[
            wide.clone(),
            part(Shape::Rectangle, 3f64.sqrt(), None),
            part(Shape::Rectangle, 3f64.sqrt(), None),
        ]);
        assert!((with(triangle) / two.expanded_u_hz - 1.0).abs() < 0.01);
    }

    #[test]
    fn conformity_is_a_half_on_the_limit() {
        let normal = Combined::of(&[part(Shape::Normal, 1.0, None)]);
        assert!((normal.conformity(100.0, 100.0) - 0.5).abs() < 1e-9);
        assert!((normal.conformity(98.040_036, 100.0) - 0.975).abs() < 1e-6);
        let drawn = Combined::of(&[part(Shape::Rectangle, 1.0, None)]);
        assert!((drawn.conformity(100.0, 100.0) - 0.5).abs() < 0.01);
    }
}
