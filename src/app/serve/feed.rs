//! What the session's loop tells the page: handed over without ever waiting for a watcher.
//!
//! The loop sends outputs and, now and then, a picture into a bounded queue. A thread of its own,
//! the keeper, owns the history; it draws each picture once, whoever watches, and answers what the
//! routes ask. Watchers get the latest drawing and nothing else, so a slow one misses some and
//! holds up nobody.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use std::{fmt, io};

use tokio::sync::{oneshot, watch};

use super::history::{History, Source};
use super::sheet::Drawing;
use crate::app::view::View;
use crate::edge::clock::Utc;
use crate::edge::journal::Status;
use crate::engine::columns::Units;
use crate::engine::output::Output;
use crate::engine::reading::Reading;
use crate::engine::session::Session;
use crate::engine::snapshot::Snapshot;
use crate::units::time::Elapsed;

/// What may wait for the keeper, for which room is taken at once. When it is full a live visit goes on without it, and counts; a
/// replay waits, since it has no radio to miss.
const QUEUE_MAX: usize = 4_096;
/// Least time between two pictures while somebody watches (ms).
const WATCHED_EVERY_MS: u64 = 100;
/// The same while nobody does.
const UNWATCHED_EVERY_MS: u64 = 1_000;

/// Something for the keeper.
enum Telling {
    Output(Box<Output>, String),
    Readings(Vec<Reading>),
    Missed(u64),
    Picture(Box<(Snapshot, Status)>),
    Folder(PathBuf),
    Row(Elapsed, Option<Utc>),
    Source(Source),
    Ask(Question),
}

/// A question that the keeper answers on its thread.
type Question = Box<dyn FnOnce(&History) + Send>;

/// The loop's end.
pub struct Feed {
    queue: SyncSender<Telling>,
    /// Whether to wait where the queue is full.
    waits: bool,
    watchers: Arc<AtomicUsize>,
    missed: u64,
    /// What was read since something else was told: it goes along with what comes next, at the
    /// latest a moment, so that a reading wakes nobody.
    readings: Vec<Reading>,
    pictured_ms: Option<u64>,
    /// When the session began by the clock, as it was told last.
    began: Option<Option<Utc>>,
}

impl Feed {
    /// Hands over what the session said.
    pub fn take(&mut self, session: &Session, output: &Output) {
        let probe = match output {
            Output::Reading(reading) => return self.readings.push(*reading),
            Output::Refused { .. } => return,
            Output::Channel(new) => new.probe.map_or("", |probe| session.address(probe)).to_owned(),
            _ => String::new(),
        };
        self.tell_readings();
        self.send(Telling::Output(Box::new(output.clone()), probe));
    }

    /// How long until the next picture is due.
    pub fn due_in(&self, now_ms: u64) -> Duration {
        let watched = self.watchers.load(Ordering::Relaxed) > 0;
        let every = if watched { WATCHED_EVERY_MS } else { UNWATCHED_EVERY_MS };
        let due_ms = self.pictured_ms.map_or(0, |last| last + every);
        Duration::from_millis(due_ms.saturating_sub(now_ms))
    }

    /// Hands over a picture, where one is due; `now_ms` is the machine's time.
    pub fn show(&mut self, now_ms: u64, picture: impl FnOnce() -> (Snapshot, Status)) {
        if self.due_in(now_ms).is_zero() {
            self.pictured_ms = Some(now_ms);
            self.tell_readings();
            self.send(Telling::Picture(Box::new(picture())));
        }
    }

    /// Tells in which folder notes are left from now on.
    pub fn folder(&mut self, folder: PathBuf) {
        self.send(Telling::Folder(folder));
    }

    /// A row of the record is at `at` and bears `label`; told on only where the clock has changed.
    pub fn row(&mut self, at: Elapsed, label: Option<Utc>) {
        let began = label.and_then(|label| label.plus_ms(-(at.as_ms() as i64)));
        if self.began != Some(began) {
            self.began = Some(began);
            self.send(Telling::Row(at, label));
        }
    }

    /// Hands over what the session said; waits where the queue is full.
    pub fn retell(&mut self, session: &Session, output: &Output) {
        let waits = std::mem::replace(&mut self.waits, true);
        self.take(session, output);
        self.waits = waits;
    }

    /// Tells of a source that has come to its end, with the last picture.
    pub fn end(&mut self, source: Source, picture: (Snapshot, Status)) {
        self.tell_readings();
        self.send(Telling::Source(source));
        self.send(Telling::Picture(Box::new(picture)));
    }

    fn tell_readings(&mut self) {
        if !self.readings.is_empty() {
            let room = self.readings.len();
            let readings = std::mem::replace(&mut self.readings, Vec::with_capacity(room));
            self.send(Telling::Readings(readings));
        }
    }

    fn send(&mut self, telling: Telling) {
        if self.waits {
            // A keeper that has ended takes the process with it.
            let _ = self.queue.send(telling);
            return;
        }
        if self.missed > 0 && self.queue.try_send(Telling::Missed(self.missed)).is_ok() {
            self.missed = 0;
        }
        if let Err(TrySendError::Full(_)) = self.queue.try_send(telling) {
            self.missed += 1;
        }
    }
}

/// The routes' end: the latest drawings, and questions.
#[derive(Clone)]
pub struct Keeper {
    queue: SyncSender<Telling>,
    drawings: watch::Receiver<Arc<Drawings>>,
    watchers: Arc<AtomicUsize>,
}

/// The page as it is now, in both systems of units.
#[derive(Debug)]
pub struct Drawings {
    units: Units,
    us: Drawing,
    si: Drawing,
}

impl Drawings {
    /// The drawing in `units`.
    pub const fn of(&self, units: Units) -> &Drawing {
        match units {
            Units::Us => &self.us,
            Units::Si => &self.si,
        }
    }

    /// The job's own units.
    pub const fn units(&self) -> Units {
        self.units
    }

    fn new(history: &History, snapshot: &Snapshot, status: &Status) -> Self {
        let lost = status.not_recording.as_ref();
        let draw = |units| Drawing::new(history, View::of(snapshot, lost, units), units);
        Self { units: history.units, us: draw(Units::Us), si: draw(Units::Si) }
    }
}

/// The keeper has too much to do, or has ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Busy;

impl Keeper {
    /// What `question` makes of the history.
    ///
    /// # Errors
    /// The keeper has too much to do.
    pub async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&History) -> T + Send + 'static,
    ) -> Result<T, Busy> {
        let (answer, answered) = oneshot::channel();
        let asked = Telling::Ask(Box::new(move |history: &History| {
            // Whoever asked may have gone.
            let _ = answer.send(question(history));
        }));
        self.queue.try_send(asked).map_err(|_| Busy)?;
        answered.await.map_err(|_| Busy)
    }

    /// The page as it is now.
    pub fn now(&self) -> Arc<Drawings> {
        Arc::clone(&self.drawings.borrow())
    }

    /// How many watch.
    pub fn watchers(&self) -> usize {
        self.watchers.load(Ordering::Relaxed)
    }

    /// Somebody watches from now on; `None` where `most` do already.
    pub fn watch(&self, most: usize) -> Option<Watcher> {
        let mut drawings = self.drawings.clone();
        drawings.mark_changed();
        let counted = self
            .watchers
            .fetch_update(Ordering::Relaxed, Ordering::Relaxed, |n| (n < most).then_some(n + 1));
        counted.ok().map(|_| Watcher { drawings, watchers: Arc::clone(&self.watchers) })
    }
}

/// One who watches: gets the latest drawing whenever there is a new one.
pub struct Watcher {
    drawings: watch::Receiver<Arc<Drawings>>,
    watchers: Arc<AtomicUsize>,
}

impl Watcher {
    /// The next drawing; `None` when there will be none.
    pub async fn next(&mut self) -> Option<Arc<Drawings>> {
        self.drawings.changed().await.ok()?;
        Some(Arc::clone(&self.drawings.borrow_and_update()))
    }
}

impl Drop for Watcher {
    fn drop(&mut self) {
        self.watchers.fetch_sub(1, Ordering::Relaxed);
    }
}

impl fmt::Debug for Watcher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Watcher").finish_non_exhaustive()
    }
}

/// Starts the keeper of `history`, whose first picture is `snapshot`; the feed `waits` where the
/// keeper cannot keep up, or else goes on without it.
///
/// # Errors
/// The system gives no thread.
pub fn start(
    history: History,
    snapshot: &Snapshot,
    waits: bool,
) -> io::Result<(Feed, Keeper, JoinHandle<()>)> {
    let (queue, inbox) = sync_channel(QUEUE_MAX);
    let first = Arc::new(Drawings::new(&history, snapshot, &Status::default()));
    let (drawn, drawings) = watch::channel(first);
    let watchers = Arc::new(AtomicUsize::new(0));
    let thread = thread::Builder::new().name("page-keeper".to_owned());
    let thread = thread.spawn(move || keep(history, &inbox, &drawn))?;
    let keeper = Keeper { queue: queue.clone(), drawings, watchers: Arc::clone(&watchers) };
    let feed = Feed {
        queue,
        waits,
        watchers,
        missed: 0,
        pictured_ms: None,
        began: None,
        readings: Vec::new(),
    };
    Ok((feed, keeper, thread))
}

fn keep(mut history: History, inbox: &Receiver<Telling>, drawn: &watch::Sender<Arc<Drawings>>) {
    for telling in inbox {
        match telling {
            Telling::Output(output, probe) => history.take(*output, probe),
            Telling::Readings(readings) => readings.iter().for_each(|one| history.reading(one)),
            Telling::Missed(missed) => history.missed += missed,
            Telling::Folder(folder) => history.folder = Some(folder),
            Telling::Row(at, label) => history.row(at, label),
            Telling::Source(source) => history.source = source,
            Telling::Ask(question) => question(&history),
            Telling::Picture(picture) => {
                let (snapshot, status) = *picture;
                drawn.send_replace(Arc::new(Drawings::new(&history, &snapshot, &status)));
                history.counts = snapshot.counts;
                history.journal = status;
            }
        }
    }
}
