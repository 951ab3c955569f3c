//! The sum on one line, to be redone on paper.
//!
//! The operands are printed with as many decimals as it takes for the printed sum to give the printed result.

use super::correct::Request;
use super::pencil::worked_out;
use super::work::{Setting, Work};
use crate::measured::decimals_for;
use std::fmt::Write;

/// Operands get up to so many decimals more than the result; two or three are enough but where the result lies next to
/// the edge of its last digit.
const MORE_DECIMALS: usize = 7;
/// Beyond so many decimals nothing of a radio frequency is left in a floating-point number.
const MOST_DECIMALS: usize = 9;

/// Decimals that a result is printed with: those of its expanded uncertainty.
pub(super) fn decimals(expanded_u_hz: f64) -> usize {
    decimals_for(expanded_u_hz.max(1e-6))
}

/// A result as it is printed: a five after the last digit is rounded away from zero, as on paper, also where a
/// floating-point number holds it as a trifle less.
pub(super) fn printed(hertz: f64, decimals: usize) -> String {
    let trifle = 1e-6 * 10f64.powi(-(decimals as i32));
    format!("{:.decimals$}", hertz + trifle.copysign(hertz))
}

/// A sum written with as many decimals in its operands as it takes for a pencil to come to the printed result:
/// `sum = result unit`. `write` writes it with so many decimals.
pub(super) fn equation(value: f64, decimals: usize, unit: &str, write: impl Fn(usize) -> String) -> String {
    let result = printed(value, decimals);
    let mut text = String::new();
    for places in decimals + 1..=(decimals + MORE_DECIMALS).min(MOST_DECIMALS).max(decimals + 1) {
        text = write(places);
        if worked_out(&text).is_some_and(|value| printed(value, decimals) == result) {
            break;
        }
    }
    format!("{text} = {result} {unit}")
}

/// ` + operand` or ` - operand`.
pub(super) fn signed(value: f64, places: usize) -> String {
    format!(" {} {:.places$}", if value < 0.0 { '-' } else { '+' }, value.abs())
}

/// The sum for each of the answers (two where the side is unknown), such as
/// `2 × (1862507.30 - 12.40) - 3.21 = 3724986.59 Hz`.
pub(super) fn line(request: &Request, work: &Work, answers: &[f64], expanded_u_hz: f64) -> String {
    let decimals = decimals(expanded_u_hz);
    let sums: Vec<String> = answers
        .iter()
        .zip([1.0, -1.0])
        .map(|(&answer, turn)| {
            let result = printed(answer, decimals);
            let mut sum = Sum::default();
            for places in decimals + 1..=(decimals + MORE_DECIMALS).min(MOST_DECIMALS) {
                sum = Sum { places, ..Sum::default() };
                let value = sum.write(request, work, turn);
                if printed(value, decimals) == result {
                    break;
                }
            }
            format!("{} = {result} Hz", sum.text)
        })
        .collect();
    sums.join(", or ")
}

/// A sum under the pen: its text, every operand rounded to `places`. Writing to a string can't fail.
#[derive(Default)]
struct Sum {
    places: usize,
    text: String,
}

impl Sum {
    /// An operand, written and as rounded.
    fn operand(&mut self, value: f64) -> f64 {
        let text = format!("{value:.*}", self.places);
        self.text += &text;
        text.parse().unwrap_or(value)
    }

    /// ` + operand` or ` - operand`; nothing where the value is nil.
    fn add(&mut self, value: f64) -> f64 {
        if value.abs() <= 0.0 {
            return 0.0;
        }
        self.text += if value < 0.0 { " - " } else { " + " };
        value.signum() * self.operand(value.abs())
    }

    /// Writes the sum and returns what the rounded operands give.
    fn write(&mut self, request: &Request, work: &Work, turn: f64) -> f64 {
        let (h, k) = (f64::from(request.harmonic), f64::from(request.signal_harmonic));
        let halves = work.settings.len() as f64;
        let divisor = k * halves;
        if request.signal_harmonic > 1 || halves > 1.0 {
            self.text.push('(');
        }
        let mut total = 0.0;
        for (place, setting) in work.settings.iter().enumerate() {
            if place > 0 {
                self.text += " + ";
            }
            total += h * self.fundamental(request, work, setting);
            total += self.add(-turn * setting.beat.map_or(0.0, |beat| beat.hertz));
        }
        if request.signal_harmonic > 1 || halves > 1.0 {
            let _ = write!(self.text, ") / {divisor}");
        }
        total / divisor
    }

    /// The meter's fundamental times H: from the check itself where it lies at this reading, else book + correction.
    fn fundamental(&mut self, request: &Request, work: &Work, setting: &Setting) -> f64 {
        if request.harmonic > 1 {
            let _ = write!(self.text, "{} × ", request.harmonic);
        }
        let alone = work.checks.as_ref().filter(|checks| work.transfer && checks.held.len() == 1);
        if let Some(checks) = alone {
            let held = &checks.held[0];
            let (n, m) = (held.check.crystal_harmonic, held.check.meter_harmonic);
            self.text.push('(');
            if n > 1 {
                let _ = write!(self.text, "{n} × ");
            }
            let mut value = f64::from(n) * self.operand(request.crystal.actual_hz());
            value += self.add(held.beat.hertz);
            self.text.push(')');
            if m > 1 {
                let _ = write!(self.text, " / {m}");
            }
            return value / f64::from(m);
        }
        let bracket = request.harmonic > 1 && setting.correction.abs() > 0.0;
        if bracket {
            self.text.push('(');
        }
        let mut value = self.operand(setting.point.hertz);
        value += self.add(setting.correction);
        if bracket {
            self.text.push(')');
        }
        value
    }
}
