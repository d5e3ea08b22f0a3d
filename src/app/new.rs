//! `settled new`: asks a few questions, hears the probes around, and writes a job file.

mod ask;
mod written;

use std::fs::OpenOptions;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::json;

use crate::app::around::{self, Around};
use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::traces::FieldTrace;
use crate::app::{explain, profile, wording};
use crate::engine::channel::Place;

use ask::Asker;
use written::{Answers, Clamp};

/// Asks a few questions, hears the probes around, and writes a job file.
///
/// What a flag says is not asked; an empty answer takes what stands in brackets, or leaves it open.
/// The file is commented, passes `settled check`, and can be changed in any text editor.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  settled new bakery.toml\n  \
    settled new bakery.toml --site \"Harbour bakery\" --refrigerant R-410A --metering txv \\\n    \
    --probe C4:7C:8D:00:00:01=supply-air --no-questions")]
pub struct Args {
    /// The file to write; one that is there is never overwritten.
    job: PathBuf,
    #[command(flatten)]
    said: Said,
    /// Where a probe sits: ADDRESS=POSITION, or ADDRESS/FIELD=POSITION for one of its fields; may
    /// be given several times.
    #[arg(long, value_name = "ADDRESS=POSITION", value_parser = clamp)]
    probe: Vec<Clamp>,
    /// Listens for so many seconds; 0 leaves the radio alone.
    #[arg(long, value_name = "S", default_value_t = 15, value_parser = clap::value_parser!(u32).range(..=600))]
    seconds: u32,
    /// Use this adapter, as hci0, and no other; may be given several times.
    #[arg(long, value_name = "NAME")]
    adapter: Vec<String>,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
    /// Asks nothing, as where the input is no terminal.
    #[arg(long, conflicts_with = "questions")]
    no_questions: bool,
    /// Asks, though the input is no terminal.
    #[arg(long)]
    questions: bool,
}

/// What the unit is, as far as flags say it.
#[derive(Debug, Clone, clap::Args)]
pub struct Said {
    /// The site, as people call it.
    #[arg(long)]
    site: Option<String>,
    /// `cooling`, `heating` or `auto`.
    #[arg(long)]
    mode: Option<String>,
    /// `us` or `si`: how people see values.
    #[arg(long)]
    units: Option<String>,
    /// Height above sea level, as 450ft.
    #[arg(long)]
    altitude: Option<String>,
    /// `package`, `split` or `ductless`.
    #[arg(long)]
    kind: Option<String>,
    /// The refrigerant on the nameplate, as R-410A.
    #[arg(long)]
    refrigerant: Option<String>,
    /// `fixed-orifice`, `txv` or `eev`.
    #[arg(long)]
    metering: Option<String>,
    /// The nameplate's cooling capacity, as 3ton.
    #[arg(long)]
    rated_cooling: Option<String>,
    /// The nameplate's subcooling, as 10delta_F.
    #[arg(long)]
    target_subcooling: Option<String>,
    /// Indoor airflow, as 1050cfm (taken as assumed).
    #[arg(long)]
    airflow: Option<String>,
}

/// Reads `ADDRESS=POSITION` or `ADDRESS/FIELD=POSITION`.
fn clamp(text: &str) -> Result<Clamp, String> {
    let wrong = || format!("`{text}` is not of the form ADDRESS=POSITION");
    let (which, place) = text.split_once('=').ok_or_else(wrong)?;
    let (address, field) = match which.split_once('/') {
        Some((address, field)) => (address, Some(field.to_owned())),
        None => (which, None),
    };
    let place: Place = place.parse().map_err(|error| format!("{error}"))?;
    Ok(Clamp { address: address.to_uppercase(), field, place })
}

/// Writes the job file.
///
/// # Errors
/// Answers that cannot be meant, a file that is there already, a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    if args.job.exists() {
        let path = args.job.display();
        return Err(Failure::usage(format!("{path} is there already; choose another name")));
    }
    let profiles = profile::load(args.profiles.as_deref())?;
    let asks = args.questions || (!args.no_questions && !json && io::stdin().is_terminal());
    let mut asker = Asker::new(asks);
    let mut answers = asker.unit(&args.said, out)?;
    let around = if args.seconds > 0 {
        if !json {
            writeln!(out, "\nListening for {} s …", args.seconds).map_err(Failure::world)?;
            out.flush().map_err(Failure::world)?;
        }
        around::hear(&profiles, &args.adapter, Duration::from_secs(u64::from(args.seconds)))?
    } else {
        Around { fields: Vec::new(), fault: None }
    };
    answers.clamps = asker.clamps(&args.probe, &around.fields, out)?;
    let text = written::job(&answers, &around.fields);
    let name = args.job.display().to_string();
    if let Err(errors) = JobFile::parse_named(&name, &text) {
        let explained = Some(explain::errors(&errors, &text, explain::Look::of_stderr()));
        let error = format!("{name} is not written: {}", errors_said(errors.len())).into();
        return Err(Failure { exit: Exit::BadInput, error, explained });
    }
    write_new(&args.job, &text)?;
    say(args, &around, &answers, json, out).map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn errors_said(count: usize) -> String {
    if count == 1 {
        "one answer cannot be meant".to_owned()
    } else {
        format!("{count} answers cannot be meant")
    }
}

/// Writes a file that is not there yet.
fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let opened = OpenOptions::new().write(true).create_new(true).open(path);
    opened
        .and_then(|mut file| file.write_all(text.as_bytes()).and_then(|()| file.sync_all()))
        .map_err(|error| Failure::world(format!("cannot write {}: {error}", path.display())))
}

/// What was written, and what comes next.
fn say(
    args: &Args,
    around: &Around,
    answers: &Answers,
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    let heard = written::addresses(&around.fields).len();
    let placed = answers.addresses().len();
    let job = args.job.display();
    if json {
        let line =
            json!({"kind": "job", "file": job.to_string(), "heard": heard, "placed": placed});
        return writeln!(out, "{line}");
    }
    writeln!(out, "\nWrote {job}: {placed} probe(s) placed, {heard} heard.")?;
    if let (Some(fault), true) = (&around.fault, around.fields.is_empty()) {
        writeln!(out, "Nothing could be heard: {fault}; see that Bluetooth is on.")?;
    }
    writeln!(out, "Next:\n  settled watch {job}")?;
    if placed < heard {
        writeln!(
            out,
            "    It records every probe that it hears, placed or not. After ten minutes of running\n    \
             `settled place SESSION` says where the others seem to sit; put that into {job}."
        )?;
    }
    Ok(())
}

/// A field as a person sees it: what it reads now.
fn reads(fields: &[FieldTrace], address: &str, units: crate::engine::columns::Units) -> String {
    let own = fields.iter().filter(|field| field.probe == address);
    let each = own.filter_map(|field| {
        let (_, value) = field.samples.last()?;
        let said = wording::value(field.kind, *value, units);
        // A gauge's reading is shown as one.
        let said =
            if field.gauge { said.replace("psia", "psig").replace("abs", "gauge") } else { said };
        Some(format!("{} {said}", field.field))
    });
    each.collect::<Vec<_>>().join(", ")
}
