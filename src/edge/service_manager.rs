//! Tells the service manager that the daemon is ready, alive, or about to end.
//!
//! The protocol is systemd's readiness protocol (sd_notify(3)): a datagram of `NAME=value` to the
//! socket that `NOTIFY_SOCKET` names. Where there is no such manager nothing is told.

use std::env;
use std::time::Duration;

use crate::units::time::Elapsed;

/// The service manager, where there is one that listens.
#[derive(Debug)]
pub struct ServiceManager {
    #[cfg(target_os = "linux")]
    socket: Option<(std::os::unix::net::UnixDatagram, std::os::unix::net::SocketAddr)>,
    /// How often it must be told that the daemon lives; `None`: it does not ask.
    every: Option<Duration>,
    told: Elapsed,
}

impl ServiceManager {
    /// The manager that the environment names.
    pub fn from_env() -> Self {
        let number = |name: &str| env::var(name).ok()?.parse::<u64>().ok();
        // The interval is meant for one process, and not for those that it starts.
        let ours = number("WATCHDOG_PID").is_none_or(|id| id == u64::from(std::process::id()));
        // Half of it, as the protocol advises.
        let every = number("WATCHDOG_USEC").filter(|us| ours && *us > 0);
        Self {
            #[cfg(target_os = "linux")]
            socket: socket(&env::var("NOTIFY_SOCKET").unwrap_or_default()),
            every: every.map(|us| Duration::from_micros(us / 2)),
            told: Elapsed::ZERO,
        }
    }

    /// The daemon is ready.
    pub fn ready(&self) {
        self.tell("READY=1");
    }

    /// The daemon lives, at `now`; told no more often than the manager asks for.
    pub fn alive(&mut self, now: Elapsed) {
        if self.every.is_some_and(|every| now - self.told >= every) {
            self.told = now;
            self.tell("WATCHDOG=1");
        }
    }

    /// The daemon is about to end.
    pub fn stopping(&self) {
        self.tell("STOPPING=1");
    }

    #[cfg(target_os = "linux")]
    fn tell(&self, what: &str) {
        if let Some((socket, address)) = &self.socket {
            // A manager that does not take it will notice on its own.
            let _ = socket.send_to_addr(what.as_bytes(), address);
        }
    }

    #[cfg(not(target_os = "linux"))]
    fn tell(&self, _what: &str) {}
}

/// A socket, and the address at `name`; a name that begins with `@` is an abstract one.
#[cfg(target_os = "linux")]
fn socket(
    name: &str,
) -> Option<(std::os::unix::net::UnixDatagram, std::os::unix::net::SocketAddr)> {
    use std::os::linux::net::SocketAddrExt as _;
    use std::os::unix::net::{SocketAddr, UnixDatagram};

    let address = match name.strip_prefix('@') {
        Some(name) => SocketAddr::from_abstract_name(name),
        None if name.is_empty() => return None,
        None => SocketAddr::from_pathname(name),
    };
    let socket = UnixDatagram::unbound().ok()?;
    // A full queue must not hold up the daemon.
    socket.set_nonblocking(true).ok()?;
    Some((socket, address.ok()?))
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::os::unix::net::UnixDatagram;

    use super::*;

    #[test]
    fn it_is_told_no_more_often_than_it_asks() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("manager");
        let manager = UnixDatagram::bind(&path).unwrap();
        let mut daemon = ServiceManager {
            socket: socket(path.to_str().unwrap()),
            every: Some(Duration::from_secs(15)),
            told: Elapsed::ZERO,
        };
        daemon.ready();
        (0..40).for_each(|s| daemon.alive(Elapsed::from_secs(s)));
        daemon.stopping();
        let mut told = Vec::new();
        manager.set_nonblocking(true).unwrap();
        let mut bytes = [0; 64];
        while let Ok(length) = manager.recv(&mut bytes) {
            told.push(String::from_utf8_lossy(&bytes[..length]).into_owned());
        }
        assert_eq!(told, ["READY=1", "WATCHDOG=1", "WATCHDOG=1", "STOPPING=1"]);
    }
}
