//! A stand-in for the Bluetooth service `org.bluez`: one tree of properties, from which the object
//! manager, the properties and the introspection are served, and the methods that a client calls.
//!
//! Properties may be absent, as with the real service, so nothing here is typed by interface.

use std::collections::{BTreeMap, HashMap, HashSet, VecDeque};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures::StreamExt as _;
use zbus::message::Type;
use zbus::{Connection, Message, MessageStream, OwnedObjectPath, OwnedVariant, Variant};

type Properties = BTreeMap<String, OwnedVariant>;
type Tree = HashMap<OwnedObjectPath, BTreeMap<String, Properties>>;

const ADAPTER: &str = "org.bluez.Adapter1";
const DEVICE: &str = "org.bluez.Device1";
const SERVICE: &str = "org.bluez.GattService1";
const CHARACTERISTIC: &str = "org.bluez.GattCharacteristic1";
const PROPERTIES: &str = "org.freedesktop.DBus.Properties";
const OBJECTS: &str = "org.freedesktop.DBus.ObjectManager";

/// What a probe advertises at once.
#[derive(Clone, Default)]
pub struct Advert {
    pub name: Option<&'static str>,
    pub rssi: i16,
    pub manufacturer: Vec<(u16, Vec<u8>)>,
    pub service: Vec<(String, Vec<u8>)>,
    pub services: Vec<String>,
}

impl Advert {
    /// The bytes as they are sent, by the Core Specification's supplement, part A: length, type,
    /// data. The name is left out, for which there is no room.
    pub fn encoded(&self) -> Vec<u8> {
        let mut bytes = vec![2, 0x01, 0x06];
        let mut add = |kind: u8, data: &[&[u8]]| {
            let data = data.concat();
            bytes.push(u8::try_from(data.len()).unwrap() + 1);
            bytes.push(kind);
            bytes.extend(data);
        };
        for (company, data) in &self.manufacturer {
            add(0xFF, &[&company.to_le_bytes(), data]);
        }
        for (uuid, data) in &self.service {
            add(0x16, &[&short(uuid), data]);
        }
        for uuid in &self.services {
            add(0x03, &[&short(uuid)]);
        }
        bytes
    }
}

/// The 16 bits of a UUID of the standard's, low byte first.
fn short(uuid: &str) -> [u8; 2] {
    u16::from_str_radix(&uuid[4..8], 16).unwrap().to_le_bytes()
}

/// A characteristic of a probe that can be connected to.
#[derive(Clone)]
pub struct Characteristic {
    pub uuid: String,
    pub flags: Vec<&'static str>,
    pub value: Vec<u8>,
}

/// What makes a mute service tell again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heal {
    /// A call of this method.
    Call(&'static str),
    /// A call by a client that is none of these.
    ClientOtherThan(HashSet<String>),
    /// Nothing that a client does.
    Never,
}

#[derive(Default)]
struct State {
    tree: Tree,
    /// What discovery finds at an address: a service's UUID and its characteristics.
    gatt: HashMap<String, (String, Vec<Characteristic>)>,
    fail: VecDeque<(String, String)>,
    hang: HashSet<String>,
    calls: Vec<String>,
    /// Advertisements are received, and nobody is told, until this happens.
    mute: Option<Heal>,
    /// The clients that called so far.
    clients: HashSet<String>,
    /// Those of them that scan, each on an adapter; one that leaves the bus scans no more.
    scanners: HashSet<(String, String)>,
    /// Equal bytes are not told again, as by services that leave duplicates out.
    once: bool,
    /// The next introspection of a device names no node, at which the library panics.
    nameless: bool,
}

/// The service, as long as it runs.
#[derive(Clone)]
pub struct Service {
    bus: Connection,
    state: Arc<Mutex<State>>,
}

fn v<'a>(value: impl Into<Variant<'a>>) -> OwnedVariant {
    OwnedVariant::try_from(value.into()).unwrap()
}

fn path(text: &str) -> OwnedObjectPath {
    OwnedObjectPath::try_from(text.to_owned()).unwrap()
}

fn properties<const N: usize>(all: [(&str, OwnedVariant); N]) -> Properties {
    all.into_iter().map(|(key, value)| (key.to_owned(), value)).collect()
}

fn copy(all: &Properties) -> Properties {
    all.iter().map(|(key, value)| (key.clone(), value.try_clone().unwrap())).collect()
}

fn device(adapter: &str, address: &str) -> String {
    format!("/org/bluez/{adapter}/dev_{}", address.replace(':', "_"))
}

/// What a D-Bus call is answered with.
enum Answer {
    Done,
    Error(&'static str, String),
}

fn error(name: &'static str, text: &str) -> Answer {
    Answer::Error(name, text.to_owned())
}

impl Service {
    /// Takes the name `org.bluez` and has one adapter, `hci0`.
    pub async fn start(address: &str) -> Self {
        let bus = zbus::connection::Builder::address(address).build().await.unwrap();
        let mut calls = MessageStream::from(&bus);
        let service = Self { bus: bus.clone(), state: Arc::default() };
        service.state.lock().unwrap().tree.insert(
            path("/org/bluez/hci0"),
            BTreeMap::from([(ADAPTER.to_owned(), adapter_properties(0))]),
        );
        bus.request_name("org.bluez").await.unwrap();
        let rule = "type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'";
        let mut owners = MessageStream::for_match_rule(rule, &bus, None).await.unwrap();
        let served = service.clone();
        tokio::spawn(async move {
            while let Some(Ok(message)) = owners.next().await {
                if let Ok((name, _, new)) = message.body().deserialize::<(String, String, String)>()
                    && new.is_empty()
                {
                    served.leave(&name).await;
                }
            }
        });
        let served = service.clone();
        tokio::spawn(async move {
            while let Some(Ok(message)) = calls.next().await {
                if message.message_type() == Type::MethodCall {
                    let served = served.clone();
                    // A client that is gone is no fault of the service.
                    tokio::spawn(async move { drop(served.serve(&message).await) });
                }
            }
        });
        service
    }

    /// The service ends.
    pub async fn quit(self) {
        drop(self.bus.release_name("org.bluez").await);
        drop(self.bus.close().await);
    }

    /// Puts an adapter in, powered off.
    pub async fn plug(&self, number: u8) {
        let at = format!("/org/bluez/hci{number}");
        self.add(&at, ADAPTER, adapter_properties(number)).await;
    }

    /// Pulls an adapter out, with all its devices.
    pub async fn unplug(&self, number: u8) {
        let at = format!("/org/bluez/hci{number}");
        let under = |p: &OwnedObjectPath| p.as_str().starts_with(&at);
        let mut gone: Vec<_> =
            self.state.lock().unwrap().tree.keys().filter(|p| under(p)).cloned().collect();
        gone.sort_by_key(|p| std::cmp::Reverse(p.as_str().len()));
        self.state.lock().unwrap().scanners.retain(|(_, other)| *other != at);
        for object in gone {
            self.remove(object.as_str()).await;
        }
    }

    /// Whether a client scans on the adapter at `at`.
    fn scans(&self, client: &str, at: &str) -> bool {
        self.state.lock().unwrap().scanners.contains(&(client.to_owned(), at.to_owned()))
    }

    /// A client scans no more; the last one's end is the scan's.
    async fn end_scan(&self, client: &str, at: &str) {
        let last = {
            let scanners = &mut self.state.lock().unwrap().scanners;
            scanners.remove(&(client.to_owned(), at.to_owned()));
            scanners.iter().all(|(_, other)| other != at)
        };
        if last {
            self.set(at, ADAPTER, properties([("Discovering", v(false))])).await;
        }
    }

    /// A client is gone from the bus.
    async fn leave(&self, client: &str) {
        let all = self.state.lock().unwrap().scanners.clone();
        for (_, at) in all.iter().filter(|(scanner, _)| scanner == client) {
            self.end_scan(client, at).await;
        }
    }

    /// Somebody else sets a property of an adapter. A scan that he ends is over for all.
    pub async fn set_adapter(&self, number: u8, key: &str, on: bool) {
        if !on {
            let at = format!("/org/bluez/hci{number}");
            self.state.lock().unwrap().scanners.retain(|(_, other)| *other != at);
        }
        self.set(&format!("/org/bluez/hci{number}"), ADAPTER, properties([(key, v(on))])).await;
    }

    /// A scan ends and, for those who wanted it, begins anew after `length`.
    pub async fn pause_scan(&self, number: u8, length: Duration) {
        let (service, at) = (self.clone(), format!("/org/bluez/hci{number}"));
        service.set(&at, ADAPTER, properties([("Discovering", v(false))])).await;
        tokio::spawn(async move {
            tokio::time::sleep(length).await;
            service.set(&at, ADAPTER, properties([("Discovering", v(true))])).await;
        });
    }

    /// From now on the service receives and tells nobody, until `heal`.
    pub fn mute(&self, heal: Heal) {
        self.state.lock().unwrap().mute = Some(heal);
    }

    /// The service tells again.
    pub fn unmute(&self) {
        self.state.lock().unwrap().mute = None;
    }

    /// Whether it is mute.
    pub fn is_mute(&self) -> bool {
        self.state.lock().unwrap().mute.is_some()
    }

    /// The bus's names of the clients that called so far.
    pub fn clients(&self) -> HashSet<String> {
        self.state.lock().unwrap().clients.clone()
    }

    /// From now on equal bytes are not told again.
    pub fn tell_once(&self) {
        self.state.lock().unwrap().once = true;
    }

    /// The next call of `member` fails with this text.
    pub fn fail_next(&self, member: &str, text: &str) {
        self.state.lock().unwrap().fail.push_back((member.into(), text.into()));
    }

    /// Calls of `member` are never answered, or are again.
    pub fn hang(&self, member: &str, hang: bool) {
        let mut state = self.state.lock().unwrap();
        if hang {
            state.hang.insert(member.into());
        } else {
            state.hang.remove(member);
        }
    }

    /// How often `member` was called.
    pub fn calls(&self, member: &str) -> usize {
        let begin = format!("{member} ");
        self.state.lock().unwrap().calls.iter().filter(|call| call.starts_with(&begin)).count()
    }

    /// How often `member` was called for the device at `address`.
    pub fn calls_for(&self, member: &str, address: &str) -> usize {
        let (begin, device) = (format!("{member} "), format!("dev_{}", address.replace(':', "_")));
        let of = |call: &&String| call.starts_with(&begin) && call.contains(&device);
        self.state.lock().unwrap().calls.iter().filter(of).count()
    }

    /// The next introspection of a device makes the library panic.
    pub fn make_panic(&self) {
        self.state.lock().unwrap().nameless = true;
    }

    fn flag(&self, at: &str, interface: &str, key: &str) -> bool {
        let state = self.state.lock().unwrap();
        let value = state.tree.get(&path(at)).and_then(|i| i.get(interface)?.get(key));
        value.is_some_and(|value| *value == v(true))
    }

    /// What discovery finds at `address` once connected.
    pub fn gatt(&self, address: &str, service: &str, characteristics: Vec<Characteristic>) {
        let all = (service.to_owned(), characteristics);
        self.state.lock().unwrap().gatt.insert(address.into(), all);
    }

    /// One advertisement over the air; whether the service told it to anyone.
    pub async fn advertise(&self, adapter: &str, address: &str, advert: &Advert) -> bool {
        let at = format!("/org/bluez/{adapter}");
        let (mute, once) = {
            let state = self.state.lock().unwrap();
            (state.mute.is_some(), state.once)
        };
        let here = device(adapter, address);
        let connected = self.flag(&here, DEVICE, "Connected");
        if mute || connected || !self.flag(&at, ADAPTER, "Discovering") {
            return false;
        }
        let manufacturer = advert.manufacturer.iter().cloned().map(|(k, d)| (k, Variant::from(d)));
        let service = advert.service.iter().cloned().map(|(k, d)| (k, Variant::from(d)));
        let mut told = properties([("RSSI", v(advert.rssi))]);
        if !advert.manufacturer.is_empty() {
            told.insert("ManufacturerData".into(), v(manufacturer.collect::<HashMap<_, _>>()));
        }
        if !advert.service.is_empty() {
            told.insert("ServiceData".into(), v(service.collect::<HashMap<_, _>>()));
        }
        let known = self.state.lock().unwrap().tree.get(&path(&here)).map(|i| copy(&i[DEVICE]));
        if let Some(known) = known {
            if once {
                told.retain(|key, value| known.get(key) != Some(value));
            }
            if !told.is_empty() {
                self.set(&here, DEVICE, told).await;
            }
            return true;
        }
        if let Some(name) = advert.name {
            told.insert("Name".into(), v(name));
        }
        let alias = advert.name.map_or(address.replace(':', "-"), str::to_owned);
        told.insert("Alias".into(), v(alias));
        told.insert("UUIDs".into(), v(advert.services.clone()));
        told.insert("Address".into(), v(address));
        told.insert("AddressType".into(), v("random"));
        told.insert("Adapter".into(), v(path(&at).into_inner()));
        for key in
            ["Paired", "Trusted", "Blocked", "LegacyPairing", "Connected", "ServicesResolved"]
        {
            told.insert(key.into(), v(false));
        }
        self.add(&here, DEVICE, told).await;
        true
    }

    /// A notification arrives; false when nobody subscribed.
    pub async fn notify(&self, address: &str, uuid: &str, value: &[u8]) -> bool {
        let under = format!("/dev_{}/", address.replace(':', "_"));
        let at = {
            let state = self.state.lock().unwrap();
            let subscribed = |i: &BTreeMap<String, Properties>| {
                i.get(CHARACTERISTIC)
                    .is_some_and(|c| c["UUID"] == v(uuid) && c["Notifying"] == v(true))
            };
            let found = state.tree.iter().find(|(p, i)| p.contains(&under) && subscribed(i));
            found.map(|(p, _)| p.to_string())
        };
        let Some(at) = at else { return false };
        if self.is_mute() {
            return false;
        }
        self.set(&at, CHARACTERISTIC, properties([("Value", v(value.to_vec()))])).await;
        true
    }

    /// The link to a probe is lost: its services vanish.
    pub async fn drop_link(&self, adapter: &str, address: &str) {
        let at = device(adapter, address);
        let begin = format!("{at}/");
        let gone: Vec<_> = {
            let state = self.state.lock().unwrap();
            state.tree.keys().filter(|p| p.as_str().starts_with(&begin)).cloned().collect()
        };
        for object in gone {
            self.remove(object.as_str()).await;
        }
        let down = properties([("ServicesResolved", v(false)), ("Connected", v(false))]);
        self.set(&at, DEVICE, down).await;
    }

    async fn set(&self, at: &str, interface: &str, new: Properties) {
        {
            let mut state = self.state.lock().unwrap();
            let old = state.tree.get_mut(&path(at)).and_then(|i| i.get_mut(interface));
            let Some(old) = old else { return };
            old.extend(copy(&new));
        }
        let body = (interface, new, Vec::<String>::new());
        let told = self.bus.emit_signal(None::<&str>, at, PROPERTIES, "PropertiesChanged", &body);
        // The bus may be gone: that is one of the cases.
        drop(told.await);
    }

    async fn add(&self, at: &str, interface: &str, new: Properties) {
        {
            let mut state = self.state.lock().unwrap();
            state.tree.entry(path(at)).or_default().insert(interface.into(), copy(&new));
        }
        let body = (path(at), BTreeMap::from([(interface.to_owned(), new)]));
        drop(self.bus.emit_signal(None::<&str>, "/", OBJECTS, "InterfacesAdded", &body).await);
    }

    async fn remove(&self, at: &str) {
        let was = self.state.lock().unwrap().tree.remove(&path(at)).unwrap_or_default();
        let body = (path(at), was.into_keys().collect::<Vec<String>>());
        drop(self.bus.emit_signal(None::<&str>, "/", OBJECTS, "InterfacesRemoved", &body).await);
    }

    async fn serve(&self, message: &Message) -> zbus::Result<()> {
        let header = message.header();
        let at = header.path().unwrap().to_string();
        let interface = header.interface().map(ToString::to_string).unwrap_or_default();
        let member = header.member().unwrap().to_string();
        {
            let mut state = self.state.lock().unwrap();
            state.calls.push(format!("{member} {at}"));
            let client = header.sender().map(ToString::to_string).unwrap_or_default();
            let healed = match &state.mute {
                Some(Heal::Call(call)) => *call == member,
                Some(Heal::ClientOtherThan(old)) => !old.contains(&client),
                Some(Heal::Never) | None => false,
            };
            if healed {
                state.mute = None;
            }
            state.clients.insert(client);
            if state.hang.contains(&member) {
                return Ok(());
            }
        }
        let failing = {
            let mut state = self.state.lock().unwrap();
            let position = state.fail.iter().position(|(failing, _)| *failing == member);
            position.and_then(|n| state.fail.remove(n))
        };
        if let Some((_, text)) = failing {
            return self.bus.reply_error(&header, "org.bluez.Error.Failed", &text).await;
        }
        if interface == OBJECTS || interface == PROPERTIES || member == "Introspect" {
            return self.serve_tree(message, &at, &member).await;
        }
        self.obey(message, &at, (&interface, &member)).await
    }

    /// Does what a method asks for, and answers.
    async fn obey(
        &self,
        message: &Message,
        at: &str,
        (interface, member): (&str, &str),
    ) -> zbus::Result<()> {
        let header = message.header();
        let client = header.sender().map(ToString::to_string).unwrap_or_default();
        let client = client.as_str();
        let address = at.split("/dev_").nth(1).map(|a| a[..17].replace('_', ":"));
        let answer = match (interface, member) {
            (ADAPTER, "SetDiscoveryFilter") => Answer::Done,
            (ADAPTER, "StartDiscovery") if !self.flag(at, ADAPTER, "Powered") => {
                error("org.bluez.Error.NotReady", "Resource Not Ready")
            }
            (ADAPTER, "StartDiscovery") if self.scans(client, at) => {
                error("org.bluez.Error.InProgress", "Operation already in progress")
            }
            (ADAPTER, "StartDiscovery") => {
                let scan = (client.to_owned(), at.to_owned());
                self.state.lock().unwrap().scanners.insert(scan);
                self.set(at, ADAPTER, properties([("Discovering", v(true))])).await;
                Answer::Done
            }
            (ADAPTER, "StopDiscovery") if !self.scans(client, at) => {
                error("org.bluez.Error.Failed", "No discovery started")
            }
            (ADAPTER, "StopDiscovery") => {
                self.end_scan(client, at).await;
                Answer::Done
            }
            (DEVICE, "Connect") => {
                self.bus.reply(&header, &()).await?;
                self.connect(at, &address.unwrap_or_default()).await;
                return Ok(());
            }
            (DEVICE, "Disconnect") => {
                let adapter = at.split('/').nth(3).unwrap_or_default();
                self.drop_link(adapter, &address.unwrap_or_default()).await;
                Answer::Done
            }
            (CHARACTERISTIC, "ReadValue") => {
                let value = self.value(at);
                // The real service tells what was read to everybody, too.
                self.set(at, CHARACTERISTIC, properties([("Value", v(value.clone()))])).await;
                return self.bus.reply(&header, &value).await;
            }
            (CHARACTERISTIC, "WriteValue") => {
                let (value, _): (Vec<u8>, HashMap<String, OwnedVariant>) =
                    message.body().deserialize()?;
                self.set(at, CHARACTERISTIC, properties([("Value", v(value))])).await;
                Answer::Done
            }
            (CHARACTERISTIC, "StartNotify" | "StopNotify") => {
                let on = member == "StartNotify";
                self.set(at, CHARACTERISTIC, properties([("Notifying", v(on))])).await;
                Answer::Done
            }
            _ => {
                error("org.freedesktop.DBus.Error.UnknownMethod", &format!("{interface}.{member}"))
            }
        };
        match answer {
            Answer::Done => self.bus.reply(&header, &()).await,
            Answer::Error(name, text) => self.bus.reply_error(&header, name, &text).await,
        }
    }

    async fn serve_tree(&self, message: &Message, at: &str, member: &str) -> zbus::Result<()> {
        let header = message.header();
        match member {
            "GetManagedObjects" => {
                let reply = {
                    let state = self.state.lock().unwrap();
                    Message::method_return(&header).build(&state.tree)?
                };
                self.bus.send(&reply).await
            }
            "GetAll" => {
                let (interface,): (String,) = message.body().deserialize()?;
                let all = {
                    let state = self.state.lock().unwrap();
                    state.tree.get(&path(at)).and_then(|i| i.get(&interface)).map(copy)
                };
                match all {
                    Some(all) => self.bus.reply(&header, &all).await,
                    None => self.unknown(message, at).await,
                }
            }
            "Get" => {
                let (interface, key): (String, String) = message.body().deserialize()?;
                let value = {
                    let state = self.state.lock().unwrap();
                    let value =
                        state.tree.get(&path(at)).and_then(|i| i.get(&interface)?.get(&key));
                    value.and_then(|value| value.try_clone().ok())
                };
                match value {
                    Some(value) => self.bus.reply(&header, &value).await,
                    None => self.unknown(message, at).await,
                }
            }
            "Set" => {
                let (interface, key, value): (String, String, OwnedVariant) =
                    message.body().deserialize()?;
                self.set(at, &interface, properties([(&key, value)])).await;
                self.bus.reply(&header, &()).await
            }
            _ => {
                let begin = if at == "/" { "/".to_owned() } else { format!("{at}/") };
                let mut names: Vec<String> = {
                    let state = self.state.lock().unwrap();
                    let under = state.tree.keys().filter_map(|p| p.as_str().strip_prefix(&begin));
                    under.filter_map(|rest| rest.split('/').next()).map(str::to_owned).collect()
                };
                names.sort();
                names.dedup();
                let nameless = names.iter().any(|name| name.starts_with("service"))
                    && std::mem::take(&mut self.state.lock().unwrap().nameless);
                if nameless {
                    return self.bus.reply(&header, &"<node><node/></node>").await;
                }
                let nodes: Vec<String> =
                    names.iter().map(|name| format!("<node name=\"{name}\"/>")).collect();
                self.bus.reply(&header, &format!("<node>{}</node>", nodes.concat())).await
            }
        }
    }

    async fn unknown(&self, message: &Message, at: &str) -> zbus::Result<()> {
        let name = "org.freedesktop.DBus.Error.UnknownObject";
        self.bus.reply_error(&message.header(), name, &format!("nothing at {at}")).await
    }

    fn value(&self, at: &str) -> Vec<u8> {
        let state = self.state.lock().unwrap();
        let value = state.tree.get(&path(at)).and_then(|i| i.get(CHARACTERISTIC)?.get("Value"));
        value
            .and_then(|value| Vec::<u8>::try_from(value.try_clone().ok()?).ok())
            .unwrap_or_default()
    }

    async fn connect(&self, at: &str, address: &str) {
        self.set(at, DEVICE, properties([("Connected", v(true))])).await;
        let gatt = self.state.lock().unwrap().gatt.get(address).cloned();
        if let Some((service, characteristics)) = gatt {
            let under = format!("{at}/service0010");
            let own = properties([
                ("UUID", v(service)),
                ("Primary", v(true)),
                ("Device", v(path(at).into_inner())),
            ]);
            self.add(&under, SERVICE, own).await;
            for (n, one) in characteristics.into_iter().enumerate() {
                let flags: Vec<String> = one.flags.iter().map(ToString::to_string).collect();
                let own = properties([
                    ("UUID", v(one.uuid)),
                    ("Service", v(path(&under).into_inner())),
                    ("Notifying", v(false)),
                    ("MTU", v(23u16)),
                    ("Value", v(one.value)),
                    ("Flags", v(flags)),
                ]);
                self.add(&format!("{under}/char{:04x}", 0x11 + n), CHARACTERISTIC, own).await;
            }
        }
        self.set(at, DEVICE, properties([("ServicesResolved", v(true))])).await;
    }
}

fn adapter_properties(number: u8) -> Properties {
    properties([
        ("Address", v(format!("00:11:22:33:44:{number:02X}"))),
        ("AddressType", v("public")),
        ("Name", v("bench")),
        ("Alias", v("bench")),
        ("Modalias", v("usb:v1D6Bp0246d0542")),
        ("Powered", v(false)),
        ("Discovering", v(false)),
    ])
}
