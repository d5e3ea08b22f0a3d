//! A scene as a script: which probes are in the air, what happens when, and what must come of it.
//! The stand-in and the real service play the same scripts, `scenes/*.toml`.

use std::path::Path;
use std::time::Duration;

use serde::Deserialize;

use crate::air::{Kind, Probe};

/// A script.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scene {
    /// What happens, in a few words.
    pub fault: String,
    /// Why the real service cannot play it; empty where it can.
    #[serde(default)]
    pub stand_in_only: String,
    #[serde(rename = "probe")]
    probes: Vec<ScriptProbe>,
    #[serde(rename = "step")]
    pub steps: Vec<Step>,
    pub expect: Expect,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct ScriptProbe {
    address: String,
    kind: Kind,
    every_ms: u64,
}

/// Something that happens.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// So long after all probes were heard.
    pub at_s: f64,
    pub happens: Deed,
    /// Whom it happens to, where that is one probe.
    #[serde(default)]
    pub probe: String,
    /// A number or an address that belongs to it.
    #[serde(default)]
    pub to: String,
}

/// What can happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Deed {
    ServiceEnds,
    ServiceBegins,
    /// It answers nothing and tells nothing.
    ServiceHangs,
    ServiceGoesOn,
    BusEnds,
    BusBegins,
    AdapterOut,
    AdapterIn,
    /// Another program powers the adapter off.
    AdapterOff,
    /// Another program stops the scan.
    ScanOff,
    /// Another program stops the scan, and the service begins it anew by itself after 5 s.
    ScanPaused,
    /// Nothing is told any more, until the program begins its scan anew.
    Mute,
    /// Nothing is told any more, until another client comes.
    MuteToClient,
    /// A connected probe's link is lost.
    LinkLost,
    /// The next connection fails.
    Refused,
    /// A connected probe notifies no more.
    NotifiesNoMore,
    /// It does again.
    NotifiesAgain,
    /// Connected probes answer no read.
    ReadHangs,
    ReadGoesOn,
    /// The probe goes on under the address `to`.
    Moves,
    /// So many percent of all advertisements are lost.
    Loses,
    /// The library is made to panic when it next looks at a connected probe.
    Panics,
    /// Nothing: the moment from which is measured.
    Nothing,
}

/// What must come of it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// All probes are read again at most so long after the last step.
    pub back_s: f64,
    /// Events that must be told, each with the beginning of its detail.
    #[serde(default)]
    pub events: Vec<String>,
    /// Whether any fault at all may be told.
    #[serde(default)]
    pub no_fault: bool,
}

impl Scene {
    /// Reads a script.
    pub fn read(path: &Path) -> Self {
        let text = std::fs::read_to_string(path).unwrap();
        toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }

    /// All scripts, by their files' names.
    pub fn all() -> Vec<(String, Self)> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bluetooth/scenes");
        let mut paths: Vec<_> =
            std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        paths.sort();
        let named = |path: &std::path::PathBuf| {
            (path.file_stem().unwrap().to_str().unwrap().to_owned(), Self::read(path))
        };
        paths.iter().map(named).collect()
    }

    /// Its probes.
    pub fn probes(&self) -> Vec<Probe> {
        let all = self.probes.iter().map(|probe| Probe {
            address: probe.address.clone(),
            adapter: "hci0",
            kind: probe.kind,
            every: Duration::from_millis(probe.every_ms),
        });
        all.collect()
    }
}
