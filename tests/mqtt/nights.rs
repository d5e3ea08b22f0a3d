//! The network is away for a night, the broker dies, and too much waits.

use serde_json::Value;

use crate::mosquitto::{Got, Mosquitto, Subscriber, kept};
use crate::visit::{MINUTE_MS, SITE_LEVEL, Visit, events, is_published, until};

const ANYBODY: &str = "allow_anonymous true";

/// A broker that is down and remembers a subscriber, who comes back with it.
fn away(folder: &std::path::Path) -> (Mosquitto, Subscriber) {
    let mut broker = Mosquitto::started(folder, ANYBODY);
    let subscriber = Subscriber::start(&broker, &[]);
    broker.save();
    broker.kill();
    (broker, subscriber)
}

fn has_moment(subscriber: &Subscriber, at_s: f64) -> bool {
    let last = subscriber.last(|got| got.kind() == "moment");
    last.is_some_and(|got| got.body["elapsed_s"].as_f64().unwrap() >= at_s)
}

fn of_kinds(messages: &[Got]) -> Vec<&Value> {
    messages.iter().map(|got| &got.body).filter(|body| is_published(body)).collect()
}

fn moments_ms(messages: &[Got]) -> Vec<u64> {
    let moments = messages.iter().filter(|got| got.kind() == "moment");
    moments.map(|got| (got.body["elapsed_s"].as_f64().unwrap() * 1_000.0).round() as u64).collect()
}

/// All that was said and all moments came, in order, numbered without a gap.
#[track_caller]
fn came_whole(subscriber: &Subscriber, said: &[Value], visit: &Visit, stretch_ms: u64) -> Vec<Got> {
    subscriber.wait_for("the summary", |got| got.kind() == "summary");
    let messages = subscriber.messages();
    let numbers: Vec<u64> = messages.iter().map(|got| got.id().unwrap().1).collect();
    assert_eq!(numbers, (1..=messages.len() as u64).collect::<Vec<_>>());
    let expected: Vec<&Value> = said.iter().filter(|line| is_published(line)).collect();
    assert!(expected.len() > 10, "{expected:?}");
    assert_eq!(of_kinds(&messages), expected);
    assert_eq!(moments_ms(&messages), visit.moments(stretch_ms));
    messages
}

#[test]
fn a_night_without_network_arrives_whole_and_in_order_in_the_morning() {
    let temp = tempfile::tempdir().unwrap();
    let (mut broker, subscriber) = away(temp.path());
    let visit = Visit::new(temp.path(), 480);
    let job = visit.job(broker.port, "tls = false\nmoment_interval_s = 5");
    let steps = vec![
        until(470 * MINUTE_MS, "the broker is back", || {
            broker.start();
            true
        }),
        until(479 * MINUTE_MS, "all has come", || has_moment(&subscriber, 478.0 * 60.0)),
    ];
    let said = visit.watch(&job, 0, steps);
    let messages = came_whole(&subscriber, &said, &visit, 5_000);
    assert!(messages.len() > 5_700, "{}", messages.len());
    assert_eq!(events(&said, "broker_away").len(), 1, "told once, not at each try");
    assert_eq!(events(&said, "broker_connected").len(), 1);

    let session = visit.session().file_name().unwrap().to_str().unwrap().to_owned();
    for got in &messages {
        let kind = got.kind();
        assert_eq!(got.topic, format!("settled/{SITE_LEVEL}/{session}/{kind}"));
        assert_eq!(got.id().unwrap().0, session);
        assert_eq!(got.properties["content-type"], "application/json");
        assert_eq!(got.properties["message-expiry-interval"].is_u64(), kind == "moment");
    }
    let first = messages.iter().find(|got| got.body["elapsed_s"] == 3_600.0).unwrap();
    assert_eq!(first.properties["user-properties"]["time_utc"], "2031-06-04T20:05:12.000Z");

    assert_eq!(subscriber.presence(), ["online", "ended"]);
    let state = kept(&broker, "settled/+/state").unwrap();
    assert!(state.retained && state.body["session"] == session.as_str(), "{state:?}");
    assert!(state.body["sentence"].as_str().unwrap().len() > 5, "{state:?}");
    assert!(state.body["finding"].as_str().unwrap().len() > 5, "{state:?}");
    assert_eq!(kept(&broker, "settled/+/presence").unwrap().body["presence"], "ended");
}

#[test]
fn a_broker_that_is_killed_and_comes_back_costs_nothing() {
    let temp = tempfile::tempdir().unwrap();
    let mut broker = Mosquitto::started(temp.path(), ANYBODY);
    let subscriber = Subscriber::start(&broker, &[]);
    broker.save();
    let mut visit = Visit::new(temp.path(), 60);
    visit.minute = std::time::Duration::from_millis(150);
    let job = visit.job(broker.port, "tls = false");
    let broker = std::cell::RefCell::new(&mut broker);
    let kill = |at: u64| {
        until(at * MINUTE_MS, "killed", || {
            broker.borrow_mut().kill();
            true
        })
    };
    let start = |at: u64| {
        until(at * MINUTE_MS, "started", || {
            broker.borrow_mut().start();
            true
        })
    };
    let arrived = |at: u64| {
        let at_s = (at * 60 - 60) as f64;
        let subscriber = &subscriber;
        until(at * MINUTE_MS, "all so far", move || has_moment(subscriber, at_s))
    };
    let steps =
        vec![arrived(10), kill(20), start(25), arrived(35), kill(40), start(41), arrived(59)];
    let said = visit.watch(&job, 0, steps);
    came_whole(&subscriber, &said, &visit, 1_000);
    let told = events(&said, "broker_away").len();
    assert!(told <= 2 && events(&said, "broker_connected").len() == told + 1, "{told}");
}

#[test]
fn when_too_much_waits_the_oldest_moments_go_and_are_counted() {
    let temp = tempfile::tempdir().unwrap();
    let (mut broker, subscriber) = away(temp.path());
    let visit = Visit::new(temp.path(), 300);
    let more = "tls = false\nmoment_interval_s = 4\nbacklog_bytes = 1_000_000";
    let job = visit.job(broker.port, more);
    let steps = vec![
        until(290 * MINUTE_MS, "the broker is back", || {
            broker.start();
            true
        }),
        until(299 * MINUTE_MS, "all has come", || has_moment(&subscriber, 298.0 * 60.0)),
    ];
    let said = visit.watch(&job, 0, steps);
    subscriber.wait_for("the summary", |got| got.kind() == "summary");
    let messages = subscriber.messages();
    let expected: Vec<&Value> = said.iter().filter(|line| is_published(line)).collect();
    assert_eq!(of_kinds(&messages), expected, "only moments were dropped");
    let (came, all) = (moments_ms(&messages), visit.moments(4_000));
    let missing = all.len() - came.len();
    assert!(missing > 1_000, "{missing}");
    assert!(all.ends_with(&came[came.len() - 100..]), "the latest are there");
    assert_eq!(events(&said, "broker_dropped").len(), 1);
    let connected = &events(&said, "broker_connected")[0];
    let counted = format!("{missing} samples and 0 other messages were dropped");
    assert!(connected.contains(&counted), "{missing}: {connected}");
}
