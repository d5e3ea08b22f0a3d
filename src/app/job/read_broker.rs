//! `[broker]`: the MQTT broker to which `watch` publishes.

use std::path::PathBuf;
use std::time::Duration;

use crate::edge::broker::topic;
use crate::engine::document::Table;

/// The broker as the job has it; paths are relative to the job's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerTable {
    /// The broker's name or address.
    pub host: String,
    /// Its port (default 8883, and 1883 without TLS).
    pub port: u16,
    /// Whether the connection is encrypted (default true).
    pub tls: bool,
    /// Whom the broker's certificate may be signed by (PEM); default whom the system trusts.
    pub ca_file: Option<PathBuf>,
    /// Our own certificate and its key (PEM).
    pub certificate: Option<(PathBuf, PathBuf)>,
    /// User name, and the file with the password.
    pub login: Option<(String, PathBuf)>,
    /// The name by which the broker knows us (default `settled-` and the site).
    pub client: Option<String>,
    /// The first levels of all topics (default `settled`).
    pub topic: String,
    /// Time between two moments that are published (1 s to 3600 s; default 1 s).
    pub moment_interval: Duration,
    /// What may wait on the disk (1,000,000 to 1,000,000,000 bytes; default 50,000,000: a day and
    /// a half of a dozen channels at one moment a second).
    pub backlog_bytes: u64,
    /// How long nothing is heard of us until the broker says that we are gone (0 s to 3600 s;
    /// default 30 s).
    pub gone_after: Duration,
    /// Longest time between two tries to connect (1 s to 3600 s; default 60 s).
    pub reconnect_max: Duration,
}

/// The table, where there is one. What is wrong in it goes to the problems of the text.
pub(super) fn broker(whole: &Table<'_, '_>) -> Option<BrokerTable> {
    let table = whole.table("broker")?;
    let tls = table.flag("tls").unwrap_or(true);
    let hint = "say where it is, as in address = \"broker.example:8883\"";
    let typed = table.required_text("address", hint);
    let address = typed.is_some().then(|| table.read("address", |text| address(text, tls)));
    let path = |key| table.text(key).map(PathBuf::from);
    let ca_file = path("ca_file");
    let certificate = both(&table, ("certificate_file", path("certificate_file")), "key_file");
    let login = both(&table, ("user", table.text("user").map(str::to_owned)), "password_file");
    for key in ["ca_file", "certificate_file", "key_file"] {
        if !tls && let Some(item) = table.get(key) {
            item.wrong("there are no certificates without TLS; leave this out, or tls = false");
        }
    }
    let seconds = |key, range: (f64, f64), default: f64| {
        Duration::from_secs_f64(table.ranged(key, range, default).round())
    };
    let (host, port) = address.flatten().unwrap_or_default();
    let bytes = table.integer("backlog_bytes", 1_000_000..=1_000_000_000);
    let read = BrokerTable {
        host,
        port,
        tls,
        ca_file,
        certificate,
        login,
        client: table.read("client", client),
        topic: table.read("topic", prefix).unwrap_or_else(|| "settled".to_owned()),
        moment_interval: seconds("moment_interval_s", (1.0, 3_600.0), 1.0),
        backlog_bytes: bytes.and_then(|bytes| u64::try_from(bytes).ok()).unwrap_or(50_000_000),
        gone_after: seconds("gone_after_s", (0.0, 3_600.0), 30.0),
        reconnect_max: seconds("reconnect_s_max", (1.0, 3_600.0), 60.0),
    };
    table.finish();
    Some(read)
}

/// Two keys of which neither is of use alone; the second is a file.
fn both<T>(
    table: &Table<'_, '_>,
    (key, first): (&'static str, Option<T>),
    file: &'static str,
) -> Option<(T, PathBuf)> {
    match (first, table.text(file)) {
        (Some(first), Some(second)) => Some((first, PathBuf::from(second))),
        (None, None) => None,
        (first, _) => {
            let (has, lacks) = if first.is_some() { (key, file) } else { (file, key) };
            if let Some(item) = table.get(has) {
                item.wrong(format!(
                    "`{has}` is of no use without `{lacks}`; write both or neither"
                ));
            }
            None
        }
    }
}

/// `host`, `host:port`, `[::1]` or `[::1]:port`.
fn address(text: &str, tls: bool) -> Result<(String, u16), String> {
    let wrong = || format!("`{text}` is no host and port; write them as in broker.example:8883");
    let (host, port) = match text.strip_prefix('[') {
        Some(rest) => rest.split_once(']').ok_or_else(wrong)?,
        None => text.split_at(text.find(':').unwrap_or(text.len())),
    };
    let port = match port {
        "" => {
            if tls {
                8_883
            } else {
                1_883
            }
        }
        port => port.strip_prefix(':').and_then(|port| port.parse().ok()).ok_or_else(wrong)?,
    };
    let plain = |c: char| c.is_ascii_alphanumeric() || "-._:%".contains(c);
    if host.is_empty() || !host.chars().all(plain) || port == 0 {
        return Err(wrong());
    }
    Ok((host.to_owned(), port))
}

fn prefix(text: &str) -> Result<String, &'static str> {
    let hint = "write levels as in settled or company/vans: no empty one, no + or #, no $ in front";
    if topic::is_prefix(text) { Ok(text.to_owned()) } else { Err(hint) }
}

fn client(text: &str) -> Result<String, &'static str> {
    let long = !(1..=64).contains(&text.chars().count());
    if long || text.chars().any(char::is_control) {
        return Err("a client's name has 1 to 64 characters");
    }
    Ok(text.to_owned())
}
