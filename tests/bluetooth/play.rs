//! Plays a script on a bench and says what came of it.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use settled::units::time::Elapsed;

use crate::air::Kind;
use crate::bench::{Bench, reading_of};
use crate::guest::Guest;
use crate::program::Line;
use crate::script::{Deed, Scene, Step};

/// The longest until all probes of a scene are heard for the first time.
const FIRST: Duration = Duration::from_secs(30);
/// Profiles of probes that only a bench has.
const PROFILES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bluetooth/profiles");
/// So many times longer may all take where stand-in and guest are compared: the guest's machine is
/// emulated, and both run beside other work. What it took is told.
const COMPARED_SLOWER: u32 = 4;
/// How long a scene goes on after all is back.
const AFTER: Duration = Duration::from_secs(1);

/// What came of a scene.
#[derive(Debug)]
pub struct Outcome {
    /// From the last step, or a mute stream's beginning, to the next reading of every probe (s).
    pub back_s: f64,
    /// What was read: probe, profile and field.
    pub read: BTreeSet<String>,
    /// The fault with which each outage after the first step began, in order.
    pub faults: Vec<String>,
}

/// Plays a scene on the stand-in, where all must come in time.
pub async fn on_stand_in(scene: &Scene) -> Outcome {
    play(Bench::start(scene.probes()).await, scene, 1).await
}

/// Plays a scene on the stand-in, to be compared with the guest's.
pub async fn beside_guest(scene: &Scene) -> Outcome {
    play(Bench::start(scene.probes()).await, scene, COMPARED_SLOWER).await
}

/// Plays a scene in the guest, on which nothing else runs meanwhile.
pub async fn on_guest(guest: &Arc<Guest>, scene: &Scene) -> Outcome {
    play(Bench::on_guest(guest, scene.probes()), scene, COMPARED_SLOWER).await
}

async fn play(mut bench: Bench, scene: &Scene, slower: u32) -> Outcome {
    bench.listen(&["--profiles", PROFILES]);
    let read: Vec<String> = scene
        .probes()
        .iter()
        .filter(|probe| probe.kind != Kind::Malformed)
        .map(|probe| probe.address.clone())
        .collect();
    let read: Vec<&str> = read.iter().map(String::as_str).collect();
    bench.all_read(Elapsed::ZERO, FIRST * slower, &read).await;
    // Time for the supervisor to see that all is well.
    bench.wait(Duration::from_secs(2)).await;
    let begin = bench.clock.elapsed();
    for step in &scene.steps {
        let due = begin + Duration::from_secs_f64(step.at_s);
        bench.wait(due.since(bench.clock.elapsed())).await;
        act(&mut bench, step).await;
    }
    let from = bench.clock.elapsed();
    let moved = |address: &&str| {
        let of = |step: &&Step| step.happens == Deed::Moves && step.probe == **address;
        scene.steps.iter().find(of).map_or((*address).to_owned(), |step| step.to.clone())
    };
    let limit = Duration::from_secs_f64(scene.expect.back_s) * slower;
    let mut back_s: f64 = 0.0;
    for address in read.iter().map(moved) {
        back_s = bench.until(from, limit, reading_of(&address)).await.max(back_s);
    }
    for expected in &scene.expect.events {
        // A scan's first readings may come before the service has said that it scans.
        let by = bench.clock.elapsed().since(Elapsed::ZERO) + limit;
        bench.until(Elapsed::ZERO, by, |line| told(line).starts_with(expected)).await;
    }
    bench.wait(AFTER).await;
    let lines: Vec<Value> = bench.lines().into_iter().map(|(_, line)| line).collect();
    let since: Vec<Value> =
        bench.lines().into_iter().filter(|(at, _)| *at > begin).map(|(_, line)| line).collect();
    if std::env::var_os("SETTLED_SCENE").is_some() {
        print_events(&bench.lines(), begin);
    }
    let outcome = Outcome { back_s, read: fields(&lines), faults: faults(&since) };
    if scene.expect.no_fault {
        assert!(outcome.faults.is_empty(), "{}: {:#?}", scene.fault, events(&lines));
    }
    let (took, code) = bench.interrupt();
    assert!(took < Duration::from_secs(3) * slower && code == Some(0), "{took:?} {code:?}");
    outcome
}

async fn act(bench: &mut Bench, step: &Step) {
    match step.happens {
        Deed::ServiceEnds => bench.end_service().await,
        Deed::ServiceCrashes => bench.station.crash().await,
        Deed::ServiceBegins => bench.begin_service().await,
        Deed::BusEnds => bench.end_bus(),
        Deed::BusBegins => bench.begin_bus().await,
        Deed::NotifiesNoMore => bench.air.lock().unwrap().unnotified = true,
        Deed::NotifiesAgain => bench.air.lock().unwrap().unnotified = false,
        Deed::Moves => {
            let (from, to) = (step.probe.clone(), step.to.clone());
            bench.air.lock().unwrap().moved.insert(from, to);
        }
        Deed::Loses => bench.air.lock().unwrap().lost_percent = step.to.parse().unwrap(),
        Deed::Nothing => {}
        Deed::Mute => {
            bench.station.happen(Deed::Mute, &step.probe).await;
            bench.heal_at_remedy("restart-scan");
        }
        other => bench.station.happen(other, &step.probe).await,
    }
}

/// An event in one line, as `radio_fault mute: nothing heard for 20 s`.
fn told(line: &Value) -> String {
    format!(
        "{} {}",
        line["event"].as_str().unwrap_or_default(),
        line["detail"].as_str().unwrap_or_default()
    )
}

/// For who looks at one scene: its events, in seconds from the first step.
fn print_events(lines: &[Line], begin: Elapsed) {
    for (at, line) in lines.iter().filter(|(_, line)| line["kind"] == "event") {
        println!("{:6.2} {}", at.since(begin).as_secs_f64(), told(line));
    }
}

fn events(lines: &[Value]) -> Vec<String> {
    lines.iter().filter(|line| line["kind"] == "event").map(told).collect()
}

fn fields(lines: &[Value]) -> BTreeSet<String> {
    let word = |line: &Value, key: &str| line[key].as_str().unwrap_or_default().to_owned();
    let readings = lines.iter().filter(|line| line["kind"] == "reading");
    readings
        .map(|line| [word(line, "probe"), word(line, "profile"), word(line, "field")].join(" "))
        .collect()
}

/// The first word of what the first fault of each outage says. What follows until all is well again
/// hangs on which of service, adapter and bus is back how much before the other. An adapter that
/// leaves is powered off first: a look between the two sees the one, a later look the other, and so
/// they count as the same here; which of them a script must bring is in its events. So does a service
/// that ends take its adapter along, and what counts is the service.
fn faults(lines: &[Value]) -> Vec<String> {
    const OUT: &str = "adapter out";
    let mut faults: Vec<&str> = Vec::new();
    let mut out = false;
    for line in lines {
        let word = line["detail"].as_str().unwrap_or_default().split(':').next();
        match (line["event"].as_str(), word) {
            (Some("radio_fault"), Some(word)) => {
                let leaves = matches!(word, "powered-off" | "adapter-gone");
                let word = if leaves { OUT } else { word };
                match faults.last_mut() {
                    Some(last) if out && *last == OUT && word == "service-gone" => *last = word,
                    _ if out => {}
                    _ => faults.push(word),
                }
                out = true;
            }
            (Some("radio_back"), _) => out = false,
            _ => {}
        }
    }
    faults.into_iter().map(str::to_owned).collect()
}
