//! Notes and restarts: what `settled note` adds, to a session that is watched and to one that is
//! over, and what `watch --continue` goes on with after a kill.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread;
use std::time::Duration;

/// How long a test waits for what should happen at once.
const PATIENCE_MS: u64 = 20_000;

fn settled(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_settled")).args(arguments).output().unwrap()
}

#[track_caller]
fn said(arguments: &[&str]) -> String {
    let output = settled(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

fn only(folder: &Path) -> PathBuf {
    let mut entries = fs::read_dir(folder).unwrap();
    let first = entries.next().unwrap().unwrap().path();
    assert!(entries.next().is_none(), "there are several sessions");
    first
}

fn demo(folder: &Path) -> PathBuf {
    said(&["demo", "--hours", "0.1", "--out", folder.to_str().unwrap()]);
    only(folder)
}

fn text(session: &Path, name: &str) -> String {
    fs::read_to_string(session.join(name)).unwrap()
}

#[track_caller]
fn replays_to_the_same_bytes(session: &Path) {
    let made = said(&["replay", session.to_str().unwrap(), "--rebuild"]);
    assert!(made.contains("all as they were"), "{made}");
}

#[test]
fn a_note_on_a_session_that_is_over_is_a_part_of_its_record() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path());
    let path = session.to_str().unwrap();
    let before = text(&session, "received.csv");
    let readings = text(&session, "readings.csv");

    said(&["note", path, "filter was \"grey\", wet\nand torn"]);
    said(&["note", path, "--at", "return-air.wet-bulb=66F", "--changed", "coil washed"]);

    assert_eq!(text(&session, "received.csv"), before, "what was recorded is not touched");
    assert!(text(&session, "received-0001.csv").contains(",note,note,"));
    let second = text(&session, "received-0002.csv");
    assert!(second.contains(",note,changed,") && second.contains(",typed,return-air.wet-bulb,"));
    let events = text(&session, "events.csv");
    assert!(events.contains("filter was \"\"grey\"\", wet\nand torn"), "{events}");
    assert!(events.contains("changed,,coil washed"), "{events}");
    let after = text(&session, "readings.csv");
    assert!(after.lines().next().unwrap().contains("return_air_wet_bulb_f"), "{after}");
    assert!(after.lines().count() >= readings.lines().count());
    assert!(after.lines().last().unwrap().contains("66.00"), "{:?}", after.lines().last());
    replays_to_the_same_bytes(&session);
}

#[test]
fn a_torn_row_is_cut_off_kept_and_told_before_a_note_is_added() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path());
    let received = session.join("received.csv");
    let whole = fs::read(&received).unwrap();
    let torn = [&whole[..], b"360001,2031-06-04T19"].concat();
    fs::write(&received, torn).unwrap();
    said(&["note", session.to_str().unwrap(), "so"]);
    assert_eq!(fs::read(&received).unwrap(), whole);
    assert_eq!(text(&session, "received.csv.torn-1"), "360001,2031-06-04T19");
    let events = text(&session, "events.csv");
    assert!(events.contains("record_cut,received.csv,20 bytes"), "{events}");
    replays_to_the_same_bytes(&session);
}

#[test]
fn wrong_notes_are_refused_on_one_line() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path());
    let path = session.to_str().unwrap();
    for (arguments, code, advice) in [
        (vec!["note", path], 2, "--changed"),
        (vec!["note", path, " "], 2, "--changed"),
        (vec!["note", path, "--at", "suction-line=118"], 3, "number and a unit"),
        (vec!["note", temp.path().to_str().unwrap(), "x"], 3, "session.toml"),
    ] {
        let output = settled(&arguments);
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {errors}");
        assert_eq!(errors.trim_end().lines().count(), 1, "{errors}");
        assert!(errors.contains(advice), "{errors}");
    }
    assert!(!session.join("received-0001.csv").exists());
}

/// A watch of an invented job, with no radio in reach: it waits for one, and records that.
struct Watch {
    child: Child,
    lines: std::sync::mpsc::Receiver<String>,
}

impl Watch {
    fn start(folder: &Path, options: &[&str]) -> Self {
        let job = folder.join("job.toml");
        let sessions = folder.join("sessions");
        let written = format!(
            "site = \"Bench (invented)\"\n[log]\nsync_interval_s = 0\nfolder = \"{}\"\n",
            sessions.display()
        );
        fs::write(&job, written).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_settled"))
            .args(["watch", job.to_str().unwrap(), "--json"])
            .args(options)
            .env("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let (tell, lines) = std::sync::mpsc::channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        thread::spawn(move || {
            out.lines().map_while(Result::ok).try_for_each(|line| tell.send(line))
        });
        Self { child, lines }
    }

    /// Waits until a line of the output holds `words`.
    #[track_caller]
    fn wait_for(&self, words: &str) {
        loop {
            let line = self.lines.recv_timeout(Duration::from_millis(PATIENCE_MS));
            if line.expect("the watch says it").contains(words) {
                return;
            }
        }
    }

    fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    fn stop(mut self) -> Option<i32> {
        let process = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &process]).status().unwrap().success());
        self.child.wait().unwrap().code()
    }
}

fn until(what: &str, holds: impl Fn() -> bool) {
    for _ in 0..PATIENCE_MS / 50 {
        if holds() {
            return;
        }
        thread::sleep(Duration::from_millis(50));
    }
    panic!("it never came: {what}");
}

#[test]
fn a_note_reaches_the_watch_that_runs() {
    let temp = tempfile::tempdir().unwrap();
    let watch = Watch::start(temp.path(), &[]);
    watch.wait_for("\"kind\":\"event\"");
    let session = only(&temp.path().join("sessions"));
    let path = session.to_str().unwrap();
    let told = said(&["note", path, "belt squeals", "--at", "suction-line=118psig"]);
    assert!(told.contains("being watched"), "{told}");
    watch.wait_for("belt squeals");
    assert!(text(&session, "received.csv").contains(",note,note,"), "it is on the disk");
    assert!(fs::read_dir(session.join("notes-waiting")).unwrap().next().is_none());
    assert_eq!(watch.stop(), Some(0));
    let readings = text(&session, "readings.csv");
    let columns = readings.lines().next().unwrap();
    assert!(columns.contains("suction_line_pressure_"), "{columns}");
    replays_to_the_same_bytes(&session);
}

#[test]
fn a_watch_goes_on_after_a_kill_where_it_is_asked_to() {
    let temp = tempfile::tempdir().unwrap();
    let watch = Watch::start(temp.path(), &[]);
    watch.wait_for("\"kind\":\"event\"");
    let sessions = temp.path().join("sessions");
    let session = only(&sessions);
    said(&["note", session.to_str().unwrap(), "before the kill"]);
    watch.kill();
    // The power went in the middle of a row.
    let received = session.join("received.csv");
    let mut file = fs::OpenOptions::new().append(true).open(&received).unwrap();
    file.write_all(b"99999,2031-").unwrap();
    drop(file);

    let watch = Watch::start(temp.path(), &["--continue"]);
    watch.wait_for("\"event\":\"restart\"");
    watch.wait_for("record_cut");
    said(&["note", session.to_str().unwrap(), "after the kill"]);
    until("the second part", || session.join("received-0001.csv").exists());
    // While one records it, another begins a session of its own.
    let other = Watch::start(temp.path(), &["--continue"]);
    other.wait_for("\"kind\":\"event\"");
    assert_eq!(other.stop(), Some(0));
    assert_eq!(watch.stop(), Some(0));

    assert_eq!(fs::read_dir(&sessions).unwrap().count(), 2);
    let second = text(&session, "received-0001.csv");
    assert!(second.lines().nth(1).unwrap().contains(",event,restarted,"), "{second}");
    assert!(session.join("received.csv.torn-1").exists());
    let events = text(&session, "events.csv");
    let order: Vec<usize> = ["before the kill", "restart,", "record_cut", "after the kill"]
        .iter()
        .map(|words| events.find(words).unwrap_or_else(|| panic!("{words}: {events}")))
        .collect();
    assert!(order.is_sorted(), "{events}");
    replays_to_the_same_bytes(&session);

    // Without the wish a new one begins.
    let watch = Watch::start(temp.path(), &["--new"]);
    watch.wait_for("\"kind\":\"event\"");
    watch.kill();
    assert_eq!(fs::read_dir(&sessions).unwrap().count(), 3);
}
