//! The dial as it is engraved: turns, divisions, vernier, lost motion; readings as text and as numbers.

use super::error::DialError;
use serde::Serialize;

/// Which way the **reading** moves on the last approach to a setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Approach {
    /// Toward larger readings.
    #[default]
    Rising,
    /// Toward smaller readings.
    Falling,
}

impl Approach {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Rising => "rising",
            Self::Falling => "falling",
        }
    }
}

/// The dial's geometry and what is known of its mechanics.
#[derive(Debug, Clone, PartialEq)]
pub struct Plate {
    /// Divisions to one turn of the dial.
    pub divisions_per_turn: f64,
    /// Turns from stop to stop.
    pub turns: u32,
    /// Parts of a division that the vernier reads.
    pub vernier: u32,
    /// Whether the frequency rises with the reading.
    pub rises: bool,
    /// Standard uncertainty of one reading, divisions.
    pub u_div: f64,
    /// Full lost motion on reversing, divisions.
    pub backlash_div: f64,
    /// The approach with which the book was made.
    pub book_approach: Approach,
}

impl Plate {
    /// The largest reading, divisions.
    pub fn end(&self) -> f64 {
        self.divisions_per_turn * f64::from(self.turns)
    }

    /// Reads a reading written as one number of divisions (`1531.4`) or as drum/dial (`12/91.4` is
    /// 12 × divisions per turn + 91.4).
    ///
    /// # Errors
    /// Text that is no reading, or a reading off the dial.
    pub fn reading(&self, text: &str) -> Result<f64, DialError> {
        let not_a_reading = || DialError::NotAReading(text.to_owned());
        let number = |part: &str| part.trim().parse::<f64>().ok().filter(|value| value.is_finite());
        let off_dial = || DialError::OffDial {
            reading: text.trim().to_owned(),
            end: self.end(),
            turns: self.turns,
            per_turn: self.divisions_per_turn,
        };
        let reading = match text.split_once('/') {
            None => number(text).ok_or_else(not_a_reading)?,
            Some((drum, dial)) => {
                let drum: u32 = drum.trim().parse().map_err(|_| not_a_reading())?;
                let dial = number(dial).ok_or_else(not_a_reading)?;
                if drum > self.turns || !(0.0..=self.divisions_per_turn).contains(&dial) {
                    return Err(off_dial());
                }
                f64::from(drum) * self.divisions_per_turn + dial
            }
        };
        if (0.0..=self.end()).contains(&reading) { Ok(reading) } else { Err(off_dial()) }
    }

    /// Splits a reading into drum (whole turns) and dial (divisions within the turn).
    pub fn drum_and_dial(&self, reading: f64) -> (u32, f64) {
        let drum = (reading / self.divisions_per_turn).floor().clamp(0.0, f64::from(self.turns));
        (drum as u32, reading - drum * self.divisions_per_turn)
    }

    /// A reading as it is set on the dial: rounded to the vernier's part, drum/dial, such as `12/91.4`.
    pub fn engraved(&self, reading: f64) -> String {
        let parts = f64::from(self.vernier);
        let decimals = self.reading_decimals();
        let (drum, dial) = self.drum_and_dial((reading * parts).round() / parts);
        format!("{drum}/{dial:.decimals$}")
    }

    /// Decimals that the vernier's part needs.
    pub fn reading_decimals(&self) -> usize {
        f64::from(self.vernier).log10().ceil().max(0.0) as usize
    }

    /// By how much a reading must be shifted to stand for the book's approach, and the half-width of what is not
    /// known about it, divisions: (0, 0) for the same approach; half the lost motion each for the opposite one,
    /// because anything from none to all of it may have been taken up.
    ///
    /// On a falling approach the capacitor lags at a larger reading than the dial shows, on a rising one at a
    /// smaller.
    pub fn lost_motion(&self, approach: Approach) -> (f64, f64) {
        let half = self.backlash_div / 2.0;
        match (self.book_approach, approach) {
            (Approach::Rising, Approach::Falling) => (half, half),
            (Approach::Falling, Approach::Rising) => (-half, half),
            _ => (0.0, 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plate() -> Plate {
        Plate {
            divisions_per_turn: 120.0,
            turns: 40,
            vernier: 10,
            rises: true,
            u_div: 0.05,
            backlash_div: 0.4,
            book_approach: Approach::Rising,
        }
    }

    #[test]
    fn a_reading_is_one_number_or_drum_and_dial() {
        assert_eq!(plate().reading("1531.4"), Ok(1531.4));
        assert_eq!(plate().reading(" 12/91.4 "), Ok(12.0 * 120.0 + 91.4));
        assert_eq!(plate().reading("40/0"), Ok(4800.0));
        assert_eq!(plate().engraved(1531.4), "12/91.4");
        // 1559.97 is set as 1560.0: the carry goes to the drum, not to "12/120.0".
        assert_eq!(plate().engraved(1559.97), "13/0.0");
    }

    #[test]
    fn readings_off_the_dial_and_nonsense_are_refused() {
        for text in ["4800.1", "-0.1", "41/0", "12/120.1", "40/0.1", "1e300"] {
            assert!(matches!(plate().reading(text), Err(DialError::OffDial { .. })), "{text}");
        }
        for text in ["", "nan", "inf", "12/", "/3", "12/91/4", "1,5", "12.5/3", "-1/3"] {
            assert!(matches!(plate().reading(text), Err(DialError::NotAReading(_))), "{text}");
        }
    }

    #[test]
    fn lost_motion_counts_only_where_the_approaches_differ() {
        assert_eq!(plate().lost_motion(Approach::Rising), (0.0, 0.0));
        assert_eq!(plate().lost_motion(Approach::Falling), (0.2, 0.2));
    }
}
