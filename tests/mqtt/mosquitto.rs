//! Mosquitto, and a subscriber that writes down all that it hears.

use std::collections::HashMap;
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;

use serde_json::Value;

use crate::wait_until;

/// A program of Debian's `mosquitto` or `mosquitto-clients`.
pub fn program(name: &str) -> Command {
    let known = [format!("/usr/sbin/{name}"), format!("/usr/bin/{name}")];
    let path = known.iter().map(PathBuf::from).find(|path| path.exists());
    Command::new(path.unwrap_or_else(|| {
        panic!("{name} is missing; install mosquitto and mosquitto-clients (Debian packages)")
    }))
}

/// A port that nobody has now.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    listener.local_addr().unwrap().port()
}

/// A broker that can be stopped, killed and started again; what it keeps outlives it.
pub struct Mosquitto {
    folder: PathBuf,
    pub port: u16,
    child: Option<Child>,
}

impl Mosquitto {
    /// A broker in `folder` that lets in whom `rules` let in, not started yet.
    pub fn new(folder: &Path, rules: &str) -> Self {
        let port = free_port();
        let text = format!(
            "listener {port} 127.0.0.1\n{rules}\npersistence true\npersistence_location {}/\n\
             max_queued_messages 0\nmax_inflight_messages 0\nlog_type all\nlog_dest file {}\n\
             {}",
            folder.display(),
            folder.join("mosquitto.log").display(),
            // Where root starts it, it would become a user who may not read the folder.
            "user root\n"
        );
        fs::write(folder.join("mosquitto.conf"), text).unwrap();
        Self { folder: folder.to_owned(), port, child: None }
    }

    /// The same, started.
    pub fn started(folder: &Path, rules: &str) -> Self {
        let mut broker = Self::new(folder, rules);
        broker.start();
        broker
    }

    pub fn start(&mut self) {
        let config = self.folder.join("mosquitto.conf");
        let child = program("mosquitto")
            .args(["-c", config.to_str().unwrap()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        self.child = Some(child.unwrap());
        let port = self.port;
        wait_until("the broker listens", || {
            TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_ok()
        });
    }

    /// Has it write down who subscribes to what.
    pub fn save(&self) {
        let saved = self.folder.join("mosquitto.db");
        let _ = fs::remove_file(&saved);
        self.signal("-USR1");
        wait_until("the broker saves", || saved.exists());
    }

    fn signal(&self, signal: &str) {
        let process = self.child.as_ref().unwrap().id().to_string();
        assert!(Command::new("kill").args([signal, &process]).status().unwrap().success());
    }

    /// Kills it, as a power cut does.
    pub fn kill(&mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// What it wrote into its log.
    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.join("mosquitto.log")).unwrap_or_default()
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// A message as the subscriber got it.
#[derive(Debug, Clone, PartialEq)]
pub struct Got {
    pub topic: String,
    pub retained: bool,
    /// The message itself, as text.
    pub text: String,
    pub body: Value,
    pub properties: Value,
}

impl Got {
    fn read(line: &str) -> Self {
        let value: Value = serde_json::from_str(line).unwrap();
        let text = value["payload"].as_str().unwrap().to_owned();
        Self {
            topic: value["topic"].as_str().unwrap().to_owned(),
            retained: value["retain"] == 1,
            body: serde_json::from_str(&text).unwrap(),
            text,
            properties: value["properties"].clone(),
        }
    }

    /// The message's name: the session's and its number there.
    pub fn id(&self) -> Option<(String, u64)> {
        let id = self.properties["user-properties"]["id"].as_str()?;
        let (session, number) = id.rsplit_once('/').unwrap();
        Some((session.to_owned(), number.parse().unwrap()))
    }

    pub fn kind(&self) -> &str {
        self.body["kind"].as_str().unwrap()
    }
}

/// `mosquitto_sub`, which the broker remembers; it connects again by itself.
pub struct Subscriber {
    child: Child,
    got: Arc<Mutex<Vec<Got>>>,
}

impl Subscriber {
    /// Subscribes to all; the broker knows it when this returns.
    pub fn start(broker: &Mosquitto, more: &[&str]) -> Self {
        let before = broker.log().matches("Received SUBSCRIBE").count();
        let mut child = program("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-V", "5", "-q", "1"])
            .args(["-i", "subscriber", "-c", "-x", "3600", "-t", "#", "-F", "%j"])
            .args(["-D", "connect", "receive-maximum", "65535"])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let got: Arc<Mutex<Vec<Got>>> = Arc::default();
        let kept = Arc::clone(&got);
        thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                kept.lock().unwrap().push(Got::read(&line));
            }
        });
        wait_until("the subscription", || broker.log().matches("Sending SUBACK").count() > before);
        Self { child, got }
    }

    /// All that was heard so far.
    pub fn got(&self) -> Vec<Got> {
        self.got.lock().unwrap().clone()
    }

    /// The last message like this.
    pub fn last(&self, is: impl Fn(&Got) -> bool) -> Option<Got> {
        self.got.lock().unwrap().iter().rev().find(|got| is(got)).cloned()
    }

    /// All with a name, each once, in the order in which they first came; a repeat must be the same
    /// message, and what is new must come in order.
    #[track_caller]
    pub fn messages(&self) -> Vec<Got> {
        let mut messages: Vec<Got> = Vec::new();
        let mut places = HashMap::new();
        for got in self.got() {
            let Some((session, number)) = got.id() else { continue };
            if let Some(place) = places.insert((session.clone(), number), messages.len()) {
                let same: &Got = &messages[place];
                assert_eq!((&same.topic, &same.text), (&got.topic, &got.text), "a repeat differs");
                places.insert((session, number), place);
                continue;
            }
            if let Some((last, before)) = messages.last().and_then(Got::id)
                && last == session
            {
                assert!(number > before, "{number} comes after {before}");
            }
            messages.push(got);
        }
        messages
    }

    /// What was said of our presence while it was subscribed, in order.
    pub fn presence(&self) -> Vec<String> {
        let got = self.got();
        let said = got.iter().filter(|got| got.kind() == "presence" && !got.retained);
        said.map(|got| got.body["presence"].as_str().unwrap().to_owned()).collect()
    }

    /// Waits for a message like this.
    #[track_caller]
    pub fn wait_for(&self, what: &str, is: impl Fn(&Got) -> bool) -> Got {
        let mut found = None;
        wait_until(what, || {
            found = self.got.lock().unwrap().iter().find(|got| is(got)).cloned();
            found.is_some()
        });
        found.unwrap()
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a subscriber is told that comes late: what the broker keeps.
pub fn kept(broker: &Mosquitto, topic: &str) -> Option<Got> {
    let output = program("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-V", "5", "-q", "1"])
        .args(["-t", topic, "-F", "%j", "-C", "1", "-W", "2"])
        .output()
        .unwrap();
    String::from_utf8(output.stdout).unwrap().lines().next().map(Got::read)
}
