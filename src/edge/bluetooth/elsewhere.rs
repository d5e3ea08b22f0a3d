//! Systems other than Linux: the Bluetooth library tells all that can be known.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc::SyncSender;

use btleplug::api::Central as _;
use btleplug::platform::Adapter;

use super::Report;
use super::hearing::Events;

/// Where the adapters' events come from.
pub(super) struct Source;

impl Source {
    /// Nothing is to be opened.
    pub async fn open() -> btleplug::Result<Self> {
        Ok(Self)
    }

    /// What an adapter hears from now on.
    pub async fn events(&self, adapter: &Adapter) -> btleplug::Result<Events> {
        adapter.events().await
    }
}

/// There is no service to watch: what is lost shows by calls that fail and by silence.
pub(super) fn watch(_: SyncSender<Report>, _: Arc<AtomicBool>) -> std::io::Result<()> {
    Ok(())
}
