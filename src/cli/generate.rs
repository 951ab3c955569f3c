//! `hushbeat completions` and `hushbeat manual`: made from the same definitions as the help.

use super::CommandLine;
use super::failure::Failure;
use clap::CommandFactory;
use clap_complete::Shell;
use clap_mangen::Man;
use std::io::Write;

/// Print what a shell needs to complete commands and options
#[derive(Debug, clap::Args)]
pub struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// Print the manual page, or that of one command, for `man -l -`
#[derive(Debug, clap::Args)]
pub struct Manual {
    /// The command, such as correct, or two words such as log list
    #[arg(value_name = "COMMAND")]
    command: Vec<String>,
}

/// Prints the completions.
///
/// # Errors
/// An output that does not take them.
pub fn completions(args: &Completions, out: &mut dyn Write) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut CommandLine::command(), "hushbeat", &mut text);
    Ok(out.write_all(&text)?)
}

/// Prints the manual page.
///
/// # Errors
/// A command that is not there.
pub fn manual(args: &Manual, out: &mut dyn Write) -> Result<(), Failure> {
    let mut command = CommandLine::command();
    command.build();
    for word in &args.command {
        let found = command.find_subcommand(word).cloned();
        command = found.ok_or_else(|| {
            Failure::Usage(format!("there is no command `{word}`; hint: hushbeat --help lists them"))
        })?;
    }
    let page = Man::new(command).source(concat!("hushbeat ", env!("CARGO_PKG_VERSION")));
    let mut text = Vec::new();
    page.render(&mut text)?;
    Ok(out.write_all(&text)?)
}
