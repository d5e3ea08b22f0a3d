//! Clocks that are wrong, step, sleep and start again, each from a script of steps that drives the
//! daemon itself: its loop, its journal, its folder. Only the clocks and the radio are the script's.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::collections::VecDeque;
use std::fs;
use std::iter::Peekable;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use clap::Parser;
use settled::app::exit::{Exit, Failure};
use settled::app::job::JobFile;
use settled::app::watch::world::{Next, World};
use settled::app::watch::{self, watch};
use settled::edge::bluetooth::{RadioMessage, RadioSettings};
use settled::edge::clock::{Clocks, Hands, Labels, Utc};
use settled::virtual_unit::probes::Emission;
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::{Run, Simulation};

/// How long a test waits for what should be on the disk at once.
const PATIENCE_MS: u64 = 20_000;
const MINUTE_MS: u64 = 60_000;

#[derive(Parser)]
struct Cli {
    #[command(flatten)]
    args: watch::Args,
}

/// Something that happens at a moment of the visit.
enum Step {
    /// The wall clock is set to this.
    Set(Utc),
    /// The wall clock is set by so many milliseconds.
    By(i64),
    /// The machine sleeps for so long; its start goes on counting.
    Suspend(Duration),
    /// The power goes: what is on the disk now is all that stays.
    Crash,
}

/// A watch's world that is a script over a simulated visit.
struct Script {
    hands: Arc<Mutex<Hands>>,
    /// Machine time at which the visit began (ms).
    zero_ms: u64,
    simulation: Peekable<Simulation>,
    steps: VecDeque<(u64, Step)>,
    /// The visit's time up to which everything was told (ms).
    now_ms: u64,
    sessions: PathBuf,
}

impl Script {
    /// Moves all hands to this time of the visit.
    fn pass(&mut self, to_ms: u64) {
        let by_ms = to_ms.saturating_sub(self.now_ms);
        self.now_ms += by_ms;
        let mut hands = self.hands.lock().unwrap();
        hands.machine_ms += by_ms;
        hands.wall = hands.wall.and_then(|wall| wall.plus_ms(by_ms as i64));
    }

    fn step(&mut self, step: &Step) -> Next {
        match step {
            Step::Set(wall) => self.hands.lock().unwrap().wall = Some(*wall),
            Step::By(ms) => {
                let mut hands = self.hands.lock().unwrap();
                hands.wall = hands.wall.and_then(|wall| wall.plus_ms(*ms));
            }
            Step::Suspend(length) => {
                self.pass(self.now_ms + length.as_millis() as u64);
                let now_ms = self.now_ms;
                // Nobody hears what was sent meanwhile.
                while self.simulation.next_if(|sent| sent.at.as_ms() < now_ms).is_some() {}
            }
            Step::Crash => {
                self.await_disk();
                let kept = self.sessions.with_extension("kept");
                let copied = std::process::Command::new("cp")
                    .arg("-r")
                    .args([&self.sessions, &kept])
                    .status();
                assert!(copied.unwrap().success());
                return Next::Stop;
            }
        }
        Next::Nothing
    }

    /// Waits until the last row that was told is on the disk.
    fn await_disk(&self) {
        let session = only(&self.sessions);
        for _ in 0..PATIENCE_MS / 10 {
            let last = rows(&session).last().map_or(0, |row| row.at_ms);
            if self.now_ms - last < 2_000 {
                return;
            }
            thread::sleep(Duration::from_millis(10));
        }
        panic!("the rows never came to the disk");
    }
}

impl World for Script {
    fn clocks(&self) -> Clocks {
        Clocks::Script(Arc::clone(&self.hands))
    }

    fn hear(&mut self, _settings: RadioSettings) -> Result<(), Failure> {
        Ok(())
    }

    fn next(&mut self, limit: Duration) -> Result<Next, Failure> {
        let until_ms = self.now_ms + (limit.as_millis() as u64).max(1);
        let step_ms = self.steps.front().map_or(u64::MAX, |(at, _)| *at);
        let Some(sent_ms) = self.simulation.peek().map(|sent| sent.at.as_ms()) else {
            return Ok(Next::Stop);
        };
        if step_ms.min(sent_ms) > until_ms {
            self.pass(until_ms);
            return Ok(Next::Nothing);
        }
        if step_ms <= sent_ms {
            self.pass(step_ms);
            let (_, step) = self.steps.pop_front().unwrap();
            return Ok(self.step(&step));
        }
        self.pass(sent_ms);
        Ok(Next::Message(message(&self.simulation.next().unwrap())))
    }

    fn silence(&mut self) {}
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

fn utc(text: &str) -> Utc {
    Labels::default().read(text.as_bytes()).unwrap()
}

/// A visit to the virtual unit in a folder of its own.
struct Bench {
    folder: tempfile::TempDir,
    scenario: Scenario,
}

impl Bench {
    fn new(minutes: u64) -> Self {
        let scenario = Scenario {
            length: Duration::from_mins(minutes),
            first_run_min: Duration::from_mins(8),
            faults: Vec::new(),
            ..Scenario::default()
        };
        Self { folder: tempfile::tempdir().unwrap(), scenario }
    }

    fn sessions(&self) -> PathBuf {
        self.folder.path().join("sessions")
    }

    fn session(&self) -> PathBuf {
        only(&self.sessions())
    }

    /// The runs as they truly were.
    fn runs(&self) -> Vec<Run> {
        let mut simulation = Simulation::new(&self.scenario).unwrap();
        while simulation.next().is_some() {}
        simulation.runs().to_vec()
    }

    /// The job of an invented bakery.
    fn job(&self) -> PathBuf {
        let path = self.folder.path().join("job.toml");
        let mut text = format!(
            "site = \"Harbour bakery (invented)\"\nzone = \"America/Chicago\"\n\
             [unit]\nrefrigerant = \"R-410A\"\nmetering = \"fixed-orifice\"\n\
             [log]\nsync_interval_s = 0\nfolder = \"{}\"\n",
            self.sessions().display()
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

    /// Watches from `from_ms` of the visit on, on a machine whose hands stand like this.
    fn watch(&self, hands: Hands, from_ms: u64, steps: Vec<(u64, Step)>) -> String {
        let job = self.job();
        let (machine_ms, hands) = (hands.machine_ms, Arc::new(Mutex::new(hands)));
        let mut simulation = Simulation::new(&self.scenario).unwrap().peekable();
        while simulation.next_if(|sent| sent.at.as_ms() < from_ms).is_some() {}
        let mut script = Script {
            hands,
            zero_ms: machine_ms,
            simulation,
            steps: steps.into(),
            now_ms: from_ms,
            sessions: self.sessions(),
        };
        let continues = if from_ms > 0 { "--continue" } else { "--new" };
        let cli = Cli::parse_from(["watch", job.to_str().unwrap(), continues]);
        let file = JobFile::read(&job).unwrap();
        let mut said = Vec::new();
        let exit = watch(&cli.args, file, &mut script, true, &mut said).unwrap();
        assert_eq!(exit, Exit::Done);
        assert_eq!(script.zero_ms, machine_ms);
        String::from_utf8(said).unwrap()
    }

    /// The power went: what was on the disk then is all there is.
    fn after_the_crash(&self) {
        let sessions = self.sessions();
        fs::remove_dir_all(&sessions).unwrap();
        fs::rename(sessions.with_extension("kept"), sessions).unwrap();
    }
}

fn only(folder: &Path) -> PathBuf {
    let mut entries = fs::read_dir(folder).unwrap();
    let first = entries.next().unwrap().unwrap().path();
    assert!(entries.next().is_none(), "there are several sessions");
    first
}

fn name(session: &Path) -> &str {
    session.file_name().unwrap().to_str().unwrap()
}

fn text(session: &Path, name: &str) -> String {
    fs::read_to_string(session.join(name)).unwrap()
}

/// A row of the record: when, its label, and whether it is a payload.
struct Row {
    at_ms: u64,
    label: String,
    payload: bool,
}

fn rows(session: &Path) -> Vec<Row> {
    let mut all = Vec::new();
    for part in ["received.csv", "received-0001.csv"] {
        let text = fs::read_to_string(session.join(part)).unwrap_or_default();
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        for line in whole.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            all.push(Row {
                at_ms: cells[0].parse().unwrap(),
                label: cells[1].to_owned(),
                payload: ["manufacturer", "service", "characteristic"].contains(&cells[3]),
            });
        }
    }
    all
}

/// The lines of a derived file, as cells.
fn table(session: &Path, name: &str) -> Vec<Vec<String>> {
    let text = text(session, name);
    text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

/// Every payload of the record has the very time at which it was sent.
#[track_caller]
fn true_to_the_sample(session: &Path, bench: &Bench) {
    let sent: Vec<u64> =
        Simulation::new(&bench.scenario).unwrap().map(|sent| sent.at.as_ms()).collect();
    let mut heard = 0;
    for row in rows(session).iter().filter(|row| row.payload) {
        heard += 1;
        assert!(sent.binary_search(&row.at_ms).is_ok(), "nothing was sent at {} ms", row.at_ms);
    }
    assert!(heard > 1_000, "{heard}");
}

#[track_caller]
fn replays_to_the_same_bytes(session: &Path) {
    let files = ["readings.csv", "cycles.csv", "sets.csv", "events.csv", "findings.json"];
    let before = files.map(|name| text(session, name));
    settled::app::replay::rebuild(session).unwrap();
    for (name, before) in files.iter().zip(before) {
        assert!(text(session, name) == before, "{name} differs in replay");
    }
}

fn right_clock() -> Hands {
    let wall = Some(utc("2031-06-04T19:05:12.000Z"));
    Hands { boot_id: "boot-a".to_owned(), machine_ms: 90_000, wall, kept: true }
}

/// A board without a battery clock, just woken.
fn fresh_board(boot: &str) -> Hands {
    let wall = Some(utc("1970-01-01T00:00:20.000Z"));
    Hands { boot_id: boot.to_owned(), machine_ms: 20_000, wall, kept: false }
}

#[test]
fn a_board_that_wakes_in_1970_names_its_folder_once_its_clock_is_set() {
    let bench = Bench::new(20);
    let set = (10 * MINUTE_MS, Step::Set(utc("2031-06-04T19:15:12.000Z")));
    bench.watch(fresh_board("0ab1-c"), 0, vec![set]);
    let session = bench.session();
    assert_eq!(name(&session), "2031-06-04T19-05-12Z-harbour-bakery-invented");
    for row in rows(&session) {
        assert_eq!(row.label.is_empty(), row.at_ms < 10 * MINUTE_MS, "{} ms", row.at_ms);
    }
    assert!(text(&session, "events.csv").contains(",clock_trusted,"));
    true_to_the_sample(&session, &bench);
    replays_to_the_same_bytes(&session);

    // Never set, it keeps the name of the machine's start.
    let bench = Bench::new(5);
    bench.watch(fresh_board("0ab1-c"), 0, vec![]);
    assert_eq!(name(&bench.session()), "no-clock-0ab1c-harbour-bakery-invented");
    assert!(rows(&bench.session()).iter().all(|row| row.label.is_empty()));
}

#[test]
fn a_clock_that_steps_back_and_forth_is_told_and_changes_nothing_but_labels() {
    let plain = Bench::new(40);
    plain.watch(right_clock(), 0, vec![]);
    let stepped = Bench::new(40);
    let steps = vec![(7 * MINUTE_MS, Step::By(-3_600_000)), (15 * MINUTE_MS, Step::By(7_200_000))];
    stepped.watch(right_clock(), 0, steps);
    let (plain, session) = (plain.session(), stepped.session());
    let events = text(&session, "events.csv");
    assert!(events.contains("clock_step,,the clock was set by -3600.0 s"), "{events}");
    assert!(events.contains("clock_step,,the clock was set by +7200.0 s"), "{events}");
    assert_eq!(text(&session, "cycles.csv"), text(&plain, "cycles.csv"));
    assert_eq!(text(&session, "sets.csv"), text(&plain, "sets.csv"));
    assert!(!table(&session, "cycles.csv").is_empty());
    true_to_the_sample(&session, &stepped);
    replays_to_the_same_bytes(&session);
}

#[test]
fn the_change_to_winter_time_moves_the_night_of_people_and_no_row() {
    // 2031-11-02 at 07:00 UTC Chicago's clocks went from 2:00 back to 1:00 (IANA time zones). The
    // same time in UTC is six in the morning the day before, which is day, and five after it.
    for (day, night) in [("01", "false"), ("02", "true")] {
        let bench = Bench::new(20);
        let wall = Some(utc(&format!("2031-11-{day}T11:10:00.000Z")));
        bench.watch(Hands { wall, ..right_clock() }, 0, vec![]);
        let cycles = table(&bench.session(), "cycles.csv");
        assert_eq!(cycles[0][8], night, "{cycles:?}");
    }
    // Through the change itself.
    let bench = Bench::new(20);
    let wall = Some(utc("2031-11-02T06:50:00.000Z"));
    bench.watch(Hands { wall, ..right_clock() }, 0, vec![]);
    let session = bench.session();
    let labels: Vec<String> = rows(&session).into_iter().map(|row| row.label).collect();
    assert!(labels.is_sorted() && labels.last().unwrap().starts_with("2031-11-02T07:"));
    assert!(!text(&session, "events.csv").contains("clock_step"));
    true_to_the_sample(&session, &bench);
}

#[test]
fn a_sleeping_machine_hears_nothing_and_its_time_goes_on() {
    let bench = Bench::new(50);
    let sleep = (12 * MINUTE_MS, Step::Suspend(Duration::from_mins(15)));
    bench.watch(right_clock(), 0, vec![sleep]);
    let session = bench.session();
    true_to_the_sample(&session, &bench);
    // Not off: unknown, from when the probes were found silent to when they came back.
    let states: Vec<(u64, String)> = table(&session, "readings.csv")
        .into_iter()
        .map(|row| (row[0].parse().unwrap(), row[2].clone()))
        .filter(|(at, _)| (15 * MINUTE_MS..27 * MINUTE_MS).contains(at))
        .collect();
    assert!(states.len() > 700, "{}", states.len());
    let heard = states.iter().find(|(_, state)| state != "unknown");
    assert_eq!(heard, None);
    let events = text(&session, "events.csv");
    assert!(events.contains("probe_lost") && events.contains("probe_back"), "{events}");
    // No run that the sleep touches is told as if it had been heard from end to end.
    for cycle in table(&session, "cycles.csv") {
        let at = |cell: &str| cell.parse::<f64>().ok();
        if let (Some(start), Some(stop)) = (at(&cycle[1]), at(&cycle[2])) {
            let heard = stop < 720.0 || start > 1_620.0;
            assert!(heard || cycle[5] == "false", "{cycle:?}");
        }
    }
    replays_to_the_same_bytes(&session);
}

/// Crashes in the first run, 20 minutes in, and goes on with these hands; the session, and what
/// the watch that went on said.
fn restarted(bench: &Bench, hands: Hands) -> (PathBuf, String) {
    bench.watch(right_clock(), 0, vec![(8 * MINUTE_MS, Step::Crash)]);
    bench.after_the_crash();
    let said = bench.watch(hands, 9 * MINUTE_MS, vec![]);
    (bench.session(), said)
}

/// How long nobody listened, as the record tells it (ms); `None`: unknown.
#[track_caller]
fn pause(session: &Path) -> Option<u64> {
    let events = text(session, "events.csv");
    let restart = events.lines().find(|line| line.contains(",restart,")).expect("a restart");
    let told = restart.split("nobody listened for ").nth(1)?;
    Some(told.split(' ').next().unwrap().parse::<u64>().unwrap() * 1_000)
}

#[test]
fn after_a_restart_within_one_start_of_the_machine_durations_are_right_to_the_sample() {
    let bench = Bench::new(45);
    let mut hands = right_clock();
    hands.machine_ms += 9 * MINUTE_MS;
    // Whatever the wall clock shows: it is wrong, and nobody asks it.
    hands.wall = Some(utc("2033-01-01T00:00:00.000Z"));
    let (session, _) = restarted(&bench, hands);
    true_to_the_sample(&session, &bench);
    let told = pause(&session).unwrap();
    assert!((MINUTE_MS - 2_000..=MINUTE_MS + 2_000).contains(&told), "{told}");
    // The run in which it happened stopped when it truly did.
    let stop = bench.runs()[0].stop.unwrap().as_secs();
    let cycles = table(&session, "cycles.csv");
    let near = |cell: &String| cell.parse::<f64>().is_ok_and(|at| (at - stop).abs() < 30.0);
    assert!(cycles.iter().any(|cycle| near(&cycle[2])), "{stop} {cycles:?}");
    replays_to_the_same_bytes(&session);
}

#[test]
fn after_a_restart_of_the_machine_the_wall_clock_tells_the_pause_where_it_is_right() {
    let bench = Bench::new(45);
    let hands = Hands {
        boot_id: "boot-b".to_owned(),
        machine_ms: 7_000,
        wall: right_clock().wall.unwrap().plus_ms(9 * MINUTE_MS as i64),
        kept: true,
    };
    let (session, _) = restarted(&bench, hands);
    true_to_the_sample(&session, &bench);
    let told = pause(&session).unwrap();
    assert!((MINUTE_MS - 2_000..=MINUTE_MS + 2_000).contains(&told), "{told}");
    replays_to_the_same_bytes(&session);
}

#[test]
fn after_a_restart_of_a_board_without_a_clock_the_pause_is_unknown() {
    let bench = Bench::new(45);
    let (session, said) = restarted(&bench, fresh_board("boot-b"));
    assert_eq!(pause(&session), None);
    let events = text(&session, "events.csv");
    assert!(events.contains("restart,,pause unknown"), "{events}");
    assert!(said.contains("pause unknown"), "{said}");
    // The run in which it happened is nowhere said to be complete, and no length is claimed for it.
    let at = rows(&session).iter().find(|row| row.label.is_empty()).unwrap().at_ms as f64 / 1e3;
    let cycles = table(&session, "cycles.csv");
    assert!(!cycles.is_empty());
    for cycle in cycles {
        let end = |cell: &str| cell.parse::<f64>().ok();
        let (start, stop) = (end(&cycle[1]), end(&cycle[2]));
        let across = start.is_none_or(|s| s <= at) && stop.is_none_or(|s| s >= at);
        assert!(!across || (cycle[5] == "false" && cycle[3].is_empty()), "{at} {cycle:?}");
    }
    replays_to_the_same_bytes(&session);
}
