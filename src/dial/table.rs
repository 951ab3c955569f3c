//! Tables as text: a header line, `#` comments, one record to a line. Windows line ends and a byte-order mark pass.

use super::error::DialError;

/// One record of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// Line in the file, counted from 1.
    pub line: usize,
    /// The fields, trimmed.
    pub fields: Vec<String>,
}

/// A table, and the file it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// Name of the file as the user knows it.
    pub file: String,
    /// The records in order.
    pub records: Vec<Record>,
}

impl Table {
    /// Reads a table whose header must start with the names in `header`; `optional` names may follow.
    ///
    /// # Errors
    /// A missing or different header, a record with another number of fields, no record at all.
    pub fn read(text: &str, file: &str, header: &[&str], optional: &[&str]) -> Result<Self, DialError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let error = |line: usize, what: String, hint: String| DialError::at(file, line, what, hint);
        let expected = header.join(",");
        let mut columns: Option<usize> = None;
        let mut records = Vec::new();
        let mut last_line = 1;
        for (index, row) in text.lines().enumerate() {
            let line = index + 1;
            last_line = line;
            if row.trim_start().starts_with('#') {
                continue;
            }
            if row.chars().all(|c| c.is_whitespace() || matches!(c, ',' | '"')) {
                continue;
            }
            // Fields beyond those that any header names are counted and not kept.
            let (fields, count) = split(row, header.len() + optional.len());
            let Some(columns) = columns else {
                let allowed: Vec<&str> = header.iter().chain(optional).copied().collect();
                let fits = fields.len() >= header.len()
                    && count <= allowed.len()
                    && fields.iter().zip(&allowed).all(|(field, name)| field.eq_ignore_ascii_case(name));
                if !fits {
                    let found = fields.join(",");
                    let hint = if found.contains(';') {
                        "separate the columns with commas"
                    } else {
                        "it comes first"
                    };
                    return Err(error(
                        line,
                        format!("expected the header `{expected}`, found `{found}`"),
                        hint.into(),
                    ));
                }
                columns = Some(fields.len());
                continue;
            };
            if count != columns {
                let hint = if count > columns {
                    "a point, not a comma, marks the decimals"
                } else if fields.iter().any(|field| field.contains(';')) {
                    "separate the columns with commas"
                } else {
                    "one value to each column, none left out"
                };
                return Err(error(line, format!("expected {columns} columns, found {count}"), hint.into()));
            }
            records.push(Record { line, fields });
        }
        if columns.is_none() || records.is_empty() {
            return Err(error(
                last_line,
                "the table is empty".into(),
                format!("a header `{expected}`, then the rows"),
            ));
        }
        Ok(Self { file: file.to_owned(), records })
    }

    /// An error at a line of this table.
    pub fn error(&self, line: usize, what: impl Into<String>, hint: impl Into<String>) -> DialError {
        DialError::at(&self.file, line, what, hint)
    }

    /// The finite number in a column of a record.
    ///
    /// # Errors
    /// A field that is not a finite number.
    pub fn number(&self, record: &Record, column: usize, name: &str) -> Result<f64, DialError> {
        let field = record.fields[column].as_str();
        field.parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(|| {
            self.error(
                record.line,
                format!("`{field}` is not a number for {name}"),
                "plain digits with a decimal point",
            )
        })
    }
}

/// Splits a line at its commas and tells how many fields there are, of which it keeps so many; a field in double
/// quotes may hold commas, and quotes written twice.
fn split(row: &str, most: usize) -> (Vec<String>, usize) {
    let mut fields = Vec::new();
    let (mut field, mut count) = (String::new(), 1);
    let (mut quoted, mut blank) = (false, true);
    let mut characters = row.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '"' if quoted && characters.peek() == Some(&'"') => {
                characters.next();
                field.push('"');
                blank = false;
            }
            '"' if quoted || blank => quoted = !quoted,
            ',' if !quoted => {
                if count <= most {
                    fields.push(field.trim().to_owned());
                }
                field.clear();
                count += 1;
                blank = true;
            }
            other => {
                blank &= other.is_whitespace();
                field.push(other);
            }
        }
    }
    if count <= most {
        fields.push(field.trim().to_owned());
    }
    (fields, count)
}

/// Decimals written in a number's text: 2 for `160.25`, 0 for `160` and for numbers with an exponent.
pub fn decimals(field: &str) -> usize {
    if field.contains(['e', 'E']) {
        return 0;
    }
    field.split_once('.').map_or(0, |(_, fraction)| fraction.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_split_at_commas_outside_quotes() {
        let fields = |row| split(row, 3).0;
        assert_eq!(fields("a, b ,c"), ["a", "b", "c"]);
        assert_eq!(fields("\"net, east\",3725kHz"), ["net, east", "3725kHz"]);
        assert_eq!(fields("\"the \"\"old\"\" one\",1"), ["the \"old\" one", "1"]);
        assert_eq!(fields(",\"open"), ["", "open"]);
        assert_eq!(split("1,2,3,4,5", 2), (vec!["1".to_owned(), "2".to_owned()], 5));
    }

    #[test]
    fn lines_are_counted_as_an_editor_counts_them() {
        let text = "# top\r\n\r\na,b\r\n# within\r\n1,2\r\n\r\n3,4,5\r\n";
        let error = Table::read(text, "t.csv", &["a", "b"], &[]).unwrap_err().to_string();
        assert_eq!(
            error,
            "t.csv:7: expected 2 columns, found 3; hint: a point, not a comma, marks the decimals"
        );
    }
}
