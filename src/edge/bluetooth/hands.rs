//! The thread that calls into the Bluetooth library: it does what it is ordered and answers.

use std::collections::HashMap;
use std::error::Error;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::thread;
use std::time::Duration;

use btleplug::api::{Central as _, CentralState, Manager as _, ScanFilter};
use btleplug::platform::{Adapter, Manager, Peripheral};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use super::system::Source;
use super::{ConnectPlan, Hands, Outlet, PANICS, hearing, link};
use crate::engine::radio::{Listed, Told};

/// Orders that wait; the supervisor gives each adapter one at a time.
pub(super) const ORDERS_MAX: usize = 256;
/// Time limit of each farewell when the program ends.
const FAREWELL: Duration = Duration::from_millis(700);

/// One thing to do.
#[derive(Debug)]
pub(super) enum Order {
    Manager { turn: u64 },
    List { turn: u64 },
    Stream { turn: u64, adapter: String },
    Scan { turn: u64, adapter: String },
    StopScan { turn: u64, adapter: String },
    Connect { address: String, plan: ConnectPlan, pause_scan: bool },
    Disconnect { address: String },
    Quit,
}

/// Time limits of calls.
#[derive(Debug, Clone, Copy)]
pub(super) struct Calls {
    pub call: Duration,
    pub connect: Duration,
}

/// What the tasks give back to their session.
#[derive(Debug)]
pub(super) enum Found {
    /// A stream found a device.
    Device { address: String, adapter: Adapter, peripheral: Peripheral },
    /// The service says that a device is disconnected.
    Disconnected { address: String },
    /// The adapters were listed.
    Adapters { turn: u64, all: Vec<(Listed, Adapter)> },
}

/// Starts a thread; its first manager answers to `turn`.
pub(super) fn spawn(
    outlet: Outlet,
    orders: mpsc::Receiver<Order>,
    calls: Calls,
    turn: u64,
) -> std::io::Result<()> {
    let name = format!("radio-{}", outlet.thread);
    thread::Builder::new().name(name).spawn(move || run(&outlet, orders, calls, turn))?;
    Ok(())
}

fn run(outlet: &Outlet, mut orders: mpsc::Receiver<Order>, calls: Calls, mut turn: u64) {
    PANICS.with(|panics| *panics.borrow_mut() = Some(outlet.clone()));
    loop {
        let built = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = match built {
            Ok(runtime) => runtime,
            Err(error) => {
                let detail = error.to_string();
                outlet.told(Told::Failed { turn, timed_out: false, detail });
                break;
            }
        };
        let work = || runtime.block_on(session(outlet, &mut orders, calls, turn));
        // The panic's text has gone to the supervisor by the hook; here the thread just ends.
        let ended = catch_unwind(AssertUnwindSafe(work));
        runtime.shutdown_background();
        match ended {
            Ok(Some(next)) => turn = next,
            Ok(None) => break,
            Err(_) => {
                outlet.told(Told::Panicked { detail: "its thread ended".into() });
                break;
            }
        }
    }
    outlet.send(Hands::Ended);
}

/// All that stands on one manager.
struct Session<'a> {
    outlet: &'a Outlet,
    calls: Calls,
    manager: Manager,
    source: Arc<Source>,
    adapters: HashMap<String, Adapter>,
    streams: HashMap<String, JoinHandle<()>>,
    found: HashMap<String, (Adapter, Peripheral)>,
    links: HashMap<String, oneshot::Sender<&'static str>>,
    finds: mpsc::Sender<Found>,
}

/// Works with one manager until another is ordered (its turn is returned) or the end.
async fn session(
    outlet: &Outlet,
    orders: &mut mpsc::Receiver<Order>,
    calls: Calls,
    turn: u64,
) -> Option<u64> {
    let open = async { Ok::<_, btleplug::Error>((Manager::new().await?, Source::open().await?)) };
    let (manager, source) = match limited(calls.call, open).await {
        Ok(opened) => opened,
        Err(failure) => {
            outlet.told(failure.told(turn));
            return unopened(orders).await;
        }
    };
    outlet.told(Told::Done { turn });
    let (finds, mut found) = mpsc::channel(ORDERS_MAX);
    let mut session = Session {
        outlet,
        calls,
        manager,
        source: Arc::new(source),
        adapters: HashMap::new(),
        streams: HashMap::new(),
        found: HashMap::new(),
        links: HashMap::new(),
        finds,
    };
    loop {
        tokio::select! {
            // What was found comes first: an order may be about it.
            biased;
            Some(found) = found.recv() => session.take(found),
            order = orders.recv() => match order {
                Some(Order::Manager { turn }) => return Some(turn),
                Some(Order::Quit) | None => {
                    session.quit().await;
                    return None;
                }
                Some(order) => session.obey(order),
            },
        }
    }
}

/// Without a manager, only another manager or the end can be ordered.
async fn unopened(orders: &mut mpsc::Receiver<Order>) -> Option<u64> {
    loop {
        match orders.recv().await {
            Some(Order::Manager { turn }) => return Some(turn),
            Some(Order::Quit) | None => return None,
            Some(_) => {}
        }
    }
}

impl Session<'_> {
    /// Begins what is ordered, in a task of its own: one adapter's hang is not another's.
    fn obey(&mut self, order: Order) {
        match order {
            Order::List { turn } => self.list(turn),
            Order::Stream { turn, adapter } => self.stream(turn, adapter),
            Order::Scan { turn, adapter } => {
                self.call(
                    turn,
                    &adapter,
                    |a| async move { a.start_scan(ScanFilter::default()).await },
                );
            }
            Order::StopScan { turn, adapter } => {
                // That no scan runs is what was asked for.
                self.call(turn, &adapter, |a| async move { a.stop_scan().await.or(Ok(())) });
            }
            Order::Connect { address, plan, pause_scan } => self.connect(address, plan, pause_scan),
            Order::Disconnect { address } => {
                let link = self.links.remove(&address);
                if link.is_none_or(|link| link.send("no longer wanted").is_err()) {
                    self.outlet.send(Hands::LinkDown { address, why: "not connected".into() });
                }
            }
            Order::Manager { .. } | Order::Quit => {}
        }
    }

    fn take(&mut self, found: Found) {
        match found {
            Found::Device { address, adapter, peripheral } => {
                if self.found.len() >= hearing::DEVICES_MAX {
                    self.found.clear();
                }
                self.found.insert(address, (adapter, peripheral));
            }
            Found::Disconnected { address } => {
                // A link that is being left is not listening any more.
                let link = self.links.remove(&address);
                let _ = link.map(|link| link.send("the link was lost"));
            }
            Found::Adapters { turn, all } => {
                let (listed, adapters): (Vec<_>, Vec<_>) = all.into_iter().unzip();
                let names = listed.iter().map(|l: &Listed| l.name.clone());
                self.adapters = names.zip(adapters).collect();
                self.outlet.told(Told::Adapters { turn, listed });
            }
        }
    }

    fn list(&self, turn: u64) {
        let (manager, outlet, limit) = (self.manager.clone(), self.outlet.clone(), self.calls.call);
        let finds = self.finds.clone();
        tokio::spawn(async move {
            let all = async {
                let mut all = Vec::new();
                for adapter in manager.adapters().await? {
                    let name = name_of(&adapter).await?;
                    let powered = adapter.adapter_state().await? == CentralState::PoweredOn;
                    all.push((Listed { name, powered }, adapter));
                }
                Ok::<_, btleplug::Error>(all)
            };
            match limited(limit, all).await {
                // The session reads for as long as it lives.
                Ok(all) => drop(finds.send(Found::Adapters { turn, all }).await),
                Err(failure) => outlet.told(failure.told(turn)),
            }
        });
    }

    fn stream(&mut self, turn: u64, name: String) {
        if let Some(old) = self.streams.remove(&name) {
            old.abort();
        }
        let Some(adapter) = self.adapters.get(&name).cloned() else {
            return self.outlet.told(gone(turn));
        };
        let (outlet, finds, limit) = (self.outlet.clone(), self.finds.clone(), self.calls.call);
        let (key, source) = (name.clone(), Arc::clone(&self.source));
        let task = tokio::spawn(async move {
            let known = limited(limit, hearing::known(&adapter)).await;
            let events = limited(limit, source.events(&adapter)).await;
            match (known, events) {
                (Ok(known), Ok(events)) => {
                    outlet.told(Told::Done { turn });
                    hearing::Hearing::new(adapter, name, known, outlet, finds, limit)
                        .run(events)
                        .await;
                }
                (Err(failure), _) | (_, Err(failure)) => outlet.told(failure.told(turn)),
            }
        });
        self.streams.insert(key, task);
    }

    /// Makes one call on an adapter and answers.
    fn call<F>(&self, turn: u64, name: &str, make: impl FnOnce(Adapter) -> F)
    where
        F: Future<Output = btleplug::Result<()>> + Send + 'static,
    {
        let Some(adapter) = self.adapters.get(name) else {
            return self.outlet.told(gone(turn));
        };
        let (outlet, limit) = (self.outlet.clone(), self.calls.call);
        let call = make(adapter.clone());
        tokio::spawn(async move {
            outlet.told(match limited(limit, call).await {
                Ok(()) => Told::Done { turn },
                Err(failure) => failure.told(turn),
            });
        });
    }

    fn connect(&mut self, address: String, plan: ConnectPlan, pause_scan: bool) {
        let Some((adapter, peripheral)) = self.found.get(&address).cloned() else {
            let why = "not heard on this adapter yet".into();
            return self.outlet.send(Hands::LinkDown { address, why });
        };
        let (cancel, cancelled) = oneshot::channel();
        self.links.insert(address.clone(), cancel);
        let scan = pause_scan.then_some(adapter);
        let link = link::Link {
            address,
            peripheral,
            plan,
            scan,
            outlet: self.outlet.clone(),
            calls: self.calls,
        };
        tokio::spawn(link.run(cancelled));
    }

    async fn quit(&mut self) {
        let scans = self.adapters.values().map(|adapter| timeout(FAREWELL, adapter.stop_scan()));
        // A farewell that fails changes nothing any more.
        futures::future::join_all(scans).await;
        let links = self.links.keys().filter_map(|address| self.found.get(address));
        let byes = links.map(|(_, peripheral)| timeout(FAREWELL, link::bye(peripheral)));
        futures::future::join_all(byes).await;
    }
}

fn gone(turn: u64) -> Told {
    Told::Failed { turn, timed_out: false, detail: "the adapter is gone".into() }
}

/// The system's name for an adapter: the first word that it says of itself.
pub(super) async fn name_of(adapter: &Adapter) -> btleplug::Result<String> {
    let info = adapter.adapter_info().await?;
    Ok(info.split_whitespace().next().unwrap_or("adapter").to_owned())
}

/// Why a call gave nothing.
#[derive(Debug)]
pub(super) struct CallFailure {
    timed_out: bool,
    pub detail: String,
}

impl CallFailure {
    pub fn new(detail: String) -> Self {
        Self { timed_out: false, detail }
    }

    fn told(self, turn: u64) -> Told {
        Told::Failed { turn, timed_out: self.timed_out, detail: self.detail }
    }
}

/// The outcome of `call`, which is given up after `limit`.
pub(super) async fn limited<T, E: Error>(
    limit: Duration,
    call: impl Future<Output = Result<T, E>>,
) -> Result<T, CallFailure> {
    match timeout(limit, call).await {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(CallFailure { timed_out: false, detail: error.to_string() }),
        Err(_) => {
            let detail = format!("no answer within {} s", limit.as_secs_f64());
            Err(CallFailure { timed_out: true, detail })
        }
    }
}
