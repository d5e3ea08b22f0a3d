//! The program as a whole: start-up, size, and memory of a replay.

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

use crate::limit::Limit;
use crate::timing::{each, many, once, row, status, told};

/// How often the memory of a running program is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(1);

pub fn run(limit: &Limit) {
    let size = program().metadata().map_or(0, |file| file.len());
    row("size of the program, stripped", &format!("{} KiB", many(size / 1024)), "");
    let time = each(20, 1, || {
        let ran = Command::new(program()).arg("--version").stdout(Stdio::null()).status();
        assert!(ran.unwrap().success());
    });
    row("start of the process to the end of `--version`", &told(time), "");
    let mut replay = Command::new(program());
    replay.args(["replay", "--rebuild"]).arg(&limit.session).stdout(Stdio::null());
    if let Some(Ran { took, peak_kib }) = Ran::of(&mut replay) {
        let beside = took.as_secs_f64() / limit.parsed.as_secs_f64();
        let figure = format!("{}, at most {} KiB", told(took), many(peak_kib));
        row("the whole process of a night's replay", &figure, &format!("{beside:.1}"));
    }
}

/// The program that is measured: this build's, or the one that `SETTLED_PROGRAM` names.
pub fn program() -> PathBuf {
    let named = std::env::var_os("SETTLED_PROGRAM");
    named.unwrap_or_else(|| env!("CARGO_BIN_EXE_settled").into()).into()
}

/// What a run of a program took.
pub struct Ran {
    pub took: Duration,
    /// The most memory that it held (KiB); what came in its last millisecond may be missing.
    pub peak_kib: u64,
}

impl Ran {
    /// Runs it to its end; `None` where there is no such program.
    pub fn of(command: &mut Command) -> Option<Self> {
        let (took, peak_kib) = once(|| {
            let mut child = command.spawn().ok()?;
            let process = child.id().to_string();
            let mut peak_kib = 0;
            let ended = loop {
                peak_kib = peak_kib.max(status(&process, "VmHWM"));
                match child.try_wait().unwrap() {
                    Some(ended) => break ended,
                    None => thread::sleep(LOOK_EVERY),
                }
            };
            assert!(ended.success(), "{command:?}");
            Some(peak_kib)
        });
        Some(Self { took, peak_kib: peak_kib? })
    }
}
