//! What happens, and what the program makes of it.

use std::time::Duration;

use serde_json::Value;

use crate::air::{Kind, Probe, probe};
use crate::bench::{Bench, reading_of};
use crate::play::on_stand_in;
use crate::script::Scene;

const CLAMP: &str = "C4:7C:8D:00:00:01";
const BTHOME: &str = "C4:7C:8D:00:00:02";
const SENSING: &str = "C4:7C:8D:00:00:03";

const fn secs(s: u64) -> Duration {
    Duration::from_secs(s)
}

async fn three() -> Bench {
    let mut bench = Bench::start(vec![
        probe(CLAMP, Kind::Clamp),
        probe(BTHOME, Kind::BtHome),
        probe(SENSING, Kind::Sensing),
    ])
    .await;
    bench.listen(&[]);
    bench
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_probes_are_read_within_a_second_and_again_after_a_kill() {
    let mut bench = three().await;
    let from = bench.clock.elapsed();
    let first = bench.all_read(from, secs(5), &[CLAMP, BTHOME, SENSING]).await;
    println!("first readings of all three: {first:.2} s after the start");
    bench.kill();
    let from = bench.clock.elapsed();
    bench.listen(&[]);
    let again = bench.all_read(from, secs(8), &[CLAMP, BTHOME]).await;
    println!("after a kill: {again:.2} s after the new start");
    assert!(first < 2.0 && again < 2.0, "{first} {again}");
    let (took, code) = bench.interrupt();
    assert!(took < secs(2) && code == Some(0), "{took:?} {code:?}");
}

/// All scenes only wait; side by side they take no longer than the longest.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_scene_ends_as_its_script_says() {
    let scenes = Scene::all();
    let outcomes = futures::future::join_all(scenes.iter().map(|(_, scene)| on_stand_in(scene)));
    let (outcomes, (), ()) = tokio::join!(outcomes, constant(), twenty());
    println!("from a fault's end, or a mute stream's beginning, to a reading of every probe:");
    for ((_, scene), outcome) in scenes.iter().zip(outcomes) {
        println!("  {:6.2} s  {}", outcome.back_s, scene.fault);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_that_is_not_there_yet_is_waited_for() {
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Clamp)]).await;
    bench.end_service().await;
    bench.listen(&[]);
    bench.wait(secs(5)).await;
    bench.begin_service().await;
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(20), reading_of(CLAMP)).await;
    println!("service came after the program: {took:.2} s");
    assert!(took < 5.0, "{took}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_characteristic_that_cannot_notify_is_read() {
    let mut bench = Bench::start(vec![probe(SENSING, Kind::SensingRead)]).await;
    bench.listen(&[]);
    let took = bench.until(bench.clock.elapsed(), secs(20), reading_of(SENSING)).await;
    println!("a value that must be read: {took:.2} s");
    // Once a period and no more: what the service tells of a read is no second reading.
    bench.wait(secs(3)).await;
    let reads = bench.service().calls("ReadValue");
    let of = reading_of(SENSING);
    let readings = bench.lines().iter().filter(|(_, line)| of(line)).count();
    assert!(readings <= reads, "{readings} readings of {reads} reads");
}

/// A constant probe is heard with and without duplicates.
async fn constant() {
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Constant)]).await;
    bench.listen(&[]);
    bench.until(bench.clock.elapsed(), secs(10), reading_of(CLAMP)).await;
    bench.wait(secs(1)).await;
    let of = reading_of(CLAMP);
    let with = bench.lines().iter().filter(|(_, line)| of(line)).count();
    assert!(with > 5, "{with} readings with duplicates");
    bench.service().tell_once();
    // Longer than the silence that is a fault: only the signal's strength is told now.
    bench.wait(secs(25)).await;
    assert_eq!(bench.events("radio_fault", ""), 0, "a constant probe is no silent one");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_payload_heard_by_two_adapters_is_one() {
    let mut second = probe(CLAMP, Kind::Clamp);
    second.adapter = "hci1";
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Clamp), second]).await;
    bench.service().plug(1).await;
    bench.listen(&[]);
    bench.until(bench.clock.elapsed(), secs(5), reading_of(CLAMP)).await;
    bench.wait(secs(5)).await;
    assert_eq!(bench.service().calls("StartDiscovery"), 2, "both adapters scan");
    let of = |l: &Value| reading_of(CLAMP)(l) && l["field"] == "temperature";
    let lines = bench.lines();
    let readings: Vec<_> = lines.iter().filter(|(_, line)| of(line)).collect();
    let values: Vec<f64> = readings.iter().filter_map(|(_, l)| l["value"].as_f64()).collect();
    let twice = values.windows(2).filter(|pair| pair[0] == pair[1]).count();
    println!("two adapters: {} readings, {twice} twice", values.len());
    assert!(values.len() > 30 && twice == 0, "{twice} of {}", values.len());
}

/// Twenty probes are all heard, and none twice.
async fn twenty() {
    let addresses: Vec<String> = (0..20).map(|n| format!("C4:7C:8D:00:01:{n:02X}")).collect();
    let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
    let every = Duration::from_millis(500);
    let clamp = |address: &&str| Probe { every, ..probe(address, Kind::Clamp) };
    let mut bench = Bench::start(addresses.iter().map(clamp).collect()).await;
    bench.listen(&[]);
    bench.all_read(bench.clock.elapsed(), secs(10), &addresses).await;
    bench.wait(secs(10)).await;
    let lines = bench.lines();
    for address in addresses {
        let of = |l: &Value| reading_of(address)(l) && l["field"] == "temperature";
        let values: Vec<f64> =
            lines.iter().filter(|(_, l)| of(l)).filter_map(|(_, l)| l["value"].as_f64()).collect();
        // The clamp counts up by one hundredth each time, so a missed payload shows as a gap.
        let steps = values.windows(2).map(|pair| (pair[1] - pair[0]) * 100.0);
        let wrong = steps.filter(|step| (step - 1.0).abs() > 1e-6).count();
        assert!(values.len() >= 15 && wrong == 0, "{address}: {wrong} wrong of {values:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_listen_records_is_replayed() {
    let mut bench =
        Bench::start(vec![probe(CLAMP, Kind::Clamp), probe(BTHOME, Kind::BtHome)]).await;
    let records = bench.folder().join("records");
    bench.listen(&["--record", records.to_str().unwrap()]);
    bench.all_read(bench.clock.elapsed(), secs(10), &[CLAMP, BTHOME]).await;
    bench.wait(secs(3)).await;
    let (_, code) = bench.interrupt();
    assert_eq!(code, Some(0));
    let payloads = |l: &Value| l["kind"] == "reading" && l["field"] == "temperature";
    let live = bench.lines().iter().filter(|(_, line)| payloads(line)).count();
    let session = std::fs::read_dir(&records).unwrap().next().unwrap().unwrap().path();
    let job = bench.folder().join("job.toml");
    let text = format!(
        "site = \"Bench (invented)\"\n[[probe]]\naddress = \"{CLAMP}\"\nposition = \
         \"suction-line\"\n[[probe]]\naddress = \"{BTHOME}\"\nposition = \"supply-air\"\n"
    );
    std::fs::write(&job, text).unwrap();
    let replay = |arguments: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_settled"));
        let output = command.arg("replay").arg(&session).args(arguments).output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(0), "{said}{errors}");
        said
    };
    let with_job = replay(&["--json", "--readings", "--job", job.to_str().unwrap()]);
    let placed = |line: &&str| {
        line.contains("suction-line.temperature") || line.contains("supply-air.temperature")
    };
    let again = with_job.lines().filter(|l| l.contains("\"reading\"")).filter(placed).count();
    assert_eq!(again, live, "readings in replay and live");
    let without = replay(&["--json"]);
    assert!(without.contains("\"summary\""), "{without}");
    replay(&["--rebuild"]);
}
