//! The visit in numbers, in Prometheus' text format.
//!
//! The session counts; a registry is made for each answer, so there is nothing here to keep in
//! step with it.

use std::fmt;
use std::sync::atomic::AtomicU64;

use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::Registry;

use super::history::History;

type Labels = Vec<(&'static str, String)>;

/// The metrics of a visit, while `watchers` look at the page.
///
/// # Errors
/// None is known; the encoder may say one.
pub fn text(history: &History, watchers: usize) -> Result<String, fmt::Error> {
    let mut registry = Registry::with_prefix("settled");
    let counts = history.counts;
    for (name, help, value) in [
        ("payloads", "Payloads heard, typed and imported values included", counts.payloads),
        ("payloads_refused", "Payloads and values refused", counts.refused),
        ("payloads_repeated", "Payloads whose sequence number had been seen", counts.repeated),
        ("cycles", "Runs ended", counts.cycles),
        ("settled_sets", "Settled sets taken", counts.settled_sets),
        (
            "rows_acknowledged",
            "Rows of the record that are on the disk",
            history.journal.acknowledged,
        ),
        ("rows_lost", "Rows that were not recorded", history.journal.lost),
        ("page_missed", "Outputs that the page could not keep up with", history.missed),
    ] {
        let counter = Counter::<u64, AtomicU64>::default();
        counter.inc_by(value);
        registry.register(name, help, counter);
    }
    let readings = Family::<Labels, Counter>::default();
    for known in &history.channels {
        let labels = vec![("channel", known.new.channel.to_string())];
        readings.get_or_create(&labels).inc_by(known.readings);
    }
    registry.register("readings", "Readings by channel", readings);
    let events = Family::<Labels, Counter>::default();
    for (name, count) in &history.events_by_name {
        events.get_or_create(&vec![("event", name.clone())]).inc_by(*count);
    }
    registry.register("events", "Events by name; a radio remedy is one", events);
    for (name, help, value) in [
        (
            "recording",
            "1 while inputs are recorded",
            i64::from(history.journal.not_recording.is_none()),
        ),
        ("rows_waiting", "Rows that wait for the disk", history.journal.waiting as i64),
        ("page_watchers", "Open pages", watchers as i64),
    ] {
        let gauge = Gauge::<i64>::default();
        gauge.set(value);
        registry.register(name, help, gauge);
    }
    let sync = Gauge::<f64, AtomicU64>::default();
    sync.set(history.journal.sync.as_secs_f64());
    registry.register("sync_seconds", "How long the last sync to the disk took", sync);
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}
