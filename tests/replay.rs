//! Did any finding change? Each session of `fixtures/` against what is expected of it.
//!
//! The files beside a fixture's record are what was made from it and looked at. Where a change is
//! meant, `settled replay fixtures/NAME --rebuild` makes them again; look at the difference.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The files that are kept beside a fixture's record.
const EXPECTED: [&str; 4] = ["cycles.csv", "sets.csv", "events.csv", "findings.json"];

fn fixtures() -> Vec<PathBuf> {
    let entries = fs::read_dir("fixtures").unwrap().map(|entry| entry.unwrap().path());
    let mut found: Vec<PathBuf> = entries.filter(|path| path.is_dir()).collect();
    found.sort();
    found
}

/// The record alone, in a folder of the test's own.
fn bare(fixture: &Path, folder: &Path) -> PathBuf {
    let copy = folder.join("session");
    fs::create_dir(&copy).unwrap();
    for name in ["session.toml", "received.csv"] {
        fs::copy(fixture.join(name), copy.join(name)).unwrap();
    }
    copy
}

#[test]
fn every_fixture_gives_what_is_expected_of_it() {
    let all = fixtures();
    assert!(all.len() >= 2, "{all:?}");
    for fixture in all {
        let folder = tempfile::tempdir().unwrap();
        let copy = bare(&fixture, folder.path());
        let settled = Path::new(env!("CARGO_BIN_EXE_settled"));
        let output =
            Command::new(settled).arg("replay").arg(&copy).arg("--rebuild").output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        for name in EXPECTED {
            let (expected, made) =
                (fs::read_to_string(fixture.join(name)), fs::read_to_string(copy.join(name)));
            let (expected, made) = (expected.unwrap(), made.unwrap());
            let line = expected.lines().zip(made.lines()).position(|(a, b)| a != b);
            assert!(
                expected == made,
                "{}/{name} differs, first in line {line:?}",
                fixture.display()
            );
        }
    }
}
