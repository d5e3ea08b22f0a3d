//! A bench: a bus, a stand-in service, the air with probes in it, and the program that listens.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;
use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;
use tokio::task::{JoinHandle, block_in_place};

use crate::air::{Air, Probe, send};
use crate::bus::Bus;
use crate::guest::Guest;
use crate::program::{self, Line, Program};
use crate::service::Service;
use crate::station::Station;

/// The whole bench.
pub struct Bench {
    /// The stand-in's bus; the guest has its own.
    bus: Option<Bus>,
    address: String,
    pub clock: Arc<SessionClock>,
    pub station: Station,
    lines: Arc<Mutex<Vec<Line>>>,
    program: Option<Program>,
    probes: Vec<Probe>,
    pub air: Arc<Mutex<Air>>,
    senders: Vec<JoinHandle<()>>,
    folder: tempfile::TempDir,
}

impl Bench {
    /// A bench with these probes in the air; the stand-in runs, the program not yet.
    pub async fn start(probes: Vec<Probe>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bus = Bus::start(folder.path().to_owned());
        let address = bus.address.clone();
        let station = Station::StandIn(Arc::default());
        station.begin(&address, &probes).await;
        Self::with(Some(bus), address, station, probes, folder)
    }

    /// A bench in the guest, whose service runs.
    pub fn on_guest(guest: &Arc<Guest>, probes: Vec<Probe>) -> Self {
        let (address, station) = (guest.address.clone(), Station::Real(Arc::clone(guest)));
        Self::with(None, address, station, probes, tempfile::tempdir().unwrap())
    }

    fn with(
        bus: Option<Bus>,
        address: String,
        station: Station,
        probes: Vec<Probe>,
        folder: tempfile::TempDir,
    ) -> Self {
        station.place(&probes);
        let air: Arc<Mutex<Air>> = Arc::default();
        let sender =
            |probe: &Probe| tokio::spawn(send(probe.clone(), station.clone(), Arc::clone(&air)));
        let senders = probes.iter().map(sender).collect();
        Self {
            bus,
            address,
            clock: Arc::new(SessionClock::start(Elapsed::ZERO)),
            station,
            lines: Arc::default(),
            program: None,
            probes,
            air,
            senders,
            folder,
        }
    }

    /// The running stand-in.
    pub fn service(&self) -> Service {
        self.station.service()
    }

    /// The service begins, and knows no device yet.
    pub async fn begin_service(&self) {
        self.station.begin(&self.address, &self.probes).await;
    }

    /// The service ends.
    pub async fn end_service(&self) {
        self.station.end().await;
    }

    /// The bus ends, and with it every connection.
    pub fn end_bus(&mut self) {
        match (&mut self.bus, &self.station) {
            (Some(bus), _) => bus.kill(),
            (None, Station::Real(guest)) => guest.order("bus kill"),
            (None, Station::StandIn(_)) => panic!("a stand-in has a bus"),
        }
    }

    /// The bus and the service begin.
    pub async fn begin_bus(&mut self) {
        match (&mut self.bus, &self.station) {
            (Some(bus), _) => bus.revive(),
            (None, Station::Real(guest)) => guest.order("bus start"),
            (None, Station::StandIn(_)) => panic!("a stand-in has a bus"),
        }
        self.begin_service().await;
    }

    /// The program with these arguments on the bench's bus, not started yet.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = program::command(arguments, &self.address);
        command.env("XDG_DATA_HOME", self.folder.path().join("data"));
        command
    }

    /// Starts `settled listen`.
    pub fn listen(&mut self, arguments: &[&str]) {
        self.run(&[&["listen", "--json", "--connect"], arguments].concat());
    }

    /// Starts `settled watch`; the job is a file in the bench's folder, the sessions are beside it.
    pub fn watch(&mut self, job: &str) {
        let path = self.folder.path().join("job.toml");
        let log = format!("[log]\nfolder = \"{}\"\n", self.sessions().display());
        std::fs::write(&path, format!("{job}{log}")).unwrap();
        self.run(&["watch", "--json", path.to_str().unwrap()]);
    }

    /// Where `watch` keeps its sessions.
    pub fn sessions(&self) -> PathBuf {
        self.folder.path().join("sessions")
    }

    /// Starts the program, whose output is kept line by line.
    pub fn run(&mut self, arguments: &[&str]) {
        self.program = Some(Program::start(self.command(arguments), &self.clock, &self.lines));
    }

    /// The running program.
    pub fn program(&self) -> &Program {
        self.program.as_ref().expect("the program runs")
    }

    /// Where the bench keeps its files.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Kills the program, as a power cut does.
    pub fn kill(&mut self) {
        if let Some(program) = self.program.take() {
            program.kill();
        }
    }

    /// Asks the program to end, and says how long that took and with what code.
    pub fn interrupt(&mut self) -> (Duration, Option<i32>) {
        // Its farewell is answered by a stand-in that may share this runtime's threads.
        let program = self.program.take().expect("the program runs");
        block_in_place(|| program.interrupt(&self.clock))
    }

    /// All lines so far.
    pub fn lines(&self) -> Vec<Line> {
        self.lines.lock().unwrap().clone()
    }

    /// The seconds from `from` to the first line after it that `fits`, waited for at most `limit`.
    pub async fn until(
        &self,
        from: Elapsed,
        limit: Duration,
        fits: impl Fn(&Value) -> bool,
    ) -> f64 {
        loop {
            let first = |lines: &[Line]| {
                lines.iter().find(|(at, line)| *at > from && fits(line)).map(|(at, _)| *at)
            };
            if let Some(at) = first(&self.lines.lock().unwrap()) {
                return at.since(from).as_secs_f64();
            }
            if self.clock.elapsed().since(from) > limit {
                let lines = self.lines();
                let events: Vec<_> = lines.iter().filter(|(_, l)| l["kind"] == "event").collect();
                panic!("nothing fits within {limit:?}; events: {events:#?}");
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Waits until every probe of `addresses` has given a reading after `from`; seconds since.
    pub async fn all_read(&self, from: Elapsed, limit: Duration, addresses: &[&str]) -> f64 {
        let mut last = 0.0;
        for address in addresses {
            last = self.until(from, limit, reading_of(address)).await.max(last);
        }
        last
    }

    /// A mute real controller tells again once the program says that it carries out this remedy:
    /// it cannot see whose scan begins, and the real service begins scans anew by itself. The
    /// stand-in sees it.
    pub fn heal_at_remedy(&mut self, remedy: &'static str) {
        let Station::Real(guest) = &self.station else { return };
        let (guest, lines) = (Arc::clone(guest), Arc::clone(&self.lines));
        let remedied = move |line: &Value| {
            line["event"] == "radio_remedy" && line["detail"].as_str().unwrap().starts_with(remedy)
        };
        self.senders.push(tokio::spawn(async move {
            while !lines.lock().unwrap().iter().any(|(_, line)| remedied(line)) {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            guest.air("tell");
        }));
    }

    /// Waits.
    pub async fn wait(&self, length: Duration) {
        tokio::time::sleep(length).await;
    }

    /// How many events of this name and with this in their detail there were.
    pub fn events(&self, event: &str, detail: &str) -> usize {
        let of = |line: &Value| {
            line["event"] == event && line["detail"].as_str().unwrap_or_default().contains(detail)
        };
        self.lines().iter().filter(|(_, line)| of(line)).count()
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.senders.iter().for_each(JoinHandle::abort);
    }
}

/// Whether a line is a reading of this probe.
pub fn reading_of(address: &str) -> impl Fn(&Value) -> bool {
    let address = address.to_owned();
    move |line| line["kind"] == "reading" && line["probe"] == *address
}
