//! One connected probe: what its plan says, until the link is lost or no longer wanted.

use std::collections::HashMap;
use std::time::Duration;

use btleplug::api::{
    Central as _, CharPropFlags, Characteristic, Peripheral as _, ScanFilter, WriteType,
};
use btleplug::platform::{Adapter, Peripheral};
use futures::StreamExt as _;
use tokio::sync::oneshot;
use tokio::time::{MissedTickBehavior, interval, timeout};
use uuid::Uuid;

use super::hands::{CallFailure, Calls, limited};
use super::{ConnectPlan, Hands, Outlet, Sent, ValuePlan};
use crate::engine::reading::Via;

/// How often a link that gives no sign of its loss is asked whether it is there.
const CHECK_EVERY: Duration = Duration::from_secs(5);
/// How often the times of reading are looked at; a value is read at most so much late.
const READ_STEP: Duration = Duration::from_secs(1);
/// Time limit of leaving, which must not hold up what comes next.
const LEAVE: Duration = Duration::from_secs(2);

pub(super) struct Link {
    pub address: String,
    pub peripheral: Peripheral,
    pub plan: ConnectPlan,
    /// The adapter whose scan has to pause while connecting.
    pub scan: Option<Adapter>,
    pub outlet: Outlet,
    pub calls: Calls,
}

impl Link {
    /// Works until the link is lost or `cancelled`, and says so.
    pub async fn run(self, cancelled: oneshot::Receiver<&'static str>) {
        let why = tokio::select! {
            failure = self.work() => failure.detail,
            why = cancelled => why.unwrap_or("the manager is gone").to_owned(),
        };
        // Whether leaving succeeds shows when the probe is connected to again.
        drop(timeout(LEAVE, bye(&self.peripheral)).await);
        self.outlet.send(Hands::LinkDown { address: self.address, why });
    }

    async fn work(&self) -> CallFailure {
        match self.open().await {
            Ok((values, notes)) => self.take(values, notes).await,
            Err(failure) => failure,
        }
    }

    async fn connect(&self) -> Result<(), CallFailure> {
        if let Some(adapter) = &self.scan {
            drop(limited(self.calls.call, adapter.stop_scan()).await);
        }
        let connected = limited(self.calls.connect, self.peripheral.connect()).await;
        if let Some(adapter) = &self.scan {
            drop(limited(self.calls.call, adapter.start_scan(ScanFilter::default())).await);
        }
        connected
    }

    /// Connects, writes what is to be written first, and subscribes.
    async fn open(&self) -> Result<(Vec<Value<'_>>, Notes), CallFailure> {
        let limit = self.calls.call;
        self.connect().await?;
        limited(limit, self.peripheral.discover_services()).await?;
        let all: HashMap<u128, Characteristic> = self
            .peripheral
            .characteristics()
            .into_iter()
            .map(|characteristic| (characteristic.uuid.as_u128(), characteristic))
            .collect();
        let find = |uuid: u128| {
            let detail = format!("it has no characteristic {}", Uuid::from_u128(uuid));
            all.get(&uuid).cloned().ok_or(CallFailure::new(detail))
        };
        // Before subscribing, so that the first notification is not missed.
        let notes = limited(limit, self.peripheral.notifications()).await?;
        for (uuid, bytes) in &self.plan.write_first {
            let characteristic = find(*uuid)?;
            let answered = characteristic.properties.contains(CharPropFlags::WRITE);
            let how = if answered { WriteType::WithResponse } else { WriteType::WithoutResponse };
            limited(limit, self.peripheral.write(&characteristic, bytes, how)).await?;
        }
        let mut values = Vec::new();
        for plan in &self.plan.values {
            // A service's profiles name all that it may have; a probe has some.
            let Ok(characteristic) = find(plan.characteristic) else { continue };
            let tells = CharPropFlags::NOTIFY | CharPropFlags::INDICATE;
            let subscribed = plan.subscribe && characteristic.properties.intersects(tells);
            if subscribed {
                limited(limit, self.peripheral.subscribe(&characteristic)).await?;
            }
            let (quiet, unread, read) = (Duration::ZERO, Duration::MAX, None);
            values.push(Value { plan, characteristic, subscribed, quiet, unread, read });
        }
        if values.is_empty() {
            let detail = "it has none of the characteristics asked for".to_owned();
            return Err(CallFailure::new(detail));
        }
        self.outlet.send(Hands::LinkUp { address: self.address.clone() });
        Ok((values, notes))
    }

    /// Hands on what comes, and reads what has not come for too long.
    async fn take(&self, mut values: Vec<Value<'_>>, mut notes: Notes) -> CallFailure {
        let mut step = interval(READ_STEP);
        let mut check = interval(CHECK_EVERY);
        step.set_missed_tick_behavior(MissedTickBehavior::Delay);
        check.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                note = notes.next() => {
                    let Some(note) = note else {
                        return CallFailure::new("the notifications ended".into());
                    };
                    let uuid = note.uuid.as_u128();
                    let value = values.iter_mut().find(|v| v.plan.characteristic == uuid);
                    if let Some(value) = value.filter(|value| value.subscribed) {
                        // The service tells what was read as a notification too; that is none, and
                        // a probe that only answers reads stays silent by it.
                        if value.read.take().is_none_or(|read| read != note.value) {
                            value.quiet = Duration::ZERO;
                            self.bytes(uuid, note.value);
                        }
                    }
                }
                _ = step.tick() => {
                    if let Err(failure) = self.read(&mut values).await {
                        return failure;
                    }
                }
                _ = check.tick() => {
                    match limited(self.calls.call, self.peripheral.is_connected()).await {
                        Ok(true) => {}
                        Ok(false) => return CallFailure::new("the link was lost".into()),
                        Err(failure) => return failure,
                    }
                }
            }
        }
    }

    async fn read(&self, values: &mut [Value<'_>]) -> Result<(), CallFailure> {
        for value in values {
            value.quiet = value.quiet.saturating_add(READ_STEP);
            value.read = None;
            let readable = value.characteristic.properties.contains(CharPropFlags::READ);
            value.unread = value.unread.saturating_add(READ_STEP);
            let due = value.plan.read_every.is_some_and(|every| value.unread >= every);
            // What could not be subscribed to is read from the start.
            let silent = !value.subscribed || value.quiet >= value.plan.silence;
            if readable && due && silent {
                value.unread = Duration::ZERO;
                let read = self.peripheral.read(&value.characteristic);
                let bytes = limited(self.calls.call, read).await?;
                value.read = Some(bytes.clone());
                self.bytes(value.plan.characteristic, bytes);
            }
        }
        Ok(())
    }

    fn bytes(&self, uuid: u128, bytes: Vec<u8>) {
        let (address, via) = (self.address.clone(), Via::Characteristic(uuid));
        self.outlet.send(Hands::Bytes(Sent { adapter: None, address, via, bytes, rssi_dbm: None }));
    }
}

/// A value to take.
struct Value<'a> {
    plan: &'a ValuePlan,
    characteristic: Characteristic,
    subscribed: bool,
    /// How long no notification has come.
    quiet: Duration,
    /// How long it has not been read.
    unread: Duration,
    /// What has just been read.
    read: Option<Vec<u8>>,
}

type Notes =
    std::pin::Pin<Box<dyn futures::Stream<Item = btleplug::api::ValueNotification> + Send>>;

/// Ends the link.
pub(super) async fn bye(peripheral: &Peripheral) -> btleplug::Result<()> {
    peripheral.disconnect().await
}
