//! Drift and stability as text.

use super::lines::notes;
use super::table::Table;
use crate::measured::decimals_for;
use crate::stability::Point;
use crate::task::drift::DriftRecord;
use std::fmt::Write;

/// Sets a record out in lines that fit 80 columns.
pub fn text(record: &DriftRecord) -> String {
    let unit = if record.unit == "Hz" { " Hz" } else { "" };
    let mut out = format!(
        "{}: {} values {} s apart{}\n\n",
        record.path,
        record.points,
        record.tau0_s,
        match record.gaps {
            0 => String::new(),
            gaps => format!(", {gaps} missing"),
        }
    );
    // Writing to a string can't fail.
    let span = record.points as f64 * record.tau0_s;
    let _ = writeln!(out, "mean     {}{unit}", figure(record.mean, record.u_rate_per_s * span / 3.5));
    let (scale, per) = per(span);
    let rate = figure(record.rate_per_s * scale, record.u_rate_per_s * scale);
    let _ = writeln!(
        out,
        "drift    {rate} ± {}{unit}/{per} (u) at the end",
        significant(record.u_rate_per_s * scale)
    );
    if let Some(warm) = &record.warm_up {
        let _ = writeln!(
            out,
            "warm-up  {} ± {}{unit} still to go at the beginning, time constant {} ± {} s (u)",
            figure(-warm.amplitude, warm.u_amplitude),
            significant(warm.u_amplitude),
            figure(warm.time_constant_s, warm.u_time_constant_s),
            significant(warm.u_time_constant_s),
        );
    } else {
        let _ = writeln!(out, "warm-up  none to be seen");
    }
    if let Some(limit) = record.limit_per_s {
        let limit = format!("{}{unit}/{per}", significant(limit * scale));
        let _ = match record.settled_s {
            Some(at) => writeln!(out, "settled  from {at:.0} s on within {limit}"),
            None => writeln!(out, "settled  not within {limit}"),
        };
    }
    out.push('\n');
    out += &family(record);
    out + &notes(&record.warnings)
}

fn family(record: &DriftRecord) -> String {
    let stability = &record.stability;
    let time = if record.unit == "Hz" { "cycles" } else { "s" };
    let unit = if record.unit == "Hz" { "Hz" } else { "" };
    let mut table = Table::new(&[
        ("tau", "s"),
        ("Allan", unit),
        ("95 % from", unit),
        ("to", unit),
        ("modified", unit),
        ("time", time),
        ("Hadamard", unit),
        ("total", unit),
        ("noise", ""),
    ]);
    let value = |list: &[Point], tau_s: f64| {
        let point = list.iter().find(|point| (point.tau_s - tau_s).abs() < 1e-9 * tau_s);
        point.map_or(String::new(), |point| format!("{:.2e}", point.value))
    };
    for point in &stability.overlapping_allan {
        table.row([
            point.tau_s.to_string(),
            format!("{:.2e}", point.value),
            format!("{:.1e}", point.low),
            format!("{:.1e}", point.high),
            value(&stability.modified_allan, point.tau_s),
            value(&stability.time, point.tau_s),
            value(&stability.hadamard, point.tau_s),
            value(&stability.total, point.tau_s),
            point.noise.word().to_owned(),
        ]);
    }
    table.print()
}

/// The time unit that suits a rate over the span, in s.
fn per(span_s: f64) -> (f64, &'static str) {
    if span_s < 600.0 {
        (1.0, "s")
    } else if span_s < 36_000.0 {
        (60.0, "min")
    } else {
        (3600.0, "h")
    }
}

/// A value to the place of the second digit of its uncertainty; powers of ten where it is small.
fn figure(value: f64, u: f64) -> String {
    if u > 0.0 && u.is_finite() && value.abs().max(u) >= 1e-4 {
        format!("{value:.*}", decimals_for(u))
    } else {
        let digits = if u > 0.0 { (value.abs() / u).max(1.0).log10().floor() as usize + 1 } else { 3 };
        format!("{value:.*e}", digits.min(9))
    }
}

/// Two significant digits.
fn significant(value: f64) -> String {
    if value >= 1e-4 { format!("{value:.*}", decimals_for(value)) } else { format!("{value:.1e}") }
}
