//! A long visit at accelerated time: memory stays flat, parts have their size, every run of the
//! simulation's truth is found or said to be undetermined, and the replay gives the same bytes.
//!
//! Four hours here; `SETTLED_FULL=1` plays a week. Figures are in `tests/results/soak.md`.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on must stop")]

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use settled::edge::clock::machine_ms;
use settled::units::time::Elapsed;
use settled::virtual_unit::faults::{Fault, Severity};
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::{Run, Simulation};

/// Size at which a part ends (bytes; `journal::Settings`), and how much less the last group of rows
/// may leave it.
const PART: u64 = 64 * 1024 * 1024;
const PART_SLACK: u64 = 3 * 1024 * 1024;
/// Most memory that watch or replay may have resident, whatever the length (kB): what was
/// measured is a third of it.
const RESIDENT_KB_MAX: u64 = 120_000;
/// How far a start or stop may be from the truth to be that one (s): half of the shortest pause.
const NEAR_S: f64 = 90.0;

fn resident_kb(process: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// Runs the program; how long it took (ms), its output, and its resident memory each time that
/// `mark` finds a new number in a line.
fn run(arguments: &[&str], mark: impl Fn(&str) -> Option<u64>) -> (u64, String, Vec<(u64, u64)>) {
    let begin_ms = machine_ms();
    let mut child = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(arguments)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut said, mut memory, mut last) = (String::new(), Vec::new(), None);
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        if let Some(number) = mark(&line).filter(|number| last.is_none_or(|last| *number > last)) {
            last = Some(number);
            memory.extend(resident_kb(child.id()).map(|kb| (number, kb)));
        }
        said.push_str(&line);
        said.push('\n');
    }
    assert_eq!(child.wait().unwrap().code(), Some(0), "{said}");
    (machine_ms() - begin_ms, said, memory)
}

/// The hour of the visit in a line that begins with a time, as in `  26:40:10  run 3: …`.
fn hour(line: &str) -> Option<u64> {
    let time: Vec<&str> = line.split_whitespace().next()?.split(':').collect();
    match time[..] {
        [hours, _, _] => hours.parse().ok(),
        _ => None,
    }
}

fn true_runs(hours: u64) -> Vec<Run> {
    let scenario = Scenario {
        length: Duration::from_hours(hours),
        faults: vec![(Fault::LowCharge, Severity::Middle)],
        ..Scenario::default()
    };
    let mut simulation = Simulation::new(&scenario).unwrap();
    while simulation.next().is_some() {}
    simulation.runs().to_vec()
}

/// Start and stop (s) of the cycles that were told, each where it was.
fn told(session: &Path) -> Vec<[Option<f64>; 2]> {
    let text = fs::read_to_string(session.join("cycles.csv")).unwrap();
    let rows = text.lines().skip(1).map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        [cells[1].parse().ok(), cells[2].parse().ok()]
    });
    rows.collect()
}

/// How many of the true runs were found at both ends, at one end (the other said to be unknown),
/// and not at all; and how many were told that never were.
fn compare(truth: &[Run], told: &[[Option<f64>; 2]], end_s: f64) -> [usize; 4] {
    let near = |told: Option<f64>, truth: f64| told.map(|told| (told - truth).abs() <= NEAR_S);
    let mut count = [0; 4];
    let mut used = vec![false; told.len()];
    for run in truth {
        let (start, stop) = (run.start.as_secs(), run.stop.map_or(end_s, Elapsed::as_secs));
        let fits = |ends: &[Option<f64>; 2]| match (near(ends[0], start), near(ends[1], stop)) {
            (Some(true), Some(true)) => Some(0),
            // The run that goes on at the end has no stop to be found.
            (Some(true), None) if run.stop.is_none() => Some(0),
            (Some(true), None) | (None, Some(true)) => Some(1),
            _ => None,
        };
        let found = told.iter().enumerate().find_map(|(n, ends)| Some((n, fits(ends)?)));
        match found {
            Some((n, how)) => {
                used[n] = true;
                count[how] += 1;
            }
            None => count[2] += 1,
        }
    }
    count[3] = used.iter().filter(|used| !**used).count();
    count
}

#[test]
fn a_long_visit_stays_in_bounds_and_is_true_to_the_truth() {
    let full = std::env::var_os("SETTLED_FULL").is_some();
    let hours: u64 = if full { 168 } else { 4 };
    let temp = tempfile::tempdir().unwrap();
    let out = temp.path().to_str().unwrap();
    let demo = ["demo", "--hours", &hours.to_string(), "--speed", "0", "--out", out];
    let every = if full { 24 } else { 1 };
    let (took_ms, _, memory) = run(&demo, |line| hour(line).map(|hour| hour / every));
    println!("{hours} h of visit in {:.1} s", took_ms as f64 / 1e3);
    for (number, kb) in &memory {
        println!("  after {:3} h: {:.1} MB resident", number * every, *kb as f64 / 1e3);
    }
    // A few hours are over before their lines have been read.
    assert!(!full || memory.len() as u64 >= hours / every, "{memory:?}");
    // Flat: the last day has no more than the first ones had, but for what an allocator keeps.
    let (begin, end) = memory.split_at(memory.len() / 2);
    let most = |part: &[(u64, u64)]| part.iter().map(|(_, kb)| *kb).max().unwrap_or(0);
    assert!(most(end) <= most(begin) * 5 / 4 + 8_000, "{memory:?}");
    assert!(most(&memory) <= RESIDENT_KB_MAX, "{memory:?}");

    let session: PathBuf = fs::read_dir(out).unwrap().next().unwrap().unwrap().path();
    let size = |path: &Path| fs::metadata(path).unwrap().len();
    let mut parts: Vec<PathBuf> = fs::read_dir(&session)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "csv"))
        .filter(|path| path.file_name().unwrap().to_str().unwrap().starts_with("received"))
        .collect();
    parts.sort_by_key(|path| (path.as_os_str().len(), path.clone()));
    let sizes: Vec<u64> = parts.iter().map(|path| size(path)).collect();
    println!("  parts (MB): {:?}", sizes.iter().map(|s| s / 1_000_000).collect::<Vec<_>>());
    let (last, before) = sizes.split_last().unwrap();
    assert!(*last <= PART && before.iter().all(|s| (PART - PART_SLACK..=PART).contains(s)));
    assert_eq!(before.is_empty(), !full);

    let told = told(&session);
    let [found, half, missed, extra] = compare(&true_runs(hours), &told, 3_600.0 * hours as f64);
    println!("  runs: {found} found, {half} with one end unknown, {missed} missed, {extra} false");
    assert_eq!((missed, extra), (0, 0));
    assert!(found > 0);

    let path = session.to_str().unwrap();
    let (took_ms, said, _) = run(&["replay", path, "--rebuild"], |_| None);
    println!("  replay with all files written: {:.1} s", took_ms as f64 / 1e3);
    assert!(said.contains("all as they were"), "{said}");
}
