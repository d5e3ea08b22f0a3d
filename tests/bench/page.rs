//! What the page costs a visit, and how late it is.
//!
//! A visit of the virtual unit is recorded at true speed, its loop the daemon's: hand a payload
//! over, show a picture when one is due. Beside it nobody watches, or one, or fifty, or fifty of
//! which ten never read. Told are how long the loop takes from a payload to its row being with the
//! journal, how long until a browser has what the payload changed, and this process's memory.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

use settled::app::replay::Recorded;
use settled::app::serve::Page;
use settled::app::serve::history::Source;
use settled::app::visit::{Begin, Visit};
use settled::edge::clock::KeptClock;
use settled::engine::profile::Profiles;

use crate::limit::{Limit, record};
use crate::timing::{many, row, status, told};

/// How long each visit is recorded.
const LENGTH: Duration = Duration::from_secs(20);

pub fn run(_: &Limit) {
    let folder = tempfile::tempdir().unwrap();
    let session = record(folder.path(), Duration::from_mins(4), Duration::from_secs(1));
    for (watchers, deaf) in [(0, 0), (1, 0), (50, 0), (40, 10)] {
        let Told { rows, pages } = visit(&session, folder.path(), watchers, deaf);
        let at = |times: &[Duration], percent: usize| {
            times.get(times.len() * percent / 100).map_or("–".to_owned(), |time| told(*time))
        };
        let figure = format!(
            "to its row {} (median), {} (99 %); to the page {}, {} (95 %); {} KiB",
            at(&rows, 50),
            at(&rows, 99),
            at(&pages, 50),
            at(&pages, 95),
            many(status("self", "VmRSS"))
        );
        row(&format!("a payload, {watchers} watch, {deaf} never read"), &figure, "");
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
    let mut recorded = Recorded::open(session, None).unwrap();
    let listen = Some(std::net::SocketAddr::from(([127, 0, 0, 1], 0)));
    let (file, zone) = (&recorded.file, recorded.zone.clone());
    let mut page = Page::serve(file, listen, Source::Live, zone.clone()).unwrap();
    let clock = KeptClock { boot_id: "bench".to_owned(), zero_ms: 0 };
    let begin = Begin { sessions, began: None, clock, zone };
    let mut visit = Visit::begin(file, Profiles::shipped(), begin, |_| {}).unwrap();

    let (sender, arrivals) = channel();
    for number in 0..watchers {
        watch(page.address(), (number == 0).then(|| sender.clone()));
    }
    let unread: Vec<TcpStream> = (0..deaf).map(|_| connect(page.address())).collect();
    thread::sleep(Duration::from_millis(500));
    let start = Instant::now();
    let (mut heard, mut shown, mut rows) = (Vec::new(), Vec::new(), Vec::new());
    while let Some(row) = recorded.rows.next_row().unwrap() {
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
    let mut stream = TcpStream::connect(host).unwrap();
    let head = format!("GET /events HTTP/1.1\r\nHost: {host}\r\n\r\n");
    stream.write_all(head.as_bytes()).unwrap();
    stream
}
