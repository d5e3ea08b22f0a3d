//! A simulated visit that the daemon's own loop watches at speed, with things that happen to it.

use std::collections::VecDeque;
use std::fs;
use std::iter::Peekable;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use clap::Parser;
use serde_json::Value;
use settled::app::exit::{Exit, Failure};
use settled::app::job::JobFile;
use settled::app::watch::world::{Next, World};
use settled::app::watch::{self, watch};
use settled::edge::bluetooth::{RadioMessage, RadioSettings};
use settled::edge::clock::{Clocks, Hands, Labels, machine_ms};
use settled::virtual_unit::probes::Emission;
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::Simulation;

use crate::PATIENCE_MS;

/// The site, with all that has a meaning in topics.
pub const SITE: &str = "Bench 2/3 +#1 (invented)";
/// The same as a topic's level.
pub const SITE_LEVEL: &str = "Bench 2%2F3 %2B%231 (invented)";
pub const MINUTE_MS: u64 = 60_000;

#[derive(Parser)]
struct Cli {
    #[command(flatten)]
    args: watch::Args,
}

/// What happens at a moment of the visit; time stands still until it is true.
pub type Step<'a> = (u64, Box<dyn FnMut() -> bool + 'a>);

/// A visit in a folder of its own.
pub struct Visit {
    pub folder: PathBuf,
    pub scenario: Scenario,
    /// How often the record is synced (s).
    pub sync_interval_s: u32,
    /// Real time that a virtual minute takes at least.
    pub minute: Duration,
}

impl Visit {
    pub fn new(folder: &Path, minutes: u64) -> Self {
        let scenario = Scenario {
            length: Duration::from_mins(minutes),
            first_run_min: Duration::from_mins(8),
            ..Scenario::default()
        };
        let (folder, minute) = (folder.to_owned(), Duration::from_millis(25));
        Self { folder, scenario, sync_interval_s: 2, minute }
    }

    pub fn sessions(&self) -> PathBuf {
        self.folder.join("sessions")
    }

    /// The one session.
    pub fn session(&self) -> PathBuf {
        let entries = fs::read_dir(self.sessions()).unwrap();
        let all = entries.map(|entry| entry.unwrap().path());
        let mut all = all.filter(|path| path.join("session.toml").exists());
        let first = all.next().unwrap();
        assert!(all.next().is_none(), "there are several sessions");
        first
    }

    /// Writes the job, with this in its `[broker]`.
    pub fn job(&self, port: u16, broker: &str) -> PathBuf {
        let path = self.folder.join("job.toml");
        let mut text = format!(
            "site = \"{SITE}\"\n[unit]\nrefrigerant = \"R-410A\"\nmetering = \"fixed-orifice\"\n\
             [web]\nlisten = \"127.0.0.1:{}\"\n\
             [log]\nsync_interval_s = {}\nfolder = \"{}\"\n\
             [broker]\naddress = \"localhost:{port}\"\nreconnect_s_max = 1\n{broker}\n",
            crate::mosquitto::free_port(),
            self.sync_interval_s,
            self.sessions().display(),
        );
        for probe in Simulation::new(&self.scenario).unwrap().probes() {
            text = format!("{text}[[probe]]\naddress = \"{}\"\n", probe.address);
            for (field, place) in &probe.fields {
                text = format!("{text}field.{field}.position = \"{place}\"\n");
            }
        }
        fs::write(&path, text).unwrap();
        path
    }

    /// Watches from `from_ms` of the visit on; what was printed, line by line.
    pub fn watch(&self, job: &Path, from_ms: u64, steps: Vec<Step<'_>>) -> Vec<Value> {
        let mut simulation = Simulation::new(&self.scenario).unwrap().peekable();
        while simulation.next_if(|sent| sent.at.as_ms() < from_ms).is_some() {}
        let wall = Labels::default().read(b"2031-06-04T19:05:12.000Z").unwrap();
        let hands = Hands {
            boot_id: "boot-a".to_owned(),
            machine_ms: 90_000 + from_ms,
            wall: wall.plus_ms(from_ms as i64),
            kept: true,
        };
        let mut script = Script {
            hands: Arc::new(Mutex::new(hands)),
            simulation,
            steps: steps.into(),
            now_ms: from_ms,
            begin: (machine_ms(), from_ms),
            minute: self.minute,
        };
        let goes_on = if from_ms > 0 { "--continue" } else { "--new" };
        let cli = Cli::parse_from(["watch", job.to_str().unwrap(), goes_on]);
        let file = JobFile::read(job).unwrap();
        let mut said = Vec::new();
        let exit = watch(&cli.args, file, &mut script, true, &mut said).unwrap();
        assert_eq!(exit, Exit::Done);
        let said = String::from_utf8(said).unwrap();
        said.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// The moments (ms) of `readings.csv` that are to be published: the first in each stretch.
    pub fn moments(&self, stretch_ms: u64) -> Vec<u64> {
        let text = fs::read_to_string(self.session().join("readings.csv")).unwrap();
        let mut last = None;
        let rows = text.lines().skip(1).map(|row| row.split(',').next().unwrap().parse().unwrap());
        rows.filter(|at_ms: &u64| last.replace(at_ms / stretch_ms) != Some(at_ms / stretch_ms))
            .collect()
    }
}

/// The kinds of which all that is printed is published.
pub const KINDS: [&str; 5] = ["cycle", "settled_set", "finding", "suspect", "event"];

pub fn is_published(value: &Value) -> bool {
    KINDS.iter().any(|kind| value["kind"] == *kind)
}

/// How often an event of this name was told.
pub fn events(said: &[Value], name: &str) -> Vec<String> {
    let events = said.iter().filter(|line| line["event"] == name);
    events.map(|event| event["detail"].as_str().unwrap().to_owned()).collect()
}

/// The world of a watch: clocks and probes by script.
struct Script<'a> {
    hands: Arc<Mutex<Hands>>,
    simulation: Peekable<Simulation>,
    steps: VecDeque<Step<'a>>,
    now_ms: u64,
    /// Real and virtual time at the beginning (ms).
    begin: (u64, u64),
    minute: Duration,
}

impl Script<'_> {
    fn pass(&mut self, to_ms: u64) {
        let by_ms = to_ms.saturating_sub(self.now_ms);
        self.now_ms += by_ms;
        let mut hands = self.hands.lock().unwrap();
        hands.machine_ms += by_ms;
        hands.wall = hands.wall.and_then(|wall| wall.plus_ms(by_ms as i64));
        drop(hands);
        let passed_ms = self.now_ms - self.begin.1;
        let due_ms = self.begin.0 + passed_ms * self.minute.as_millis() as u64 / MINUTE_MS;
        thread::sleep(Duration::from_millis(due_ms.saturating_sub(machine_ms())));
    }
}

impl World for Script<'_> {
    fn clocks(&self) -> Clocks {
        Clocks::Script(Arc::clone(&self.hands))
    }

    fn hear(&mut self, _settings: RadioSettings) -> Result<(), Failure> {
        Ok(())
    }

    fn next(&mut self, limit: Duration) -> Result<Next, Failure> {
        let until_ms = self.now_ms + (limit.as_millis() as u64).max(1);
        let sent_ms = self.simulation.peek().map_or(u64::MAX, |sent| sent.at.as_ms());
        if let Some((at_ms, step)) = self.steps.front_mut()
            && *at_ms <= sent_ms.min(until_ms)
        {
            let (at_ms, done) = (*at_ms, step());
            if done {
                self.steps.pop_front();
                self.begin.0 = machine_ms();
                self.begin.1 = at_ms.max(self.now_ms);
            } else {
                thread::sleep(Duration::from_millis(10));
            }
            self.pass(at_ms);
            return Ok(Next::Nothing);
        }
        if sent_ms == u64::MAX && self.steps.is_empty() {
            return Ok(Next::Stop);
        }
        if sent_ms > until_ms {
            self.pass(until_ms);
            return Ok(Next::Nothing);
        }
        self.pass(sent_ms);
        Ok(Next::Message(message(&self.simulation.next().unwrap())))
    }

    fn silence(&mut self) {}
}

/// A step that waits for this, and ends the test where it does not come.
pub fn until<'a>(at_ms: u64, what: &'static str, mut done: impl FnMut() -> bool + 'a) -> Step<'a> {
    let mut begin_ms = None;
    let step = move || {
        let begin_ms = *begin_ms.get_or_insert_with(machine_ms);
        assert!(machine_ms() - begin_ms < PATIENCE_MS, "waited in vain: {what}");
        done()
    };
    (at_ms, Box::new(step))
}

fn message(sent: &Emission) -> RadioMessage {
    RadioMessage::Heard {
        probe: sent.probe.to_string(),
        name: None,
        via: sent.carrier.into(),
        bytes: sent.bytes.clone(),
        rssi_dbm: Some(sent.rssi_dbm),
    }
}
