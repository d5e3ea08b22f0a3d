//! What a bench stands on: the stand-in or the real service, and how each does what a script says.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::air::{Probe, TEMPERATURE, advert};
use crate::guest::Guest;
use crate::script::Deed;
use crate::service::{Characteristic, Heal, Service};

/// The Bluetooth service of a bench. Both take the same deeds.
#[derive(Clone)]
pub enum Station {
    StandIn(Arc<Mutex<Option<Service>>>),
    Real(Arc<Guest>),
}

/// How long bluetoothd 5.66 leaves a scan alone that something else ended.
const RESTART: Duration = Duration::from_secs(5);
/// What a kernel that still scans makes the service say, and how often.
const REFUSAL: &str = "Operation already in progress";
const REFUSALS: usize = 4;
/// What a client calls while it looks for devices.
const CALLS: [&str; 5] = ["GetManagedObjects", "StartDiscovery", "StopDiscovery", "Set", "GetAll"];

impl Station {
    /// The stand-in, where it runs.
    pub fn service(&self) -> Service {
        match self {
            Self::StandIn(service) => service.lock().unwrap().clone().expect("the service runs"),
            Self::Real(_) => panic!("the real service is no stand-in"),
        }
    }

    /// The service begins, and knows no device yet.
    pub async fn begin(&self, bus: &str, probes: &[Probe]) {
        match self {
            Self::StandIn(service) => {
                let new = Service::start(bus).await;
                for probe in probes {
                    let Some((uuid, value, flags)) = probe.kind.offers() else { continue };
                    let characteristic = Characteristic {
                        uuid: value.into(),
                        flags: flags.to_vec(),
                        value: vec![0xC4, 0x09],
                    };
                    new.gatt(&probe.address, uuid, vec![characteristic]);
                }
                *service.lock().unwrap() = Some(new);
            }
            Self::Real(guest) => guest.order("service start"),
        }
    }

    /// Probes that can be connected to take their place in the air; the stand-in needs none.
    pub fn place(&self, probes: &[Probe]) {
        let Self::Real(guest) = self else { return };
        guest.air("clear");
        for probe in probes {
            let Some((_, value, flags)) = probe.kind.offers() else { continue };
            assert_eq!(value, TEMPERATURE, "the emulated probes have one characteristic");
            let how = flags.last().unwrap();
            let data = hex::encode(advert(probe.kind, 0).encoded());
            guest.air(&format!("sensor {} {how} {data}", probe.address));
        }
    }

    /// The service ends, and powers off its adapters before.
    pub async fn end(&self) {
        match self {
            Self::StandIn(_) => {
                pull(&self.service()).await;
                self.crash().await;
            }
            Self::Real(guest) => guest.order("service stop"),
        }
    }

    /// The service ends and tidies nothing up.
    pub async fn crash(&self) {
        match self {
            Self::StandIn(service) => {
                let service = service.lock().unwrap().take();
                service.expect("the service runs").quit().await;
            }
            Self::Real(guest) => guest.order("service kill"),
        }
    }

    /// Brings about what needs neither the bus nor the air.
    pub async fn happen(&self, deed: Deed, probe: &str) {
        match self {
            Self::StandIn(_) => stand_in(&self.service(), deed, probe).await,
            Self::Real(guest) => real(guest, deed, probe),
        }
    }
}

async fn stand_in(service: &Service, deed: Deed, probe: &str) {
    match deed {
        Deed::ServiceHangs => {
            service.mute(Heal::Never);
            for member in &CALLS {
                service.hang(member, true);
            }
        }
        Deed::ServiceGoesOn => {
            for member in &CALLS {
                service.hang(member, false);
            }
            service.unmute();
        }
        Deed::AdapterOut => pull(service).await,
        Deed::AdapterIn => service.plug(0).await,
        Deed::AdapterOff => power_off(service).await,
        Deed::ScanOff => service.set_adapter(0, "Discovering", false).await,
        Deed::ScanPaused => service.pause_scan(0, RESTART).await,
        Deed::Mute => service.mute(Heal::Call("StartDiscovery")),
        Deed::MuteToClient => service.mute(Heal::ClientOtherThan(service.clients())),
        Deed::ScanLeft => {
            (0..REFUSALS).for_each(|_| service.fail_next("StartDiscovery", REFUSAL));
        }
        Deed::LinkLost => service.drop_link("hci0", probe).await,
        Deed::Refused => service.fail_next("Connect", "le-connection-abort-by-local"),
        Deed::ReadHangs => service.hang("ReadValue", true),
        Deed::ReadGoesOn => service.hang("ReadValue", false),
        Deed::Panics => {
            service.make_panic();
            service.drop_link("hci0", probe).await;
        }
        other => panic!("{other:?} is for the bench to do"),
    }
}

async fn power_off(service: &Service) {
    service.set_adapter(0, "Discovering", false).await;
    service.set_adapter(0, "Powered", false).await;
}

/// As the real service does, which tells that an adapter is off before it is gone.
async fn pull(service: &Service) {
    power_off(service).await;
    service.unplug(0).await;
}

fn real(guest: &Guest, deed: Deed, probe: &str) {
    match deed {
        Deed::ServiceHangs => guest.order("service pause"),
        Deed::ServiceGoesOn => guest.order("service go-on"),
        Deed::AdapterOut => guest.order("adapter out"),
        Deed::AdapterIn => guest.order("adapter in"),
        Deed::AdapterOff => guest.order("power off"),
        Deed::ScanPaused => guest.order("scan off"),
        Deed::Mute => guest.air("mute"),
        // The kernel does so by itself, for up to 10.24 s.
        Deed::ScanLeft => {}
        Deed::LinkLost => guest.air(&format!("drop {probe}")),
        other => panic!("the real service plays no {other:?}; the script must say so"),
    }
}
