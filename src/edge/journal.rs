//! The journal: rows go into a bounded queue, a thread of its own brings them to the disk.
//!
//! Rows wait in memory for at most `sync_interval`, are then written together and synced; only
//! then are they *acknowledged*. Whoever appends never waits for the disk.
//!
//! When a write or a sync fails, the part's content is unknown and no further byte goes there.
//! When the queue is full, since the disk is too slow, rows are refused. Either way the record has
//! a lost stretch from the first row that is not acknowledged; all rows from there on are counted
//! as lost, until the disk serves (a new part could be begun; the queue is empty again) and the
//! owner calls [`Journal::resume`], which writes the row that tells of it as the first.

use std::io;
use std::mem;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crate::edge::clock::{self, Labels, Utc};
use crate::edge::folder::{header_line, part_name};
use crate::engine::input::Input;
use crate::engine::record::write_row;
use crate::units::time::Elapsed;

/// How much may wait for the disk (bytes); some 50,000 rows. Beyond it, rows are refused and
/// counted.
const QUEUE_MAX: usize = 4 * 1024 * 1024;

/// How much waits before the disk is used early (bytes).
const QUEUE_EARLY: usize = QUEUE_MAX / 4;

/// Where parts are kept. A folder, or what a test puts in its place.
pub trait Store: Send + 'static {
    /// Makes a new part, which must not exist yet; its entry in the folder is on the disk when
    /// this returns.
    ///
    /// # Errors
    /// Where the disk says no.
    fn create(&mut self, name: &str) -> io::Result<Box<dyn Part>>;

    /// Takes a part away in which there is no row.
    ///
    /// # Errors
    /// Where the disk says no.
    fn discard(&mut self, name: &str) -> io::Result<()>;

    /// How much room is left (bytes), where that can be told.
    fn free_bytes(&mut self) -> Option<u64>;
}

/// A part of the record that is being written.
pub trait Part: Send {
    /// Appends bytes, all of them.
    ///
    /// # Errors
    /// Where the disk says no; how much was written is then unknown.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Returns once all that was appended is on the disk.
    ///
    /// # Errors
    /// Where the disk says no; what was appended is then in doubt.
    fn sync(&mut self) -> io::Result<()>;
}

/// How a journal writes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Longest time that a row waits to be written and synced (default 2 s; 0: no wait).
    pub sync_interval: Duration,
    /// Size at which the next part is begun (bytes; default 64 MiB).
    pub part_bytes: u64,
    /// Free space below which it is told (bytes; default 200 MB).
    pub keep_free_bytes: u64,
    /// How long after a failure the disk is tried again (default 5 s).
    pub retry: Duration,
    /// Number of the first part.
    pub first_part: u32,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            sync_interval: Duration::from_secs(2),
            part_bytes: 64 * 1024 * 1024,
            keep_free_bytes: 200_000_000,
            retry: Duration::from_secs(5),
            first_part: 0,
        }
    }
}

/// What the journal tells of its own accord, from its thread.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// So many rows are on the disk, in all.
    Acknowledged(u64),
    /// Rows are being lost since this moment, and why.
    NotRecording(Elapsed, String),
    /// The disk serves again: call [`Journal::resume`].
    Serves,
    /// Free space has fallen below what is to be kept free (bytes).
    LowSpace(u64),
    /// There is room again (bytes).
    SpaceAgain(u64),
}

/// A row was not recorded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("not recording since {since}: {why}")]
pub struct NotRecording {
    /// Since when.
    pub since: Elapsed,
    /// Why.
    pub why: String,
}

/// How the journal stands.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Status {
    /// Rows that are on the disk.
    pub acknowledged: u64,
    /// Rows that wait for it.
    pub waiting: u64,
    /// Rows that were lost in all stretches.
    pub lost: u64,
    /// Since when and why nothing is recorded; `None` while all is well.
    pub not_recording: Option<NotRecording>,
    /// Free space (bytes), where that can be told.
    pub free_bytes: Option<u64>,
    /// How long the last batch took to be written and synced.
    pub sync: Duration,
}

/// The journal of a session.
pub struct Journal {
    shared: Arc<Shared>,
    labels: Labels,
    thread: Option<JoinHandle<()>>,
}

impl Journal {
    /// Begins the first part, header and folder entry synced, and starts the thread; `notice` is
    /// called from there and must not wait.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn begin(
        mut store: impl Store,
        settings: Settings,
        notice: impl FnMut(Notice) + Send + 'static,
    ) -> io::Result<Self> {
        let mut number = settings.first_part;
        let part = begin_part(&mut store, &mut number)?;
        let shared = Arc::new(Shared::default());
        let writer = Writer {
            shared: Arc::clone(&shared),
            store: Box::new(store),
            settings,
            notice: Box::new(notice),
            part: Some(part),
            part_len: 0,
            number,
            low: false,
        };
        let thread = thread::Builder::new().name("journal".to_owned());
        let thread = Some(thread.spawn(move || writer.run())?);
        Ok(Self { shared, labels: Labels::default(), thread })
    }

    /// Puts a row into the queue. [`Input::Tick`] is no row.
    ///
    /// # Errors
    /// While rows are lost; the row is then counted.
    pub fn append(
        &mut self,
        at: Elapsed,
        label: Option<Utc>,
        input: &Input<'_>,
    ) -> Result<(), NotRecording> {
        if *input == Input::Tick {
            return Ok(());
        }
        let mut state = self.shared.lock();
        if state.lost.is_none() && state.queue.len() >= QUEUE_MAX {
            let why = "the disk is too slow, and the queue is full".to_owned();
            let serves = false;
            state.lost = Some(Lost { from: at, rows: 0, why, serves, told: false });
        }
        if let Some(lost) = &mut state.lost {
            lost.rows += 1;
            let error = lost.error();
            state.lost_rows += 1;
            return Err(error);
        }
        let label = self.labels.stack(label);
        self.shared.push(&mut state, at, label.as_str(), input);
        Ok(())
    }

    /// Goes on after a lost stretch, where the disk serves: writes the row that tells of it and
    /// returns it for the session. `None` while there is nothing to go on from, or no way.
    pub fn resume(&mut self, at: Elapsed, label: Option<Utc>) -> Option<Input<'static>> {
        let mut state = self.shared.lock();
        let lost = state.lost.take_if(|lost| lost.serves)?;
        let input = Input::RecordingResumed { lost_from: lost.from, lost_rows: lost.rows };
        let label = self.labels.stack(label);
        self.shared.push(&mut state, at, label.as_str(), &input);
        Some(input)
    }

    /// How the journal stands.
    pub fn status(&self) -> Status {
        let state = self.shared.lock();
        Status {
            acknowledged: state.acknowledged,
            waiting: state.queue_rows + state.writing_rows,
            lost: state.lost_rows,
            not_recording: state.lost.as_ref().map(Lost::error),
            free_bytes: state.free_bytes,
            sync: state.sync,
        }
    }

    /// Brings all that waits to the disk and ends; waits no longer than `limit` for a disk that
    /// does not answer. The status tells what was not written: it waits still.
    pub fn close(mut self, limit: Duration) -> Status {
        let mut state = self.shared.lock();
        state.closing = true;
        self.shared.wake.notify_all();
        let ended = self.shared.ended.wait_timeout_while(state, limit, |state| !state.ended);
        let ended = ended.unwrap_or_else(PoisonError::into_inner).0.ended;
        // A thread that hangs in the kernel is left to the end of the process.
        if let (true, Some(thread)) = (ended, self.thread.take()) {
            // It has nothing left to do but to return.
            let _ = thread.join();
        }
        self.status()
    }
}

impl Drop for Journal {
    fn drop(&mut self) {
        self.shared.lock().closing = true;
        self.shared.wake.notify_all();
    }
}

/// What the owner and the thread share. The lock is held only to copy, never over a wait for the
/// disk.
#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    /// Something waits, or the journal is to end.
    wake: Condvar,
    /// The thread has ended.
    ended: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        // Nothing that panics runs under the lock, so what a poisoned one guards is whole.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes a row straight into the queue, so that none costs an allocation.
    fn push(&self, state: &mut State, at: Elapsed, label: &str, input: &Input<'_>) {
        let before = state.queue.len();
        if before == 0 {
            state.queue_from = at;
        }
        write_row(&mut state.queue, at, label, input);
        state.queue_rows += 1;
        let early = before < QUEUE_EARLY && state.queue.len() >= QUEUE_EARLY;
        if before == 0 || early {
            self.wake.notify_all();
        }
    }
}

#[derive(Default)]
struct State {
    queue: Vec<u8>,
    queue_rows: u64,
    /// When the first row in the queue happened.
    queue_from: Elapsed,
    /// Rows that the thread has taken and not yet synced.
    writing_rows: u64,
    acknowledged: u64,
    lost_rows: u64,
    lost: Option<Lost>,
    free_bytes: Option<u64>,
    sync: Duration,
    closing: bool,
    ended: bool,
}

/// A stretch that is not recorded.
struct Lost {
    from: Elapsed,
    rows: u64,
    why: String,
    serves: bool,
    told: bool,
}

impl Lost {
    fn error(&self) -> NotRecording {
        NotRecording { since: self.from, why: self.why.clone() }
    }
}

/// Begins the part `number`, or the first free one after it.
fn begin_part(store: &mut dyn Store, number: &mut u32) -> io::Result<Box<dyn Part>> {
    let mut part = loop {
        match store.create(&part_name(*number)) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && *number < u32::MAX => {
                *number += 1;
            }
            created => break created?,
        }
    };
    let begun = part.append(&header_line()).and_then(|()| part.sync());
    if let Err(error) = begun {
        drop(part);
        // If it stays, it is an empty part, which a reader passes over.
        if store.discard(&part_name(*number)).is_err() {
            *number += 1;
        }
        return Err(error);
    }
    Ok(part)
}

/// The thread's side.
struct Writer {
    shared: Arc<Shared>,
    store: Box<dyn Store>,
    settings: Settings,
    notice: Box<dyn FnMut(Notice) + Send>,
    /// `None` after a failure, until the disk serves again.
    part: Option<Box<dyn Part>>,
    part_len: u64,
    number: u32,
    low: bool,
}

impl Writer {
    fn run(mut self) {
        let mut batch = Vec::new();
        self.look_at_space();
        while self.wait() {
            self.tell_lost();
            if self.part.is_none() {
                self.try_again();
                continue;
            }
            let (from, rows) = self.take(&mut batch);
            if rows > 0 {
                let begin_ms = clock::machine_ms();
                match self.write(&batch) {
                    Ok(()) => self.acknowledge(rows, clock::machine_ms() - begin_ms),
                    Err(error) => self.fail(from, rows, &error),
                }
                batch.clear();
                self.look_at_space();
            }
            self.drained();
        }
        let mut state = self.shared.lock();
        state.ended = true;
        self.shared.ended.notify_all();
    }

    /// Waits until there is something to do; `false` when all is done and the journal is to end.
    fn wait(&self) -> bool {
        let mut state = self.shared.lock();
        if self.part.is_none() {
            // The disk is tried once in a while; nobody else can tell when it serves again.
            let retry = self.settings.retry;
            let waited = self.shared.wake.wait_timeout_while(state, retry, |s| !s.closing);
            return !waited.unwrap_or_else(PoisonError::into_inner).0.closing;
        }
        let idle = |s: &State| {
            s.queue.is_empty() && !s.closing && s.lost.as_ref().is_none_or(|lost| lost.serves)
        };
        while idle(&state) {
            state = self.shared.wake.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
        let interval = self.settings.sync_interval;
        if !interval.is_zero() {
            let more = |s: &mut State| !s.closing && s.queue.len() < QUEUE_EARLY;
            let waited = self.shared.wake.wait_timeout_while(state, interval, more);
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        !(state.closing && state.queue.is_empty())
    }

    /// Takes all that waits, in exchange for an empty buffer.
    fn take(&self, batch: &mut Vec<u8>) -> (Elapsed, u64) {
        let mut state = self.shared.lock();
        mem::swap(&mut state.queue, batch);
        let rows = mem::take(&mut state.queue_rows);
        state.writing_rows = rows;
        (state.queue_from, rows)
    }

    fn write(&mut self, batch: &[u8]) -> io::Result<()> {
        if self.part_len > 0 && self.part_len + batch.len() as u64 > self.settings.part_bytes {
            self.number += 1;
            self.part = None;
            self.part = Some(begin_part(&mut *self.store, &mut self.number)?);
            self.part_len = 0;
        }
        let part = self.part.as_mut().expect("a part is open, or was just begun");
        part.append(batch)?;
        part.sync()?;
        self.part_len += batch.len() as u64;
        Ok(())
    }

    fn acknowledge(&mut self, rows: u64, took_ms: u64) {
        let mut state = self.shared.lock();
        state.sync = Duration::from_millis(took_ms);
        state.acknowledged += rows;
        state.writing_rows = 0;
        let all = state.acknowledged;
        drop(state);
        (self.notice)(Notice::Acknowledged(all));
    }

    /// Gives the part up, and counts as lost what was written with the failed write and what has
    /// come since.
    fn fail(&mut self, from: Elapsed, rows: u64, error: &io::Error) {
        self.part = None;
        let mut state = self.shared.lock();
        state.writing_rows = 0;
        state.queue.clear();
        let rows = rows + mem::take(&mut state.queue_rows);
        state.lost_rows += rows;
        let before = state.lost.take().map_or(0, |lost| lost.rows);
        let (rows, why) = (rows + before, error.to_string());
        state.lost = Some(Lost { from, rows, why, serves: false, told: false });
        drop(state);
        self.tell_lost();
    }

    fn try_again(&mut self) {
        self.look_at_space();
        if let Ok(part) = begin_part(&mut *self.store, &mut self.number) {
            self.part = Some(part);
            self.part_len = 0;
            self.drained();
        }
    }

    /// After a failure or a full queue: all that waited is on the disk, and it serves.
    fn drained(&mut self) {
        let mut state = self.shared.lock();
        let empty = state.queue.is_empty() && self.part.is_some();
        let Some(lost) = state.lost.as_mut().filter(|lost| empty && !lost.serves) else { return };
        lost.serves = true;
        drop(state);
        self.tell_lost();
        (self.notice)(Notice::Serves);
    }

    fn tell_lost(&mut self) {
        let mut state = self.shared.lock();
        let Some(lost) = state.lost.as_mut().filter(|lost| !lost.told) else { return };
        lost.told = true;
        let notice = Notice::NotRecording(lost.from, lost.why.clone());
        drop(state);
        (self.notice)(notice);
    }

    fn look_at_space(&mut self) {
        let free = self.store.free_bytes();
        self.shared.lock().free_bytes = free;
        let Some(free) = free else { return };
        let keep = self.settings.keep_free_bytes;
        // A twentieth more before it is taken back, so that it is not told with every row.
        let notice = if free < keep && !self.low {
            Notice::LowSpace(free)
        } else if self.low && free >= keep + keep / 20 {
            Notice::SpaceAgain(free)
        } else {
            return;
        };
        self.low = !self.low;
        (self.notice)(notice);
    }
}
