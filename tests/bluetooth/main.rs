//! The radio, whole, against a stand-in for the Bluetooth service on a bus of the test's own.
//!
//! The program under test is a child process: within one process the Bluetooth library stays on the
//! first bus that it saw. Neither range nor interference nor a controller's own faults show here.
//! Every case has a bus of its own, so all can run at once.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test may end by a panic")]
#![expect(dead_code, reason = "the parts of the bench that the guest alone needs")]

mod air;
mod bench;
mod bus;
mod cases;
mod first;
mod guest;
mod play;
mod program;
mod script;
mod service;
mod station;
mod watching;
