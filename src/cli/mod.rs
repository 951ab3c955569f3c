//! The command line.

pub mod correct;
pub mod dial;
pub mod failure;
pub mod hearing;
pub mod inputs;
pub mod interrupt;
pub mod listen;
pub mod show;

use clap::Parser;
use failure::Failure;
use std::io::Write;
use std::process::ExitCode;

#[derive(Parser)]
#[command(version, about)]
enum Command {
    Correct(Box<correct::Args>),
    Dial(dial::Args),
    Inputs(inputs::Args),
    Listen(Box<listen::Args>),
}

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    let mut out = std::io::stdout().lock();
    let done = match Command::parse() {
        Command::Correct(args) => {
            correct::run(&args, &|_, _| Err(Failure::Job("the ear is not wired in".into())), &mut out)
        }
        Command::Dial(args) => dial::run(&args, &mut out),
        Command::Inputs(args) => inputs::run(&args, &mut out),
        Command::Listen(args) => listen::run(&args, &mut out),
    };
    let mut err = std::io::stderr();
    match done {
        Ok(()) | Err(Failure::ClosedPipe) => ExitCode::SUCCESS,
        Err(Failure::Job(why)) => {
            let _ = writeln!(err, "hushbeat: {why}");
            ExitCode::from(1)
        }
        Err(Failure::Usage(why)) => {
            let _ = writeln!(err, "hushbeat: {why}");
            ExitCode::from(2)
        }
    }
}
