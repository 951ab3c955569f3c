//! A value and its standard uncertainty, printed to the digits that the uncertainty supports.

/// Rounds `value` and its uncertainty `u` for print: u to two significant digits, the value to the same place.
/// Returns both as text without unit; a u that is zero, negative or not finite leaves the value at six decimals.
pub fn value_and_u(value: f64, u: f64) -> (String, String) {
    if !u.is_finite() || u <= 0.0 {
        return (format!("{value:.6}"), format!("{u}"));
    }
    let decimals = decimals_for(u);
    (rounded(value, decimals), format!("{u:.decimals$}"))
}

/// A value to so many decimals; what rounds to nil has no sign.
fn rounded(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let nil = !text.contains(|digit: char| matches!(digit, '1'..='9'));
    if nil { text.trim_start_matches('-').to_owned() } else { text }
}

/// Decimals that show `u` to two significant digits; never fewer than none, and six where it is nil or not finite.
pub fn decimals_for(u: f64) -> usize {
    if !u.is_finite() || u == 0.0 {
        return 6;
    }
    let place = 1 - u.abs().log10().floor() as i32;
    // 0.0996 rounds to 0.10: one digit fewer says the same with two significant digits.
    let rounded = (u * 10f64.powi(place)).round() / 10f64.powi(place);
    let place = 1 - rounded.log10().floor() as i32;
    place.clamp(0, 12) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_significant_digits_of_u() {
        assert_eq!(value_and_u(3.214_159, 0.0123), ("3.214".into(), "0.012".into()));
        assert_eq!(value_and_u(1234.5678, 0.0996), ("1234.57".into(), "0.10".into()));
        assert_eq!(value_and_u(1_234_567.8, 42.0), ("1234568".into(), "42".into()));
        assert_eq!(value_and_u(90.25, 0.000_017), ("90.250000".into(), "0.000017".into()));
        assert_eq!([0.0, f64::NAN, 1e-320, 1e308].map(decimals_for), [6, 6, 1, 0]);
    }
}
