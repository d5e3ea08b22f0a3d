//! The probes of a bench, and what is between them and the service.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde::Deserialize;

use crate::service::{Advert, Service};
use crate::station::Station;

/// Environmental Sensing and its temperature, in 0.01 °C, by the open standard.
pub const SENSING: &str = "0000181a-0000-1000-8000-00805f9b34fb";
pub const TEMPERATURE: &str = "00002a6e-0000-1000-8000-00805f9b34fb";
/// A service and a value of the bench's own, which can only be notified (invented).
pub const NOTIFY_SERVICE: &str = "5e771ed0-0000-4000-8000-000000000001";
pub const NOTIFY_VALUE: &str = "5e771ed0-0000-4000-8000-000000000002";
/// Service data of the open BTHome format.
pub const BTHOME: &str = "0000fcd2-0000-1000-8000-00805f9b34fb";

/// A simulated probe.
#[derive(Debug, Clone)]
pub struct Probe {
    pub address: String,
    pub adapter: &'static str,
    pub kind: Kind,
    pub every: Duration,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Our own plain clamp, manufacturer data.
    Clamp,
    /// A clamp whose bytes never change.
    Constant,
    /// BTHome v2, temperature.
    BtHome,
    /// Environmental Sensing, by notification.
    Sensing,
    /// Environmental Sensing that never notifies and must be read.
    SensingRead,
    /// A value that is notified and cannot be read.
    NotifyOnly,
    /// Bytes that are no format's.
    Malformed,
}

impl Kind {
    /// What a connected probe of this kind offers: service, value, and how it is had.
    pub fn offers(self) -> Option<(&'static str, &'static str, &'static [&'static str])> {
        match self {
            Self::Sensing => Some((SENSING, TEMPERATURE, &["read", "notify"])),
            Self::SensingRead => Some((SENSING, TEMPERATURE, &["read"])),
            Self::NotifyOnly => Some((NOTIFY_SERVICE, NOTIFY_VALUE, &["notify"])),
            _ => None,
        }
    }
}

/// A probe that advertises every 100 ms on `hci0`.
pub fn probe(address: &str, kind: Kind) -> Probe {
    let every = Duration::from_millis(100);
    Probe { address: address.to_owned(), adapter: "hci0", kind, every }
}

/// What is between the probes and the service.
#[derive(Default)]
pub struct Air {
    /// Probes that advertise under another address than theirs.
    pub moved: HashMap<String, String>,
    /// The share of advertisements that get lost (percent).
    pub lost_percent: u32,
    /// Whether connected probes keep their values to themselves.
    pub unnotified: bool,
    /// What the stand-in told, by address.
    pub told: HashMap<String, usize>,
}

/// The `n`th temperature of a probe (0.01 °C), between 20 and 40 °C.
fn hundredths(n: u16) -> [u8; 2] {
    (2_000 + n % 2_000).to_le_bytes()
}

/// The `n`th advertisement of a probe. The signal's strength swings as in a room.
pub fn advert(kind: Kind, n: u16) -> Advert {
    let t = hundredths(n);
    let sequence = n.to_le_bytes()[0];
    let rssi = -60 - i16::try_from(n % 7).unwrap();
    let mut advert = Advert { rssi, ..Advert::default() };
    match kind {
        Kind::Clamp => {
            let bytes = vec![0x43, 0x4C, 1, sequence, 90, t[0], t[1]];
            advert.manufacturer.push((0xFFFF, bytes));
            advert.name = Some("bench clamp");
        }
        Kind::Constant => {
            let bytes = vec![0x43, 0x4C, 1, 0, 90, 0xC4, 0x09];
            advert.manufacturer.push((0xFFFF, bytes));
        }
        Kind::BtHome => advert.service.push((BTHOME.into(), vec![0x40, 0x02, t[0], t[1]])),
        Kind::Sensing | Kind::SensingRead => {
            advert.services.push(SENSING.into());
            advert.name = Some("bench sensor");
        }
        Kind::NotifyOnly => advert.services.push(NOTIFY_SERVICE.into()),
        Kind::Malformed => {
            advert.manufacturer.push((0xFFFF, vec![0x43, 0x4C, 1, sequence]));
            advert.service.push((BTHOME.into(), vec![0x40, 0x02, t[0]]));
        }
    }
    advert
}

/// A probe sends for as long as the bench stands.
pub async fn send(probe: Probe, station: Station, air: Arc<Mutex<Air>>) {
    let mut due = tokio::time::interval(probe.every);
    let mut generator = u32::from(probe.address.as_bytes()[16]) + 1;
    for n in 0u16.. {
        due.tick().await;
        // Numerical Recipes' generator: the losses are the same in each run.
        generator = generator.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let (address, lost, unnotified) = {
            let air = air.lock().unwrap();
            let address = air.moved.get(&probe.address).unwrap_or(&probe.address).clone();
            (address, (generator >> 16) % 100 < air.lost_percent, air.unnotified)
        };
        let value = probe.kind.offers().filter(|_| !unnotified).map(|(_, value, _)| value);
        match &station {
            Station::StandIn(service) => {
                let now = service.lock().unwrap().clone();
                let Some(service) = now.filter(|_| !lost) else { continue };
                let told = stand_in(&service, &probe, &address, n, value).await;
                *air.lock().unwrap().told.entry(address).or_default() += usize::from(told);
            }
            Station::Real(guest) => {
                if probe.kind.offers().is_none() {
                    if !lost {
                        let advert = advert(probe.kind, n);
                        let data = hex::encode(advert.encoded());
                        guest.air(&format!("advertise {address} {} {data}", advert.rssi));
                    }
                } else if value.is_some() {
                    guest.air(&format!("value {address} {}", hex::encode(hundredths(n))));
                }
            }
        }
    }
}

/// Sends over the stand-in; whether it told the advertisement.
async fn stand_in(
    service: &Service,
    probe: &Probe,
    address: &str,
    n: u16,
    value: Option<&str>,
) -> bool {
    let told = service.advertise(probe.adapter, address, &advert(probe.kind, n)).await;
    if let Some(value) = value
        && probe.kind != Kind::SensingRead
    {
        service.notify(address, value, &hundredths(n)).await;
    }
    told
}
