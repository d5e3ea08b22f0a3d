//! Studies of the diagnosis: how often intervals hold the truth, and how often faults of the
//! virtual unit are named. `SETTLED_FULL=1` runs them whole; otherwise a small seeded sample.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

mod faults;
mod intervals;
mod random;

/// Whether the whole study was asked for.
fn full() -> bool {
    std::env::var_os("SETTLED_FULL").is_some()
}
