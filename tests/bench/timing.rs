//! How times are taken, and how a figure becomes a row of the table that `tests/bench/run` makes.

use std::fs;
use std::hint::black_box;
use std::time::{Duration, Instant};

/// Prints a row: what was measured, the figure, and how it stands to the limit of the same run.
pub fn row(what: &str, figure: &str, beside: &str) {
    println!("| {what} | {figure} | {beside} |");
}

/// What a round takes at the least: kernels tell the time on a processor in steps of some ms.
const LONG: Duration = Duration::from_millis(400);

/// How long this thread works on one call: the shortest of three rounds, each of so many calls that
/// it is long.
pub fn each<T>(mut once: impl FnMut() -> T) -> Duration {
    let mut round = |calls: u32| {
        let (took, ()) = worked(|| {
            for _ in 0..calls {
                black_box(once());
            }
        });
        took
    };
    // The short ones bring code and data into the caches.
    let mut calls = 1;
    while round(calls) < LONG {
        calls *= 2;
    }
    (0..3).map(|_| round(calls).div_f64(f64::from(calls))).min().unwrap_or_default()
}

/// How long this thread works on one call, and what it gives: time on a processor, where the kernel
/// tells it, so that what else runs on the machine counts less; else the time on the wall.
pub fn worked<T>(work: impl FnOnce() -> T) -> (Duration, T) {
    let before = spent();
    let (wall, given) = waited(work);
    let worked = before.zip(spent()).map(|(before, after)| after.saturating_sub(before));
    (worked.unwrap_or(wall), given)
}

fn spent() -> Option<Duration> {
    let told = fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    told.split(' ').next()?.parse().ok().map(Duration::from_nanos)
}

/// How long one call takes on the wall, and what it gives.
#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
pub fn waited<T>(work: impl FnOnce() -> T) -> (Duration, T) {
    let begun = Instant::now();
    let given = work();
    (begun.elapsed(), given)
}

/// Time on processors of all threads of a process so far; zero where the kernel does not tell.
pub fn spent_by(process: &str) -> Duration {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    // After the name in brackets, user and system time are the 12th and 13th, in hundredths.
    let after = stat.rsplit_once(')').map_or("", |(_, after)| after);
    let ticks =
        after.split_whitespace().skip(11).take(2).filter_map(|word| word.parse::<u64>().ok());
    Duration::from_millis(10 * ticks.sum::<u64>())
}

/// A time in the unit that suits it.
pub fn told(time: Duration) -> String {
    let s = time.as_secs_f64();
    match s {
        s if s < 10e-6 => format!("{:.0} ns", s * 1e9),
        s if s < 10e-3 => format!("{:.1} µs", s * 1e6),
        s if s < 1.0 => format!("{:.1} ms", s * 1e3),
        _ => format!("{s:.2} s"),
    }
}

/// `n` with commas.
pub fn many(n: u64) -> String {
    let digits = n.to_string();
    let groups: Vec<&str> = digits.as_bytes().rchunks(3).rev().map(text).collect();
    groups.join(",")
}

fn text(digits: &[u8]) -> &str {
    std::str::from_utf8(digits).unwrap_or_default()
}

/// A line of `/proc/PROCESS/status` that is a number, such as `VmHWM` (KiB); 0 where none is told.
pub fn status(process: &str, key: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}
