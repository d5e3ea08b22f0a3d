//! `settled export` by the built program: what it says is what the other files of a session say,
//! and it stands in the lake once, whole, whatever a site is called and whatever was there before.

#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::SystemTime;

use parquet::basic::Compression;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use serde_json::Value;
use settled::engine::channel::Channel;
use settled::engine::columns::{Shown, Units, column, derived_column};
use settled::engine::lake::{ALL, Table};
use settled::engine::output::Derived;
use settled::engine::{json, lake};

const FIXTURES: [&str; 2] = ["bakery-low-charge", "laboratory-day"];

fn settled(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_settled")).args(arguments).output().unwrap()
}

#[track_caller]
fn said(code: i32, arguments: &[&str]) -> (String, String) {
    let output = settled(arguments);
    let (out, errors) = (String::from_utf8(output.stdout), String::from_utf8(output.stderr));
    let (out, errors) = (out.unwrap(), errors.unwrap());
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {out}{errors}");
    (out, errors)
}

/// Exports sessions and gives what was told of each.
#[track_caller]
fn export(code: i32, sessions: &[&Path], lake: &Path, options: &[&str]) -> Vec<Value> {
    let sessions = sessions.iter().map(|path| path.to_str().unwrap());
    let arguments: Vec<&str> = ["export", "--json", "--to", lake.to_str().unwrap()]
        .into_iter()
        .chain(options.iter().copied())
        .chain(sessions)
        .collect();
    let (out, _) = said(code, &arguments);
    out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// A fixture's record in a folder of the test's own, its `session.toml` changed by `edit`.
fn copy(folder: &Path, name: &str, fixture: &str, edit: impl Fn(String) -> String) -> PathBuf {
    let copy = folder.join(name);
    fs::create_dir(&copy).unwrap();
    let fixture = Path::new("fixtures").join(fixture);
    let session = fs::read_to_string(fixture.join("session.toml")).unwrap();
    fs::write(copy.join("session.toml"), edit(session)).unwrap();
    fs::copy(fixture.join("received.csv"), copy.join("received.csv")).unwrap();
    copy
}

/// All files below a folder, by their paths in it.
fn files(folder: &Path) -> BTreeMap<String, (Vec<u8>, SystemTime)> {
    fn walk(root: &Path, folder: &Path, found: &mut BTreeMap<String, (Vec<u8>, SystemTime)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(root, &path, found);
            } else {
                let name = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
                let changed = path.metadata().unwrap().modified().unwrap();
                found.insert(name, (fs::read(&path).unwrap(), changed));
            }
        }
    }
    let mut found = BTreeMap::new();
    walk(folder, folder, &mut found);
    found
}

fn names(lake: &Path) -> Vec<String> {
    files(lake).into_keys().collect()
}

/// The one file of a table.
#[track_caller]
fn the_file(lake: &Path, table: &str) -> PathBuf {
    let own: Vec<String> =
        names(lake).into_iter().filter(|name| name.starts_with(&format!("{table}/"))).collect();
    assert_eq!(own.len(), 1, "{own:?}");
    lake.join(&own[0])
}

type Row = BTreeMap<String, Field>;

#[track_caller]
fn rows(lake: &Path, table: &str) -> Vec<Row> {
    let reader = SerializedFileReader::new(File::open(the_file(lake, table)).unwrap()).unwrap();
    let rows = reader.get_row_iter(None).unwrap();
    rows.map(|row| row.unwrap().into_columns().into_iter().collect()).collect()
}

fn number(field: &Field) -> Option<f64> {
    match field {
        Field::Null => None,
        Field::Double(number) => Some(*number),
        Field::Int(number) => Some(f64::from(*number)),
        Field::Long(number) => Some(*number as f64),
        other => panic!("{other:?} is no number"),
    }
}

fn text(field: &Field) -> &str {
    match field {
        Field::Str(text) => text,
        other => panic!("{other:?} is no text"),
    }
}

/// A cell as the CSV files have it: a number with so many decimals, words, flags, or nothing.
fn cell(field: &Field, decimals: usize) -> String {
    match field {
        Field::Null => String::new(),
        Field::Bool(flag) => flag.to_string(),
        Field::Str(text) => text.clone(),
        Field::Double(number) => format!("{number:.decimals$}"),
        Field::Int(number) => number.to_string(),
        Field::Long(number) => number.to_string(),
        other => panic!("{other:?}"),
    }
}

/// A moment in UTC as the CSV files have it.
fn label(field: &Field) -> String {
    match field {
        Field::Null => String::new(),
        Field::TimestampMillis(ms) => {
            let time = jiff::Timestamp::from_millisecond(*ms).unwrap();
            format!("{time:.3}")
        }
        other => panic!("{other:?} is no moment"),
    }
}

fn csv_rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// A fixture exported, and beside it its CSV files made again.
fn both(fixture: &str) -> (tempfile::TempDir, PathBuf, PathBuf) {
    let temp = tempfile::tempdir().unwrap();
    let session = copy(temp.path(), "session", fixture, |text| text);
    said(0, &["replay", "--rebuild", session.to_str().unwrap()]);
    let lake = temp.path().join("lake");
    let told = export(0, &[&session], &lake, &[]);
    assert_eq!((&told[0]["kind"], &told[0]["put"]), (&"exported".into(), &"new".into()));
    (temp, session, lake)
}

#[test]
fn the_tables_are_as_was_promised() {
    let (_temp, _, lake) = both(FIXTURES[0]);
    let mut schema = String::new();
    for table in ALL {
        let file = File::open(the_file(&lake, table.name)).unwrap();
        let reader = SerializedFileReader::new(file).unwrap();
        writeln!(schema, "{}", table.name).unwrap();
        for column in reader.metadata().file_metadata().schema_descr().columns() {
            let kind = match column.logical_type_ref() {
                Some(logical) => format!("{logical:?}"),
                None => column.physical_type().to_string(),
            };
            let kind = kind.split([' ', '(']).next().unwrap().to_owned();
            let null = if column.self_type().is_optional() { " null" } else { "" };
            writeln!(schema, "  {} {kind}{null}", column.name()).unwrap();
        }
    }
    let promised = fs::read_to_string("tests/lake-schema.txt").unwrap();
    assert!(schema == promised, "columns may be added at a table's end, no more:\n{schema}");
}

#[test]
fn every_run_is_that_of_the_csv() {
    for fixture in FIXTURES {
        let (_temp, session, lake) = both(fixture);
        let expected = csv_rows(&session.join("cycles.csv"));
        let found = rows(&lake, "cycles");
        assert_eq!(found.len(), expected.len());
        for (row, expected) in found.iter().zip(&expected) {
            for (name, expected) in expected {
                let decimals = if name.ends_with("uncertainty_s") { 2 } else { 3 };
                assert_eq!(cell(&row[name], decimals), *expected, "{fixture}: {name}");
            }
            assert_eq!(row["start_utc"] == Field::Null, row["start_s"] == Field::Null);
        }
    }
}

#[test]
fn every_settled_value_is_that_of_the_csv() {
    for fixture in FIXTURES {
        let (_temp, session, lake) = both(fixture);
        let expected = csv_rows(&session.join("sets.csv"));
        let found = rows(&lake, "sets");
        assert_eq!(found.len(), expected.len());
        for (row, expected) in found.iter().zip(&expected) {
            for name in ["set", "cycle", "from_ms", "to_ms", "channel"] {
                assert_eq!(cell(&row[name], 0), expected[name], "{fixture}: {name}");
            }
            let channel: Channel = text(&row["channel"]).parse().unwrap();
            assert_eq!(text(&row["unit"]), channel.kind.unit());
            let shown = Shown::of(channel.kind, Units::Us);
            let value = |name: &str| number(&row[name]).unwrap();
            assert_eq!(shown.text(value("value")), expected["value"]);
            assert_eq!(shown.width().text(value("spread")), expected["spread"]);
            assert_eq!(shown.width().text(value("uncertainty")), expected["uncertainty"]);
        }
    }
}

#[test]
fn every_reading_is_that_of_the_csv() {
    for fixture in FIXTURES {
        let (_temp, session, lake) = both(fixture);
        let expected = csv_rows(&session.join("readings.csv"));
        // By moment, then by the column's name: what each cell of the CSV should be.
        let mut found: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        let mut spreads = 0;
        for row in rows(&lake, "readings") {
            let channel: Channel = text(&row["channel"]).parse().unwrap();
            assert_eq!(text(&row["quantity"]), channel.kind.word());
            assert_eq!(text(&row["unit"]), channel.kind.unit());
            spreads += usize::from(number(&row["spread"]).is_some_and(|spread| spread >= 0.0));
            let shown = Shown::of(channel.kind, Units::Us);
            let cells = found.entry(cell(&row["elapsed_ms"], 0)).or_default();
            let value = shown.text(number(&row["value"]).unwrap());
            assert_eq!(cells.insert(column(&channel, Units::Us), value), None);
            cells.insert("time_utc".to_owned(), label(&row["at_utc"]));
        }
        assert!(spreads > expected.len(), "{fixture}: {spreads} spreads");
        let moments = rows(&lake, "moments");
        assert_eq!(moments.len(), expected.len());
        for (moment, expected) in moments.iter().zip(expected) {
            let mut cells = found.remove(&expected["elapsed_ms"]).unwrap_or_default();
            cells.insert("elapsed_ms".to_owned(), cell(&moment["elapsed_ms"], 0));
            cells.insert("time_utc".to_owned(), label(&moment["at_utc"]));
            cells.insert("state".to_owned(), cell(&moment["state"], 0));
            for measure in Derived::ALL {
                if let Some(value) = number(&moment[&derived_column(measure, Units::Si)]) {
                    let shown = Shown::derived(measure, Units::Us).text(value);
                    cells.insert(derived_column(measure, Units::Us), shown);
                }
            }
            let expected: BTreeMap<_, _> =
                expected.into_iter().filter(|(_, cell)| !cell.is_empty()).collect();
            cells.retain(|_, cell| !cell.is_empty());
            assert_eq!(cells, expected, "{fixture}");
        }
        assert!(found.is_empty(), "{fixture}: readings beside the moments");
    }
}

#[test]
fn every_finding_and_suspect_is_that_of_the_json() {
    for fixture in FIXTURES {
        let (_temp, session, lake) = both(fixture);
        let whole = fs::read_to_string(session.join("findings.json")).unwrap();
        let whole: Value = serde_json::from_str(&whole).unwrap();
        let (mut findings, mut suspects) =
            (rows(&lake, "findings").into_iter(), rows(&lake, "suspects").into_iter());
        let rounded = |field: &Field| json::number(number(field));
        let mut ends = BTreeMap::new();
        for set in rows(&lake, "sets") {
            ends.insert(cell(&set["set"], 0), label(&set["at_utc"]));
        }
        for set in whole["sets"].as_array().unwrap() {
            for expected in set["findings"].as_array().unwrap() {
                let row = findings.next().unwrap();
                assert_eq!(number(&row["set"]), set["set"].as_f64());
                for name in ["measure", "unit", "verdict", "basis", "source"] {
                    assert_eq!(text(&row[name]), expected[name], "{fixture}: {name}");
                }
                for name in ["value", "uncertainty"] {
                    assert_eq!(rounded(&row[name]), expected[name], "{fixture}: {name}");
                }
                for (place, name) in ["low_95", "high_95"].iter().enumerate() {
                    assert_eq!(rounded(&row[*name]), expected["interval_95"][place]);
                }
                for (place, name) in ["expected_low", "expected_high"].iter().enumerate() {
                    assert_eq!(rounded(&row[*name]), expected["expected"][place]);
                }
                for name in ["from_s", "to_s", "circuit"] {
                    assert_eq!(number(&row[name]), expected[name].as_f64(), "{fixture}: {name}");
                }
            }
            for (place, expected) in set["suspects"].as_array().unwrap().iter().enumerate() {
                let row = suspects.next().unwrap();
                assert_eq!(text(&row["suspect"]), expected["fault"]);
                assert_eq!(rounded(&row["probability"]), expected["probability"]);
                // One circuit: the likeliest is the first.
                assert_eq!(number(&row["rank"]), Some(place as f64 + 1.0));
                assert_eq!(label(&row["at_utc"]), ends[&cell(&row["set"], 0)]);
            }
        }
        assert!(findings.next().is_none() && suspects.next().is_none());
    }
}

#[test]
fn events_probes_and_the_session_itself_are_told() {
    let (_temp, session, lake) = both(FIXTURES[0]);
    let events = rows(&lake, "events");
    let expected = csv_rows(&session.join("events.csv"));
    assert_eq!(events.len(), expected.len());
    for (row, expected) in events.iter().zip(expected) {
        assert_eq!(label(&row["at_utc"]), expected["time_utc"]);
        for name in ["elapsed_ms", "event", "subject", "detail"] {
            assert_eq!(cell(&row[name], 0), expected[name]);
        }
    }
    let received = csv_rows(&session.join("received.csv"));
    let probes = rows(&lake, "probes");
    assert!(probes.len() >= 5);
    for probe in &probes {
        let own = received.iter().filter(|row| row["probe"] == text(&probe["probe"]));
        let mut signals: Vec<f64> = own.map(|row| row["rssi_dbm"].parse().unwrap()).collect();
        signals.sort_by(f64::total_cmp);
        assert_eq!(number(&probe["payloads"]), Some(signals.len() as f64));
        let middle = [signals[(signals.len() - 1) / 2], signals[signals.len() / 2]];
        let median = f64::midpoint(middle[0], middle[1]);
        assert_eq!(number(&probe["rssi_median_dbm"]), Some(median));
        assert!(!text(&probe["profile"]).is_empty());
    }
    let [visit] = &rows(&lake, "sessions")[..] else { panic!("one row") };
    assert_eq!(label(&visit["started_utc"]), "2031-06-04T19:05:12.000Z");
    assert_eq!(number(&visit["rows"]), Some(received.len() as f64));
    assert_eq!(text(&visit["refrigerant"]), "R-410A");
    assert_eq!((text(&visit["mode"]), text(&visit["metering"])), ("cooling", "fixed-orifice"));
    assert_eq!(number(&visit["cycles"]), Some(rows(&lake, "cycles").len() as f64));
}

#[test]
fn exporting_again_adds_nothing_and_changes_nothing() {
    let (_temp, session, lake) = both(FIXTURES[0]);
    let before = files(&lake);
    assert_eq!(before.len(), ALL.len());
    let told = export(0, &[&session], &lake, &[]);
    assert_eq!(told[0]["put"], "same");
    assert_eq!(files(&lake), before);
    // Another lake gets the same bytes.
    let other = tempfile::tempdir().unwrap();
    export(0, &[&session], other.path(), &[]);
    let bytes = |lake: &Path| -> Vec<(String, Vec<u8>)> {
        files(lake).into_iter().map(|(name, (bytes, _))| (name, bytes)).collect()
    };
    assert_eq!(bytes(&lake), bytes(other.path()));
}

#[test]
fn whatever_the_site_is_called_its_files_are_found_under_it() {
    let temp = tempfile::tempdir().unwrap();
    let lake = temp.path().join("lake");
    let sites = [
        "Harbour bakery, rooftop 2 / \"x\"=…",
        "../../up",
        "a%20b",
        "line\nbreak",
        "*?[x]",
        "x".repeat(400).leak(),
    ];
    let mut sessions = Vec::new();
    for (number, site) in sites.iter().enumerate() {
        let edit = |text: String| {
            let quoted = toml::Value::String((*site).to_owned()).to_string();
            let lines = text.lines().map(|line| {
                let site = line.starts_with("site = ");
                if site { format!("site = {quoted}") } else { line.to_owned() }
            });
            lines.collect::<Vec<_>>().join("\n")
        };
        sessions.push(copy(temp.path(), &number.to_string(), FIXTURES[1], edit));
    }
    let sessions: Vec<&Path> = sessions.iter().map(PathBuf::as_path).collect();
    let told = export(0, &sessions, &lake, &[]);
    assert_eq!(told.len(), sites.len());
    let mut folders = BTreeSet::new();
    for name in names(&lake) {
        let parts: Vec<&str> = name.split('/').collect();
        assert_eq!(parts.len(), 4, "{name}");
        assert!(parts[1].starts_with("site=") && parts[2] == "date=2019-08-26", "{name}");
        folders.insert(decoded(&parts[1]["site=".len()..]));
    }
    for site in &sites[..5] {
        assert!(folders.contains(*site), "{site:?} in {folders:?}");
    }
    assert!(folders.iter().any(|site| site.len() < 250 && site.starts_with("xxxx")));
}

fn decoded(part: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = part.bytes();
    while let Some(byte) = rest.next() {
        bytes.push(match byte {
            b'%' => {
                let digits = [rest.next().unwrap(), rest.next().unwrap()];
                u8::from_str_radix(std::str::from_utf8(&digits).unwrap(), 16).unwrap()
            }
            plain => plain,
        });
    }
    String::from_utf8(bytes).unwrap()
}

#[test]
fn what_is_torn_is_exported_as_far_as_it_goes_and_what_is_none_holds_up_nobody() {
    let temp = tempfile::tempdir().unwrap();
    let torn = copy(temp.path(), "torn", FIXTURES[0], |text| text);
    let record = fs::read(torn.join("received.csv")).unwrap();
    let middle = record.len() / 2;
    fs::write(torn.join("received.csv"), &record[..middle]).unwrap();
    let whole = copy(temp.path(), "whole", FIXTURES[1], |text| text);
    let none = temp.path().join("none");
    fs::create_dir(&none).unwrap();
    let lake = temp.path().join("lake");
    let told = export(3, &[&none, &torn, &whole], &lake, &[]);
    assert_eq!(told.len(), 2, "{told:?}");
    assert_eq!(told[0]["rows_unreadable"], 1);
    assert_eq!((&told[0]["put"], &told[1]["put"]), (&"new".into(), &"new".into()));
    let (lake_text, none_text) = (lake.to_str().unwrap(), none.to_str().unwrap());
    let (_, errors) = said(3, &["export", none_text, "--to", lake_text]);
    assert!(errors.contains("has no session.toml") && errors.lines().count() == 1, "{errors}");

    // The torn session went on and is exported again: it takes the place of what was there.
    fs::write(torn.join("received.csv"), &record).unwrap();
    let before = names(&lake);
    let told = export(0, &[&torn], &lake, &[]);
    assert_eq!((&told[0]["put"], &told[0]["rows_unreadable"]), (&"replaced".into(), &0.into()));
    assert_eq!(names(&lake), before);
}

#[test]
fn a_session_is_not_exported_from_two_folders_at_once() {
    let temp = tempfile::tempdir().unwrap();
    let one = copy(temp.path(), "one", FIXTURES[1], |text| text);
    let two = copy(temp.path(), "two", FIXTURES[1], |text| text);
    let lake = temp.path().join("lake");
    assert_eq!(export(3, &[&one, &two], &lake, &[]).len(), 1);
    assert_eq!(names(&lake).len(), ALL.len());
}

#[test]
fn a_session_that_moves_to_another_day_leaves_nothing_behind() {
    let temp = tempfile::tempdir().unwrap();
    let session = copy(temp.path(), "session", FIXTURES[0], |text| text);
    let lake = temp.path().join("lake");
    export(0, &[&session], &lake, &[]);
    let file = session.join("session.toml");
    let text = fs::read_to_string(&file).unwrap();
    let moved = text.replacen("\"America/Chicago\"", "\"Pacific/Auckland\"", 1);
    assert_ne!(moved, text);
    fs::write(&file, moved).unwrap();
    let told = export(0, &[&session], &lake, &[]);
    assert_eq!(told[0]["put"], "replaced");
    let names = names(&lake);
    assert_eq!(names.len(), ALL.len());
    assert!(names.iter().all(|name| name.contains("date=2031-06-05")), "{names:?}");
}

#[test]
fn a_job_that_was_mended_makes_another_session_and_the_first_is_told_of_or_replaced() {
    let temp = tempfile::tempdir().unwrap();
    let wrong = copy(temp.path(), "wrong", FIXTURES[0], |text| text);
    let mended = |text: String| text.replace("R-410A", "R-32");
    let right = copy(temp.path(), "right", FIXTURES[0], mended);
    let lake = temp.path().join("lake");
    let first = export(0, &[&wrong], &lake, &[])[0]["session"].clone();
    let told = export(0, &[&right], &lake, &[]);
    assert_eq!(told[0]["put"], "new");
    assert_eq!(told[0]["other_jobs"][0], first);
    assert_eq!(names(&lake).len(), 2 * ALL.len());
    let told = export(0, &[&right], &lake, &["--replace"]);
    assert!(told[0]["other_jobs"].as_array().unwrap().is_empty());
    let left = names(&lake);
    assert_eq!(left.len(), ALL.len());
    assert!(left.iter().all(|name| !name.contains(first.as_str().unwrap())), "{left:?}");
}

#[test]
fn a_lake_that_says_no_holds_no_half_session() {
    let temp = tempfile::tempdir().unwrap();
    let session = copy(temp.path(), "session", FIXTURES[1], |text| text);
    let lake = temp.path().join("lake");
    fs::create_dir(&lake).unwrap();
    // The fifth table cannot be written: a file stands where its folder belongs.
    fs::write(lake.join("sets"), "").unwrap();
    let arguments = ["export", session.to_str().unwrap(), "--to", lake.to_str().unwrap()];
    let (_, errors) = said(4, &arguments);
    assert!(errors.contains("cannot write sets/"), "{errors}");
    assert!(!lake.join("sessions").exists(), "{:?}", names(&lake));
    // A session that was whole and cannot be replaced is not there either, rather than half new.
    fs::remove_file(lake.join("sets")).unwrap();
    export(0, &[&session], &lake, &[]);
    let record = fs::read(session.join("received.csv")).unwrap();
    fs::write(session.join("received.csv"), &record[..record.len() / 2]).unwrap();
    fs::rename(lake.join("sets"), lake.join("aside")).unwrap();
    fs::write(lake.join("sets"), "").unwrap();
    said(4, &arguments);
    assert!(!names(&lake).iter().any(|name| name.starts_with("sessions/")));
    fs::remove_file(lake.join("sets")).unwrap();
    export(0, &[&session], &lake, &[]);
    assert_eq!(rows(&lake, "sessions").len(), 1);
}

#[test]
fn engines_can_pass_over_what_they_do_not_want() {
    let (_temp, _, lake) = both(FIXTURES[0]);
    for table in ALL {
        check_order(&lake, &table);
    }
    // Within a row group one channel's pages follow one another, and each page says so.
    let reader =
        SerializedFileReader::new(File::open(the_file(&lake, "readings")).unwrap()).unwrap();
    let channel = position(&lake::READINGS, "channel");
    let group = reader.get_row_group(0).unwrap();
    let column = &group.metadata().columns()[channel];
    assert!(column.column_index_range().is_some() && column.offset_index_range().is_some());
    let pages = group.get_column_page_reader(channel).unwrap().count();
    assert!(pages > 3, "{pages} pages");
}

fn position(table: &Table, name: &str) -> usize {
    // The session comes first.
    table.columns.iter().position(|column| column.name == name).unwrap() + 1
}

fn check_order(lake: &Path, table: &Table) {
    let reader =
        SerializedFileReader::new(File::open(the_file(lake, table.name)).unwrap()).unwrap();
    let expected: Vec<i32> = std::iter::once(0)
        .chain(table.sorted_by.iter().map(|name| position(table, name) as i32))
        .collect();
    for (number, group) in reader.metadata().row_groups().iter().enumerate() {
        assert!(group.num_rows() <= 122_880);
        let sorted = group.sorting_columns().unwrap();
        let sorted: Vec<i32> = sorted.iter().map(|column| column.column_idx).collect();
        assert_eq!(sorted, expected, "{}", table.name);
        for column in group.columns() {
            assert!(matches!(column.compression(), Compression::ZSTD(_)));
            let statistics = column.statistics().unwrap();
            let known =
                statistics.min_bytes_opt().is_some() && statistics.max_bytes_opt().is_some();
            let empty = statistics.null_count_opt() == Some(group.num_rows() as u64);
            assert!(known || empty, "{} {}", table.name, column.column_path());
        }
        let group = reader.get_row_group(number).unwrap();
        let rows = group.get_row_iter(None).unwrap().map(|row| {
            let row: Row = row.unwrap().into_columns().into_iter().collect();
            table.sorted_by.iter().map(|name| key(&row[*name])).collect::<Vec<_>>()
        });
        let rows: Vec<Vec<(u64, String)>> = rows.collect();
        assert!(rows.is_sorted(), "{}", table.name);
    }
}

fn key(field: &Field) -> (u64, String) {
    match field {
        Field::Str(text) => (0, text.clone()),
        other => (number(other).unwrap() as u64, String::new()),
    }
}

#[test]
fn a_place_that_is_no_lake_and_a_network_in_the_clear_are_refused_with_what_to_do() {
    let session = "fixtures/bakery-low-charge";
    let (_, errors) = said(2, &["export", session, "--to", "ftp://x"]);
    assert!(errors.contains("give a folder, or s3://BUCKET"), "{errors}");
    let s3 = |endpoint: &str, keys: bool| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_settled"));
        command.args(["export", session, "--to", "s3://bucket/lake"]).env_clear();
        command.env("AWS_ENDPOINT_URL", endpoint);
        if keys {
            command.env("AWS_ACCESS_KEY_ID", "a").env("AWS_SECRET_ACCESS_KEY", "b");
        }
        let output = command.output().unwrap();
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    let (code, errors) = s3("http://10.255.255.1:9", true);
    assert!(code == Some(2) && errors.contains("in the clear"), "{errors}");
    // Nobody listens at this port of this machine.
    let (code, errors) = s3("http://127.0.0.1:9", true);
    assert!(code == Some(4) && errors.contains("does not answer"), "{errors}");
}
