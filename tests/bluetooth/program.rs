//! The program under test, as a child process with its output kept line by line.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use serde_json::Value;
use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;

/// A line of the program's output with when it came.
pub type Line = (Elapsed, Value);

/// A running `settled`, which ends with this value.
pub struct Program {
    child: Child,
}

impl Program {
    /// Starts what [`command`] made; its JSON Lines are kept in `lines`.
    pub fn start(
        mut command: Command,
        clock: &Arc<SessionClock>,
        lines: &Arc<Mutex<Vec<Line>>>,
    ) -> Self {
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (kept, clock) = (Arc::clone(lines), Arc::clone(clock));
        thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let value = serde_json::from_str(&line).expect("JSON Lines");
                kept.lock().unwrap().push((clock.elapsed(), value));
            }
        });
        Self { child }
    }

    /// Starts `settled` on the bus at `bus`; what it prints goes nowhere.
    pub fn start_quiet(arguments: &[&str], bus: &str) -> Self {
        let child = command(arguments, bus).stdout(Stdio::null()).spawn().unwrap();
        Self { child }
    }

    /// The process's number.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Kills the program, as a power cut does.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Asks the program to end, and says how long that took and with what code.
    pub fn interrupt(mut self, clock: &SessionClock) -> (Duration, Option<i32>) {
        let asked = clock.elapsed();
        let kill = Command::new("kill").args(["-INT", &self.process().to_string()]).status();
        assert!(kill.unwrap().success());
        let status = self.child.wait().unwrap();
        (clock.elapsed().since(asked), status.code())
    }

    /// What the process has used so far.
    pub fn used(&self) -> Used {
        let process = self.process();
        let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
        // After the name in brackets, user and system time are the 12th and 13th; 100 ticks a
        // second.
        let after: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
        let ticks: f64 = [11, 12].iter().map(|n| after[*n].parse::<f64>().unwrap()).sum();
        let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap();
        let held = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        let held_kb = held.split_whitespace().next().unwrap().parse().unwrap();
        Used { cpu_s: ticks / 100.0, held_kb }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// CPU time used (s) and memory held (kB) by a process, by the kernel's account.
#[derive(Debug, Clone, Copy)]
pub struct Used {
    pub cpu_s: f64,
    pub held_kb: u64,
}

/// `settled` with these arguments on the bus at `bus`, not started yet. `SETTLED_PROGRAM` names
/// another build, for figures of the released one.
pub fn command(arguments: &[&str], bus: &str) -> Command {
    let program = std::env::var("SETTLED_PROGRAM");
    let mut command = Command::new(program.as_deref().unwrap_or(env!("CARGO_BIN_EXE_settled")));
    command.args(arguments).env("DBUS_SYSTEM_BUS_ADDRESS", bus);
    command
}
