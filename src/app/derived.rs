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

/// What may wait for the derived files, some half an hour of moments: room for it is taken at once.
/// When it is full they are given up, and the record is not.
const QUEUE_MAX: usize = 2_048;
/// Something for the thread.
enum Work {
    Label(Elapsed, Option<Utc>),
    Output(Output),
    Flush,
    Renamed(PathBuf),
}

/// The derived files, on a thread of their own.
pub struct Derived {
    /// `None` once they were given up.
    queue: Option<SyncSender<Work>>,
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
        Self { queue: thread.is_some().then_some(queue), patient: false, began: None, thread }
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
            self.send(Work::Label(at, label));
        }
    }

    /// What the session said; only what the files take wakes the thread.
    pub fn output(&mut self, output: Output) {
        if DerivedFiles::takes(&output) {
            self.send(Work::Output(output));
        }
    }

    /// Brings what was told so far into the files.
    pub fn flush(&mut self) {
        self.send(Work::Flush);
    }

    /// The folder has a new name.
    pub fn renamed(&mut self, folder: PathBuf) {
        self.send(Work::Renamed(folder));
    }

    /// The files with all that was told; `None` where some of it was given up: they are then brought
    /// to the disk as they are.
    ///
    /// # Errors
    /// Where the disk has said no.
    pub fn end(mut self) -> Result<Option<DerivedFiles>, FolderError> {
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

    fn send(&mut self, work: Work) {
        let Some(queue) = &self.queue else { return };
        if self.patient {
            if queue.send(work).is_err() {
                self.queue = None;
            }
            return;
        }
        match queue.try_send(work) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => {
                warn!("the derived files cannot keep up; make them again by replay --rebuild");
                self.queue = None;
            }
            Err(TrySendError::Disconnected(_)) => self.queue = None,
        }
    }
}

fn write(mut files: DerivedFiles, work: &Receiver<Work>) -> Result<DerivedFiles, FolderError> {
    for next in work {
        match next {
            Work::Label(at, label) => files.label(at, label),
            Work::Output(output) => files.take(&output)?,
            Work::Flush => files.flush()?,
            Work::Renamed(folder) => files.renamed(&folder),
        }
    }
    Ok(files)
}
