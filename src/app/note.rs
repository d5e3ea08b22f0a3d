//! `settled note`: a note, a typed reading or an intervention, as rows of a session's record.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use serde_json::json;

use crate::app::diagnose;
use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::replay;
use crate::app::visit;
use crate::edge::clock::SessionClock;
use crate::edge::folder::{Cut, Folder};
use crate::edge::journal::{self, Journal};
use crate::edge::spool;
use crate::edge::store::FolderStore;
use crate::engine::input::{Input, Origin};
use crate::units::quantity::Pascals;
use crate::units::time::Elapsed;

/// How long it is waited for a running watch to take a note: it looks twice a second, and syncs
/// within `log.sync_interval_s`.
const TAKEN_LIMIT: Duration = Duration::from_secs(6);
/// Time between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Longest wait for the disk.
const CLOSE_LIMIT: Duration = Duration::from_secs(30);

/// Adds a note, a typed reading or an intervention to a session.
///
/// Where the session is being watched, the watch takes it within a second; else it is added at
/// the end of the record. After an intervention settling starts again, and settled sets before
/// and after it are never pooled.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled note sessions/2031-06-04T19-05-12Z-harbour-bakery \"filter was grey\"\n  \
    settled note sessions/2031-06-04T19-05-12Z-harbour-bakery --at return-air.wet-bulb=66F\n  \
    settled note sessions/2031-06-04T19-05-12Z-harbour-bakery --changed \"coil washed\"\n\n\
    Caution: a unit can start at any time, and `off` in a log is no proof that it is isolated; \
    lock out and\nverify before hands go in.")]
pub struct Args {
    /// The session's folder.
    session: PathBuf,
    /// The note.
    text: Option<String>,
    /// A reading that was taken by hand: POSITION[.QUANTITY]=VALUE with its unit, as in
    /// suction-line=118psig. May be given many times.
    #[arg(long = "at", value_name = "POSITION[.QUANTITY]=VALUE")]
    at: Vec<String>,
    /// What was changed on the unit.
    #[arg(long, value_name = "WHAT")]
    changed: Option<String>,
}

/// Adds what was given to the session.
///
/// # Errors
/// A value or session that cannot be read, or a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let (folder, manifest) = Folder::open(&args.session).map_err(Failure::bad_input)?;
    let file = replay::recorded_job(&args.session, &manifest)?;
    let (text, changed) = (args.text.as_deref(), args.changed.as_deref());
    let inputs = inputs(text, changed, &args.at, file.job.barometer)?;
    if inputs.is_empty() {
        let error = "nothing to note; give a text, --at POSITION=VALUE or --changed WHAT";
        return Err(Failure::usage(error));
    }
    let path = folder.path().display();
    if let Some(_claim) = spool::claim(folder.path()).map_err(Failure::world)? {
        let at = append(&folder, &file, &inputs)?;
        replay::rebuild(folder.path())?;
        let written = if json {
            let line = json!({"kind": "note", "elapsed_s": at.as_secs(), "recorded": true});
            writeln!(out, "{line}")
        } else {
            writeln!(out, "Added at {at}, the end of the record in {path}.")
        };
        written.map_err(Failure::world)?;
        return Ok(Exit::Done);
    }
    let left = spool::leave(folder.path(), &inputs).map_err(Failure::world)?;
    let taken = is_taken(&left);
    let written = match (json, taken) {
        (true, _) => writeln!(out, "{}", json!({"kind": "note", "recorded": taken})),
        (false, true) => writeln!(out, "Added to the session that is being watched in {path}."),
        (false, false) => writeln!(
            out,
            "The watch has not taken it yet; it waits in {} and is not lost.",
            left.display()
        ),
    };
    written.map_err(Failure::world)?;
    Ok(if taken { Exit::Done } else { Exit::NotRecorded })
}

/// What was given, as inputs: the intervention first, since it ends what was typed before.
///
/// # Errors
/// A reading that cannot be meant.
pub fn inputs<'a>(
    text: Option<&'a str>,
    changed: Option<&'a str>,
    at: &[String],
    barometer: Pascals,
) -> Result<Vec<Input<'a>>, Failure> {
    let mut inputs = Vec::new();
    let words = |words: &str| !words.trim().is_empty();
    inputs.extend(changed.filter(|text| words(text)).map(Input::Changed));
    for typed in at {
        let value = diagnose::reading(typed, barometer).map_err(Failure::bad_input)?;
        inputs.push(Input::Value {
            channel: value.channel,
            quantity: value.quantity,
            uncertainty: Some(value.uncertainty),
            origin: Origin::Typed,
        });
    }
    inputs.extend(text.filter(|text| words(text)).map(Input::Note));
    Ok(inputs)
}

/// Waits until the running watch has brought the note to the disk; `false` when it does not.
fn is_taken(left: &Path) -> bool {
    for _ in 0..TAKEN_LIMIT.as_millis() / LOOK_EVERY.as_millis() {
        if !left.exists() {
            return true;
        }
        thread::sleep(LOOK_EVERY);
    }
    !left.exists()
}

/// Adds a part with these inputs to a record that nobody writes, and with those that wait; they
/// stand at the next moment of the grid, so that a reading has its row in `readings.csv`.
fn append(folder: &Folder, file: &JobFile, inputs: &[Input<'_>]) -> Result<Elapsed, Failure> {
    let last = visit::last_row(folder).map_err(Failure::bad_input)?;
    let Some((last, _)) = last else {
        let path = folder.path().display();
        let error = format!("{path}: nothing was recorded in it; there is nothing to add to");
        return Err(Failure::bad_input(error));
    };
    let grid = file.job.interval.as_millis() as u64;
    let at = Elapsed::from_ms(last.as_ms().div_ceil(grid) * grid);
    let label = SessionClock::start(Elapsed::ZERO).stamp().label;
    let cut = folder.repair().map_err(Failure::world)?;
    let settings = journal::Settings {
        sync_interval: Duration::ZERO,
        first_part: folder.next_part().map_err(Failure::world)?,
        ..journal::Settings::default()
    };
    let store = FolderStore::new(folder.path());
    let mut journal = Journal::begin(store, settings, |_| {}).map_err(Failure::world)?;
    let mut refused = None;
    let mut add = |input: &Input<'_>| {
        if let Err(error) = journal.append(at, label, input) {
            refused.get_or_insert(error);
        }
    };
    if let Some(Cut { part, kept, bytes }) = cut {
        let detail = format!("{bytes} bytes of a torn row were cut off and kept in {kept}");
        add(&Input::Event { event: "record-cut", subject: &part, detail: &detail });
    }
    // What was left for a watch that ended before it took it.
    let waited = spool::waiting(folder.path());
    for name in &waited {
        let read = spool::read(folder.path(), name, &mut |input| add(&input));
        read.map_err(Failure::bad_input)?;
    }
    inputs.iter().for_each(&mut add);
    let status = journal.close(CLOSE_LIMIT);
    if let Some(error) = refused.or(status.not_recording) {
        return Err(Failure::world(error));
    }
    if status.waiting > 0 {
        return Err(Failure::world("the disk does not answer; the note is not recorded"));
    }
    for name in &waited {
        spool::remove(folder.path(), name).map_err(Failure::world)?;
    }
    Ok(at)
}
