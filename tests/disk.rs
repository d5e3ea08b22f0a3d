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
use std::sync::{Mutex, PoisonError};

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

/// A watch of an invented job on a filesystem of a megabyte, with no radio in reach. Each wrong job
/// that it refuses is a row; a long one does not fit where there is no room.
const WATCH_ON_A_FULL_DISK: &str = r#"
set -e
mount -t tmpfs -o size=1m none /mnt
mkdir /mnt/sessions
job() { printf '%ssite = "Bench (invented)"\n[log]\nfolder = "/mnt/sessions"\nsync_interval_s = 0\nkeep_free_bytes = 500000\n' "$1" >$KEPT/job.toml; }
wait_for() {
    for _ in $(seq 400); do grep -q "$1" $KEPT/said && return; sleep 0.1; done
    echo "never said: $1" >&2
    kill -9 $watch
    exit 99
}
long=$(head -c 6000 /dev/zero | tr '\0' k)
job ''
$SETTLED watch $KEPT/job.toml --json >$KEPT/said 2>$KEPT/complained &
watch=$!
wait_for '"kind":"event"'
head -c 700k /dev/zero >/mnt/filler
job 'first = 1
'
wait_for '"event":"low_space"'
head -c 100m /dev/zero >/mnt/more 2>/dev/null || true
job "$long = 1
"
wait_for '"event":"not_recording"'
rm /mnt/more /mnt/filler
for n in $(seq 12); do
    grep -q recording_resumed $KEPT/said && break
    job "again-$n = 1
"
    sleep 4.5
done
wait_for recording_resumed
kill -TERM $watch
code=0
wait $watch || code=$?
mount -o remount,size=100m /mnt
cp -r /mnt/sessions $KEPT/
exit $code
"#;

#[test]
fn a_watch_on_a_disk_that_fills_up_warns_goes_on_and_records_again() {
    if !may_mount("a watch on a full disk") {
        return;
    }
    let temp = tempfile::tempdir().unwrap();
    let output = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c", WATCH_ON_A_FULL_DISK])
        .env("SETTLED", env!("CARGO_BIN_EXE_settled"))
        .env("KEPT", temp.path())
        .env("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
        .output()
        .unwrap();
    check(&output, temp.path());
    let said = fs::read_to_string(temp.path().join("said")).unwrap();
    let place = |words: &str| said.find(words).unwrap_or_else(|| panic!("{words}: {said}"));
    assert!(place("low_space") < place("not_recording"), "the warning comes well before");
    assert!(said.contains("MB are left on the disk"));
}

/// One loop device at a time: two that are set up at once have been seen to get in each other's way.
static DEVICE: Mutex<()> = Mutex::new(());

/// Runs a demo of 48 minutes in about 16 s on an ext4 of its own, on a loop device, and does
/// `meanwhile` to it; `None` where that may not be made.
fn demo_on_a_device(case: &str, meanwhile: &str, kept: &Path) -> Option<Output> {
    let _one_at_a_time = DEVICE.lock().unwrap_or_else(PoisonError::into_inner);
    let script = format!(
        "mkdir $KEPT/card $KEPT/disk && mount -t tmpfs -o size=24m none $KEPT/card && \
         truncate -s 64m $KEPT/card/image && mkfs.ext4 -q $KEPT/card/image && \
         mount -o loop,errors=remount-ro $KEPT/card/image $KEPT/disk || exit 77\n\
         $SETTLED demo --hours 0.8 --speed 180 --out $KEPT/disk --json >$KEPT/said \
         2>$KEPT/complained &\n\
         demo=$!\n\
         for _ in $(seq 600); do\n\
         [ $(cat $KEPT/disk/2*/received.csv 2>/dev/null | wc -c) -gt 100000 ] && break\n\
         sleep 0.1\n\
         done\n\
         {meanwhile}\n\
         code=0; wait $demo || code=$?\n\
         mkdir $KEPT/sessions; cp -r $KEPT/disk/2* $KEPT/sessions/\n\
         umount $KEPT/disk; umount $KEPT/card\n\
         exit $code\n"
    );
    let output = Command::new("unshare")
        .args(["--mount", "sh", "-c", &script])
        .env("SETTLED", env!("CARGO_BIN_EXE_settled"))
        .env("KEPT", kept)
        .output();
    match output {
        Ok(output) if output.status.success() || output.status.code() == Some(5) => Some(output),
        Ok(output) => {
            let why = String::from_utf8_lossy(&output.stderr).into_owned();
            let complained = fs::read_to_string(kept.join("complained")).unwrap_or_default();
            let forbidden = [Some(77), Some(1)].contains(&output.status.code());
            assert!(forbidden, "{output:?}: {complained}");
            println!("NOT RUN: {case}, because no device may be made here ({})", first(&why));
            None
        }
        Err(error) => {
            println!("NOT RUN: {case}, because unshare is missing ({error})");
            None
        }
    }
}

#[test]
fn a_device_that_does_not_answer_for_seconds_costs_no_row() {
    let temp = tempfile::tempdir().unwrap();
    // A frozen filesystem keeps whoever writes to it waiting.
    let freeze = "fsfreeze -f $KEPT/disk; sleep 7; fsfreeze -u $KEPT/disk";
    let Some(output) = demo_on_a_device("a delayed device", freeze, temp.path()) else { return };
    let said = fs::read_to_string(temp.path().join("said")).unwrap();
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    assert!(!said.contains("not_recording") && said.contains("\"kind\":\"summary\""));
    let session = session(temp.path());
    assert!(!session.join("received-0001.csv").exists());
    let made = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", "--rebuild", session.to_str().unwrap()])
        .output()
        .unwrap();
    let made = String::from_utf8(made.stdout).unwrap();
    assert!(made.contains("all as they were"), "{made}");
}

#[test]
fn a_card_that_fails_and_turns_read_only_ends_the_record_and_not_the_measuring() {
    let temp = tempfile::tempdir().unwrap();
    // What the device is made of is used up: it answers writes with an error, and the filesystem
    // makes itself read-only.
    let fail = "head -c 100m /dev/zero >$KEPT/card/filler 2>/dev/null || true";
    let case = "a card that fails";
    let Some(output) = demo_on_a_device(case, fail, temp.path()) else { return };
    let said = fs::read_to_string(temp.path().join("said")).unwrap();
    assert_eq!(output.status.code(), Some(5), "ended, but not recorded in full: {output:?}");
    assert!(said.contains("\"event\":\"not_recording\"") && said.contains("\"kind\":\"summary\""));
    assert!(!said.contains("recording_resumed"), "it never served again");
    // What was acknowledged before is there and opens.
    let opened = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", session(temp.path()).to_str().unwrap()])
        .output()
        .unwrap();
    assert_eq!(opened.status.code(), Some(0), "{opened:?}");
}
