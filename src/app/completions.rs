//! `settled completions`: what a shell needs to complete command lines.

use std::io::Write;

use clap_complete::Shell;

use crate::app::cli;
use crate::app::exit::{Exit, Failure};

/// Prints a script that lets a shell complete settled's commands and options.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled completions bash >~/.local/share/bash-completion/completions/settled")]
pub struct Args {
    /// The shell.
    shell: Shell,
}

/// Prints the script.
///
/// # Errors
/// When `out` does not take it.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut cli::command(), "settled", &mut script);
    out.write_all(&script).map_err(Failure::world)?;
    Ok(Exit::Done)
}
