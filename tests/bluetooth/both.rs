//! The same scripts through the stand-in and the real service: what came of them is the same.

use std::sync::Arc;

use crate::guest::Guest;
use crate::play::{Outcome, on_guest, on_stand_in};
use crate::script::Scene;

/// Plays what both can play, and compares.
pub async fn stand_in_and_real_service_agree(guest: &Arc<Guest>) {
    let scenes = Scene::all();
    let both: Vec<_> = scenes.iter().filter(|(_, s)| s.stand_in_only.is_empty()).collect();
    let stand_in: Vec<Outcome> =
        futures::future::join_all(both.iter().map(|(_, scene)| on_stand_in(scene))).await;
    println!("from a fault's end, or a mute stream's beginning, to a reading of every probe (s):");
    println!("  stand-in  real service");
    let mut differ = Vec::new();
    for ((name, scene), stand_in) in both.into_iter().zip(stand_in) {
        let real = on_guest(guest, scene).await;
        println!("  {:8.2}  {:12.2}  {}", stand_in.back_s, real.back_s, scene.fault);
        if stand_in.read != real.read {
            differ.push(format!("{name} reads {:?} and {:?}", stand_in.read, real.read));
        }
        if stand_in.faults != real.faults {
            differ.push(format!("{name} tells {:?} and {:?}", stand_in.faults, real.faults));
        }
    }
    for (_, scene) in scenes.iter().filter(|(_, s)| !s.stand_in_only.is_empty()) {
        println!("  stand-in only: {}, since {}", scene.fault, scene.stand_in_only);
    }
    assert!(differ.is_empty(), "{differ:#?}");
}
