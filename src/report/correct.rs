//! A corrected frequency as text: the result first, then the sum for paper, then the budget.

use crate::correction::{CheckResult, Component, TargetResult, Verdict};
use crate::measured::{decimals_for, value_and_u};
use crate::offset::Side;
use crate::task::correct::Corrected;
use std::fmt::Write;

/// Lines that make less than this share of u stand together on one line.
const MINOR: f64 = 0.02;

/// Sets a correction out in short lines.
pub fn text(record: &Corrected) -> String {
    let mut out = String::new();
    let mut line = |label: &str, body: &str| {
        // Writing to a string can't fail.
        let _ = writeln!(out, "{label:<9}{body}");
    };
    line("signal", &signal(record));
    line("meter", &meter(record));
    if let Some(target) = &record.target {
        line("target", &target_words(target, record.u_hz));
    }
    line("sum", &record.line);
    if !record.checks.is_empty() {
        let mut label = "checks";
        for check in std::iter::once(check_header()).chain(record.checks.iter().map(check_row)) {
            line(label, &check);
            label = "";
        }
    }
    let mut label = "budget";
    for row in budget(&record.budget, record.u_hz) {
        line(label, &row);
        label = "";
    }
    for warning in &record.warnings {
        line("note", &warning.message);
    }
    out
}

fn signal(record: &Corrected) -> String {
    let answers = record.frequency_hz.map_or_else(|| record.alternatives_hz.clone(), |hertz| vec![hertz]);
    let expanded = rounded_u(record.expanded_u_hz);
    let decimals = decimals_for(record.expanded_u_hz.max(1e-6));
    let words: Vec<String> = answers.iter().map(|hertz| format!("{hertz:.decimals$} Hz")).collect();
    let dof =
        record.effective_dof.map_or(String::new(), |dof| format!(", {:.0} degrees of freedom", dof.floor()));
    let each = if answers.len() > 1 { " each" } else { "" };
    format!(
        "{} ± {expanded} Hz{each} (95 %, k = {:.2}{dof}; u = {} Hz)",
        words.join(" or "),
        record.coverage_factor,
        rounded_u(record.u_hz)
    )
}

fn meter(record: &Corrected) -> String {
    let decimals = decimals_for(record.u_hz.max(1e-6));
    let harmonic = f64::from(record.harmonic) * record.meter_hz;
    let of = if record.harmonic > 1 {
        format!(" (harmonic {} of {:.decimals$} Hz)", record.harmonic, record.meter_hz)
    } else {
        String::new()
    };
    let against = if record.signal_harmonic > 1 {
        format!("the signal's harmonic {}", record.signal_harmonic)
    } else {
        "the signal".to_owned()
    };
    let offset = match (record.offset_hz, record.side) {
        (Some(offset), Side::High) => format!(", {offset:.2} Hz above {against}"),
        (Some(offset), Side::Low) => format!(", {offset:.2} Hz below {against}"),
        (Some(offset), Side::Unknown) => format!(", {offset:.2} Hz above or below {against}"),
        (None, _) => String::new(),
    };
    format!("{harmonic:.decimals$} Hz{of}{offset}")
}

fn target_words(target: &TargetResult, u_hz: f64) -> String {
    let mut words = format!("{} Hz", target.target_hz);
    if let Some(difference) = target.difference_hz {
        let (size, _) = value_and_u(difference.abs(), u_hz);
        let side = if difference < 0.0 { "below" } else { "above" };
        let _ = write!(words, ": the signal is {size} Hz {side} it");
    }
    if let (Some(tolerance), Some(verdict), Some(probability)) =
        (target.tolerance_hz, target.verdict, target.probability_inside)
    {
        let word = match verdict {
            Verdict::Inside => "inside",
            Verdict::Outside => "outside",
            Verdict::Undecided => "undecided",
        };
        let _ = write!(words, "; within ±{tolerance:.1} Hz: {word} ({:.1} % inside)", probability * 100.0);
    }
    words
}

fn check_header() -> String {
    format!(
        "{:>10}{:>9}{:>16}{:>16}{:>12}{:>9}{:>8}",
        "reading", "point", "crystal, Hz", "book, Hz", "error, Hz", "u, Hz", "weight"
    )
}

fn check_row(check: &CheckResult) -> String {
    let point = format!("{}/{}", check.crystal_harmonic, check.meter_harmonic);
    format!(
        "{:>10.1}{point:>9}{:>16.2}{:>16.2}{:>12.2}{:>9.2}{:>8.3}",
        check.reading, check.meter_hz, check.book_hz, check.error_hz, check.u_hz, check.weight
    )
}

fn budget(components: &[Component], u_hz: f64) -> Vec<String> {
    let row = |source: &str, value: &str, u: &str, sensitivity: &str, contribution: &str, kind: &str| {
        format!("{source:<28}{value:>18}{u:>14}{sensitivity:>14}{contribution:>9}  {kind}")
    };
    let mut rows = vec![row("source", "value", "u", "Hz per unit", "u, Hz", "kind")];
    let mut minor = Vec::new();
    for part in components {
        if part.u_hz < MINOR * u_hz {
            minor.push(part);
            continue;
        }
        let (value, u) = value_and_u(part.value, part.u);
        let shape = match part.shape {
            crate::correction::Shape::Normal => "",
            crate::correction::Shape::Rectangle => " rect",
        };
        let kind = format!("{:?}{shape}", part.kind);
        rows.push(row(
            &part.source,
            &format!("{value} {}", part.unit),
            &format!("{u} {}", part.unit),
            &format!("{:.4}", part.sensitivity),
            &rounded_u(part.u_hz),
            &kind,
        ));
    }
    if !minor.is_empty() {
        let sum = minor.iter().map(|part| part.u_hz * part.u_hz).sum::<f64>().sqrt();
        let what = if let [only] = minor.as_slice() {
            only.source.clone()
        } else {
            format!("{} lines that hardly count", minor.len())
        };
        rows.push(format!("{what:<74}{:>9}", rounded_u(sum)));
    }
    rows.push(format!("{:<74}{:>9}", "together", rounded_u(u_hz)));
    rows
}

/// An uncertainty to two significant digits.
fn rounded_u(u: f64) -> String {
    if u > 0.0 { format!("{u:.*}", decimals_for(u)) } else { "0".to_owned() }
}
