//! How a command can fail.

use std::io;

/// Why a command did not do its job.
#[derive(Debug)]
pub enum Failure {
    /// the job could not be done: status 1
    Job(String),
    /// the command line is wrong: status 2
    Usage(String),
    /// the reader of our output went away
    ClosedPipe,
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::BrokenPipe => Self::ClosedPipe,
            _ => Self::Job(error.to_string()),
        }
    }
}
