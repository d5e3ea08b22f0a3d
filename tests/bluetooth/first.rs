//! From nothing to a first finding: the virtual unit's probes over the stand-in radio, and only `new`,
//! `watch` and what the screen says.

use std::collections::HashMap;
use std::fs;
use std::io::{Read as _, Write as _};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;
use settled::virtual_unit::payload::Carrier;
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::Simulation;

use crate::air::{SENSING, TEMPERATURE};
use crate::bench::Bench;
use crate::service::{Advert, Characteristic, Service};

/// The unit lives so many times as fast as the program, so that the whole takes minutes; the job's
/// limits for settling are as many times shorter, and its drift as many times larger.
const SPEED: u64 = 4;

/// Where each field of each probe sits, by address and field.
type Places = HashMap<(String, String), &'static str>;

/// The probes of a simulated unit send in real time, for as long as the bench stands.
fn begin(service: Service) -> Places {
    let mut simulation = Simulation::new(&Scenario::default()).unwrap();
    let mut places = HashMap::new();
    for probe in simulation.probes() {
        for (field, place) in &probe.fields {
            places.insert((probe.address.to_string(), (*field).to_owned()), *place);
        }
        if probe.name == "outdoor" {
            let (uuid, flags) = (TEMPERATURE.into(), vec!["read", "notify"]);
            let characteristic = Characteristic { uuid, flags, value: vec![0xC4, 0x09] };
            service.gatt(&probe.address, SENSING, vec![characteristic]);
        }
    }
    tokio::spawn(async move {
        let clock = SessionClock::start(Elapsed::ZERO);
        for emission in simulation.by_ref() {
            let due = Elapsed::from_ms(emission.at.as_ms() / SPEED);
            tokio::time::sleep(due - clock.elapsed()).await;
            let mut advert = Advert { rssi: emission.rssi_dbm, ..Advert::default() };
            match emission.carrier {
                Carrier::Manufacturer(company) => {
                    advert.manufacturer.push((company, emission.bytes.clone()));
                }
                Carrier::Service(uuid) => {
                    let uuid = uuid::Uuid::from_u128(uuid).to_string();
                    advert.service.push((uuid, emission.bytes.clone()));
                }
                Carrier::Characteristic(_) => {
                    advert.services.push(SENSING.into());
                    service.notify(&emission.probe, TEMPERATURE, &emission.bytes).await;
                }
            }
            service.advertise("hci0", &emission.probe, &advert).await;
        }
    });
    places
}

/// Answers what `settled new` asks, as somebody who stands at the unit would.
fn answer(new: &mut Child, places: &Places) -> String {
    let mut said = String::new();
    let mut out = new.stdout.take().unwrap();
    let mut answers = new.stdin.take().unwrap();
    let mut byte = [0];
    let mut asked = String::new();
    while out.read(&mut byte).unwrap() == 1 {
        // What is asked is plain ASCII; the degree sign only comes by.
        said.push(char::from(byte[0]));
        asked.push(char::from(byte[0]));
        let question = asked.lines().last().unwrap_or_default();
        let reply = match question {
            q if q.ends_with("position: ") => position(&asked, q, places),
            q if q.ends_with("] ") || (q.ends_with("? ") && !has_usual(q)) => unit(q).to_owned(),
            _ => continue,
        };
        assert!(said.len() < 20_000, "it asks without end: {said}");
        writeln!(answers, "{reply}").unwrap();
        said.push_str(&reply);
        said.push('\n');
        asked = format!("{}\n", asked.lines().rev().find(|l| l.starts_with("F2:")).unwrap_or(""));
    }
    said
}

/// Whether something follows on the line before an answer is awaited.
fn has_usual(question: &str) -> bool {
    ["each sit", "call the site", "(us)", "cool or heat", "package"]
        .iter()
        .any(|part| question.contains(part))
}

/// Where the probe that is asked for sits.
fn position(asked: &str, question: &str, places: &Places) -> String {
    let line = asked.lines().rev().find(|line| line.starts_with("F2:")).unwrap();
    let address = &line[..17];
    let field = question.trim().split_once(": position").map(|(field, _)| field);
    let field = field.unwrap_or("temperature");
    places[&(address.to_owned(), field.to_owned())].to_owned()
}

/// What the nameplate says.
fn unit(question: &str) -> &'static str {
    let known = [
        ("call the site", "Harbour bakery (invented)"),
        ("refrigerant", "R-410A"),
        ("meters", "fixed-orifice"),
        ("cooling capacity", "3ton"),
    ];
    known.iter().find(|(of, _)| question.contains(of)).map_or("", |(_, answer)| answer)
}

fn finish(child: &mut Child, path: &Path) {
    assert!(child.wait().unwrap().success());
    assert!(path.exists());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_nothing_to_a_first_finding_with_new_and_watch() {
    let full = std::env::var_os("SETTLED_FULL").is_some();
    let mut bench = Bench::start(Vec::new()).await;
    let places = begin(bench.service());
    let job = bench.folder().join("bakery.toml");
    let path = job.to_str().unwrap().to_owned();
    let mut new = bench
        .command(&["new", &path, "--questions", "--seconds", "8"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let asked = places.clone();
    let (said, mut new) = tokio::task::spawn_blocking(move || {
        let said = answer(&mut new, &asked);
        (said, new)
    })
    .await
    .unwrap();
    println!("{said}");
    finish(&mut new, &job);
    let text = fs::read_to_string(&job).unwrap();
    println!("{text}");
    let placed = text.lines().filter(|line| !line.starts_with('#') && line.contains("position = "));
    assert_eq!(placed.count(), 10, "{text}");
    assert!(bench.command(&["check", &path]).status().unwrap().success());

    let settle = "[settle]\nwindow_s = 75\nrun_min_s = 75\ndrift_k_per_min_max = 0.4\n";
    let log = format!("\n{settle}[log]\nfolder = \"{}\"\n", bench.sessions().display());
    fs::write(&job, format!("{text}{log}")).unwrap();
    bench.run(&["watch", "--json", &path]);
    let addresses: Vec<String> = places.keys().map(|(address, _)| address.clone()).collect();
    let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
    let from = bench.clock.elapsed();
    bench.all_read(from, Duration::from_secs(20), &addresses).await;
    if !full {
        return;
    }
    bench.until(from, Duration::from_secs(200), |line| line["kind"] == "ready").await;
    let took = bench.until(from, Duration::from_mins(30), |line| line["kind"] == "suspect").await;
    println!("first finding {took:.0} s after `watch` was started");
    let lines = bench.lines();
    for (at, line) in lines.iter().filter(|(_, line)| line["kind"] != "reading") {
        println!("{at} {line}");
    }
    assert!(!lines.iter().any(|(_, line)| line["event"] == "placement_doubt"));
    let first = lines.iter().find(|(_, line)| line["kind"] == "suspect").unwrap();
    assert_eq!(first.1["fault"], "low_charge", "{}", first.1);
}
