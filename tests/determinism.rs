//! The same record gives the same files: on one core and on two, at three speeds, in two time zones
//! and locales, whatever order the threads of the program happen to run in.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;

fn settled() -> String {
    env!("CARGO_BIN_EXE_settled").to_owned()
}

#[track_caller]
fn ran(command: &mut Command) {
    let output = command.output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{command:?}: {errors}");
}

fn only(folder: &Path) -> PathBuf {
    fs::read_dir(folder).unwrap().next().unwrap().unwrap().path()
}

/// All files of a session that can be compared: not the lock.
fn files(session: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(session).unwrap().map(|entry| entry.unwrap().path());
    let named = entries.map(|path| {
        (path.file_name().unwrap().to_str().unwrap().to_owned(), fs::read(&path).unwrap())
    });
    named.filter(|(name, _)| !name.starts_with('.')).collect()
}

#[track_caller]
fn same(one: &BTreeMap<String, Vec<u8>>, other: &BTreeMap<String, Vec<u8>>, how: &str) {
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(one), names(other), "{how}");
    for (name, bytes) in one {
        assert!(other[name] == *bytes, "{name} differs: {how}");
    }
}

/// A demo of 18 minutes at a speed (0: as fast as it goes), with this before its command line.
fn demo(folder: &Path, before: &[&str], speed: &str, environment: &[(&str, &str)]) -> PathBuf {
    let program = settled();
    let out = folder.to_str().unwrap().to_owned();
    let demo = [&*program, "demo", "--hours", "0.3", "--speed", speed, "--out", &out];
    let line = [before, &demo].concat();
    ran(Command::new(line[0]).args(&line[1..]).envs(environment.iter().copied()));
    only(folder)
}

/// A name, what stands before the command line, a speed, and an environment.
type Case =
    (&'static str, &'static [&'static str], &'static str, &'static [(&'static str, &'static str)]);

#[test]
fn cores_speeds_zones_and_locales_change_no_byte() {
    const EAST: [(&str, &str); 3] =
        [("TZ", "Asia/Kolkata"), ("LC_ALL", "de_DE.UTF-8"), ("LANG", "de_DE.UTF-8")];
    const WEST: [(&str, &str); 3] =
        [("TZ", "America/St_Johns"), ("LC_ALL", "C"), ("LANG", "tr_TR.UTF-8")];
    let temp = tempfile::tempdir().unwrap();
    let reference = files(&demo(&temp.path().join("reference"), &[], "0", &[]));
    assert!(reference.len() >= 10 && reference["readings.csv"].len() > 50_000);
    let cases: [Case; 5] = [
        ("one core", &["taskset", "--cpu-list", "0"], "0", &[]),
        ("at 120 times true time", &[], "120", &[]),
        ("at 400 times true time", &[], "400", &[]),
        ("an eastern zone", &[], "0", &EAST),
        ("a western zone", &[], "0", &WEST),
    ];
    thread::scope(|scope| {
        for (how, before, speed, environment) in cases {
            let (folder, reference) = (temp.path().join(how), &reference);
            scope.spawn(move || {
                if !before.is_empty() && Command::new(before[0]).arg("--version").output().is_err()
                {
                    println!("NOT RUN: {how}, because there is no {} here", before[0]);
                    return;
                }
                let session = demo(&folder, before, speed, environment);
                same(reference, &files(&session), how);
                // And the replay of it, under the same conditions.
                let program = settled();
                let path = session.to_str().unwrap();
                let line = [before, &[&*program, "replay", "--rebuild", path]].concat();
                ran(Command::new(line[0]).args(&line[1..]).envs(environment.iter().copied()));
                same(reference, &files(&session), &format!("replay, {how}"));
            });
        }
    });
}
