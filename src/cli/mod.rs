//! The command line.

use std::process::ExitCode;

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    ExitCode::SUCCESS
}
