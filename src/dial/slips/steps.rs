//! The chosen column: figures in even steps, where a slip breaks the step on both sides.

use super::edits;
use super::{Column, Page};

/// Steps alike to this share of a step.
const ALIKE: f64 = 1e-6;
/// A column is chosen when this share of its steps is like the one before.
const MOSTLY_EVEN: f64 = 0.5;

/// The column that goes in even steps, if one does.
pub(super) fn chosen_column(page: &Page, kept: &[usize]) -> Option<Column> {
    let even = |column: Column| {
        let values: Vec<f64> = kept.iter().map(|&row| page.columns[column.index()][row]).collect();
        let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let alike = steps.windows(2).filter(|pair| same(pair[0], pair[1], pair[1])).count();
        alike as f64 / steps.len().saturating_sub(1).max(1) as f64
    };
    let (frequency, reading) = (even(Column::Frequency), even(Column::Reading));
    let best = if reading > frequency { (Column::Reading, reading) } else { (Column::Frequency, frequency) };
    (best.1 > MOSTLY_EVEN).then_some(best.0)
}

fn same(a: f64, b: f64, step: f64) -> bool {
    (a - b).abs() <= ALIKE * step.abs().max(1e-9) + 1e-9
}

/// Doubts the figures that break the steps and puts what is expected in their place; returns the rows in the order in
/// which they should stand.
pub(super) fn judge(page: &mut Page, column: Column, mut kept: Vec<usize>) -> Vec<usize> {
    let place = column.index();
    let mut at = 0;
    while at < kept.len() {
        let value = |offset: isize| {
            let index = at as isize + offset;
            (index >= 0).then(|| kept.get(index as usize).map(|&row| page.columns[place][row])).flatten()
        };
        let here = page.columns[place][kept[at]];
        match expected(&value, here) {
            Verdict::Fits => {}
            Verdict::Swapped => {
                let (first, second) = (kept[at], kept[at + 1]);
                let reason =
                    format!("this row and the one in line {} have changed places", page.line(second));
                page.doubt(first, None, None, reason);
                kept.swap(at, at + 1);
                at += 1;
            }
            Verdict::Should(right, sure) => {
                let row = kept[at];
                let edit = edits::nearest(page.text(row, column), right, page.grain(column) / 2.0);
                // At an end one neighbour alone can't tell a slip from a change of step; the digits can.
                if sure || edit.is_some() {
                    let right = page.rounded(right, column);
                    let how = edit.map_or("out of step", |edit| edit.how);
                    let reason = page.figure_reason(row, column, right, how);
                    page.doubt(row, Some(column), Some(right), reason);
                    page.columns[place][row] = right;
                }
            }
        }
        at += 1;
    }
    kept
}

enum Verdict {
    Fits,
    Swapped,
    /// What should stand here, and whether both sides say so.
    Should(f64, bool),
}

/// Judges the figure `here` by those around it, `value(-2)` … `value(3)`.
fn expected(value: &dyn Fn(isize) -> Option<f64>, here: f64) -> Verdict {
    let step = |from: isize, to: isize| Some(value(to)? - value(from)?);
    if let (Some(before), Some(after)) = (value(-1), value(1)) {
        // The step of the neighbourhood, from two rows that are not under judgement.
        let steps = [step(-2, -1), step(1, 2), step(-3, -2), step(2, 3)];
        for step in steps.into_iter().flatten() {
            let right = before + step;
            if same(after - before, 2.0 * step, step) && step.abs() > 0.0 {
                return if same(here, right, step) { Verdict::Fits } else { Verdict::Should(right, true) };
            }
            if same(here, before + 2.0 * step, step)
                && same(after, right, step)
                && value(2).is_none_or(|next| same(next, before + 3.0 * step, step))
            {
                return Verdict::Swapped;
            }
        }
        return Verdict::Fits;
    }
    let (near, far, farther) = if value(-1).is_none() { (1, 2, 3) } else { (-1, -2, -3) };
    match (value(near), step(far, near), step(farther, far)) {
        (Some(next), Some(one), Some(other)) if same(one, other, one) && !same(here, next + one, one) => {
            Verdict::Should(next + one, false)
        }
        _ => Verdict::Fits,
    }
}
