//! `settled export`: sessions into the lake, for SQL engines.

mod probes;

use std::collections::BTreeMap;
use std::io::{self, IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::app::export::probes::Heard;
use crate::app::job::{JobFile, METERINGS, MODES};
use crate::app::many;
use crate::app::profile;
use crate::app::replay::Recorded;
use crate::app::shutdown::Shutdown;
use crate::edge::clock::{Labels, Utc};
use crate::edge::folder::{Folder, Manifest};
use crate::edge::lake::layout::{Identity, Partition};
use crate::edge::lake::store::{Known, Lake, LakeError, Put};
use crate::edge::lake::table::Written;
use crate::edge::lake::tables::Tables;
use crate::edge::rows::Row;
use crate::engine::input::Input;
use crate::engine::lake::Visit;
use crate::engine::profile::Profiles;
use crate::engine::record;
use crate::engine::session::Session;

/// Rows between two words on how far it is.
const ROWS_A_WORD: u64 = 250_000;

/// Puts sessions into a lake: Parquet files in a folder or a bucket, for SQL engines.
///
/// Each record is heard once more, so the lake says what this program says of it; what is there
/// already is not written again, and what has changed takes the old one's place. Several sessions
/// are exported at once on all cores, and told in order. A bucket's keys and endpoint come from the
/// environment: AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_REGION, AWS_ENDPOINT_URL.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled export sessions/* --to lake\n  \
    settled export sessions/2031-06-04T19-05-12Z-harbour-bakery --to s3://crews/lake\n\n\
    Then, in DuckDB:\n  \
    SELECT site, date, suspect, probability\n  \
    FROM 'lake/suspects/*/*/*.parquet' JOIN 'lake/sessions/*/*/*.parquet' USING (site, date, session)\n  \
    WHERE rank = 1 AND suspect <> 'none' ORDER BY probability DESC;")]
pub struct Args {
    /// The sessions' folders.
    #[arg(required = true)]
    sessions: Vec<PathBuf>,
    /// The lake: a folder, or s3://BUCKET/PREFIX.
    #[arg(long, value_name = "LAKE")]
    to: String,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
    /// Takes out of the lake what was exported of the same records under other jobs, as before a
    /// mistake in a job was mended.
    #[arg(long)]
    replace: bool,
}

/// After so many sessions in a row that find a store that does not answer, the rest is not tried.
const AWAY_MAX: usize = 3;

/// Exports all sessions that are named.
///
/// # Errors
/// A session that cannot be read, or a disk or store that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let shutdown = Shutdown::watch().map_err(Failure::world)?;
    let profiles = profile::load(args.profiles.as_deref())?;
    let lake = Lake::open(&args.to).map_err(failure)?;
    let known = lake.known().map_err(failure)?;
    let taken = Mutex::default();
    let (replace, away) = (args.replace, AtomicUsize::new(0));
    let export = Export { lake, known, taken, profiles, replace, shutdown, away, json };
    let one = |path: &Path, out: &mut dyn Write| export.session(path, out);
    match &args.sessions[..] {
        [path] => one(path, out),
        several => many::each(several, &|| export.is_over(), &one, out),
    }
}

fn failure(error: LakeError) -> Failure {
    match error {
        LakeError::NoPlace(_) | LakeError::InTheClear(_) => Failure::usage(error),
        _ => Failure::world(error),
    }
}

/// One export, of any number of sessions.
struct Export {
    lake: Lake,
    /// What was there when it began.
    known: Known,
    /// The sessions of this export, each with its folder.
    taken: Mutex<BTreeMap<Identity, PathBuf>>,
    profiles: Profiles,
    replace: bool,
    shutdown: Shutdown,
    /// How many sessions in a row found that nobody answers.
    away: AtomicUsize,
    json: bool,
}

impl Export {
    /// Whether no further session is to be begun: somebody wishes so, or the store is away.
    fn is_over(&self) -> bool {
        self.shutdown.asked() || self.away.load(Ordering::Relaxed) >= AWAY_MAX
    }

    fn session(&self, path: &Path, out: &mut dyn Write) -> Result<Exit, Failure> {
        let spool = tempfile::tempdir().map_err(Failure::world)?;
        let Some(made) = self.make(path, spool.path())? else {
            let path = path.display();
            let written = if self.json {
                let line = json!({"kind": "stopped", "session": path.to_string()});
                writeln!(out, "{line}")
            } else {
                writeln!(out, "STOPPED in {path}; the lake is as it was.")
            };
            written.map_err(Failure::world)?;
            return Ok(Exit::NotRecorded);
        };
        let Made { identity, partition, files, .. } = &made;
        let known = self.known.get(identity).map_or(&[][..], Vec::as_slice);
        let put = self.lake.put(identity, partition, files, known);
        match &put {
            Err(LakeError::Unreachable(_)) => _ = self.away.fetch_add(1, Ordering::Relaxed),
            _ => self.away.store(0, Ordering::Relaxed),
        }
        let put = put.map_err(failure)?;
        let others = self.others(identity)?;
        self.tell(path, &made, put, others, out).map_err(Failure::world)?;
        Ok(Exit::Done)
    }

    /// Makes the files of a session; `None` where somebody wants to stop.
    fn make(&self, path: &Path, spool: &Path) -> Result<Option<Made>, Failure> {
        let mut recorded = Recorded::open(path, None)?;
        let (_, manifest) = Folder::open(path).map_err(Failure::bad_input)?;
        let job = toml::to_string(&manifest.job).map_err(Failure::bad_input)?;
        let mut session = Session::new(recorded.file.job.clone(), self.profiles.clone(), None);
        let mut progress = Progress::of(path);
        let mut begun: Option<(Identity, Tables)> = None;
        let mut started = None;
        let mut heard = Heard::new(&recorded.file.job);
        while let Some(row) = recorded.rows.next_row().map_err(Failure::bad_input)? {
            if self.shutdown.asked() {
                return Ok(None);
            }
            if begun.is_none() {
                let identity = Identity::new(&as_written(&row), &job);
                self.take(&identity, path)?;
                let tables = Tables::create(spool, &identity, recorded.zone.clone());
                begun = Some((identity, tables.map_err(Failure::world)?));
            }
            let Some((_, tables)) = &mut begun else { continue };
            if started.is_none() {
                started = row.label.and_then(|utc| utc.plus_ms(-row.at.as_ms().cast_signed()));
            }
            tables.label(row.at, row.label);
            heard.row(&row.input, &self.profiles);
            // The moments before this row are asked about before it is heard.
            session.handle(row.at, Input::Tick);
            listen(&mut session, tables)?;
            session.handle(row.at, row.input);
            listen(&mut session, tables)?;
            progress.row();
        }
        let Some((identity, mut tables)) = begun else {
            let path = path.display();
            return Err(Failure::bad_input(format!("{path}: no row of its record can be read")));
        };
        session.finish();
        listen(&mut session, &mut tables)?;
        let partition = Partition::new(&recorded.file.site, started, &recorded.zone);
        let (rows, skipped) = (recorded.rows.count(), recorded.rows.skipped().0);
        let visit = visit(path, &manifest, &recorded.file, started, &session);
        let visit = Visit { rows, rows_unreadable: skipped, ..visit };
        let probes = heard.facts(&session, &recorded.file.job);
        let files = tables.finish(&visit, &probes).map_err(Failure::world)?;
        Ok(Some(Made { identity, partition, files, rows, skipped }))
    }

    /// Notes that a session is exported from this folder; one session is not exported from two.
    fn take(&self, identity: &Identity, path: &Path) -> Result<(), Failure> {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        match taken.insert(identity.clone(), path.to_owned()) {
            None => Ok(()),
            Some(first) => {
                let words = format!(
                    "{} is the same session as {}: they have one job and begin with one row; export \
                     only one of them",
                    path.display(),
                    first.display()
                );
                taken.insert(identity.clone(), first);
                Err(Failure::bad_input(words))
            }
        }
    }

    /// The sessions that were made of the same record under other jobs and are still in the lake;
    /// those that are to be replaced are taken out.
    fn others(&self, identity: &Identity) -> Result<Vec<&Identity>, Failure> {
        let others = self.known.iter().filter(|(other, _)| other.is_other_job_of(identity));
        if !self.replace {
            return Ok(others.map(|(other, _)| other).collect());
        }
        for (other, partitions) in others {
            let taken =
                self.taken.lock().unwrap_or_else(PoisonError::into_inner).contains_key(other);
            if !taken {
                let mut partitions = partitions.iter();
                partitions.try_for_each(|at| self.lake.remove(other, at)).map_err(failure)?;
            }
        }
        Ok(Vec::new())
    }

    fn tell(
        &self,
        path: &Path,
        made: &Made,
        put: Put,
        others: Vec<&Identity>,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        let word = match put {
            Put::New => "new",
            Put::Same => "same",
            Put::Replaced => "replaced",
        };
        let session = made.identity.as_str();
        let lies = made.partition.as_str();
        let of = |table: &str| {
            made.files.iter().find(|file| file.table == table).map_or(0, |file| file.rows)
        };
        let (cycles, findings) = (of("cycles"), of("findings"));
        let others: Vec<&str> = others.into_iter().map(Identity::as_str).collect();
        if self.json {
            let line = json!({
                "kind": "exported", "session": session, "folder": path.display().to_string(),
                "partition": lies, "put": word, "rows": made.rows, "rows_unreadable": made.skipped,
                "cycles": cycles, "findings": findings, "other_jobs": others,
            });
            return writeln!(out, "{line}");
        }
        let skipped = match made.skipped {
            0 => String::new(),
            skipped => format!(", {skipped} rows could not be read"),
        };
        writeln!(
            out,
            "{word:8} {session} {lies}: {} rows, {cycles} runs, {findings} findings{skipped}",
            made.rows
        )?;
        if others.is_empty() {
            return Ok(());
        }
        writeln!(
            out,
            "         the same record is there under another job as {}; --replace takes that out",
            others.join(", ")
        )
    }
}

/// What was made of a session.
struct Made {
    identity: Identity,
    partition: Partition,
    files: Vec<Written>,
    rows: u64,
    skipped: u64,
}

fn listen(session: &mut Session, tables: &mut Tables) -> Result<(), Failure> {
    while let Some(output) = session.poll() {
        tables.take(&output, session).map_err(Failure::world)?;
    }
    Ok(())
}

/// The row as the record has it.
fn as_written(row: &Row<'_>) -> Vec<u8> {
    let mut line = Vec::new();
    record::write_row(&mut line, row.at, &Labels::default().text(row.label), &row.input);
    line
}

fn visit<'a>(
    path: &'a Path,
    manifest: &'a Manifest,
    file: &JobFile,
    started: Option<Utc>,
    session: &Session,
) -> Visit<'a> {
    let circuits = &file.job.unit.circuits;
    let refrigerants = circuits.iter().filter_map(|circuit| circuit.refrigerant.as_deref());
    let meterings = circuits.iter().filter_map(|circuit| circuit.metering);
    let meterings = meterings
        .filter_map(|own| METERINGS.iter().find(|(_, m)| *m == own).map(|(word, _)| *word));
    Visit {
        started_ms: started.map(Utc::as_ms),
        zone: &manifest.zone,
        program: &manifest.program,
        exported_by: concat!("settled ", env!("CARGO_PKG_VERSION")),
        mode: MODES.iter().find(|(_, m)| *m == file.job.mode).map_or("", |(word, _)| word),
        refrigerant: each_once(refrigerants),
        metering: each_once(meterings),
        folder: path.file_name().and_then(|name| name.to_str()).unwrap_or_default(),
        rows: 0,
        rows_unreadable: 0,
        end: session.snapshot().at,
        counts: session.counts(),
    }
}

/// These words, each once; `None` where there are none.
fn each_once<'a>(words: impl Iterator<Item = &'a str>) -> Option<String> {
    let mut once: Vec<&str> = Vec::new();
    for word in words {
        if !once.contains(&word) {
            once.push(word);
        }
    }
    (!once.is_empty()).then(|| once.join(", "))
}

/// How far a long record is, on standard error where that is a terminal.
struct Progress<'a> {
    path: Option<&'a Path>,
    rows: u64,
}

impl<'a> Progress<'a> {
    fn of(path: &'a Path) -> Self {
        Self { path: io::stderr().is_terminal().then_some(path), rows: 0 }
    }

    fn row(&mut self) {
        self.rows += 1;
        if let Some(path) = self.path.filter(|_| self.rows.is_multiple_of(ROWS_A_WORD)) {
            // A word that nobody takes does no harm.
            drop(writeln!(io::stderr(), "{}: {} rows heard again …", path.display(), self.rows));
        }
    }
}
