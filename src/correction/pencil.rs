//! Reads a sum on paper and works it out as a pencil would: numbers, `+ - × /` and brackets.

use super::paper::printed;

/// Whether every sum of a line, `2 × (1759972.3 + 10.5) + 38.6 = 3520004 Hz` or two of them joined by `, or `, comes
/// to the result that stands behind it, in Hz or ppm, in the digits that stand there.
pub fn holds_on_paper(line: &str) -> bool {
    line.split(", or ").all(|sum| {
        let Some((sum, result)) = sum.rsplit_once(" = ") else { return false };
        let Some((result, "Hz" | "ppm")) = result.split_once(' ') else { return false };
        let decimals = result.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        worked_out(sum).is_some_and(|value| printed(value, decimals) == result)
    })
}

/// The value of a sum; `None` when it is not one.
pub(super) fn worked_out(sum: &str) -> Option<f64> {
    let spaced = sum.replace('(', "( ").replace(')', " )");
    let mut signs = spaced.split_whitespace();
    let mut pencil = Pencil { next: signs.next(), signs, depth: 0 };
    let value = pencil.sum()?;
    pencil.next.is_none().then_some(value)
}

/// Deeper brackets than this are no sum on paper.
const DEEPEST: usize = 16;

struct Pencil<'a> {
    next: Option<&'a str>,
    signs: std::str::SplitWhitespace<'a>,
    depth: usize,
}

impl<'a> Pencil<'a> {
    fn take(&mut self) -> Option<&'a str> {
        std::mem::replace(&mut self.next, self.signs.next())
    }

    fn sum(&mut self) -> Option<f64> {
        let mut total = self.product()?;
        while let Some(sign @ ("+" | "-")) = self.next {
            self.take();
            let term = self.product()?;
            total += if sign == "+" { term } else { -term };
        }
        Some(total)
    }

    fn product(&mut self) -> Option<f64> {
        let mut total = self.factor()?;
        while let Some(sign @ ("×" | "/")) = self.next {
            self.take();
            let factor = self.factor()?;
            total = if sign == "×" { total * factor } else { total / factor };
        }
        Some(total)
    }

    fn factor(&mut self) -> Option<f64> {
        match self.take()? {
            "(" if self.depth < DEEPEST => {
                self.depth += 1;
                let value = self.sum()?;
                self.depth -= 1;
                (self.take()? == ")").then_some(value)
            }
            number => number.parse().ok(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked out by hand.
    #[test]
    fn sums_are_worked_out_as_on_paper() {
        assert_eq!(worked_out("2 × (10 + 2.5) - 5"), Some(20.0));
        assert_eq!(worked_out("(2 × 10 - 4 + 2 × 3 / 4) / 2"), Some(8.75));
        assert_eq!(worked_out("-3 + 5"), Some(2.0));
        for wrong in ["", "2 ×", "(1 + 2", "1 2", ") 1", "2 + x"] {
            assert_eq!(worked_out(wrong), None, "{wrong}");
        }
        assert_eq!(worked_out(&"(".repeat(100_000)), None);
    }

    #[test]
    fn a_result_is_held_to_its_digits() {
        assert!(holds_on_paper("2 × (1759972.3 + 10.5) + 38.6 = 3520004 Hz"));
        assert!(!holds_on_paper("2 × (1759972.3 + 10.5) + 38.6 = 3520005 Hz"));
        assert!(holds_on_paper("100 - 7.25 = 92.75 Hz, or 100 + 7.25 = 107.25 Hz"));
        assert!(!holds_on_paper("100 - 7.25 = 92.75 Hz, or 100 + 7.25 = 107.26 Hz"));
        // A five is rounded up, as on paper.
        assert!(holds_on_paper("2 × (1886949.5 - 86.1) - 1360.3 = 3772367 Hz"));
        assert!(!holds_on_paper(""));
        assert!(holds_on_paper("(10000007.5 / 10000000 - 1) × 1000000 = 0.75 ppm"));
        assert!(!holds_on_paper("(10000007.5 / 10000000 - 1) × 1000000 = 0.76 ppm"));
        assert!(!holds_on_paper("1 + 1 = 2 kHz") && !holds_on_paper("1 + 1 = 2"));
    }
}
