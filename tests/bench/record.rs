//! The record: rows written, with and without the journal, and read back.

use std::time::Duration;

use settled::edge::folder::Folder;
use settled::edge::journal::{Journal, Settings};
use settled::edge::store::FolderStore;
use settled::engine::input::Input;
use settled::engine::reading::{Payload, Via};
use settled::engine::record::write_row;
use settled::units::time::Elapsed;

use crate::limit::Limit;
use crate::timing::{each, row, told, worked};

/// Rows that a journal's queue takes even where the disk does not serve at all.
const ROWS: u32 = 40_000;

pub fn run(limit: &Limit) {
    let bytes = hex::decode("434C010761F608").unwrap();
    let via = Via::Manufacturer(0xFFFF);
    let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: Some(-61) };
    let input = Input::Payload(payload);
    let mut line = Vec::with_capacity(128);
    let time = each(|| {
        line.clear();
        write_row(&mut line, Elapsed::from_ms(1_234_567), "2031-06-04T19:05:12.000Z", &input)
    });
    row("a row written", &told(time), &limit.beside(time));

    let folder = tempfile::tempdir_in(limit.folder()).unwrap();
    let settings = Settings { keep_free_bytes: 0, ..Settings::default() };
    let mut journal = Journal::begin(FolderStore::new(folder.path()), settings, |_| {}).unwrap();
    let (took, ()) = worked(|| {
        for n in 0..ROWS {
            journal.append(Elapsed::from_ms(u64::from(n)), None, &input).unwrap();
        }
    });
    row("a row appended to the journal", &told(took / ROWS), &limit.beside(took / ROWS));
    let status = journal.close(Duration::from_secs(30));
    assert_eq!(status.acknowledged, u64::from(ROWS));

    let (night, _) = Folder::open(&limit.session).unwrap();
    let time = each(|| {
        let mut rows = night.rows().unwrap();
        while rows.next_row().unwrap().is_some() {}
        rows.count()
    });
    let time = time / u32::try_from(limit.rows).unwrap();
    row("a row read back", &told(time), &limit.beside(time));
}
