//! What the page costs a visit, and how late it is: `cargo bench --bench page`.
//!
//! A visit of the virtual unit is recorded at true speed, its loop the daemon's: hand a payload
//! over, show a picture when one is due. Beside it nobody watches, or one, or fifty, or fifty of
//! which ten never read. Told are how long the loop takes from a payload to its row being with the
//! journal, how long until a browser has what the payload changed, and this process's memory.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

use settled::app::demo;
use settled::app::replay::Recorded;
use settled::app::serve::Page;
use settled::app::serve::history::Source;
use settled::app::visit::{Begin, Visit};
use settled::edge::clock::KeptClock;
use settled::engine::profile::Profiles;
use settled::virtual_unit::scenario::Scenario;

/// How long each visit is recorded.
const LENGTH: Duration = Duration::from_secs(20);

fn main() {
    let folder = tempfile::tempdir().expect("the machine has a folder for temporary files");
    let scenario = Scenario { length: Duration::from_mins(4), ..Scenario::default() };
    let session = demo::record(&scenario, folder.path()).expect("the disk serves");
    for (watchers, deaf) in [(0, 0), (1, 0), (50, 0), (40, 10)] {
        let told = visit(&session, folder.path(), watchers, deaf);
        println!(
            "{watchers} watch, {deaf} never read: payload to row {} (median), {} (99 %){}; {} KiB",
            millis(told.rows[told.rows.len() / 2]),
            millis(told.rows[told.rows.len() * 99 / 100]),
            if told.pages.is_empty() {
                String::new()
            } else {
                format!(
                    "; payload to page {} (median), {} (95 %)",
                    millis(told.pages[told.pages.len() / 2]),
                    millis(told.pages[told.pages.len() * 95 / 100])
                )
            },
            memory_kib()
        );
    }
}

struct Told {
    /// From a payload to its row, ascending.
    rows: Vec<Duration>,
    /// From a payload to the browser, ascending.
    pages: Vec<Duration>,
}

#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn visit(session: &Path, sessions: &Path, watchers: usize, deaf: usize) -> Told {
    let mut recorded = Recorded::open(session, None).expect("the session was just made");
    let listen = Some(std::net::SocketAddr::from(([127, 0, 0, 1], 0)));
    let (file, zone) = (&recorded.file, recorded.zone.clone());
    let mut page = Page::serve(file, listen, Source::Live, zone.clone()).expect("a port is free");
    let clock = KeptClock { boot_id: "bench".to_owned(), zero_ms: 0 };
    let begin = Begin { sessions, began: None, clock, zone };
    let mut visit =
        Visit::begin(file, Profiles::shipped(), begin, |_| {}).expect("the disk serves");

    let (sender, arrivals) = channel();
    for number in 0..watchers {
        watch(page.address(), (number == 0).then(|| sender.clone()));
    }
    let unread: Vec<TcpStream> = (0..deaf).map(|_| connect(page.address())).collect();
    thread::sleep(Duration::from_millis(500));
    let start = Instant::now();
    let (mut heard, mut shown, mut rows) = (Vec::new(), Vec::new(), Vec::new());
    while let Some(row) = recorded.rows.next_row().expect("the session was just made") {
        let due = Duration::from_millis(row.at.as_ms());
        if due > LENGTH {
            break;
        }
        while start.elapsed() < due {
            thread::sleep(due.saturating_sub(start.elapsed()).min(page.due_in()));
            show(&mut page, &visit, &mut shown);
        }
        heard.push(Instant::now());
        visit.take(row.at, row.label, row.input, &mut |session, output| page.take(session, output));
        rows.push(heard[heard.len() - 1].elapsed());
        show(&mut page, &visit, &mut shown);
    }
    thread::sleep(Duration::from_millis(300));
    let pages = pages(&heard, &shown, &arrivals);
    drop(unread);
    rows.sort();
    drop(visit.end(&mut |_, _| {}));
    Told { rows, pages }
}

#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn show(page: &mut Page, visit: &Visit, shown: &mut Vec<Instant>) {
    page.show(|| {
        shown.push(Instant::now());
        (visit.snapshot(), visit.recording())
    });
}

/// From each payload to the first arrival of a picture that was made after it, ascending.
fn pages(heard: &[Instant], shown: &[Instant], arrivals: &Receiver<Instant>) -> Vec<Duration> {
    let arrivals: Vec<Instant> = arrivals.try_iter().collect();
    let first = |from: Instant, of: &[Instant]| of.iter().copied().find(|at| *at >= from);
    let mut delays: Vec<Duration> = heard
        .iter()
        .filter_map(|heard| Some(first(first(*heard, shown)?, &arrivals)? - *heard))
        .collect();
    delays.sort();
    delays
}

/// Reads what a page is sent, on a thread of its own, and tells when.
#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn watch(address: &str, tell: Option<Sender<Instant>>) {
    let mut stream = connect(address);
    thread::spawn(move || {
        let mut part = vec![0; 65_536];
        while let Ok(1..) = stream.read(&mut part) {
            if tell.as_ref().is_some_and(|tell| tell.send(Instant::now()).is_err()) {
                return;
            }
        }
    });
}

fn connect(address: &str) -> TcpStream {
    let host = address.trim_start_matches("http://").split('/').next().unwrap_or_default();
    let mut stream = TcpStream::connect(host).expect("the page is served");
    let head = format!("GET /events HTTP/1.1\r\nHost: {host}\r\n\r\n");
    stream.write_all(head.as_bytes()).expect("the page is served");
    stream
}

fn millis(length: Duration) -> String {
    format!("{:.2} ms", length.as_secs_f64() * 1_000.0)
}

/// What this process holds in memory now.
fn memory_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(0)
}
