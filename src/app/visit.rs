//! A live visit: the session, its record and its derived files, held together.
//!
//! Whoever receives hands each input to [`Visit::take`]. The journal and the derived files have
//! threads of their own, so that nothing here waits for the disk. What the derived files lose to a
//! full queue or a failing disk is made again from the record by `settled replay --rebuild`.

use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use jiff::tz::TimeZone;
use tracing::{info, warn};

use crate::app::derived::Derived;
use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::replay;
use crate::edge::clock::{self, Clocks, GoesOn, KeptClock, SessionClock, Utc};
use crate::edge::derived::{self, DerivedFiles};
use crate::edge::folder::{self, Cut, Folder, FolderError, Manifest, ProfileUsed};
use crate::edge::journal::{self, Journal, Notice, Status};
use crate::edge::rows::RowsError;
use crate::edge::spool::{self, Claim};
use crate::edge::store::FolderStore;
use crate::engine::input::Input;
use crate::engine::output::Output;
use crate::engine::profile::Profiles;
use crate::engine::session::Session;
use crate::engine::snapshot::Snapshot;
use crate::units::time::Elapsed;

/// Longest wait for the disk when a visit ends.
const CLOSE_LIMIT: Duration = Duration::from_millis(1_500);
/// Least engine time between two looks at the derived files' queue: they are flushed then.
const FLUSH_EVERY: Duration = Duration::from_secs(2);
/// Rows that may wait for the disk before a patient visit waits for it: about half of the queue, and
/// more than what makes the journal write.
const WAITING_MAX: u64 = 25_000;
/// How often it is looked whether a patient visit must wait (rows).
const LOOK_ROWS: u64 = 1_000;
/// Longest wait for a disk that does not serve.
const PATIENCE: Duration = Duration::from_secs(10);

/// Longest record (payloads) whose derived files are made again before a visit ends, half a second's
/// work on a usual machine: whoever stops the program waits for it.
const REBUILD_MAX: u64 = 400_000;

/// Longest pause after which a visit goes on (common practice, no source): enough to change a
/// battery or to start the machine again, too short to have been elsewhere meanwhile.
pub const PAUSE_MAX: Duration = Duration::from_mins(10);

/// A live visit.
pub struct Visit {
    session: Session,
    site: String,
    folder: Folder,
    store: FolderStore,
    journal: Journal,
    derived: Derived,
    flushed: Elapsed,
    /// Notes that were taken, each with the number of its last row; they wait for its sync.
    notes: Vec<(String, u64)>,
    /// Rows taken since the disk was waited for last; `None` where it never is.
    patient: Option<u64>,
    /// Nobody else writes this record.
    _claim: Claim,
}

/// Where and when a visit begins.
#[derive(Debug, Clone)]
pub struct Begin<'a> {
    /// The folder that holds the sessions.
    pub sessions: &'a Path,
    /// The wall clock, where it is known to be right.
    pub began: Option<Utc>,
    /// What ties engine time to the machine's.
    pub clock: KeptClock,
    /// The zone in which people see the visit.
    pub zone: TimeZone,
}

/// How a visit ended.
#[derive(Debug)]
pub struct Ended {
    /// The session, for what it counted.
    pub session: Session,
    /// Its folder.
    pub folder: PathBuf,
    /// Whether every input is on the disk.
    pub recorded: bool,
    /// Whether the derived files are whole.
    pub derived: bool,
}

impl Visit {
    /// Makes the session's folder and begins its record.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn begin(
        file: &JobFile,
        profiles: Profiles,
        begin: Begin<'_>,
        notice: impl FnMut(Notice) + Send + 'static,
    ) -> Result<Self, Failure> {
        let table = toml::from_str(&file.text).map_err(Failure::bad_input)?;
        let zone = begin.zone.iana_name().unwrap_or("UTC").to_owned();
        let used = profiles_used(&profiles);
        let name = folder::name(begin.began, &begin.clock.boot_id, &file.site);
        let manifest = Manifest::new(&zone, begin.clock, used, table);
        let folder = Folder::create(begin.sessions, &name, &manifest).map_err(Failure::world)?;
        let claim = claim(&folder)?;
        let settings = derived::Settings { units: file.units, zone: begin.zone };
        let mut files = DerivedFiles::create(folder.path(), settings).map_err(Failure::world)?;
        files.publish().map_err(Failure::world)?;
        info!(folder = %folder.path().display(), "session begun");
        let session = Session::new(file.job.clone(), profiles, None);
        Self::over(file, folder, claim, (session, files), notice)
    }

    /// Goes on with the session in `path` after the program had ended: what the record holds is
    /// heard again, and told to `retold`; a torn row is cut off, and a new part begins with a row
    /// that tells of the pause. Gives the clock that the visit goes on with.
    ///
    /// `None` where the pause was longer than [`PAUSE_MAX`], nothing was recorded, or somebody
    /// else records it.
    ///
    /// # Errors
    /// Where the record cannot be read, or the disk says no.
    pub fn go_on(
        file: &JobFile,
        profiles: Profiles,
        (path, clocks): (&Path, &Clocks),
        notice: impl FnMut(Notice) + Send + 'static,
        retold: &mut dyn FnMut(&Session, &Output),
        heard: &mut dyn FnMut(&Session, &Output),
    ) -> Result<Option<(Self, SessionClock)>, Failure> {
        let (folder, mut manifest) = Folder::open(path).map_err(Failure::bad_input)?;
        let Some(last) = last_row(&folder).map_err(Failure::bad_input)? else { return Ok(None) };
        let now = SessionClock::over(clocks.clone(), Elapsed::ZERO).stamp().label;
        let machine = (&*clocks.boot_id(), clocks.machine_ms());
        let GoesOn { at, pause } = clock::goes_on(&manifest.clock, last, machine, now);
        if pause.is_some_and(|pause| pause > PAUSE_MAX) {
            return Ok(None);
        }
        let Some(claim) = spool::claim(path).map_err(Failure::world)? else { return Ok(None) };
        let cut = folder.repair().map_err(Failure::world)?;
        let zone = TimeZone::get(&manifest.zone).unwrap_or(TimeZone::UTC);
        let mut clock = SessionClock::over(clocks.clone(), at);
        manifest.clock = clock.kept();
        manifest.profiles = profiles_used(&profiles);
        folder.write_manifest(&manifest).map_err(Failure::world)?;

        let settings = derived::Settings { units: file.units, zone };
        let mut files = DerivedFiles::create(path, settings).map_err(Failure::world)?;
        let mut session = Session::new(file.job.clone(), profiles, None);
        hear_again(&folder, &mut session, &mut files, retold).map_err(Failure::world)?;
        files.publish().map_err(Failure::world)?;
        info!(folder = %path.display(), "session goes on");
        let mut visit = Self::over(file, folder, claim, (session, files), notice)?;
        let stamp = clock.stamp();
        visit.take(stamp.at, stamp.label, Input::Restarted { pause }, heard);
        if let Some(Cut { part, kept, bytes }) = cut {
            let detail = format!("{bytes} bytes of a torn row were cut off and kept in {kept}");
            let input = Input::Event { event: "record-cut", subject: &part, detail: &detail };
            visit.take(stamp.at, stamp.label, input, heard);
        }
        Ok(Some((visit, clock)))
    }

    /// A visit over a folder whose record goes on, or begins, with the next part.
    fn over(
        file: &JobFile,
        folder: Folder,
        claim: Claim,
        (session, files): (Session, DerivedFiles),
        notice: impl FnMut(Notice) + Send + 'static,
    ) -> Result<Self, Failure> {
        let settings = journal::Settings {
            sync_interval: file.log.sync_interval,
            keep_free_bytes: file.log.keep_free_bytes,
            first_part: folder.next_part().map_err(Failure::world)?,
            ..journal::Settings::default()
        };
        let store = FolderStore::new(folder.path());
        let journal = Journal::begin(store.clone(), settings, notice).map_err(Failure::world)?;
        let derived = Derived::begin(files);
        Ok(Self {
            session,
            site: file.site.clone(),
            folder,
            store,
            journal,
            derived,
            flushed: Elapsed::ZERO,
            notes: Vec::new(),
            patient: None,
            _claim: claim,
        })
    }

    /// The same visit, which waits for the disk: for inputs that come as fast as they are taken,
    /// as a simulation's do. The radio never waits.
    #[must_use]
    pub fn patient(mut self) -> Self {
        self.patient = Some(0);
        self.derived.wait_when_full();
        self
    }

    /// Waits until little waits for the disk; in vain where it does not serve.
    fn wait_for_disk(&mut self) {
        let Some(rows) = &mut self.patient else { return };
        *rows += 1;
        if *rows < LOOK_ROWS {
            return;
        }
        *rows = 0;
        let begin_ms = clock::machine_ms();
        while self.journal.status().waiting > WAITING_MAX
            && u128::from(clock::machine_ms() - begin_ms) < PATIENCE.as_millis()
        {
            thread::sleep(Duration::from_millis(2));
        }
    }

    /// The session's folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Records an input and hands it to the session; `heard` is told all that the session says.
    pub fn take(
        &mut self,
        at: Elapsed,
        label: Option<Utc>,
        input: Input<'_>,
        heard: &mut dyn FnMut(&Session, &Output),
    ) {
        self.wait_for_disk();
        let is_row = input != Input::Tick;
        if is_row && let Some(resumed) = self.journal.resume(at, label) {
            self.hand_over(at, Some(label), resumed, heard);
        }
        // While nothing is recorded measuring goes on; the status says so to whoever looks.
        let recorded = self.journal.append(at, label, &input).is_ok();
        self.hand_over(at, (is_row && recorded).then_some(label), input, heard);
    }

    /// Gives the folder its name, now that the clock is known to be right; the session began at
    /// `began`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn name_by_clock(&mut self, began: Option<Utc>) -> Result<(), Failure> {
        // What waits knows the old name only.
        self.derived.flush();
        let name = folder::name(began, "", &self.site);
        self.folder.rename(&name).map_err(Failure::world)?;
        self.store.renamed(self.folder.path());
        self.derived.renamed(self.folder.path().to_owned());
        Ok(())
    }

    /// Takes the notes that were left in the folder; each is taken away when it is on the disk.
    pub fn take_notes(
        &mut self,
        at: Elapsed,
        label: Option<Utc>,
        heard: &mut dyn FnMut(&Session, &Output),
    ) {
        let status = self.journal.status();
        remove_notes(self.folder.path(), &mut self.notes, status.acknowledged);
        if status.not_recording.is_some() {
            // What was taken and not synced is lost with the rest, and is taken again later.
            self.notes.clear();
            return;
        }
        for name in spool::waiting(self.folder.path()) {
            if self.notes.iter().any(|(taken, _)| *taken == name) {
                continue;
            }
            let folder = self.folder.path().to_owned();
            let mut take = |input: Input<'_>| self.take(at, label, input, heard);
            let read = spool::read(&folder, &name, &mut take);
            let status = self.journal.status();
            let last = match read {
                Ok(()) => status.acknowledged + status.waiting,
                Err(error) => {
                    warn!("{error}; it is left where it is");
                    u64::MAX
                }
            };
            self.notes.push((name, last));
        }
    }

    /// How the journal stands.
    pub fn recording(&self) -> Status {
        self.journal.status()
    }

    /// When the session wants to be called even if nothing happens.
    pub fn deadline(&self) -> Elapsed {
        self.session.deadline()
    }

    /// All that a screen shows.
    pub fn snapshot(&self) -> Snapshot {
        self.session.snapshot()
    }

    /// Ends the visit with everything on the disk.
    pub fn end(mut self, heard: &mut dyn FnMut(&Session, &Output)) -> Ended {
        self.session.finish();
        self.say(heard);
        let status = self.journal.close(CLOSE_LIMIT);
        remove_notes(self.folder.path(), &mut self.notes, status.acknowledged);
        let recorded = status.lost == 0 && status.waiting == 0 && status.not_recording.is_none();
        let mut derived = self.derived.finish();
        if (!recorded || !derived) && self.session.counts().payloads > REBUILD_MAX {
            warn!("the files beside the record are not whole; make them again by replay --rebuild");
            derived = false;
        } else if !recorded || !derived {
            // What was said while nothing was recorded cannot be said again; files follow the
            // record.
            derived = match replay::rebuild(self.folder.path()) {
                Ok(()) => true,
                Err(failure) => {
                    warn!("{}; make the derived files again by replay --rebuild", failure.line());
                    false
                }
            };
        }
        Ended { session: self.session, folder: self.folder.path().to_owned(), recorded, derived }
    }

    /// Gives the session an input; `row` is its label, where it is a row of the record.
    fn hand_over(
        &mut self,
        at: Elapsed,
        row: Option<Option<Utc>>,
        input: Input<'_>,
        heard: &mut dyn FnMut(&Session, &Output),
    ) {
        if let Some(label) = row {
            self.derived.label(at, label);
        }
        self.session.handle(at, input);
        self.say(heard);
        if at - self.flushed >= FLUSH_EVERY {
            self.flushed = at;
            self.derived.flush();
        }
    }

    fn say(&mut self, heard: &mut dyn FnMut(&Session, &Output)) {
        while let Some(output) = self.session.poll() {
            heard(&self.session, &output);
            self.derived.output(output);
        }
    }
}

/// Takes away the notes whose rows are on the disk.
fn remove_notes(folder: &Path, notes: &mut Vec<(String, u64)>, acknowledged: u64) {
    notes.retain(|(name, last)| {
        let kept = *last > acknowledged;
        if !kept && let Err(error) = spool::remove(folder, name) {
            warn!("a note that was taken cannot be removed: {error}");
        }
        kept
    });
}

/// The right to write a session's record.
fn claim(folder: &Folder) -> Result<Claim, Failure> {
    let claimed = spool::claim(folder.path()).map_err(Failure::world)?;
    claimed.ok_or_else(|| {
        let path = folder.path().display();
        Failure::world(format!("{path} is being recorded by another settled; stop that one first"))
    })
}

/// When the last row of a record was, with its label; `None` where there is none.
pub(super) fn last_row(folder: &Folder) -> Result<Option<(Elapsed, Option<Utc>)>, FolderError> {
    let mut rows = match folder.rows() {
        Err(FolderError::NoRecord(_) | FolderError::Rows { source: RowsError::Empty, .. }) => {
            return Ok(None);
        }
        rows => rows?,
    };
    let mut last: Option<(Elapsed, Option<Utc>)> = None;
    while let Some(row) = rows.next_row()? {
        let at = last.map_or(row.at, |(last, _)| last.max(row.at));
        last = Some((at, row.label));
    }
    Ok(last)
}

/// Hands all rows of a record to a session that has heard nothing yet, and writes what it says.
fn hear_again(
    folder: &Folder,
    session: &mut Session,
    files: &mut DerivedFiles,
    retold: &mut dyn FnMut(&Session, &Output),
) -> Result<(), FolderError> {
    let mut rows = folder.rows()?;
    while let Some(row) = rows.next_row()? {
        files.label(row.at, row.label);
        session.handle(row.at, row.input);
        while let Some(output) = session.poll() {
            retold(session, &output);
            files.take(&output)?;
        }
    }
    Ok(())
}

/// The profiles with digests of their texts, for `session.toml`.
pub(super) fn profiles_used(profiles: &Profiles) -> Vec<ProfileUsed> {
    profiles
        .iter()
        .map(|p| ProfileUsed {
            name: p.name().to_owned(),
            digest: format!("fnv1a64:{:016x}", p.digest()),
        })
        .collect()
}
