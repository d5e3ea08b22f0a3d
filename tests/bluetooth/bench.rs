//! A bench: a bus, a stand-in service, the air with probes in it, and the program that listens.

use std::collections::HashMap;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use serde_json::Value;
use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;

use crate::bus::Bus;
use crate::service::{Advert, Characteristic, Service};

/// Environmental Sensing and its temperature, in 0.01 °C, by the open standard.
pub const SENSING: &str = "0000181a-0000-1000-8000-00805f9b34fb";
pub const TEMPERATURE: &str = "00002a6e-0000-1000-8000-00805f9b34fb";
/// Service data of the open BTHome format.
pub const BTHOME: &str = "0000fcd2-0000-1000-8000-00805f9b34fb";

/// A simulated probe.
#[derive(Clone)]
pub struct Probe {
    pub address: &'static str,
    pub adapter: &'static str,
    pub kind: Kind,
    pub every: Duration,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Our own plain clamp, manufacturer data.
    Clamp,
    /// A clamp whose bytes never change.
    Constant,
    /// BTHome v2, temperature.
    BtHome,
    /// Environmental Sensing, by notification.
    Sensing,
    /// Environmental Sensing that never notifies and must be read.
    SensingRead,
    /// Bytes that are no format's.
    Malformed,
}

/// A probe that advertises every 100 ms on `hci0`.
pub const fn probe(address: &'static str, kind: Kind) -> Probe {
    Probe { address, adapter: "hci0", kind, every: Duration::from_millis(100) }
}

fn advert(kind: Kind, n: u16) -> Advert {
    // Between 20 and 40 °C; the signal's strength swings as in a room.
    let hundredths = 2_000 + i16::try_from(n % 2_000).unwrap();
    let rssi = -60 - i16::try_from(n % 7).unwrap();
    let t = hundredths.to_le_bytes();
    let sequence = n.to_le_bytes()[0];
    let mut advert = Advert { rssi, ..Advert::default() };
    match kind {
        Kind::Clamp => {
            let bytes = vec![0x43, 0x4C, 1, sequence, 90, t[0], t[1]];
            advert.manufacturer.push((0xFFFF, bytes));
            advert.name = Some("bench clamp");
        }
        Kind::Constant => {
            let bytes = vec![0x43, 0x4C, 1, 0, 90, 0xC4, 0x09];
            advert.manufacturer.push((0xFFFF, bytes));
        }
        Kind::BtHome => advert.service.push((BTHOME.into(), vec![0x40, 0x02, t[0], t[1]])),
        Kind::Sensing | Kind::SensingRead => {
            advert.services.push(SENSING.into());
            advert.name = Some("bench sensor");
        }
        Kind::Malformed => {
            advert.manufacturer.push((0xFFFF, vec![0x43, 0x4C, 1, sequence]));
            advert.service.push((BTHOME.into(), vec![0x40, 0x02, t[0]]));
        }
    }
    advert
}

/// What is between the probes and the service.
#[derive(Default)]
pub struct Air {
    /// Probes that advertise under another address than theirs.
    pub moved: HashMap<&'static str, &'static str>,
    /// The share of advertisements that get lost (percent).
    pub lost_percent: u32,
    /// What the service told, by address.
    pub told: HashMap<&'static str, usize>,
}

/// A line of the program's output with when it came.
pub type Line = (Elapsed, Value);

/// The whole bench.
pub struct Bench {
    pub bus: Bus,
    pub clock: Arc<SessionClock>,
    service: Arc<Mutex<Option<Service>>>,
    lines: Arc<Mutex<Vec<Line>>>,
    child: Option<Child>,
    probes: Vec<Probe>,
    pub air: Arc<Mutex<Air>>,
    folder: tempfile::TempDir,
}

impl Bench {
    /// A bench with these probes in the air; the service runs, the program not yet.
    pub async fn start(probes: Vec<Probe>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bus = Bus::start(folder.path().to_owned());
        let bench = Self {
            bus,
            clock: Arc::new(SessionClock::start(Elapsed::ZERO)),
            service: Arc::default(),
            lines: Arc::default(),
            child: None,
            probes,
            air: Arc::default(),
            folder,
        };
        bench.begin_service().await;
        for probe in bench.probes.clone() {
            tokio::spawn(send(probe, Arc::clone(&bench.service), Arc::clone(&bench.air)));
        }
        bench
    }

    /// The running service.
    pub fn service(&self) -> Service {
        self.service.lock().unwrap().clone().expect("the service runs")
    }

    /// The service starts, and knows no device yet.
    pub async fn begin_service(&self) {
        let service = Service::start(&self.bus.address).await;
        for probe in &self.probes {
            let flags = match probe.kind {
                Kind::Sensing => vec!["read", "notify"],
                Kind::SensingRead => vec!["read"],
                _ => continue,
            };
            let (uuid, value) = (TEMPERATURE.into(), vec![0xC4, 0x09]);
            let characteristic = Characteristic { uuid, flags, value };
            service.gatt(probe.address, SENSING, vec![characteristic]);
        }
        *self.service.lock().unwrap() = Some(service);
    }

    /// The service ends.
    pub async fn end_service(&self) {
        let service = self.service.lock().unwrap().take();
        service.expect("the service runs").quit().await;
    }

    /// The program with these arguments on the bench's bus, not started yet.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_settled"));
        command.args(arguments).env("DBUS_SYSTEM_BUS_ADDRESS", &self.bus.address);
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
        let mut child = self.command(arguments).stdout(Stdio::piped()).spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (lines, clock) = (Arc::clone(&self.lines), Arc::clone(&self.clock));
        thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let value = serde_json::from_str(&line).expect("JSON Lines");
                lines.lock().unwrap().push((clock.elapsed(), value));
            }
        });
        self.child = Some(child);
    }

    /// The running program's process.
    pub fn process(&self) -> u32 {
        self.child.as_ref().expect("the program runs").id()
    }

    /// Where the bench keeps its files.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Kills the program, as a power cut does.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// Asks the program to end, and says how long that took and with what code.
    pub fn interrupt(&mut self) -> (Duration, Option<i32>) {
        let mut child = self.child.take().expect("the program runs");
        let asked = self.clock.elapsed();
        let kill = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
        assert!(kill.unwrap().success());
        let status = child.wait().unwrap();
        (self.clock.elapsed().since(asked), status.code())
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
            let lines = self.lines();
            if let Some((at, _)) = lines.iter().find(|(at, line)| *at > from && fits(line)) {
                return at.since(from).as_secs_f64();
            }
            if self.clock.elapsed().since(from) > limit {
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
        self.kill();
    }
}

/// Whether a line is a reading of this probe.
pub fn reading_of(address: &str) -> impl Fn(&Value) -> bool {
    let address = address.to_owned();
    move |line| line["kind"] == "reading" && line["probe"] == *address
}

/// A probe sends for as long as the bench stands.
async fn send(probe: Probe, service: Arc<Mutex<Option<Service>>>, air: Arc<Mutex<Air>>) {
    let mut due = tokio::time::interval(probe.every);
    let mut generator = u32::from(probe.address.as_bytes()[16]) + 1;
    for n in 0u16.. {
        due.tick().await;
        // Numerical Recipes' generator: the losses are the same in each run.
        generator = generator.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let (address, lost) = {
            let air = air.lock().unwrap();
            let address = air.moved.get(probe.address).copied().unwrap_or(probe.address);
            (address, (generator >> 16) % 100 < air.lost_percent)
        };
        let now = service.lock().unwrap().clone();
        let Some(service) = now.filter(|_| !lost) else { continue };
        let advert = advert(probe.kind, n);
        if service.advertise(probe.adapter, address, &advert).await {
            *air.lock().unwrap().told.entry(address).or_default() += 1;
        }
        if probe.kind == Kind::Sensing {
            let value = (2_000 + i16::try_from(n % 2_000).unwrap()).to_le_bytes();
            service.notify(address, TEMPERATURE, &value).await;
        }
    }
}
