//! The `hushbeat` command: calls the library's command line and turns the result into an exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    hushbeat::cli::run()
}
