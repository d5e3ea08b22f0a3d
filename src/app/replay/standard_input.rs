//! Standard input, read so that the wish to stop is seen while nothing comes.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::thread;
use std::time::Duration;

use crate::app::shutdown::Shutdown;

/// How much is read at once (bytes).
const BLOCK: usize = 64 * 1024;
/// Blocks that may wait; beyond it the writer at the other end waits.
const BLOCKS_MAX: usize = 4;
/// Longest wait before it is looked whether somebody wants to stop.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Standard input; it ends where the input ends, or where somebody wants to stop.
pub struct StandardInput {
    blocks: Receiver<io::Result<Vec<u8>>>,
    block: io::Cursor<Vec<u8>>,
    shutdown: Shutdown,
}

impl StandardInput {
    /// Begins to read.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn open(shutdown: Shutdown) -> io::Result<Self> {
        let (sender, blocks) = sync_channel(BLOCKS_MAX);
        // It hangs in a read for as long as nothing comes, and ends with the process.
        thread::Builder::new().name("standard input".to_owned()).spawn(move || {
            loop {
                let mut block = vec![0; BLOCK];
                let read = io::stdin().read(&mut block).map(|length| {
                    block.truncate(length);
                    block
                });
                let ends = !matches!(&read, Ok(block) if !block.is_empty());
                if sender.send(read).is_err() || ends {
                    return;
                }
            }
        })?;
        Ok(Self { blocks, block: io::Cursor::default(), shutdown })
    }
}

impl Read for StandardInput {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let count = self.block.read(buffer)?;
            if count > 0 || self.shutdown.asked() {
                return Ok(count);
            }
            match self.blocks.recv_timeout(LOOK_EVERY) {
                Ok(block) => {
                    self.block = io::Cursor::new(block?);
                    if self.block.get_ref().is_empty() {
                        return Ok(0);
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(0),
            }
        }
    }
}
