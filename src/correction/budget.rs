//! The lines of an uncertainty budget (JCGM 100:2008, the GUM).
//!
//! Components that share a cause are one line with the sum of their sensitivities, so that the lines are independent
//! of each other: one crystal behind several check points, one sound card behind several beats, one row of the book
//! behind two readings.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How the uncertainty of a component was evaluated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// From repeated observations.
    A,
    /// From anything else.
    B,
}

/// The distribution assumed for a component.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Shape {
    /// Normal; Student's t where degrees of freedom are given.
    Normal,
    /// Anywhere between two bounds alike.
    Rectangle,
    /// Between two bounds, the likelier the nearer to their middle: the sum of two alike rectangles.
    Triangle,
}

/// One line of the budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// What it is.
    pub source: String,
    /// The estimate that entered, in `unit`.
    pub value: f64,
    /// Unit of `value` and `u`.
    pub unit: Cow<'static, str>,
    /// Standard uncertainty of the estimate, in `unit`.
    pub u: f64,
    /// Change of the result for one unit of the estimate, Hz per `unit`.
    pub sensitivity: f64,
    /// |sensitivity|·u, Hz.
    pub u_hz: f64,
    /// Evaluated from observations (A) or otherwise (B).
    pub kind: Kind,
    /// Degrees of freedom; null when unlimited.
    pub dof: Option<f64>,
    /// Distribution assumed.
    pub shape: Shape,
}

impl Component {
    /// A type B component with a normal distribution and unlimited degrees of freedom.
    pub fn normal(
        source: impl Into<String>,
        value: f64,
        unit: &'static str,
        sensitivity: f64,
        u: f64,
    ) -> Self {
        Self {
            source: source.into(),
            value,
            unit: unit.into(),
            u,
            sensitivity,
            u_hz: (sensitivity * u).abs(),
            kind: Kind::B,
            dof: None,
            shape: Shape::Normal,
        }
    }

    /// A type B component anywhere within ±`half_width`: u = half-width/√3.
    pub fn rectangle(
        source: impl Into<String>,
        value: f64,
        unit: &'static str,
        sensitivity: f64,
        half_width: f64,
    ) -> Self {
        Self {
            shape: Shape::Rectangle,
            ..Self::normal(source, value, unit, sensitivity, half_width / 3f64.sqrt())
        }
    }

    /// An error in ppm as a comparison left it: normal, with its degrees of freedom, or flat where one rectangle ruled it.
    pub fn compared(
        source: &str,
        (error_ppm, u_ppm): (f64, f64),
        (dof, flat): (Option<f64>, bool),
        sensitivity: f64,
    ) -> Self {
        let shape = if flat { Shape::Rectangle } else { Shape::Normal };
        Self { dof, shape, ..Self::normal(source, error_ppm, "ppm", sensitivity, u_ppm) }
    }

    /// A type B component within ±`half_width`, likelier in the middle: u = half-width/√6 (JCGM 100, 4.3.9).
    pub fn triangle(
        source: impl Into<String>,
        value: f64,
        unit: &'static str,
        sensitivity: f64,
        half_width: f64,
    ) -> Self {
        Self {
            shape: Shape::Triangle,
            ..Self::normal(source, value, unit, sensitivity, half_width / 6f64.sqrt())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correction::interval::Combined;

    /// GUM H.1, the end gauge: l = lS + d − lS(δα·θ + αS·δθ), in nm, as quoted by several independent
    /// repositories: contributions 25, 9.7, 0, 0, 2.9, 16.6 nm, uc = 32 nm (uc² = 1002 nm²), `ν_eff` = 16.7 → 16. With
    /// the rectangles unrounded uc = 31.6694 and `ν_eff` = 16.763 (computed).
    #[test]
    fn gum_h1_end_gauge() {
        let length = 50_000_623.0;
        let line = |source: &str, sensitivity, u, dof| Component {
            dof,
            ..Component::normal(source, 0.0, "1", sensitivity, u)
        };
        let of_rectangle = |source: &str, sensitivity, half_width, dof| Component {
            dof,
            ..Component::rectangle(source, 0.0, "1", sensitivity, half_width)
        };
        let budget = [
            line("standard", 1.0, 25.0, Some(18.0)),
            line("comparison", 1.0, 9.7, Some(25.6)),
            line("expansion of the standard", 0.0, 1.2e-6, None),
            line("temperature of the bed", 0.0, 0.41, None),
            of_rectangle("difference of expansion", -length * -0.1, 1e-6, Some(50.0)),
            of_rectangle("difference of temperature", -length * 11.5e-6, 0.05, Some(2.0)),
        ];
        let published = [25.0, 9.7, 0.0, 0.0, 2.9, 16.6];
        for (line, published) in budget.iter().zip(published) {
            assert!((line.u_hz - published).abs() < 0.05, "{}: {}", line.source, line.u_hz);
        }
        let got = Combined::of(&budget);
        assert!((got.u_hz - 31.6694).abs() < 1e-3, "{}", got.u_hz);
        assert!((got.u_hz * got.u_hz - 1002.0).abs() < 1.5);
        assert!((got.effective_dof.unwrap() - 16.763).abs() < 0.02, "{:?}", got.effective_dof);
        // t95(16) = 2.1199.
        assert!((got.coverage_factor - 2.1199).abs() < 1e-4);
    }
}
