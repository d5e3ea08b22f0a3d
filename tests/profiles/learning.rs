//! `profile learn` as the command line calls it, from a record that a person could have made: a
//! clamp that no profile knows, beside one that a shipped profile reads, in four baths.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use clap::Parser;
use settled::app::exit::{Exit, Failure};
use settled::app::profile as profile_command;
use settled::engine::profile::Profiles;

const UNKNOWN: &str = "02:00:00:00:00:07";
const KNOWN: &str = "02:00:00:00:00:01";

#[derive(Debug, Parser)]
struct Line {
    #[command(flatten)]
    args: profile_command::Args,
}

fn run(words: &[&str], json: bool) -> Result<(Exit, String), Failure> {
    let line = Line::try_parse_from([&["profile"], words].concat()).unwrap();
    let mut out = Vec::new();
    let exit = profile_command::run(&line.args, json, &mut out)?;
    Ok((exit, String::from_utf8(out).unwrap()))
}

/// The record: 0, 12, 24 and 36 °C for three minutes each, from 19:00:00 UTC. The unknown clamp
/// counts, says 0.1 °F with the high byte first, and ends with the exclusive or of the others.
fn record(folder: &Path) -> String {
    let mut text = "elapsed_ms,time_utc,probe,via,key,bytes_hex,rssi_dbm\r\n".to_owned();
    let mut celsius = 20.0;
    for second in 0..720_u32 {
        let bath = f64::from(second / 180) * 12.0;
        celsius += (bath - celsius) / 15.0;
        let tenths = (10.0 * (celsius * 1.8 + 32.0) + f64::from(second % 3)).round() as i16;
        let [high, low] = tenths.to_be_bytes();
        let mut bytes = vec![0x51, second as u8, high, low];
        bytes.push(bytes.iter().fold(0, |sum, byte| sum ^ byte));
        let (minute, in_minute, ms) = (second / 60, second % 60, 1_000 * second);
        let time = format!("2031-06-04T19:{minute:02}:{in_minute:02}.000Z");
        let hex = hex::encode_upper(bytes);
        let _ = write!(text, "{ms},{time},{UNKNOWN},manufacturer,0x1234,{hex},-60\r\n");
        let [low, high] = ((celsius * 100.0).round() as i16).to_le_bytes();
        let bytes = [0x43, 0x4C, 0x01, second as u8, 0x61, low, high];
        let hex = hex::encode_upper(bytes);
        let _ = write!(text, "{ms},{time},{KNOWN},manufacturer,0xFFFF,{hex},-60\r\n");
    }
    let path = folder.join("received.csv");
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// The learnt profile's text, once it has passed `profile check`.
fn checked(file: &Path) -> String {
    let text = fs::read_to_string(file).unwrap();
    let profiles = Profiles::parse([("learnt.toml", text.as_str())]);
    assert!(profiles.is_ok(), "{text}");
    let (exit, told) = run(&["check", file.to_str().unwrap()], false).unwrap();
    assert_eq!(exit, Exit::Done, "{told}");
    text
}

#[test]
fn values_that_are_known_make_a_profile_that_passes_its_check() {
    let folder = tempfile::tempdir().unwrap();
    let record = record(folder.path());
    let file = folder.path().join("clamp.toml");
    let words = [
        "learn",
        &record,
        "--known",
        "19:02:50=32.3F",
        "--known",
        "19:05:50=54F",
        "--known",
        "19:08:50=75F",
        "--known",
        "19:11:50=97F",
        "--name",
        "found-clamp",
        "-o",
        file.to_str().unwrap(),
    ];
    let (exit, told) = run(&words, false).unwrap();
    assert_eq!(exit, Exit::Done);
    assert!(told.contains("temperature: sure, from 4 known value(s)"), "{told}");
    assert!(told.contains("bytes 2 and 3, high byte first, signed, · 0.1 degF"), "{told}");
    assert!(told.contains("byte 1 count the payloads"), "{told}");
    assert!(told.contains("byte 4 hold the exclusive or of the others"), "{told}");
    let text = checked(&file);
    assert!(text.contains("name = \"found-clamp\"") && text.contains("sequence = true"), "{text}");
    assert!(text.contains("checksum = { kind = \"xor\""), "{text}");

    let again = run(&words, false).unwrap_err();
    assert!(again.line().contains("is there already"), "{}", again.line());
    let (_, lines) = run(&[&words[..], &["--force"]].concat(), true).unwrap();
    let learnt: serde_json::Value = serde_json::from_str(lines.trim()).unwrap();
    assert_eq!((&learnt["kind"], &learnt["sureness"]), (&"learnt".into(), &"sure".into()));
}

#[test]
fn a_second_probe_held_beside_it_does_as_well() {
    let folder = tempfile::tempdir().unwrap();
    let record = record(folder.path());
    let words = ["learn", &record, "--like", KNOWN, "--name", "along", "-o", "-"];
    let (_, text) = run(&words, false).unwrap();
    assert!(text.contains("# temperature: sure"), "{text}");
    assert!(text.contains("scale = 0.1\n") && text.contains("unit = \"degF\""), "{text}");
    assert!(Profiles::parse([("along.toml", text.as_str())]).is_ok(), "{text}");
}

#[test]
fn one_value_is_not_enough_and_it_says_what_to_do_next() {
    let folder = tempfile::tempdir().unwrap();
    let record = record(folder.path());
    let file = folder.path().join("one.toml");
    let file = file.to_str().unwrap();
    let words = ["learn", &record, "--known", "+170s=32F", "-o", file];
    let (_, told) = run(&words, false).unwrap();
    assert!(!told.contains("temperature: sure"), "{told}");
    assert!(told.contains("next: put the probe into"), "{told}");
}

#[test]
fn what_is_wrong_is_said_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let record = record(folder.path());
    for (words, wanted) in [
        (vec!["--known", "19:02:50"], "write TIME=VALUE"),
        (vec!["--known", "19:02:50=32"], "has no unit"),
        (vec!["--known", "noon=32F"], "is no time"),
        (vec!["--known", "12:00:00=32F"], "outside of the record"),
        (vec!["--known", "+170s=32F", "--address", "02:00:00:00:00:99"], "nothing was heard of"),
        (vec!["--like", "02:00:00:00:00:99"], "nothing was heard of the second probe"),
        (vec!["--known", "+170s=32F", "--zone", "Nowhere"], "is no zone"),
        (vec!["--known", "+170s=32F", "--within", "0delta_F"], "must be above zero"),
        (vec!["--known", "+170s=32F", "--name", "Not Kebab", "-o", "-"], "lower-case letters"),
        (vec![], "no value is known"),
    ] {
        let failure = run(&[&["learn", record.as_str()], &words[..]].concat(), false).unwrap_err();
        assert!(failure.line().contains(wanted), "{words:?}: {}", failure.line());
    }
}
