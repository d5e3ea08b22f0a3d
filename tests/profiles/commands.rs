//! The commands `decode` and `profile`, called as the command line calls them.

use std::fs;

use clap::Parser;
use settled::app::exit::{Exit, Failure};
use settled::app::{decode as decode_command, profile as profile_command};
use settled::engine::profile::{Profiles, SHIPPED};

#[derive(Debug, Parser)]
struct DecodeLine {
    #[command(flatten)]
    args: decode_command::Args,
}

#[derive(Debug, Parser)]
struct ProfileLine {
    #[command(flatten)]
    args: profile_command::Args,
}

fn run_decode(words: &[&str], json: bool) -> Result<String, Failure> {
    let line = DecodeLine::try_parse_from([&["decode"], words].concat()).unwrap();
    let mut out = Vec::new();
    decode_command::run(&line.args, json, &mut out).map(|_| String::from_utf8(out).unwrap())
}

fn run_profile(words: &[&str], json: bool) -> (Exit, String) {
    let line = ProfileLine::try_parse_from([&["profile"], words].concat()).unwrap();
    let mut out = Vec::new();
    let exit = profile_command::run(&line.args, json, &mut out).unwrap();
    (exit, String::from_utf8(out).unwrap())
}

#[test]
fn decode_tells_each_field_for_people_and_for_programs() {
    let text = run_decode(&["--service", "0xFCD2:4002CA0903BF13"], false).unwrap();
    assert!(text.contains("temperature  25.06 degC\n"), "{text}");
    assert!(text.contains("humidity     50.55 percent\n"), "{text}");
    let lines = run_decode(&["--service", "fcd2:40 02CA09 03BF13"], true).unwrap();
    let humidity: serde_json::Value = serde_json::from_str(lines.lines().nth(1).unwrap()).unwrap();
    assert_eq!(humidity["field"], "humidity");
    assert_eq!((&humidity["value"], &humidity["unit"]), (&0.5055.into(), &"fraction".into()));
    let lines = run_decode(&["--characteristic", "0x2A1C:05DA0300FF06"], true).unwrap();
    assert!(lines.contains("\"value\":37.0,\"unit\":\"degC\""), "98.6 °F: {lines}");
    let text = run_decode(&["--characteristic", "0x2A6E:0080"], false).unwrap();
    assert!(text.contains("temperature  not known"), "{text}");
    let text = run_decode(&["--service", "0xFCD2:40015DFE5D"], false).unwrap();
    assert!(text.contains("stopped at byte 3: identifier 0xFE"), "{text}");
}

#[test]
fn decode_opens_an_encrypted_payload_with_a_key_from_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("key");
    // The published key, address and frame: bthome.io/encryption.
    fs::write(&key, "231d39c1d7cc1ab1aee224cd096db932\n").unwrap();
    let key = key.to_str().unwrap();
    let frame = "0xFCD2:41E445F3C9962B332211006C7C4519";
    let words = ["--service", frame, "--address", "54:48:E6:8F:80:A5", "--key-file", key];
    let text = run_decode(&words, false).unwrap();
    assert!(text.contains("temperature  25.06 degC"), "{text}");
    let error = run_decode(&["--service", frame], false).unwrap_err();
    assert!(error.line().contains("--key-file"), "{}", error.line());
    let plain =
        ["--service", "0xFCD2:4002CA09", "--address", "54:48:E6:8F:80:A5", "--key-file", key];
    assert!(run_decode(&plain, false).unwrap_err().line().contains("a plain frame"));
}

#[test]
fn decode_says_what_to_do_about_a_wrong_payload() {
    for (words, wanted) in [
        (["--service", "0xFCD2"], "write ID:HEX"),
        (["--service", "0xFCD2:4"], "two digits for each byte"),
        (["--service", "colour:40"], "is no UUID"),
        (["--manufacturer", "0xFFFFF:40"], "is no company id"),
        (["--manufacturer", "0xFFFF:40"], "no profile fits"),
        (["--service", "0xFCD2:4002CA"], "ends within the value of identifier 0x02"),
        (["--characteristic", "0x2A1C:066C0100FF"], "end before `time`"),
    ] {
        let failure = run_decode(&words, false).unwrap_err();
        assert_eq!(failure.exit, Exit::BadInput, "{words:?}");
        assert!(failure.line().contains(wanted), "{}", failure.line());
    }
}

#[test]
fn profile_list_and_show_tell_what_there_is() {
    let (_, text) = run_profile(&["list"], false);
    assert!(text.contains("manufacturer data of 0xFFFF, 434C01 at byte 0, 7 bytes long"), "{text}");
    let (_, lines) = run_profile(&["list"], true);
    assert_eq!(lines.lines().count(), Profiles::shipped().iter().count());
    let (_, text) = run_profile(&["show", "plain-gauge"], false);
    assert!(text.contains("pressure, in Pag, gauge, within 10000 Pa"), "{text}");
    let (_, text) = run_profile(&["show", "ess-pressure"], false);
    assert!(text.contains("gauge or absolute as the job says"), "{text}");
    assert!(text.contains("notified, or after 15 s of silence read every 5 s"), "{text}");
    let (_, text) = run_profile(&["show", "plain-clamp", "--toml"], false);
    assert!(Profiles::parse([("copy.toml", text.as_str())]).is_ok());
}

#[test]
fn profile_check_points_at_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let (exit, text) = run_profile(&["check"], false);
    assert_eq!(exit, Exit::Done);
    assert!(text.contains("plain-clamp: right; 3 example(s) come out"), "{text}");

    let mine = SHIPPED.iter().find(|(name, _)| *name == "plain-clamp.toml").unwrap().1;
    let mine = mine.replace("name = \"plain-clamp\"", "name = \"my-clamp\"");
    let path = folder.path().join("my-clamp.toml");
    fs::write(&path, &mine).unwrap();
    let place = folder.path().to_str().unwrap();
    let (exit, text) = run_profile(&["check", place], false);
    assert_eq!(exit, Exit::Done);
    assert!(text.contains("matched by plain-clamp too; my-clamp is taken"), "{text}");

    fs::write(&path, mine.replace("type = \"signed\"", "type = \"singed\"")).unwrap();
    let (exit, text) = run_profile(&["check", place], false);
    assert_eq!(exit, Exit::BadInput);
    let wanted = "^^^^^^^^ `singed` is not known here; did you mean `signed`?";
    assert!(text.contains("my-clamp.toml:44:8"), "{text}");
    assert!(text.contains(wanted), "{text}");
    let (exit, line) = run_profile(&["check", place], true);
    assert_eq!(exit, Exit::BadInput);
    let error: serde_json::Value = serde_json::from_str(line.lines().next().unwrap()).unwrap();
    assert_eq!((&error["kind"], &error["column"]), (&"profile_error".into(), &8.into()));
}
