//! What a row of the derived files says: `cycles.csv`, `sets.csv`, `events.csv`, and the columns
//! of all of them in the vocabulary of the W3C's *CSV on the Web*.

use serde_json::{Value, json};

use crate::engine::columns::{Shown, Units, push_fixed};
use crate::engine::output::Event;
use crate::engine::reading::{Cycle, SettledSet, SettledValue};
use crate::units::time::Elapsed;

/// A run shorter than this is flagged (s). A flag, not a fault: the thermostat curve attributed to
/// NEMA DC 3 (3 cycles an hour at the most) has no run below 60 / (4 · 3) min.
pub const SHORT_RUN_S: f64 = 300.0;

/// A pause shorter than this is flagged (s). Source: makers' least off time between starts, 3 min.
pub const SHORT_PAUSE_S: f64 = 180.0;

/// From this hour of the day, local time, it is night.
pub const NIGHT_FROM_H: i8 = 22;

/// From this hour of the day, local time, it is no longer night.
pub const NIGHT_TO_H: i8 = 6;

/// Whether an hour of the day (0 to 23, local time) belongs to the night.
pub const fn is_night(hour: i8) -> bool {
    hour >= NIGHT_FROM_H || hour < NIGHT_TO_H
}

/// A column: its name, its data type in *CSV on the Web*, and what it means.
pub type Column = (&'static str, &'static str, &'static str);

/// The columns of `received.csv`.
pub const RECEIVED: [Column; 7] = [
    ("elapsed_ms", "nonNegativeInteger", "engine time since the session began (ms)"),
    ("time_utc", "dateTime", "wall-clock label; empty while the clock was not known to be right"),
    (
        "probe",
        "string",
        "the probe's address, or what an event is about; %XX for what is not plain",
    ),
    ("via", "string", "the way it came"),
    ("key", "string", "company id, UUID, channel or event name"),
    ("bytes_hex", "hexBinary", "the bytes; words and values are UTF-8"),
    ("rssi_dbm", "integer", "signal strength (dBm)"),
];

/// The columns of `readings.csv` that are always there.
pub const READINGS: [Column; 3] = [
    ("elapsed_ms", "nonNegativeInteger", "engine time since the session began (ms)"),
    ("time_utc", "dateTime", "wall-clock label; empty while the clock was not known to be right"),
    ("state", "string", "what the unit was doing"),
];

/// The columns of `cycles.csv`.
pub const CYCLES: [Column; 14] = [
    ("cycle", "positiveInteger", "number of the run within the session"),
    ("start_s", "decimal", "when the compressor started (s); empty where nobody heard"),
    ("stop_s", "decimal", "when it stopped (s)"),
    ("run_s", "decimal", "length of the run (s)"),
    ("pause_s", "decimal", "length of the pause after it (s)"),
    ("complete", "boolean", "whether start, stop and next start were all heard"),
    ("start_uncertainty_s", "decimal", "standard uncertainty of the start (s)"),
    ("stop_uncertainty_s", "decimal", "standard uncertainty of the stop (s)"),
    ("night", "boolean", "whether it began between 22:00 and 06:00, local time"),
    ("defrost", "boolean", "whether the unit defrosted in it"),
    ("short_run", "boolean", "whether the run was shorter than 5 min; a flag, not a fault"),
    ("short_pause", "boolean", "whether the pause was shorter than 3 min; a flag, not a fault"),
    ("settled", "boolean", "whether a settled set was taken in it"),
    ("how", "string", "what told start and stop"),
];

/// The columns of `sets.csv`.
pub const SETS: [Column; 9] = [
    ("set", "positiveInteger", "number of the settled set within the session"),
    ("cycle", "positiveInteger", "the run that it belongs to"),
    ("from_ms", "nonNegativeInteger", "start of the stretch (ms)"),
    ("to_ms", "nonNegativeInteger", "end of the stretch (ms)"),
    ("channel", "string", "position and quantity"),
    ("value", "decimal", "mean over the stretch, in `unit`"),
    ("unit", "string", "the unit of value, spread and uncertainty"),
    ("spread", "decimal", "standard deviation of the readings"),
    ("uncertainty", "decimal", "standard uncertainty of the mean (k = 1), probe accuracy included"),
];

/// The columns of `events.csv`.
pub const EVENTS: [Column; 5] = [
    ("elapsed_ms", "nonNegativeInteger", "engine time since the session began (ms)"),
    ("time_utc", "dateTime", "wall-clock label; empty while the clock was not known to be right"),
    ("event", "string", "what happened"),
    ("subject", "string", "what it is about"),
    ("detail", "string", "the rest, in words"),
];

fn fixed(value: f64, decimals: u8) -> String {
    let mut out = Vec::new();
    push_fixed(&mut out, value, decimals);
    String::from_utf8(out).unwrap_or_default()
}

fn cell<T>(value: Option<T>, text: impl Fn(T) -> String) -> String {
    value.map(text).unwrap_or_default()
}

/// The row of a cycle; `night` is `None` where the time of day is not known.
pub fn cycle_row(cycle: &Cycle, night: Option<bool>) -> [String; CYCLES.len()] {
    let secs = |at: Option<Elapsed>| cell(at, |at| fixed(at.as_secs(), 3));
    let (run, pause) = (cycle.run_s(), cycle.pause_s());
    let word = |word: Option<bool>| cell(word, |word| word.to_string());
    [
        cycle.number.to_string(),
        secs(cycle.start),
        secs(cycle.stop),
        cell(run, |run| fixed(run, 3)),
        cell(pause, |pause| fixed(pause, 3)),
        cycle.complete.to_string(),
        cell(cycle.start_uncertainty_s, |u| fixed(u, 2)),
        cell(cycle.stop_uncertainty_s, |u| fixed(u, 2)),
        word(night),
        cycle.defrost.to_string(),
        word(run.map(|run| run < SHORT_RUN_S)),
        word(pause.map(|pause| pause < SHORT_PAUSE_S)),
        cycle.settled.to_string(),
        cycle.how.clone(),
    ]
}

/// The row of one channel of a settled set.
pub fn set_row(set: &SettledSet, value: &SettledValue, units: Units) -> [String; SETS.len()] {
    let shown = Shown::of(value.channel.kind, units);
    [
        set.number.to_string(),
        cell(set.cycle, |cycle| cycle.to_string()),
        set.from.as_ms().to_string(),
        set.to.as_ms().to_string(),
        value.channel.to_string(),
        shown.text(value.quantity.get()),
        shown.suffix.to_owned(),
        shown.width().text(value.spread),
        shown.width().text(value.uncertainty),
    ]
}

/// The row of an event.
pub fn event_row<'a>(event: &'a Event, elapsed_ms: &'a str, label: &'a str) -> [&'a str; 5] {
    [elapsed_ms, label, &event.event, &event.subject, &event.detail]
}

/// A column of the metadata, with its unit where it has one.
pub fn column_metadata(name: &str, datatype: &str, meaning: &str, unit: Option<&str>) -> Value {
    let mut column = json!({
        "name": name,
        "titles": name,
        "datatype": datatype,
        "dc:description": meaning,
    });
    if let Some(unit) = unit {
        column["schema:unitText"] = json!(unit);
    }
    column
}

/// The metadata of a file, as text.
///
/// Source: W3C Recommendation *Metadata Vocabulary for Tabular Data*, 17 December 2015.
pub fn metadata(file: &str, title: &str, columns: &[Value]) -> String {
    let table = json!({
        "@context": "http://www.w3.org/ns/csvw",
        "url": file,
        "dc:title": title,
        "dialect": {"encoding": "utf-8", "header": true, "delimiter": ",", "lineTerminators": "\r\n"},
        "tableSchema": {"columns": columns},
    });
    format!(
        "{table:#}
"
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::quantity::{Quantity, QuantityKind};

    fn cycle(start: Option<u64>, stop: Option<u64>, next: Option<u64>) -> Cycle {
        Cycle {
            number: 1,
            start: start.map(Elapsed::from_ms),
            stop: stop.map(Elapsed::from_ms),
            start_uncertainty_s: Some(4.0),
            stop_uncertainty_s: None,
            next_start: next.map(Elapsed::from_ms),
            complete: next.is_some(),
            defrost: false,
            settled: false,
            how: "a, b".to_owned(),
        }
    }

    #[test]
    fn a_cycle_flags_what_is_short_and_only_what_is_known() {
        let row = |c, night| cycle_row(&c, night).join("|");
        assert_eq!(
            row(cycle(Some(1_500), Some(301_499), Some(481_499)), Some(true)),
            "1|1.500|301.499|299.999|180.000|true|4.00||true|false|true|false|false|a, b"
        );
        assert_eq!(
            row(cycle(None, Some(1_000), None), None),
            "1||1.000|||false|4.00|||false|||false|a, b"
        );
    }

    #[test]
    fn the_night_goes_from_ten_to_six() {
        let night: Vec<i8> = (0..24).filter(|hour| is_night(*hour)).collect();
        assert_eq!(night, [0, 1, 2, 3, 4, 5, 22, 23]);
    }

    #[test]
    fn a_set_s_row_is_in_the_units_of_people() {
        let value = SettledValue {
            channel: "supply-air.temperature".parse().unwrap(),
            quantity: Quantity::new(QuantityKind::Temperature, 10.0).unwrap(),
            spread: 0.1,
            uncertainty: 0.5,
            probe: None,
        };
        let set = SettledSet {
            number: 2,
            cycle: Some(1),
            from: Elapsed::from_secs(1),
            to: Elapsed::from_secs(301),
            run_s: None,
            values: vec![value],
        };
        assert_eq!(
            set_row(&set, &set.values[0], Units::Us).join(","),
            "2,1,1000,301000,supply-air.temperature,50.00,f,0.180,0.900"
        );
    }
}
