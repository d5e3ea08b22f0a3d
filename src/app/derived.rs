//! The derived files on a thread of their own, so that who hears or replays does not wait for them.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::{self, JoinHandle};

use tracing::warn;

use crate::edge::clock::Utc;
use crate::edge::derived::DerivedFiles;
use crate::edge::folder::FolderError;
use crate::engine::output::Output;
use crate::units::time::Elapsed;

/// Batches that may wait for the thread: some minutes of a live visit. When it is full the files are
/// given up, and the record is not.
const QUEUE_MAX: usize = 256;
/// What is handed over together at the most, so that a replay seldom wakes the thread.
const BATCH_MAX: usize = 64;

/// Something for the thread.
enum Work {
    Label(Elapsed, Option<Utc>),
    Output(Output),
    Renamed(PathBuf),
}

/// The derived files, on a thread of their own.
pub struct Derived {
    /// `None` once they were given up.
    queue: Option<SyncSender<Vec<Work>>>,
    batch: Vec<Work>,
    /// Whoever sends waits while the queue is full.
    patient: bool,
    /// When the session began by the clock, as the thread was told last.
    began: Option<Option<Utc>>,
    thread: Option<JoinHandle<Result<DerivedFiles, FolderError>>>,
}

impl Derived {
    /// Gives `files` a thread.
    pub fn begin(files: DerivedFiles) -> Self {
        let (queue, work) = sync_channel(QUEUE_MAX);
        let thread = thread::Builder::new().name("derived".to_owned());
        let thread = thread.spawn(move || write(files, &work)).ok();
        let queue = thread.is_some().then_some(queue);
        Self { queue, batch: Vec::new(), patient: false, began: None, thread }
    }

    /// From now on whoever hands something over waits while the queue is full.
    pub fn wait_when_full(&mut self) {
        self.patient = true;
    }

    /// Whether the files still take what they are told.
    pub const fn goes_on(&self) -> bool {
        self.queue.is_some()
    }

    /// A row of the record was at `at` and bears `label`; told on only where the clock has changed.
    pub fn label(&mut self, at: Elapsed, label: Option<Utc>) {
        let began = label.and_then(|label| label.plus_ms(-(at.as_ms() as i64)));
        if self.began != Some(began) {
            self.began = Some(began);
            self.add(Work::Label(at, label));
        }
    }

    /// What the session said.
    pub fn output(&mut self, output: Output) {
        if DerivedFiles::takes(&output) {
            self.add(Work::Output(output));
        }
    }

    /// Has what was told so far brought into the files.
    pub fn flush(&mut self) {
        self.hand_over();
    }

    /// The folder has a new name.
    pub fn renamed(&mut self, folder: PathBuf) {
        self.add(Work::Renamed(folder));
        self.hand_over();
    }

    /// The files with all that was told; `None` where some of it was given up: they are then brought
    /// to the disk as they are.
    ///
    /// # Errors
    /// Where the disk has said no.
    pub fn end(mut self) -> Result<Option<DerivedFiles>, FolderError> {
        self.hand_over();
        let whole = self.queue.take().is_some();
        let Some(files) = self.thread.take().and_then(|thread| thread.join().ok()) else {
            return Ok(None);
        };
        if whole {
            return files.map(Some);
        }
        files?.finish()?;
        Ok(None)
    }

    /// Brings them to the disk; false where they are not whole.
    pub fn finish(self) -> bool {
        let finished = self.end().and_then(|files| files.map(DerivedFiles::finish).transpose());
        match finished {
            Ok(whole) => whole.is_some(),
            Err(error) => {
                warn!("{error}; make the derived files again by replay --rebuild");
                false
            }
        }
    }

    fn add(&mut self, work: Work) {
        self.batch.push(work);
        if self.batch.len() >= BATCH_MAX {
            self.hand_over();
        }
    }

    fn hand_over(&mut self) {
        let batch = std::mem::take(&mut self.batch);
        let Some(queue) = self.queue.as_ref().filter(|_| !batch.is_empty()) else { return };
        if self.patient {
            if queue.send(batch).is_err() {
                self.queue = None;
            }
            return;
        }
        match queue.try_send(batch) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => {
                warn!("the derived files cannot keep up; make them again by replay --rebuild");
                self.queue = None;
            }
            Err(TrySendError::Disconnected(_)) => self.queue = None,
        }
    }
}

fn write(mut files: DerivedFiles, work: &Receiver<Vec<Work>>) -> Result<DerivedFiles, FolderError> {
    for batch in work {
        let whole = batch.len() >= BATCH_MAX;
        for next in batch {
            match next {
                Work::Label(at, label) => files.label(at, label),
                Work::Output(output) => files.take(&output)?,
                Work::Renamed(folder) => files.renamed(&folder),
            }
        }
        // A batch that is not full was handed over for somebody who may look.
        if !whole {
            files.flush()?;
        }
    }
    Ok(files)
}
