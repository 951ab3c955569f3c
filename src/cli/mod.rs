//! The command line: the only code that prints and that knows exit statuses.
//!
//! Every command is a module with `Args`, whose doc comments are its help, and `run`, which writes to the output it
//! is given. Status 0: the job was done. 1: it could not be done. 2: the command line is wrong.

mod analyse;
mod book;
mod checkpoints;
mod clocks;
mod correct;
mod demo;
mod dial;
mod drift;
mod failure;
mod generate;
mod hearing;
mod inputs;
mod interrupt;
mod listen;
mod log;
mod logging;
mod picture;
mod progress;
mod reference;
mod rehearse;
mod rollcall;
mod sheet;
mod show;
mod unknown;

pub use failure::Failure;

use crate::pipeline::{Ignore, Settings, Sink};
use crate::task::analyse::{Analysis, analyse_file, analyse_until};
use crate::task::span::Span;
use clap::error::ErrorKind;
use clap::{ColorChoice, Parser};
use std::ffi::OsString;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::process::ExitCode;

/// Follows the beat note of a heterodyne frequency meter toward zero, measures what is left, and turns it with the
/// dial reading into a corrected frequency.
#[derive(Debug, Parser)]
#[command(name = "hushbeat", version, color = ColorChoice::Never, max_term_width = 100, disable_help_subcommand = true)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    Demo(demo::Args),
    Analyse(Box<analyse::Args>),
    Correct(Box<correct::Args>),
    Dial(dial::Args),
    Checkpoints(checkpoints::Args),
    Unknown(unknown::Args),
    Book(book::Args),
    Sheet(sheet::Args),
    #[command(subcommand)]
    Reference(Box<reference::Link>),
    Drift(drift::Args),
    Inputs(inputs::Args),
    Listen(Box<listen::Args>),
    Rollcall(Box<rollcall::Args>),
    Log(log::Args),
    Rehearse(rehearse::Args),
    Completions(generate::Completions),
    Manual(generate::Manual),
}

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    let mut out = BufWriter::new(io::stdout().lock());
    let done = dispatch(std::env::args_os(), &mut out);
    // What was done before a failure is shown before the failure is told.
    let done = done.and(out.flush().map_err(Failure::from));
    let (line, status) = match done {
        // A reader that has gone away, such as `head`, had enough; that is no failure.
        Ok(()) | Err(Failure::ClosedPipe) => return ExitCode::SUCCESS,
        Err(Failure::Job(line)) => (line, 1),
        Err(Failure::Usage(line)) => (line, 2),
    };
    // Nobody is left to tell when the error output is closed too; the status still says it.
    let _ = writeln!(io::stderr(), "hushbeat: {}", one_line(&line));
    ExitCode::from(status)
}

fn dispatch(args: impl IntoIterator<Item = OsString>, out: &mut dyn Write) -> Result<(), Failure> {
    let parsed = match CommandLine::try_parse_from(args) {
        Ok(parsed) => parsed,
        Err(error) if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) => {
            return Ok(writeln!(out, "{}", error.render().to_string().trim_end())?);
        }
        Err(error) => return Err(Failure::Usage(usage(&error))),
    };
    match parsed.command {
        Command::Demo(args) => demo::run(&args, out),
        Command::Analyse(args) => {
            let stop = interrupt::catch()?;
            let ear = |path: &Path, settings: &Settings, span: Option<Span>, sink: &mut dyn Sink| {
                analyse_until(path, settings, span, sink, &stop).map_err(|error| error.to_string())
            };
            analyse::run(&args, &ear, &stop, out)
        }
        Command::Correct(args) => {
            let ear = |path: &Path, settings: &Settings| {
                ear(path, settings, None, &mut Ignore).map_err(Failure::Job)
            };
            correct::run(&args, &ear, out)
        }
        Command::Dial(args) => dial::run(&args, out),
        Command::Checkpoints(args) => checkpoints::run(&args, out),
        Command::Unknown(args) => unknown::run(&args, out),
        Command::Book(args) => book::run(&args, out),
        Command::Sheet(args) => {
            let ear = |path: &Path, settings: &Settings| {
                ear(path, settings, None, &mut Ignore).map_err(Failure::Job)
            };
            sheet::run(&args, &ear, out)
        }
        Command::Reference(link) => reference::run(&link, out),
        Command::Drift(args) => drift::run(&args, &ear, out),
        Command::Inputs(args) => inputs::run(&args, out),
        Command::Listen(args) => listen::run(&args, out),
        Command::Rollcall(args) => rollcall::run(&args, &ear, out),
        Command::Log(args) => log::run(&args, out),
        Command::Rehearse(args) => rehearse::run(&args, out),
        Command::Completions(args) => generate::completions(&args, out),
        Command::Manual(args) => generate::manual(&args, out),
    }
}

/// Hears one recording, or a part of it.
fn ear(
    path: &Path,
    settings: &Settings,
    span: Option<Span>,
    sink: &mut dyn Sink,
) -> Result<Analysis, String> {
    analyse_file(path, settings, span, sink).map_err(|error| error.to_string())
}

/// The parser's complaint on one line, with where to read on.
fn usage(error: &clap::Error) -> String {
    if error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        return "no command; hint: hushbeat demo shows the whole job, hushbeat --help lists the commands"
            .to_owned();
    }
    let text = error.render().to_string();
    let text = text.strip_prefix("error: ").unwrap_or(&text);
    let complaint = text.split("\n\nUsage:").next().unwrap_or(text);
    let complaint = complaint.split("\n\nFor more information").next().unwrap_or(complaint);
    let complaint = complaint.trim().replace("\n\n  tip: ", "; hint: ");
    let complaint = complaint.split_whitespace().collect::<Vec<_>>().join(" ");
    if complaint.contains("hint: ") {
        complaint
    } else {
        format!("{complaint}; hint: add --help to see what it takes")
    }
}

/// Whatever comes from outside stays on one line.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(words: &[&str]) -> String {
        let words = std::iter::once("hushbeat").chain(words.iter().copied()).map(OsString::from);
        match dispatch(words, &mut Vec::new()) {
            Err(Failure::Usage(line)) => line,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_wrong_command_line_is_told_on_one_line_with_a_hint() {
        for words in [
            &[][..],
            &["analyse"],
            &["anlyse"],
            &["analyse", "--mains", "3725", "x.wav"],
            &["analyse", "--plt", "x"],
        ] {
            let line = refused(words);
            assert!(line.contains("hint: ") && !line.contains('\n'), "{words:?}: {line}");
        }
        assert!(refused(&["analyse", "--mains", "55", "x.wav"]).contains("`55` has no unit"));
    }
}
