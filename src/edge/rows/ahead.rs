//! Reads rows ahead, so that a record is read and judged side by side.

use std::io;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread;

use super::reader::{Batch, Reader};
use crate::engine::profile::Profiles;

/// Batches that may wait; then the reading waits.
const BATCHES_MAX: usize = 2;

/// Rows that a thread of their own reads ahead.
pub(super) struct Ahead {
    batches: Receiver<Batch>,
    spent: Sender<Batch>,
}

impl Ahead {
    pub(super) fn begin(mut reader: Reader, profiles: Profiles) -> io::Result<Self> {
        let (full, batches) = sync_channel(BATCHES_MAX);
        let (spent, empty) = channel();
        let thread = thread::Builder::new().name("rows".to_owned());
        thread.spawn(move || read(&mut reader, &profiles, &empty, &full))?;
        Ok(Self { batches, spent })
    }

    /// Puts the next batch in the place of one that is spent.
    pub(super) fn fill(&self, batch: &mut Batch) {
        // The thread ends with a batch that says so, or by a panic that ends the process.
        let next = self.batches.recv().unwrap_or_else(|_| Batch::last());
        // Nobody takes it back at the end.
        let _ = self.spent.send(std::mem::replace(batch, next));
    }
}

/// Fills batches until the rows end, or nobody wants them any more.
fn read(
    reader: &mut Reader,
    profiles: &Profiles,
    empty: &Receiver<Batch>,
    full: &SyncSender<Batch>,
) {
    loop {
        let mut batch = empty.try_recv().unwrap_or_default();
        reader.fill(&mut batch);
        batch.decode(profiles);
        let ended = batch.ended.is_some();
        if full.send(batch).is_err() || ended {
            return;
        }
    }
}
