//! Links of the chain as text: the result first, then what it rests on, then the budget.

use super::lines::{notes, set};
use super::table::Table;
use crate::correction::Shape;
use crate::correction::chain::{CardReference, CounterReference, CrystalReference, Total};
use crate::measured::{decimals_for, value_and_u};
use crate::stations::{HF_PATH_REASON, STATIONS};
use std::fmt::Write;

/// The stations, one paragraph to each.
pub fn stations() -> String {
    let mut out = String::new();
    for station in STATIONS {
        let carriers: Vec<String> =
            station.carriers_hz.iter().map(|hertz| (hertz / 1e3).to_string()).collect();
        // Writing to a string can't fail.
        let _ = writeln!(out, "{:<7} {}", station.call, station.place);
        let mut line = |label: &str, words: &str| out.push_str(&set(&format!("  {label:<9}"), words));
        line("carriers", &format!("{} kHz", carriers.join(", ")));
        if !station.tones_hz.is_empty() {
            let tones: Vec<String> = station.tones_hz.iter().map(ToString::to_string).collect();
            line("tones", &format!("{} Hz", tones.join(", ")));
            line("marks", station.marks);
            line("quiet", station.quiet);
        }
        if let Some(sent) = station.sent_accuracy {
            line("as sent", &format!("within {sent:e} of nominal"));
        }
        line("source", station.source);
    }
    out + &set("", HF_PATH_REASON)
}

/// A crystal.
pub fn crystal(found: &CrystalReference) -> String {
    let mut out = result("crystal", found.error_ppm, &found.total);
    let (value, u) = value_and_u(
        found.nominal_hz * (1.0 + found.error_ppm * 1e-6),
        found.nominal_hz * found.total.expanded_u_ppm * 1e-6,
    );
    let _ = writeln!(out, "is      {value} ± {u} Hz, marked {} Hz", found.nominal_hz);
    let _ = writeln!(out, "sum     {}", found.line);
    let mut table = Table::new(&[
        ("carrier", "kHz"),
        ("harmonic", ""),
        ("beat", "Hz"),
        ("error", "ppm"),
        ("u", "ppm"),
        ("", ""),
    ]);
    for row in &found.observations {
        let (error, u) = value_and_u(row.error_ppm, row.u_ppm);
        let beat = row.beat_hz.map_or("zero beat".to_owned(), |beat| format!("{beat:+.2}"));
        let side = row.beat_hz.map_or("", |beat| if beat < 0.0 { "crystal below" } else { "crystal above" });
        table.row([
            (row.carrier_hz / 1e3).to_string(),
            row.harmonic.to_string(),
            beat,
            error,
            u,
            side.to_owned(),
        ]);
    }
    out + &table.print() + &budget(&found.total) + &notes(&found.warnings)
}

/// A counter.
pub fn counter(found: &CounterReference) -> String {
    let mut out = result("counter", found.error_ppm, &found.total);
    let u_hz = found.true_hz * found.total.expanded_u_ppm * 1e-6;
    let (shown, _) = value_and_u(found.shown_hz, u_hz);
    let (true_hz, _) = value_and_u(found.true_hz, u_hz);
    let _ = writeln!(out, "shows   {shown} Hz where {true_hz} Hz was counted");
    let _ = writeln!(out, "sum     {}", found.line);
    let word = if found.digit_supports { "is fine enough for this" } else { "is what limits this" };
    let _ = writeln!(out, "digit   its last digit is {:.3} ppm of that and {word}", found.digit_ppm);
    out + &budget(&found.total) + &notes(&found.warnings)
}

/// A sound card, or the receiver where that was found.
pub fn card(found: &CardReference) -> String {
    let mut out = match (found.error_ppm, found.tuning_error_hz, found.u_tuning_hz) {
        (Some(error_ppm), ..) => {
            let word = if error_ppm < 0.0 { "slow: it reads high" } else { "fast: it reads low" };
            let mut out = result("card", error_ppm, &found.total);
            let _ = writeln!(out, "is      {word}");
            out
        }
        (None, Some(tuning), Some(u)) => {
            let (value, u) = value_and_u(tuning.abs(), u);
            let way = if tuning < 0.0 { "down" } else { "up" };
            format!(
                "tuning  the receiver moves every tone {way} by {value} ± {u} Hz (u)\ncard    not told: its error hides \
                 behind the tuning\n"
            )
        }
        _ => String::new(),
    };
    let mut table = Table::new(&[
        ("tone", "Hz"),
        ("heard", "Hz"),
        ("u", "Hz"),
        ("off by", "Hz"),
        ("off by", "ppm"),
        ("used", "s"),
    ]);
    for row in &found.tones {
        let off = row.heard_hz - row.tone_hz;
        let (heard, u) = value_and_u(row.heard_hz, row.u_hz);
        let (off_hz, _) = value_and_u(off, row.u_hz);
        table.row([
            row.tone_hz.to_string(),
            heard,
            u,
            off_hz,
            format!("{:.2}", off / row.tone_hz * 1e6),
            format!("{:.0}", row.used_s),
        ]);
    }
    out.push_str(&table.print());
    if found.error_ppm.is_some() {
        out.push_str(&budget(&found.total));
    }
    out + &notes(&found.warnings)
}

fn result(what: &str, error_ppm: f64, total: &Total) -> String {
    let (value, expanded) = value_and_u(error_ppm, total.expanded_u_ppm);
    let sign = if error_ppm > 0.0 { "+" } else { "" };
    let dof = total.effective_dof.filter(|dof| *dof < 1e4);
    let dof = dof.map_or(String::new(), |dof| format!(", {:.0} degrees of freedom", dof.floor()));
    format!(
        "{what:<8}{sign}{value} ± {expanded} ppm (95 %, k = {:.2}{dof}; u = {} ppm)\n",
        total.coverage_factor,
        two_digits(total.u_ppm)
    )
}

fn budget(total: &Total) -> String {
    let row = |source: &str, value: &str, u: &str, contribution: &str, kind: &str| {
        format!("{source:<26}{value:>16}{u:>16}{contribution:>12}  {kind}").trim_end().to_owned() + "\n"
    };
    let mut out = row("budget", "value", "u", "u, ppm", "kind");
    for line in &total.budget {
        let (value, u) = value_and_u(line.value, line.u);
        let (shape, bound) = match line.shape {
            Shape::Normal => ("", None),
            Shape::Rectangle => (" rect", Some(3f64.sqrt())),
            Shape::Triangle => (" tri", None),
        };
        // What is only known to lie within a bound, or was not corrected for, is not printed as a measured zero.
        let value = match bound {
            Some(scale) if line.value.abs() <= 0.0 => {
                format!("±{} {}", two_digits(line.u * scale), line.unit)
            }
            _ if line.value.abs() <= 0.0 => String::new(),
            _ => format!("{value} {}", line.unit),
        };
        let kind = format!("{:?}{shape}", line.kind);
        out += &row(
            &format!("  {}", line.source),
            &value,
            &format!("{u} {}", line.unit),
            &two_digits(line.u_ppm),
            &kind,
        );
    }
    out + &row("  together", "", "", &two_digits(total.u_ppm), "")
}

fn two_digits(u: f64) -> String {
    if u > 0.0 { format!("{u:.*}", decimals_for(u)) } else { "0".to_owned() }
}
