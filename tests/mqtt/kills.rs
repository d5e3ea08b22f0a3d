//! The daemon is killed with -9 in the middle and started again.

use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::Value;

use crate::mosquitto::{Mosquitto, Subscriber};
use crate::visit::{Visit, is_published};
use crate::wait_until;

/// Names the folder in which this program is to watch, and from when on (ms).
const DAEMON: &str = "SETTLED_MQTT_DAEMON";
const MINUTES: u64 = 60;

fn visit(folder: &Path) -> Visit {
    let minute = Duration::from_millis(200);
    // What was published is in the record too, whenever the kill comes.
    Visit { minute, sync_interval_s: 0, ..Visit::new(folder, MINUTES) }
}

/// Not a test of its own: what the others kill.
#[test]
fn the_daemon() {
    let Ok(told) = std::env::var(DAEMON) else { return };
    let (from_ms, folder) = told.split_once(' ').unwrap();
    let folder = Path::new(folder);
    visit(folder).watch(&folder.join("job.toml"), from_ms.parse().unwrap(), Vec::new());
}

fn daemon(folder: &Path, from_ms: u64) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "kills::the_daemon"])
        .env(DAEMON, format!("{from_ms} {}", folder.display()))
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

/// The time of the record's last whole row (ms).
fn last_row_ms(session: &Path) -> u64 {
    let parts = fs::read_dir(session).unwrap().map(|entry| entry.unwrap().path());
    let parts = parts.filter(|path| {
        let name = path.file_name().unwrap().to_str().unwrap();
        name.starts_with("received") && path.extension().is_some_and(|end| end == "csv")
    });
    let last = parts.filter_map(|part| {
        let text = fs::read_to_string(part).unwrap();
        let whole = &text[..text.rfind('\n')?];
        whole.lines().skip(1).last()?.split(',').next()?.parse().ok()
    });
    last.max().unwrap_or(0)
}

#[test]
fn a_daemon_that_is_killed_and_started_again_loses_nothing_and_doubles_nothing() {
    let temp = tempfile::tempdir().unwrap();
    let mut broker = Mosquitto::started(temp.path(), "allow_anonymous true");
    let subscriber = Subscriber::start(&broker, &[]);
    broker.save();
    let visit = visit(temp.path());
    visit.job(broker.port, "tls = false\ngone_after_s = 1");
    let mut from_ms = 0;
    for round in 1..=4 {
        let mut daemon = daemon(temp.path(), from_ms);
        if round == 3 {
            // Killed while the network is away, with all of that stretch still waiting.
            broker.kill();
            let until_ms = from_ms + 8 * 60_000;
            wait_until("a stretch without network", || last_row_ms(&visit.session()) > until_ms);
        } else {
            let until_s = (from_ms / 1_000 + 8 * 60) as f64;
            subscriber.wait_for("some of it", |got| {
                got.body["elapsed_s"].as_f64().is_some_and(|at| at > until_s)
            });
        }
        let gone = || subscriber.presence().iter().filter(|word| *word == "gone").count();
        let before = gone();
        daemon.kill().unwrap();
        daemon.wait().unwrap();
        if round == 3 {
            broker.start();
        } else {
            wait_until("the last will", || gone() > before);
        }
        from_ms = last_row_ms(&visit.session()) + 5_000;
    }
    assert!(daemon(temp.path(), from_ms).wait().unwrap().success());
    subscriber.wait_for("the summary", |got| got.kind() == "summary");

    // What the record says, heard once more as a whole, is what came.
    let session = visit.session();
    let replay = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", session.to_str().unwrap(), "--json"])
        .output()
        .unwrap();
    let said = String::from_utf8(replay.stdout).unwrap();
    let said = said.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    let expected: Vec<Value> = said.filter(is_published).collect();
    let messages = subscriber.messages();
    let numbers: Vec<u64> = messages.iter().map(|got| got.id().unwrap().1).collect();
    assert_eq!(numbers, (1..=messages.len() as u64).collect::<Vec<_>>());
    let came: Vec<Value> =
        messages.iter().map(|got| got.body.clone()).filter(is_published).collect();
    assert!(expected.len() > 20, "{expected:?}");
    for value in &expected {
        let times = came.iter().filter(|other| *other == value).count();
        let wanted = expected.iter().filter(|other| *other == value).count();
        assert_eq!(times, wanted, "{value}");
    }
    assert_eq!(came.len(), expected.len());
    let mut moments = messages.iter().filter(|got| got.kind() == "moment");
    let last = moments.next_back().unwrap().body["elapsed_s"].as_f64().unwrap();
    assert!(last > (MINUTES * 60 - 60) as f64, "{last}");
    let moments = messages.iter().filter(|got| got.kind() == "moment").count();
    assert_eq!(moments, visit.moments(1_000).len());
    let presence = subscriber.presence();
    assert!(presence.contains(&"gone".to_owned()), "{presence:?}");
    assert_eq!(presence.last().unwrap(), "ended", "{presence:?}");
}
