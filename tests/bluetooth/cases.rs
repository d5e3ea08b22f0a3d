//! What happens, and what the program makes of it.

use std::time::Duration;

use serde_json::Value;

use crate::bench::{Bench, Kind, Probe, probe, reading_of};
use crate::service::Heal;

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

/// Three probes that are heard, then time for the supervisor to see that all is well.
async fn three_heard() -> Bench {
    let bench = three().await;
    bench.all_read(bench.clock.elapsed(), secs(10), &[CLAMP, BTHOME, SENSING]).await;
    bench.wait(secs(2)).await;
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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_that_restarts_is_heard_again_within_5_s() {
    let bench = three_heard().await;
    for pause in [0, 3] {
        bench.end_service().await;
        bench.wait(secs(pause)).await;
        bench.begin_service().await;
        let from = bench.clock.elapsed();
        let took = bench.until(from, secs(10), reading_of(CLAMP)).await;
        let all = bench.all_read(from, secs(30), &[CLAMP, BTHOME, SENSING]).await;
        println!("service restarted after {pause} s: {took:.2} s, all three {all:.2} s");
        assert!(took < 5.0 && all < 8.0, "{took} {all}");
    }
    assert!(bench.events("radio_fault", "service-gone") >= 1);
    assert!(bench.events("radio_back", "heard again") >= 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_adapter_that_returns_is_heard_again_within_5_s() {
    let bench = three_heard().await;
    bench.service().unplug(0).await;
    bench.wait(secs(4)).await;
    bench.service().plug(0).await;
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(10), reading_of(CLAMP)).await;
    println!("adapter returned: {took:.2} s");
    assert!(took < 5.0, "{took}");
    assert_eq!(bench.events("radio_fault", "adapter-gone"), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_adapter_powered_off_by_another_program_is_powered_on() {
    let bench = three_heard().await;
    let service = bench.service();
    service.set_adapter(0, "Discovering", false).await;
    service.set_adapter(0, "Powered", false).await;
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(10), reading_of(CLAMP)).await;
    println!("adapter powered off: {took:.2} s");
    assert!(took < 5.0, "{took}");
    assert_eq!(bench.events("radio_fault", "powered-off"), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_scan_switched_off_by_another_program_is_switched_on() {
    let bench = three_heard().await;
    bench.service().set_adapter(0, "Discovering", false).await;
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(30), reading_of(CLAMP)).await;
    println!("scan switched off: {took:.2} s");
    assert!(took < 10.0, "{took}");
    assert_eq!(bench.events("radio_fault", "scan-off"), 1);
}

/// A mute stream, and what each remedy is worth.
async fn mute(heal: impl Fn(&Bench) -> Heal, remedy: &str) {
    let mut bench =
        Bench::start(vec![probe(CLAMP, Kind::Clamp), probe(BTHOME, Kind::BtHome)]).await;
    bench.listen(&[]);
    bench.all_read(bench.clock.elapsed(), secs(10), &[CLAMP, BTHOME]).await;
    bench.wait(secs(2)).await;
    bench.service().mute(heal(&bench));
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(70), reading_of(CLAMP)).await;
    println!("mute until {remedy}: {took:.2} s from its beginning");
    assert!(took < 60.0, "{took}");
    let told = bench.events("radio_remedy", remedy);
    let lines = bench.lines();
    let events: Vec<_> = lines.iter().filter(|(_, line)| line["kind"] == "event").collect();
    assert!(told >= 1, "{events:#?}");
    assert_eq!(bench.events("radio_fault", "mute"), 1);
}

/// The longest cases only wait; side by side they take no longer than the longest.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mute_streams_are_mended_within_a_minute_and_quiet_probes_are_no_fault() {
    let scan = mute(|_| Heal::Call("StartDiscovery"), "restart-scan");
    let other = |bench: &Bench| Heal::ClientOtherThan(bench.service().client());
    let client = mute(other, "new-manager");
    tokio::join!(scan, client, constant(), hung(), lossy(), unnotified(), twenty());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bus_that_dies_and_returns_is_heard_again() {
    let mut bench = three_heard().await;
    bench.bus.kill();
    bench.wait(secs(3)).await;
    bench.bus.revive();
    bench.begin_service().await;
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(30), reading_of(CLAMP)).await;
    println!("bus returned: {took:.2} s");
    assert!(took < 5.0, "{took}");
    assert_eq!(bench.events("radio_fault", "bus-gone"), 1);
}

/// A service that hangs for a while and goes on is heard again.
async fn hung() {
    let bench = three_heard().await;
    let service = bench.service();
    service.mute(Heal::Never);
    for member in ["GetManagedObjects", "StartDiscovery", "StopDiscovery", "Set", "GetAll"] {
        service.hang(member, true);
    }
    bench.wait(secs(15)).await;
    for member in ["GetManagedObjects", "StartDiscovery", "StopDiscovery", "Set", "GetAll"] {
        service.hang(member, false);
    }
    service.unmute();
    let from = bench.clock.elapsed();
    let took = bench.until(from, secs(60), reading_of(CLAMP)).await;
    println!("service hung for 15 s: {took:.2} s");
    assert!(took < 15.0, "{took}");
    assert!(bench.events("radio_fault", "no answer") >= 1);
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
async fn a_lost_link_and_a_refused_connection_are_tried_again() {
    let mut bench = Bench::start(vec![probe(SENSING, Kind::Sensing)]).await;
    bench.service().fail_next("Connect", "le-connection-abort-by-local");
    bench.listen(&[]);
    let start = bench.clock.elapsed();
    let first = bench.until(start, secs(10), reading_of(SENSING)).await;
    bench.wait(secs(1)).await;
    bench.service().drop_link("hci0", SENSING).await;
    let from = bench.clock.elapsed();
    bench.wait(Duration::from_millis(200)).await;
    let again = bench.until(bench.clock.elapsed(), secs(20), reading_of(SENSING)).await + 0.2;
    println!("refused once: {first:.2} s; link lost: {again:.2} s");
    assert!(first < 5.0 && again < 5.0, "{first} {again}");
    assert!(bench.clock.elapsed() > from && bench.events("connection_lost", "") >= 2);
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
async fn malformed_payloads_disturb_nothing() {
    let mut bench =
        Bench::start(vec![probe(BTHOME, Kind::Malformed), probe(CLAMP, Kind::Clamp)]).await;
    bench.listen(&[]);
    let from = bench.clock.elapsed();
    bench.until(from, secs(5), |line| line["kind"] == "payload" && line["probe"] == BTHOME).await;
    bench.until(from, secs(5), reading_of(CLAMP)).await;
    assert_eq!(bench.events("radio_fault", ""), 0);
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
    const ADDRESSES: [&str; 20] = [
        "C4:7C:8D:00:01:00",
        "C4:7C:8D:00:01:01",
        "C4:7C:8D:00:01:02",
        "C4:7C:8D:00:01:03",
        "C4:7C:8D:00:01:04",
        "C4:7C:8D:00:01:05",
        "C4:7C:8D:00:01:06",
        "C4:7C:8D:00:01:07",
        "C4:7C:8D:00:01:08",
        "C4:7C:8D:00:01:09",
        "C4:7C:8D:00:01:0A",
        "C4:7C:8D:00:01:0B",
        "C4:7C:8D:00:01:0C",
        "C4:7C:8D:00:01:0D",
        "C4:7C:8D:00:01:0E",
        "C4:7C:8D:00:01:0F",
        "C4:7C:8D:00:01:10",
        "C4:7C:8D:00:01:11",
        "C4:7C:8D:00:01:12",
        "C4:7C:8D:00:01:13",
    ];
    let every = Duration::from_millis(500);
    let probes = ADDRESSES.map(|address| Probe { every, ..probe(address, Kind::Clamp) });
    let mut bench = Bench::start(probes.to_vec()).await;
    bench.listen(&[]);
    bench.all_read(bench.clock.elapsed(), secs(10), &ADDRESSES).await;
    bench.wait(secs(10)).await;
    let lines = bench.lines();
    for address in ADDRESSES {
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
async fn a_panic_in_the_library_is_told_and_mended_without_a_new_start() {
    let mut bench =
        Bench::start(vec![probe(CLAMP, Kind::Clamp), probe(SENSING, Kind::Sensing)]).await;
    bench.listen(&[]);
    bench.all_read(bench.clock.elapsed(), secs(10), &[CLAMP, SENSING]).await;
    let process = bench.process();
    bench.service().make_panic();
    bench.service().drop_link("hci0", SENSING).await;
    let from = bench.clock.elapsed();
    let panicked = |l: &Value| l["detail"].as_str().unwrap_or_default().contains("panic");
    let told = bench.until(from, secs(20), panicked).await;
    assert!(!bench.service().will_panic());
    let since = bench.clock.elapsed();
    let both = bench.all_read(since, secs(20), &[CLAMP, SENSING]).await;
    println!("panic in the library: told after {told:.2} s, both heard {both:.2} s later");
    assert!(both < 10.0, "{both}");
    assert!(bench.events("radio_remedy", "new-runtime") >= 1);
    assert_eq!(bench.process(), process);
    let (took, code) = bench.interrupt();
    assert!(took < secs(2) && code == Some(0), "{took:?} {code:?}");
}

/// A lossy air is no fault, and all that gets through is read.
async fn lossy() {
    let mut bench = Bench::start(vec![probe(CLAMP, Kind::Clamp)]).await;
    bench.air.lock().unwrap().lost_percent = 80;
    bench.listen(&[]);
    bench.until(bench.clock.elapsed(), secs(10), reading_of(CLAMP)).await;
    bench.wait(secs(15)).await;
    bench.air.lock().unwrap().lost_percent = 100;
    bench.wait(secs(1)).await;
    let of = |l: &Value| reading_of(CLAMP)(l) && l["field"] == "temperature";
    let readings = bench.lines().iter().filter(|(_, line)| of(line)).count();
    let told = bench.air.lock().unwrap().told[CLAMP];
    println!("lossy air: {readings} readings of {told} payloads that got through");
    assert!(told > 10 && readings == told, "{readings} of {told}");
    assert_eq!(bench.events("radio_fault", ""), 0);
}

/// A connection that notifies no more is read, and one that hangs is made anew.
async fn unnotified() {
    let mut bench = Bench::start(vec![probe(SENSING, Kind::Sensing)]).await;
    bench.listen(&[]);
    bench.until(bench.clock.elapsed(), secs(10), reading_of(SENSING)).await;
    let service = bench.service();
    service.notifies(false);
    bench.wait(Duration::from_millis(500)).await;
    let from = bench.clock.elapsed();
    // The profile says that after 15 s without a notification it is read every 5 s.
    let read = bench.until(from, secs(25), reading_of(SENSING)).await;
    let next = bench.until(bench.clock.elapsed(), secs(15), reading_of(SENSING)).await;
    assert!(next < 8.0, "read again after {next} s");
    service.hang("ReadValue", true);
    let from = bench.clock.elapsed();
    let given_up = bench.until(from, secs(20), |l| l["event"] == "connection_lost").await;
    service.hang("ReadValue", false);
    service.notifies(true);
    let from = bench.clock.elapsed();
    let again = bench.until(from, secs(20), reading_of(SENSING)).await;
    println!("no notification: read {read:.1} s; hung: left {given_up:.1} s, back {again:.1} s");
    assert!(again < 8.0, "{again}");
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
