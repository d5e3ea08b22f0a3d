//! One adapter's event stream: what advertisements bring.

use std::collections::{HashMap, HashSet};
use std::pin::Pin;
use std::thread;
use std::time::Duration;

use btleplug::api::{BDAddr, Central as _, CentralEvent, CentralState, Peripheral as _};
use btleplug::platform::{Adapter, Peripheral, PeripheralId};
use futures::{FutureExt as _, Stream, StreamExt as _};
use tokio::sync::mpsc;
use tokio::time::timeout;

use super::hands::{Found, limited};
use super::{Hands, Outlet, Sent};
use crate::edge::clock::SessionClock;
use crate::engine::radio::Told;
use crate::engine::reading::Via;
use crate::units::time::Elapsed;

/// Devices kept in mind; those that change their address every few minutes would fill it, so it is
/// emptied when full, and what is still there is asked for again.
pub(super) const DEVICES_MAX: usize = 4096;
/// How long a signal's strength waits for the bytes that came with it.
const TOGETHER: Duration = Duration::from_millis(50);
/// Where advertisements come thicker than this, they are let gather for so long and taken together: a
/// processor that is woken for each spends more on waking than on them. They are told so much later.
const GATHER: Duration = Duration::from_millis(50);

/// An adapter's events.
pub(super) type Events = Pin<Box<dyn Stream<Item = CentralEvent> + Send>>;

/// A device by what it said of itself.
struct Device {
    address: String,
    rssi_dbm: Option<i16>,
    /// Whether bytes of it have been told.
    told: bool,
}

/// The stream's reader.
pub(super) struct Hearing {
    adapter: Adapter,
    name: String,
    /// Devices that the service knew before this stream: what it says of them first is old.
    known: HashSet<PeripheralId>,
    devices: HashMap<PeripheralId, Device>,
    outlet: Outlet,
    finds: mpsc::Sender<Found>,
    limit: Duration,
    /// A device whose signal's strength was told last, with nothing after it yet.
    bare: Option<PeripheralId>,
}

/// The devices that the service knows already.
pub(super) async fn known(adapter: &Adapter) -> btleplug::Result<HashSet<PeripheralId>> {
    Ok(adapter.peripherals().await?.iter().map(btleplug::api::Peripheral::id).collect())
}

impl Hearing {
    pub fn new(
        adapter: Adapter,
        name: String,
        known: HashSet<PeripheralId>,
        outlet: Outlet,
        finds: mpsc::Sender<Found>,
        limit: Duration,
    ) -> Self {
        let devices = HashMap::new();
        Self { adapter, name, known, devices, outlet, finds, limit, bare: None }
    }

    /// Reads until the stream ends.
    pub async fn run(mut self, mut events: Events) {
        let clock = SessionClock::start(Elapsed::ZERO);
        let mut taken: Option<Elapsed> = None;
        loop {
            let event = match events.next().now_or_never() {
                Some(event) => event,
                None if self.bare.is_some() => {
                    let Ok(event) = timeout(TOGETHER, events.next()).await else {
                        self.bare_signal().await;
                        continue;
                    };
                    event
                }
                None => {
                    let thick = |at: Elapsed| clock.elapsed().since(at) < GATHER;
                    if taken.is_some_and(thick) {
                        // The whole thread: what reads the bus must not wake either.
                        thread::sleep(GATHER);
                    }
                    events.next().await
                }
            };
            let Some(event) = event else { break };
            let advertises = matches!(
                event,
                CentralEvent::ManufacturerDataAdvertisement { .. }
                    | CentralEvent::ServiceDataAdvertisement { .. }
            );
            self.take(event).await;
            if advertises {
                taken = Some(clock.elapsed());
            }
        }
        self.outlet.told(Told::StreamEnded { adapter: self.name });
    }

    async fn take(&mut self, event: CentralEvent) {
        match event {
            CentralEvent::DeviceDiscovered(id) => self.discovered(id).await,
            CentralEvent::ManufacturerDataAdvertisement { id, manufacturer_data } => {
                let data = manufacturer_data.into_iter();
                let data = data.map(|(company, bytes)| (Via::Manufacturer(company), bytes));
                self.bytes(&id, data.collect()).await;
            }
            CentralEvent::ServiceDataAdvertisement { id, service_data } => {
                let data = service_data.into_iter();
                let data = data.map(|(uuid, bytes)| (Via::Service(uuid.as_u128()), bytes));
                self.bytes(&id, data.collect()).await;
            }
            CentralEvent::RssiUpdate { id, rssi } => {
                self.bare_signal().await;
                if self.device(&id).await.is_some()
                    && let Some(device) = self.devices.get_mut(&id)
                {
                    device.rssi_dbm = Some(rssi);
                    self.bare = Some(id);
                }
            }
            CentralEvent::ServicesAdvertisement { id, services } => {
                if let Some(device) = self.devices.get(&id) {
                    let services = services.iter().map(uuid::Uuid::as_u128).collect();
                    let address = device.address.clone();
                    self.outlet.send(Hands::Seen { address, name: None, services });
                }
            }
            CentralEvent::DeviceDisconnected(id) => {
                if let Some(device) = self.devices.get(&id) {
                    // Should this be lost, the link finds out when it next looks.
                    let address = device.address.clone();
                    drop(self.finds.try_send(Found::Disconnected { address }));
                }
            }
            CentralEvent::StateUpdate(state) => {
                let (adapter, on) = (self.name.clone(), state == CentralState::PoweredOn);
                self.outlet.told(Told::Powered { adapter, on });
            }
            CentralEvent::DeviceUpdated(_)
            | CentralEvent::DeviceConnected(_)
            | CentralEvent::DeviceServicesModified(_) => {}
        }
    }

    /// The first advertisement comes as a discovery alone: its bytes have to be asked for.
    async fn discovered(&mut self, id: PeripheralId) {
        self.devices.remove(&id);
        let old = self.known.remove(&id);
        let Some(first) = self.device(&id).await else { return };
        if !old && !first.is_empty() {
            self.bytes(&id, first).await;
        }
    }

    /// Bytes of an advertisement.
    async fn bytes(&mut self, id: &PeripheralId, mut data: Vec<(Via, Vec<u8>)>) {
        if self.bare.as_ref().is_some_and(|bare| bare != id) {
            self.bare_signal().await;
        }
        self.bare = None;
        if self.device(id).await.is_none() {
            return;
        }
        let Some(device) = self.devices.get_mut(id) else { return };
        device.told = true;
        data.sort();
        for (via, bytes) in data {
            let (adapter, address) = (Some(self.name.clone()), device.address.clone());
            let rssi_dbm = device.rssi_dbm;
            self.outlet.send(Hands::Bytes(Sent { adapter, address, via, bytes, rssi_dbm }));
        }
    }

    /// A signal's strength came with no bytes. A service that does not repeat equal bytes tells
    /// just that; what it holds of a device that has told none yet is then what was heard.
    async fn bare_signal(&mut self) {
        let Some(id) = self.bare.take() else { return };
        let Some(device) = self.devices.get(&id) else { return };
        let Some(rssi_dbm) = device.rssi_dbm else { return };
        let (adapter, address) = (self.name.clone(), device.address.clone());
        if !device.told {
            self.devices.remove(&id);
            let held = self.device(&id).await.unwrap_or_default();
            if !held.is_empty() {
                return self.bytes_held(&id, rssi_dbm, held);
            }
        }
        self.outlet.send(Hands::Signal { adapter, address, rssi_dbm });
    }

    fn bytes_held(&mut self, id: &PeripheralId, rssi_dbm: i16, mut held: Vec<(Via, Vec<u8>)>) {
        let Some(device) = self.devices.get_mut(id) else { return };
        device.told = true;
        held.sort();
        for (via, bytes) in held {
            let (adapter, address) = (Some(self.name.clone()), device.address.clone());
            let rssi_dbm = Some(rssi_dbm);
            self.outlet.send(Hands::Bytes(Sent { adapter, address, via, bytes, rssi_dbm }));
        }
    }

    /// Makes sure that the device is known; when it was not, what the service holds of it.
    async fn device(&mut self, id: &PeripheralId) -> Option<Vec<(Via, Vec<u8>)>> {
        if self.devices.contains_key(id) {
            return Some(Vec::new());
        }
        let ask = async {
            let peripheral = self.adapter.peripheral(id).await?;
            let properties = peripheral.properties().await?;
            Ok::<_, btleplug::Error>((peripheral, properties))
        };
        let (peripheral, properties) = limited(self.limit, ask).await.ok()?;
        let properties = properties?;
        let address = address_of(&peripheral);
        let dashed = address.replace(':', "-");
        let name = properties.advertisement_name.or(properties.local_name);
        // The service makes up a name from the address where there is none.
        let name = name.filter(|name| *name != dashed);
        let services = properties.services.iter().map(uuid::Uuid::as_u128).collect();
        if self.devices.len() >= DEVICES_MAX {
            self.devices.clear();
        }
        let device = Device { address: address.clone(), rssi_dbm: properties.rssi, told: false };
        self.devices.insert(id.clone(), device);
        let adapter = self.adapter.clone();
        // Full only while the session is busy ending; then nobody connects either.
        drop(self.finds.try_send(Found::Device { address: address.clone(), adapter, peripheral }));
        self.outlet.send(Hands::Seen { address, name, services });
        let by_company = properties.manufacturer_data.into_iter();
        let by_service = properties.service_data.into_iter();
        let held = by_company.map(|(company, bytes)| (Via::Manufacturer(company), bytes));
        Some(held.chain(by_service.map(|(u, b)| (Via::Service(u.as_u128()), b))).collect())
    }
}

/// The device's address, or where the system hides it, the name that the system has for it.
fn address_of(peripheral: &Peripheral) -> String {
    shown_address(peripheral.address(), &peripheral.id().to_string())
}

fn shown_address(address: BDAddr, system_name: &str) -> String {
    let shown = if address == BDAddr::default() { system_name } else { &address.to_string() };
    shown.to_uppercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_the_system_hides_the_address_its_name_for_the_device_stands_in() {
        let hidden = "6f1e0c5a-0d2b-4c7e-9a11-3b5d7f9e2c40";
        let shown = shown_address(BDAddr::default(), hidden);
        assert_eq!(shown, "6F1E0C5A-0D2B-4C7E-9A11-3B5D7F9E2C40");
        let open = BDAddr::from([0xC4, 0x7C, 0x8D, 0, 0, 1]);
        assert_eq!(shown_address(open, hidden), "C4:7C:8D:00:00:01");
    }
}
