//! A second listener on the bus, which says what the service delivered.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};

use futures::StreamExt as _;
use zbus::{Connection, Message, MessageStream, OwnedObjectPath, OwnedVariant, Variant};

type Properties = HashMap<String, OwnedVariant>;

/// Manufacturer data by the address that sent them, in order.
pub type Delivered = BTreeMap<String, Vec<Vec<u8>>>;

/// The listener; it hears until it is dropped.
pub struct Witness {
    _bus: Connection,
    delivered: Arc<Mutex<Delivered>>,
}

impl Witness {
    /// Listens on the bus at `address`.
    pub async fn on(address: &str) -> Self {
        let builder = zbus::connection::Builder::address(address);
        let builder = if address.starts_with("tcp:") {
            builder.auth_mechanism(zbus::conn::AuthMechanism::Anonymous)
        } else {
            builder
        };
        let bus = builder.build().await.unwrap();
        let rule = "type='signal',sender='org.bluez'";
        let mut signals =
            MessageStream::for_match_rule(rule, &bus, 4096.try_into().ok()).await.unwrap();
        let delivered: Arc<Mutex<Delivered>> = Arc::default();
        let kept = Arc::clone(&delivered);
        tokio::spawn(async move {
            while let Some(Ok(message)) = signals.next().await {
                if let Some((address, bytes)) = manufacturer_data(&message) {
                    kept.lock().unwrap().entry(address).or_default().push(bytes);
                }
            }
        });
        Self { _bus: bus, delivered }
    }

    /// What was delivered so far.
    pub fn delivered(&self) -> Delivered {
        self.delivered.lock().unwrap().clone()
    }
}

/// The address and the manufacturer data in a signal, where there are some.
fn manufacturer_data(message: &Message) -> Option<(String, Vec<u8>)> {
    let header = message.header();
    let (path, properties) = match header.member()?.as_str() {
        "PropertiesChanged" => {
            let (_, changed, _): (String, Properties, Vec<String>) =
                message.body().deserialize().ok()?;
            (header.path()?.to_string(), changed)
        }
        "InterfacesAdded" => {
            let (path, mut all): (OwnedObjectPath, HashMap<String, Properties>) =
                message.body().deserialize().ok()?;
            (path.to_string(), all.remove("org.bluez.Device1")?)
        }
        _ => return None,
    };
    let data = properties.get("ManufacturerData")?.try_clone().ok()?;
    let data = HashMap::<u16, Variant<'_>>::try_from(data).ok()?;
    let bytes = data.into_values().next()?;
    let device = path.rsplit("/dev_").next()?;
    Some((device.replace('_', ":"), Vec::<u8>::try_from(bytes).ok()?))
}
