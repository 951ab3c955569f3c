//! Quantities with their units: newtypes over `f64`, read from and printed as text with a unit.
//!
//! A frequency written by a person always carries its unit (`3725kHz`, `3.725 MHz`, `60Hz`, the old `kc` and
//! `Mc` too); a bare number is refused, because a factor of a thousand is the commonest slip at the bench.

use std::fmt;
use std::str::FromStr;

/// Declares a newtype over `f64` with its unit.
macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, serde::Serialize, serde::Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                f.write_str(concat!(" ", $unit))
            }
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl std::ops::Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
    };
}

quantity!(
    /// A frequency or an offset, in hertz.
    Hertz,
    "Hz"
);
quantity!(
    /// A time or a duration, in seconds.
    Seconds,
    "s"
);
quantity!(
    /// A relative error, in parts per million.
    Ppm,
    "ppm"
);
quantity!(
    /// A dial reading or a difference of readings, in divisions.
    Divisions,
    "div"
);
quantity!(
    /// A level or a ratio, in decibels.
    Decibels,
    "dB"
);

/// What is wrong with a frequency written as text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// A number without a unit.
    #[error("`{0}` has no unit; write it as {0}Hz, {0}kHz or {0}MHz, whichever is meant")]
    NoUnit(String),
    /// Neither a number nor a number with a unit.
    #[error("`{0}` is not a frequency; write a number and its unit, such as 3725kHz")]
    NotAFrequency(String),
    /// Infinite, or not a number.
    #[error("`{0}` is not a finite frequency")]
    NotFinite(String),
    /// A width that is negative, or has neither a frequency's unit nor a relative one.
    #[error("`{0}` is not a width; write it as 20Hz, 5ppm or 0.01%")]
    NotAWidth(String),
}

/// The longest frequency that a complaint repeats, characters.
const MOST: usize = 60;

/// What was found, cut to its first `most` characters: a file may be one endless line.
pub fn short(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        None => text.to_owned(),
        Some((end, _)) => format!("{} …", &text[..end]),
    }
}

impl FromStr for Hertz {
    type Err = QuantityError;

    /// Reads a number followed by `Hz`, `kHz`, `MHz`, `GHz`, `c`, `kc` or `Mc` (any case of the prefix letter `k`;
    /// `m` alone is never taken for mega).
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        let split = text.find(|c: char| c.is_alphabetic() && !matches!(c, 'e' | 'E')).unwrap_or(text.len());
        let (number, unit) = (text[..split].trim(), text[split..].trim());
        let scale = match unit {
            "Hz" | "hz" | "HZ" | "c" | "cps" => 1.0,
            "kHz" | "khz" | "KHz" | "KHZ" | "kc" | "Kc" | "KC" => 1e3,
            "MHz" | "Mhz" | "MHZ" | "Mc" | "MC" => 1e6,
            "GHz" | "Ghz" | "GHZ" => 1e9,
            "" if number.parse::<f64>().is_ok() => return Err(QuantityError::NoUnit(short(text, MOST))),
            _ => return Err(QuantityError::NotAFrequency(short(text, MOST))),
        };
        let value: f64 = number.parse().map_err(|_| QuantityError::NotAFrequency(short(text, MOST)))?;
        if value.is_finite() {
            Ok(Self(value * scale))
        } else {
            Err(QuantityError::NotFinite(short(text, MOST)))
        }
    }
}

impl Hertz {
    /// One unit of the last place written in a frequency's text: 0.1 Hz for `62.4Hz`, 1 kHz for `3.725MHz`.
    ///
    /// # Errors
    /// As reading the frequency.
    pub fn last_place(text: &str) -> Result<Self, QuantityError> {
        let number: String =
            text.trim().chars().take_while(|c| c.is_ascii_digit() || matches!(c, '+' | '-' | '.')).collect();
        let decimals = number.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let one = format!("1{}", text.trim()[number.len()..].trim()).parse::<Self>();
        // Whatever is wrong is wrong with the whole text, and told so.
        text.parse::<Self>()?;
        Ok(Self(one?.0 / 10f64.powf(decimals as f64)))
    }
}

/// A width or a bound, stated in hertz or relative to the frequency it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Width {
    /// In hertz.
    Absolute(Hertz),
    /// In parts per million.
    Relative(Ppm),
}

impl Width {
    /// The width at a frequency.
    pub fn at(self, frequency: Hertz) -> Hertz {
        match self {
            Self::Absolute(width) => width,
            Self::Relative(Ppm(ppm)) => Hertz((frequency.0 * ppm * 1e-6).abs()),
        }
    }
}

impl FromStr for Width {
    type Err = QuantityError;

    /// Reads `20Hz`, `5ppm` or `0.01%`; never negative.
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        let error = || QuantityError::NotAWidth(short(text, MOST));
        let relative = |number: &str, scale: f64| {
            let value: f64 = number.trim().parse().map_err(|_| error())?;
            Ok(Self::Relative(Ppm(value * scale)))
        };
        let width = if let Some(number) = text.strip_suffix("ppm") {
            relative(number, 1.0)?
        } else if let Some(number) = text.strip_suffix('%') {
            relative(number, 1e4)?
        } else {
            Self::Absolute(text.parse()?)
        };
        let (Self::Absolute(Hertz(value)) | Self::Relative(Ppm(value))) = width;
        if value.is_finite() && value >= 0.0 { Ok(width) } else { Err(error()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frequency_needs_its_unit() {
        assert_eq!("3725kHz".parse(), Ok(Hertz(3_725_000.0)));
        assert_eq!("3.725 Mc".parse(), Ok(Hertz(3_725_000.0)));
        assert_eq!("-60Hz".parse(), Ok(Hertz(-60.0)));
        assert_eq!("1e3Hz".parse(), Ok(Hertz(1000.0)));
        assert!(matches!("3725".parse::<Hertz>(), Err(QuantityError::NoUnit(_))));
        assert!(matches!("kHz".parse::<Hertz>(), Err(QuantityError::NotAFrequency(_))));
        assert!(matches!("12mHz".parse::<Hertz>(), Err(QuantityError::NotAFrequency(_))));
        assert!(matches!("".parse::<Hertz>(), Err(QuantityError::NotAFrequency(_))));
    }

    #[test]
    fn the_last_place_written_is_known() {
        let place = |text| Hertz::last_place(text).map(|hertz| hertz.0);
        assert!((place("62.4Hz").unwrap() - 0.1).abs() < 1e-12);
        assert!((place("60 Hz").unwrap() - 1.0).abs() < 1e-12);
        assert!((place("3.725MHz").unwrap() - 1000.0).abs() < 1e-9);
        assert!((place("1e3Hz").unwrap() - 1000.0).abs() < 1e-9);
        assert!(matches!(place("62.4"), Err(QuantityError::NoUnit(_))));
    }

    #[test]
    fn a_width_is_in_hertz_or_relative() {
        let at = |text: &str| text.parse::<Width>().map(|width| width.at(Hertz(2e6)).0);
        assert!((at("20Hz").unwrap() - 20.0).abs() < 1e-12);
        assert!((at("5 ppm").unwrap() - 10.0).abs() < 1e-9);
        // 0.01 % of 3.5 MHz is 350 Hz, so of 2 MHz 200 Hz.
        assert!((at("0.01%").unwrap() - 200.0).abs() < 1e-9);
        for text in ["-20Hz", "nan%", "5", "x ppm"] {
            assert!(text.parse::<Width>().is_err(), "{text}");
        }
    }
}
