//! A file of lines to which lines are only ever added, by several writers if need be.
//!
//! Every writer holds a lock on the file while it looks at the end and adds to it, and an addition counts only when it
//! has reached the disk. A power cut or a kill in the middle of one leaves a last line without its newline: the next
//! writer cuts it off and is told what it was, so that it can note it.

use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Why a ledger can't be used.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The system refuses.
    #[error("{path}: can't be {done}: {why}; hint: {hint}")]
    File {
        /// The file.
        path: String,
        /// What was tried.
        done: &'static str,
        /// The system's word for it.
        why: io::Error,
        /// How to mend it.
        hint: &'static str,
    },
    /// A pipe, a device, a folder.
    #[error("{0}: is not a plain file; hint: name a file that lines can be added to")]
    NotAFile(String),
    /// Whoever adds has nothing that fits.
    #[error("{0}")]
    Refused(String),
}

/// The whole lines of a ledger, and what stands behind the last newline.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Lines {
    /// Each without its newline; what is not UTF-8 is replaced.
    pub whole: Vec<String>,
    /// The beginning of a line that was never finished; empty as a rule.
    pub torn: String,
}

impl Lines {
    /// The lines in a ledger's bytes.
    pub fn of(bytes: &[u8]) -> Self {
        let whole = whole_bytes(bytes);
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self {
            whole: bytes[..whole]
                .split_inclusive(|&byte| byte == b'\n')
                .map(|line| text(&line[..line.len() - 1]))
                .collect(),
            torn: text(&bytes[whole..]),
        }
    }
}

/// How much of a ledger the whole lines take.
fn whole_bytes(bytes: &[u8]) -> usize {
    bytes.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1)
}

/// Reads a ledger; nobody adds to it meanwhile. A file that is not there is empty.
///
/// # Errors
/// A file that can't be read.
pub fn read(path: &Path) -> Result<Lines, LedgerError> {
    let failed = |why| failed(path, "read", why, "check the name and the right to read it");
    let mut file = match File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Lines::default()),
        Err(error) => return Err(failed(error)),
    };
    plain(path, &file)?;
    file.lock_shared().map_err(failed)?;
    find(&mut file).map(|found| found.lines).map_err(failed)
}

/// Adds the lines that `write` makes from what is there, and returns once they are on the disk. When this fails
/// nothing is added.
///
/// `is_whole` says of an unfinished last line whether only its newline is missing; if so it is finished first.
///
/// # Errors
/// A file that can't be written, and whatever `write` refuses.
pub fn append<T>(
    path: &Path,
    is_whole: impl Fn(&str) -> bool,
    write: impl FnOnce(&Lines) -> Result<(Vec<String>, T), String>,
) -> Result<T, LedgerError> {
    let failed =
        |why| failed(path, "written", why, "choose a folder that exists, may be written to and has room");
    if path.is_dir() {
        return Err(LedgerError::NotAFile(path.display().to_string()));
    }
    let is_new = !path.exists();
    let mut file =
        OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path).map_err(failed)?;
    plain(path, &file)?;
    file.lock().map_err(failed)?;
    let mut found = find(&mut file).map_err(failed)?;
    let mut added = Vec::new();
    let mut end = found.end;
    if !found.lines.torn.is_empty() && is_whole(&found.lines.torn) {
        added.push(b'\n');
        found.lines.whole.push(std::mem::take(&mut found.lines.torn));
    } else {
        end -= found.torn_bytes;
    }
    let (lines, answer) = write(&found.lines).map_err(LedgerError::Refused)?;
    for line in lines {
        // A newline inside would make two lines of it; JSON has none.
        added.extend(line.bytes().filter(|&byte| byte != b'\n'));
        added.push(b'\n');
    }
    let written = file
        .seek(SeekFrom::Start(end))
        .and_then(|_| file.write_all(&added))
        .and_then(|()| file.set_len(end + added.len() as u64))
        .and_then(|()| file.sync_all())
        .and_then(|()| if is_new { super::sync_folder(path) } else { Ok(()) });
    written.map_err(|error| {
        // Best effort: half of an addition is worse than none, and the reason is what is told.
        let _ = file.set_len(end);
        failed(error)
    })?;
    Ok(answer)
}

/// What is in the file.
struct Found {
    lines: Lines,
    torn_bytes: u64,
    /// Length of the file, bytes.
    end: u64,
}

fn find(file: &mut File) -> io::Result<Found> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(0))?;
    file.read_to_end(&mut bytes)?;
    let (lines, torn) = (Lines::of(&bytes), bytes.len() - whole_bytes(&bytes));
    Ok(Found { lines, torn_bytes: torn as u64, end: bytes.len() as u64 })
}

fn plain(path: &Path, file: &File) -> Result<(), LedgerError> {
    if file.metadata().is_ok_and(|it| it.is_file()) {
        Ok(())
    } else {
        Err(LedgerError::NotAFile(path.display().to_string()))
    }
}

fn failed(path: &Path, done: &'static str, why: io::Error, hint: &'static str) -> LedgerError {
    LedgerError::File { path: path.display().to_string(), done, why, hint }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn add(path: &Path, line: &str) -> Result<usize, LedgerError> {
        append(
            path,
            |torn| torn.ends_with('}'),
            |lines| {
                let mut new = Vec::new();
                if !lines.torn.is_empty() {
                    new.push(format!("{{torn {}}}", lines.torn));
                }
                new.push(line.to_owned());
                Ok((new, lines.whole.len()))
            },
        )
    }

    /// Cut anywhere in its last line, a ledger keeps every line before it and takes the next; what was left of the
    /// torn line is handed on, and a line that lacks only its newline is kept.
    #[test]
    fn a_power_cut_anywhere_costs_at_most_the_line_being_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.jsonl");
        let text = "{first}\n{second ± \u{e9}}\n{third °}\n";
        for cut in 0..=text.len() {
            fs::write(&path, &text.as_bytes()[..cut]).unwrap();
            let before: Vec<String> = text
                .match_indices('\n')
                // The closing bracket is what makes a line whole.
                .filter(|(at, _)| *at <= cut)
                .map(|(at, _)| text[..at].lines().last().unwrap().to_owned())
                .collect();
            add(&path, "{new}").unwrap();
            let Lines { whole, torn } = read(&path).unwrap();
            assert_eq!(whole[..before.len()], before, "{cut}");
            assert_eq!((whole.last().map(String::as_str), torn.as_str()), (Some("{new}"), ""), "{cut}");
            let noted = whole.len() - 1 - before.len();
            let between_lines = before.iter().map(|line| line.len() + 1).sum::<usize>();
            assert_eq!(noted, usize::from(cut > between_lines), "{cut}: {whole:?}");
        }
    }

    #[test]
    fn what_can_not_be_added_to_is_told_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let told = add(folder.path(), "{x}").unwrap_err().to_string();
        assert!(told.contains("hint: ") && !told.contains('\n'), "{told}");
        let told = add(&folder.path().join("no/log.jsonl"), "{x}").unwrap_err().to_string();
        assert!(told.contains("can't be written") && told.contains("hint: "), "{told}");
        let path = folder.path().join("log.jsonl");
        add(&path, "{x}").unwrap();
        let refused = append(&path, |_| false, |_| Err::<(Vec<String>, ()), _>("no entry 9".to_owned()));
        assert_eq!(refused.unwrap_err().to_string(), "no entry 9");
        assert_eq!(fs::read(&path).unwrap(), b"{x}\n");
        assert_eq!(read(&folder.path().join("none.jsonl")).unwrap(), Lines::default());
    }
}
