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
        let error = |line: usize, what: String, hint: String| DialError::InFile {
            file: file.to_owned(),
            line,
            what,
            hint,
        };
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
            let fields = split(row);
            if fields.iter().all(String::is_empty) {
                continue;
            }
            let Some(columns) = columns else {
                let allowed: Vec<&str> = header.iter().chain(optional).copied().collect();
                let fits = fields.len() >= header.len()
                    && fields.len() <= allowed.len()
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
            if fields.len() != columns {
                let hint = if fields.len() > columns {
                    "a point, not a comma, marks the decimals"
                } else if fields.iter().any(|field| field.contains(';')) {
                    "separate the columns with commas"
                } else {
                    "one value to each column, none left out"
                };
                return Err(error(
                    line,
                    format!("expected {columns} columns, found {}", fields.len()),
                    hint.into(),
                ));
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
        DialError::InFile { file: self.file.clone(), line, what: what.into(), hint: hint.into() }
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

/// Splits a line at its commas; a field in double quotes may hold commas, and quotes written twice.
fn split(row: &str) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    let mut characters = row.chars().peekable();
    while let Some(character) = characters.next() {
        let field = fields.last_mut().map_or(0, |field| field.trim().len());
        match character {
            '"' if quoted && characters.peek() == Some(&'"') => {
                characters.next();
                push(&mut fields, '"');
            }
            '"' if quoted || field == 0 => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            other => push(&mut fields, other),
        }
    }
    fields.iter().map(|field| field.trim().to_owned()).collect()
}

fn push(fields: &mut [String], character: char) {
    if let Some(field) = fields.last_mut() {
        field.push(character);
    }
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
        assert_eq!(split("a, b ,c"), ["a", "b", "c"]);
        assert_eq!(split("\"net, east\",3725kHz"), ["net, east", "3725kHz"]);
        assert_eq!(split("\"the \"\"old\"\" one\",1"), ["the \"old\" one", "1"]);
        assert_eq!(split(",\"open"), ["", "open"]);
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
