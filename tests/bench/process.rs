//! The program as a whole: start-up, size, and memory of a replay.

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

use crate::limit::Limit;
use crate::timing::{many, row, spent_by, status, told, waited};

/// How often the memory of a running program is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(1);

pub fn run(limit: &Limit) {
    let size = program().metadata().map_or(0, |file| file.len());
    row("size of the program, stripped", &format!("{} KiB", many(size / 1024)), "");
    let start = |_| {
        let mut version = Command::new(program());
        let (took, ended) = waited(|| version.arg("--version").stdout(Stdio::null()).status());
        assert!(ended.unwrap().success());
        took
    };
    let shortest = (0..50).map(start).min().unwrap();
    row("start of the process to the end of `--version`, on the wall", &told(shortest), "");
    let mut replay = Command::new(program());
    replay.args(["replay", "--rebuild"]).arg(&limit.session).stdout(Stdio::null());
    if let Some(ran) = Ran::of(&mut replay) {
        row("the whole process of a night's replay", &ran.told(), &ran.beside(limit, 1));
    }
}

/// The program that is measured: this build's, or the one that `SETTLED_PROGRAM` names.
pub fn program() -> PathBuf {
    let named = std::env::var_os("SETTLED_PROGRAM");
    named.unwrap_or_else(|| env!("CARGO_BIN_EXE_settled").into()).into()
}

/// What a run of a program took. What came in its last millisecond may be missing.
pub struct Ran {
    pub worked: Duration,
    pub waited: Duration,
    /// The most memory that it held (KiB).
    pub peak_kib: u64,
}

impl Ran {
    /// Runs it to its end; `None` where there is no such program.
    pub fn of(command: &mut Command) -> Option<Self> {
        let (waited, used) = waited(|| {
            let mut child = command.spawn().ok()?;
            let process = child.id().to_string();
            let (mut peak_kib, mut worked) = (0, Duration::ZERO);
            let ended = loop {
                peak_kib = peak_kib.max(status(&process, "VmHWM"));
                worked = worked.max(spent_by(&process));
                match child.try_wait().unwrap() {
                    Some(ended) => break ended,
                    None => thread::sleep(LOOK_EVERY),
                }
            };
            assert!(ended.success(), "{command:?}");
            Some((worked, peak_kib))
        });
        used.map(|(worked, peak_kib)| Self { worked, waited, peak_kib })
    }

    /// Its figures in words.
    pub fn told(&self) -> String {
        let (worked, waited) = (told(self.worked), told(self.waited));
        format!("{worked} of work, {waited} on the wall, at most {} KiB", many(self.peak_kib))
    }

    /// Its work on so many nights, as a multiple of parsing them.
    pub fn beside(&self, limit: &Limit, nights: u32) -> String {
        let night = self.worked / nights;
        format!("{:.1}", night.as_secs_f64() / limit.parsed.as_secs_f64())
    }
}
