//! Replays, all derived files written: a night, a week, a season; and many sessions at once.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use settled::app::replay;

use crate::limit::{Limit, parse, parts, record};
use crate::process::{Ran, program};
use crate::timing::{each, many, row, spent_by, told, waited};

/// How many sessions are replayed at once.
const TOGETHER: u32 = 8;

pub fn run(limit: &Limit) {
    one("a night (8 h, a payload of each probe every 0.715 s)", &limit.session);
    // Coarser, so that the bench does not take hours: the moments, one a second, stay as many.
    for (what, days, every_s) in [
        ("a week (a payload of each probe every 5 s)", 7, 5),
        ("a season (30 days, a payload of each probe every 10 s)", 30, 10),
    ] {
        let (length, every) = (Duration::from_hours(24 * days), Duration::from_secs(every_s));
        let session = record(limit.folder(), length, every);
        one(what, &session);
        fs::remove_dir_all(session).unwrap();
    }
    together(limit);
}

fn one(what: &str, session: &Path) {
    let (rows, parsed) = (parse(session), each(|| parse(session)));
    let before = spent_by("self");
    let (wall, ()) = waited(|| replay::rebuild(session).unwrap());
    let worked = spent_by("self").saturating_sub(before);
    let rate = many((rows as f64 / worked.as_secs_f64()) as u64);
    let (rows, worked_told, wall) = (many(rows), told(worked), told(wall));
    let figure = format!("{rows} rows: {worked_told} of work, {rate} a second; {wall} on the wall");
    let beside = worked.as_secs_f64() / parsed.as_secs_f64();
    row(&format!("replay of {what}"), &figure, &format!("{beside:.1}"));
}

/// The same night several times over, by the program, on one core and on two.
fn together(limit: &Limit) {
    let copies: Vec<PathBuf> = (0..TOGETHER).map(|n| copy(limit, n)).collect();
    for (what, cores) in [("one core", "0"), ("two cores", "0,1")] {
        let mut command = Command::new("taskset");
        command.args(["--cpu-list", cores]).arg(program()).args(["replay", "--rebuild"]);
        command.args(&copies).stdout(Stdio::null());
        let what = format!("{TOGETHER} nights at once on {what}");
        match Ran::of(&mut command) {
            Some(ran) => row(&what, &ran.told(), &ran.beside(limit, TOGETHER)),
            None => row(&what, "NOT RUN: `taskset` is missing; install util-linux", ""),
        }
    }
}

/// A copy of the night's record.
fn copy(limit: &Limit, n: u32) -> PathBuf {
    let to = limit.folder().join(format!("copy-{n}"));
    fs::create_dir(&to).unwrap();
    let of = |name: &Path| fs::copy(name, to.join(name.file_name().unwrap())).unwrap();
    of(&limit.session.join("session.toml"));
    for part in parts(&limit.session) {
        of(&part);
    }
    to
}
