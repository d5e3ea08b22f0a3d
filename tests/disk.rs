//! A disk that fills up, turns read-only, or both, while a demo runs: measuring goes on, it says
//! that it does not record, a new part begins when the disk serves again, and the exit code and
//! the files say what was lost.
//!
//! Each case has a small filesystem of its own, in a user and mount namespace, which needs no
//! root. Where the kernel forbids that, it says `NOT RUN`; the same cases on a simulated store are
//! in `tests/journal.rs`.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Whether the kernel lets us mount a filesystem of our own; says so where it does not.
fn may_mount(case: &str) -> bool {
    let tried = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c"])
        .arg("mount -t tmpfs -o size=64k none /mnt")
        .output();
    let why = match tried {
        Ok(output) if output.status.success() => return true,
        Ok(output) => first(&String::from_utf8_lossy(&output.stderr)).to_owned(),
        Err(error) => format!("unshare: {error}"),
    };
    println!("NOT RUN: {case}, because no filesystem may be mounted here ({why})");
    false
}

/// Runs a demo of 48 minutes in about 16 s on a filesystem of `size`, does `meanwhile` to it, and
/// copies to `kept` what is left on it.
fn demo_on(size: &str, meanwhile: &str, kept: &Path) -> Output {
    let script = format!(
        "set -e\n\
         mount -t tmpfs -o size={size} none /mnt\n\
         mkdir /mnt/sessions\n\
         $SETTLED demo --hours 0.8 --speed 180 --out /mnt/sessions --json >$KEPT/said \
         2>$KEPT/complained &\n\
         demo=$!\n\
         {meanwhile}\n\
         code=0; wait $demo || code=$?\n\
         mount -o remount,rw,size=100m /mnt\n\
         cp -r /mnt/sessions $KEPT/\n\
         exit $code\n"
    );
    Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c", &script])
        .env("SETTLED", env!("CARGO_BIN_EXE_settled"))
        .env("KEPT", kept)
        .output()
        .unwrap()
}

fn session(kept: &Path) -> PathBuf {
    fs::read_dir(kept.join("sessions")).unwrap().next().unwrap().unwrap().path()
}

fn first(text: &str) -> &str {
    text.lines().next().unwrap_or("no reason given")
}

/// What every such case must leave behind.
#[track_caller]
fn check(output: &Output, kept: &Path) {
    let text = |path: PathBuf| fs::read_to_string(&path).unwrap_or_default();
    let script = String::from_utf8_lossy(&output.stderr);
    let complaints = format!("{script}{}", text(kept.join("complained")));
    assert_eq!(output.status.code(), Some(5), "ended, but not recorded in full: {complaints}");
    let said = text(kept.join("said"));
    assert!(said.contains("\"event\":\"not_recording\""), "it says so at once");
    assert!(said.contains("\"event\":\"recording_resumed\""), "it says that it goes on");
    assert!(said.contains("\"kind\":\"summary\""), "measuring went on to the end");
    let session = session(kept);
    let second = text(session.join("received-0001.csv"));
    let first_row = second.lines().nth(1).unwrap_or_default();
    assert!(first_row.contains(",event,recording-resumed,"), "{first_row}");
    let events = text(session.join("events.csv"));
    assert!(events.contains("recording_resumed,"), "{events}");
    // The files were made again from the record, for what was not recorded cannot be told twice.
    let made = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", "--rebuild", session.to_str().unwrap()])
        .output()
        .unwrap();
    let made = String::from_utf8(made.stdout).unwrap();
    assert!(made.contains("all as they were"), "{made}");
}

#[test]
fn a_disk_that_is_full_for_a_while() {
    if !may_mount("a full disk") {
        return;
    }
    let temp = tempfile::tempdir().unwrap();
    let fill = "sleep 3; head -c 100m /dev/zero >/mnt/filler 2>/dev/null || true\n\
                sleep 4; rm /mnt/filler";
    let output = demo_on("16m", fill, temp.path());
    check(&output, temp.path());
}

#[test]
fn a_disk_that_is_remounted_read_only_for_a_while() {
    if !may_mount("a read-only remount") {
        return;
    }
    let temp = tempfile::tempdir().unwrap();
    // Kernels refuse it while a file is open for writing, unless the disk itself asks for it.
    let remount = "sleep 3; mount -o remount,ro /mnt 2>$KEPT/refused || \
                   { touch $KEPT/busy; kill $demo; exit 0; }\n\
                   sleep 4; mount -o remount,rw /mnt";
    let output = demo_on("16m", remount, temp.path());
    if temp.path().join("busy").exists() {
        let why = fs::read_to_string(temp.path().join("refused")).unwrap_or_default();
        println!("NOT RUN: a read-only remount, because the kernel refused it: {}", first(&why));
        return;
    }
    check(&output, temp.path());
}
