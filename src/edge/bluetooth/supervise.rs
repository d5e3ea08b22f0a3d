//! The supervisor's thread: one loop that owns the state machines, gives the hands their orders and
//! hands on what is heard.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::Duration;

use tokio::sync::mpsc;

use super::hands::{self, Calls, ORDERS_MAX, Order};
use super::{ConnectPlan, Hands, Outlet, RadioMessage, RadioSettings, Report, Sent, Who};
use crate::edge::clock::SessionClock;
use crate::engine::presence::Roll;
use crate::engine::radio::links::{LinkAct, Links};
use crate::engine::radio::{Act, Supervisor, Told};
use crate::engine::reading::Via;
use crate::units::time::Elapsed;

/// Equal bytes from a second adapter within this time are the same advertisement.
const SAME_WITHIN: Duration = Duration::from_millis(500);
/// The least time between two messages that say nothing but that a probe was heard.
const SIGNAL_EVERY: Duration = Duration::from_secs(1);
/// How long the hands may take to say good-bye.
const FAREWELL: Duration = Duration::from_millis(1600);
/// Probes kept in mind; those with changing addresses would otherwise fill the memory in a night.
const PROBES_MAX: usize = 4096;
/// How often a value that is only notified is expected, for telling a mute connection.
const NOTIFIED_EVERY: Duration = Duration::from_mins(1);

/// Runs the radio until it is told to stop.
pub(super) fn run(
    settings: RadioSettings,
    sender: SyncSender<RadioMessage>,
    own: SyncSender<Report>,
    inbox: &Receiver<Report>,
) {
    let ended = Arc::new(AtomicBool::new(false));
    if let Err(error) = super::system::watch(own.clone(), Arc::clone(&ended)) {
        tracing::warn!(%error, "no watch on the system bus");
    }
    let mut radio = Radio::new(settings, sender, own);
    loop {
        radio.act();
        let now = radio.clock.elapsed();
        let wait = radio.deadline().map_or(Duration::from_secs(1), |at| at.since(now));
        match inbox.recv_timeout(wait) {
            Ok(Report::Stop) | Err(RecvTimeoutError::Disconnected) => break,
            Ok(report) => radio.take(report),
            Err(RecvTimeoutError::Timeout) => radio.tick(),
        }
    }
    ended.store(true, Ordering::Relaxed);
    radio.farewell(inbox);
}

/// What is known of a probe.
#[derive(Debug, Default)]
struct Probe {
    name: Option<String>,
    services: HashSet<u128>,
    /// The adapter that hears it.
    adapter: Option<String>,
    /// The last bytes by the way they came, with when and over which adapter.
    last: HashMap<Via, (Vec<u8>, Elapsed, Option<String>)>,
    signalled: Option<Elapsed>,
}

struct Radio {
    clock: SessionClock,
    settings: RadioSettings,
    sender: SyncSender<RadioMessage>,
    own: SyncSender<Report>,
    supervisor: Supervisor,
    links: Links,
    roll: Roll,
    probes: BTreeMap<String, Probe>,
    plans: HashMap<String, ConnectPlan>,
    /// The number of the hands' thread that counts.
    thread: u32,
    orders: Option<mpsc::Sender<Order>>,
    dropped: u64,
}

impl Radio {
    fn new(
        settings: RadioSettings,
        sender: SyncSender<RadioMessage>,
        own: SyncSender<Report>,
    ) -> Self {
        let (limits, seed) = (settings.limits, settings.seed);
        let roll = Roll::new(settings.probe_silence);
        Self {
            clock: SessionClock::start(Elapsed::ZERO),
            supervisor: Supervisor::new(limits, seed, settings.adapters.clone()),
            links: Links::new(settings.connections_max, seed ^ 1),
            settings,
            sender,
            own,
            roll,
            probes: BTreeMap::new(),
            plans: HashMap::new(),
            thread: 0,
            orders: None,
            dropped: 0,
        }
    }

    fn deadline(&self) -> Option<Elapsed> {
        let all = [self.supervisor.deadline(), self.links.deadline(), self.roll.deadline()];
        all.into_iter().flatten().min()
    }

    fn tick(&mut self) {
        let now = self.clock.elapsed();
        self.supervisor.handle(now, Told::Tick);
        self.links.tick(now);
        // Whether a probe is lost is for the engine to tell; here it only shapes what is expected.
        while self.roll.lose(now).is_some() {}
    }

    fn take(&mut self, report: Report) {
        let now = self.clock.elapsed();
        match report {
            Report::Watch(told) => self.told(now, told),
            Report::Hands { thread, what } if thread == self.thread => self.hands(now, what),
            // A thread that was left to itself, and the end, which the caller has seen to.
            Report::Hands { .. } | Report::Stop => {}
        }
    }

    fn told(&mut self, now: Elapsed, told: Told) {
        let all_down = matches!(
            told,
            Told::ServiceGone | Told::BusGone | Told::Panicked { .. } | Told::AdapterGone { .. }
        );
        if all_down {
            self.links.all_down(now);
        }
        self.supervisor.handle(now, told);
    }

    fn hands(&mut self, now: Elapsed, what: Hands) {
        match what {
            Hands::Told(told) => self.told(now, told),
            Hands::Seen { address, name, services } => self.seen(now, &address, name, services),
            Hands::Bytes(sent) => self.bytes(now, sent),
            Hands::Signal { adapter, address, rssi_dbm } => {
                self.heard(now, Some(&adapter), &address, false);
                let probe = self.probes.entry(address.clone()).or_default();
                if probe.signalled.is_none_or(|at| now.since(at) >= SIGNAL_EVERY) {
                    probe.signalled = Some(now);
                    self.send(RadioMessage::Signal { probe: address, rssi_dbm });
                }
            }
            Hands::LinkUp { address } => {
                self.links.up(now, &address);
                self.expect(now, &address);
            }
            Hands::LinkDown { address, why } => {
                self.links.down(now, &address, &why);
                self.expect(now, &address);
            }
            Hands::Ended => {
                let detail = "its thread ended".to_owned();
                self.told(now, Told::Panicked { detail });
            }
        }
    }

    fn seen(&mut self, now: Elapsed, address: &str, name: Option<String>, services: Vec<u128>) {
        if self.probes.len() >= PROBES_MAX {
            self.probes.clear();
        }
        let probe = self.probes.entry(address.to_owned()).or_default();
        probe.services.extend(services);
        if name.is_some() && probe.name != name {
            probe.name.clone_from(&name);
            if let Some(name) = name {
                self.send(RadioMessage::Named { probe: address.to_owned(), name });
            }
        }
        let Some(probe) = self.probes.get(address) else { return };
        let meant = |who: &Who| match who {
            Who::Address(wanted) => wanted == address,
            Who::Name(wanted) => probe.name.as_ref() == Some(wanted),
            Who::Advertises(service) => probe.services.contains(service),
        };
        if self.settings.only.as_ref().is_some_and(|only| !only.iter().any(meant)) {
            return;
        }
        if let Some(plan) = self.settings.connect.iter().find(|plan| meant(&plan.who)) {
            let reads = plan.values.iter().filter_map(|value| value.read_every);
            let every = reads.min().unwrap_or(NOTIFIED_EVERY);
            self.plans.insert(address.to_owned(), plan.clone());
            self.links.want(now, address, every);
        }
    }

    fn bytes(&mut self, now: Elapsed, sent: Sent) {
        let Sent { adapter, address, via, bytes, rssi_dbm } = sent;
        let probe = self.probes.entry(address.clone()).or_default();
        let last = probe.last.get(&via);
        let again = last.is_some_and(|(was, at, by)| {
            *was == bytes && *by != adapter && now.since(*at) < SAME_WITHIN
        });
        let changed = last.is_none_or(|(was, ..)| *was != bytes);
        if !again {
            probe.last.insert(via, (bytes.clone(), now, adapter.clone()));
        }
        let name = probe.name.clone();
        self.heard(now, adapter.as_deref(), &address, changed);
        if adapter.is_none() {
            self.links.heard(now, &address);
        }
        if !again {
            self.send(RadioMessage::Heard { probe: address, name, via, bytes, rssi_dbm });
        }
    }

    /// A probe was heard, over an adapter or a connection.
    fn heard(&mut self, now: Elapsed, adapter: Option<&str>, address: &str, changed: bool) {
        self.roll.hear(now, address, changed);
        let Some(adapter) = adapter else { return };
        let probe = self.probes.entry(address.to_owned()).or_default();
        if probe.adapter.as_deref() != Some(adapter) {
            probe.adapter = Some(adapter.to_owned());
        }
        self.supervisor.handle(now, Told::Heard { adapter: adapter.to_owned() });
        self.expect(now, address);
    }

    /// Tells the supervisor what to expect of the adapter that hears this probe. A connected probe
    /// does not advertise.
    fn expect(&mut self, now: Elapsed, address: &str) {
        let adapter = self.probes.get(address).and_then(|probe| probe.adapter.clone());
        let Some(adapter) = adapter else { return };
        let counts = |address: &str| {
            let here = self.probes.get(address).and_then(|p| p.adapter.as_ref());
            here == Some(&adapter) && !self.links.holds(address)
        };
        let fastest = self.roll.fastest(counts);
        self.supervisor.handle(now, Told::Expect { adapter, fastest });
    }

    /// Carries out what the state machines ask for.
    fn act(&mut self) {
        while let Some(act) = self.supervisor.poll() {
            match act {
                Act::Runtime { turn } => self.new_thread(turn),
                Act::Manager { turn } => {
                    self.links.all_down(self.clock.elapsed());
                    self.order(Order::Manager { turn });
                }
                Act::List { turn } => self.order(Order::List { turn }),
                Act::Stream { turn, adapter } => self.order(Order::Stream { turn, adapter }),
                Act::Scan { turn, adapter } => self.order(Order::Scan { turn, adapter }),
                Act::StopScan { turn, adapter } => self.order(Order::StopScan { turn, adapter }),
                Act::Tell { event, subject, detail } => self.event(event, subject, detail),
            }
        }
        while let Some(act) = self.links.poll() {
            match act {
                LinkAct::Connect { probe, pause_scan } => {
                    if let Some(plan) = self.plans.get(&probe).cloned() {
                        self.order(Order::Connect { address: probe, plan, pause_scan });
                    }
                }
                LinkAct::Disconnect { probe } => self.order(Order::Disconnect { address: probe }),
                LinkAct::Tell { event, probe, detail } => self.event(event, probe, detail),
            }
        }
    }

    fn new_thread(&mut self, turn: u64) {
        self.links.all_down(self.clock.elapsed());
        self.thread += 1;
        // Dropping the old way ends the old thread, as soon as it looks.
        let (orders, taken) = mpsc::channel(ORDERS_MAX);
        self.orders = Some(orders);
        let outlet = Outlet { thread: self.thread, reports: self.own.clone() };
        let calls = Calls { call: self.settings.limits.call, connect: self.settings.connect_limit };
        if let Err(error) = hands::spawn(outlet, taken, calls, turn) {
            let (timed_out, detail) = (false, error.to_string());
            self.supervisor.handle(self.clock.elapsed(), Told::Failed { turn, timed_out, detail });
        }
    }

    /// Never waits: an order that does not get through runs into the supervisor's time limit.
    fn order(&self, order: Order) {
        let taken = self.orders.as_ref().is_some_and(|orders| orders.try_send(order).is_ok());
        if !taken {
            tracing::debug!("the Bluetooth thread takes no order");
        }
    }

    fn event(&mut self, event: &str, subject: String, detail: String) {
        self.send(RadioMessage::Event { event: event.to_owned(), subject, detail });
    }

    /// Drops and counts when the queue is full; says so when there is room again.
    fn send(&mut self, message: RadioMessage) {
        if self.dropped > 0 {
            let full = RadioMessage::Event {
                event: "radio-queue-full".into(),
                subject: "bluetooth".into(),
                detail: format!("{} messages were dropped", self.dropped),
            };
            if self.sender.try_send(full).is_err() {
                self.dropped += 1;
                return;
            }
            self.dropped = 0;
        }
        if self.sender.try_send(message).is_err() {
            self.dropped += 1;
        }
    }

    fn farewell(self, inbox: &Receiver<Report>) {
        self.order(Order::Quit);
        let until = self.clock.elapsed() + FAREWELL;
        loop {
            let left = until.since(self.clock.elapsed());
            match inbox.recv_timeout(left) {
                Ok(Report::Hands { thread, what: Hands::Ended }) if thread == self.thread => break,
                Ok(_) => {}
                Err(_) => break,
            }
        }
    }
}
