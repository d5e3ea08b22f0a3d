//! `settled replay`: the same engine on records.

mod standard_input;

use std::fs;
use std::io::{self, Read, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use jiff::tz::TimeZone;
use serde_json::json;

use crate::app::derived::Derived;
use crate::app::exit::{Exit, Failure};
use crate::app::findings;
use crate::app::job::JobFile;
use crate::app::many;
use crate::app::profile;
use crate::app::replay::standard_input::StandardInput;
use crate::app::screen::Screen;
use crate::app::serve::Page;
use crate::app::serve::history::Source;
use crate::app::shutdown::Shutdown;
use crate::app::tell::{self, Teller};
use crate::app::trend::Trends;
use crate::edge::clock;
use crate::edge::derived::{self, DerivedFiles};
use crate::edge::folder::{Folder, Manifest};
use crate::edge::journal::Status;
use crate::edge::rows::Rows;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::document;
use crate::engine::output::Output;
use crate::engine::session::Session;
use crate::units::time::Elapsed;

/// The derived files, as `--rebuild` makes and compares them.
const DERIVED: [&str; 5] =
    ["readings.csv", "cycles.csv", "sets.csv", "events.csv", "findings.json"];
/// Time between two pictures on the terminal.
const PICTURE_EVERY_MS: u64 = 100;
/// Longest sleep of a replay at a given speed, so that a wish to stop is seen in time.
const SLEEP_MAX: Duration = Duration::from_millis(100);

/// Runs the same engine on recorded sessions.
///
/// Without --rebuild nothing is written: the findings are printed. Another job can be tried on the
/// same record with --job (other placements, another refrigerant). Several sessions are replayed at
/// once on all cores, and told in order. Ctrl-C stops it, says where, and leaves files as they were;
/// the exit code is then 5.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  settled replay sessions/2031-06-04T19-05-12Z-harbour-bakery --rebuild\n  \
    settled replay sessions/* --json\n  \
    cat sessions/2031-06-04T19-05-12Z-harbour-bakery/received*.csv | settled replay - --job \
    bakery.toml --json\n  \
    settled replay sessions/2031-06-04T19-05-12Z-harbour-bakery --speed 60 --serve"
)]
pub struct Args {
    /// The sessions' folders, or - for a record on standard input (then --job is needed).
    #[arg(required = true)]
    sessions: Vec<PathBuf>,
    /// A job to use in place of the recorded one.
    #[arg(long)]
    job: Option<PathBuf>,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
    /// Passes over what was received before this time since the beginning (minutes:seconds or
    /// hours:minutes:seconds).
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Stops at this time since the beginning.
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// How many times faster than true time [default: at once].
    #[arg(long)]
    speed: Option<f64>,
    /// Makes the derived files again from the record.
    #[arg(long, conflicts_with_all = ["job", "from", "to", "profiles"])]
    rebuild: bool,
    /// With --json: prints each reading as well.
    #[arg(long)]
    readings: bool,
    /// Serves the page of it until it is stopped, at the job's address or the one given.
    #[arg(long, value_name = "ADDRESS:PORT", num_args = 0..=1, require_equals = true)]
    serve: Option<Option<SocketAddr>>,
}

/// Replays all sessions that are named.
///
/// # Errors
/// A session that cannot be read, or a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    if args.speed.is_some_and(|speed| !(speed > 0.0 && speed <= 1e6)) {
        return Err(Failure::usage("--speed must be a number above 0, at most 1000000"));
    }
    let several = args.sessions.len() > 1;
    if args.serve.is_some() && several {
        return Err(Failure::usage("--serve shows one session; name only one"));
    }
    let shutdown = Shutdown::watch().map_err(Failure::world)?;
    let one = |path: &Path, out: &mut dyn Write| {
        if several {
            let name = path.display().to_string();
            let line = json!({"kind": "session", "session": name});
            let written = if json { writeln!(out, "{line}") } else { writeln!(out, "== {name}") };
            written.map_err(Failure::world)?;
        }
        replay(path, args, &shutdown, json, out)
    };
    let is_stream = |path: &PathBuf| path.as_os_str() == "-";
    let together = several && args.speed.is_none() && !args.readings;
    if together && !args.sessions.iter().any(is_stream) {
        return many::each(&args.sessions, &|| shutdown.asked(), &one, out);
    }
    let mut exit = Exit::Done;
    for path in &args.sessions {
        exit = one(path, out)?;
        if shutdown.asked() {
            break;
        }
    }
    Ok(exit)
}

/// Makes the derived files of the session in `path` again from its record.
///
/// # Errors
/// A session that cannot be read, or a disk that says no.
pub fn rebuild(path: &Path) -> Result<(), Failure> {
    let args = Args {
        sessions: vec![path.to_owned()],
        job: None,
        profiles: None,
        from: None,
        to: None,
        speed: None,
        rebuild: true,
        readings: false,
        serve: None,
    };
    replay(path, &args, &Shutdown::never(), false, &mut io::sink()).map(|_| ())
}

/// `minutes:seconds` or `hours:minutes:seconds`.
pub(super) fn moment(text: &str) -> Result<Elapsed, String> {
    let wrong = || format!("`{text}` is no time; write minutes:seconds, as in 12:30, or 1:02:30");
    let parts: Vec<u64> =
        text.split(':').map(|part| part.parse().map_err(|_| wrong())).collect::<Result<_, _>>()?;
    let in_range =
        parts.iter().skip(1).all(|part| *part < 60) && parts.iter().all(|p| *p < 1 << 20);
    match (in_range, parts.as_slice()) {
        (true, [minutes, seconds]) => Ok(Elapsed::from_secs(minutes * 60 + seconds)),
        (true, [hours, minutes, seconds]) => {
            Ok(Elapsed::from_secs((hours * 60 + minutes) * 60 + seconds))
        }
        _ => Err(wrong()),
    }
}

/// A session on disk, ready to be replayed.
pub struct Recorded {
    /// Its folder; `None` for a stream.
    pub folder: Option<Folder>,
    /// The job, as run or as given.
    pub file: JobFile,
    /// The zone in which people see it.
    pub zone: TimeZone,
    /// Its rows.
    pub rows: Rows,
}

impl Recorded {
    /// Opens the session in `path` (`-`: standard input), with `job` in place of its own.
    ///
    /// # Errors
    /// Where it is none, or cannot be read.
    pub fn open(path: &Path, job: Option<&Path>) -> Result<Self, Failure> {
        if path.as_os_str() == "-" {
            return Self::of_stream(job, Box::new(io::stdin()));
        }
        let given = job.map(JobFile::read).transpose()?;
        let (folder, manifest) = Folder::open(path).map_err(Failure::bad_input)?;
        let recorded = recorded_job(path, &manifest);
        let file = match given {
            // What baths had told of the probes holds whatever else the other job says.
            Some(mut file) if file.job.calibrations.is_empty() => {
                file.job.calibrations =
                    recorded.map(|own| own.job.calibrations).unwrap_or_default();
                file
            }
            Some(file) => file,
            None => recorded?,
        };
        let zone = TimeZone::get(&manifest.zone).unwrap_or(TimeZone::UTC);
        let rows = folder.rows().map_err(Failure::bad_input)?;
        Ok(Self { folder: Some(folder), file, zone, rows })
    }

    /// The record in a stream, which has no job of its own.
    fn of_stream(job: Option<&Path>, stream: Box<dyn Read + Send>) -> Result<Self, Failure> {
        let job = job.ok_or_else(|| {
            Failure::usage("a record on standard input has no job; give one with --job")
        })?;
        let file = JobFile::read(job)?;
        let rows = Rows::of_stream(stream, "standard input").map_err(Failure::bad_input)?;
        Ok(Self { folder: None, file, zone: TimeZone::UTC, rows })
    }
}

/// The job that a session was run with.
pub(super) fn recorded_job(path: &Path, manifest: &Manifest) -> Result<JobFile, Failure> {
    let text = toml::to_string(&manifest.job).map_err(Failure::bad_input)?;
    JobFile::parse(&text).map_err(|errors| {
        let errors = document::one_line(&errors);
        Failure::bad_input(format!("{}: job in session.toml: {errors}", path.display()))
    })
}

fn replay(
    path: &Path,
    args: &Args,
    shutdown: &Shutdown,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let mut recorded = if path.as_os_str() == "-" {
        let stream = StandardInput::open(shutdown.clone()).map_err(Failure::world)?;
        Recorded::of_stream(args.job.as_deref(), Box::new(stream))?
    } else {
        Recorded::open(path, args.job.as_deref())?
    };
    let profiles = profile::load(args.profiles.as_deref())?;
    let mut files = match (&recorded.folder, args.rebuild) {
        (Some(folder), true) => Some(new_files(folder, &recorded)?),
        _ => None,
    };
    if recorded.folder.is_some() {
        recorded.rows.read_ahead(profiles.clone()).map_err(Failure::world)?;
    }
    let paced = args.speed.is_some();
    let screen = if paced && !json {
        Screen::open(recorded.file.units).map_err(Failure::world)?
    } else {
        None
    };
    let mut teller = Teller::new(recorded.file.units, json, paced && screen.is_none());
    if !args.readings {
        teller = teller.without_readings();
    }
    let page = args.serve.map(|listen| page(&recorded, listen, json, out)).transpose()?;
    let session = Session::new(recorded.file.job.clone(), profiles, None);
    let trends = Trends::default();
    let mut run = Run { session, teller, screen, page, trends, last: None };
    let stopped = run.rows(&mut recorded.rows, files.as_mut(), (args, shutdown), out)?;
    run.session.finish();
    run.say(files.as_mut(), out)?;
    let files = files.map(whole).transpose()?;
    if let Some(screen) = run.screen.take() {
        screen.close().map_err(Failure::world)?;
    }
    let same = match (files, stopped) {
        (Some(files), None) => Some(publish(path, files)?),
        (Some(files), Some(_)) => {
            files.discard();
            None
        }
        (None, _) => None,
    };
    run.finish(path, &recorded, json, same.as_deref(), out).map_err(Failure::world)?;
    if let Some(at) = stopped {
        let written = if json {
            let session = path.display().to_string();
            let line = json!({"kind": "stopped", "elapsed_s": at.as_secs(), "session": session});
            writeln!(out, "{line}")
        } else {
            writeln!(out, "STOPPED at {at} of {}; its files are as they were.", path.display())
        };
        written.map_err(Failure::world)?;
        return Ok(Exit::NotRecorded);
    }
    let last = run.session.snapshot();
    let stays = run.page.map(|page| page.stay(Source::Record { ended: true }, last, json, out));
    stays.transpose().map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn page(
    recorded: &Recorded,
    listen: Option<SocketAddr>,
    json: bool,
    out: &mut dyn Write,
) -> Result<Page, Failure> {
    let source = Source::Record { ended: false };
    let page = Page::serve(&recorded.file, listen, source, recorded.zone.clone())?;
    page.announce(json, out).map_err(Failure::world)?;
    Ok(page)
}

fn new_files(folder: &Folder, recorded: &Recorded) -> Result<Derived, Failure> {
    let settings = derived::Settings { units: recorded.file.units, zone: recorded.zone.clone() };
    let files = DerivedFiles::create(folder.path(), settings).map_err(Failure::world)?;
    let mut files = Derived::begin(files);
    files.wait_when_full();
    Ok(files)
}

fn whole(files: Derived) -> Result<DerivedFiles, Failure> {
    let files = files.end().map_err(Failure::world)?;
    files.ok_or_else(|| Failure::world("the system gives no thread for the derived files"))
}

/// Gives the new files their names; says which of them differ from those that stood there.
fn publish(path: &Path, mut files: DerivedFiles) -> Result<Vec<&'static str>, Failure> {
    files.flush().map_err(Failure::world)?;
    let differs = |name: &&str| !same(&path.join(name), &path.join(format!("{name}.new")));
    let changed = DERIVED.iter().filter(|name| differs(name)).copied().collect();
    files.publish().map_err(Failure::world)?;
    files.finish().map_err(Failure::world)?;
    Ok(changed)
}

/// Whether two files hold the same bytes.
fn same(one: &Path, other: &Path) -> bool {
    let read = |path: &Path| fs::File::open(path).map(io::BufReader::new);
    let (Ok(mut one), Ok(mut other)) = (read(one), read(other)) else { return false };
    loop {
        let (Ok(a), Ok(b)) = (io::BufRead::fill_buf(&mut one), io::BufRead::fill_buf(&mut other))
        else {
            return false;
        };
        let length = a.len().min(b.len());
        if length == 0 {
            return a.len() == b.len();
        }
        if a[..length] != b[..length] {
            return false;
        }
        io::BufRead::consume(&mut one, length);
        io::BufRead::consume(&mut other, length);
    }
}

/// One replay while it runs.
struct Run {
    session: Session,
    teller: Teller,
    screen: Option<Screen>,
    page: Option<Page>,
    trends: Trends,
    last: Option<Diagnosis>,
}

impl Run {
    /// Hands all rows over; gives where it was stopped, if somebody wished so.
    fn rows(
        &mut self,
        rows: &mut Rows,
        mut files: Option<&mut Derived>,
        (args, shutdown): (&Args, &Shutdown),
        out: &mut dyn Write,
    ) -> Result<Option<Elapsed>, Failure> {
        let begin_ms = clock::machine_ms();
        let mut shown_ms = 0;
        let time = |text: Option<&String>| text.map(|text| moment(text)).transpose();
        let from = time(args.from.as_ref()).map_err(Failure::bad_input)?;
        let to = time(args.to.as_ref()).map_err(Failure::bad_input)?;
        while let Some(row) = rows.next_row().map_err(Failure::bad_input)? {
            if to.is_some_and(|to| row.at > to) {
                break;
            }
            if from.is_some_and(|from| row.at < from) {
                continue;
            }
            if let Some(speed) = args.speed {
                wait_for((row.at, from), speed, begin_ms, shutdown);
            }
            if shutdown.asked() {
                return Ok(Some(row.at));
            }
            if let Some(files) = files.as_deref_mut() {
                if !files.goes_on() {
                    // They say why at the end.
                    break;
                }
                files.label(row.at, row.label);
            }
            if let Some(page) = &mut self.page {
                page.row(row.at, row.label);
            }
            self.session.handle_decoded(row.at, row.input, row.decoded);
            self.say(files.as_deref_mut(), out)?;
            if let Some(page) = &mut self.page {
                page.show(|| (self.session.snapshot(), Status::default()));
            }
            if let Some(screen) = &mut self.screen
                && clock::machine_ms() >= shown_ms + PICTURE_EVERY_MS
            {
                shown_ms = clock::machine_ms();
                screen.show(&self.session.snapshot(), None).map_err(Failure::world)?;
            }
        }
        // A stream ends early where somebody wished so.
        Ok(shutdown.asked().then(|| self.session.snapshot().at))
    }

    fn say(&mut self, mut files: Option<&mut Derived>, out: &mut dyn Write) -> Result<(), Failure> {
        while let Some(output) = self.session.poll() {
            if let Some(page) = &mut self.page {
                page.take(&self.session, &output);
            }
            self.teller.tell(&self.session, &output, out).map_err(Failure::world)?;
            self.trends.take(&output);
            if let Output::Diagnosis(diagnosis) = &output {
                self.last = Some(diagnosis.clone());
            }
            if let Some(files) = files.as_deref_mut() {
                files.output(output);
            }
        }
        Ok(())
    }

    fn finish(
        &self,
        path: &Path,
        recorded: &Recorded,
        json: bool,
        changed: Option<&[&str]>,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        let counts = self.session.counts();
        if json {
            self.trends.json().iter().try_for_each(|line| writeln!(out, "{line}"))?;
            return writeln!(out, "{}", tell::summary(counts));
        }
        match &self.last {
            Some(diagnosis) => findings::write(diagnosis, recorded.file.units, false, out)?,
            None => writeln!(out, "No run settled; nothing can be said of the unit.")?,
        }
        self.trends.write(recorded.file.units, out)?;
        writeln!(
            out,
            "\n{} rows: {} readings, {} refused, {} runs, {} settled sets.",
            recorded.rows.count(),
            counts.readings,
            counts.refused,
            counts.cycles,
            counts.settled_sets
        )?;
        let (skipped, first) = recorded.rows.skipped();
        if skipped > 0 {
            let line = first.first().map_or(0, |skipped| skipped.line);
            writeln!(out, "{skipped} rows could not be read; the first is line {line}.")?;
        }
        match changed {
            None => Ok(()),
            Some([]) => writeln!(out, "Made again in {}: all as they were.", path.display()),
            Some(names) => {
                writeln!(out, "Made again in {}: {} changed.", path.display(), names.join(", "))
            }
        }
    }
}

/// Sleeps until `at` is due at `speed`, or somebody wants to stop.
fn wait_for(
    (at, from): (Elapsed, Option<Elapsed>),
    speed: f64,
    begin_ms: u64,
    shutdown: &Shutdown,
) {
    let since = at - from.unwrap_or(Elapsed::ZERO);
    let due_ms = begin_ms.saturating_add((since.as_secs_f64() * 1_000.0 / speed) as u64);
    while !shutdown.asked() {
        let left = Duration::from_millis(due_ms.saturating_sub(clock::machine_ms()));
        if left.is_zero() {
            return;
        }
        thread::sleep(left.min(SLEEP_MAX));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_minutes_and_seconds() {
        assert_eq!(moment("12:30"), Ok(Elapsed::from_secs(750)));
        assert_eq!(moment("1:02:30"), Ok(Elapsed::from_secs(3_750)));
        for wrong in ["", "5", "1:60", "1:2:3:4", "a:b"] {
            assert!(moment(wrong).is_err(), "{wrong}");
        }
    }
}
