//! What `settled watch` costs while it hears probes, on the stand-in for the Bluetooth service.
//!
//! Twenty probes send twice a second each, for 330 s or as many as `SETTLED_BENCH_S` says; then for
//! 60 s fifty times a second each, a thousand payloads in all. Told are processor time, memory,
//! wake-ups by thread, and what of that which the service told is in the record.

#[path = "../bluetooth/bus.rs"]
mod bus;
#[path = "../bluetooth/program.rs"]
mod program;
#[path = "../bluetooth/service.rs"]
mod service;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::time::Duration;

use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;

use self::bus::Bus;
use self::program::Program;
use self::service::{Advert, Service};
use crate::limit::{Limit, parts};
use crate::timing::{many, row, status, told};

const PROBES: u16 = 20;
/// Until it is measured: what is made once is made by then.
const WARM_UP: Duration = Duration::from_secs(30);
const STEADY: Duration = Duration::from_secs(330);
const FLOOD: Duration = Duration::from_secs(60);
const POSITIONS: [&str; 5] =
    ["return-air", "supply-air", "outdoor-air", "suction-line", "liquid-line"];

#[tokio::main]
pub async fn run(_: &Limit) {
    let asked = std::env::var("SETTLED_BENCH_S").ok().and_then(|seconds| seconds.parse().ok());
    let steady = asked.map_or(STEADY, Duration::from_secs);
    watch("20 probes at 2 a second", Duration::from_millis(500), steady).await;
    watch("1,000 payloads a second", Duration::from_millis(20), FLOOD.min(steady)).await;
}

/// The address of probe `number`.
fn address(number: u16) -> String {
    format!("C4:7C:8D:00:02:{number:02X}")
}

fn job(sessions: &Path) -> String {
    let mut job = String::from("site = \"Bench (invented)\"\n[unit]\nrefrigerant = \"R-410A\"\n");
    for number in 0..PROBES {
        let position = POSITIONS
            .get(usize::from(number))
            .map_or_else(|| format!("other:p{number}"), |position| (*position).to_owned());
        let address = address(number);
        let _ = write!(job, "[[probe]]\naddress = \"{address}\"\nposition = \"{position}\"\n");
    }
    let folder = sessions.display();
    let _ = write!(job, "[log]\nfolder = \"{folder}\"\n[web]\nlisten = \"127.0.0.1:0\"\n");
    job
}

/// The `n`th advertisement of a probe; no two of one that follow each other are equal.
fn advert(n: u32) -> Advert {
    let [low, high] = u16::try_from(2_000 + n % 2_000).unwrap().to_le_bytes();
    let bytes = vec![0x43, 0x4C, 1, n.to_le_bytes()[0], 90, low, high];
    let rssi = -60 - i16::try_from(n % 7).unwrap();
    Advert { rssi, manufacturer: vec![(0xFFFF, bytes)], ..Advert::default() }
}

/// One watch of `length`, in which each probe sends `every`.
async fn watch(what: &str, every: Duration, length: Duration) {
    let folder = tempfile::tempdir().unwrap();
    let bus = Bus::start(folder.path().to_owned());
    let service = Service::start(&bus.address).await;
    let (path, sessions) = (folder.path().join("job.toml"), folder.path().join("sessions"));
    fs::write(&path, job(&sessions)).unwrap();
    let clock = SessionClock::start(Elapsed::ZERO);
    let program = Program::start_quiet(&["watch", path.to_str().unwrap()], &bus.address);
    while service.calls("StartDiscovery") == 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    row(
        "`watch`, from its start to the scan (stand-in)",
        &told(clock.elapsed() - Elapsed::ZERO),
        "",
    );
    // Until the service has answered that it scans, nothing is told.
    while !service.advertise("hci0", &address(0), &advert(0)).await {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }

    let mut due = tokio::time::interval(every / u32::from(PROBES));
    let (mut sent, begun) = (1_u64, clock.elapsed());
    let mut before = None;
    while clock.elapsed() - begun < length {
        due.tick().await;
        let (n, number) = (sent / u64::from(PROBES), sent % u64::from(PROBES));
        let address = address(u16::try_from(number).unwrap());
        sent += u64::from(
            service.advertise("hci0", &address, &advert(u32::try_from(n).unwrap())).await,
        );
        if before.is_none() && clock.elapsed() - begun >= WARM_UP.min(length / 2) {
            before = Some(Used::now(program.process(), clock.elapsed()));
        }
    }
    let after = Used::now(program.process(), clock.elapsed());
    // The journal brings its last rows to the disk.
    tokio::time::sleep(Duration::from_secs(4)).await;
    let (_, code) = program.interrupt(&clock);
    assert_eq!(code, Some(0));
    let kept = recorded(&sessions);
    let lost = i64::try_from(sent).unwrap() - i64::try_from(kept).unwrap();
    let rate = sent as f64 / length.as_secs_f64();
    row(
        &format!("{what}: told, recorded, lost"),
        &format!("{}, {}, {lost} ({rate:.0} a second)", many(sent), many(kept)),
        "",
    );
    tell(what, &before.unwrap(), &after);
}

/// What a process had used at one moment.
struct Used {
    at: Elapsed,
    /// Processor time (s) and sleeps ended, by the thread's name and number.
    threads: BTreeMap<String, (f64, u64)>,
    held_kib: u64,
    of_files_kib: u64,
    peak_kib: u64,
}

impl Used {
    fn now(process: u32, at: Elapsed) -> Self {
        let mut threads = BTreeMap::new();
        for task in fs::read_dir(format!("/proc/{process}/task")).unwrap() {
            let task = task.unwrap().path();
            let of = format!("{process}/task/{}", task.file_name().unwrap().to_str().unwrap());
            let name = fs::read_to_string(task.join("comm")).unwrap_or_default();
            let spent = fs::read_to_string(task.join("schedstat")).unwrap_or_default();
            let spent: f64 = spent.split(' ').next().unwrap().parse().unwrap_or(0.0);
            let woken = status(&of, "voluntary_ctxt_switches");
            let name = format!("{} {}", name.trim(), task.file_name().unwrap().display());
            threads.insert(name, (spent / 1e9, woken));
        }
        let process = process.to_string();
        let of = |key| status(&process, key);
        let (held_kib, of_files_kib, peak_kib) = (of("VmRSS"), of("RssFile"), of("VmHWM"));
        Self { at, threads, held_kib, of_files_kib, peak_kib }
    }
}

fn tell(what: &str, before: &Used, after: &Used) {
    let took = (after.at - before.at).as_secs_f64();
    let none = (0.0, 0);
    let changes = after.threads.iter().map(|(name, now)| {
        let was = before.threads.get(name).unwrap_or(&none);
        (name.split(' ').next().unwrap(), (now.0 - was.0) / took, (now.1 - was.1) as f64 / took)
    });
    let mut changes: Vec<_> = changes.collect();
    changes.sort_by(|a, b| b.2.total_cmp(&a.2));
    let share: f64 = changes.iter().map(|change| change.1).sum();
    let woken: f64 = changes.iter().map(|change| change.2).sum();
    row(&format!("{what}: of a core"), &format!("{:.2} %", share * 100.0), "");
    let memory = format!(
        "{} KiB, of which {} of files; at most {}",
        many(after.held_kib),
        many(after.of_files_kib),
        many(after.peak_kib)
    );
    row(&format!("{what}: memory"), &memory, "");
    row(&format!("{what}: wake-ups a second"), &format!("{woken:.1}"), "");
    let each: Vec<String> = changes
        .iter()
        .map(|(name, share, woken)| format!("{name} {woken:.1} ({:.2} %)", share * 100.0))
        .collect();
    row(&format!("{what}: {} threads", each.len()), &each.join(", "), "");
}

/// How many payloads are in the record.
fn recorded(sessions: &Path) -> u64 {
    let session = fs::read_dir(sessions).unwrap().next().unwrap().unwrap().path();
    let of = |part| fs::read_to_string(part).unwrap().matches(",manufacturer,").count() as u64;
    parts(&session).into_iter().map(of).sum()
}
