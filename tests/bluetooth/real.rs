//! The radio, whole, against the real Bluetooth service on the real kernel's stack, in a guest.
//!
//! Neither range nor interference nor a controller's own faults show here. One guest serves all,
//! one after the other: booting it is what takes long.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test may end by a panic")]
#![expect(dead_code, reason = "the parts of the bench that the stand-in alone needs")]

mod air;
mod bench;
mod both;
mod bus;
mod guest;
mod play;
mod program;
mod script;
mod service;
mod station;
mod twenty;
mod witness;

use std::sync::Arc;

use crate::guest::Guest;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_real_service() {
    let guest = match Guest::boot() {
        Ok(guest) => Arc::new(guest),
        Err(why) => return print!("{why}"),
    };
    for order in ["bus start", "adapter in", "service start"] {
        guest.order(order);
    }
    // `SETTLED_SCENE=mute-scan` plays that one alone.
    let only = std::env::var("SETTLED_SCENE").ok();
    both::stand_in_and_real_service_agree(&guest, only.as_deref()).await;
    if only.is_none() {
        twenty::nothing_is_missed_that_the_service_delivered(&guest).await;
    }
}
