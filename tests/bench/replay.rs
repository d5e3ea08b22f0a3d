//! Replays, all derived files written: a night, a week, a season; and many sessions at once.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use settled::app::replay;

use crate::limit::{Limit, parse, record};
use crate::process::{Ran, program};
use crate::timing::{each, many, row, told};

/// How many sessions are replayed at once.
const TOGETHER: usize = 8;

pub fn run(limit: &Limit) {
    let replayed = each(3, 1, || replay::rebuild(&limit.session).unwrap());
    one("a night (8 h, a payload of each probe every 0.715 s)", limit.rows, replayed, limit.parsed);
    // Coarser, so that the bench does not take hours: the moments, one a second, stay as many.
    for (what, days, every_s) in [
        ("a week (a payload of each probe every 5 s)", 7, 5),
        ("a season (30 days, a payload of each probe every 10 s)", 30, 10),
    ] {
        let (length, every) = (Duration::from_hours(24 * days), Duration::from_secs(every_s));
        let session = record(limit.folder(), length, every);
        let parsed = each(2, 1, || parse(&session));
        one(what, parse(&session), each(1, 1, || replay::rebuild(&session).unwrap()), parsed);
        fs::remove_dir_all(session).unwrap();
    }
    together(limit);
}

fn one(what: &str, rows: u64, replayed: Duration, parsed: Duration) {
    let rate = rows as f64 / replayed.as_secs_f64();
    let figure = format!("{}: {} rows, {} a second", told(replayed), many(rows), many(rate as u64));
    let beside = replayed.as_secs_f64() / parsed.as_secs_f64();
    row(&format!("replay of {what}"), &figure, &format!("{beside:.1}"));
}

/// The same night several times over, by the program, on one core and on two.
fn together(limit: &Limit) {
    let copies: Vec<PathBuf> = (0..TOGETHER).map(|n| copy(limit, n)).collect();
    for (what, cores) in [("one core", Some("0")), ("two cores", Some("0,1"))] {
        let mut command = Command::new("taskset");
        command
            .args(["--cpu-list", cores.unwrap_or("0")])
            .arg(program())
            .args(["replay", "--rebuild"]);
        let command = command.args(&copies).stdout(Stdio::null());
        let what = format!("{TOGETHER} nights at once on {what}");
        let Some(Ran { took, peak_kib }) = Ran::of(command) else {
            row(&what, "NOT RUN: `taskset` is missing; install util-linux", "");
            continue;
        };
        let beside = took.as_secs_f64() / limit.parsed.as_secs_f64() / TOGETHER as f64;
        let figure = format!("{}, at most {} KiB", told(took), many(peak_kib));
        row(&what, &figure, &format!("{beside:.1}"));
    }
}

/// A copy of the night's record.
fn copy(limit: &Limit, n: usize) -> PathBuf {
    let to = limit.folder().join(format!("copy-{n}"));
    fs::create_dir(&to).unwrap();
    let of = |name: &Path| fs::copy(name, to.join(name.file_name().unwrap())).unwrap();
    of(&limit.session.join("session.toml"));
    crate::limit::parts(&limit.session).iter().for_each(|part| _ = of(part));
    to
}
