//! The page: what a visit looks like in a browser, live and as a night.
//!
//! `feed` takes what the session says, `history` keeps it, `page` and `night` draw it, `routes`
//! answers. [`Page`] ties them together; the session's loop holds it and never waits for it.

mod api;
mod assets;
mod chart;
mod feed;
pub mod history;
mod metrics;
mod night;
mod note;
mod page;
mod routes;
mod series;
mod sheet;
mod when;

use std::io::{self, IsTerminal as _, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::thread::{self, JoinHandle};
use std::time::Duration;

use jiff::tz::TimeZone;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;
use serde_json::json;

use self::feed::Feed;
use self::history::{History, Source};
use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::shutdown::Shutdown;
use crate::edge::clock::{self, Utc};
use crate::edge::journal::Status;
use crate::edge::web::gate::{Gate, Token};
use crate::edge::web::{self, Bound, Limits, Server};
use crate::engine::output::Output;
use crate::engine::profile::Profiles;
use crate::engine::session::Session;
use crate::engine::snapshot::Snapshot;
use crate::units::time::Elapsed;

/// Time between two looks whether the program is asked to stop.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// A page that is served.
pub struct Page {
    feed: Feed,
    address: String,
    outward: bool,
    _server: Server,
    _keeper: JoinHandle<()>,
}

impl Page {
    /// Serves a page of a visit that begins, at `listen` or else at the job's address.
    ///
    /// # Errors
    /// The address is in use, or not this machine's.
    pub fn serve(
        file: &JobFile,
        listen: Option<SocketAddr>,
        source: Source,
        zone: TimeZone,
    ) -> Result<Self, Failure> {
        let listen = listen.unwrap_or(file.web.listen);
        let no = |what: io::Error| {
            Failure::world(format!(
                "no page at {listen}: {what}; give another address and port in the job: [web] listen"
            ))
        };
        let bound = Bound::to(listen, Limits::default()).map_err(no)?;
        let address = bound.address().map_err(no)?;
        let token = token().map_err(Failure::world)?;
        let gate = Gate::new(token, address, names());
        let printed = printed(address, &gate);
        let mut history = History::new(&file.site, file.units, source, file.job.interval, zone);
        history.job = file.job.clone();
        let begun = Session::new(file.job.clone(), Profiles::default(), None).snapshot();
        let waits = source != Source::Live;
        let (feed, keeper, thread) = feed::start(history, &begun, waits).map_err(no)?;
        let outward = !gate.is_open();
        let server = bound.serve(routes::router(keeper, gate)).map_err(no)?;
        Ok(Self { feed, address: printed, outward, _server: server, _keeper: thread })
    }

    /// Tells where the page is: a JSON line for programs; for people its address and, where it is
    /// for the local network and this is a terminal, a code to scan.
    ///
    /// # Errors
    /// When `out` does not take it.
    pub fn announce(&self, json: bool, out: &mut dyn Write) -> io::Result<()> {
        if json {
            writeln!(out, "{}", json!({"kind": "page", "address": self.address}))?;
            return out.flush();
        }
        writeln!(out, "Page: {}", self.address)?;
        if self.outward {
            if io::stdout().is_terminal()
                && let Ok(code) = QrCode::new(self.address.as_bytes())
            {
                writeln!(out, "{}", code.render::<Dense1x2>().build())?;
            }
            writeln!(out, "Whoever has this address can read the page and write notes.")?;
        }
        out.flush()
    }

    /// The page's address, with its token.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Takes what the session said.
    pub fn take(&mut self, session: &Session, output: &Output) {
        self.feed.take(session, output);
    }

    /// Shows a new picture where one is due.
    pub fn show(&mut self, picture: impl FnOnce() -> (Snapshot, Status)) {
        self.feed.show(clock::machine_ms(), picture);
    }

    /// How long until the next picture is due.
    pub fn due_in(&self) -> Duration {
        self.feed.due_in(clock::machine_ms())
    }

    /// A row of the record is at `at` and bears `label`; to be told before what it leads to.
    pub fn row(&mut self, at: Elapsed, label: Option<Utc>) {
        self.feed.row(at, label);
    }

    /// Tells in which folder notes are left from now on.
    pub fn takes_notes_in(&mut self, folder: PathBuf) {
        self.feed.folder(folder);
    }

    /// Takes what a session says that hears its record again; waits where the page is behind.
    pub fn retell(&mut self, session: &Session, output: &Output) {
        self.feed.retell(session, output);
    }

    /// The source has come to its end: the page stays as it is then, until the program is asked
    /// to stop.
    ///
    /// # Errors
    /// The system does not say when it is asked to stop, or `out` takes nothing.
    pub fn stay(
        mut self,
        source: Source,
        last: Snapshot,
        json: bool,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        self.feed.end(source, (last, Status::default()));
        let shutdown = Shutdown::watch()?;
        if !json {
            writeln!(out, "The page stays at {}; Ctrl-C ends it.", self.address)?;
        }
        out.flush()?;
        while !shutdown.asked() {
            thread::sleep(LOOK_EVERY);
        }
        Ok(())
    }
}

/// The program's token: the same for each session of a watch, so that a page that is open goes on
/// when the job is changed.
fn token() -> Result<Token, getrandom::Error> {
    static TOKEN: OnceLock<Token> = OnceLock::new();
    if let Some(token) = TOKEN.get() {
        return Ok(token.clone());
    }
    let token = Token::random()?;
    Ok(TOKEN.get_or_init(|| token).clone())
}

/// The address to open, with the token.
fn printed(address: SocketAddr, gate: &Gate) -> String {
    let mut shown = address;
    if address.ip().is_unspecified()
        && let Some(outward) = web::outward_address()
    {
        shown.set_ip(outward);
    }
    format!("http://{shown}/?token={}", gate.token().text())
}

/// What this machine is called in its network.
fn names() -> Vec<String> {
    let name = rustix::system::uname().nodename().to_string_lossy().into_owned();
    if name.is_empty() { Vec::new() } else { vec![format!("{name}.local"), name] }
}
