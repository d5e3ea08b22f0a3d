//! The radio's supervisor: it notices that nothing comes any more, and says what to do about it.
//!
//! An explicit state machine with `handle`, `poll` and `deadline` of its own, so that every fault
//! is tested without a radio. The edge carries out each [`Act`] and answers with its number; what
//! comes late, from a turn that is over, is ignored. There are two levels: the *root* (a runtime,
//! the library's manager, the list of adapters) and under it one *receiver* for each adapter (an
//! event stream, a scan). A fault of one adapter does not disturb the others until nothing else is
//! left to try.

pub mod backoff;
mod exchange;
pub mod links;
mod receiver;
mod remedy;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

pub use crate::engine::radio::exchange::{Act, Listed, Told};
pub use crate::engine::radio::remedy::Rung;

use crate::engine::radio::backoff::Backoff;
use crate::engine::radio::receiver::{Due, Phase, Receiver};
use crate::units::time::Elapsed;

/// How often the adapters are listed while all is well.
const CHECK_EVERY: Duration = Duration::from_secs(5);
/// First wait after a failure.
const WAIT_FIRST: Duration = Duration::from_millis(250);
/// Longest wait before a service or an adapter is asked for again; a returned one is to be heard
/// within 5 s.
const WAIT_LONGEST: Duration = Duration::from_secs(3);
/// Longest wait before a new runtime, which costs a thread where the old one hangs.
const WAIT_RUNTIME_LONGEST: Duration = Duration::from_secs(30);
/// How many failures in a row of one step before the next remedy.
const FAILURES_A_RUNG: u32 = 3;
/// How long an adapter may say that it does not scan before that counts as switched off: services
/// pause a scan for some seconds between two rounds.
const NOT_SCANNING_MAX: Duration = Duration::from_secs(7);

/// The lengths of time that the supervisor goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Time limit of one call into the Bluetooth library (default 5 s).
    pub call: Duration,
    /// Silence on an adapter, where probes were heard, that is a fault (default 20 s, or three
    /// intervals of the fastest probe if longer).
    pub silence: Duration,
    /// How long a remedy is given to work before the next (default 8 s).
    pub patience: Duration,
    /// Wait after all remedies were in vain, doubled each time (default 60 s).
    pub pause: Duration,
    /// The longest such wait (default 300 s).
    pub pause_longest: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            call: Duration::from_secs(5),
            silence: Duration::from_secs(20),
            patience: Duration::from_secs(8),
            pause: Duration::from_mins(1),
            pause_longest: Duration::from_mins(5),
        }
    }
}

/// Where the root stands. While it is open, it waits for the next check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Root {
    Waiting { until: Elapsed, rung: Rung },
    Doing { turn: u64, until: Elapsed, rung: Rung },
}

/// The supervisor of the radio.
#[derive(Debug)]
pub struct Supervisor {
    now: Elapsed,
    limits: Limits,
    wanted: Vec<String>,
    backoff: Backoff,
    root: Root,
    /// Whether there is a manager to work with.
    open: bool,
    /// Failures of the root in a row.
    failures: u32,
    /// Since when the root is at fault, and what was told of it.
    outage: Option<(Elapsed, &'static str)>,
    receivers: BTreeMap<String, Receiver>,
    turn: u64,
    acts: VecDeque<Act>,
}

impl Supervisor {
    /// A supervisor that begins at once. `wanted` names the adapters to use; with none, all that
    /// are powered are used, or all where none is. `seed` is of the jitter.
    pub fn new(limits: Limits, seed: u64, wanted: Vec<String>) -> Self {
        Self {
            now: Elapsed::ZERO,
            limits,
            wanted,
            backoff: Backoff::new(seed),
            root: Root::Waiting { until: Elapsed::ZERO, rung: Rung::Runtime },
            open: false,
            failures: 0,
            outage: None,
            receivers: BTreeMap::new(),
            turn: 0,
            acts: VecDeque::new(),
        }
    }

    /// Takes what was told at `now`; deadlines before it are run first, at their own times.
    pub fn handle(&mut self, now: Elapsed, told: Told) {
        while let Some(due) = self.deadline().filter(|due| *due <= now) {
            self.now = self.now.max(due);
            self.run_due();
        }
        self.now = self.now.max(now);
        match told {
            Told::Done { turn } => self.done(turn),
            Told::Adapters { turn, listed } => self.listed(turn, &listed),
            Told::Failed { turn, timed_out, detail } => self.failed(turn, timed_out, &detail),
            Told::Heard { adapter } => self.heard(&adapter),
            Told::Expect { adapter, fastest } => {
                if let Some(receiver) = self.receivers.get_mut(&adapter) {
                    receiver.expect(self.now, fastest);
                }
            }
            Told::StreamEnded { adapter } => self.stream_ended(&adapter),
            Told::Powered { adapter, on } => self.powered(&adapter, on),
            Told::Discovering { adapter, on } => {
                let off_until = self.now + NOT_SCANNING_MAX;
                if let Some(receiver) = self.receivers.get_mut(&adapter) {
                    receiver.not_scanning_until = (!on).then_some(off_until);
                }
            }
            Told::AdapterGone { adapter } => self.adapter_gone(&adapter),
            Told::AdapterCame | Told::ServiceCame => self.came(),
            Told::ServiceGone => self.lose_root("service-gone", "the Bluetooth service is gone"),
            Told::BusGone => {
                self.lose_root("bus-gone", "the system bus is gone");
                self.open = false;
                self.wait_root(Rung::Manager);
            }
            Told::BusCame => {
                if !self.open && !matches!(self.root, Root::Doing { .. }) {
                    self.root = Root::Waiting { until: self.now, rung: Rung::Manager };
                }
            }
            Told::Panicked { detail } => self.panicked(&detail),
            Told::Tick => {}
        }
    }

    /// The next thing to do.
    pub fn poll(&mut self) -> Option<Act> {
        self.acts.pop_front()
    }

    /// When [`Self::handle`] is to be called even if nothing happens.
    pub fn deadline(&self) -> Option<Elapsed> {
        let root = match self.root {
            Root::Waiting { until, .. } | Root::Doing { until, .. } => until,
        };
        let due = |receiver: &Receiver| receiver.due(&self.limits).map(|(at, _)| at);
        self.receivers.values().filter_map(due).chain([root]).min()
    }

    /// The adapters that receive now.
    pub fn receiving(&self) -> impl Iterator<Item = &str> {
        let on = self.receivers.iter().filter(|(_, r)| matches!(r.phase, Phase::On { .. }));
        on.map(|(name, _)| name.as_str())
    }

    fn run_due(&mut self) {
        match self.root {
            Root::Waiting { until, rung } if until <= self.now => return self.do_root(rung),
            // The edge limits each call, so no answer at all means that its thread hangs.
            Root::Doing { until, .. } if until <= self.now => {
                self.fault_root("no-answer", "the Bluetooth thread does not answer");
                return self.wait_root(Rung::Runtime);
            }
            _ => {}
        }
        let due = |r: &Receiver| r.due(&self.limits).filter(|(at, _)| *at <= self.now);
        let first = self.receivers.iter().find_map(|(name, r)| Some((name.clone(), due(r)?.1)));
        let Some((adapter, due)) = first else { return };
        match due {
            Due::Step => self.step(&adapter),
            Due::NoAnswer => {
                self.fault(&adapter, "no-answer", "the Bluetooth thread does not answer");
                self.wait_root(Rung::Runtime);
            }
            Due::NotScanning => {
                self.fault(&adapter, "scan-off", "something switched the scan off");
                self.remedy(&adapter, Rung::Scan, Duration::ZERO);
            }
            Due::Silent => self.silent(&adapter),
        }
    }

    fn next_turn(&mut self) -> u64 {
        self.turn += 1;
        self.turn
    }

    /// When an act without an answer is given up; the edge's own limit comes well before.
    fn answer_by(&self) -> Elapsed {
        self.now + self.limits.call * 3 + Duration::from_secs(1)
    }

    fn do_root(&mut self, rung: Rung) {
        let turn = self.next_turn();
        let act = match rung {
            Rung::Runtime => Act::Runtime { turn },
            Rung::Manager => Act::Manager { turn },
            Rung::Scan | Rung::Stream | Rung::Adapter => Act::List { turn },
        };
        if rung >= Rung::Manager {
            self.open = false;
            self.receivers.values_mut().for_each(Receiver::rest);
            if self.turn > 1 {
                self.tell_remedy("bluetooth", rung, self.failures);
            }
        }
        self.root = Root::Doing { turn, until: self.answer_by(), rung: rung.max(Rung::Adapter) };
        self.acts.push_back(act);
    }

    fn done(&mut self, turn: u64) {
        match self.root {
            Root::Doing { turn: current, rung, .. } if current == turn && rung > Rung::Adapter => {
                self.open = true;
                self.do_root(Rung::Adapter);
            }
            _ => {
                let name = self.receivers.iter().find(|(_, r)| r.turn() == Some(turn));
                let Some(name) = name.map(|(name, _)| name.clone()) else { return };
                self.step(&name);
            }
        }
    }

    fn listed(&mut self, turn: u64, listed: &[Listed]) {
        let Root::Doing { turn: current, .. } = self.root else { return };
        if current != turn {
            return;
        }
        self.failures = 0;
        let none_powered = !listed.iter().any(|adapter| adapter.powered);
        let gone: Vec<String> = self.receivers.keys().cloned().collect();
        for name in gone.iter().filter(|name| !listed.iter().any(|l| l.name == **name)) {
            self.adapter_gone(name);
        }
        for adapter in listed {
            let named = self.wanted.contains(&adapter.name);
            let any = self.wanted.is_empty() && (adapter.powered || none_powered);
            if named || any || self.receivers.contains_key(&adapter.name) {
                self.found(adapter);
            }
        }
        self.root = Root::Waiting { until: self.now + CHECK_EVERY, rung: Rung::Adapter };
        if self.receivers.values().all(|r| r.phase == Phase::Resting) {
            self.fault_root("no-adapter", "no Bluetooth adapter is there");
            self.failures += 1;
            let wait = self.backoff.wait(self.failures, WAIT_FIRST, WAIT_LONGEST);
            self.root = Root::Waiting { until: self.now + wait, rung: Rung::Adapter };
        } else if let Some((since, _)) = self.outage.take() {
            // From here on it is for each receiver to say when it hears again.
            for receiver in self.receivers.values_mut() {
                receiver.outage.get_or_insert((since, "root"));
            }
        }
    }

    fn found(&mut self, adapter: &Listed) {
        let receiver = self.receivers.entry(adapter.name.clone()).or_insert_with(Receiver::new);
        if receiver.phase == Phase::Resting {
            receiver.phase = Phase::Waiting { until: self.now, rung: Rung::Stream };
        } else if !adapter.powered && matches!(receiver.phase, Phase::On { .. }) {
            self.powered(&adapter.name, false);
        }
    }

    fn failed(&mut self, turn: u64, timed_out: bool, detail: &str) {
        if let Root::Doing { turn: current, rung, .. } = self.root
            && current == turn
        {
            self.failures += 1;
            self.fault_root("call-failed", detail);
            let climb = timed_out || self.failures.is_multiple_of(FAILURES_A_RUNG);
            return self.wait_root(if climb { rung.next().unwrap_or(rung) } else { rung });
        }
        let failed = self.receivers.iter().find(|(_, r)| r.turn() == Some(turn));
        let Some(adapter) = failed.map(|(name, _)| name.clone()) else { return };
        self.fault(&adapter, "call-failed", detail);
        let Some(receiver) = self.receivers.get_mut(&adapter) else { return };
        let stopping = receiver.stopping();
        receiver.failures += 1;
        // Without its stream, a receiver cannot go on to scan.
        let begun = receiver.begun_at().unwrap_or(Rung::Scan);
        let (failures, rung) = (receiver.failures, receiver.rung.max(begun));
        // A scan that could not be stopped may go on, and only ends with its connection.
        let rung = match (timed_out, stopping) {
            (true, true) => Rung::Manager.max(rung),
            (true, false) => rung.next().unwrap_or(rung),
            _ if failures.is_multiple_of(FAILURES_A_RUNG) => rung.next().unwrap_or(rung),
            _ => rung,
        };
        let wait = self.backoff.wait(failures, WAIT_FIRST, WAIT_LONGEST);
        self.remedy(&adapter, rung, wait);
    }

    /// Does what comes next on an adapter: stop, stream, scan, receive.
    fn step(&mut self, adapter: &str) {
        if !self.open {
            return;
        }
        let (turn, until) = (self.turn + 1, self.answer_by());
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        if let Some(act) = receiver.step(self.now, turn, until, adapter) {
            self.turn = turn;
            self.acts.push_back(act);
        }
    }

    fn heard(&mut self, adapter: &str) {
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        let on = receiver.hear(self.now);
        if on && let Some((since, _)) = receiver.outage.take() {
            let secs = self.now.since(since).as_secs_f64();
            let detail = format!("heard again {secs:.1} s after the fault was noticed");
            let subject = adapter.to_owned();
            self.acts.push_back(Act::Tell { event: "radio-back", subject, detail });
        }
    }

    fn stream_ended(&mut self, adapter: &str) {
        let on = |r: &Receiver| matches!(r.phase, Phase::On { .. });
        if self.receivers.get(adapter).is_some_and(on) {
            self.fault(adapter, "stream-ended", "the event stream ended");
            self.remedy(adapter, Rung::Stream, Duration::ZERO);
        }
    }

    fn powered(&mut self, adapter: &str, on: bool) {
        let Some(receiver) = self.receivers.get_mut(adapter) else {
            if on {
                self.came();
            }
            return;
        };
        match (&receiver.phase, on) {
            (Phase::On { .. }, false) => {
                receiver.scanning = false;
                let wait = self.backoff.wait(1, WAIT_FIRST, WAIT_LONGEST);
                self.fault(adapter, "powered-off", "the adapter was powered off");
                self.remedy(adapter, Rung::Scan, wait);
            }
            (Phase::Waiting { rung, .. }, true) => {
                receiver.phase = Phase::Waiting { until: self.now, rung: *rung };
            }
            _ => {}
        }
    }

    fn adapter_gone(&mut self, adapter: &str) {
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        if receiver.phase != Phase::Resting {
            receiver.rest();
            self.fault(adapter, "adapter-gone", "the adapter is gone");
        }
    }

    /// A service or an adapter is there: list at once, whatever the root was waiting for.
    fn came(&mut self) {
        if self.open {
            self.failures = 0;
            self.do_root(Rung::Adapter);
        }
    }

    fn panicked(&mut self, detail: &str) {
        let rung = match self.root {
            Root::Waiting { rung, .. } | Root::Doing { rung, .. } => rung,
        };
        if rung != Rung::Runtime {
            self.fault_root("panicked", &format!("the Bluetooth library panicked: {detail}"));
            self.open = false;
            self.wait_root(Rung::Runtime);
        }
    }

    /// All receivers rest: what they were built on is gone, and their scans with it.
    fn lose_root(&mut self, kind: &'static str, detail: &str) {
        self.fault_root(kind, detail);
        self.receivers.values_mut().for_each(Receiver::rest);
        if self.open {
            self.root = Root::Waiting { until: self.now + WAIT_LONGEST, rung: Rung::Adapter };
        }
    }

    /// Waits, longer with every failure, and then does `rung` at the root.
    fn wait_root(&mut self, rung: Rung) {
        let longest = if rung == Rung::Runtime { WAIT_RUNTIME_LONGEST } else { WAIT_LONGEST };
        let wait = self.backoff.wait(self.failures.max(1), WAIT_FIRST, longest);
        if rung >= Rung::Manager {
            self.receivers.values_mut().for_each(Receiver::rest);
        }
        self.root = Root::Waiting { until: self.now + wait, rung };
    }

    /// Nothing was heard for too long, or a remedy did not help: the next one.
    fn silent(&mut self, adapter: &str) {
        let (limits, now) = (self.limits, self.now);
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        let rung = match receiver.tried {
            None => Some(Rung::Scan),
            Some(tried) => tried.next(),
        };
        let detail = format!("nothing heard for {:.0} s", receiver.silent_for(now).as_secs_f64());
        if let Some(rung) = rung {
            self.fault(adapter, "mute", &detail);
            return self.remedy(adapter, rung, Duration::ZERO);
        }
        // All was tried. The scan is left on, so that what comes is heard; then all again.
        receiver.rounds += 1;
        receiver.tried = None;
        let wait = self.backoff.wait(receiver.rounds, limits.pause, limits.pause_longest);
        receiver.phase = Phase::On { since: now, quiet_until: Some(now + wait) };
    }

    fn remedy(&mut self, adapter: &str, rung: Rung, wait: Duration) {
        let others = self.receivers.iter().any(|(name, r)| name != adapter && r.is_well());
        // What others receive by is left alone.
        let rung = if others { rung.min(Rung::Adapter) } else { rung };
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        receiver.rung = rung;
        receiver.tried = Some(rung);
        let failures = receiver.failures;
        if rung < Rung::Manager {
            self.tell_remedy(adapter, rung, failures);
        }
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        match rung {
            Rung::Scan | Rung::Stream => {
                receiver.phase = Phase::Waiting { until: self.now + wait, rung };
            }
            Rung::Adapter => {
                receiver.phase = Phase::Resting;
                self.root = Root::Waiting { until: self.now + wait, rung };
            }
            Rung::Manager | Rung::Runtime => {
                let wait = wait.max(WAIT_FIRST);
                receiver.rest();
                self.root = Root::Waiting { until: self.now + wait, rung };
            }
        }
    }

    fn fault(&mut self, adapter: &str, kind: &'static str, detail: &str) {
        let Some(receiver) = self.receivers.get_mut(adapter) else { return };
        if receiver.outage.is_some_and(|(_, told)| told == kind) {
            return;
        }
        let since = receiver.outage.map_or(self.now, |(since, _)| since);
        receiver.outage = Some((since, kind));
        let detail = format!("{kind}: {detail}");
        self.acts.push_back(Act::Tell { event: "radio-fault", subject: adapter.into(), detail });
    }

    fn fault_root(&mut self, kind: &'static str, detail: &str) {
        if self.outage.is_some_and(|(_, told)| told == kind) {
            return;
        }
        let since = self.outage.map_or(self.now, |(since, _)| since);
        self.outage = Some((since, kind));
        let (subject, detail) = ("bluetooth".into(), format!("{kind}: {detail}"));
        self.acts.push_back(Act::Tell { event: "radio-fault", subject, detail });
    }

    /// Tells a remedy the 1st, 2nd, 4th, 8th … time, so that a night of tries stays readable.
    fn tell_remedy(&mut self, subject: &str, rung: Rung, failures: u32) {
        if failures == 0 || failures.is_power_of_two() {
            let detail = match failures {
                0 => rung.word().to_owned(),
                n => format!("{}: try {n}", rung.word()),
            };
            let subject = subject.to_owned();
            self.acts.push_back(Act::Tell { event: "radio-remedy", subject, detail });
        }
    }
}
