//! A small web server on a thread of its own, with limits on connections, sizes and time.
//!
//! It knows nothing of what it sends: that is the router's. [`gate`] says who may ask; what is
//! asked too slowly, or never read, ends by a time limit, and all memory has a bound.

pub mod gate;
pub mod stall;

use std::io;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::thread::{self, JoinHandle};
use std::time::Duration;

use axum::extract::{Extension, Request};
use axum::http::StatusCode;
use axum::middleware::{self, Next};
use axum::response::IntoResponse as _;
use axum::routing::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::runtime::Runtime;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tracing::debug;

use self::stall::Stalling;

/// Connections that may wait for their turn.
const BACKLOG: u32 = 64;
/// Wait after the system would give no further connection.
const REST: Duration = Duration::from_millis(100);

/// What a connection may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Connections at once (1 to 1,000; default 128); further ones wait.
    pub connections: usize,
    /// Longest time for a request's head to come, and for an idle connection to stay open (default
    /// 10 s).
    pub head_wait: Duration,
    /// Longest time from a request's head to the head of its answer (default 10 s).
    pub answer_wait: Duration,
    /// Longest time in which whoever asked takes nothing of what is sent (default 15 s).
    pub stall: Duration,
    /// What the system may hold of an answer that is not yet taken (bytes; default 128 KiB).
    pub send_buffer: u32,
    /// Longest head of a request (bytes, at least 8 KiB; default 16 KiB).
    pub head_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 128,
            head_wait: Duration::from_secs(10),
            answer_wait: Duration::from_secs(10),
            stall: Duration::from_secs(15),
            send_buffer: 128 * 1024,
            head_bytes: 16 * 1024,
        }
    }
}

/// The address, on this machine, that a request came to.
#[derive(Debug, Clone, Copy)]
pub struct CameTo(pub SocketAddr);

/// An address that is listened at, before anything is answered there.
pub struct Bound {
    runtime: Runtime,
    listener: TcpListener,
    limits: Limits,
}

impl Bound {
    /// Listens at `address`.
    ///
    /// # Errors
    /// The address is in use, or not this machine's.
    pub fn to(address: SocketAddr, limits: Limits) -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let listener = runtime.block_on(async {
            let socket = match address {
                SocketAddr::V4(_) => TcpSocket::new_v4()?,
                SocketAddr::V6(_) => TcpSocket::new_v6()?,
            };
            // A restarted watch has its page back at once.
            socket.set_reuseaddr(true)?;
            // Connections inherit it: what a watcher does not read must not pile up here.
            socket.set_send_buffer_size(limits.send_buffer)?;
            socket.bind(address)?;
            socket.listen(BACKLOG)
        })?;
        Ok(Self { runtime, listener, limits })
    }

    /// Where it listens; the port is the true one, also where 0 was asked for.
    ///
    /// # Errors
    /// The system does not say.
    pub fn address(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }

    /// Answers by `router` from now on, on a thread of its own.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn serve(self, router: Router) -> io::Result<Server> {
        let (stop, stopped) = watch::channel(());
        let Self { runtime, listener, limits } = self;
        let timed = middleware::from_fn(move |request: Request, next: Next| async move {
            let answer = tokio::time::timeout(limits.answer_wait, next.run(request)).await;
            answer.unwrap_or_else(|_| StatusCode::REQUEST_TIMEOUT.into_response())
        });
        let router = router.layer(timed);
        let thread = thread::Builder::new().name("page".to_owned()).spawn(move || {
            runtime.block_on(accept(listener, router, limits, stopped));
            // Streams that are open have no end of their own.
            runtime.shutdown_background();
        })?;
        Ok(Server { stop: Some(stop), thread: Some(thread) })
    }
}

/// A server that runs; it ends when this is dropped.
pub struct Server {
    stop: Option<watch::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // It has nothing left to do but to return.
            let _ = thread.join();
        }
    }
}

async fn accept(
    listener: TcpListener,
    router: Router,
    limits: Limits,
    mut stopped: watch::Receiver<()>,
) {
    let places = Arc::new(Semaphore::new(limits.connections));
    loop {
        let next = async {
            let place = Arc::clone(&places).acquire_owned().await;
            (listener.accept().await, place)
        };
        let (accepted, place) = tokio::select! {
            next = next => next,
            _ = stopped.changed() => return,
        };
        let Ok(place) = place else { return };
        match accepted {
            Ok((stream, _)) => {
                tokio::spawn(answer(stream, router.clone(), limits, place));
            }
            Err(error) => {
                debug!("no connection to the page: {error}");
                tokio::time::sleep(REST).await;
            }
        }
    }
}

/// Answers all that one connection asks.
async fn answer(stream: TcpStream, router: Router, limits: Limits, place: OwnedSemaphorePermit) {
    let Ok(address) = stream.local_addr() else { return };
    // Small messages go at once; without it the page would lag by up to 40 ms.
    if stream.set_nodelay(true).is_err() {
        return;
    }
    let service = TowerToHyperService::new(router.layer(Extension(CameTo(address))));
    let served: Result<(), hyper::Error> = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_wait)
        .max_buf_size(limits.head_bytes)
        .serve_connection(TokioIo::new(Stalling::new(stream, limits.stall)), service)
        .await;
    if let Err(error) = served {
        debug!("a connection to the page ended: {error}");
    }
    drop(place);
}

/// This machine's address as others in its network see it; `None` where there is no network.
///
/// Nothing is sent: connecting a datagram socket only asks for the way there. The address that is
/// asked about is reserved for documentation (RFC 5737).
pub fn outward_address() -> Option<std::net::IpAddr> {
    let socket = UdpSocket::bind(("0.0.0.0", 0)).ok()?;
    socket.connect(("192.0.2.1", 9)).ok()?;
    let address = socket.local_addr().ok()?.ip();
    (!address.is_unspecified()).then_some(address)
}
