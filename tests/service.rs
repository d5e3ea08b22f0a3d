//! What the daemon is as a service: it tells its manager that it is ready and alive, ends within
//! two seconds of SIGTERM with all on the disk, takes up a changed job; and what a package needs.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Duration;

use settled::edge::clock::machine_ms;

/// How long a test waits for what should happen at once.
const PATIENCE: Duration = Duration::from_secs(30);

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

/// A program that runs, and the lines that it prints.
struct Running {
    child: Child,
    lines: Receiver<String>,
}

impl Running {
    fn start(command: &mut Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let (tell, lines) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        thread::spawn(move || {
            out.lines().map_while(Result::ok).try_for_each(|line| tell.send(line))
        });
        Self { child, lines }
    }

    #[track_caller]
    fn wait_for(&self, words: &str) -> String {
        loop {
            let line = self.lines.recv_timeout(PATIENCE);
            let line = line.unwrap_or_else(|error| panic!("{words}: {error}"));
            if line.contains(words) {
                return line;
            }
        }
    }

    /// Sends a signal; how long it then took to end (ms), and its code.
    fn signal(mut self, signal: &str) -> (u64, Option<i32>) {
        let begin_ms = machine_ms();
        let process = self.child.id().to_string();
        assert!(Command::new("kill").args([signal, &process]).status().unwrap().success());
        let code = self.child.wait().unwrap().code();
        (machine_ms() - begin_ms, code)
    }
}

/// A watch of an invented job, with no radio in reach: it looks for one, and records that.
fn watch(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_settled"));
    command
        .args(["watch", job(folder, "").to_str().unwrap(), "--json"])
        .env("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus");
    command
}

fn job(folder: &Path, more: &str) -> PathBuf {
    let path = folder.join("job.toml");
    let sessions = folder.join("sessions");
    let text =
        format!("site = \"Bench (invented)\"\n{more}[log]\nfolder = \"{}\"\n", sessions.display());
    fs::write(&path, text).unwrap();
    path
}

fn sessions(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder.join("sessions")).unwrap();
    let mut all: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    all.sort_by_key(|path| fs::metadata(path.join("session.toml")).unwrap().modified().unwrap());
    all
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
fn the_manager_hears_that_it_is_ready_alive_and_about_to_end() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("manager");
    let manager = UnixDatagram::bind(&path).unwrap();
    manager.set_read_timeout(Some(PATIENCE)).unwrap();
    let running = Running::start(
        watch(temp.path()).env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "400000"),
    );
    let hear = || {
        let mut bytes = [0; 64];
        let length = manager.recv(&mut bytes).expect("the daemon tells it");
        String::from_utf8_lossy(&bytes[..length]).into_owned()
    };
    assert_eq!(hear(), "READY=1");
    let begin_ms = machine_ms();
    for _ in 0..4 {
        assert_eq!(hear(), "WATCHDOG=1");
    }
    assert!(machine_ms() - begin_ms >= 4 * 150, "no more often than it asks");
    running.signal("-TERM");
    let last = (0..50).map(|_| hear()).find(|word| word != "WATCHDOG=1");
    assert_eq!(last.as_deref(), Some("STOPPING=1"));
}

#[test]
fn a_sigterm_ends_it_in_two_seconds_with_everything_on_the_disk() {
    let temp = tempfile::tempdir().unwrap();
    let running = Running::start(&mut watch(temp.path()));
    running.wait_for("\"kind\":\"event\"");
    let [session] = &sessions(temp.path())[..] else { panic!("one session") };
    // Within the two seconds in which a row may wait for its sync.
    said(&["note", session.to_str().unwrap(), "the last word"]);
    let (took_ms, code) = running.signal("-TERM");
    assert_eq!(code, Some(0));
    assert!(took_ms < 2_000, "{took_ms} ms");
    let received = text(session, "received.csv");
    let last = received.lines().last().unwrap();
    assert!(received.ends_with("\r\n") && last.contains(",event,ended,"), "{last}");
    assert!(text(session, "events.csv").contains("the last word"));
    replays_to_the_same_bytes(session);
}

#[test]
fn a_changed_job_is_checked_and_begins_a_new_session_and_a_wrong_one_is_refused() {
    let temp = tempfile::tempdir().unwrap();
    let running = Running::start(&mut watch(temp.path()));
    running.wait_for("\"kind\":\"event\"");
    job(temp.path(), "altitud = \"450ft\"\n");
    let refused = running.wait_for("job_refused");
    assert!(refused.contains("altitud"), "{refused}");
    assert_eq!(sessions(temp.path()).len(), 1, "the watch goes on as it was");
    job(temp.path(), "altitude = \"450ft\"\n");
    running.wait_for("the job was changed");
    // The new session's radio.
    running.wait_for("\"kind\":\"event\"");
    let (_, code) = running.signal("-TERM");
    assert_eq!(code, Some(0));
    let all = sessions(temp.path());
    let [before, after] = &all[..] else { panic!("{all:?}") };
    assert!(!text(before, "session.toml").contains("altitude"));
    assert!(text(after, "session.toml").contains("altitude = \"450ft\""));
    for session in [before, after] {
        replays_to_the_same_bytes(session);
    }
}

#[test]
fn the_unit_is_exposed_to_little() {
    let temp = tempfile::tempdir().unwrap();
    let units = [
        said(&["service", job(temp.path(), "").to_str().unwrap()]),
        said(&["service", "--template"]),
    ];
    for (name, text) in ["settled.service", "settled@.service"].iter().zip(units) {
        let path = temp.path().join(name);
        fs::write(&path, text).unwrap();
        // The threshold is ten times the score; the program's own sandbox is all there is to gain.
        let judged = Command::new("systemd-analyze")
            .args(["security", "--offline=true", "--threshold=20", path.to_str().unwrap()])
            .output();
        match judged {
            Ok(judged) => {
                let words = String::from_utf8_lossy(&judged.stdout).into_owned();
                let score = words.lines().find(|line| line.contains("Overall exposure"));
                println!("{name}: {}", score.unwrap_or("no score"));
                assert!(judged.status.success() && score.is_some(), "{words}");
            }
            Err(_) => println!("NOT RUN: the score of {name}, because systemd-analyze is missing"),
        }
    }
}

/// A record of an invented visit.
fn demo(folder: &Path, hours: &str) -> PathBuf {
    let out = folder.join("sessions");
    said(&["demo", "--hours", hours, "--out", out.to_str().unwrap()]);
    sessions(folder).pop().unwrap()
}

#[test]
fn a_record_is_replayed_from_a_stream_and_says_what_the_folder_says() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path(), "0.6");
    let job = temp.path().join("as-run.toml");
    let manifest: toml::Table = text(&session, "session.toml").parse().unwrap();
    fs::write(&job, toml::to_string(&manifest["job"]).unwrap()).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", "-", "--job", job.to_str().unwrap(), "--json", "--readings"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let record = fs::read(session.join("received.csv")).unwrap();
    let writer = thread::spawn(move || input.write_all(&record).unwrap());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let folder = said(&["replay", session.to_str().unwrap(), "--json", "--readings"]);
    assert!(folder.lines().count() > 1_000);
    assert!(String::from_utf8(output.stdout).unwrap() == folder);
}

#[test]
fn a_replay_that_is_interrupted_stops_says_where_and_leaves_files_as_they_were() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path(), "0.6");
    let before = fs::read(session.join("readings.csv")).unwrap();
    let path = session.to_str().unwrap();
    // At a speed that leaves time for it.
    let running = Running::start(Command::new(env!("CARGO_BIN_EXE_settled")).args([
        "replay",
        path,
        "--json",
        "--readings",
        "--rebuild",
        "--speed",
        "60",
    ]));
    running.wait_for("\"kind\":\"reading\"");
    let Running { mut child, lines } = running;
    let process = child.id().to_string();
    assert!(Command::new("kill").args(["-INT", &process]).status().unwrap().success());
    let last = lines.iter().last().unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(5));
    let last: serde_json::Value = serde_json::from_str(&last).unwrap();
    assert_eq!((&last["kind"], &last["session"]), (&"stopped".into(), &path.into()));
    assert!(last["elapsed_s"].as_f64().unwrap() < 2_000.0);
    assert!(fs::read(session.join("readings.csv")).unwrap() == before);
    assert!(!session.join("readings.csv.new").exists());

    // A stream from which nothing comes is no reason to wait.
    let job = temp.path().join("job.toml");
    fs::write(&job, "site = \"Bench (invented)\"\n").unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", "-", "--job", job.to_str().unwrap()])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let record = text(&session, "received.csv");
    let head: Vec<&str> = record.split_inclusive('\n').take(100).collect();
    input.write_all(head.concat().as_bytes()).unwrap();
    thread::sleep(Duration::from_millis(500));
    let process = child.id().to_string();
    assert!(Command::new("kill").args(["-INT", &process]).status().unwrap().success());
    let output = child.wait_with_output().unwrap();
    drop(input);
    assert_eq!(output.status.code(), Some(5));
    let out = String::from_utf8(output.stdout).unwrap();
    assert!(out.contains("STOPPED at"), "{out}");
}

#[test]
fn many_sessions_are_told_in_order_and_one_that_is_none_holds_up_nobody() {
    let temp = tempfile::tempdir().unwrap();
    let out = temp.path().join("sessions");
    for seed in ["1", "2", "3", "4"] {
        said(&["demo", "--hours", "0.1", "--seed", seed, "--out", out.to_str().unwrap()]);
    }
    let mut paths: Vec<String> =
        sessions(temp.path()).iter().map(|path| path.to_str().unwrap().to_owned()).collect();
    paths.insert(1, temp.path().join("none").to_str().unwrap().to_owned());
    let paths: Vec<&str> = paths.iter().map(String::as_str).collect();
    let output = settled(&[&["replay", "--rebuild"], &paths[..]].concat());
    assert_eq!(output.status.code(), Some(3));
    let told = String::from_utf8(output.stdout).unwrap();
    let heads: Vec<&str> = told.lines().filter_map(|line| line.strip_prefix("== ")).collect();
    assert_eq!(heads, paths);
    assert_eq!(told.matches("all as they were").count(), 4, "{told}");
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(errors.contains("none is not a folder") && errors.contains("1 of 5"), "{errors}");
}

#[test]
fn shells_and_the_manual_know_every_command() {
    let help = said(&["--help"]);
    let commands = help.lines().skip_while(|line| !line.starts_with("Commands:")).skip(1);
    let commands: Vec<&str> = commands
        .take_while(|line| line.starts_with("  "))
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(commands.len() >= 15, "{commands:?}");
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path().join("man1");
    said(&["manual", folder.to_str().unwrap()]);
    let script = said(&["completions", "bash"]);
    for name in commands {
        assert!(script.contains(&format!("settled__subcmd__{name}")) || script.contains(name));
        let page = fs::read_to_string(folder.join(format!("settled-{name}.1"))).unwrap();
        assert!(page.contains(".SH SYNOPSIS"), "{page}");
    }
    let check = Command::new("bash").arg("-n").stdin(Stdio::piped()).spawn();
    let mut check = check.unwrap();
    check.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
    assert!(check.wait().unwrap().success(), "bash does not read its script");
}
