//! The built program: exit codes, what it prints, and what it says to wrong input.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

/// Runs the program.
fn settled(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_settled")).args(arguments).output().unwrap()
}

/// What the program prints, having done what it was asked.
fn said(arguments: &[&str]) -> String {
    let output = settled(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

/// The one line that the program says to wrong input, which ends it with `code`.
#[track_caller]
fn refused(arguments: &[&str], code: i32) -> String {
    let output = settled(arguments);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {errors}");
    assert_eq!(errors.trim_end().lines().count(), 1, "{arguments:?}: {errors}");
    errors
}

/// Checks that wrong input gives one line that says what to do.
#[track_caller]
fn check(arguments: &[&str], code: i32, advice: &str) {
    let line = refused(arguments, code);
    assert!(line.contains(advice), "{arguments:?}: {line}");
}

/// A file in a folder of the test's own.
fn file(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn values_typed_wrong_are_refused_with_what_is_right() {
    check(&["saturation", "R-41OA", "--pressure", "118psig"], 3, "R-410A");
    check(&["saturation", "R-410A", "--pressure", "118"], 3, "psig");
    check(&["saturation", "R-410A", "--pressure", "118psi"], 3, "psig");
    check(&["saturation", "R-410A", "--pressure", "9000psig"], 3, "to");
    check(&["saturation", "R-410A", "--temperature", "27"], 3, "27F");
    check(&["air", "--dry-bulb", "80F", "--humidity", "51"], 3, "%");
    check(&["air", "--dry-bulb", "80F", "--humidity", "151%"], 3, "100");
}

#[test]
fn jobs_that_cannot_be_meant_are_refused_with_the_key() {
    let folder = tempfile::tempdir().unwrap();
    let twice = "site = \"x (invented)\"\n[[probe]]\nname = \"a\"\nposition = \"supply-air\"\n\
                 [[probe]]\nname = \"b\"\nposition = \"supply-air\"\n";
    let twice = file(folder.path(), "twice.toml", twice);
    check(&["watch", &twice], 3, "average = true in both");
    let unknown = "site = \"x (invented)\"\n[unit]\nrefrigerant = \"R-999\"\n";
    let unknown = file(folder.path(), "unknown.toml", unknown);
    check(&["watch", &unknown], 3, "unit.refrigerant");
    let key = file(folder.path(), "key.toml", "site = \"x (invented)\"\naltitud = \"450ft\"\n");
    check(&["watch", &key], 3, "key.toml:2:1");
    let bare = file(folder.path(), "bare.toml", "site = \"x (invented)\"\naltitude = \"450\"\n");
    check(&["diagnose", &bare, "--at", "supply-air=58F"], 3, "altitude");
    check(&["watch", folder.path().join("none.toml").to_str().unwrap()], 3, "path of a job file");
}

#[test]
fn readings_typed_for_a_diagnosis_are_checked() {
    let folder = tempfile::tempdir().unwrap();
    let job = "site = \"x (invented)\"\n[unit]\nrefrigerant = \"R-410A\"\nmetering = \"txv\"\n";
    let job = file(folder.path(), "job.toml", job);
    check(&["diagnose", &job, "--at", "suction=58F"], 3, "suction-line");
    check(&["diagnose", &job, "--at", "suction-line=58"], 3, "52F");
    check(&["diagnose", &job, "--at", "suction-line.pressure=118psi"], 3, "psig");
    check(&["diagnose", &job], 2, "--at");
}

#[test]
fn a_profile_without_an_example_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let shipped = fs::read_to_string("probe-profiles/plain-clamp.toml").unwrap();
    let (before, _) = shipped.split_once("[[example]]").expect("it has an example");
    file(folder.path(), "plain.toml", before);
    let output = settled(&["profile", "check", folder.path().to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(3));
    let all = [output.stdout, output.stderr].concat();
    assert!(String::from_utf8_lossy(&all).contains("example"));
}

#[test]
fn a_session_folder_that_is_half_there_says_what_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap();
    check(&["replay", path], 3, "session.toml");
    check(&["replay", folder.path().join("none").to_str().unwrap()], 3, "folder");
    check(&["replay", "-"], 2, "--job");
    let fixture = "fixtures/bakery-low-charge";
    check(&["replay", fixture, "--from", "soon"], 3, "minutes:seconds");
}

#[test]
fn payloads_that_are_no_bytes_are_refused() {
    check(&["decode", "--manufacturer", "0xFFFF:4"], 3, "hex");
    check(&["decode", "--service", "FCD2"], 3, ":");
}

#[test]
fn usage_is_a_failure_of_its_own() {
    assert_eq!(settled(&["no-such-command"]).status.code(), Some(2));
    check(&["demo", "--fault", "gremlins"], 2, "low-charge");
    check(&["demo", "--hours", "0"], 2, "0.1");
    assert_eq!(settled(&["--help"]).status.code(), Some(0));
}

#[test]
fn every_command_shows_an_example_and_the_program_its_cautions() {
    let help = said(&["--help"]);
    assert!(help.contains("no proof that it is isolated"));
    let commands = help.split("Commands:").nth(1).unwrap().split("Options:").next().unwrap();
    let names = commands.lines().filter_map(|line| line.strip_prefix("  ")?.split(' ').next());
    let mut seen = 0;
    for name in names.filter(|name| !name.is_empty() && *name != "help") {
        seen += 1;
        assert!(said(&[name, "--help"]).contains("Example"), "{name}");
    }
    assert!(seen >= 10, "{help}");
}

#[test]
fn json_has_the_keys_that_programs_rely_on() {
    let line = said(&["saturation", "R-410A", "--pressure", "118psig", "--json"]);
    let value: Value = serde_json::from_str(line.trim()).unwrap();
    assert_eq!(value["kind"], "saturation");
    assert_eq!(value["refrigerant"], "R-410A");
    for key in ["pressure_pa", "bubble_c", "dew_c"] {
        assert!(value[key].is_f64(), "{key} in {value}");
    }
    let line = said(&["air", "--dry-bulb", "26.7C", "--humidity", "51%", "--json"]);
    let value: Value = serde_json::from_str(line.trim()).unwrap();
    // The design's example states these to their last digit.
    assert!((value["wet_bulb_c"].as_f64().unwrap() - 19.4).abs() < 0.1, "{value}");
    assert!((value["humidity_ratio"].as_f64().unwrap() - 0.0112).abs() < 0.0001, "{value}");
}

#[test]
fn demo_writes_a_session_that_replays_to_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let lines = said(&["demo", "--hours", "0.7", "--out", out, "--json"]);
    let values: Vec<Value> = lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let of = |kind: &str| values.iter().filter(|v| v["kind"] == kind).collect::<Vec<_>>();
    assert!(of("reading").len() > 10_000);
    assert_eq!(of("settled_set").len() as u64, of("summary")[0]["settled_sets"].as_u64().unwrap());
    let first = of("suspect")[0].clone();
    assert_eq!(first["fault"], "low_charge", "{first}");
    assert!(first["probability"].as_f64().unwrap() > 0.5, "{first}");
    for measure in ["evaporator_split", "condenser_split", "superheat", "subcooling", "approach"] {
        let found = of("finding").into_iter().find(|f| f["measure"] == measure).unwrap();
        assert!(found["uncertainty"].as_f64().unwrap() > 0.0, "{found}");
        assert_eq!(found["interval_95"].as_array().unwrap().len(), 2, "{found}");
    }

    let session = fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
    let files = ["readings.csv", "cycles.csv", "sets.csv", "events.csv", "findings.json"];
    let read = || files.map(|name| fs::read(session.join(name)).unwrap());
    let live = read();
    let made = said(&["replay", session.to_str().unwrap(), "--rebuild"]);
    assert!(made.contains("all as they were"), "{made}");
    assert!(live == read(), "a derived file changed");

    // What another part of the record would have changed is told.
    fs::write(session.join("sets.csv"), "spoilt").unwrap();
    let made = said(&["replay", session.to_str().unwrap(), "--rebuild"]);
    assert!(made.contains("sets.csv changed"), "{made}");
    assert!(live == read(), "a derived file was not made again");
}

#[test]
fn the_same_seed_gives_the_same_record() {
    let record = || {
        let folder = tempfile::tempdir().unwrap();
        said(&["demo", "--hours", "0.2", "--out", folder.path().to_str().unwrap()]);
        let session = fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
        fs::read(session.join("received.csv")).unwrap()
    };
    assert!(record() == record());
}
