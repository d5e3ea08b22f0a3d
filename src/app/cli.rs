//! The command line: reads the arguments, starts the command, says how it ended.

use std::error::Error;
use std::io::{self, Write};
use std::process::ExitCode;

use clap::{CommandFactory as _, Parser, Subcommand};
use tracing_subscriber::EnvFilter;

use crate::app::exit::{Exit, Failure};
#[cfg(feature = "lake")]
use crate::app::export;
use crate::app::{
    air, calibrate, check, compare, completions, decode, demo, diagnose, import, listen, manual,
    new, note, picture, place, profile, replay, report, saturation, service, watch,
};

/// What the program's help ends with.
const CAUTIONS: &str = "\
Cautions: a unit can start at any time, and a reading of `off` is no proof that it is isolated; lock
out and verify before hands go in. Refrigerant circuits are under pressure, and A2L refrigerants
(R-32, R-454B and others) burn: ventilate, keep sparks away. Probes and computers are not rated for
explosive air unless their maker says so. Work on refrigerant and electricity belongs to licensed
people and follows local codes, which come before anything this program says.

Exit codes: 0 done, 1 our fault, 2 usage, 3 bad input, 4 the world said no (radio, disk, network),
5 ended but not recorded in full.";

/// Hears the wireless probes on an air conditioner, waits until the run has settled, keeps the
/// record, and says what is wrong and how sure it is.
#[derive(Debug, Parser)]
#[command(name = "settled", version, after_help = CAUTIONS, propagate_version = true)]
struct Arguments {
    /// Print JSON Lines for programs instead of text for people.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Runs the main job, whole, on a simulated unit.
    Demo(demo::Args),
    /// Shows which probes are in range and what they read.
    Listen(listen::Args),
    /// Receives, smooths, settles, logs and diagnoses until it is stopped.
    Watch(watch::Args),
    /// Runs the same engine on recorded sessions.
    Replay(replay::Args),
    /// Writes what a session says on paper: one HTML file for owner and technician.
    Report(report::Args),
    /// Draws a session as an SVG file.
    Picture(picture::Args),
    /// Writes a job file: asks a few questions and hears the probes around.
    New(new::Args),
    /// Says all that is wrong with job files and profiles.
    Check(check::Args),
    /// Says what changed between two sessions, or around a marked change.
    Compare(compare::Args),
    /// Says what numbers typed in mean.
    Diagnose(diagnose::Args),
    /// Offsets from probes left together in one place.
    Calibrate(calibrate::Args),
    /// Says where each probe seems to sit.
    Place(place::Args),
    /// Adds a note, a typed reading or an intervention to a session.
    Note(note::Args),
    /// Turns any logger's CSV into a session.
    Import(import::Args),
    /// Puts sessions into a store of Parquet files, for SQL engines.
    #[cfg(feature = "lake")]
    Export(export::Args),
    /// Lists, shows and checks probe profiles.
    Profile(profile::Args),
    /// Decodes one payload through the profiles.
    Decode(decode::Args),
    /// Saturation temperature or pressure of a refrigerant.
    Saturation(saturation::Args),
    /// Properties of moist air.
    Air(air::Args),
    /// Prints a systemd unit that watches a job.
    Service(service::Args),
    /// Prints a script by which a shell completes command lines.
    Completions(completions::Args),
    /// Writes the manual pages into a folder.
    Manual(manual::Args),
}

/// The whole command line, for completions and manual pages.
pub fn command() -> clap::Command {
    Arguments::command()
}

/// Runs the command that the arguments name and says how it ended.
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let exit = if error.use_stderr() { Exit::Usage } else { Exit::Done };
            // Nobody is left to tell when even this cannot be printed.
            drop(error.print());
            return exit.into();
        }
    };
    start_log();
    let mut out = io::BufWriter::new(io::stdout());
    let result = run(&arguments, &mut out).and_then(|exit| {
        out.flush().map_err(Failure::world)?;
        Ok(exit)
    });
    match result {
        Ok(exit) => exit.into(),
        Err(failure) if is_broken_pipe(&*failure.error) => Exit::Done.into(),
        Err(failure) => {
            if let Some(explained) = &failure.explained {
                eprintln!("{explained}\n");
            }
            eprintln!("settled: {}", failure.line());
            failure.exit.into()
        }
    }
}

fn run(arguments: &Arguments, out: &mut dyn Write) -> Result<Exit, Failure> {
    let json = arguments.json;
    match &arguments.command {
        Command::Demo(args) => demo::run(args, json, out),
        Command::Listen(args) => listen::run(args, json, out),
        Command::Watch(args) => watch::run(args, json, out),
        Command::Replay(args) => replay::run(args, json, out),
        Command::Report(args) => report::run(args, json, out),
        Command::Calibrate(args) => calibrate::run(args, json, out),
        Command::Picture(args) => picture::run(args, json, out),
        Command::Check(args) => check::run(args, json, out),
        Command::Compare(args) => compare::run(args, json, out),
        Command::Diagnose(args) => diagnose::run(args, json, out),
        Command::New(args) => new::run(args, json, out),
        Command::Note(args) => note::run(args, json, out),
        Command::Import(args) => import::run(args, json, out),
        #[cfg(feature = "lake")]
        Command::Export(args) => export::run(args, json, out),
        Command::Place(args) => place::run(args, json, out),
        Command::Profile(args) => profile::run(args, json, out),
        Command::Decode(args) => decode::run(args, json, out),
        Command::Saturation(args) => saturation::run(args, json, out),
        Command::Air(args) => air::run(args, json, out),
        Command::Service(args) => service::run(args, json, out),
        Command::Completions(args) => completions::run(args, out),
        Command::Manual(args) => manual::run(args, json, out),
    }
}

/// Starts the log, to standard error; `SETTLED_LOG` says how much (default: warnings).
fn start_log() {
    let filter = EnvFilter::try_from_env("SETTLED_LOG").unwrap_or_else(|_| EnvFilter::new("warn"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr).without_time().init();
}

/// Whether the reader of our output went away, which is no failure.
fn is_broken_pipe(error: &(dyn Error + 'static)) -> bool {
    let mut next = Some(error);
    while let Some(error) = next {
        if error.downcast_ref::<io::Error>().is_some_and(|e| e.kind() == io::ErrorKind::BrokenPipe)
        {
            return true;
        }
        next = error.source();
    }
    false
}
