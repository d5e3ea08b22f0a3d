//! What the edge tells the supervisor, and what the supervisor asks of the edge.

use std::time::Duration;

/// An adapter, as listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The system's name for it, as `hci0`.
    pub name: String,
    /// Whether it is powered.
    pub powered: bool,
}

/// What the edge tells the supervisor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// An act is done.
    Done {
        /// The act's number.
        turn: u64,
    },
    /// The answer to [`Act::List`].
    Adapters {
        /// The act's number.
        turn: u64,
        /// All adapters.
        listed: Vec<Listed>,
    },
    /// An act failed.
    Failed {
        /// The act's number.
        turn: u64,
        /// Whether it had no answer within the time limit.
        timed_out: bool,
        /// What the library said.
        detail: String,
    },
    /// Something was heard on an adapter.
    Heard {
        /// The adapter.
        adapter: String,
    },
    /// How soon something should be heard on an adapter: the interval of the fastest probe that
    /// advertises there; `None` where none does.
    Expect {
        /// The adapter.
        adapter: String,
        /// The interval.
        fastest: Option<Duration>,
    },
    /// An event stream ended.
    StreamEnded {
        /// The adapter.
        adapter: String,
    },
    /// An adapter was powered on or off.
    Powered {
        /// The adapter.
        adapter: String,
        /// Whether it is on.
        on: bool,
    },
    /// An adapter began or ceased to scan, for whatever reason.
    Discovering {
        /// The adapter.
        adapter: String,
        /// Whether it scans.
        on: bool,
    },
    /// An adapter is gone.
    AdapterGone {
        /// The adapter.
        adapter: String,
    },
    /// There is an adapter that was not there.
    AdapterCame,
    /// The Bluetooth service is gone.
    ServiceGone,
    /// The Bluetooth service is there (again).
    ServiceCame,
    /// The connection to the system bus is gone.
    BusGone,
    /// The system bus is there (again).
    BusCame,
    /// Something panicked inside the Bluetooth library.
    Panicked {
        /// The panic's text.
        detail: String,
    },
    /// Time has passed.
    Tick,
}

/// What the edge is to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    /// A new thread with a runtime and a manager; the old thread is left to itself.
    Runtime {
        /// The number to answer with.
        turn: u64,
    },
    /// A new runtime and manager in the same thread; all streams and scans end with the old ones.
    Manager {
        /// The number to answer with.
        turn: u64,
    },
    /// List the adapters, with new handles.
    List {
        /// The number to answer with.
        turn: u64,
    },
    /// Open an event stream; an older one of the adapter ends.
    Stream {
        /// The number to answer with.
        turn: u64,
        /// The adapter.
        adapter: String,
    },
    /// Start a scan.
    Scan {
        /// The number to answer with.
        turn: u64,
        /// The adapter.
        adapter: String,
    },
    /// Stop the scan; that none runs is no failure.
    StopScan {
        /// The number to answer with.
        turn: u64,
        /// The adapter.
        adapter: String,
    },
    /// A row for `events.csv`.
    Tell {
        /// The event in kebab-case: `radio-fault`, `radio-remedy`, `radio-back`.
        event: &'static str,
        /// The adapter, or `bluetooth` for what concerns all.
        subject: String,
        /// The rest, in words.
        detail: String,
    },
}
