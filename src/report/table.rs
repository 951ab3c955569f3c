//! Columns of figures for a terminal: right-aligned, a unit under each title.

/// A table under construction. Every cell is text; the last column may be words and is left-aligned.
pub struct Table {
    titles: Vec<[String; 2]>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table whose columns have these titles and units.
    pub fn new(columns: &[(&str, &str)]) -> Self {
        let titles = columns.iter().map(|(title, unit)| [(*title).to_owned(), (*unit).to_owned()]).collect();
        Self { titles, rows: Vec::new() }
    }

    /// Adds a row, one cell per column.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().collect());
    }

    /// The whole table, each line indented by two and ended by a newline.
    pub fn print(&self) -> String {
        let last = self.titles.len().saturating_sub(1);
        let widths: Vec<usize> = (0..self.titles.len())
            .map(|column| {
                let cells = self.rows.iter().filter_map(|row| row.get(column)).map(String::as_str);
                cells.chain(self.titles[column].iter().map(String::as_str)).map(|c| c.chars().count()).max()
            })
            .map(Option::unwrap_or_default)
            .collect();
        let mut text = String::new();
        let heads = (0..2).map(|line| self.titles.iter().map(|t| t[line].as_str()).collect());
        let rows = self.rows.iter().map(|row| row.iter().map(String::as_str).collect());
        for cells in heads.chain(rows) {
            let cells: Vec<&str> = cells;
            let mut line = String::new();
            for (column, (cell, width)) in cells.iter().zip(&widths).enumerate() {
                line.push_str("  ");
                if column == last {
                    line.push_str(cell);
                } else {
                    line.extend(std::iter::repeat_n(' ', width - cell.chars().count()));
                    line.push_str(cell);
                }
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_stand_under_each_other_and_words_run_on() {
        let mut table = Table::new(&[("offset", "Hz"), ("side", "")]);
        table.row(["38.612".to_owned(), "meter below".to_owned()]);
        table.row(["1103.2".to_owned(), String::new()]);
        assert_eq!(table.print(), "  offset  side\n      Hz\n  38.612  meter below\n  1103.2\n");
    }
}
