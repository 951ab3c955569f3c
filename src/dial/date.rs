//! A day of the calendar, for the age of a crystal's calibration.

use std::fmt;
use std::str::FromStr;

/// A day in the Gregorian calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    year: i32,
    month: u32,
    day: u32,
}

/// Text that is no day.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a day; hint: write it as 2026-05-01")]
pub struct NotADate(String);

impl Date {
    /// The day with this year, month (1..12) and day of the month, if there is one.
    pub fn new(year: i32, month: u32, day: u32) -> Option<Self> {
        let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
        let last = match month {
            2 if leap => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            1..=12 => 31,
            _ => return None,
        };
        ((1..=last).contains(&day) && (1..=9999).contains(&year)).then_some(Self { year, month, day })
    }

    /// The day that lies this many whole days after 1970-01-01.
    pub fn from_days_since_1970(days: i64) -> Self {
        let mut rest = days;
        let mut year = 1970;
        let length = |year: i32| if Self::new(year, 2, 29).is_some() { 366 } else { 365 };
        while rest >= length(year) {
            rest -= length(year);
            year += 1;
        }
        let mut month = 1;
        loop {
            let last = (28..=31).rev().find(|&day| Self::new(year, month, day).is_some()).unwrap_or(31);
            if rest < i64::from(last) {
                return Self { year, month, day: rest as u32 + 1 };
            }
            rest -= i64::from(last);
            month += 1;
        }
    }

    /// Days since 1 March of the year 0, by the count of whole years and the 153 days of five months.
    fn day_number(self) -> i64 {
        let (year, month) =
            if self.month > 2 { (self.year, self.month - 3) } else { (self.year - 1, self.month + 9) };
        let year = i64::from(year);
        365 * year + year.div_euclid(4) - year.div_euclid(100)
            + year.div_euclid(400)
            + i64::from((153 * month + 2) / 5)
            + i64::from(self.day)
    }

    /// Years from `earlier` to this day (negative when this day comes first).
    pub fn years_since(self, earlier: Self) -> f64 {
        (self.day_number() - earlier.day_number()) as f64 / 365.25
    }
}

impl FromStr for Date {
    type Err = NotADate;

    fn from_str(text: &str) -> Result<Self, NotADate> {
        let mut parts = text.trim().splitn(3, '-');
        let mut next = || parts.next().filter(|part| part.bytes().all(|byte| byte.is_ascii_digit()));
        let parsed = (|| {
            let (year, month, day) = (next()?, next()?, next()?);
            Self::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?)
        })();
        parsed.ok_or_else(|| NotADate(text.to_owned()))
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_checked_and_counted() {
        let day: Date = "2026-05-01".parse().unwrap();
        assert_eq!(day.to_string(), "2026-05-01");
        assert!("2026-02-29".parse::<Date>().is_err());
        assert!("2024-02-29".parse::<Date>().is_ok());
        assert!("26/5/1".parse::<Date>().is_err());
        let later: Date = "2027-05-01".parse().unwrap();
        assert!((later.years_since(day) - 365.0 / 365.25).abs() < 1e-12);
        // Unix day 20454 is 2026-01-01 (20454 × 86400 s = 1 767 225 600 s, the usual epoch table).
        assert_eq!(Date::from_days_since_1970(20_454).to_string(), "2026-01-01");
        assert_eq!(Date::from_days_since_1970(0).to_string(), "1970-01-01");
        assert_eq!(Date::from_days_since_1970(19_782).to_string(), "2024-02-29");
    }
}
