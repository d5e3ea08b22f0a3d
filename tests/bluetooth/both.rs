//! The same scripts through the stand-in and the real service: what came of them is the same.

use std::sync::Arc;

use tokio::task::JoinError;

use crate::guest::Guest;
use crate::play::{Outcome, on_guest, on_stand_in};
use crate::script::Scene;

/// Plays what both can play, and compares. A scene that fails does not keep the others from being
/// seen.
pub async fn stand_in_and_real_service_agree(guest: &Arc<Guest>, only: Option<&str>) {
    let (both, one): (Vec<_>, Vec<_>) = Scene::all()
        .into_iter()
        .filter(|(name, _)| only.is_none_or(|only| name == only))
        .partition(|(_, scene)| scene.stand_in_only.is_empty());
    // Side by side they take no longer than the longest, and the guest needs not wait for them.
    let stand_in: Vec<_> = both
        .iter()
        .map(|(_, scene)| scene.clone())
        .map(|scene| tokio::spawn(async move { on_stand_in(&scene).await }))
        .collect();
    let mut real = Vec::new();
    for (name, scene) in &both {
        eprintln!("{name}");
        let (guest, scene) = (Arc::clone(guest), scene.clone());
        real.push(tokio::spawn(async move { on_guest(&guest, &scene).await }).await);
    }
    println!("from a fault's end, or a mute stream's beginning, to a reading of every probe (s):");
    println!("  stand-in  real service");
    let mut wrong = Vec::new();
    for (((name, scene), stand_in), real) in both.iter().zip(stand_in).zip(real) {
        let stand_in = stand_in.await;
        println!("  {:>8}  {:>12}  {}", seconds(&stand_in), seconds(&real), scene.fault);
        match (stand_in, real) {
            (Ok(stand_in), Ok(real)) => wrong.extend(differences(name, &stand_in, &real)),
            (stand_in, real) => {
                let failed = [stand_in.err(), real.err()].into_iter().flatten();
                wrong.extend(failed.map(|error| format!("{name}: {error}")));
            }
        }
    }
    for (_, scene) in one {
        println!("  stand-in only: {}, since {}", scene.fault, scene.stand_in_only);
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

fn seconds(outcome: &Result<Outcome, JoinError>) -> String {
    outcome.as_ref().map_or_else(|_| "failed".to_owned(), |o| format!("{:.2}", o.back_s))
}

fn differences(name: &str, stand_in: &Outcome, real: &Outcome) -> Vec<String> {
    let mut all = Vec::new();
    if stand_in.read != real.read {
        all.push(format!("{name} reads {:?} and {:?}", stand_in.read, real.read));
    }
    if stand_in.faults != real.faults {
        all.push(format!("{name} tells {:?} and {:?}", stand_in.faults, real.faults));
    }
    all
}
