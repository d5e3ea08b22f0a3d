//! The command line.

use std::process::ExitCode;

use clap::Parser;

use crate::app::listen;

#[derive(Debug, Parser)]
#[command(name = "settled", version)]
struct Cli {
    /// Print JSON Lines.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// Which probes are in range, which profile fits, and what they read.
    Listen(listen::Args),
}

/// Runs the command that the arguments name and says how it ended.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let mut out = std::io::stdout().lock();
    let ended = match &cli.command {
        Command::Listen(args) => listen::run(args, cli.json, &mut out),
    };
    match ended {
        Ok(exit) => exit.into(),
        Err(failure) => {
            eprintln!("settled: {}", failure.line());
            failure.exit.into()
        }
    }
}
