//! Before you leave: one screen that says whether what was set up will last the night.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::keys::Keys;
use crate::app::shutdown::Shutdown;
use crate::app::traces;
use crate::app::watch::radio_settings;
use crate::edge::bluetooth::{self, RadioMessage};
use crate::edge::clock::SessionClock;
use crate::edge::machine::{self, Clock, Machine, Power, Sleep};
use crate::engine::input::Input;
use crate::engine::profile::Profiles;
use crate::engine::reading::{Payload, Via};
use crate::engine::ready::{Check, HEARD_MIN, NIGHT, Ready, Verdict};
use crate::engine::session::Session;
use crate::engine::snapshot::Snapshot;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Room that a night takes at the most (bytes): a dozen probes, ten payloads a second each.
const NIGHT_BYTES: u64 = 500_000_000;
/// Earlier sessions that are looked at for the fall of batteries.
const SESSIONS_MAX: usize = 3;
/// A session shorter than this tells no fall.
const FALL_LOOK_MIN: Duration = Duration::from_hours(1);
/// Messages that wait.
const QUEUE_MAX: usize = 4_096;
/// Longest time between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// How long after two minutes the last probe is waited for.
const PATIENCE: Duration = Duration::from_secs(60);

/// All checks: the probes', the machine's, and what a person must look at.
pub fn checks(ready: &Ready, snapshot: &Snapshot, folder: &Path, keep_free: u64) -> Vec<Check> {
    let mut checks = ready.checks(snapshot);
    checks.extend(machine_checks(&machine::look(folder), keep_free));
    checks
}

/// What the machine says of itself.
fn machine_checks(machine: &Machine, keep_free: u64) -> Vec<Check> {
    let night_h = NIGHT.as_secs() / 3_600;
    let mb = |bytes: u64| bytes / 1_000_000;
    let disk = match machine.free_bytes {
        Some(free) if free < keep_free.saturating_add(NIGHT_BYTES) => Check::new(
            "disk",
            Verdict::Wrong,
            format!("{} MB are free; a night may take {} MB: make room", mb(free), mb(NIGHT_BYTES)),
        ),
        Some(free) => Check::new("disk", Verdict::Good, format!("{} MB are free", mb(free))),
        None => Check::new("disk", Verdict::Ask, "how much room is left cannot be seen"),
    };
    let sleep = match machine.sleep {
        Sleep::Never => Check::new("sleep", Verdict::Good, "this machine does not go to sleep"),
        Sleep::Possible => Check::new(
            "sleep",
            Verdict::Ask,
            "this machine can go to sleep, also when its lid shuts: forbid it by `sudo systemctl mask \
             sleep.target`, or start with `systemd-inhibit --what=idle:sleep:handle-lid-switch settled \
             watch …`",
        ),
        Sleep::Unknown => {
            Check::new("sleep", Verdict::Ask, "see that this machine does not go to sleep")
        }
    };
    let clock = match machine.clock {
        Clock::Kept => Check::new("clock", Verdict::Good, "kept right by a time service"),
        Clock::Free => Check::new(
            "clock",
            Verdict::Ask,
            "no time service has set it; measuring does not mind, but see that the hour is right",
        ),
        Clock::Unknown => Check::new("clock", Verdict::Ask, "see that the hour is right"),
    };
    let power = match machine.power {
        Power::Mains => Check::new("power", Verdict::Good, "from the mains"),
        Power::Battery(level) => {
            let level = level.map_or(String::new(), |percent| format!(" ({percent} %)"));
            let words = format!("from a battery{level}; plug it in for {night_h} h");
            Check::new("power", Verdict::Wrong, words)
        }
        Power::Unknown => {
            Check::new("power", Verdict::Ask, "does its supply stay on when the site is locked up?")
        }
    };
    vec![disk, sleep, clock, power]
}

/// The screen as text: what is wrong first, then what is waited for, then what a person must see,
/// then what is good.
pub fn text(checks: &[Check]) -> String {
    let count = |verdict| checks.iter().filter(|check| check.verdict == verdict).count();
    let head = match (count(Verdict::Wrong), count(Verdict::Wait)) {
        (0, 0) => "Before you leave: nothing seen speaks against it.".to_owned(),
        (0, wait) => format!("Before you leave: {wait} not known yet."),
        (wrong, _) => format!("Before you leave: {wrong} to mend."),
    };
    let mut text = format!("{head}\n");
    for (verdict, mark) in [
        (Verdict::Wrong, "mend"),
        (Verdict::Wait, "wait"),
        (Verdict::Ask, "look"),
        (Verdict::Good, "good"),
    ] {
        for check in checks.iter().filter(|check| check.verdict == verdict) {
            // Writing to a String cannot fail.
            let _ = writeln!(text, "  {mark}  {}: {}", check.about, check.words);
        }
    }
    text
}

/// One line of JSON for each check.
///
/// # Errors
/// Where `out` does not take it.
pub fn write_json(checks: &[Check], out: &mut dyn Write) -> io::Result<()> {
    for check in checks {
        let line = json!({"kind": "ready", "about": check.about, "verdict": check.verdict.word(),
            "words": check.words});
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// How much each battery fell an hour in earlier sessions in `folder` (fraction), by address.
pub fn falls(folder: &Path, profiles: &Profiles) -> BTreeMap<String, f64> {
    let mut sessions: Vec<PathBuf> = fs::read_dir(folder)
        .map(|entries| entries.flatten().map(|entry| entry.path()).collect())
        .unwrap_or_default();
    sessions.sort();
    let mut falls = BTreeMap::new();
    for path in sessions.iter().rev().take(SESSIONS_MAX) {
        let Ok(record) = traces::read(path, profiles, (None, None)) else { continue };
        for field in record.fields.iter().filter(|field| field.kind == QuantityKind::Battery) {
            let (Some(first), Some(last)) = (field.samples.first(), field.samples.last()) else {
                continue;
            };
            let looked = last.0 - first.0;
            if looked >= FALL_LOOK_MIN && first.1 > last.1 {
                let fall = (first.1 - last.1) / (looked.as_secs_f64() / 3_600.0);
                falls.entry(field.probe.clone()).or_insert(fall);
            }
        }
    }
    falls
}

/// What `watch` says before the technician leaves, once.
pub struct Leaving {
    ready: Ready,
    /// What earlier sessions tell of batteries; read beside, since they may be long.
    earlier: Option<JoinHandle<BTreeMap<String, f64>>>,
    folder: PathBuf,
    keep_free_bytes: u64,
    looked: Elapsed,
    done: bool,
}

impl Leaving {
    /// Begins to read what earlier sessions of the job's folder tell.
    pub fn new(file: &JobFile, profiles: &Profiles) -> Self {
        let (folder, profiles) = (file.log.folder.clone(), profiles.clone());
        let read = {
            let folder = folder.clone();
            move || falls(&folder, &profiles)
        };
        Self {
            ready: Ready::default(),
            earlier: thread::Builder::new().name("batteries".to_owned()).spawn(read).ok(),
            folder,
            keep_free_bytes: file.log.keep_free_bytes,
            looked: Elapsed::ZERO,
            done: false,
        }
    }

    /// Looks at the session; gives the checks once, when all placed probes have been heard for two
    /// minutes, or have not been for three.
    pub fn look(&mut self, at: Elapsed, snapshot: impl Fn() -> Snapshot) -> Option<Vec<Check>> {
        if self.done || at - self.looked < LOOK_EVERY {
            return None;
        }
        self.looked = at;
        let snapshot = snapshot();
        self.ready.take(&snapshot);
        let waited = at - Elapsed::ZERO >= HEARD_MIN + PATIENCE;
        if !waited && !self.ready.all_heard(&snapshot) {
            return None;
        }
        self.done = true;
        if let Some(falls) = self.earlier.take().filter(JoinHandle::is_finished) {
            self.ready.falls(falls.join().unwrap_or_default());
        }
        Some(checks(&self.ready, &snapshot, &self.folder, self.keep_free_bytes))
    }
}

/// Listens until every placed probe has been heard for two minutes, and says how all stands.
///
/// # Errors
/// A key that is wrong, or a radio that says no.
pub fn run(
    file: &JobFile,
    keys: &mut Keys,
    profiles: &Profiles,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let mut ready = Ready::new(falls(&file.log.folder, profiles));
    let mut session = Session::new(file.job.clone(), profiles.clone(), None);
    let shutdown = Shutdown::watch().map_err(Failure::world)?;
    let mut clock = SessionClock::start(Elapsed::ZERO);
    bluetooth::hook_panics();
    let (sender, inbox) = sync_channel(QUEUE_MAX);
    let radio = bluetooth::start(radio_settings(file, profiles), sender).map_err(Failure::world)?;
    if !json {
        writeln!(out, "Listening to the job's probes for two minutes; Ctrl-C ends it earlier.")
            .and_then(|()| out.flush())
            .map_err(Failure::world)?;
    }
    let mut looked = Elapsed::ZERO;
    loop {
        let message = match inbox.recv_timeout(LOOK_EVERY) {
            Ok(message) => Some(message),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => break,
        };
        let at = clock.stamp().at;
        match message {
            Some(message) => take(&mut session, keys, at, &message),
            None => session.handle(at, Input::Tick),
        }
        while session.poll().is_some() {}
        if at - looked < LOOK_EVERY {
            continue;
        }
        looked = at;
        let snapshot = session.snapshot();
        ready.take(&snapshot);
        let waited = at - Elapsed::ZERO >= HEARD_MIN + PATIENCE;
        if shutdown.asked() || waited || ready.all_heard(&snapshot) {
            break;
        }
    }
    radio.stop();
    let checks = checks(&ready, &session.snapshot(), &file.log.folder, file.log.keep_free_bytes);
    let written = if json { write_json(&checks, out) } else { write!(out, "\n{}", text(&checks)) };
    written.map_err(Failure::world)?;
    let right = checks.iter().all(|c| matches!(c.verdict, Verdict::Good | Verdict::Ask));
    Ok(if right { Exit::Done } else { Exit::WorldSaidNo })
}

/// Hands what the radio tells to the session.
fn take(session: &mut Session, keys: &mut Keys, at: Elapsed, message: &RadioMessage) {
    match message {
        RadioMessage::Heard { probe, name, via, bytes, rssi_dbm } => {
            if let Some(name) = name {
                session.handle(at, Input::Named { probe, name });
            }
            let payload = Payload { probe, via: *via, bytes, rssi_dbm: *rssi_dbm };
            let mut plain = Vec::new();
            match keys.open(&payload, name.as_deref(), &mut plain) {
                Ok(None) => session.handle(at, Input::Payload(payload)),
                Ok(Some((uuid, counter))) => {
                    let via = Via::ServiceOpened(uuid, counter);
                    session.handle(at, Input::Payload(Payload { via, bytes: &plain, ..payload }));
                }
                // It is there, whether it can be opened or not.
                Err(_) => session.handle(at, Input::Heard { probe, rssi_dbm: *rssi_dbm }),
            }
        }
        RadioMessage::Signal { probe, rssi_dbm } => {
            session.handle(at, Input::Heard { probe, rssi_dbm: Some(*rssi_dbm) });
        }
        RadioMessage::Named { probe, name } => session.handle(at, Input::Named { probe, name }),
        RadioMessage::Event { .. } => {}
    }
}
