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
            // Only the system's own words come without where and hint: what did not take them is our output.
            _ if error.get_ref().is_none() => {
                Self::Job(format!("the output can't be written: {error}; hint: is there room where it goes?"))
            }
            _ => Self::Job(error.to_string()),
        }
    }
}
