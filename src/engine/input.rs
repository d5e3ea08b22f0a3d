//! All that can happen to a session.

use std::time::Duration;

use crate::engine::channel::Channel;
use crate::engine::reading::Payload;
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// One thing that happened. All but [`Input::Tick`] are rows of the record.
///
/// The radio, a recorded file and a test are the same to the session: whatever sends `Input`.
#[derive(Debug, Clone, PartialEq)]
pub enum Input<'a> {
    /// A probe sent bytes.
    Payload(Payload<'a>),
    /// A probe was heard, and what it sends has not changed.
    Heard {
        /// The probe's address.
        probe: &'a str,
        /// Signal strength (dBm), where known.
        rssi_dbm: Option<i16>,
    },
    /// A probe told its name.
    Named {
        /// The probe's address.
        probe: &'a str,
        /// The name.
        name: &'a str,
    },
    /// A value that was typed or imported, taken as given.
    Value {
        /// The channel.
        channel: Channel,
        /// The value.
        quantity: Quantity,
        /// Its standard uncertainty (SI), where given.
        uncertainty: Option<f64>,
        /// Where it comes from.
        origin: Origin,
    },
    /// A technician wrote a note.
    Note(&'a str),
    /// A technician changed something on the unit: settling starts again, and sets before and
    /// after are never pooled.
    Changed(&'a str),
    /// The edge tells of something: a radio remedy, a clock step, a full disk.
    Event {
        /// The event's name, in kebab-case.
        event: &'a str,
        /// What it is about: a probe, an adapter, a file.
        subject: &'a str,
        /// The rest, in words.
        detail: &'a str,
    },
    /// The record goes on after a stretch that could not be recorded; filters start again.
    RecordingResumed {
        /// When the lost stretch began.
        lost_from: Elapsed,
        /// How many inputs were heard and not recorded.
        lost_rows: u64,
    },
    /// The program was started again on the same session.
    Restarted {
        /// How long nobody listened; `None` where no clock tells.
        pause: Option<Duration>,
    },
    /// Time has passed; deadlines up to now are run.
    Tick,
}

/// Where a value that no probe sent comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Origin {
    /// A technician typed it.
    Typed,
    /// It was imported from another record.
    Import,
}
