//! Reads rows ahead, so that a record is read and judged side by side.

use std::io;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread;

use super::reader::Reader;
use super::{Found, Row, Skipped};
use crate::edge::folder::FolderError;

/// Rows that are handed over together.
const BATCH_ROWS: usize = 512;
/// Batches that may wait; then the reading waits.
const BATCHES_MAX: usize = 2;

/// Some rows with their texts.
#[derive(Default)]
struct Batch {
    rows: Vec<Kept>,
    /// The line of each row, and what was decoded of it.
    text: Vec<u8>,
    /// What was passed over by the end of it.
    skipped: (u64, Vec<Skipped>),
    /// Why there is nothing after it; `None` where there is more.
    ended: Option<Result<(), FolderError>>,
}

struct Kept {
    found: Found,
    /// Where its line begins, where that ends, and where the rest of its text ends.
    text: [usize; 3],
}

/// Rows that a thread of their own reads ahead.
pub(super) struct Ahead {
    batches: Receiver<Batch>,
    spent: Sender<Batch>,
    batch: Batch,
    next: usize,
}

impl Ahead {
    pub(super) fn begin(mut reader: Reader) -> io::Result<Self> {
        let (full, batches) = sync_channel(BATCHES_MAX);
        let (spent, empty) = channel();
        let thread = thread::Builder::new().name("rows".to_owned());
        thread.spawn(move || read(&mut reader, &empty, &full))?;
        Ok(Self { batches, spent, batch: Batch::default(), next: 0 })
    }

    pub(super) fn next_row(&mut self) -> Result<Option<Row<'_>>, FolderError> {
        while self.next == self.batch.rows.len() {
            if let Some(ended) = &mut self.batch.ended {
                return std::mem::replace(ended, Ok(())).map(|()| None);
            }
            // The thread ends with a batch that says so, or by a panic that ends the process.
            let Ok(batch) = self.batches.recv() else { return Ok(None) };
            // Nobody takes it back at the end.
            let _ = self.spent.send(std::mem::replace(&mut self.batch, batch));
            self.next = 0;
        }
        let Kept { found, text: [from, line_end, end] } = &self.batch.rows[self.next];
        self.next += 1;
        let text = &self.batch.text;
        Ok(Some(found.row(&text[*from..*line_end], &text[*line_end..*end])))
    }

    pub(super) fn skipped(&self) -> (u64, &[Skipped]) {
        let (count, first) = &self.batch.skipped;
        (*count, first)
    }
}

/// Fills batches until the rows end, or nobody wants them any more.
fn read(reader: &mut Reader, empty: &Receiver<Batch>, full: &SyncSender<Batch>) {
    loop {
        let mut batch = empty.try_recv().unwrap_or_default();
        batch.fill(reader);
        let ended = batch.ended.is_some();
        if full.send(batch).is_err() || ended {
            return;
        }
    }
}

impl Batch {
    fn fill(&mut self, reader: &mut Reader) {
        self.rows.clear();
        self.text.clear();
        while self.rows.len() < BATCH_ROWS && self.ended.is_none() {
            match reader.find() {
                Ok(Some(found)) => self.keep(found, reader.text()),
                Ok(None) => self.ended = Some(Ok(())),
                Err(error) => self.ended = Some(Err(error)),
            }
        }
        let (count, first) = reader.skipped();
        if self.skipped.0 != count {
            self.skipped = (count, first.to_vec());
        }
    }

    fn keep(&mut self, found: Found, (line, scratch): (&[u8], &[u8])) {
        let from = self.text.len();
        self.text.extend_from_slice(line);
        let line_end = self.text.len();
        self.text.extend_from_slice(scratch);
        self.rows.push(Kept { found, text: [from, line_end, self.text.len()] });
    }
}
