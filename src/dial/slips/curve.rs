//! The measured column: every row against a curve through its neighbours.

use super::edits;
use super::{Column, Page};
use crate::dial::fit::Fit;

/// Neighbours that a row is judged by, half of them on either side where there are so many.
const NEIGHBOURS: usize = 8;
/// Degree of the curve with neighbours on both sides, and at an end.
const DEGREE: usize = 3;
const DEGREE_AT_END: usize = 2;
/// Rows around that tell how much scatter is usual.
const AROUND: usize = 50;
/// A row farther off than this many times the usual is doubted. Rounding alone reaches 4, being bounded.
const STRANGE: f64 = 6.0;
/// A jump explains a disturbance when it leaves this share of what one slip would leave.
const BETTER: f64 = 0.1;
/// A jump of one row's difference, give or take this share: the rows were shifted.
const ONE_ROW: f64 = 0.2;
/// More slips than this share of the rows are no slips but another kind of table.
const MOST: f64 = 0.25;

/// A sequence of rows under judgement: abscissa and ordinate in the order of the page.
struct Sequence {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Row on the page.
    rows: Vec<usize>,
    /// Set aside: known to be wrong.
    aside: Vec<bool>,
    /// A jump between an index and the next: (index of the row after it, size).
    jumps: Vec<(usize, f64)>,
    rounding_u: f64,
}

/// Doubts rows off the curve. `chosen` is the column in even steps, judged already.
pub(super) fn judge(page: &mut Page, chosen: Option<Column>, mut kept: Vec<usize>) {
    let measured = chosen.unwrap_or(Column::Frequency).other();
    let along = measured.other();
    let (x, y) = (along.index(), measured.index());
    let up = kept.first().zip(kept.last()).is_none_or(|(&a, &b)| page.columns[x][a] <= page.columns[x][b]);
    // Rows out of order are judged where they belong, those of equal abscissa once.
    kept.sort_by(|&a, &b| {
        let order = page.columns[x][a].total_cmp(&page.columns[x][b]);
        if up { order } else { order.reverse() }
    });
    let mut rows: Vec<usize> = Vec::new();
    for row in kept {
        match rows.last() {
            Some(&before) if (page.columns[x][before] - page.columns[x][row]).abs() < 1e-9 => {
                let (word, _) = along.words();
                let reason = format!("this {word} stands already in line {}", page.line(before));
                page.doubt(row, None, None, reason);
            }
            _ => rows.push(row),
        }
    }
    let mut sequence = Sequence {
        x: rows.iter().map(|&row| page.columns[x][row]).collect(),
        y: rows.iter().map(|&row| page.columns[y][row]).collect(),
        aside: vec![false; rows.len()],
        jumps: Vec::new(),
        rounding_u: page.grain(measured) / 12f64.sqrt(),
        rows,
    };
    sequence.search();
    sequence.tell(page, measured);
}

impl Sequence {
    /// Rows set aside, and jumps, until the rest is smooth.
    fn search(&mut self) {
        let count = self.x.len();
        if count < NEIGHBOURS {
            return;
        }
        let usual = self.usual_scatter();
        let mut scores: Vec<f64> = (0..count).map(|at| self.strangeness(at, &usual)).collect();
        let most = (count as f64 * MOST) as usize;
        while self.aside.iter().filter(|aside| **aside).count() + self.jumps.len() < most {
            let Some(worst) = (0..count).max_by(|&a, &b| scores[a].total_cmp(&scores[b])) else { return };
            if scores[worst] <= STRANGE {
                return;
            }
            let worst = self.culprit(worst, &scores);
            match self.jump_near(worst) {
                Some(jump) => self.jumps.push(jump),
                None => self.aside[worst] = true,
            }
            let near = 2 * NEIGHBOURS;
            let from = worst.saturating_sub(near);
            for (place, score) in scores[from..(worst + near + 1).min(count)].iter_mut().enumerate() {
                *score = self.strangeness(from + place, &usual);
            }
        }
        // Nothing here is smooth: better silent than a list of everything.
        self.aside.fill(false);
        self.jumps.clear();
    }

    /// The nearest rows that are not set aside, half on either side of `at` as far as there are any and no jump lies
    /// between.
    fn neighbours(&self, at: usize) -> Vec<usize> {
        let fenced = |a: usize, b: usize| self.jumps.iter().any(|&(first, _)| a < first && first <= b);
        let before: Vec<usize> = (0..at)
            .rev()
            .filter(|&row| !self.aside[row])
            .take_while(|&row| !fenced(row, at))
            .take(NEIGHBOURS)
            .collect();
        let after: Vec<usize> = (at + 1..self.x.len())
            .filter(|&row| !self.aside[row])
            .take_while(|&row| !fenced(at, row))
            .take(NEIGHBOURS)
            .collect();
        let half = NEIGHBOURS / 2;
        let left = before.len().min(half.max(NEIGHBOURS.saturating_sub(after.len())));
        let right = after.len().min(NEIGHBOURS - left);
        before[..left].iter().chain(&after[..right]).copied().collect()
    }

    /// What the curve through `neighbours` says at `at`, and the uncertainty of the difference to a row there for
    /// rows of uncertainty 1.
    fn expected(&self, at: usize, neighbours: &[usize]) -> Option<(f64, f64)> {
        let centre = self.x[at];
        let both = neighbours
            .iter()
            .filter(|&&row| row < at)
            .count()
            .min(neighbours.iter().filter(|&&row| row > at).count());
        let degree = if both >= NEIGHBOURS / 2 - 1 { DEGREE } else { DEGREE_AT_END };
        if neighbours.len() < degree + 2 {
            return None;
        }
        let reach = neighbours.iter().map(|&row| (self.x[row] - centre).abs()).fold(0.0, f64::max);
        let basis: Vec<Vec<f64>> =
            neighbours.iter().map(|&row| powers(degree, (self.x[row] - centre) / reach)).collect();
        let values: Vec<f64> = neighbours.iter().map(|&row| self.y[row]).collect();
        let fit = Fit::new(&basis, &values, &vec![1.0; values.len()])?;
        let here = powers(degree, 0.0);
        Some((fit.value(&here), (1.0 + fit.variance(&here)).sqrt()))
    }

    /// Row less curve over the uncertainty that rounding gives it, for rows with a full set of neighbours; for an end
    /// the same is worked out on the rows near it with neighbours on one side only.
    fn usual_scatter(&self) -> Usual {
        let count = self.x.len();
        let one = |at: usize, neighbours: &[usize]| {
            self.expected(at, neighbours).map(|(value, u)| ((self.y[at] - value) / u).abs())
        };
        let inside: Vec<Option<f64>> = (0..count).map(|at| one(at, &self.neighbours(at))).collect();
        let sided = |at: usize, up: bool| {
            let reach = NEIGHBOURS;
            let fits = if up { at + reach < count } else { at >= reach };
            let neighbours: Vec<usize> =
                if up { (at + 1..=at + reach).collect() } else { (at.saturating_sub(reach)..at).collect() };
            if fits { one(at, &neighbours) } else { None }
        };
        let side = |up: bool| (0..count).map(|at| sided(at, up)).collect::<Vec<_>>();
        Usual { inside, rising: side(true), falling: side(false) }
    }

    /// How far a row is off, in units of what is usual about it.
    fn strangeness(&self, at: usize, usual: &Usual) -> f64 {
        if self.aside[at] {
            return 0.0;
        }
        let neighbours = self.neighbours(at);
        let Some((expected, u)) = self.expected(at, &neighbours) else { return 0.0 };
        let before = neighbours.iter().filter(|&&row| row < at).count();
        let column = if before + 1 < NEIGHBOURS / 2 {
            &usual.rising
        } else if neighbours.len() - before + 1 < NEIGHBOURS / 2 {
            &usual.falling
        } else {
            &usual.inside
        };
        (self.y[at] - expected).abs() / (u * scatter(column, at).max(self.rounding_u))
    }

    /// Of the strange rows about the worst, the one that explains the disturbance by itself: near an end a slip can make
    /// its neighbour look worse than its own row.
    fn culprit(&self, worst: usize, scores: &[f64]) -> usize {
        let rows = self.window(worst);
        let left = |suspect: usize| {
            self.left_over(&rows, worst, &|row| f64::from(u8::from(row == suspect))).map(|left| left.1)
        };
        let mut best = (worst, left(worst).unwrap_or(f64::INFINITY));
        for &suspect in rows.iter().filter(|&&row| row.abs_diff(worst) <= NEIGHBOURS / 2) {
            if scores[suspect] > STRANGE
                && let Some(left) = left(suspect)
                && left < best.1 * (1.0 - 1e-9)
            {
                best = (suspect, left);
            }
        }
        best.0
    }

    /// The rows about `gap` that are not set aside and that no jump, but for one at `gap` itself, cuts off from it.
    fn window(&self, gap: usize) -> Vec<usize> {
        let fence = |row: usize| {
            self.jumps.iter().any(|&(first, _)| {
                let (low, high) = (row.min(gap), row.max(gap));
                first != gap && low < first && first <= high
            })
        };
        let from = gap.saturating_sub(NEIGHBOURS - 2);
        let to = (gap + NEIGHBOURS - 2).min(self.x.len());
        (from..to).filter(|&row| !self.aside[row] && !fence(row)).collect()
    }

    /// A jump beside a disturbed row, when that explains the disturbance far better than a slip in that row.
    fn jump_near(&self, worst: usize) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64, f64)> = None;
        for gap in worst.saturating_sub(1)..=(worst + 2).min(self.x.len() - 1) {
            let rows = self.window(gap);
            let sides = (
                rows.iter().filter(|&&row| row < gap).count(),
                rows.iter().filter(|&&row| row >= gap).count(),
            );
            if sides.0 < 3 || sides.1 < 3 || self.jumps.iter().any(|jump| jump.0 == gap) {
                continue;
            }
            let slip = self.left_over(&rows, gap, &|row| f64::from(u8::from(row == worst)));
            let jump = self.left_over(&rows, gap, &|row| f64::from(u8::from(row >= gap)));
            if let (Some(slip), Some(jump)) = (slip, jump)
                && jump.1 < BETTER * slip.1
                && best.is_none_or(|best| jump.1 < best.2)
            {
                best = Some((gap, jump.0, jump.1));
            }
        }
        best.map(|(gap, size, _)| (gap, size))
    }

    /// Fits curve and one disturbance; its size and the sum of squares left.
    fn left_over(&self, rows: &[usize], gap: usize, disturbed: &dyn Fn(usize) -> f64) -> Option<(f64, f64)> {
        let centre = self.x[gap];
        let reach = rows.iter().map(|&row| (self.x[row] - centre).abs()).fold(0.0, f64::max);
        let degree = if rows.len() >= 9 { DEGREE } else { DEGREE_AT_END };
        let basis: Vec<Vec<f64>> = rows
            .iter()
            .map(|&row| {
                let mut cells = powers(degree, (self.x[row] - centre) / reach);
                cells.push(disturbed(row));
                cells
            })
            .collect();
        let values: Vec<f64> = rows.iter().map(|&row| self.y[row]).collect();
        let fit = Fit::new(&basis, &values, &vec![self.rounding_u.max(1e-12); values.len()])?;
        // Even what a perfect fit leaves is not less than rounding.
        let left = fit.residuals.iter().map(|r| r * r).sum::<f64>().max(fit.dof.max(1) as f64);
        Some((*fit.coefficients.last()?, left))
    }

    /// Puts what was found into words.
    fn tell(&mut self, page: &mut Page, measured: Column) {
        self.jumps.sort_by_key(|jump| jump.0);
        let mut open: Option<(usize, f64)> = None;
        for (at, size) in self.jumps.clone() {
            match open.take() {
                Some((from, before)) if (before + size).abs() < ONE_ROW * 2.0 * before.abs() => {
                    self.tell_run(page, measured, from..at, before);
                }
                Some(first) => {
                    self.tell_jump(page, measured, first);
                    open = Some((at, size));
                }
                None => open = Some((at, size)),
            }
        }
        if let Some(last) = open {
            self.tell_jump(page, measured, last);
        }
        let alone: Vec<usize> = (0..self.x.len()).filter(|&at| self.aside[at]).collect();
        for at in alone {
            let Some((expected, u)) = self.expected(at, &self.neighbours(at)) else { continue };
            let row = self.rows[at];
            let room = page.grain(measured).max(4.0 * u * self.rounding_u);
            let edit = edits::nearest(page.text(row, measured), expected, room);
            let same_as = |other: Option<usize>| {
                other.and_then(|other| self.y.get(other)).is_some_and(|y| (y - self.y[at]).abs() < 1e-9)
            };
            let (word, _) = measured.words();
            let right = edit.map_or(expected, |edit| edit.value);
            let right = page.rounded(right, measured);
            let how = if same_as(at.checked_sub(1)) {
                format!("the {word} of the row before")
            } else if same_as(Some(at + 1)) {
                format!("the {word} of the next row")
            } else {
                edit.map_or("off the curve", |edit| edit.how).to_owned()
            };
            let reason = page.figure_reason(row, measured, right, &how);
            page.doubt(row, Some(measured), Some(right), reason);
        }
    }

    /// Difference of the ordinate to the next row, about `at`.
    fn one_row(&self, at: usize) -> f64 {
        let (from, to) = (at.saturating_sub(4), (at + 3).min(self.y.len() - 1));
        let mut steps: Vec<f64> = (from..to).map(|row| self.y[row + 1] - self.y[row]).collect();
        steps.sort_by(f64::total_cmp);
        steps[steps.len() / 2]
    }

    fn tell_run(&mut self, page: &mut Page, measured: Column, run: std::ops::Range<usize>, size: f64) {
        let step = self.one_row(run.start);
        let (first, last) = (page.line(self.rows[run.start]), page.line(self.rows[run.end - 1]));
        let (first, last) = (first.min(last), first.max(last));
        let (word, unit) = measured.words();
        let shifted = (size.abs() - step.abs()).abs() <= ONE_ROW * step.abs();
        let whose = if size * step > 0.0 { "next" } else { "previous" };
        for at in run.clone() {
            // What belongs here was typed into the neighbour, but for the row where the run begins or ends.
            let neighbour = if size * step > 0.0 { at.checked_sub(1) } else { Some(at + 1) };
            let typed_there =
                neighbour.filter(|other| shifted && run.contains(other)).map(|other| self.y[other]);
            let right = page.rounded(typed_there.unwrap_or(self.y[at] - size), measured);
            let row = self.rows[at];
            let typed = page.text(row, measured);
            let reason = if shifted {
                format!(
                    "shifted: {word} {typed} where {right} {unit} is expected; lines {first} to {last} have those of the {whose} row"
                )
            } else {
                format!(
                    "off the curve: {word} {typed} where {right} {unit} is expected; so are lines {first} to {last}"
                )
            };
            page.doubt(row, Some(measured), Some(right), reason);
        }
    }

    fn tell_jump(&self, page: &mut Page, measured: Column, (at, size): (usize, f64)) {
        let step = self.one_row(at);
        let (word, unit) = measured.words();
        let shifted = (size.abs() - step.abs()).abs() <= ONE_ROW * step.abs();
        let line = page.line(self.rows[at]);
        let reason = if shifted {
            format!("shifted: from line {line} on the {word}s are one row off what goes before")
        } else {
            format!("from line {line} on the {word}s lie {size:.3} {unit} off what goes before")
        };
        let right = page.rounded(self.y[at] - size, measured);
        page.doubt(self.rows[at], Some(measured), Some(right), reason);
    }
}

/// Scatter of rows over what rounding of size 1 makes, row by row; `None` where it can't be told.
struct Usual {
    inside: Vec<Option<f64>>,
    rising: Vec<Option<f64>>,
    falling: Vec<Option<f64>>,
}

/// The usual scatter of the rows nearest to `at`: 1.4826 times the median, as of a normal distribution.
fn scatter(column: &[Option<f64>], at: usize) -> f64 {
    let half = AROUND / 2;
    let from = at.saturating_sub(half).min(column.len().saturating_sub(AROUND));
    let mut around: Vec<f64> =
        column[from..(from + AROUND).min(column.len())].iter().flatten().copied().collect();
    around.sort_by(f64::total_cmp);
    around.get(around.len() / 2).map_or(0.0, |median| 1.4826 * median)
}

fn powers(degree: usize, t: f64) -> Vec<f64> {
    (0..=degree).map(|power| t.powi(power as i32)).collect()
}
