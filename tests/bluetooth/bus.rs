//! A system bus of a test's own.

use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

/// What the bus allows: everything, as nobody else is on it.
const POLICY: &str = r#"<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/></policy>"#;

/// A `dbus-daemon` that ends with this value.
pub struct Bus {
    daemon: Option<Child>,
    folder: PathBuf,
    /// For `DBUS_SYSTEM_BUS_ADDRESS`.
    pub address: String,
}

impl Bus {
    /// Starts a daemon in `folder`; returns when it takes connections.
    pub fn start(folder: PathBuf) -> Self {
        let address = format!("unix:path={}/bus", folder.display());
        let config = format!(
            "<busconfig><type>session</type><listen>{address}</listen>\
             <auth>EXTERNAL</auth>{POLICY}</busconfig>"
        );
        std::fs::write(folder.join("bus.conf"), config).unwrap();
        let mut bus = Self { daemon: None, folder, address };
        bus.revive();
        bus
    }

    /// Kills the daemon, and with it every connection.
    pub fn kill(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            daemon.kill().unwrap();
            daemon.wait().unwrap();
        }
        // The next daemon listens at the same place.
        drop(std::fs::remove_file(self.folder.join("bus")));
    }

    /// Starts a daemon at the same address.
    pub fn revive(&mut self) {
        let config = format!("--config-file={}/bus.conf", self.folder.display());
        let mut daemon = Command::new("dbus-daemon")
            .args([&config, "--nofork", "--nopidfile", "--print-address"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("dbus-daemon is there: apt-get install dbus");
        // The address is printed once it listens.
        let mut line = String::new();
        BufReader::new(daemon.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert!(line.starts_with("unix:"), "dbus-daemon says {line:?}");
        self.daemon = Some(daemon);
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        self.kill();
    }
}
