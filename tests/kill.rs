//! `kill -9` of accelerated demos at random moments: nothing acknowledged is lost, every folder
//! opens, and what is left says what the whole visit said up to there.
//!
//! 12 moments here; `SETTLED_FULL=1` kills 500.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::collections::HashMap;
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

use serde_json::Value;

/// Seed of the moments.
const SEED: u64 = 6;
/// Latest moment of a kill (ms after the start): a third of the moments come before the journal's
/// first sync (2 s), the others after one, two or three.
const LATEST_MS: u64 = 7_000;
/// How many demos run at once.
const AT_ONCE: usize = 12;
/// How many hours the visit has, and how fast it runs: it is not over when the last kill comes.
const HOURS: &str = "1";
const SPEED: &str = "450";

fn settled(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_settled"));
    command.args(arguments);
    command
}

/// The one session in a folder; `None` where the kill came before it was made.
fn session(folder: &Path) -> Option<PathBuf> {
    fs::read_dir(folder).ok()?.next().map(|entry| entry.unwrap().path())
}

/// Runs a demo whole, as fast as it goes.
fn whole(folder: &Path) -> PathBuf {
    let out = folder.to_str().unwrap();
    let output = settled(&["demo", "--hours", HOURS, "--speed", "0", "--out", out]).output();
    assert_eq!(output.unwrap().status.code(), Some(0));
    session(folder).unwrap()
}

/// Runs a demo, kills it after `ms`, and says how many rows it had told to be on the disk.
fn killed(folder: &Path, ms: u64) -> u64 {
    let out = folder.to_str().unwrap();
    let demo =
        ["demo", "--hours", HOURS, "--speed", SPEED, "--out", out, "--json", "--acknowledged"];
    let mut child = settled(&demo).stdout(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let reader = thread::spawn(move || {
        let mut rows = 0;
        // The last line may be torn.
        for line in lines.map_while(Result::ok) {
            let Ok(value) = serde_json::from_str::<Value>(&line) else { continue };
            if value["kind"] == "acknowledged" {
                rows = value["rows"].as_u64().unwrap();
            }
        }
        rows
    });
    thread::sleep(Duration::from_millis(ms));
    child.kill().unwrap();
    assert_eq!(child.wait().unwrap().code(), None, "it was over before the kill at {ms} ms");
    reader.join().unwrap()
}

/// What the whole visit left, read once.
struct Reference {
    received: Vec<u8>,
    readings: Vec<String>,
    cycles: Vec<String>,
    sets: Vec<String>,
    events: Vec<String>,
}

impl Reference {
    fn of(session: &Path) -> Self {
        let lines = |name: &str| lines(&session.join(name));
        Self {
            received: fs::read(session.join("received.csv")).unwrap(),
            readings: lines("readings.csv"),
            cycles: lines("cycles.csv"),
            sets: lines("sets.csv"),
            events: lines("events.csv"),
        }
    }
}

fn lines(path: &Path) -> Vec<String> {
    fs::read_to_string(path).unwrap().lines().map(str::to_owned).collect()
}

/// What a kill left, held against the whole visit.
fn check(session: &Path, acknowledged: u64, reference: &Reference, ms: u64) -> usize {
    let received = fs::read(session.join("received.csv")).unwrap();
    assert!(reference.received.starts_with(&received), "{ms} ms: the record is another");
    let rows = received.split(|byte| *byte == b'\n').count().saturating_sub(1).saturating_sub(1);
    assert!(rows as u64 >= acknowledged, "{ms} ms: {rows} rows of {acknowledged} acknowledged");

    let rebuilt = settled(&["replay", session.to_str().unwrap(), "--rebuild"]).output().unwrap();
    let errors = String::from_utf8_lossy(&rebuilt.stderr);
    if rows == 0 {
        assert_eq!(rebuilt.status.code(), Some(3), "{ms} ms: {errors}");
        assert!(errors.contains("nothing was recorded"), "{ms} ms: {errors}");
        return 0;
    }
    assert_eq!(rebuilt.status.code(), Some(0), "{ms} ms: {errors}");
    same_readings(&lines(&session.join("readings.csv")), &reference.readings, ms);
    // What was still open when the record broke off is closed there; all before is as it was.
    let of = |name: &str| lines(&session.join(name));
    let (cycles, sets, events) = (of("cycles.csv"), of("sets.csv"), of("events.csv"));
    let closed = cycles.len().saturating_sub(1).max(1);
    assert_eq!(cycles[..closed], reference.cycles[..closed], "{ms} ms: cycles");
    let last = sets.last().and_then(|line| line.split(',').next());
    let earlier = sets.iter().take_while(|line| line.split(',').next() != last).count();
    assert_eq!(sets[..earlier], reference.sets[..earlier], "{ms} ms: sets");
    let end = lines(&session.join("received.csv")).pop().unwrap();
    let end = end.split(',').next();
    let before = events.iter().take_while(|line| line.split(',').next() != end).count();
    assert_eq!(events[..before], reference.events[..before], "{ms} ms: events");
    rows
}

/// Every moment but the last, where the record broke off, is the reference's in every column that
/// was known by then; columns that came later were empty so far.
fn same_readings(ours: &[String], theirs: &[String], ms: u64) {
    let columns: Vec<&str> = ours[0].split(',').collect();
    let place: HashMap<&str, usize> =
        columns.iter().enumerate().map(|(place, name)| (*name, place)).collect();
    let wanted: Vec<Option<usize>> =
        theirs[0].split(',').map(|name| place.get(name).copied()).collect();
    for (our, their) in ours.iter().zip(theirs).take(ours.len() - 1) {
        let ours: Vec<&str> = our.split(',').collect();
        for (cell, at) in their.split(',').zip(&wanted) {
            let own = at.map_or("", |at| ours[at]);
            assert_eq!(own, cell, "{ms} ms:\n{our}\n{their}");
        }
    }
}

#[test]
fn a_kill_at_any_moment_loses_no_acknowledged_row() {
    let kills: u64 = if std::env::var_os("SETTLED_FULL").is_some() { 500 } else { 12 };
    let temp = tempfile::tempdir().unwrap();
    let reference = Reference::of(&whole(&temp.path().join("whole")));
    // A stratified sample: one moment in each equal part of the time, at a seeded place in it.
    let mut random = SEED;
    let moments: Vec<u64> = (0..kills)
        .map(|number| {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let width = LATEST_MS / kills;
            number * width + (random >> 33) % width.max(1)
        })
        .collect();
    let mut counts = Vec::new();
    for (batch, moments) in moments.chunks(AT_ONCE).enumerate() {
        thread::scope(|scope| {
            let checks: Vec<_> = moments
                .iter()
                .map(|ms| {
                    let folder = temp.path().join(format!("{batch}-{ms}"));
                    let reference = &reference;
                    scope.spawn(move || {
                        let acknowledged = killed(&folder, *ms);
                        let left = session(&folder).filter(|s| s.join("received.csv").exists());
                        let rows = match left {
                            Some(session) => check(&session, acknowledged, reference, *ms),
                            None => 0,
                        };
                        fs::remove_dir_all(&folder).unwrap_or(());
                        (acknowledged, rows)
                    })
                })
                .collect();
            counts.extend(checks.into_iter().map(|check| check.join().unwrap()));
        });
    }
    let acknowledged = counts.iter().filter(|(acknowledged, _)| *acknowledged > 0).count();
    println!("{kills} kills, {acknowledged} of them with rows acknowledged: {counts:?}");
    assert!(acknowledged * 3 > counts.len(), "the kills came too early to prove anything");
}
