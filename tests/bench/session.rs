//! The whole engine, a payload: against the length of the session, against the number of profiles,
//! and with more payloads than any radio brings.

use std::time::Duration;

use jiff::tz::TimeZone;
use settled::app::job::JobFile;
use settled::app::replay::Recorded;
use settled::app::visit::{Begin, Visit};
use settled::edge::clock::KeptClock;
use settled::edge::rows::Rows;
use settled::engine::input::Input;
use settled::engine::profile::Profiles;
use settled::engine::reading::{Payload, Via};
use settled::engine::session::Session;
use settled::units::time::Elapsed;

use crate::decode::invented;
use crate::limit::{Limit, record};
use crate::timing::{many, row, told, worked};

/// How long the flood lasts in engine time.
const FLOOD: Duration = Duration::from_secs(20);
/// Payloads a second of the flood.
const FLOOD_RATE: u64 = 50_000;
const FLOOD_PROBES: u64 = ADDRESSES.len() as u64;
const ADDRESSES: [&str; 20] = [
    "C4:7C:8D:00:03:00",
    "C4:7C:8D:00:03:01",
    "C4:7C:8D:00:03:02",
    "C4:7C:8D:00:03:03",
    "C4:7C:8D:00:03:04",
    "C4:7C:8D:00:03:05",
    "C4:7C:8D:00:03:06",
    "C4:7C:8D:00:03:07",
    "C4:7C:8D:00:03:08",
    "C4:7C:8D:00:03:09",
    "C4:7C:8D:00:03:0A",
    "C4:7C:8D:00:03:0B",
    "C4:7C:8D:00:03:0C",
    "C4:7C:8D:00:03:0D",
    "C4:7C:8D:00:03:0E",
    "C4:7C:8D:00:03:0F",
    "C4:7C:8D:00:03:10",
    "C4:7C:8D:00:03:11",
    "C4:7C:8D:00:03:12",
    "C4:7C:8D:00:03:13",
];

pub fn run(limit: &Limit) {
    let session = record(limit.folder(), Duration::from_hours(48), Duration::from_secs(1));
    let mut recorded = Recorded::open(&session, None).unwrap();
    let mut heard = Session::new(recorded.file.job.clone(), Profiles::shipped(), None);
    for hour in 1..=48 {
        let time = an_hour(&mut heard, &mut recorded.rows);
        if [1, 8, 48].contains(&hour) {
            let what = format!("a payload through the session, hour {hour}, reading included");
            row(&what, &told(time), &limit.beside(time));
        }
    }
    for number in [5, 50, 500] {
        let mut recorded = Recorded::open(&session, None).unwrap();
        let mut heard = Session::new(recorded.file.job.clone(), invented(number), None);
        let time = an_hour(&mut heard, &mut recorded.rows);
        let what = format!("the same, hour 1, with {number} more profiles");
        row(&what, &told(time), &limit.beside(time));
    }
    flood(limit);
    flood_recorded(limit);
}

/// The mean time of a payload over an hour of the record.
fn an_hour(session: &mut Session, rows: &mut Rows) -> Duration {
    let (mut count, mut until) = (0, None);
    let (took, ()) = worked(|| {
        while let Some(row) = rows.next_row().unwrap() {
            let until = *until.get_or_insert(row.at + Duration::from_hours(1));
            count += 1;
            session.handle(row.at, row.input);
            while session.poll().is_some() {}
            if row.at >= until {
                break;
            }
        }
    });
    took / count
}

/// A job in which each probe of the flood has a place.
fn placed() -> JobFile {
    let mut text = String::from("site = \"Bench (invented)\"\n");
    for (number, address) in ADDRESSES.iter().enumerate() {
        text =
            format!("{text}[[probe]]\naddress = \"{address}\"\nposition = \"other:p{number}\"\n");
    }
    JobFile::parse(&text).unwrap()
}

/// The `n`th payload of the flood: twenty probes in turn, each of whose payloads differ.
fn flooding(n: u64, with: impl FnOnce(Elapsed, Payload<'_>)) {
    let probe = ADDRESSES[(n % FLOOD_PROBES) as usize];
    let [sequence, ..] = (n / FLOOD_PROBES).to_le_bytes();
    let [low, high] = u16::try_from(2_000 + n % 500).unwrap().to_le_bytes();
    let bytes = [0x43, 0x4C, 1, sequence, 90, low, high];
    let via = Via::Manufacturer(0xFFFF);
    let payload = Payload { probe, via, bytes: &bytes, rssi_dbm: Some(-60) };
    with(Elapsed::from_ms(n * 1_000 / FLOOD_RATE), payload);
}

/// The engine alone, as fast as it goes.
fn flood(limit: &Limit) {
    let mut session = Session::new(placed().job, Profiles::shipped(), None);
    let (count, mut longest) = (FLOOD.as_secs() * FLOOD_RATE, 0);
    let (took, ()) = worked(|| {
        for n in 0..count {
            flooding(n, |at, payload| session.handle(at, Input::Payload(payload)));
            longest = longest.max(std::iter::from_fn(|| session.poll()).count());
        }
    });
    let rate = count as f64 / took.as_secs_f64();
    let figure =
        format!("{} payloads a second; at most {longest} outputs waited", many(rate as u64));
    let time = took / u32::try_from(count).unwrap();
    row("a flood of 20 probes, all placed: the engine alone", &figure, &limit.beside(time));
}

/// The same with journal and derived files, at true speed.
#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn flood_recorded(limit: &Limit) {
    let file = placed();
    let clock = KeptClock { boot_id: "bench".to_owned(), zero_ms: 0 };
    let begin = Begin { sessions: limit.folder(), began: None, clock, zone: TimeZone::UTC };
    let mut visit = Visit::begin(&file, Profiles::shipped(), begin, |_| {}).unwrap();
    let (begun, mut longest, mut late) = (std::time::Instant::now(), 0, Duration::ZERO);
    for n in 0..FLOOD.as_secs() * FLOOD_RATE {
        flooding(n, |at, payload| {
            let due = at - Elapsed::ZERO;
            // A millisecond's payloads come together.
            while begun.elapsed() < due {
                std::thread::sleep(due.saturating_sub(begun.elapsed()));
            }
            visit.take(at, None, Input::Payload(payload), &mut |_, _| {});
            if n % FLOOD_RATE == 0 {
                longest = longest.max(visit.recording().waiting);
            }
            late = late.max(begun.elapsed().saturating_sub(due));
        });
    }
    let status = visit.recording();
    let ended = visit.end(&mut |_, _| {});
    let figure = format!(
        "{} lost, at most {} rows waited for the disk, {} late at most; derived files {}",
        status.lost,
        many(longest),
        told(late),
        if ended.derived { "whole" } else { "given up" }
    );
    row("50,000 payloads a second for 20 s, recorded, at true speed", &figure, "");
}
