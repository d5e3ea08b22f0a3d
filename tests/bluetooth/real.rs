//! The radio, whole, against the real Bluetooth service on the real kernel's stack, in a guest.
//!
//! Neither range nor interference nor a controller's own faults show here. One guest plays all
//! scripts, one after the other; another has the twenty probes meanwhile.

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

use std::sync::{Arc, OnceLock};

use crate::guest::Guest;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn scripts_end_as_on_the_stand_in() {
    let Some(guest) = boot("scripts").await else { return };
    // `SETTLED_SCENE=mute-scan` plays that one alone.
    let only = std::env::var("SETTLED_SCENE").ok();
    both::stand_in_and_real_service_agree(&Arc::new(guest), only.as_deref()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn twenty_probes_are_recorded_whole() {
    let Some(guest) = boot("twenty").await else { return };
    twenty::nothing_is_missed_that_the_service_delivered(&guest).await;
}

/// A guest in which the service runs; none, and why, where the machine cannot have one.
async fn boot(name: &'static str) -> Option<Guest> {
    static PREPARED: OnceLock<Result<(), String>> = OnceLock::new();
    let boot = move || match PREPARED.get_or_init(Guest::prepare) {
        Ok(()) => Some(Guest::boot(name)),
        Err(why) => {
            print!("{why}");
            None
        }
    };
    tokio::task::spawn_blocking(boot).await.unwrap()
}
