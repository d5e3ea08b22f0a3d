//! How long the replay of a night takes, all derived files written: `cargo bench --bench replay`.
//!
//! An 8-hour session of twelve channels with about 350,000 payloads is made from the virtual unit,
//! then replayed; beside it, in the same run, the time of merely parsing the same file with the
//! `csv` crate's byte records.

use std::fs::{self, File};
use std::path::Path;
use std::time::{Duration, Instant};

use settled::app::demo;
use settled::app::replay;
use settled::virtual_unit::scenario::{ProbeCare, Scenario};

const ROUNDS: usize = 5;

fn main() {
    let folder = tempfile::tempdir().expect("the machine has a folder for temporary files");
    let scenario = Scenario {
        length: Duration::from_hours(8),
        probes: ProbeCare { interval: Duration::from_millis(715), ..ProbeCare::default() },
        ..Scenario::default()
    };
    let session = demo::record(&scenario, folder.path()).expect("the disk serves");
    let rows = parse(&session);
    println!("{rows} rows in received.csv");
    let parsed = best(|| {
        parse(&session);
    });
    let replayed = best(|| replay::rebuild(&session).expect("the session was just made"));
    let per_second = rows as f64 / replayed.as_secs_f64();
    println!("parsing alone: {:.3} s", parsed.as_secs_f64());
    println!("replay, all derived files written: {:.3} s", replayed.as_secs_f64());
    println!(
        "{per_second:.0} rows a second, {:.1} times parsing",
        replayed.as_secs_f64() / parsed.as_secs_f64()
    );
    println!("peak memory of this process: {} KiB", peak_kib());
}

/// The shortest of several rounds.
#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn best(mut once: impl FnMut()) -> Duration {
    let round = |_| {
        let start = Instant::now();
        once();
        start.elapsed()
    };
    (0..ROUNDS).map(round).min().expect("there is a round")
}

/// Counts the rows of the record, doing nothing else.
fn parse(session: &Path) -> u64 {
    let file = File::open(session.join("received.csv")).expect("the session was just made");
    let mut reader = csv::Reader::from_reader(file);
    let mut record = csv::ByteRecord::new();
    let mut rows = 0;
    while reader.read_byte_record(&mut record).expect("the record is CSV") {
        rows += 1;
    }
    rows
}

/// The most memory that this process has had (KiB), where the system tells; else 0.
fn peak_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM"));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}
