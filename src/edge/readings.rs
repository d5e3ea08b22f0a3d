//! Writes `readings.csv`, whose columns become known only while it is written.
//!
//! Columns stand in the order of the channels (position, circuit, kind), then of the derived
//! measures. A channel has a column once it is known, a derived measure once it had a value. When
//! one comes late the file is written anew with it, as a stream, and takes the old one's place; so
//! the finished file does not depend on when each came.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};

use csv::{ByteRecord, ReaderBuilder};

use crate::edge::folder::{FolderError, io_error};
use crate::engine::channel::Channel;
use crate::engine::columns::{Shown, Units, column, derived_column};
use crate::engine::output::{Derived, Moment, NewChannel};
use crate::engine::record::{LINE_END, push_u64};
use crate::engine::tables;

/// How much is gathered before it is written (bytes).
const BUFFER: usize = 64 * 1024;

/// `readings.csv` while it is written.
pub struct Readings {
    path: PathBuf,
    file: File,
    buffer: Vec<u8>,
    units: Units,
    /// All channels, each with the numbers under which its levels come.
    channels: BTreeMap<Channel, Vec<usize>>,
    had_value: [bool; Derived::ALL.len()],
    columns: Vec<Column>,
    /// Whether there is more to show than there are columns.
    stale: bool,
    /// Whether the columns have changed since the metadata were asked for.
    metadata_stale: bool,
    rows: u64,
}

struct Column {
    /// The channel or the measure, in words; what tells one column from another.
    what: String,
    name: String,
    shown: Shown,
    from: From,
}

/// What a column shows.
enum From {
    /// The level of one channel, by its number.
    One(usize),
    /// The mean of several that stand for one place.
    Mean(Vec<usize>),
    /// A derived measure, by its place in [`Derived::ALL`].
    Derived(usize),
}

impl Readings {
    /// Begins the file at `path`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(path: PathBuf, units: Units) -> Result<Self, FolderError> {
        let file = File::create(&path).map_err(io_error("write", &path))?;
        Ok(Self {
            path,
            file,
            buffer: Vec::with_capacity(BUFFER + 4096),
            units,
            channels: BTreeMap::new(),
            had_value: [false; Derived::ALL.len()],
            columns: Vec::new(),
            stale: true,
            metadata_stale: true,
            rows: 0,
        })
    }

    /// A channel is known.
    pub fn channel(&mut self, new: &NewChannel) {
        self.channels.entry(new.channel.clone()).or_default().push(usize::from(new.id.0));
        self.stale = true;
    }

    /// Writes a row.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn moment(&mut self, moment: &Moment, label: &str) -> Result<(), FolderError> {
        let derived = moment.derived();
        for (had, value) in self.had_value.iter_mut().zip(&derived) {
            if value.is_some() && !*had {
                *had = true;
                self.stale = true;
            }
        }
        self.settle()?;
        let out = &mut self.buffer;
        push_u64(out, moment.at.as_ms());
        out.push(b',');
        out.extend_from_slice(label.as_bytes());
        out.push(b',');
        out.extend_from_slice(moment.state.word().as_bytes());
        for column in &self.columns {
            out.push(b',');
            if let Some(value) = column.from.value(&moment.levels, &derived) {
                column.shown.push(out, value);
            }
        }
        out.extend_from_slice(LINE_END.as_bytes());
        self.rows += 1;
        if self.buffer.len() >= BUFFER { self.write() } else { Ok(()) }
    }

    /// Brings all rows into the file.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn flush(&mut self) -> Result<(), FolderError> {
        self.settle()?;
        self.write()
    }

    /// Brings the file to the disk.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn sync(&self) -> Result<(), FolderError> {
        self.file.sync_all().map_err(io_error("sync", &self.path))
    }

    /// Where it is written.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Gives the file another name; writing goes on.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn rename(&mut self, path: PathBuf) -> Result<(), FolderError> {
        fs::rename(&self.path, &path).map_err(io_error("rename", &self.path))?;
        self.path = path;
        Ok(())
    }

    /// The folder has a new name.
    pub fn moved(&mut self, folder: &Path) {
        if let Some(name) = self.path.file_name() {
            self.path = folder.join(name);
        }
    }

    /// The metadata of the file, where its columns have changed since they were last asked for.
    pub fn new_metadata(&mut self) -> Option<String> {
        std::mem::take(&mut self.metadata_stale).then(|| self.metadata())
    }

    /// Makes the file's columns those that are known.
    fn settle(&mut self) -> Result<(), FolderError> {
        if !self.stale {
            return Ok(());
        }
        self.stale = false;
        self.metadata_stale = true;
        let before: Vec<String> = self.columns.iter().map(|column| column.what.clone()).collect();
        self.columns = self.known();
        let header = self.header();
        if self.rows == 0 {
            // Nothing but a header stands there yet.
            self.buffer.clear();
            self.buffer.extend_from_slice(&header);
            self.file = File::create(&self.path).map_err(io_error("write", &self.path))?;
        } else if before.len() != self.columns.len() {
            self.write()?;
            self.widen(&before, &header).map_err(io_error("write", &self.path))?;
        }
        Ok(())
    }

    fn write(&mut self) -> Result<(), FolderError> {
        self.file.write_all(&self.buffer).map_err(io_error("write", &self.path))?;
        self.buffer.clear();
        Ok(())
    }

    fn metadata(&self) -> String {
        let fixed = tables::READINGS.iter().map(|(name, datatype, meaning)| {
            tables::column_metadata(name, datatype, meaning, None)
        });
        let own = self.columns.iter().map(|column| {
            let meaning = match &column.from {
                From::Derived(_) => column.what.clone(),
                From::Mean(_) => format!("{}, smoothed; mean of several probes", column.what),
                From::One(_) => format!("{}, smoothed", column.what),
            };
            let unit = Some(column.shown.unit);
            tables::column_metadata(&column.name, "decimal", &meaning, unit)
        });
        let columns: Vec<_> = fixed.chain(own).collect();
        let title = "What is known at each moment; an absent value is an empty cell";
        tables::metadata("readings.csv", title, &columns)
    }

    /// The columns that are to be shown by now.
    fn known(&self) -> Vec<Column> {
        let mut columns: Vec<Column> = Vec::new();
        for (channel, ids) in &self.channels {
            let mut name = column(channel, self.units);
            // Two names of a technician's can differ in a mark that columns do not have.
            while columns.iter().any(|other| other.name == name) {
                name.push('_');
            }
            let from = match ids[..] {
                [id] => From::One(id),
                _ => From::Mean(ids.clone()),
            };
            let shown = Shown::of(channel.kind, self.units);
            columns.push(Column { what: channel.to_string(), name, shown, from });
        }
        for (at, measure) in Derived::ALL.into_iter().enumerate() {
            if self.had_value[at] {
                let name = derived_column(measure, self.units);
                let shown = Shown::derived(measure, self.units);
                let what = measure.word().replace('_', " ");
                columns.push(Column { what, name, shown, from: From::Derived(at) });
            }
        }
        columns
    }

    fn header(&self) -> Vec<u8> {
        let fixed = tables::READINGS.iter().map(|(name, ..)| *name);
        let names = fixed.chain(self.columns.iter().map(|column| column.name.as_str()));
        let mut line = names.collect::<Vec<_>>().join(",");
        line.push_str(LINE_END);
        line.into_bytes()
    }

    /// Writes the file anew with the present columns, of which those in `before` stand there.
    fn widen(&mut self, before: &[String], header: &[u8]) -> io::Result<()> {
        let fixed = tables::READINGS.len();
        let places: Vec<Option<usize>> = (0..fixed)
            .map(Some)
            .chain(self.columns.iter().map(|column| {
                before.iter().position(|what| *what == column.what).map(|at| at + fixed)
            }))
            .collect();
        let wider = self.path.with_added_extension("wider");
        let mut file = File::create(&wider)?;
        let old = BufReader::new(File::open(&self.path)?);
        let mut reader = ReaderBuilder::new().has_headers(true).quoting(false).from_reader(old);
        let mut record = ByteRecord::new();
        let mut out = header.to_vec();
        while reader.read_byte_record(&mut record)? {
            for (number, place) in places.iter().enumerate() {
                if number > 0 {
                    out.push(b',');
                }
                out.extend_from_slice(place.and_then(|at| record.get(at)).unwrap_or_default());
            }
            out.extend_from_slice(LINE_END.as_bytes());
            if out.len() >= BUFFER {
                file.write_all(&out)?;
                out.clear();
            }
        }
        file.write_all(&out)?;
        fs::rename(&wider, &self.path)?;
        self.file = OpenOptions::new().append(true).open(&self.path)?;
        Ok(())
    }
}

impl From {
    fn value(&self, levels: &[Option<f64>], derived: &[Option<f64>]) -> Option<f64> {
        let level = |id: &usize| levels.get(*id).copied().flatten();
        match self {
            Self::One(id) => level(id),
            Self::Derived(at) => derived[*at],
            Self::Mean(ids) => {
                let (sum, count) = ids
                    .iter()
                    .filter_map(level)
                    .fold((0.0, 0_u32), |(sum, count), value| (sum + value, count + 1));
                (count > 0).then(|| sum / f64::from(count))
            }
        }
    }
}
