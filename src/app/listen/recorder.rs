//! What `settled listen --record` keeps: a session folder with all that was heard, and no job.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::tz::TimeZone;

use crate::app::exit::Failure;
use crate::app::visit::profiles_used;
use crate::edge::bluetooth::RadioMessage;
use crate::edge::clock::{SessionClock, Stamp};
use crate::edge::folder::{self, Folder, Manifest};
use crate::edge::journal::{self, Journal};
use crate::edge::store::FolderStore;
use crate::engine::input::Input;
use crate::engine::profile::Profiles;
use crate::engine::reading::Payload;

/// Longest wait for the disk at the end.
const CLOSE_LIMIT: Duration = Duration::from_millis(1_500);

/// The least that is a job: what was listened to has no places, which `settled replay --job` gives.
fn job() -> toml::Table {
    let site = toml::Value::String("listened to, with no job".to_owned());
    toml::Table::from_iter([("site".to_owned(), site)])
}

/// The record under way.
pub(super) struct Recorder {
    folder: PathBuf,
    journal: Journal,
}

impl Recorder {
    /// Makes a folder under `parent` and begins the record.
    pub fn begin(
        parent: &Path,
        profiles: &Profiles,
        clock: &mut SessionClock,
    ) -> Result<Self, Failure> {
        let stamp = clock.stamp();
        let kept = clock.kept();
        let name = folder::name(stamp.label, &kept.boot_id, "listen");
        let zone = TimeZone::system().iana_name().unwrap_or("UTC").to_owned();
        let manifest = Manifest::new(&zone, kept, profiles_used(profiles), job());
        let folder = Folder::create(parent, &name, &manifest).map_err(Failure::world)?;
        let store = FolderStore::new(folder.path());
        // The journal's own status says at the end what was lost.
        let journal = Journal::begin(store, journal::Settings::default(), |_| {});
        let journal = journal.map_err(Failure::world)?;
        Ok(Self { folder: folder.path().to_owned(), journal })
    }

    /// Keeps a message.
    pub fn take(&mut self, stamp: &Stamp, message: &RadioMessage) {
        let input = match message {
            RadioMessage::Heard { probe, via, bytes, rssi_dbm, .. } => {
                Input::Payload(Payload { probe, via: *via, bytes, rssi_dbm: *rssi_dbm })
            }
            RadioMessage::Signal { probe, rssi_dbm } => {
                Input::Heard { probe, rssi_dbm: Some(*rssi_dbm) }
            }
            RadioMessage::Named { probe, name } => Input::Named { probe, name },
            RadioMessage::Event { event, subject, detail } => {
                Input::Event { event, subject, detail }
            }
        };
        // A lost row is counted there; the status tells at the end.
        if let Some(resumed) = self.journal.resume(stamp.at, stamp.label) {
            drop(self.journal.append(stamp.at, stamp.label, &resumed));
        }
        drop(self.journal.append(stamp.at, stamp.label, &input));
    }

    /// Ends the record: its folder, and whether every row is on the disk.
    pub fn end(self) -> (PathBuf, bool) {
        let status = self.journal.close(CLOSE_LIMIT);
        let whole = status.lost == 0 && status.waiting == 0 && status.not_recording.is_none();
        (self.folder, whole)
    }
}
