//! What ends a command early, and with which exit status.

use std::io;

/// Why a command ended early.
#[derive(Debug, PartialEq, Eq)]
pub enum Failure {
    /// The job could not be done: status 1. One plain line: what, where, and how to mend it.
    Job(String),
    /// The command line is wrong: status 2.
    Usage(String),
    /// The reader of our output went away; what it has read was enough for it.
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
