//! A book set out for paper like a table of logarithms: the frequency's head down the side, its last figure along the
//! top, and the differences for what lies between.

use crate::dial::Rows;
use crate::report::html::{self, escape, outside};
use std::fmt::Write;

/// Lines that a leaf holds, and lines of a group set apart from the next.
const LINES: usize = 40;
const GROUP: usize = 5;
/// Entries that a line may hold, the best liked first.
const ACROSS: [usize; 4] = [10, 8, 5, 4];
/// A run of even steps shorter than this many lines is set out row by row.
const FEW: usize = 2;

/// Rows of one step: the first row, how many, and the step, Hz; without a step they are set out row by row.
struct Run {
    first: usize,
    count: usize,
    step_hz: Option<f64>,
}

/// A line of the table.
struct Line {
    head_hz: f64,
    cells: Vec<Option<usize>>,
}

/// The book as a page of leaves.
pub fn page(rows: &Rows, title: &str) -> String {
    let book = Book::new(rows);
    let mut leaves: Vec<String> = Vec::new();
    for run in book.runs() {
        match run.step_hz {
            Some(step) => {
                let lines = book.lines(&run, step);
                leaves.extend(lines.chunks(LINES).map(|part| book.leaf(part, step)));
            }
            None => leaves.extend(book.list(&run)),
        }
    }
    let count = leaves.len();
    let mut main = String::new();
    for (number, leaf) in leaves.iter().enumerate() {
        // Writing to a string can't fail.
        let _ = write!(
            main,
            "<section class=\"leaf\" aria-label=\"leaf {0} of {count}\">\n{leaf}<p class=\"folio\">{1} · leaf {0} of {count}</p>\n</section>\n",
            number + 1,
            outside(title)
        );
    }
    let (low, high) = (book.hertz[0], book.hertz[book.hertz.len() - 1]);
    let lead = format!(
        "<p>{} entries, {} to {} kHz. {}</p>\n",
        rows.hertz.len(),
        khz(low, book.decimals),
        khz(high, book.decimals),
        escape(&book.how_to())
    );
    let made = concat!("<p>Set out by hushbeat ", env!("CARGO_PKG_VERSION"), ".</p>\n");
    html::styled_page(&format!("Calibration book: {title}"), &lead, &main, made, RULES)
}

/// The rows by rising frequency, with the decimals that they need.
struct Book {
    hertz: Vec<f64>,
    readings: Vec<f64>,
    decimals: usize,
    reading_decimals: usize,
}

impl Book {
    fn new(rows: &Rows) -> Self {
        let (mut hertz, mut readings) = (rows.hertz.clone(), rows.readings.clone());
        if hertz.first() > hertz.last() {
            hertz.reverse();
            readings.reverse();
        }
        Self {
            hertz,
            readings,
            decimals: decimals_of(rows.frequency_grain_hz / 1e3),
            reading_decimals: decimals_of(rows.reading_grain),
        }
    }

    fn reading(&self, row: usize) -> String {
        format!("{:.*}", self.reading_decimals, self.readings[row])
    }

    /// Cuts the book where its step changes; what has no step, or too few rows of it, is left as it is.
    fn runs(&self) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        let mut first = 0;
        while first < self.hertz.len() {
            let mut last = first;
            let step = self.hertz.get(first + 1).map_or(0.0, |next| next - self.hertz[first]);
            while last + 1 < self.hertz.len() && alike(self.hertz[last + 1] - self.hertz[last], step) {
                last += 1;
            }
            let count = last - first + 1;
            let even = count >= FEW * across(step);
            match runs.last_mut() {
                Some(before) if !even && before.step_hz.is_none() => before.count += count,
                _ => runs.push(Run { first, count, step_hz: even.then_some(step) }),
            }
            first = last + 1;
        }
        runs
    }

    fn lines(&self, run: &Run, step: f64) -> Vec<Line> {
        let across = across(step);
        let wide = step * across as f64;
        // Heads are round figures where the entries are multiples of their step; else they are counted from the first.
        let first = self.hertz[run.first];
        let even = (first / step - (first / step).round()).abs() < 1e-6;
        let origin = if even { 0.0 } else { first };
        let mut lines: Vec<Line> = Vec::new();
        for row in run.first..run.first + run.count {
            let head_hz = origin + ((self.hertz[row] - origin) / wide + 1e-6).floor() * wide;
            let at = ((self.hertz[row] - head_hz) / step).round() as usize;
            if lines.last().is_none_or(|line| (line.head_hz - head_hz).abs() > step / 2.0) {
                lines.push(Line { head_hz, cells: vec![None; across] });
            }
            if let Some(cell) = lines.last_mut().and_then(|line| line.cells.get_mut(at)) {
                *cell = Some(row);
            }
        }
        lines
    }

    /// One leaf of even steps.
    fn leaf(&self, lines: &[Line], step: f64) -> String {
        let even =
            lines.iter().all(|line| (line.head_hz / step - (line.head_hz / step).round()).abs() < 1e-6);
        let head_decimals = if even { decimals_of(step * across(step) as f64 / 1e3) } else { self.decimals };
        let mut text = String::from("<table class=\"book\">\n");
        let rows = || lines.iter().flat_map(|line| line.cells.iter().flatten().copied());
        let (first, last) = (rows().next().unwrap_or(0), rows().last().unwrap_or(0));
        // Writing to a string can't fail.
        let _ = write!(
            text,
            "<caption>{} to {} kHz</caption>\n<thead>\n<tr><th scope=\"col\">kHz</th>",
            khz(self.hertz[first], self.decimals),
            khz(self.hertz[last], self.decimals)
        );
        for at in 0..across(step) {
            let add = khz(at as f64 * step, decimals_of(step / 1e3));
            let _ = write!(text, "<th scope=\"col\">+{add}</th>");
        }
        text.push_str("<th scope=\"col\" class=\"d\">d</th><th scope=\"col\" class=\"d\">Hz/div</th></tr>\n</thead>\n<tbody>\n");
        for (number, line) in lines.iter().enumerate() {
            let class = if number % GROUP == GROUP - 1 { " class=\"last\"" } else { "" };
            let head = khz(line.head_hz, head_decimals);
            let _ = write!(text, "<tr{class}><th scope=\"row\">{head}</th>");
            for cell in &line.cells {
                let _ = write!(text, "<td>{}</td>", cell.map_or_else(String::new, |row| self.reading(row)));
            }
            let d = self.difference(line);
            let _ = writeln!(
                text,
                "<td class=\"d\">{}</td><td class=\"d\">{}</td></tr>",
                d.map_or_else(String::new, |d| format!("{d:.*}", self.reading_decimals + 1)),
                d.map_or_else(String::new, |d| format!("{:.2}", step / d.abs()))
            );
        }
        text.push_str("</tbody>\n</table>\n");
        text
    }

    /// Mean difference of the readings from one entry of a line to the next, the first of the next line included.
    fn difference(&self, line: &Line) -> Option<f64> {
        let first = *line.cells.iter().flatten().next()?;
        let last = *line.cells.iter().flatten().last()?;
        let step = self.hertz.get(first + 1).map_or(0.0, |next| next - self.hertz[first]);
        let next = (last + 1 < self.hertz.len() && alike(self.hertz[last + 1] - self.hertz[last], step))
            .then_some(last + 1);
        let last = next.unwrap_or(last);
        (last > first).then(|| (self.readings[last] - self.readings[first]) / (last - first) as f64)
    }

    /// Leaves of rows without an even step: three columns of frequency, reading and difference.
    fn list(&self, run: &Run) -> Vec<String> {
        const COLUMNS: usize = 3;
        let rows: Vec<usize> = (run.first..run.first + run.count).collect();
        rows.chunks(LINES * COLUMNS)
            .map(|leaf| {
                let deep = leaf.len().div_ceil(COLUMNS);
                let head = "<th scope=\"col\">kHz</th><th scope=\"col\">reading</th><th scope=\"col\" class=\"d\">d</th>";
                let mut text = format!(
                    "<table class=\"book list\">\n<caption>{} to {} kHz</caption>\n<thead>\n<tr>{}</tr>\n</thead>\n<tbody>\n",
                    khz(self.hertz[leaf[0]], self.decimals),
                    khz(self.hertz[leaf[leaf.len() - 1]], self.decimals),
                    head.repeat(leaf.len().div_ceil(deep))
                );
                for line in 0..deep {
                    let class = if line % GROUP == GROUP - 1 { " class=\"last\"" } else { "" };
                    // Writing to a string can't fail.
                    let _ = write!(text, "<tr{class}>");
                    for &row in leaf.iter().skip(line).step_by(deep) {
                        let d = self.readings.get(row + 1).map(|next| next - self.readings[row]);
                        let _ = write!(
                            text,
                            "<th scope=\"row\">{}</th><td>{}</td><td class=\"d\">{}</td>",
                            khz(self.hertz[row], self.decimals),
                            self.reading(row),
                            d.map_or_else(String::new, |d| format!("{d:.*}", self.reading_decimals))
                        );
                    }
                    text.push_str("</tr>\n");
                }
                text.push_str("</tbody>\n</table>\n");
                text
            })
            .collect()
    }

    /// How to read between entries, on an example from the book's middle.
    fn how_to(&self) -> String {
        let row = (self.hertz.len() / 2).min(self.hertz.len().saturating_sub(2));
        let Some((&next_hz, &next)) = self.hertz.get(row + 1).zip(self.readings.get(row + 1)) else {
            return String::new();
        };
        let (here_hz, here) = (self.hertz[row], self.readings[row]);
        let d = next - here;
        let decimals = self.reading_decimals;
        format!(
            "The entries are dial readings; d is the difference to the next entry. Between entries take the part of the \
             step times d: {} kHz is 0.4 of the way from {} to {}, so {here:.decimals$} {} 0.4 × {:.decimals$} = {:.decimals$}.",
            khz(here_hz + 0.4 * (next_hz - here_hz), self.decimals + 1),
            khz(here_hz, self.decimals),
            khz(next_hz, self.decimals),
            if d < 0.0 { "−" } else { "+" },
            d.abs(),
            here + 0.4 * d
        )
    }
}

fn khz(hertz: f64, decimals: usize) -> String {
    format!("{:.decimals$}", hertz / 1e3)
}

fn alike(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-6 * b.abs()
}

/// Entries to a line: the number that makes the line's width the roundest figure.
fn across(step_hz: f64) -> usize {
    let digits = |count: &usize| {
        let wide = format!("{:.6e}", step_hz * *count as f64);
        wide.split_once('e').map_or(9, |(figures, _)| figures.trim_end_matches('0').len())
    };
    // The first of those that are equally round.
    ACROSS.into_iter().min_by_key(digits).unwrap_or(ACROSS[0])
}

/// Decimals that figures need which are multiples of this.
fn decimals_of(grain: f64) -> usize {
    (0..6)
        .find(|&places| {
            let scaled = grain * 10f64.powi(places);
            (scaled - scaled.round()).abs() < 1e-6 * scaled.max(1.0) && scaled.round() >= 1.0
        })
        .map_or(6, |places| places as usize)
}

const RULES: &str = "\
body { max-width: 62rem; }
.leaf { margin: 2rem 0 0; overflow-x: auto; }
table.book { font-size: .875rem; }
table.book caption { font-weight: 600; color: var(--ink); }
table.book th, table.book td { padding: .12rem .45rem; text-align: right; border-bottom: 0; white-space: nowrap; }
table.book thead th { border-bottom: 2px solid var(--rule); }
table.book tbody th { border-right: 1px solid var(--rule); }
table.book tr.last th, table.book tr.last td { border-bottom: 1px solid var(--rule); }
table.book .d { color: var(--quiet); }
table.book td.d:nth-last-child(2), table.book th.d:nth-last-child(2) { border-left: 1px solid var(--rule); }
table.list td.d { border-right: 1px solid var(--rule); }
.folio { color: var(--quiet); font-size: .8rem; text-align: right; max-width: none; }
@media print {
  @page { size: A4 portrait; margin: 12mm; }
  .leaf { margin: 0; break-inside: avoid; break-after: page; overflow: visible; }
  .leaf:last-child { break-after: auto; }
  table.book { font-size: 8.5pt; }
  table.book th, table.book td { padding: .6mm 1.6mm; }
}
";
