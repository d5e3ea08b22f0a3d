//! Nothing acknowledged is ever lost: the journal on disks that die, tear, lie still and fill up.
//!
//! No test sleeps: each waits for what the journal tells of its own accord, at most [`PATIENCE`].

use std::collections::BTreeMap;
use std::io::{self, Cursor};
use std::sync::mpsc::{self, Receiver, Sender};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use settled::edge::clock::KeptClock;
use settled::edge::folder::{Folder, Manifest, header_line, part_name};
use settled::edge::journal::{Journal, Notice, Part, Settings, Status, Store};
use settled::edge::rows::Rows;
use settled::edge::store::FolderStore;
use settled::engine::input::Input;
use settled::units::time::Elapsed;

/// How long a test waits for something that should happen at once.
const PATIENCE: Duration = Duration::from_secs(20);

/// What a test's disk holds: each part's bytes, and how many of them are certainly on the disk.
#[derive(Default)]
struct Platter {
    parts: BTreeMap<String, (Vec<u8>, usize)>,
    /// How many bytes can still be written; `None`: any number.
    left: Option<usize>,
    /// How often the disk says no before it serves again.
    refusals: u32,
    syncs_fail: bool,
    free: Option<u64>,
}

/// A disk of a test; a clone is the same disk.
#[derive(Clone, Default)]
struct Disk {
    platter: Arc<Mutex<Platter>>,
    /// While set, each sync waits for a word.
    gate: Option<Arc<Mutex<Receiver<()>>>>,
}

struct DiskPart {
    disk: Disk,
    name: String,
}

fn no() -> io::Error {
    io::Error::other("the disk says no")
}

impl Disk {
    fn dying(left: usize, refusals: u32) -> Self {
        let disk = Self::default();
        *disk.platter.lock().unwrap() =
            Platter { left: Some(left), refusals, ..Platter::default() };
        disk
    }

    /// All bytes of all parts, in order of their names; `synced`: only what is certain.
    fn parts(&self, synced: bool) -> Vec<Vec<u8>> {
        let platter = self.platter.lock().unwrap();
        let kept = |(bytes, certain): &(Vec<u8>, usize)| {
            bytes[..if synced { *certain } else { bytes.len() }].to_vec()
        };
        let mut parts: Vec<_> = platter.parts.iter().collect();
        // `received.csv` comes before `received-0001.csv`.
        parts.sort_by_key(|(name, _)| (name.len(), *name));
        parts.into_iter().map(|(_, part)| kept(part)).collect()
    }
}

impl Store for Disk {
    fn create(&mut self, name: &str) -> io::Result<Box<dyn Part>> {
        let mut platter = self.platter.lock().unwrap();
        if platter.left == Some(0) {
            if platter.refusals > 0 {
                platter.refusals -= 1;
                return Err(no());
            }
            platter.left = None;
        }
        if platter.parts.contains_key(name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        platter.parts.insert(name.to_owned(), (Vec::new(), 0));
        Ok(Box::new(DiskPart { disk: self.clone(), name: name.to_owned() }))
    }

    fn discard(&mut self, name: &str) -> io::Result<()> {
        self.platter.lock().unwrap().parts.remove(name).map(|_| ()).ok_or_else(no)
    }

    fn free_bytes(&mut self) -> Option<u64> {
        self.platter.lock().unwrap().free
    }
}

impl Part for DiskPart {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut platter = self.disk.platter.lock().unwrap();
        let fits = platter.left.map_or(bytes.len(), |left| left.min(bytes.len()));
        if let Some(left) = &mut platter.left {
            *left -= fits;
        }
        let part = platter.parts.get_mut(&self.name).unwrap();
        part.0.extend_from_slice(&bytes[..fits]);
        if fits == bytes.len() { Ok(()) } else { Err(no()) }
    }

    fn sync(&mut self) -> io::Result<()> {
        if let Some(gate) = &self.disk.gate {
            gate.lock().unwrap().recv().unwrap();
        }
        let mut platter = self.disk.platter.lock().unwrap();
        if platter.syncs_fail {
            platter.left = Some(0);
            return Err(no());
        }
        let part = platter.parts.get_mut(&self.name).unwrap();
        part.1 = part.0.len();
        Ok(())
    }
}

/// A journal that syncs each row, and what it tells.
fn begin(disk: &Disk, settings: Settings) -> io::Result<(Journal, Receiver<Notice>)> {
    let (tell, told) = mpsc::channel();
    let journal = Journal::begin(disk.clone(), settings, telling(tell))?;
    Ok((journal, told))
}

fn telling(tell: Sender<Notice>) -> impl FnMut(Notice) + Send + 'static {
    move |notice| {
        // The test may have ended before the journal's last word.
        let _ = tell.send(notice);
    }
}

fn each_row() -> Settings {
    Settings {
        sync_interval: Duration::ZERO,
        retry: Duration::from_millis(1),
        ..Settings::default()
    }
}

fn await_notice(told: &Receiver<Notice>, mut wanted: impl FnMut(&Notice) -> bool) -> Notice {
    loop {
        let notice = told.recv_timeout(PATIENCE).expect("the journal tells of it");
        if wanted(&notice) {
            return notice;
        }
    }
}

/// The words of the `n`th row of a test: of many lengths, with all that could upset a CSV file.
fn words(n: u64) -> String {
    format!("{n} ,\"\r\n{}", "é".repeat((n % 7) as usize))
}

fn append(journal: &mut Journal, n: u64) -> bool {
    journal.append(Elapsed::from_ms(n), None, &Input::Note(&words(n))).is_ok()
}

/// The rows in the bytes of parts: the numbers of notes, and the lost rows that were told.
fn read(parts: &[Vec<u8>]) -> (Vec<u64>, Vec<(u64, u64)>) {
    let (mut notes, mut lost) = (Vec::new(), Vec::new());
    for part in parts {
        let Ok(mut rows) = Rows::of_stream(Box::new(Cursor::new(part.clone())), "part") else {
            // Nothing but a header, or half of one.
            assert!(header_line().starts_with(part), "{}", String::from_utf8_lossy(part));
            continue;
        };
        while let Some(row) = rows.next_row().unwrap() {
            match row.input {
                Input::Note(text) => {
                    assert_eq!(text, words(row.at.as_ms()));
                    notes.push(row.at.as_ms());
                }
                Input::RecordingResumed { lost_from, lost_rows } => {
                    lost.push((lost_from.as_ms(), lost_rows));
                }
                other => panic!("{other:?} was never written"),
            }
        }
    }
    (notes, lost)
}

/// How many bytes the first `rows` rows of a part take, header included.
fn len_of(rows: u64) -> usize {
    let disk = Disk::default();
    let (mut journal, _told) = begin(&disk, each_row()).unwrap();
    for n in 0..rows {
        assert!(append(&mut journal, n));
    }
    let status = journal.close(PATIENCE);
    assert_eq!((status.acknowledged, status.waiting, status.lost), (rows, 0, 0));
    disk.parts(false)[0].len()
}

#[test]
fn a_disk_that_dies_after_any_byte_keeps_every_acknowledged_row() {
    const ROWS: u64 = 8;
    for left in 0..=len_of(ROWS) {
        let disk = Disk::dying(left, u32::MAX);
        let Ok((mut journal, told)) = begin(&disk, each_row()) else {
            assert!(left < header_line().len());
            continue;
        };
        for n in 0..ROWS {
            if append(&mut journal, n) {
                await_notice(&told, |notice| {
                    matches!(notice, Notice::Acknowledged(_) | Notice::NotRecording(..))
                });
            }
        }
        let Status { acknowledged, waiting, lost, .. } = journal.close(PATIENCE);
        assert_eq!(acknowledged + lost, ROWS, "{left} bytes left");
        assert_eq!(waiting, 0);
        let (notes, _) = read(&disk.parts(false));
        assert_eq!(notes, (0..notes.len() as u64).collect::<Vec<_>>(), "{left} bytes left");
        assert!(notes.len() as u64 >= acknowledged, "{left} bytes left");
    }
}

#[test]
fn a_power_cut_that_drops_all_that_is_not_synced_keeps_every_acknowledged_row() {
    let disk = Disk::default();
    let (check, checked) = mpsc::channel();
    let seen = disk.clone();
    let settings = Settings { part_bytes: 300, ..each_row() };
    let mut journal = Journal::begin(disk, settings, move |notice| {
        if let Notice::Acknowledged(rows) = notice {
            // What a power cut at this very moment would leave.
            let _ = check.send((rows, read(&seen.parts(true)).0));
        }
    })
    .unwrap();
    for n in 0..200 {
        assert!(append(&mut journal, n));
    }
    assert_eq!(journal.close(PATIENCE).acknowledged, 200);
    let mut last = 0;
    for (rows, kept) in checked {
        assert_eq!(kept, (0..rows).collect::<Vec<_>>());
        last = rows;
    }
    assert_eq!(last, 200);
}

#[test]
fn when_the_disk_serves_again_a_new_part_begins_and_tells_what_was_lost() {
    const ROWS: u64 = 12;
    let header = header_line().len();
    for left in header..len_of(5) {
        let disk = Disk::dying(left, 3);
        let (mut journal, told) = begin(&disk, each_row()).unwrap();
        let mut resumed = None;
        for n in 0..ROWS {
            let was_recording = append(&mut journal, n);
            if was_recording {
                await_notice(&told, |notice| {
                    matches!(notice, Notice::Acknowledged(_) | Notice::NotRecording(..))
                });
            } else if resumed.is_none() {
                await_notice(&told, |notice| *notice == Notice::Serves);
                resumed = journal.resume(Elapsed::from_ms(n), None);
                assert!(resumed.is_some());
                assert_eq!(journal.resume(Elapsed::from_ms(n), None), None, "once is enough");
            } else {
                panic!("the disk serves, and row {n} was refused");
            }
        }
        let status = journal.close(PATIENCE);
        let Some(Input::RecordingResumed { lost_from, lost_rows }) = resumed else {
            panic!("with {left} bytes left nothing was lost");
        };
        assert_eq!(status.not_recording, None);
        assert_eq!(status.lost, lost_rows);
        // The rows, and the one that tells of the loss.
        assert_eq!(status.acknowledged + lost_rows, ROWS + 1, "{left} bytes left");
        let (notes, lost) = read(&disk.parts(true));
        assert_eq!(lost, [(lost_from.as_ms(), lost_rows)]);
        assert!(
            notes.iter().all(|n| *n < lost_from.as_ms() || *n >= lost_from.as_ms() + lost_rows)
        );
        assert_eq!(notes.len() as u64, ROWS - lost_rows);
        // The second part's first row is the one that tells.
        let second = &disk.parts(true)[1];
        assert_eq!(read(std::slice::from_ref(second)).1.len(), 1);
        assert!(String::from_utf8_lossy(&second[header..]).contains("recording-resumed"));
    }
}

#[test]
fn a_failed_sync_is_never_tried_again_on_the_same_part() {
    let disk = Disk::default();
    let (mut journal, told) = begin(&disk, each_row()).unwrap();
    assert!(append(&mut journal, 0));
    await_notice(&told, |notice| *notice == Notice::Acknowledged(1));
    disk.platter.lock().unwrap().syncs_fail = true;
    disk.platter.lock().unwrap().refusals = u32::MAX;
    assert!(append(&mut journal, 1));
    let notice = await_notice(&told, |notice| matches!(notice, Notice::NotRecording(..)));
    assert_eq!(notice, Notice::NotRecording(Elapsed::from_ms(1), "the disk says no".to_owned()));
    // A later sync that would succeed says nothing of what the failed one left.
    disk.platter.lock().unwrap().syncs_fail = false;
    disk.platter.lock().unwrap().refusals = 0;
    await_notice(&told, |notice| *notice == Notice::Serves);
    let first = disk.parts(true)[0].clone();
    journal.resume(Elapsed::from_ms(2), None).unwrap();
    assert!(append(&mut journal, 2));
    journal.close(PATIENCE);
    assert_eq!(disk.parts(true)[0], first);
    assert_eq!(read(&disk.parts(true)[1..]), (vec![2], vec![(1, 1)]));
}

#[test]
fn a_queue_that_is_full_refuses_and_counts_and_goes_on_when_it_is_empty() {
    let (open, gate) = mpsc::channel();
    // The header's sync, before the journal runs.
    open.send(()).unwrap();
    let disk = Disk { gate: Some(Arc::new(Mutex::new(gate))), ..Disk::default() };
    let (mut journal, told) = begin(&disk, each_row()).unwrap();
    let mut recorded = 0;
    while append(&mut journal, recorded) {
        recorded += 1;
    }
    for n in 1..10 {
        assert!(!append(&mut journal, recorded + n));
    }
    let status = journal.status();
    assert_eq!(status.lost, 10);
    assert!(status.not_recording.unwrap().why.contains("too slow"));
    assert_eq!(journal.resume(Elapsed::from_ms(recorded), None), None, "it does not yet serve");
    // At most three syncs: the first row's, the queue's, and a header's to spare.
    (0..3).for_each(|_| open.send(()).unwrap());
    await_notice(&told, |notice| *notice == Notice::Serves);
    let at = Elapsed::from_ms(recorded + 10);
    let resumed = journal.resume(at, None);
    let lost_from = Elapsed::from_ms(recorded);
    assert_eq!(resumed, Some(Input::RecordingResumed { lost_from, lost_rows: 10 }));
    assert!(append(&mut journal, recorded + 10));
    (0..2).for_each(|_| open.send(()).unwrap());
    let status = journal.close(PATIENCE);
    assert_eq!(status.acknowledged, recorded + 2);
    let (notes, lost) = read(&disk.parts(true));
    assert_eq!(lost, [(recorded, 10)]);
    assert_eq!(notes.len() as u64, recorded + 1);
    assert!(recorded > 10_000, "the queue holds some minutes of rows: {recorded}");
}

#[test]
fn a_disk_that_does_not_answer_does_not_hold_up_the_end() {
    let (open, gate) = mpsc::channel();
    open.send(()).unwrap();
    let disk = Disk { gate: Some(Arc::new(Mutex::new(gate))), ..Disk::default() };
    let (mut journal, _told) = begin(&disk, each_row()).unwrap();
    assert!(append(&mut journal, 0));
    let status = journal.close(Duration::from_millis(1));
    assert_eq!((status.acknowledged, status.waiting), (0, 1), "it is told what is not on the disk");
}

#[test]
fn a_long_record_goes_on_in_numbered_parts() {
    let temp = tempfile::tempdir().unwrap();
    let job = toml::Table::new();
    let manifest = Manifest::new("UTC", KeptClock::default(), Vec::new(), job);
    let folder = Folder::create(temp.path(), "s", &manifest).unwrap();
    let settings = Settings { part_bytes: 200, ..each_row() };
    let (tell, told) = mpsc::channel();
    let store = FolderStore::new(folder.path());
    let mut journal = Journal::begin(store, settings.clone(), telling(tell)).unwrap();
    for n in 0..20 {
        assert!(append(&mut journal, n));
        await_notice(&told, |notice| matches!(notice, Notice::Acknowledged(_)));
    }
    journal.close(PATIENCE);
    // A crash tears what was written last; the session goes on in a part of its own.
    let parts = folder.parts().unwrap();
    assert!(parts.len() > 4 && parts[1].ends_with("received-0001.csv"), "{parts:?}");
    let last = parts.last().unwrap();
    let torn = [&std::fs::read(last).unwrap()[..], b"20,,,note,no"].concat();
    std::fs::write(last, torn).unwrap();
    assert_eq!(folder.repair().unwrap().unwrap().bytes, 12);
    let first_part = folder.next_part().unwrap();
    assert_eq!(first_part as usize, parts.len());
    let store = FolderStore::new(folder.path());
    let settings = Settings { first_part, ..settings };
    let mut journal = Journal::begin(store, settings, |_| ()).unwrap();
    assert!(append(&mut journal, 20));
    assert_eq!(journal.close(PATIENCE).acknowledged, 1);

    let mut rows = folder.rows().unwrap();
    for n in 0..=20 {
        assert_eq!(rows.next_row().unwrap().unwrap().input, Input::Note(&words(n)));
    }
    assert_eq!(rows.next_row().unwrap(), None);
    assert_eq!(rows.skipped().0, 0);
    for part in folder.parts().unwrap() {
        assert!(std::fs::read(part).unwrap().starts_with(&header_line()));
    }
}

#[test]
fn little_room_is_told_before_there_is_none() {
    let disk = Disk::default();
    disk.platter.lock().unwrap().free = Some(250);
    let settings = Settings { keep_free_bytes: 200, ..each_row() };
    let (mut journal, told) = begin(&disk, settings).unwrap();
    let mut at = 0;
    // Just above the limit, below, a little above (not told: it would flutter), well above.
    let mut tell = |free: u64| {
        disk.platter.lock().unwrap().free = Some(free);
        let mut others = Vec::new();
        // Two rows, so that the look at the disk after the first has certainly been taken.
        for _ in 0..2 {
            assert!(append(&mut journal, at));
            at += 1;
            await_notice(&told, |notice| {
                others.push(notice.clone());
                *notice == Notice::Acknowledged(at)
            });
        }
        others.retain(|notice| !matches!(notice, Notice::Acknowledged(_)));
        others
    };
    assert_eq!(tell(250), []);
    assert_eq!(tell(199), [Notice::LowSpace(199)]);
    assert_eq!(tell(205), []);
    assert_eq!(tell(210), [Notice::SpaceAgain(210)]);
    assert_eq!(journal.close(PATIENCE).free_bytes, Some(210));
}

#[test]
fn a_part_that_is_there_already_is_never_written_over() {
    let disk = Disk::default();
    let kept = (b"precious".to_vec(), 8);
    disk.platter.lock().unwrap().parts.insert(part_name(0), kept.clone());
    let (mut journal, _told) = begin(&disk, each_row()).unwrap();
    assert!(append(&mut journal, 0));
    journal.close(PATIENCE);
    let platter = disk.platter.lock().unwrap();
    assert_eq!(platter.parts[&part_name(0)], kept);
    assert_eq!(platter.parts.len(), 2);
}
