//! A part of a recording.

use std::str::FromStr;

/// From one instant to another, or to the end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// First instant, s from the beginning of the recording.
    pub from_s: f64,
    /// The instant to stop at, s; `None` for the end.
    pub to_s: Option<f64>,
}

/// What is wrong with a span written as text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SpanError {
    /// Not two instants with two dots between them.
    #[error(
        "`{0}` is not a span; hint: write FROM..TO in seconds or minutes:seconds, such as 4s..12.5s or 1:30..2:00"
    )]
    NotASpan(String),
    /// It ends before it begins.
    #[error("`{0}` ends before it begins; hint: write the earlier instant first")]
    Backward(String),
}

impl FromStr for Span {
    type Err = SpanError;

    /// Reads `FROM..TO`; either may be left out. Seconds with or without `s`, or minutes:seconds.
    fn from_str(text: &str) -> Result<Self, SpanError> {
        let wrong = || SpanError::NotASpan(text.to_owned());
        let (from, to) = text.split_once("..").ok_or_else(wrong)?;
        let read = |part: &str| match part.trim() {
            "" => Ok(None),
            part => instant(part).map(Some).ok_or_else(wrong),
        };
        let (from_s, to_s) = (read(from)?.unwrap_or(0.0), read(to)?);
        if to_s.is_some_and(|to| to <= from_s) {
            return Err(SpanError::Backward(text.to_owned()));
        }
        Ok(Self { from_s, to_s })
    }
}

fn instant(text: &str) -> Option<f64> {
    let (minutes, seconds) = text.split_once(':').unwrap_or(("0", text));
    let minutes: u32 = minutes.parse().ok()?;
    let seconds: f64 = seconds.trim_end_matches('s').trim_end().parse().ok()?;
    let at = 60.0 * f64::from(minutes) + seconds;
    (at.is_finite() && seconds >= 0.0).then_some(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_as_people_write_them() {
        assert_eq!("4s..12.5s".parse(), Ok(Span { from_s: 4.0, to_s: Some(12.5) }));
        assert_eq!("1:30..2:00".parse(), Ok(Span { from_s: 90.0, to_s: Some(120.0) }));
        assert_eq!("..3".parse(), Ok(Span { from_s: 0.0, to_s: Some(3.0) }));
        assert_eq!("5 s..".parse(), Ok(Span { from_s: 5.0, to_s: None }));
        assert!(matches!("9..2".parse::<Span>(), Err(SpanError::Backward(_))));
        for text in ["5", "a..b", "-3..2", "nan..", "1:2:3..", "1..inf"] {
            assert!(matches!(text.parse::<Span>(), Err(SpanError::NotASpan(_))), "{text}");
        }
    }
}
