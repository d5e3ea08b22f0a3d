//! The night that all is measured by, and the limit: parsing its record and nothing else.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use settled::app::demo;
use settled::virtual_unit::scenario::{ProbeCare, Scenario};
use tempfile::TempDir;

use crate::timing::{each, many, row, told};

/// A night's record, how many rows it has, and how long it takes to parse them.
pub struct Limit {
    folder: TempDir,
    pub session: PathBuf,
    pub rows: u64,
    pub parsed: Duration,
}

impl Limit {
    /// Eight hours of twelve channels, some 350,000 rows, from the virtual unit.
    pub fn of_a_night() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let session = record(folder.path(), Duration::from_hours(8), Duration::from_millis(715));
        let rows = parse(&session);
        let parsed = each(|| parse(&session));
        Self { folder, session, rows, parsed }
    }

    /// Where sessions of a benchmark may be made.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// A time of one row, as a multiple of what parsing it takes.
    pub fn beside(&self, time: Duration) -> String {
        let one = self.parsed.as_secs_f64() / self.rows as f64;
        format!("{:.2}", time.as_secs_f64() / one)
    }

    pub fn tell(&self) {
        let one = Duration::from_secs_f64(self.parsed.as_secs_f64() / self.rows as f64);
        let what = format!("limit: parsing {} rows with `csv`", many(self.rows));
        row(&what, &format!("{}, {} a row", told(self.parsed), told(one)), "1");
    }
}

/// Makes a session of the virtual unit, each probe of which sends once an `interval`.
pub fn record(sessions: &Path, length: Duration, interval: Duration) -> PathBuf {
    let probes = ProbeCare { interval, ..ProbeCare::default() };
    demo::record(&Scenario { length, probes, ..Scenario::default() }, sessions).unwrap()
}

/// Counts the rows of all parts of a record, doing nothing else.
pub fn parse(session: &Path) -> u64 {
    let mut record = csv::ByteRecord::new();
    let mut rows = 0;
    for part in parts(session) {
        let mut reader = csv::Reader::from_reader(File::open(part).unwrap());
        while reader.read_byte_record(&mut record).unwrap() {
            rows += 1;
        }
    }
    rows
}

/// The files of a record.
pub fn parts(session: &Path) -> Vec<PathBuf> {
    let (folder, _) = settled::edge::folder::Folder::open(session).unwrap();
    folder.parts().unwrap()
}
