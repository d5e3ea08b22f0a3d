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

/// Checks that a job that cannot be meant is shown with a pointer, and told in one last line.
#[track_caller]
fn explained(arguments: &[&str], advice: &str) {
    let output = settled(arguments);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{arguments:?}: {errors}");
    assert!(errors.contains("^^"), "no pointer: {errors}");
    let last = errors.lines().last().unwrap();
    assert!(last.starts_with("settled: ") && last.contains(advice), "{arguments:?}: {errors}");
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
    explained(&["watch", &twice], "average = true in both");
    let unknown = "site = \"x (invented)\"\n[unit]\nrefrigerant = \"R-999\"\n";
    let unknown = file(folder.path(), "unknown.toml", unknown);
    explained(&["watch", &unknown], "unit.refrigerant");
    let publishes = "site = \"x (invented)\"\n[broker]\naddress = \"broker.example\"\ntls = 1\n";
    let publishes = file(folder.path(), "publishes.toml", publishes);
    let built = if cfg!(feature = "mqtt") { "true or false" } else { "--features mqtt" };
    explained(&["watch", &publishes], built);
    let key = file(folder.path(), "key.toml", "site = \"x (invented)\"\naltitud = \"450ft\"\n");
    explained(&["watch", &key], "key.toml:2:1");
    let bare = file(folder.path(), "bare.toml", "site = \"x (invented)\"\naltitude = \"450\"\n");
    explained(&["diagnose", &bare, "--at", "supply-air=58F"], "altitude");
    check(&["watch", folder.path().join("none.toml").to_str().unwrap()], 3, "path of a job file");
}

#[test]
fn check_says_all_that_is_wrong_with_line_pointer_and_nearest_word() {
    let folder = tempfile::tempdir().unwrap();
    let text = "site = \"x (invented)\"\n[unit]\nmetering = \"txw\"\nrefrigerent = \"R-410A\"\n\
                [[probe]]\naddress = \"C4:7C:8D:00:00:01\"\nposition = \"liquidline\"\n";
    let job = file(folder.path(), "job.toml", text);
    let output = settled(&["check", &job]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(3), "{said}");
    for part in
        ["job.toml:3:12", "`txv`", "`refrigerant`", "job.toml:7:12", "`liquid-line`", "3 errors"]
    {
        assert!(said.contains(part), "{part}: {said}");
    }
    assert!(said.matches("^^").count() >= 3, "{said}");
    let output = settled(&["check", "--json", &job]);
    let lines = String::from_utf8(output.stdout).unwrap();
    let kinds: Vec<Value> = lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(kinds.len() == 3 && kinds.iter().all(|line| line["kind"] == "problem"), "{lines}");
    assert_eq!((&kinds[0]["line"], &kinds[0]["key"]), (&3.into(), &"unit.metering".into()));

    let good = file(folder.path(), "good.toml", "site = \"x (invented)\"\n");
    assert!(self::said(&["check", &good]).contains("right"));
    check(&["check", "/nowhere.toml"], 3, "cannot read");
}

#[test]
fn new_writes_a_job_that_passes_check_and_never_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("new.toml");
    let job = job.to_str().unwrap();
    let new = ["new", job, "--seconds", "0", "--no-questions", "--site", "Bench (invented)"];
    let given = ["--refrigerant", "r410a", "--metering", "txv", "--airflow", "1050cfm"];
    let probe = ["--probe", "c4:7c:8d:00:00:02/temperature-1=suction-line"];
    said(&[&new[..], &given, &probe].concat());
    assert!(said(&["check", job]).contains("1 probe(s)"));
    let text = fs::read_to_string(job).unwrap();
    assert!(text.contains("field.temperature-1.position = \"suction-line\""), "{text}");
    check(&new, 2, "there already");
    let other = folder.path().join("other.toml");
    let other = other.to_str().unwrap();
    let wrong = ["new", other, "--seconds", "0", "--no-questions", "--refrigerant", "R-41OA"];
    let output = settled(&wrong);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8(output.stderr).unwrap().contains("`R-410A`"));
    assert!(!Path::new(other).exists());
    let output = settled(&["new", other, "--probe", "C4:7C:8D:00:00:02"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8(output.stderr).unwrap().contains("ADDRESS=POSITION"));
}

#[test]
fn place_finds_the_demo_s_probes_where_its_job_has_them() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    said(&["demo", "--hours", "0.25", "--speed", "0", "--out", out, "--json", "--seed", "5"]);
    let session = fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
    let session = session.to_str().unwrap();
    let told = said(&["place", session, "--json"]);
    let lines: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let placed = lines.iter().filter(|line| line["kind"] == "placement");
    assert_eq!(placed.clone().count(), 9, "{told}");
    let discharge = placed.clone().find(|line| line["probe"] == "F2:00:00:00:00:06").unwrap();
    assert_eq!(discharge["position"], "discharge-line");
    assert!(discharge["odds"].as_f64().unwrap() >= 20.0, "{discharge}");
    assert!(!lines.iter().any(|line| line["kind"] == "placement_doubt"), "{told}");
    let text = said(&["place", session]);
    assert!(text.contains("[[probe]]") && text.contains("Nothing here speaks against"), "{text}");

    // The same record under a job that has two probes the wrong way round.
    let manifest = fs::read_to_string(Path::new(session).join("session.toml")).unwrap();
    let manifest: toml::Table = manifest.parse().unwrap();
    let job = toml::to_string(&manifest["job"]).unwrap();
    let job = job.replace("discharge-line", "x").replace("supply-air", "discharge-line");
    let job = file(folder.path(), "swapped.toml", &job.replace("\"x\"", "\"supply-air\""));
    let told = said(&["place", session, "--job", &job, "--json"]);
    assert_eq!(told.matches("placement_doubt").count(), 2, "{told}");
    let replayed = said(&["replay", session, "--job", &job, "--json"]);
    assert!(replayed.contains("placement_doubt"), "the engine says so too");
    check(&["place", session, "--to", "2:00"], 3, "no start");
    check(&["place", "/nowhere"], 3, "session");
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
