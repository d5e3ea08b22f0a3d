//! The radio: what probes advertise, and what connected ones tell.
//!
//! Nothing here decides. One thread runs the engine's supervisor and hands on what is heard; a
//! second (`hands`) has a runtime of its own and makes the calls into the Bluetooth library, each
//! with a time limit; on Linux a third watches the system bus (`system`). A hang or a panic in the library
//! therefore stops neither the supervisor nor the rest of the program.

mod hands;
mod hearing;
mod link;
mod supervise;
#[cfg_attr(target_os = "linux", path = "bluetooth/bluez.rs")]
#[cfg_attr(not(target_os = "linux"), path = "bluetooth/elsewhere.rs")]
mod system;

use std::cell::RefCell;
use std::panic;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crate::engine::presence::SILENCE_MIN;
use crate::engine::radio::{Limits, Told};
use crate::engine::reading::Via;

/// Reports that wait for the supervisor, which only copies: some seconds of a very busy hall.
const REPORTS_MAX: usize = 8192;

/// Which probes are meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Who {
    /// The probe with this address (upper case, colons).
    Address(String),
    /// Every probe that tells this name.
    Name(String),
    /// Every probe that advertises this service.
    Advertises(u128),
}

/// A value to take from a connected probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ValuePlan {
    /// The characteristic.
    pub characteristic: u128,
    /// Whether to subscribe, by notification or indication, whichever it offers.
    pub subscribe: bool,
    /// Read it this often; with `subscribe` only while it is silent.
    pub read_every: Option<Duration>,
    /// With `subscribe` and `read_every`: how long no notification must have come.
    pub silence: Duration,
}

/// What to do with a probe that tells its values only to who connects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConnectPlan {
    /// The probes that it is for.
    pub who: Who,
    /// Bytes to write after connecting, with the characteristic to write to, in order.
    pub write_first: Vec<(u128, Vec<u8>)>,
    /// The values to take.
    pub values: Vec<ValuePlan>,
}

/// How the radio is to work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RadioSettings {
    /// The adapters to use, as `hci0`; none means all that are powered.
    pub adapters: Vec<String>,
    /// What to do with probes that must be connected to.
    pub connect: Vec<ConnectPlan>,
    /// The only probes that may be connected to; `None` means any that a plan is for. A connection
    /// shuts out everybody else's, so a stranger's device is not to be taken.
    pub only: Option<Vec<Who>>,
    /// The silence that never loses a probe, `settle.silence_s` of the job (default 60 s).
    pub probe_silence: Duration,
    /// Time limits; `limits.call` holds for every call but connecting.
    pub limits: Limits,
    /// Time limit of connecting to a probe (default 20 s: it may sleep for some).
    pub connect_limit: Duration,
    /// Connections at once (default 5, which every common adapter holds).
    pub connections_max: usize,
    /// Seed of the jitter between tries.
    pub seed: u64,
}

impl Default for RadioSettings {
    fn default() -> Self {
        Self {
            adapters: Vec::new(),
            connect: Vec::new(),
            only: None,
            probe_silence: SILENCE_MIN,
            limits: Limits::default(),
            connect_limit: Duration::from_secs(20),
            connections_max: 5,
            seed: 0x5E77_1ED0,
        }
    }
}

/// What the radio tells; each is one `engine::input::Input`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RadioMessage {
    /// A probe sent bytes.
    Heard {
        /// Its address.
        probe: String,
        /// Its name, where it has told one.
        name: Option<String>,
        /// The way they came.
        via: Via,
        /// The bytes.
        bytes: Vec<u8>,
        /// Signal strength (dBm).
        rssi_dbm: Option<i16>,
    },
    /// A probe was heard, and what it sends has not changed.
    Signal {
        /// Its address.
        probe: String,
        /// Signal strength (dBm).
        rssi_dbm: i16,
    },
    /// A probe told its name.
    Named {
        /// Its address.
        probe: String,
        /// The name.
        name: String,
    },
    /// Something happened to the radio.
    Event {
        /// The event in kebab-case: `radio-fault`, `radio-remedy`, `radio-back`,
        /// `probe-connected`, `connection-lost`, `connection-mute`, `radio-queue-full`.
        event: String,
        /// An adapter, a probe, or `bluetooth`.
        subject: String,
        /// The rest, in words.
        detail: String,
    },
}

/// The running radio; it stops when this is dropped.
#[derive(Debug)]
pub struct RadioHandle {
    reports: SyncSender<Report>,
    thread: Option<JoinHandle<()>>,
}

impl RadioHandle {
    /// Stops the scan, ends the connections and waits until that is done, 2 s at most.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        if let Some(thread) = self.thread.take() {
            // The supervisor's thread always reads, and ends by itself within its own limit.
            if self.reports.send(Report::Stop).is_ok() && thread.join().is_err() {
                tracing::error!("the radio's supervisor panicked");
            }
        }
    }
}

impl Drop for RadioHandle {
    fn drop(&mut self) {
        self.end();
    }
}

/// Starts the radio. When `sender` is full, messages are dropped and counted, and a
/// `radio-queue-full` event with the count follows as soon as there is room: the radio never waits.
///
/// # Errors
/// If the system gives no thread.
pub fn start(
    settings: RadioSettings,
    sender: SyncSender<RadioMessage>,
) -> std::io::Result<RadioHandle> {
    let (reports, inbox) = sync_channel(REPORTS_MAX);
    let own = reports.clone();
    let body = move || supervise::run(settings, sender, own, &inbox);
    let thread = thread::Builder::new().name("radio".into()).spawn(body)?;
    Ok(RadioHandle { reports, thread: Some(thread) })
}

thread_local! {
    /// On the threads that call into the Bluetooth library: whom to tell of a panic.
    static PANICS: RefCell<Option<Outlet>> = const { RefCell::new(None) };
}

/// Makes a panic inside the Bluetooth library a message to the supervisor. All other panics go to
/// the hook that was there before. To be called once, before [`start`].
pub fn hook_panics() {
    let before = panic::take_hook();
    panic::set_hook(Box::new(move |info| {
        let text = info.to_string().replace('\n', ": ");
        let told = PANICS.with(|panics| {
            let Ok(outlet) = panics.try_borrow() else { return false };
            let Some(outlet) = outlet.as_ref() else { return false };
            outlet.told(Told::Panicked { detail: text });
            true
        });
        if !told {
            before(info);
        }
    }));
}

/// What the supervisor's thread is told.
#[derive(Debug)]
enum Report {
    /// By the hands' thread with this number; what an older one says is ignored.
    Hands {
        thread: u32,
        what: Hands,
    },
    /// By the watch on the bus.
    Watch(Told),
    Stop,
}

/// What the hands tell.
#[derive(Debug)]
enum Hands {
    Told(Told),
    /// A device, with what it says of itself.
    Seen {
        address: String,
        name: Option<String>,
        services: Vec<u128>,
    },
    Bytes(Sent),
    /// Nothing but the signal's strength.
    Signal {
        adapter: String,
        address: String,
        rssi_dbm: i16,
    },
    LinkUp {
        address: String,
    },
    LinkDown {
        address: String,
        why: String,
    },
    /// The thread is about to end.
    Ended,
}

/// Bytes that a probe sent.
#[derive(Debug)]
struct Sent {
    /// The adapter that heard them; `None` over a connection.
    adapter: Option<String>,
    address: String,
    via: Via,
    bytes: Vec<u8>,
    rssi_dbm: Option<i16>,
}

/// The way from the hands to the supervisor.
#[derive(Debug, Clone)]
struct Outlet {
    thread: u32,
    reports: SyncSender<Report>,
}

impl Outlet {
    /// Never waits. A lost advertisement is one of many; a lost answer runs into the supervisor's
    /// own time limit.
    fn send(&self, what: Hands) {
        if self.reports.try_send(Report::Hands { thread: self.thread, what }).is_err() {
            tracing::warn!("the radio's supervisor is behind or gone");
        }
    }

    fn told(&self, told: Told) {
        self.send(Hands::Told(told));
    }
}
