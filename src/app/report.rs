//! `settled report`: what a session says, on paper, in one file that needs nothing else.

pub mod owner;
pub mod plain;
pub mod runs;
pub mod sheet;
pub mod technician;

use std::io::Write;
use std::path::PathBuf;

use clap::ValueEnum;
use maud::html;

use crate::app::account::Account;
use crate::app::exit::{Exit, Failure};
use crate::app::picture::canvas::PictureError;
use crate::app::picture::{account, deliver};

/// Writes a report: one HTML file that opens and prints anywhere, with no network.
///
/// The owner's page comes first, in plain words; then the technician's pages. The browser's print
/// makes a PDF of it.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled report sessions/2031-06-04T19-05-12Z-harbour-bakery --for owner -o owner.html")]
pub struct Args {
    /// The session's folder.
    session: PathBuf,
    /// For whom it is.
    #[arg(long = "for", value_enum, default_value_t = Reader::Both)]
    reader: Reader,
    /// The file, or - for standard output [default: report.html in the session's folder].
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// A job to use in place of the recorded one.
    #[arg(long)]
    job: Option<PathBuf>,
}

/// For whom a report is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Reader {
    /// The owner: one page in plain words.
    Owner,
    /// The technician.
    Technician,
    /// Both, the owner's page first.
    Both,
}

/// Writes the report.
///
/// # Errors
/// A session that cannot be read, or a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let account = account(&args.session, args.job.as_deref())?;
    let text = report(&account, args.reader).map_err(Failure::world)?;
    let path = args.output.clone().unwrap_or_else(|| args.session.join("report.html"));
    deliver(&text, Some(&path), "report", json, out)?;
    Ok(Exit::Done)
}

/// The report's text.
///
/// # Errors
/// When a picture cannot be drawn, which data of a session cannot bring about.
pub fn report(account: &Account, reader: Reader) -> Result<String, PictureError> {
    let owner = if reader == Reader::Technician {
        html! {}
    } else {
        owner::page(account)?
    };
    let technician = if reader == Reader::Owner {
        html! {}
    } else {
        technician::pages(account)?
    };
    let body = html! { (owner) (technician) };
    Ok(sheet::document(&format!("Report: {}", account.file.site), &body))
}
