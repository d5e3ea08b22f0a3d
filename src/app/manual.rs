//! `settled manual`: the manual pages, made from what `--help` says.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap_mangen::Man;

use crate::app::cli;
use crate::app::exit::{Exit, Failure};

/// Writes the manual pages into a folder, one for the program and one a command.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled manual ~/.local/share/man/man1 && man settled-watch")]
pub struct Args {
    /// The folder, which is made where it does not exist.
    folder: PathBuf,
}

/// Writes the pages.
///
/// # Errors
/// Where the disk says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let folder = &args.folder;
    let written = write(folder).map_err(|error| {
        Failure::world(format!("cannot write manual pages to {}: {error}", folder.display()))
    })?;
    if !json {
        let folder = folder.display();
        writeln!(out, "{written} manual pages are in {folder}").map_err(Failure::world)?;
    }
    Ok(Exit::Done)
}

fn write(folder: &Path) -> io::Result<usize> {
    fs::create_dir_all(folder)?;
    let mut command = cli::command().disable_help_subcommand(true);
    command.build();
    let mut pages = vec![command];
    let mut written = 0;
    while let Some(command) = pages.pop() {
        pages.extend(command.get_subcommands().filter(|c| !c.is_hide_set()).cloned());
        // Without a date, so that the same program gives the same pages.
        let page = Man::new(command).manual("settled").date("");
        page.generate_to(folder)?;
        written += 1;
    }
    Ok(written)
}
