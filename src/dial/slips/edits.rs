//! What a typist's finger does to a figure: one digit for another, two in the wrong order, a point out of place.

/// A figure that differs from what was typed by one slip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edit {
    pub value: f64,
    pub how: &'static str,
}

/// The figure nearest to `wanted`, within `room` of it, that one slip would turn into `text`.
pub(super) fn nearest(text: &str, wanted: f64, room: f64) -> Option<Edit> {
    let mut best: Option<Edit> = None;
    for edit in all(text) {
        let off = (edit.value - wanted).abs();
        if off <= room + 1e-9 && best.is_none_or(|best| off < (best.value - wanted).abs() - 1e-9) {
            best = Some(edit);
        }
    }
    best
}

/// Every figure that one slip makes of another, the likelier slips first.
fn all(text: &str) -> Vec<Edit> {
    let digits: Vec<char> = text.chars().collect();
    let mut edits = Vec::new();
    let mut add = |changed: Vec<char>, how: &'static str| {
        let changed: String = changed.into_iter().collect();
        edits.extend(changed.parse().ok().map(|value| Edit { value, how }));
    };
    for at in 0..digits.len().saturating_sub(1) {
        // Neighbours with a point between them count as neighbours.
        let next = at + 1 + usize::from(digits[at + 1] == '.');
        if next < digits.len() && digits[at].is_ascii_digit() && digits[at] != digits[next] {
            let mut changed = digits.clone();
            changed.swap(at, next);
            add(changed, "swapped digits");
        }
    }
    for at in (0..digits.len()).filter(|&at| digits[at].is_ascii_digit()) {
        for digit in ('0'..='9').filter(|&digit| digit != digits[at]) {
            let mut changed = digits.clone();
            changed[at] = digit;
            add(changed, "one digit");
        }
    }
    let bare: Vec<char> = digits.iter().copied().filter(|&c| c != '.').collect();
    for at in 1..=bare.len() {
        let mut changed = bare.clone();
        changed.insert(at, '.');
        add(changed, "point out of place");
    }
    for at in (0..digits.len()).filter(|&at| digits[at].is_ascii_digit()) {
        let mut changed = digits.clone();
        changed.remove(at);
        add(changed, "one digit too many");
    }
    for at in 0..=digits.len() {
        for digit in '0'..='9' {
            let mut changed = digits.clone();
            changed.insert(at, digit);
            add(changed, "one digit left out");
        }
    }
    edits
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_slip_is_undone() {
        let how = |text: &str, wanted: f64| nearest(text, wanted, 0.05).map(|edit| (edit.value, edit.how));
        assert_eq!(how("1534.4", 1531.4), Some((1531.4, "one digit")));
        assert_eq!(how("1543.4", 1534.4), Some((1534.4, "swapped digits")));
        assert_eq!(how("1534.6", 1536.4), Some((1536.4, "swapped digits")));
        assert_eq!(how("15344", 1534.4), Some((1534.4, "point out of place")));
        assert_eq!(how("15334.4", 1534.4), Some((1534.4, "one digit too many")));
        assert_eq!(how("154.4", 1534.4), Some((1534.4, "one digit left out")));
        assert_eq!(how("1534.4", 2222.2), None);
    }
}
