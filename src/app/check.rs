//! `settled check`: says all that is wrong with jobs and profiles, and starts nothing.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::json;

#[cfg(feature = "mqtt")]
use crate::app::broker;
use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::keys::Keys;
use crate::app::{calibrations, explain, profile, ready};
use crate::engine::document::TextError;
use crate::engine::job::{Job, ProbeRef};
use crate::engine::profile::Profiles;

/// Says all that is wrong with job files and probe profiles; starts nothing.
///
/// Every error is shown with its line, a pointer under the text and the nearest right word.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  settled check bakery.toml\n  \
    settled check bakery.toml --profiles my-profiles")]
pub struct Args {
    /// Job files; a file with `[match]` in it is checked as a profile.
    #[arg(required = true, value_name = "JOB.toml")]
    files: Vec<PathBuf>,
    /// Folder with further profiles; they are checked too.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
    /// Before you leave: listens to the job's probes for two minutes, and says whether they, this
    /// machine and the disk will last the night, and what a person must see to.
    #[arg(long)]
    ready: bool,
}

/// Checks the files.
///
/// # Errors
/// A file that cannot be read; output that cannot be written.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let profiles = profile::load(args.profiles.as_deref())?;
    if args.ready {
        return ready(args, &profiles, json, out);
    }
    let mut exit = Exit::Done;
    for path in &args.files {
        let text = fs::read_to_string(path).map_err(|error| {
            Failure::bad_input(format!("cannot read {}: {error}", path.display()))
        })?;
        if !check(path, &text, json, out)? {
            exit = Exit::BadInput;
        }
    }
    Ok(exit)
}

/// Says whether what one job asks for is there, and will last.
fn ready(
    args: &Args,
    profiles: &Profiles,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let [path] = args.files.as_slice() else {
        return Err(Failure::usage("--ready looks at one job; name one"));
    };
    let file = JobFile::read(path)?;
    let mut keys = Keys::read(&file.keys, path.parent().unwrap_or(Path::new("")))?;
    ready::run(&file, &mut keys, profiles, json, out)
}

/// Checks one file and says how it is; whether it is right.
fn check(path: &Path, text: &str, json: bool, out: &mut dyn Write) -> Result<bool, Failure> {
    let name = path.display().to_string();
    let found = if is_profile(text) {
        Profiles::with_user([(name.as_str(), text)]).map(|_| None)
    } else {
        JobFile::parse_named(&name, text).map(Some)
    };
    let errors = match found {
        Ok(None) => return say_right(&name, "profile", &[], json, out),
        Ok(Some(file)) => {
            // What a key file holds is as much a part of the job as what the job says.
            Keys::read(&file.keys, path.parent().unwrap_or(Path::new("")))?;
            #[cfg(feature = "mqtt")]
            broker::settings(&file, path.parent().unwrap_or(Path::new("")))?;
            let (mut as_run, lacks) = (file.clone(), lacks(&file.job));
            let old = calibrations::add_to(&mut as_run, path)?;
            say_right(&name, &summary(&as_run), &lacks, json, out)?;
            #[cfg(feature = "mqtt")]
            let old = [old, broker::warnings(&file)].concat();
            if !json {
                old.iter().try_for_each(|old| writeln!(out, "  {old}")).map_err(Failure::world)?;
            }
            return Ok(true);
        }
        Err(errors) => errors,
    };
    tell(&name, &errors, text, json, out).map_err(Failure::world)?;
    Ok(false)
}

fn tell(
    name: &str,
    errors: &[TextError],
    text: &str,
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    if json {
        let mut lines = errors.iter().map(|error| explain::json("problem", error));
        return lines.try_for_each(|line| writeln!(out, "{line}"));
    }
    writeln!(out, "{}", explain::errors(errors, text, explain::Look::of_stdout()))?;
    let count = match errors.len() {
        1 => "1 error".to_owned(),
        n => format!("{n} errors"),
    };
    writeln!(out, "\n{name}: {count}\n")
}

/// Says that a file is right, and what it leaves open.
fn say_right(
    name: &str,
    what: &str,
    lacks: &[&str],
    json: bool,
    out: &mut dyn Write,
) -> Result<bool, Failure> {
    let said = if json {
        let line = json!({"kind": "checked", "file": name, "errors": 0, "lacks": lacks});
        writeln!(out, "{line}")
    } else {
        writeln!(out, "{name}: right; {what}")
            .and_then(|()| lacks.iter().try_for_each(|lack| writeln!(out, "  without {lack}")))
    };
    said.map_err(Failure::world)?;
    Ok(true)
}

/// A profile says what it matches; a job never does.
fn is_profile(text: &str) -> bool {
    let table: Option<toml::Table> = text.parse().ok();
    match table {
        Some(table) => ["match", "profile", "layout"].iter().any(|key| table.contains_key(*key)),
        None => text.contains("[match]") || text.contains("[[profile]]"),
    }
}

/// What the job says, in a few words.
fn summary(file: &JobFile) -> String {
    let probes = file.job.probes.len();
    let named = file.job.probes.iter().filter(|probe| matches!(probe.which, ProbeRef::Name(_)));
    let named = match named.count() {
        0 => String::new(),
        n => format!(" ({n} known by name)"),
    };
    let calibrated = match file.job.calibrations.len() {
        0 => String::new(),
        n => format!(", {n} calibration(s)"),
    };
    format!("{}, {probes} probe(s){named}{calibrated}", file.site)
}

/// What the job does not say and a diagnosis would gain from.
fn lacks(job: &Job) -> Vec<&'static str> {
    let mut lacks = Vec::new();
    if job.probes.is_empty() {
        lacks.push("a [[probe]]: nothing is measured; `settled new` hears the probes around");
    }
    let circuits = &job.unit.circuits;
    if circuits.iter().any(|circuit| circuit.refrigerant.is_none()) {
        lacks.push("unit.refrigerant: pressures give no superheat and no subcooling");
    }
    if circuits.iter().any(|circuit| circuit.metering.is_none()) {
        lacks.push("unit.metering: what superheat and subcooling should be is less sure");
    }
    if job.unit.airflow.is_none() {
        lacks.push("unit.airflow: no capacity is worked out");
    }
    lacks
}
