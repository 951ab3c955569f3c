//! A limit for a rate: `0.1Hz/min`, `0.01ppm/h`, `1e-9/s`.

use super::Series;
use crate::correction::{Drift, DriftOf, DriftSource};
use std::str::FromStr;

/// A rate that counts as settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    per_s: f64,
    in_hertz: bool,
}

/// Text that is no such limit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a limit for a rate; write it as 0.1Hz/min, 0.01ppm/h or 1e-9/s")]
pub struct NotALimit(String);

impl FromStr for Limit {
    type Err = NotALimit;

    fn from_str(text: &str) -> Result<Self, NotALimit> {
        let parsed = (|| {
            let (amount, time) = text.trim().split_once('/')?;
            let seconds = match time.trim() {
                "s" => 1.0,
                "min" => 60.0,
                "h" => 3600.0,
                "d" => 86_400.0,
                _ => return None,
            };
            let amount = amount.trim();
            let units = [("mHz", 1e-3, true), ("kHz", 1e3, true), ("Hz", 1.0, true), ("ppm", 1e-6, false)];
            let unit = units.into_iter().find_map(|(unit, scale, hertz)| {
                amount.strip_suffix(unit).map(|number| (number, scale, hertz))
            });
            let (number, scale, in_hertz) = unit.unwrap_or((amount, 1.0, false));
            let value: f64 = number.trim().parse().ok()?;
            (value > 0.0 && value.is_finite()).then_some(Self { per_s: value * scale / seconds, in_hertz })
        })();
        parsed.ok_or_else(|| NotALimit(text.to_owned()))
    }
}

impl Limit {
    /// A drift of that size, either way: of the meter's fundamental where it is in hertz.
    pub fn drift(self) -> Drift {
        let of = if self.in_hertz { DriftOf::Fundamental } else { DriftOf::Relative };
        Drift { per_min: 60.0 * self.per_s, u_per_min: 0.0, of, source: DriftSource::Stated, seen_min: None }
    }

    /// In the unit of the series, per second.
    ///
    /// # Errors
    /// The units of both, where they can't be brought together.
    pub(super) fn for_series(self, series: &Series) -> Result<f64, (&'static str, &'static str)> {
        match (self.in_hertz, series.unit(), series.nominal_hz) {
            (true, "fraction", Some(nominal)) => Ok(self.per_s / nominal),
            (true, "Hz", _) | (false, "fraction", _) => Ok(self.per_s),
            (true, ..) => Err(("Hz", "fractions")),
            (false, ..) => Err(("fractions", "Hz")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_carry_amount_and_time() {
        let per_s = |text: &str| text.parse::<Limit>().map(|limit| (limit.per_s, limit.in_hertz));
        let (value, hertz) = per_s("0.6Hz/min").unwrap();
        assert!((value - 0.01).abs() < 1e-12 && hertz);
        let (value, hertz) = per_s("0.36 ppm / h").unwrap();
        assert!((value - 1e-10).abs() < 1e-22 && !hertz);
        assert!((per_s("1e-9/s").unwrap().0 - 1e-9).abs() < 1e-20);
        for text in ["0.1", "0.1Hz", "1/parsec", "-1Hz/s", "0Hz/s", "Hz/s"] {
            assert!(per_s(text).is_err(), "{text}");
        }
    }
}
