//! Brokers that do not let us in, or that are not who they should be; and jobs that are wrong.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::certificates::{authority, certificate};
use crate::mosquitto::{Mosquitto, Subscriber, program};
use crate::visit::{MINUTE_MS, Step, Visit, events, until};

/// Writes a file with these permissions.
fn write(folder: &Path, name: &str, text: &str, mode: u32) {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
}

/// A user and the rules of a broker that lets in nobody else.
fn only(folder: &Path, user: &str, password: &str) -> String {
    let file = folder.join("users");
    let made = program("mosquitto_passwd")
        .args(["-b", "-c", file.to_str().unwrap(), user, password])
        .output();
    assert!(made.unwrap().status.success());
    format!("allow_anonymous false\npassword_file {}", file.display())
}

/// How often somebody came to the broker.
fn visitors(broker: &Mosquitto) -> usize {
    broker.log().matches("New connection from").count()
}

/// Waits until several tries to connect have come to their end: what each came to is told by then.
fn some_tries(at_ms: u64, broker: &Mosquitto) -> Step<'_> {
    let before = visitors(broker);
    until(at_ms, "tries to connect", move || visitors(broker) >= before + 6)
}

/// Waits until the broker takes what is published; what comes of it is told in the time after it.
fn let_in(at_ms: u64, broker: &Mosquitto) -> Step<'_> {
    let took = |line: &str| line.contains("Received PUBLISH") && line.contains("/moment'");
    until(at_ms, "we are let in", move || broker.log().lines().any(took))
}

/// A visit that leaves the time to tell what happened in its first minute.
fn short(folder: &Path) -> Visit {
    let mut visit = Visit::new(folder, 3);
    visit.minute = std::time::Duration::from_millis(500);
    visit
}

#[test]
fn wrong_credentials_are_told_once_in_words_and_right_ones_are_let_in() {
    let temp = tempfile::tempdir().unwrap();
    let rules = only(temp.path(), "van-7", "right");
    let broker = Mosquitto::started(temp.path(), &rules);
    let subscriber = Subscriber::start(&broker, &["-u", "van-7", "-P", "right"]);
    let visit = short(temp.path());
    let more = "tls = false\nuser = \"van-7\"\npassword_file = \"password\"";
    write(temp.path(), "password", "wrong\n", 0o600);
    let job = visit.job(broker.port, more);
    let said = visit.watch(&job, 0, vec![some_tries(MINUTE_MS, &broker)]);
    let told = events(&said, "broker_refused");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("broker.password_file") && told[0].contains("(0x8"), "{told:?}");
    assert!(subscriber.messages().is_empty());

    // What waited is sent by the next watch.
    write(temp.path(), "password", "right\n", 0o600);
    let said = visit.watch(&job, 0, vec![let_in(MINUTE_MS, &broker)]);
    assert!(events(&said, "broker_refused").is_empty());
    assert_eq!(events(&said, "broker_connected").len(), 1);
    subscriber.wait_for("the refusal itself", |got| got.body["event"] == "broker_refused");
    let sessions: std::collections::HashSet<String> =
        subscriber.messages().iter().map(|got| got.id().unwrap().0).collect();
    assert_eq!(sessions.len(), 2, "{sessions:?}");
}

#[test]
fn topics_that_are_not_allowed_are_named_once_and_their_messages_wait() {
    let temp = tempfile::tempdir().unwrap();
    let rules = only(temp.path(), "van-7", "right");
    let access = temp.path().join("access");
    fs::write(&access, "user van-7\ntopic readwrite settled/+/presence\ntopic read #\n").unwrap();
    let mut broker =
        Mosquitto::started(temp.path(), &format!("{rules}\nacl_file {}", access.display()));
    let subscriber = Subscriber::start(&broker, &["-u", "van-7", "-P", "right"]);
    broker.save();
    write(temp.path(), "password", "right", 0o600);
    let visit = short(temp.path());
    let more = "tls = false\nuser = \"van-7\"\npassword_file = \"password\"";
    let job = visit.job(broker.port, more);
    let said = visit.watch(&job, 0, vec![some_tries(MINUTE_MS, &broker)]);
    // The state, and where there was none yet, the first message; each try ends at the first of them.
    let told = events(&said, "broker_refused");
    let topics: std::collections::HashSet<&String> = told.iter().collect();
    assert!(topics.len() == told.len() && (1..=2).contains(&told.len()), "{told:?}");
    assert!(told.iter().all(|one| one.contains("may not publish to `settled/")), "{told:?}");

    fs::write(&access, "user van-7\ntopic readwrite #\n").unwrap();
    broker.kill();
    broker.start();
    let came = || subscriber.got().iter().any(|got| got.kind() == "summary");
    visit.watch(&job, 0, vec![until(MINUTE_MS, "what waited", came)]);
    let first = subscriber.messages().into_iter().next().unwrap();
    assert_eq!(first.id().unwrap().1, 1, "nothing was lost");
}

/// What a watch says of a broker with this certificate.
fn said_of(temp: &Path, own: &str, extra: &str, more: &str, fits: bool) -> Vec<Value> {
    let path = |name: &str| temp.join(name).display().to_string();
    let rules = format!(
        "allow_anonymous true\ncafile {}\ncertfile {}\nkeyfile {}\n{extra}",
        path("trusted.pem"),
        path(&format!("{own}.pem")),
        path(&format!("{own}.key"))
    );
    let broker = Mosquitto::started(temp, &rules);
    let visit = short(temp);
    let job = visit.job(broker.port, more);
    let step = if fits { let_in(MINUTE_MS, &broker) } else { some_tries(MINUTE_MS, &broker) };
    let said = visit.watch(&job, 0, vec![step]);
    fs::remove_dir_all(visit.sessions()).unwrap();
    fs::remove_file(temp.join("mosquitto.log")).unwrap();
    said
}

#[test]
fn a_certificate_that_is_wrong_is_told_once_and_a_right_one_serves() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    authority(folder, "trusted");
    authority(folder, "other");
    certificate(folder, "trusted", "right", "localhost", 2);
    certificate(folder, "trusted", "expired", "localhost", -1);
    certificate(folder, "trusted", "elsewhere", "broker.example", 2);
    certificate(folder, "trusted", "van", "van-7", 2);
    fs::set_permissions(folder.join("van.key"), fs::Permissions::from_mode(0o600)).unwrap();
    let trusted = "ca_file = \"trusted.pem\"";
    let cases = [
        ("right", "", "ca_file = \"other.pem\"", "signed by nobody whom we trust"),
        ("expired", "", trusted, "has expired"),
        ("elsewhere", "", trusted, "for another host than `localhost`"),
        ("right", "require_certificate true", trusted, "does not accept our certificate"),
    ];
    for (own, extra, more, words) in cases {
        let said = said_of(folder, own, extra, more, false);
        let told = events(&said, "broker_certificate");
        assert_eq!(told.len(), 1, "{words}: {told:?} {:?}", events(&said, "broker_away"));
        assert!(told[0].contains(words), "{words}: {told:?}");
        assert!(events(&said, "broker_connected").is_empty());
    }
    let both = "ca_file = \"trusted.pem\"\ncertificate_file = \"van.pem\"\nkey_file = \"van.key\"";
    for (extra, more) in [("", trusted), ("require_certificate true", both)] {
        let said = said_of(folder, "right", extra, more, true);
        assert_eq!(events(&said, "broker_connected").len(), 1, "{extra}");
        assert!(events(&said, "broker_certificate").is_empty());
    }
}

#[test]
fn check_says_all_that_is_wrong_with_the_table_and_its_files() {
    let temp = tempfile::tempdir().unwrap();
    let job = temp.path().join("job.toml");
    let checked = |broker: &str| {
        fs::write(&job, format!("site = \"Bench (invented)\"\n[broker]\n{broker}")).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_settled"))
            .args(["check", job.to_str().unwrap()])
            .output()
            .unwrap();
        let out = String::from_utf8(output.stdout).unwrap();
        let all = out + &String::from_utf8(output.stderr).unwrap();
        (output.status.code(), all)
    };
    let wrong = |broker: &str, words: &[&str]| {
        let (code, said) = checked(broker);
        assert_eq!(code, Some(3), "{said}");
        for word in words {
            assert!(said.contains(word), "{word}: {said}");
        }
    };
    wrong("", &["address = \"broker.example:8883\""]);
    wrong(
        "address = \"b:x\"\ntopic = \"a/#\"\nbacklog_byte = 5",
        &["`b:x` is no host and port", "no + or #", "did you mean `backlog_bytes`?"],
    );
    wrong("address = \"b\"\nuser = \"a\"", &["no use without `password_file`"]);
    wrong("address = \"b\"\ntls = false\nca_file = \"x\"", &["no certificates without TLS"]);
    wrong("address = \"b\"\nbacklog_bytes = 5", &["1000000"]);
    wrong("address = \"b\"\nca_file = \"none.pem\"", &["cannot read the CA file", "none.pem"]);
    let login = "address = \"b\"\ntls = false\nuser = \"a\"\npassword_file = \"p\"";
    write(temp.path(), "p", "secret", 0o644);
    wrong(login, &["anybody can read the password file", "chmod o="]);
    write(temp.path(), "p", "\n", 0o600);
    wrong(login, &["holds no password"]);
    write(temp.path(), "p", "secret", 0o600);
    let (code, said) = checked(login);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("the password and all that is published to b can be read"), "{said}");
    assert!(!said.contains("secret"), "{said}");
    write(temp.path(), "empty.pem", "nothing", 0o600);
    wrong("address = \"b\"\nca_file = \"empty.pem\"", &["holds no certificate"]);
}
