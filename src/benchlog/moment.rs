//! Instants as text.

use crate::dial::Date;

/// Seconds since 1970 (UTC, leap seconds not counted) as `2026-11-19T20:41:07Z`.
pub fn utc(seconds: u64) -> String {
    let day = Date::from_days_since_1970(i64::try_from(seconds / 86_400).unwrap_or(0));
    let (hours, minutes, seconds) = (seconds / 3600 % 24, seconds / 60 % 60, seconds % 60);
    format!("{day}T{hours:02}:{minutes:02}:{seconds:02}Z")
}

/// The same for people: `2026-11-19 20:41`.
pub(super) fn short(at: &str) -> String {
    at.chars().take(16).map(|c| if c == 'T' { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 000 000 000 and 1 234 567 890 s: well known instants of the Unix clock (from memory).
    #[test]
    fn instants_are_read_off_the_unix_clock() {
        assert_eq!(utc(0), "1970-01-01T00:00:00Z");
        assert_eq!(utc(1_000_000_000), "2001-09-09T01:46:40Z");
        assert_eq!(utc(1_234_567_890), "2009-02-13T23:31:30Z");
        assert_eq!(short(&utc(1_234_567_890)), "2009-02-13 23:31");
    }
}
