//! Writes the files that are derived from a record, live and in replay by the same code.
//!
//! All begin under names that end in `.new` and get their own with [`DerivedFiles::publish`], so
//! that old ones stand until new ones are whole. A label is that of the last row at or before the
//! moment, plus what engine time has passed since; so it does not depend on when a file was made.

use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use csv::{Terminator, Writer, WriterBuilder};
use jiff::tz::TimeZone;

use crate::edge::clock::Utc;
use crate::edge::folder::{FolderError, io_error, replace, sync_dir};
use crate::edge::readings::Readings;
use crate::edge::times::Times;
use crate::engine::columns::Units;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::json;
use crate::engine::output::{Event, Output};
use crate::engine::reading::{Cycle, SettledSet};
use crate::engine::tables::{self, Column};
use crate::units::time::Elapsed;

/// How derived files are written.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The units of people.
    pub units: Units,
    /// The zone that tells day from night.
    pub zone: TimeZone,
}

/// The derived files of a session while they are written.
pub struct DerivedFiles {
    folder: PathBuf,
    settings: Settings,
    times: Times,
    readings: Readings,
    cycles: Table,
    sets: Table,
    events: Table,
    findings: Findings,
    published: bool,
}

impl DerivedFiles {
    /// Begins all files in `folder`, beside those that may stand there.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(folder: &Path, settings: Settings) -> Result<Self, FolderError> {
        let at = |name: &str| folder.join(format!("{name}.new"));
        Ok(Self {
            readings: Readings::create(at("readings.csv"), settings.units)?,
            cycles: Table::create(at("cycles.csv"), &tables::CYCLES)?,
            sets: Table::create(at("sets.csv"), &tables::SETS)?,
            events: Table::create(at("events.csv"), &tables::EVENTS)?,
            findings: Findings::create(at("findings.json"))?,
            folder: folder.to_owned(),
            settings,
            times: Times::default(),
            published: false,
        })
    }

    /// A row of the record was at `at` and bears `label`. Call it before the row's outputs are
    /// taken, for every row, in order.
    pub fn label(&mut self, at: Elapsed, label: Option<Utc>) {
        self.times.row(at, label);
    }

    /// Whether [`DerivedFiles::take`] makes anything of an output.
    pub const fn takes(output: &Output) -> bool {
        !matches!(output, Output::Reading(_) | Output::Refused { .. })
    }

    /// Writes what an output says into the file that it belongs to.
    ///
    /// # Errors
    /// Where the disk says no; the files are then to be made again from the record.
    pub fn take(&mut self, output: &Output) -> Result<(), FolderError> {
        match output {
            Output::Channel(new) => {
                self.readings.channel(new);
                Ok(())
            }
            Output::Moment(moment) => {
                let label = self.times.label(moment.at);
                self.readings.moment(moment, label.as_str())
            }
            Output::Cycle(cycle) => self.cycle(cycle),
            Output::SettledSet(set) => self.set(set),
            Output::Diagnosis(diagnosis) => self.findings.push(diagnosis),
            Output::Event(event) => self.event(event),
            Output::Reading(_) | Output::Refused { .. } => Ok(()),
        }
    }

    /// Brings all that was taken into the files, so that whoever opens them sees it.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn flush(&mut self) -> Result<(), FolderError> {
        self.readings.flush()?;
        if let Some(text) = self.readings.new_metadata() {
            self.metadata("readings.csv", &text)?;
        }
        for table in [&mut self.cycles, &mut self.sets, &mut self.events] {
            table.flush()?;
        }
        self.findings.flush()
    }

    /// Gives the files their names, in place of those that stand there; what is taken later is
    /// appended to them.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn publish(&mut self) -> Result<(), FolderError> {
        self.flush()?;
        if self.published {
            return Ok(());
        }
        let plain = [
            (
                "received.csv",
                "What was received, in order; the record itself",
                &tables::RECEIVED[..],
            ),
            ("cycles.csv", "Runs of the compressor, each with the pause after it", &tables::CYCLES),
            ("sets.csv", "Settled sets: one channel of one set a row", &tables::SETS),
            ("events.csv", "What happened beside the readings", &tables::EVENTS),
        ];
        for (file, title, columns) in plain {
            let columns: Vec<_> = columns
                .iter()
                .map(|(name, datatype, meaning)| {
                    tables::column_metadata(name, datatype, meaning, None)
                })
                .collect();
            self.metadata(file, &tables::metadata(file, title, &columns))?;
        }
        self.readings.rename(self.folder.join("readings.csv"))?;
        self.cycles.rename(self.folder.join("cycles.csv"))?;
        self.sets.rename(self.folder.join("sets.csv"))?;
        self.events.rename(self.folder.join("events.csv"))?;
        self.findings.rename(self.folder.join("findings.json"))?;
        self.published = true;
        sync_dir(&self.folder).map_err(io_error("sync", &self.folder))
    }

    /// The folder has a new name.
    pub fn renamed(&mut self, folder: &Path) {
        folder.clone_into(&mut self.folder);
        self.readings.moved(folder);
        for table in [&mut self.cycles, &mut self.sets, &mut self.events] {
            moved(&mut table.path, folder);
        }
        moved(&mut self.findings.path, folder);
    }

    /// Brings all to the disk under its name. The files are whole.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn finish(mut self) -> Result<(), FolderError> {
        self.flush()?;
        self.readings.sync()?;
        for table in [&mut self.cycles, &mut self.sets, &mut self.events] {
            let sync = table.writer.get_ref().sync_all();
            sync.map_err(io_error("sync", &table.path))?;
        }
        let sync = self.findings.file.sync_all();
        sync.map_err(io_error("sync", &self.findings.path))?;
        self.publish()
    }

    /// Gives up files that have not got their names yet; those that stand there stay as they are.
    pub fn discard(self) {
        let tables = [&self.cycles.path, &self.sets.path, &self.events.path];
        let paths = tables.map(PathBuf::as_path);
        for path in paths.into_iter().chain([&*self.findings.path, self.readings.path()]) {
            if path.extension().is_some_and(|end| end == "new") {
                // A file that stays is written over by the next rebuild.
                drop(fs::remove_file(path));
            }
        }
    }

    fn metadata(&self, file: &str, text: &str) -> Result<(), FolderError> {
        let path = self.folder.join(format!("{file}-metadata.json"));
        // Written anew only where it differs, which spares the disk in a long watch.
        if fs::read(&path).is_ok_and(|old| old == text.as_bytes()) {
            return Ok(());
        }
        replace(&path, text.as_bytes()).map_err(io_error("write", &path))
    }

    fn cycle(&mut self, cycle: &Cycle) -> Result<(), FolderError> {
        let began = cycle.start.or(cycle.stop);
        let night = began.and_then(|at| self.times.is_night(at, &self.settings.zone));
        self.cycles.row(tables::cycle_row(cycle, night).each_ref().map(String::as_str))
    }

    fn set(&mut self, set: &SettledSet) -> Result<(), FolderError> {
        for value in &set.values {
            let row = tables::set_row(set, value, self.settings.units);
            self.sets.row(row.each_ref().map(String::as_str))?;
        }
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<(), FolderError> {
        let label = self.times.label(event.at);
        let elapsed = event.at.as_ms().to_string();
        self.events.row(tables::event_row(event, &elapsed, label.as_str()))
    }
}

fn moved(path: &mut PathBuf, folder: &Path) {
    if let Some(name) = path.file_name() {
        *path = folder.join(name);
    }
}

/// A file with few rows and words in them.
struct Table {
    path: PathBuf,
    writer: Writer<File>,
}

impl Table {
    fn create(path: PathBuf, columns: &[Column]) -> Result<Self, FolderError> {
        let file = File::create(&path).map_err(io_error("write", &path))?;
        let writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(file);
        let mut table = Self { path, writer };
        table.row(columns.iter().map(|(name, ..)| *name))?;
        Ok(table)
    }

    fn row<'a>(&mut self, cells: impl IntoIterator<Item = &'a str>) -> Result<(), FolderError> {
        let written = self.writer.write_record(cells);
        written.map_err(|error| io_error("write", &self.path)(error.into()))
    }

    fn flush(&mut self) -> Result<(), FolderError> {
        self.writer.flush().map_err(io_error("write", &self.path))
    }

    fn rename(&mut self, path: PathBuf) -> Result<(), FolderError> {
        fs::rename(&self.path, &path).map_err(io_error("rename", &self.path))?;
        self.path = path;
        Ok(())
    }
}

/// `findings.json`: one object, whose last bytes are written over with each new element, so that
/// it is whole after every flush and grows without being held in memory.
struct Findings {
    path: PathBuf,
    file: File,
    buffer: Vec<u8>,
    /// Where the next element goes.
    end: u64,
    any: bool,
}

const FINDINGS_HEAD: &[u8] = b"{\"kind\":\"findings\",\"format\":1,\"sets\":[";
const FINDINGS_TAIL: &[u8] = b"\n]}\n";

impl Findings {
    fn create(path: PathBuf) -> Result<Self, FolderError> {
        let file = File::create(&path).map_err(io_error("write", &path))?;
        Ok(Self { path, file, buffer: FINDINGS_HEAD.to_vec(), end: 0, any: false })
    }

    fn push(&mut self, diagnosis: &Diagnosis) -> Result<(), FolderError> {
        self.buffer.extend_from_slice(if self.any { b",\n" } else { b"\n" });
        self.buffer.extend_from_slice(json::diagnosis(diagnosis).to_string().as_bytes());
        self.any = true;
        if self.buffer.len() > 64 * 1024 { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), FolderError> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let end = self.end + self.buffer.len() as u64;
        self.buffer.extend_from_slice(FINDINGS_TAIL);
        let mut write = || -> io::Result<()> {
            self.file.seek(SeekFrom::Start(self.end))?;
            self.file.write_all(&self.buffer)
        };
        write().map_err(io_error("write", &self.path))?;
        self.end = end;
        self.buffer.clear();
        Ok(())
    }

    fn rename(&mut self, path: PathBuf) -> Result<(), FolderError> {
        fs::rename(&self.path, &path).map_err(io_error("rename", &self.path))?;
        self.path = path;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::sync::Arc;

    use super::*;
    use crate::edge::clock::Labels;
    use crate::engine::diagnose::derive::Layout;
    use crate::engine::diagnose::finding::{Fault, Suspect};
    use crate::engine::job::Job;
    use crate::engine::output::{Moment, NewChannel};
    use crate::engine::reading::{ChannelId, Instrument, State};

    fn channel(id: u16, name: &str) -> Output {
        let instrument = Instrument { accuracy: 0.5, resolution: 0.01, time_constant_s: None };
        Output::Channel(Box::new(NewChannel {
            id: ChannelId(id),
            channel: name.parse().unwrap(),
            probe: None,
            field: String::new(),
            instrument,
        }))
    }

    /// A moment, in which `other:a_b` counts as return air.
    fn moment(secs: u64, levels: &[Option<f64>]) -> Output {
        let names = ["supply-air.temperature", "other:none.humidity", "return-air.temperature"];
        let channels = names.map(|name| name.parse().unwrap());
        Output::Moment(Box::new(Moment {
            at: Elapsed::from_secs(secs),
            state: State::Settling,
            levels: levels.to_vec(),
            layout: Arc::new(Layout::new(&Job::default(), &channels)),
        }))
    }

    fn event(secs: u64) -> Output {
        Output::Event(Box::new(Event {
            at: Elapsed::from_secs(secs),
            event: "note".to_owned(),
            subject: String::new(),
            detail: "said \"so\", and left".to_owned(),
        }))
    }

    fn suspicion(set: u32) -> Output {
        let suspect = Suspect {
            fault: Fault::LowCharge,
            with: None,
            circuit: 1,
            probability: 0.5,
            cannot_tell_from: vec![],
            evidence: vec![],
            check_next: vec![],
        };
        Output::Diagnosis(Diagnosis { set, findings: vec![], suspects: vec![suspect] })
    }

    fn cycle(start: u64) -> Output {
        Output::Cycle(Box::new(Cycle {
            number: 1,
            start: Some(Elapsed::from_secs(start)),
            stop: Some(Elapsed::from_secs(start + 400)),
            start_uncertainty_s: None,
            stop_uncertainty_s: None,
            next_start: None,
            complete: false,
            defrost: false,
            settled: false,
            how: "supply-air".to_owned(),
        }))
    }

    fn settings() -> Settings {
        Settings { units: Units::Us, zone: TimeZone::get("America/Chicago").unwrap() }
    }

    fn utc(text: &str) -> Option<Utc> {
        Labels::default().read(text.as_bytes())
    }

    fn files(folder: &Path) -> BTreeMap<String, String> {
        let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
        let text = |path: PathBuf| fs::read_to_string(path).unwrap();
        entries.map(|e| (e.file_name().into_string().unwrap(), text(e.path()))).collect()
    }

    /// The script that all tests write: two channels late, one of them in the order's middle.
    fn script() -> Vec<Output> {
        vec![
            channel(0, "supply-air.temperature"),
            moment(0, &[Some(10.0)]),
            event(0),
            moment(1, &[None]),
            channel(1, "return-air.humidity"),
            channel(2, "other:a_b.temperature"),
            moment(2, &[Some(10.5), Some(0.515), Some(1.0)]),
            suspicion(1),
            channel(3, "other:a-b.temperature"),
            channel(4, "supply-air.temperature"),
            moment(3, &[Some(10.0), None, None, Some(2.0), Some(11.0)]),
            suspicion(2),
            cycle(0),
        ]
    }

    fn write(folder: &Path, flush_at: &[usize], publish_at: usize) -> BTreeMap<String, String> {
        let mut derived = DerivedFiles::create(folder, settings()).unwrap();
        derived.label(Elapsed::ZERO, utc("2031-06-05T02:59:59.000Z"));
        for (at, output) in script().iter().enumerate() {
            if flush_at.contains(&at) {
                derived.flush().unwrap();
            }
            if at == publish_at {
                derived.publish().unwrap();
            }
            derived.take(output).unwrap();
        }
        derived.finish().unwrap();
        files(folder)
    }

    #[test]
    fn columns_that_come_late_are_filled_up_with_empty_cells() {
        let temp = tempfile::tempdir().unwrap();
        let files = write(temp.path(), &[], 99);
        assert_eq!(
            files["readings.csv"],
            "elapsed_ms,time_utc,state,return_air_humidity_percent,supply_air_temperature_f,\
             other_a_b_temperature_f,other_a_b_temperature_f_,evaporator_split_delta_f\r\n\
             0,2031-06-05T02:59:59.000Z,settling,,50.00,,,\r\n\
             1000,2031-06-05T03:00:00.000Z,settling,,,,,\r\n\
             2000,2031-06-05T03:00:01.000Z,settling,51.5,50.90,,33.80,-17.10\r\n\
             3000,2031-06-05T03:00:02.000Z,settling,,50.90,35.60,,\r\n"
        );
        assert_eq!(
            files["events.csv"],
            "elapsed_ms,time_utc,event,subject,detail\r\n\
             0,2031-06-05T02:59:59.000Z,note,,\"said \"\"so\"\", and left\"\r\n"
        );
        // 02:59:59 UTC is 21:59:59 in Chicago in summer: not yet night.
        assert!(files["cycles.csv"].ends_with(",false,false,false,,false,supply-air\r\n"));
        let findings: serde_json::Value = serde_json::from_str(&files["findings.json"]).unwrap();
        assert_eq!(findings["sets"][1]["set"], 2);
        let about: serde_json::Value =
            serde_json::from_str(&files["readings.csv-metadata.json"]).unwrap();
        let columns = about["tableSchema"]["columns"].as_array().unwrap();
        let names: Vec<&str> = columns.iter().map(|c| c["name"].as_str().unwrap()).collect();
        assert!(files["readings.csv"].starts_with(&(names.join(",") + "\r\n")));
        assert_eq!(columns[3]["schema:unitText"], "percent");
        assert_eq!(files.len(), 10, "{:?}", files.keys());
    }

    #[test]
    fn the_files_do_not_depend_on_when_they_are_flushed_or_named() {
        let temp = tempfile::tempdir().unwrap();
        let expected = write(temp.path(), &[], 99);
        for at in 0..script().len() {
            let temp = tempfile::tempdir().unwrap();
            let first = write(temp.path(), &[at, at + 2], at + 1);
            // A second time over what stands there.
            let second = write(temp.path(), &[0], 0);
            for (name, text) in &expected {
                assert_eq!(&first[name], text, "{name}, flushed before {at}");
                assert_eq!(&second[name], text, "{name}, written twice");
            }
            assert_eq!(first.len(), expected.len());
        }
    }

    #[test]
    fn what_is_flushed_is_whole_and_what_stands_is_not_touched_before_it_is_replaced() {
        let temp = tempfile::tempdir().unwrap();
        write(temp.path(), &[], 99);
        let before = files(temp.path());
        let mut derived = DerivedFiles::create(temp.path(), settings()).unwrap();
        derived.take(&suspicion(7)).unwrap();
        derived.flush().unwrap();
        let after = files(temp.path());
        assert_eq!(after["readings.csv"], before["readings.csv"]);
        assert_eq!(after["findings.json"], before["findings.json"]);
        derived.publish().unwrap();
        let parse = || -> serde_json::Value {
            serde_json::from_str(&files(temp.path())["findings.json"]).unwrap()
        };
        assert_eq!(parse()["sets"][0]["set"], 7);
        derived.take(&suspicion(8)).unwrap();
        derived.flush().unwrap();
        assert_eq!(parse()["sets"].as_array().unwrap().len(), 2);
    }
}
