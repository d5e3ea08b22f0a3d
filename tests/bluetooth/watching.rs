//! `settled watch` on the stand-in: what it hears, records, and begins anew after a kill.

use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;

use crate::air::{Kind, Probe, probe};
use crate::bench::Bench;

const CLAMP: &str = "C4:7C:8D:00:00:11";
const BTHOME: &str = "C4:7C:8D:00:00:12";
const SENSING: &str = "C4:7C:8D:00:00:13";

/// An invented job.
const JOB: &str = r#"
site = "Bench (invented)"
[unit]
refrigerant = "R-410A"
[[probe]]
address = "C4:7C:8D:00:00:11"
position = "suction-line"
[[probe]]
address = "C4:7C:8D:00:00:12"
position = "supply-air"
[[probe]]
address = "C4:7C:8D:00:00:13"
position = "outdoor-air"
"#;

async fn three() -> Bench {
    let probes =
        vec![probe(CLAMP, Kind::Clamp), probe(BTHOME, Kind::BtHome), probe(SENSING, Kind::Sensing)];
    let mut bench = Bench::start(probes).await;
    bench.watch(JOB);
    bench
}

fn sessions(bench: &Bench) -> Vec<PathBuf> {
    let entries = fs::read_dir(bench.sessions()).unwrap();
    let mut found: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    found.sort();
    found
}

/// The engine time (s) at which the first payload of the session was received, and at which the
/// first reading was told.
async fn first(bench: &Bench, address: &str) -> f64 {
    let limit = Duration::from_secs(10);
    let from = bench.clock.elapsed();
    bench.all_read(from, limit, &[address]).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn watch_reads_three_probes_and_begins_a_new_session_after_a_kill() {
    let mut bench = three().await;
    for address in [CLAMP, BTHOME, SENSING] {
        let took = first(&bench, address).await;
        println!("watch: first reading of {address} {took:.2} s after the last");
        assert!(took < 3.0, "{address}: {took}");
    }
    bench.wait(Duration::from_secs(3)).await;
    bench.kill();
    let before = sessions(&bench);
    assert_eq!(before.len(), 1);

    bench.watch(JOB);
    let from = bench.clock.elapsed();
    bench.all_read(from, Duration::from_secs(10), &[CLAMP, BTHOME, SENSING]).await;
    bench.wait(Duration::from_secs(2)).await;
    let (took, code) = bench.interrupt();
    assert!(took < Duration::from_secs(2) && code == Some(0), "{took:?} {code:?}");
    let after = sessions(&bench);
    assert_eq!(after.len(), 2, "{after:?}");

    for session in &after {
        let received = fs::read_to_string(session.join("received.csv")).unwrap();
        for address in [CLAMP, BTHOME, SENSING] {
            assert!(received.contains(address), "{} lacks {address}", session.display());
        }
    }
    replays_to_the_same_bytes(after.iter().find(|path| !before.contains(path)).unwrap());
}

/// The session that ended cleanly says in replay what it said live.
fn replays_to_the_same_bytes(session: &PathBuf) {
    let replay = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(["replay", "--rebuild"])
        .arg(session)
        .output()
        .unwrap();
    let said = String::from_utf8(replay.stdout).unwrap();
    assert!(said.contains("all as they were"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_first_payload_is_read_within_a_second() {
    let bench = three().await;
    let from = bench.clock.elapsed();
    bench.all_read(from, Duration::from_secs(10), &[CLAMP, BTHOME]).await;
    // Both times are the program's own: when the payload came, and when its reading is for.
    let received = loop {
        let session = sessions(&bench).pop().unwrap();
        let text = fs::read_to_string(session.join("received.csv")).unwrap();
        if text.contains(CLAMP) {
            break text;
        }
        bench.wait(Duration::from_millis(200)).await;
    };
    let row = received.lines().find(|line| line.contains(CLAMP)).unwrap();
    let payload_s = row.split(',').next().unwrap().parse::<f64>().unwrap() / 1_000.0;
    let lines = bench.lines();
    let reading =
        lines.iter().find(|(_, line)| line["kind"] == "reading" && line["probe"] == CLAMP);
    let reading_s = reading.unwrap().1["elapsed_s"].as_f64().unwrap();
    assert!(reading_s - payload_s < 1.0, "{payload_s} {reading_s}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stranger_s_device_is_left_alone() {
    const STRANGER: &str = "C4:7C:8D:00:00:99";
    let probes = vec![probe(SENSING, Kind::Sensing), probe(STRANGER, Kind::Sensing)];
    let mut bench = Bench::start(probes).await;
    bench.watch(JOB);
    first(&bench, SENSING).await;
    bench.wait(Duration::from_secs(5)).await;
    assert!(bench.service().calls_for("Connect", SENSING) >= 1);
    assert_eq!(bench.service().calls_for("Connect", STRANGER), 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_named_probe_keeps_its_place_under_a_new_address() {
    const NEXT: &str = "5A:00:00:00:00:02";
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Clamp)]).await;
    bench.watch(
        "site = \"Bench (invented)\"\n[[probe]]\nname = \"bench clamp\"\n\
         position = \"suction-line\"\n",
    );
    let placed = |address: &'static str| {
        move |l: &serde_json::Value| {
            l["probe"] == address && l["channel"] == "suction-line.temperature"
        }
    };
    bench.until(bench.clock.elapsed(), Duration::from_secs(10), placed(CLAMP)).await;
    bench.wait(Duration::from_secs(2)).await;
    bench.air.lock().unwrap().moved.insert(CLAMP.into(), NEXT.into());
    let from = bench.clock.elapsed();
    let took = bench.until(from, Duration::from_secs(20), placed(NEXT)).await;
    println!("a named probe under a new address: {took:.1} s");
    assert!(took < 13.0, "{took}");
    assert_eq!(bench.events("address_changed", CLAMP), 1);
    assert_eq!(bench.events("position_taken", ""), 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn twenty_probes_cost_watch_little_and_its_memory_is_flat() {
    let every = Duration::from_millis(500);
    let addresses: Vec<String> = (0..20).map(|n| format!("C4:7C:8D:00:02:{n:02X}")).collect();
    let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
    let probes: Vec<Probe> =
        addresses.iter().map(|address| Probe { every, ..probe(address, Kind::Clamp) }).collect();
    let entries = addresses.iter().enumerate().map(|(n, address)| {
        format!("[[probe]]\naddress = \"{address}\"\nposition = \"other:p{n}\"\n")
    });
    let job = format!("site = \"Bench (invented)\"\n{}", entries.collect::<Vec<_>>().concat());
    let mut bench = Bench::start(probes).await;
    bench.watch(&job);
    bench.all_read(bench.clock.elapsed(), Duration::from_secs(20), &addresses).await;
    bench.wait(Duration::from_secs(10)).await;
    let before = bench.program().used();
    let from = bench.clock.elapsed();
    bench.wait(Duration::from_secs(35)).await;
    let after = bench.program().used();
    let share = (after.cpu_s - before.cpu_s) / bench.clock.elapsed().since(from).as_secs_f64();
    println!(
        "watch, 40 payloads/s: {:.1} % of a core, {} then {} kB",
        share * 100.0,
        before.held_kb,
        after.held_kb
    );
    // Loose: a build for tests, on a machine that does other work. Flat is within 2 MB in 35 s.
    assert!(share < 0.25, "{share}");
    assert!(after.held_kb < before.held_kb + 2_000, "{before:?} then {after:?}");
    let told: usize = bench.air.lock().unwrap().told.values().sum();
    let of = |l: &serde_json::Value| l["kind"] == "reading" && l["channel"].is_string();
    let readings = bench.lines().iter().filter(|(_, line)| of(line)).count();
    println!("watch: {readings} readings of {told} payloads");
    assert!(readings + 40 >= told && readings <= told, "{readings} of {told}");
}

/// The service answers nothing from the start; the job says how long that is waited for.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_job_limits_each_call() {
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Clamp)]).await;
    bench.service().hang("GetManagedObjects", true);
    bench.watch(&format!("{JOB}[radio]\ncall_limit_s = 2\n"));
    let from = bench.clock.elapsed();
    let told = |line: &Value| {
        let detail = line["detail"].as_str().unwrap_or_default();
        line["event"] == "radio_fault" && detail == "call-failed: no answer within 2 s"
    };
    let took = bench.until(from, Duration::from_secs(8), told).await;
    println!("watch: a call without an answer is told {took:.2} s after the start");
    bench.service().hang("GetManagedObjects", false);
    first(&bench, CLAMP).await;
    drop(bench.interrupt());
}
