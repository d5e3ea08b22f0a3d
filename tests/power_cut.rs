//! What a power cut can leave of a session's folder: the last write torn at any byte, derived files
//! torn, missing or half renamed. It opens, goes on, and the derived files come level again.
//!
//! That nothing acknowledged is lost where all that is not synced is dropped: `tests/journal.rs`.

#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use settled::app::{demo, replay};
use settled::edge::folder::Folder;
use settled::virtual_unit::scenario::Scenario;

const DERIVED: [&str; 5] =
    ["readings.csv", "cycles.csv", "sets.csv", "events.csv", "findings.json"];
/// Rows of the record that is cut.
const ROWS: usize = 90;

/// A session of a few rows, its derived files made.
fn short_session(folder: &Path) -> PathBuf {
    let scenario = Scenario { length: Duration::from_mins(1), ..Scenario::default() };
    let session = demo::record(&scenario, folder).unwrap();
    let received = session.join("received.csv");
    let text = fs::read_to_string(&received).unwrap();
    let head: Vec<&str> = text.split_inclusive('\n').take(ROWS + 1).collect();
    assert_eq!(head.len(), ROWS + 1);
    fs::write(&received, head.concat()).unwrap();
    replay::rebuild(&session).unwrap();
    session
}

fn derived(session: &Path) -> BTreeMap<&'static str, Vec<u8>> {
    DERIVED.map(|name| (name, fs::read(session.join(name)).unwrap())).into()
}

fn names(session: &Path) -> Vec<String> {
    let entries = fs::read_dir(session).unwrap();
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn the_last_write_torn_at_any_byte_leaves_the_rows_before_it() {
    let temp = tempfile::tempdir().unwrap();
    let session = short_session(temp.path());
    let received = session.join("received.csv");
    let whole = fs::read(&received).unwrap();
    // A group of rows is one write: the last four.
    let ends: Vec<usize> =
        whole.iter().enumerate().filter(|(_, b)| **b == b'\n').map(|(at, _)| at + 1).collect();
    let begin = ends[ends.len() - 5];
    let mut expected: BTreeMap<usize, BTreeMap<&str, Vec<u8>>> = BTreeMap::new();
    for cut in begin..=whole.len() {
        let rows_end = *ends.iter().rfind(|end| **end <= cut).unwrap();
        let of_rows = expected.entry(rows_end).or_insert_with(|| {
            fs::write(&received, &whole[..rows_end]).unwrap();
            replay::rebuild(&session).unwrap();
            derived(&session)
        });
        fs::write(&received, &whole[..cut]).unwrap();
        let (folder, _) = Folder::open(&session).unwrap();
        let torn = folder.repair().unwrap();
        assert_eq!(torn.as_ref().map_or(0, |cut| cut.bytes as usize), cut - rows_end, "at {cut}");
        if let Some(torn) = torn {
            let kept = fs::read(session.join(&torn.kept)).unwrap();
            assert_eq!(kept, whole[rows_end..cut], "what is cut off is kept");
            fs::remove_file(session.join(&torn.kept)).unwrap();
        }
        assert_eq!(fs::read(&received).unwrap(), whole[..rows_end], "at {cut}");
        replay::rebuild(&session).unwrap();
        assert!(derived(&session) == *of_rows, "cut at {cut}");
    }
    assert_eq!(expected.len(), 5);
}

#[test]
fn derived_files_torn_anywhere_are_brought_level() {
    let temp = tempfile::tempdir().unwrap();
    let session = short_session(temp.path());
    let (whole, before) = (derived(&session), names(&session));
    let check = |what: &str| {
        replay::rebuild(&session).unwrap();
        assert!(derived(&session) == whole, "{what}");
        assert_eq!(names(&session), before, "{what}: nothing is left lying about");
    };
    for name in DERIVED {
        let path = session.join(name);
        let bytes = &whole[name];
        for cut in (0..bytes.len()).step_by((bytes.len() / 6).max(1)) {
            fs::write(&path, &bytes[..cut]).unwrap();
            check(&format!("{name} torn at {cut}"));
        }
        // Blocks of nothing, as some filesystems leave them.
        fs::write(&path, vec![0; bytes.len()]).unwrap();
        check(&format!("{name} full of zeros"));
        fs::remove_file(&path).unwrap();
        check(&format!("{name} missing"));
        // Between the making of the new file and its naming.
        fs::write(session.join(format!("{name}.new")), &bytes[..bytes.len() / 2]).unwrap();
        check(&format!("{name}.new left over"));
    }
    fs::write(session.join("readings.csv.new.wider"), "elapsed_ms").unwrap();
    replay::rebuild(&session).unwrap();
    assert!(derived(&session) == whole);
}
