//! The same scripts through the stand-in and the real service: what came of them is the same.

use std::sync::Arc;

use tokio::task::{JoinError, JoinHandle, spawn_blocking};

use crate::guest::Guest;
use crate::play::{Outcome, beside_guest, on_guest};
use crate::script::Scene;

/// What came of a scene, or the panic that it ended by.
type Played = Result<Outcome, JoinError>;

/// Plays what both can play, and compares. A scene that fails does not keep the others from being
/// seen.
pub async fn stand_in_and_real_service_agree(guest: &Arc<Guest>, only: Option<&str>) {
    let (both, one): (Vec<_>, Vec<_>) = Scene::all()
        .into_iter()
        .filter(|(name, _)| only.is_none_or(|only| name == only))
        .partition(|(_, scene)| scene.stand_in_only.is_empty());
    // Side by side they take no longer than the longest, and the guest needs not wait for them.
    let stand_in: Vec<_> = both.iter().map(|(_, scene)| play_beside(scene)).collect();
    let mut real = Vec::new();
    for (name, scene) in &both {
        eprintln!("{name}");
        real.push(play_real(guest, scene).await);
    }
    println!("from a fault's end, or a mute stream's beginning, to a reading of every probe (s):");
    println!("  stand-in  real service");
    let mut wrong = Vec::new();
    for (((name, scene), stand_in), mut real) in both.iter().zip(stand_in).zip(real) {
        let mut stand_in = stand_in.await;
        let mut found = differences(name, &stand_in, &real);
        if !found.is_empty() {
            // The guest's machine is emulated, and slow where others work: a fault that is not the
            // program's shows once. What was found the first time is told.
            println!("  once more, in a new guest and alone: {found:#?}");
            let guest = spawn_blocking(|| Arc::new(Guest::boot("once-more"))).await.unwrap();
            real = play_real(&guest, scene).await;
            stand_in = play_beside(scene).await;
            found = differences(name, &stand_in, &real);
        }
        println!("  {:>8}  {:>12}  {}", seconds(&stand_in), seconds(&real), scene.fault);
        wrong.extend(found);
    }
    for (_, scene) in one {
        println!("  stand-in only: {}, since {}", scene.fault, scene.stand_in_only);
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// A scene on a stand-in, begun at once; its panic is kept.
fn play_beside(scene: &Scene) -> JoinHandle<Outcome> {
    let scene = scene.clone();
    tokio::spawn(async move { beside_guest(&scene).await })
}

/// A scene in the guest, whose panic is kept.
async fn play_real(guest: &Arc<Guest>, scene: &Scene) -> Played {
    let (guest, scene) = (Arc::clone(guest), scene.clone());
    tokio::spawn(async move { on_guest(&guest, &scene).await }).await
}

fn seconds(outcome: &Played) -> String {
    outcome.as_ref().map_or_else(|_| "failed".to_owned(), |o| format!("{:.2}", o.back_s))
}

fn differences(name: &str, stand_in: &Played, real: &Played) -> Vec<String> {
    let (Ok(stand_in), Ok(real)) = (stand_in, real) else {
        let failed = [stand_in.as_ref().err(), real.as_ref().err()].into_iter().flatten();
        return failed.map(|error| format!("{name}: {error}")).collect();
    };
    let mut all = Vec::new();
    if stand_in.read != real.read {
        all.push(format!("{name} reads {:?} and {:?}", stand_in.read, real.read));
    }
    if stand_in.faults != real.faults {
        all.push(format!("{name} tells {:?} and {:?}", stand_in.faults, real.faults));
    }
    all
}
