//! Linux, and nothing of it elsewhere: the adapters' events, and a watch on the system bus for what
//! the Bluetooth library does not tell: the service or the bus is gone or back, an adapter comes or
//! goes, a scan is switched off.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::SyncSender;
use std::thread;
use std::time::Duration;

use bluez_async::{AdapterEvent, AdapterId, BluetoothEvent, BluetoothSession, DeviceEvent};
use btleplug::api::{CentralEvent, CentralState};
use btleplug::platform::Adapter;
use dbus::Message;
use dbus::arg::{PropMap, prop_cast};
use dbus::blocking::stdintf::org_freedesktop_dbus::{
    ObjectManagerInterfacesAdded as Added, ObjectManagerInterfacesRemoved as Removed,
    PropertiesPropertiesChanged as Changed,
};
use dbus::channel::{BusType, Channel};
use dbus::message::SignalArgs as _;
use futures::{StreamExt as _, stream};

use super::hearing::Events;
use super::{Report, hands};
use crate::engine::radio::Told;

const SERVICE: &str = "org.bluez";
const ADAPTER: &str = "org.bluez.Adapter1";
/// How often a lost bus is tried, and how late the end of the program may be noticed.
const STEP: Duration = Duration::from_millis(500);
/// Time limit of asking the bus for signals.
const CALL_MAX: Duration = Duration::from_secs(5);
/// The signals asked for. Those of devices, many a second, are left out where the bus can.
const RULES: &[&str] = &[
    "type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='org.bluez'",
    "type='signal',sender='org.bluez',interface='org.freedesktop.DBus.ObjectManager'",
    "type='signal',sender='org.bluez',member='PropertiesChanged',arg0='org.bluez.Adapter1'",
];

/// Where the adapters' events come from: a connection to the bus of its own. The Bluetooth library
/// asks the service about the device before it hands on an event, twice for each advertisement and
/// one after the other; where an answer takes 20 ms, that keeps up with 25 payloads a second and
/// lags ever further behind 40.
pub(super) struct Source(BluetoothSession);

impl Source {
    /// Connects to the bus.
    pub async fn open() -> btleplug::Result<Self> {
        // The first of the pair tells that the connection is lost, which the watch sees as well.
        let (_, session) = BluetoothSession::new().await.map_err(other)?;
        Ok(Self(session))
    }

    /// What an adapter hears from now on, after the devices that the service knows already.
    pub async fn events(&self, adapter: &Adapter) -> btleplug::Result<Events> {
        let name = hands::name_of(adapter).await?;
        let adapters = self.0.get_adapters().await.map_err(other)?;
        let named = adapters.into_iter().find(|adapter| adapter.id.to_string() == name);
        let Some(adapter) = named.map(|adapter| adapter.id) else {
            return Err(btleplug::Error::DeviceNotFound);
        };
        // Better to be told twice of a device than not at all: the events first.
        let events = self.0.adapter_event_stream(&adapter).await.map_err(other)?;
        let known = self.0.get_devices_on_adapter(&adapter).await.map_err(other)?;
        let known =
            known.into_iter().map(|device| CentralEvent::DeviceDiscovered(device.id.into()));
        let events = events.filter_map(move |event| {
            let event = central_event(event, &adapter);
            async { event }
        });
        Ok(Box::pin(stream::iter(known).chain(events)))
    }
}

fn other(error: bluez_async::BluetoothError) -> btleplug::Error {
    btleplug::Error::Other(Box::new(error))
}

/// The event as the Bluetooth library would put it.
fn central_event(event: BluetoothEvent, adapter: &AdapterId) -> Option<CentralEvent> {
    match event {
        BluetoothEvent::Device { id, event } if id.adapter() == *adapter => {
            let id = id.into();
            Some(match event {
                DeviceEvent::Discovered => CentralEvent::DeviceDiscovered(id),
                DeviceEvent::Connected { connected: true } => CentralEvent::DeviceConnected(id),
                DeviceEvent::Connected { connected: false } => CentralEvent::DeviceDisconnected(id),
                DeviceEvent::Rssi { rssi } => CentralEvent::RssiUpdate { id, rssi },
                DeviceEvent::ManufacturerData { manufacturer_data } => {
                    CentralEvent::ManufacturerDataAdvertisement { id, manufacturer_data }
                }
                DeviceEvent::ServiceData { service_data } => {
                    CentralEvent::ServiceDataAdvertisement { id, service_data }
                }
                DeviceEvent::Services { services } => {
                    CentralEvent::ServicesAdvertisement { id, services }
                }
                _ => return None,
            })
        }
        BluetoothEvent::Adapter { id, event: AdapterEvent::Powered { powered } }
            if id == *adapter =>
        {
            let state = if powered { CentralState::PoweredOn } else { CentralState::PoweredOff };
            Some(CentralEvent::StateUpdate(state))
        }
        _ => None,
    }
}

/// Watches until `ended`, in a thread that nobody waits for: its calls may block.
pub(super) fn watch(reports: SyncSender<Report>, ended: Arc<AtomicBool>) -> std::io::Result<()> {
    let body = move || {
        let mut lost = false;
        while !ended.load(Ordering::Relaxed) {
            if let Ok(bus) = Channel::get_private(BusType::System) {
                if lost {
                    tell(&reports, Told::BusCame);
                }
                lost = true;
                // Returns only when the bus is lost, or at the end.
                if let Err(error) = listen(&bus, &reports, &ended) {
                    tracing::debug!(%error, "the watch lost the system bus");
                }
                if !ended.load(Ordering::Relaxed) {
                    tell(&reports, Told::BusGone);
                }
            }
            thread::sleep(STEP);
        }
    };
    thread::Builder::new().name("radio-watch".into()).spawn(body)?;
    Ok(())
}

/// The supervisor reads always; if it is gone, so is the need to tell.
fn tell(reports: &SyncSender<Report>, told: Told) {
    drop(reports.try_send(Report::Watch(told)));
}

fn listen(
    bus: &Channel,
    reports: &SyncSender<Report>,
    ended: &AtomicBool,
) -> Result<(), dbus::Error> {
    for rule in RULES {
        let call = Message::call_with_args(
            "org.freedesktop.DBus",
            "/org/freedesktop/DBus",
            "org.freedesktop.DBus",
            "AddMatch",
            (*rule,),
        );
        bus.send_with_reply_and_block(call, CALL_MAX)?;
    }
    while !ended.load(Ordering::Relaxed) {
        if let Some(message) = bus.blocking_pop_message(STEP)? {
            for told in meaning(&message) {
                tell(reports, told);
            }
        }
    }
    Ok(())
}

/// What a signal says.
fn meaning(message: &Message) -> Vec<Told> {
    if let Ok((name, old, new)) = message.read3::<&str, &str, &str>()
        && name == SERVICE
    {
        let gone = (!old.is_empty()).then_some(Told::ServiceGone);
        return gone.into_iter().chain((!new.is_empty()).then_some(Told::ServiceCame)).collect();
    }
    if let Some(added) = Added::from_message(message) {
        let adapter = added.interfaces.contains_key(ADAPTER);
        return adapter.then_some(Told::AdapterCame).into_iter().collect();
    }
    if let Some(removed) = Removed::from_message(message) {
        let adapter = removed.interfaces.iter().any(|interface| interface == ADAPTER);
        let gone = adapter.then(|| Told::AdapterGone { adapter: name_of(&removed.object) });
        return gone.into_iter().collect();
    }
    let (Some(changed), Some(path)) = (Changed::from_message(message), message.path()) else {
        return Vec::new();
    };
    let adapter = name_of(&path);
    discovering(&changed.changed_properties)
        .map(|on| Told::Discovering { adapter, on })
        .into_iter()
        .collect()
}

fn discovering(properties: &PropMap) -> Option<bool> {
    prop_cast::<bool>(properties, "Discovering").copied()
}

/// `hci0` of `/org/bluez/hci0`.
fn name_of(path: &str) -> String {
    path.rsplit('/').next().unwrap_or(path).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn owner(old: &str, new: &str) -> Message {
        let path = "/org/freedesktop/DBus";
        let signal = Message::new_signal(path, "org.freedesktop.DBus", "NameOwnerChanged");
        signal.unwrap().append3(SERVICE, old, new)
    }

    #[test]
    fn a_service_that_ends_and_one_that_begins_are_told() {
        assert_eq!(meaning(&owner(":1.4", "")), [Told::ServiceGone]);
        assert_eq!(meaning(&owner("", ":1.9")), [Told::ServiceCame]);
        assert_eq!(meaning(&owner(":1.4", ":1.9")), [Told::ServiceGone, Told::ServiceCame]);
    }

    #[test]
    fn other_names_are_none_of_our_business() {
        let path = "/org/freedesktop/DBus";
        let signal = Message::new_signal(path, "org.freedesktop.DBus", "NameOwnerChanged");
        assert_eq!(meaning(&signal.unwrap().append3("org.example", "", ":1.2")), []);
    }
}
