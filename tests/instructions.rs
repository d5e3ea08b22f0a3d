//! How many instructions the work takes, counted by valgrind: a guard against getting slower that no
//! busy machine disturbs. It counts the build for tests, so the numbers are no measure of speed.
//!
//! The counts of the last accepted state are in `tests/bench/instructions.toml`. Where a change of
//! them is meant: `SETTLED_COUNT=write cargo test --test instructions`.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::env;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

use settled::app::replay::Recorded;
use settled::edge::derived::{DerivedFiles, Settings};
use settled::engine::decode::decode;
use settled::engine::job::Job;
use settled::engine::profile::Profiles;
use settled::engine::reading::{ChannelId, Instrument, Payload, Reading, Via};
use settled::engine::session::Session;
use settled::engine::signals::Signals;
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;

/// How far a count may be above the accepted one (fraction): from run to run they
/// differ by up to 0.015, from the random keys of hash tables.
const TOLERANCE: f64 = 0.05;
/// Where this process is the one that is counted: the kernel's name, and how many rounds.
const KERNEL: &str = "SETTLED_KERNEL";
const ROUNDS: &str = "SETTLED_ROUNDS";

/// A kernel, with the rounds of the shorter of two runs; the other has twice as many, so that what
/// both do before cancels.
type Kernel = (&'static str, u32, fn(u32));
const KERNELS: [Kernel; 3] =
    [("decode", 1_000, decoding), ("signals", 6_000, signals), ("replay", 2_000, replaying)];

#[test]
fn no_kernel_takes_more_instructions_than_were_accepted() {
    if let Ok(kernel) = env::var(KERNEL) {
        let (_, _, work) = KERNELS.iter().find(|(name, ..)| *name == kernel).unwrap();
        work(env::var(ROUNDS).unwrap().parse().unwrap());
        return;
    }
    if Command::new("valgrind").arg("--version").output().is_err() {
        println!("NOT RUN: counts of instructions, because valgrind is missing; install valgrind");
        return;
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/instructions.toml");
    let counted = KERNELS.map(|(name, rounds, _)| {
        let each = (count(name, 2 * rounds) - count(name, rounds)) / u64::from(rounds);
        println!("{name}: {each} instructions a round");
        (name, each)
    });
    if env::var("SETTLED_COUNT").is_ok_and(|word| word == "write") {
        let head = "# Instructions a round in the build for tests; see tests/instructions.rs.\n";
        let mut text = head.to_owned();
        for (name, each) in counted {
            writeln!(text, "{name} = {each}").unwrap();
        }
        fs::write(path, text).unwrap();
        return;
    }
    let accepted: toml::Table = toml::from_str(&fs::read_to_string(path).unwrap()).unwrap();
    for (name, each) in counted {
        let known = accepted[name].as_integer().unwrap() as f64;
        let share = each as f64 / known - 1.0;
        assert!(
            share <= TOLERANCE,
            "{name} takes {:.1} % more instructions than were accepted ({each}, {known}); make it \
             as fast as it was, or accept it: SETTLED_COUNT=write cargo test --test instructions",
            100.0 * share
        );
        if share < -TOLERANCE {
            println!("{name} got faster; accept it, so that it stays so");
        }
    }
}

/// The instructions of this program while it does so many rounds of a kernel.
fn count(kernel: &str, rounds: u32) -> u64 {
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(env::current_exe().unwrap())
        .args(["--exact", "no_kernel_takes_more_instructions_than_were_accepted"])
        .args(["--nocapture", "--test-threads=1"])
        .envs([(KERNEL, kernel.to_owned()), (ROUNDS, rounds.to_string())])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let line = said.lines().find_map(|line| line.split_once("Collected : "));
    line.unwrap_or_else(|| panic!("{said}")).1.trim().parse().unwrap()
}

/// A payload matched and decoded.
fn decoding(rounds: u32) {
    let profiles = Profiles::shipped();
    let bytes = hex::decode("434C020864E8FD9C0F").unwrap();
    let via = Via::Manufacturer(0xFFFF);
    let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
    let mut fields = Vec::with_capacity(16);
    for _ in 0..rounds {
        let id = profiles.match_payload(&payload, None).unwrap();
        decode(profiles.get(id), via, &bytes, &mut fields).unwrap();
    }
}

/// A reading of one of twelve channels through smoothing, settling and cycles, ticks included, in
/// runs and pauses of ten minutes.
fn signals(rounds: u32) {
    let mut signals = Signals::new(&Job::default());
    let instrument = Instrument { accuracy: 0.3, resolution: 0.01, time_constant_s: Some(10.0) };
    for name in ["supply-air", "suction-line", "discharge-line", "liquid-line"] {
        signals.add_channel(&format!("{name}.temperature").parse().unwrap(), instrument, None);
    }
    for number in 0..8 {
        signals.add_channel(
            &format!("other:p{number}.temperature").parse().unwrap(),
            instrument,
            None,
        );
    }
    let (mut out, mut second, mut state) = (Vec::new(), 0, 7_u64);
    for round in 0..u64::from(rounds) {
        let (channel, at) = (round % 12, Elapsed::from_ms(round / 12 * 1_000 + round % 12 * 50));
        while Elapsed::from_secs(second) < at {
            signals.tick(Elapsed::from_secs(second), &mut out);
            second += 1;
        }
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let noise = 0.1 * ((state >> 40) as f64 / f64::from(1 << 24) - 0.5);
        let since = (round / 12 % 1_200) as f64;
        let rise = libm::exp(-(since - 600.0).abs() / 120.0);
        let value = 28.0 + [-12.0, -18.0, 40.0, 8.0][channel as usize % 4] * rise + noise;
        signals.take(&Reading {
            at,
            channel: ChannelId(channel as u16),
            quantity: Quantity::new(QuantityKind::Temperature, value).unwrap(),
        });
        out.clear();
    }
}

/// A row of a recorded visit, from the file to the derived files.
fn replaying(rounds: u32) {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bakery-low-charge");
    let mut recorded = Recorded::open(&fixture, None).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings { units: recorded.file.units, zone: recorded.zone.clone() };
    let mut files = DerivedFiles::create(folder.path(), settings).unwrap();
    let mut session = Session::new(recorded.file.job.clone(), Profiles::shipped(), None);
    for _ in 0..rounds {
        let row = recorded.rows.next_row().unwrap().unwrap();
        files.label(row.at, row.label);
        session.handle(row.at, row.input);
        while let Some(output) = session.poll() {
            files.take(&output).unwrap();
        }
    }
    files.flush().unwrap();
}
