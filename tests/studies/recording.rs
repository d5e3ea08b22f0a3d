//! The one open recording of real equipment at hand (tests/published/recordings/README.md): a heat
//! pump cooling for a day in environmental chambers, one row a minute.

use settled::engine::job::Settle;
use settled::engine::reading::Instrument;
use settled::engine::signals::SignalEvent;

use crate::cycles::{Count, told};
use crate::plant::feed;

const DAY: &str = include_str!("../published/recordings/heat-pump-laboratory-day.csv");
const RUNS: &str = include_str!("../published/recordings/heat-pump-laboratory-runs.csv");

fn readings(columns: &[usize]) -> Vec<(usize, f64, f64)> {
    let mut readings = Vec::new();
    for (row, line) in DAY.lines().skip(1).enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        for (which, column) in columns.iter().enumerate() {
            if let Ok(fahrenheit) = cells[*column].parse::<f64>() {
                readings.push((which, 60.0 * (row as f64 + 1.0), (fahrenheit - 32.0) / 1.8));
            }
        }
    }
    readings
}

/// True starts and stops (s): between the last row without power and the first with it.
fn true_times() -> Vec<f64> {
    let rows = RUNS.lines().skip(1).map(|line| {
        let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap_or(0.0)).collect();
        [60.0 * (cells[1] + 0.5), 60.0 * (cells[2] + 1.5)]
    });
    rows.flatten().collect()
}

#[test]
fn starts_and_stops_are_found_without_the_power() {
    let channels = ["supply-air.temperature", "return-air.temperature", "outdoor-air.temperature"];
    let instrument = Instrument { accuracy: 0.8, resolution: 0.1 / 1.8, time_constant_s: None };
    let all = readings(&[5, 7, 3]);
    let events = feed(&channels, instrument, all.into_iter(), Settle::default(), &mut |_, _| ());
    let mut count = Count::default();
    count.note(&true_times(), &told(&events), 300.0);
    println!("{}", count.line("laboratory day, supply and return"));
    assert_eq!((count.missed, count.false_turns), (0, 0));
    assert!(count.within(60.0) >= 0.95);
    let sets = events.iter().filter(|(_, event)| matches!(event, SignalEvent::SettledSet(_)));
    assert!(sets.count() >= 10);
}
