//! What a watch stands in: clocks, what is heard, and the wish to stop. The machine's, or a
//! script's.

use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use crate::app::exit::Failure;
use crate::app::shutdown::Shutdown;
use crate::edge::bluetooth::{self, RadioHandle, RadioMessage, RadioSettings};
use crate::edge::clock::Clocks;

/// Messages that may wait for the loop, for which room is taken at once; beyond it the radio drops
/// and counts, and says so. Four seconds of 1,000 payloads a second.
const QUEUE_MAX: usize = 4_096;

/// What comes next.
#[derive(Debug)]
pub enum Next {
    /// The radio tells something.
    Message(RadioMessage),
    /// Nothing happened in the time allowed.
    Nothing,
    /// Somebody wants the watch to end.
    Stop,
}

/// Where a watch lives. The machine, or what a test puts in its place.
pub trait World {
    /// The clocks that time it.
    fn clocks(&self) -> Clocks;

    /// Begins to hear probes.
    ///
    /// # Errors
    /// Where the system gives no thread.
    fn hear(&mut self, settings: RadioSettings) -> Result<(), Failure>;

    /// Waits at most `limit` for what comes next.
    ///
    /// # Errors
    /// Where the radio has ended of its own.
    fn next(&mut self, limit: Duration) -> Result<Next, Failure>;

    /// Hears no more.
    fn silence(&mut self);
}

/// This machine, with its radio.
pub struct Machine {
    shutdown: Shutdown,
    radio: Option<(RadioHandle, Receiver<RadioMessage>)>,
}

impl Machine {
    /// This machine, whose wish to stop is watched for from now on.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn new() -> Result<Self, Failure> {
        let shutdown = Shutdown::watch().map_err(Failure::world)?;
        bluetooth::hook_panics();
        Ok(Self { shutdown, radio: None })
    }
}

impl World for Machine {
    fn clocks(&self) -> Clocks {
        Clocks::Machine
    }

    fn hear(&mut self, settings: RadioSettings) -> Result<(), Failure> {
        let (sender, inbox) = sync_channel(QUEUE_MAX);
        let radio = bluetooth::start(settings, sender).map_err(Failure::world)?;
        self.radio = Some((radio, inbox));
        Ok(())
    }

    fn next(&mut self, limit: Duration) -> Result<Next, Failure> {
        let ended = || Failure::world("the radio's thread has ended; start again");
        if self.shutdown.asked() {
            return Ok(Next::Stop);
        }
        let (_, inbox) = self.radio.as_ref().ok_or_else(ended)?;
        match inbox.recv_timeout(limit) {
            Ok(message) => Ok(Next::Message(message)),
            Err(RecvTimeoutError::Timeout) => Ok(Next::Nothing),
            Err(RecvTimeoutError::Disconnected) => Err(ended()),
        }
    }

    fn silence(&mut self) {
        if let Some((radio, _)) = self.radio.take() {
            radio.stop();
        }
    }
}
