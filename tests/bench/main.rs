//! All benchmarks, as the rows of one table: `cargo bench --bench speed [-- NAME…]`. The table with
//! its head is made by `tests/bench/run`.
//!
//! Beside each figure stands the limit of the same run: merely parsing the record of a night, 8 hours
//! of twelve channels, with the `csv` crate's byte records.

#![expect(clippy::unwrap_used, reason = "a benchmark may panic")]
#![cfg_attr(
    target_os = "linux",
    expect(dead_code, reason = "the stand-in does more than is asked")
)]

#[cfg(target_os = "linux")]
mod daemon;
mod decode;
mod diagnose;
mod limit;
mod page;
mod process;
mod record;
mod replay;
mod session;
mod signals;
mod timing;

use crate::limit::Limit;

/// A benchmark and its name.
type Named = (&'static str, fn(&Limit));

fn main() {
    // Cargo adds options of its own.
    let named: Vec<String> =
        std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let all: [Named; _] = [
        ("decode", decode::run),
        ("signals", signals::run),
        ("diagnose", diagnose::run),
        ("record", record::run),
        ("session", session::run),
        ("replay", replay::run),
        ("process", process::run),
        ("page", page::run),
        #[cfg(target_os = "linux")]
        ("daemon", daemon::run),
    ];
    let known = |name: &&String| all.iter().all(|(of, _)| of != name);
    if let Some(unknown) = named.iter().find(known) {
        let names: Vec<&str> = all.iter().map(|(name, _)| *name).collect();
        eprintln!("no benchmark is called `{unknown}`; there are {}", names.join(", "));
        std::process::exit(2);
    }
    let wanted = |name: &str| named.is_empty() || named.iter().any(|of| of == name);
    eprintln!("a night is made …");
    let limit = Limit::of_a_night();
    limit.tell();
    for (name, run) in all.into_iter().filter(|(name, _)| wanted(name)) {
        eprintln!("{name} …");
        run(&limit);
    }
}
