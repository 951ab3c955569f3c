//! A corrected frequency as text: the result first, then the sum for paper, then the budget.

use super::lines::wrapped;
use crate::correction::{
    CheckResult, Component, DriftSource, Needed, Order, Recheck, Shape, TargetResult, Verdict,
};
use crate::measured::{decimals_for, value_and_u};
use crate::offset::Side;
use crate::report::html::{Set, Table};
use crate::task::correct::Corrected;
use std::fmt::Write;

/// Lines that make less than this share of u stand together on one line.
const MINOR: f64 = 0.02;

/// Sets a correction out in lines that fit 80 columns; the sum alone stays on one line, however long.
pub fn text(record: &Corrected) -> String {
    let mut lines = vec![format!("signal  {}", signal(record)), format!("meter   {}", meter(record))];
    if let Some(target) = &record.target {
        lines.push(format!("target  {}", target_words(target, record.u_hz)));
    }
    lines.push(format!("sum     {}", record.line));
    if let Some(order) = &record.order {
        lines.extend(wrapped("order   ", &order_words(order)));
    }
    if let Some(recheck) = &record.recheck {
        lines.extend(wrapped("recheck ", &recheck_words(recheck)));
    }
    if !record.checks.is_empty() {
        lines.push(check_header());
        lines.extend(record.checks.iter().map(check_row));
    }
    lines.extend(budget(&record.budget, record.u_hz));
    for warning in &record.warnings {
        lines.extend(wrapped("note    ", &warning.message));
    }
    lines.iter().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

pub(super) fn signal(record: &Corrected) -> String {
    let answers = record.frequency_hz.map_or_else(|| record.alternatives_hz.clone(), |hertz| vec![hertz]);
    let expanded = rounded_u(record.expanded_u_hz);
    let words: Vec<String> = answers.iter().map(|&hertz| format!("{} Hz", record.printed(hertz))).collect();
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

pub(super) fn target_words(target: &TargetResult, u_hz: f64) -> String {
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

/// Which harmonic the rests tell, or what would tell it.
fn order_words(order: &Order) -> String {
    let (ratio, u) = value_and_u(order.ratio, order.u_ratio);
    let by = format!("Δb/Δf = {ratio} ± {u} by the book");
    if let Some(told) = order.harmonic {
        let share = order.orders.first().map_or(0.0, |first| first.share);
        return format!("{by}: the meter's harmonic {told} ({})", share_words(share));
    }
    if !order.fits() {
        return format!("{by}: no harmonic fits");
    }
    let likely: Vec<String> = order
        .orders
        .iter()
        .filter(|one| one.share >= 0.01)
        .take(4)
        .map(|one| format!("{} ({:.0} %)", one.harmonic, one.share * 100.0))
        .collect();
    let then = match &order.needed {
        Some(Needed { readings: [low, high], note_hz, rests: 2 }) => {
            format!("rests at {low:.1} and {high:.1}, with notes of about {note_hz:.0} Hz, would tell")
        }
        Some(Needed { readings: [low, high], note_hz, rests }) => format!(
            "{rests} rests, half at {low:.1} and half at {high:.1}, with notes of about {note_hz:.0} Hz and the dial set anew for each, would tell"
        ),
        None => {
            "no readings within hearing of this beat would: turn on to the next beat and ask hushbeat unknown"
                .to_owned()
        }
    };
    format!("{by}, can't tell: {}; {then}", likely.join(", "))
}

fn share_words(share: f64) -> String {
    if share > 0.9995 { "> 99.9 %".to_owned() } else { format!("{:.1} %", share * 100.0) }
}

/// Until when the check holds.
fn recheck_words(recheck: &Recheck) -> String {
    let (rate, u) = value_and_u(recheck.drift_hz_per_min, recheck.drift_u_hz_per_min);
    let stated = recheck.drift_u_hz_per_min <= 0.0;
    let known = if stated { short(recheck.drift_hz_per_min) } else { format!("{rate} ± {u}") };
    let source = match recheck.source {
        DriftSource::Checks => "between the checks",
        DriftSource::Stated => "as stated",
        DriftSource::Rest => "within the rest, of meter and signal together",
    };
    let drift = format!("drift {known} Hz/min at the signal {source}");
    let within = format!("±{} Hz", rounded_u(recheck.within_hz));
    if recheck.minutes <= 0.0 {
        return format!("now: the uncertainty is no less than {within} already ({drift})");
    }
    let span = span_words(recheck.minutes);
    let until = match recheck.from_min {
        Some(from) => {
            format!("by {}, {span} after {}", time_of_day(from + recheck.minutes), time_of_day(from))
        }
        None => format!("within {span}"),
    };
    let longer = match recheck.seen_min {
        Some(seen) if recheck.bounded => {
            format!("; watched for {}, it is trusted no longer", span_words(seen))
        }
        None if recheck.bounded => "; it is trusted no longer than a day".to_owned(),
        _ => String::new(),
    };
    format!("{until}: until then results stay within {within} ({drift}{longer})")
}

/// A rate stated without uncertainty, to three significant digits.
fn short(value: f64) -> String {
    let magnitude = value.abs().max(1e-9).log10().floor();
    format!("{value:.*}", (2.0 - magnitude).clamp(0.0, 12.0) as usize)
}

/// Minutes, rounded down: a bound.
fn span_words(minutes: f64) -> String {
    // What is a whole second but for rounding is that second.
    let whole = (minutes + 1e-9).floor() as u32;
    match (whole / 60, whole % 60) {
        (0, _) if minutes < 2.0 => format!("{:.0} s", (60.0 * minutes + 1e-6).floor()),
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

fn time_of_day(minutes: f64) -> String {
    let whole = minutes.floor() as u32;
    format!("{:02}:{:02}", whole / 60 % 24, whole % 60)
}

fn check_header() -> String {
    let (crystal, book) = ("by crystal, Hz", "by book, Hz");
    format!(
        "checks{:>9}{:>8}{crystal:>16}{book:>16}{:>11}{:>8}{:>8}",
        "reading", "point", "error, Hz", "u, Hz", "weight"
    )
}

fn check_row(check: &CheckResult) -> String {
    let point = format!("{}/{}", check.crystal_harmonic, check.meter_harmonic);
    format!(
        "{:>15.1}{point:>8}{:>16.2}{:>16.2}{:>11.2}{:>8.2}{:>8.3}",
        check.reading, check.meter_hz, check.book_hz, check.error_hz, check.u_hz, check.weight
    )
}

fn budget(components: &[Component], u_hz: f64) -> Vec<String> {
    let row = |source: &str, value: &str, u: &str, sensitivity: &str, contribution: &str, kind: &str| {
        format!("{source:<31}{value:>14}{u:>10}{sensitivity:>9}{contribution:>8} {kind}")
    };
    let mut rows = vec![row("budget", "value", "u", "Hz/unit", "u, Hz", "kind")];
    let mut minor = Vec::new();
    for part in components {
        if part.u_hz < MINOR * u_hz {
            minor.push(part);
            continue;
        }
        let [value, u, kind] = figures(part);
        rows.push(row(
            &format!("  {}", part.source),
            &value,
            &u,
            &four_digits(part.sensitivity),
            &rounded_u(part.u_hz),
            &kind,
        ));
    }
    if !minor.is_empty() {
        let sum = minor.iter().map(|part| part.u_hz * part.u_hz).sum::<f64>().sqrt();
        let what = if let [only] = minor.as_slice() {
            format!("  {}", only.source)
        } else {
            format!("  {} lines that hardly count", minor.len())
        };
        rows.push(row(&what, "", "", "", &rounded_u(sum), ""));
    }
    rows.push(row("  together", "", "", "", &rounded_u(u_hz), ""));
    rows
}

/// The whole budget as a table for a page, the lines that hardly count included.
pub fn budget_table(record: &Corrected, caption: &str) -> Table {
    let columns = [
        ("source", Set::Words),
        ("value", Set::Figures),
        ("u", Set::Figures),
        ("Hz per unit", Set::Figures),
        ("contribution (Hz)", Set::Figures),
        ("kind", Set::Words),
    ];
    let mut table = Table::new(caption, &columns);
    for part in &record.budget {
        let [value, u, kind] = figures(part);
        table.row([&part.source, &value, &u, &four_digits(part.sensitivity), &rounded_u(part.u_hz), &kind]);
    }
    let together = ["together", "", "", "", &rounded_u(record.u_hz), ""];
    table.marked_row(together, "total");
    table
}

/// Value, u and kind of a line as they are printed.
fn figures(part: &Component) -> [String; 3] {
    let (value, u) = value_and_u(part.value, part.u);
    let (shape, bound) = match part.shape {
        Shape::Normal => ("", false),
        Shape::Rectangle => (" rect", part.value.abs() <= 0.0),
        Shape::Triangle => (" tri", false),
    };
    // What is only known to lie within a bound is not printed as zero.
    let value = if bound { format!("±{:.4}", part.u * 3f64.sqrt()) } else { value };
    let value = if bound { value.trim_end_matches('0').trim_end_matches('.') } else { &value };
    [format!("{value} {}", part.unit), format!("{u} {}", part.unit), format!("{:?}{shape}", part.kind)]
}

/// A sensitivity to four significant digits.
fn four_digits(value: f64) -> String {
    let magnitude = value.abs().max(1e-6).log10().floor();
    format!("{value:.*}", (3.0 - magnitude).clamp(0.0, 6.0) as usize)
}

/// An uncertainty to two significant digits.
fn rounded_u(u: f64) -> String {
    if u > 0.0 { format!("{u:.*}", decimals_for(u)) } else { "0".to_owned() }
}
