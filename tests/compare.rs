//! `settled compare` and `settled service` by the built program, on invented, simulated visits.

#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::Value;
use settled::app::demo;
use settled::units::quantity::Celsius;
use settled::virtual_unit::scenario::Scenario;

fn settled(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_settled")).args(arguments).output().unwrap()
}

#[track_caller]
fn said(arguments: &[&str]) -> String {
    let output = settled(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

#[track_caller]
fn refused(arguments: &[&str], advice: &str) {
    let output = settled(arguments);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{arguments:?}: {errors}");
    assert!(errors.contains(advice) && errors.trim_end().lines().count() == 1, "{errors}");
}

fn demo(folder: &Path, name: &str, options: &[&str]) -> PathBuf {
    let out = folder.join(name);
    let fixed = ["demo", "--out", out.to_str().unwrap()];
    let hours: &[&str] = if options.contains(&"--hours") { &[] } else { &["--hours", "1.5"] };
    said(&[&fixed[..], hours, options].concat());
    fs::read_dir(&out).unwrap().next().unwrap().unwrap().path()
}

/// The lines of a comparison in JSON, by measure.
fn compared(arguments: &[&str]) -> Vec<Value> {
    let text = said(&[&["compare", "--json"], arguments].concat());
    let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert!(lines.iter().all(|line| line["kind"] == "comparison"));
    assert!(lines.len() >= 4, "{text}");
    lines
}

fn change<'a>(lines: &'a [Value], measure: &str) -> &'a Value {
    let line = lines.iter().find(|line| line["measure"] == measure);
    &line.unwrap_or_else(|| panic!("{measure} is not compared"))["change"]
}

#[test]
fn a_charge_put_right_is_seen_and_another_day_of_the_same_unit_is_no_change() {
    let temp = tempfile::tempdir().unwrap();
    let low = demo(temp.path(), "low", &["--fault", "low-charge", "--severity", "severe"]);
    let good = demo(temp.path(), "good", &["--fault", "none"]);
    let again = demo(temp.path(), "again", &["--fault", "none", "--seed", "2"]);
    let [low, good, again] = [&low, &good, &again].map(|path| path.to_str().unwrap());

    // Low charge: superheat high, subcooling low (Rossi & Braun's signs); charging turns both.
    let lines = compared(&[low, good]);
    assert_eq!(change(&lines, "superheat"), "down");
    assert_eq!(change(&lines, "subcooling"), "up");
    let lines = compared(&[good, low]);
    assert_eq!(change(&lines, "superheat"), "up");

    for line in compared(&[good, again]) {
        assert_eq!(line["comparable"], true, "{line}");
        assert_eq!(line["change"], "none", "{line}");
        let [low, high] = [0, 1].map(|i| line["interval_95"][i].as_f64().unwrap());
        assert!(low < 0.0 && high > 0.0, "{line}");
    }
    let text = said(&["compare", low, good]);
    assert!(text.contains("LOWER") && text.contains("HIGHER") && text.contains("±"), "{text}");
}

/// A visit to the same healthy unit on a day of this mean outdoor temperature (°C).
fn day(folder: &Path, name: &str, outdoor_c: f64) -> PathBuf {
    let scenario = Scenario {
        length: Duration::from_mins(90),
        outdoor_mean: Celsius::new(outdoor_c).unwrap(),
        faults: Vec::new(),
        ..Scenario::default()
    };
    demo::record(&scenario, &folder.join(name)).unwrap()
}

#[test]
fn under_unlike_conditions_what_a_source_allows_is_made_comparable_and_the_rest_is_not_compared() {
    let temp = tempfile::tempdir().unwrap();
    let [mild, hot] = [("mild", 26.0), ("hot", 33.0)].map(|(n, c)| day(temp.path(), n, c));
    let [mild, hot] = [&mild, &hot].map(|path| path.to_str().unwrap());
    let lines = compared(&[mild, hot]);
    let is = |line: &Value, key: &str| line[key].as_bool().unwrap();
    for line in &lines {
        // Nothing is compared as it is.
        assert_eq!(is(line, "comparable"), is(line, "adjusted"), "{line}");
        let change = line["change"].as_str().unwrap();
        if is(line, "adjusted") {
            // It is the same unit in good order: less what is expected there is no change.
            assert_eq!(change, "none", "{line}");
        } else {
            assert_eq!(change, "cannot_tell", "{line}");
        }
    }
    let [adjusted, not]: [Vec<&Value>; 2] = [true, false]
        .map(|wanted| lines.iter().filter(|line| is(line, "adjusted") == wanted).collect());
    println!("adjusted {:?}", adjusted.iter().map(|l| &l["measure"]).collect::<Vec<_>>());
    assert!(!adjusted.is_empty() && !not.is_empty());
    let text = said(&["compare", mild, hot]);
    assert!(text.contains("The conditions differ:") && text.contains("outdoor air was"), "{text}");
    assert!(text.contains("* less what is expected") && text.contains("Not comparable:"), "{text}");
}

#[test]
fn a_marked_change_splits_a_session() {
    let temp = tempfile::tempdir().unwrap();
    let session = demo(temp.path(), "low", &["--fault", "low-charge", "--severity", "severe"]);
    let good = demo(temp.path(), "good", &["--fault", "none"]);
    let path = session.to_str().unwrap();
    refused(&["compare", path], "no change is marked");
    // One visit of two: the low unit, the words "charge put right", the good unit.
    let received = session.join("received.csv");
    let mut text = fs::read_to_string(&received).unwrap();
    let at = |line: &str| line.split(',').next().unwrap().parse::<u64>().unwrap();
    let end = at(text.lines().last().unwrap());
    let changed = format!("{end},,,note,changed,6368617267652070757420726967687420,\r\n");
    text.push_str(&changed);
    for line in fs::read_to_string(good.join("received.csv")).unwrap().lines().skip(1) {
        let (_, rest) = line.split_once(',').unwrap();
        let moved = format!("{},{rest}\r\n", end + at(line));
        text.push_str(&moved);
    }
    fs::write(&received, text).unwrap();
    let lines = compared(&[path]);
    assert_eq!(change(&lines, "superheat"), "down");
    assert_eq!(change(&lines, "subcooling"), "up");
}

#[test]
fn there_must_be_something_to_compare() {
    let temp = tempfile::tempdir().unwrap();
    let short = demo(temp.path(), "short", &["--hours", "0.1"]);
    let whole = demo(temp.path(), "whole", &[]);
    refused(&["compare", short.to_str().unwrap(), whole.to_str().unwrap()], "nothing settled");
    refused(&["compare", temp.path().to_str().unwrap()], "session.toml");
}

#[test]
fn a_service_unit_names_the_job_and_is_refused_for_a_wrong_one() {
    let temp = tempfile::tempdir().unwrap();
    let job = temp.path().join("job.toml");
    fs::write(&job, "site = \"Bench (invented)\"\n").unwrap();
    let text = said(&["service", job.to_str().unwrap()]);
    assert!(text.contains(&format!("watch --continue {}", job.display())), "{text}");
    assert!(text.contains("WatchdogSec=") && text.contains("NoNewPrivileges=yes"));
    fs::write(&job, "sit = 1\n").unwrap();
    let output = settled(&["service", job.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8(output.stderr).unwrap().contains("did you mean `site`"));
}
