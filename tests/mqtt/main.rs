//! What a watch publishes, against a real broker and a subscriber that is not ours: Mosquitto and
//! its `mosquitto_sub`, each case with a broker of its own on a free port of the loopback.
//!
//! The daemon's own loop runs on a scripted clock over a simulated visit, as in `tests/clock.rs`;
//! where it is killed it runs in a process of its own, which is this very test program again.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

mod certificates;
mod kills;
mod mosquitto;
mod nights;
mod refusals;
mod visit;

use std::thread;
use std::time::Duration;

use settled::edge::clock::machine_ms;

/// How long a test waits for what should come soon.
const PATIENCE_MS: u64 = 60_000;

/// Waits until `done`, or ends the test.
#[track_caller]
fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    let begin_ms = machine_ms();
    while !done() {
        assert!(machine_ms() - begin_ms < PATIENCE_MS, "waited in vain: {what}");
        thread::sleep(Duration::from_millis(20));
    }
}
