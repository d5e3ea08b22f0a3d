//! What programs are told: JSON Lines of the kinds that the command line prints, and the points of
//! plots.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::history::{History, Known};
use crate::app::tell;
use crate::app::wording;
use crate::engine::channel::Channel;
use crate::engine::columns::{Shown, Units};
use crate::engine::json;
use crate::engine::output::Derived;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// The lists under `/api/`, by name.
pub const LISTS: [&str; 8] =
    ["readings", "cycles", "sets", "findings", "events", "trends", "night", "summary"];

/// The list called `name`, a line an element; `None` where there is no such list.
///
/// `readings` has the last reading of each channel, `findings` what the last settled set says.
pub fn list(history: &History, name: &str) -> Option<String> {
    let lines: Vec<Value> = match name {
        "readings" => history.channels.iter().filter_map(reading).collect(),
        "cycles" => history.night.cycles().map(json::cycle).collect(),
        "sets" => history.sets.iter().map(json::settled_set).collect(),
        "events" => history.night.marks().map(json::event).collect(),
        "trends" => history.night.trends().json(),
        "night" => vec![night(history)],
        "summary" => vec![tell::summary(history.counts)],
        "findings" => history.diagnoses.back().map_or(Vec::new(), |diagnosis| {
            let findings = diagnosis.findings.iter().map(json::finding);
            findings.chain(diagnosis.suspects.iter().map(json::suspect)).collect()
        }),
        _ => return None,
    };
    Some(lines.iter().fold(String::new(), |mut text, line| {
        // Writing to a String does not fail.
        let _ = writeln!(text, "{line}");
        text
    }))
}

fn reading(known: &Known) -> Option<Value> {
    Some(json::reading(known.last.as_ref()?, &known.new, &known.probe))
}

/// `{"kind":"night",…}`: runs, hours, marks and trends, with the changes of state beside them.
pub fn night(history: &History) -> Value {
    let mut night = history.night.json();
    let states = history
        .states
        .iter()
        .map(|(number, state)| json!([history.moment(*number).as_secs(), state.word()]));
    night["states"] = states.collect();
    night
}

/// The points of the plots from `from` to `to`: panels by unit, each with its lines, over the same
/// moments (s since the beginning). A value that is not known is null.
pub fn plot(
    history: &History,
    (from, to): (Elapsed, Elapsed),
    points_max: usize,
    units: Units,
) -> String {
    let points = history.points(from, to, points_max);
    let times: Vec<f64> = points.moments.iter().map(|n| history.moment(*n).as_secs()).collect();
    let derived = Derived::ALL.iter().map(|measure| {
        let is_air = ["wet_bulb", "dew_point"].iter().any(|word| measure.word().contains(word));
        let panel = match (measure.is_temperature(), is_air) {
            (true, true) => AIR,
            (true, false) => LINES,
            (false, _) => DIFFERENCES,
        };
        (panel, capital(measure.word()), measure.word().to_owned(), Shown::derived(*measure, units))
    });
    let channels = history.channels.iter().map(|known| {
        let channel = &known.new.channel;
        let key = channel.to_string();
        // The panel's title says the quantity.
        let place = Channel { kind: QuantityKind::Temperature, ..channel.clone() };
        (panel(channel), wording::name(&place), key, Shown::of(channel.kind, units))
    });
    let mut panels: Vec<(usize, &str, Vec<Value>)> = Vec::new();
    // Channels first: their places get the looks that are told apart best.
    let lines = derived.chain(channels).zip(&points.values).collect::<Vec<_>>();
    let (measures, channels) = lines.split_at(Derived::ALL.len());
    for ((panel, name, key, shown), values) in channels.iter().chain(measures) {
        if values.iter().all(|value| value.is_nan()) {
            continue;
        }
        let values = Value::Array(rounded(values, *shown));
        let line = json!({"key": key, "name": name, "short": short(name), "values": values});
        match panels.iter_mut().find(|(known, ..)| known == panel) {
            Some((.., lines)) => lines.push(line),
            None => panels.push((*panel, wording::short(*shown), vec![line])),
        }
    }
    panels.sort_by_key(|(panel, ..)| *panel);
    let panels: Vec<Value> = panels
        .into_iter()
        .map(|(panel, unit, lines)| json!({"title": title(panel), "unit": unit, "lines": lines}))
        .collect();
    let end = history.end().as_secs();
    json!({"end": end, "times": times, "panels": panels}).to_string()
}

/// As shown, two decimals: finer than a pixel of any plot.
fn rounded(values: &[f32], shown: Shown) -> Vec<Value> {
    let one = |value: &f32| {
        let shown = f64::from(*value) * shown.scale + shown.offset;
        if shown.is_finite() { json!((shown * 100.0).round() / 100.0) } else { Value::Null }
    };
    values.iter().map(one).collect()
}

/// A measure's name for people.
fn capital(word: &str) -> String {
    let words = word.replace('_', " ");
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// A line's name where there is little room.
fn short(name: &str) -> String {
    name.replace("Condenser leaving", "Leaving")
        .replace("Evaporator", "Evap.")
        .replace("Condenser", "Cond.")
        .replace(" air", "")
        .replace(" line", "")
}

/// The panels of temperatures and their differences, by their numbers.
const AIR: usize = 0;
const LINES: usize = 1;
const DIFFERENCES: usize = 2;

/// The panel that a channel is drawn in.
fn panel(channel: &Channel) -> usize {
    match channel.kind {
        QuantityKind::WetBulb | QuantityKind::DewPoint => AIR,
        QuantityKind::Temperature if channel.place.position.is_air() => AIR,
        QuantityKind::Temperature | QuantityKind::Saturation => LINES,
        QuantityKind::Superheat | QuantityKind::Subcooling => DIFFERENCES,
        QuantityKind::Pressure => 3,
        QuantityKind::Humidity | QuantityKind::Battery => 4,
        QuantityKind::StaticPressure => 5,
        QuantityKind::Airflow => 6,
        QuantityKind::Current => 7,
        QuantityKind::Power => 8,
        QuantityKind::Voltage => 9,
    }
}

const fn title(panel: usize) -> &'static str {
    match panel {
        AIR => "Air",
        LINES => "Lines and coils",
        DIFFERENCES => "Splits, superheat, subcooling",
        3 => "Pressures",
        4 => "Humidity",
        5 => "Static pressure",
        6 => "Airflow",
        7 => "Current",
        8 => "Power",
        _ => "Voltage",
    }
}
