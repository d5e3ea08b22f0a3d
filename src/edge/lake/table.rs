//! Writes one table of one session as a Parquet file, in bounded memory.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::builder::{
    ArrayBuilder, BooleanBuilder, Float64Builder, Int32Builder, Int64Builder, StringBuilder,
    TimestampMillisecondBuilder,
};
use arrow_array::{ArrayRef, RecordBatch};
use arrow_schema::{ArrowError, DataType, Field, Schema, TimeUnit};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::{KeyValue, SortingColumn};
use parquet::file::properties::WriterProperties;
use parquet::schema::types::ColumnPath;
use sha2::{Digest, Sha256};

use crate::edge::folder::{FolderError, io_error};
use crate::edge::lake::layout::Identity;
use crate::engine::lake::{Cell, Column, FORMAT, Kind, Table};

/// Rows of a row group: engines read row groups side by side, pass over those whose statistics
/// do not fit, and like some 100,000 rows; what is not yet one lies in memory.
pub const ROW_GROUP_ROWS: usize = 122_880;

/// Rows of a page, below which nothing is passed over.
const PAGE_ROWS: usize = 10_240;

/// Rows that are gathered before they are encoded.
const BATCH_ROWS: usize = 8_192;

/// How hard zstd tries. More makes readings a few percent smaller and several times slower.
const ZSTD_LEVEL: i32 = 3;

/// Why a table could not be written.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The disk said no.
    #[error(transparent)]
    Disk(#[from] FolderError),
    /// The library said no, which it does where the disk did.
    #[error("cannot write {path}")]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        source: ParquetError,
    },
}

/// A file that is whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The table's name.
    pub table: &'static str,
    /// Where it is.
    pub path: PathBuf,
    /// Its SHA-256, in hexadecimal digits.
    pub sha256: String,
    /// Its rows.
    pub rows: u64,
}

/// A table's file while it is written.
pub struct TableFile {
    path: PathBuf,
    table: Table,
    session: String,
    schema: Arc<Schema>,
    builders: Vec<Builder>,
    gathered: usize,
    rows: u64,
    writer: ArrowWriter<Hashed>,
}

impl TableFile {
    /// Begins the file of `table` for one session, in `folder`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(folder: &Path, table: Table, session: &Identity) -> Result<Self, TableError> {
        let path = folder.join(format!("{}.parquet", table.name));
        let file = File::create(&path).map_err(io_error("write", &path))?;
        let schema =
            Arc::new(Schema::new(columns(&table).map(|column| field(&column)).collect::<Vec<_>>()));
        let hashed = Hashed { file: BufWriter::new(file), hash: Sha256::new() };
        let writer = ArrowWriter::try_new(hashed, Arc::clone(&schema), Some(properties(&table)))
            .map_err(|source| TableError::Write { path: path.clone(), source })?;
        let builders = columns(&table).map(|column| Builder::new(column.kind)).collect();
        let session = session.as_str().to_owned();
        Ok(Self { path, table, session, schema, builders, gathered: 0, rows: 0, writer })
    }

    /// Appends a row: a cell for each column after `session`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), TableError> {
        let session = Cell::from(self.session.as_str());
        for (builder, cell) in self.builders.iter_mut().zip([&session].into_iter().chain(cells)) {
            builder.push(cell);
        }
        self.rows += 1;
        self.gathered += 1;
        if self.gathered == BATCH_ROWS { self.encode() } else { Ok(()) }
    }

    /// Ends the row group: what comes later is sorted anew.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn end_group(&mut self) -> Result<(), TableError> {
        self.encode()?;
        self.writer.flush().map_err(cannot(&self.path))
    }

    /// Ends the file, with these words about it in its footer.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn finish(mut self, words: Option<(&str, String)>) -> Result<Written, TableError> {
        self.encode()?;
        if let Some((key, value)) = words {
            self.writer.append_key_value_metadata(KeyValue::new(key.to_owned(), value));
        }
        let cannot_write = cannot(&self.path);
        let mut hashed = self.writer.into_inner().map_err(cannot_write)?;
        hashed.flush().map_err(io_error("write", &self.path))?;
        let sha256 = hex::encode(hashed.hash.finalize());
        Ok(Written { table: self.table.name, path: self.path, sha256, rows: self.rows })
    }

    fn encode(&mut self) -> Result<(), TableError> {
        if self.gathered == 0 {
            return Ok(());
        }
        self.gathered = 0;
        let arrays = self.builders.iter_mut().map(Builder::finish).collect();
        let batch = RecordBatch::try_new(Arc::clone(&self.schema), arrays)
            .map_err(|error: ArrowError| cannot(&self.path)(error.into()))?;
        self.writer.write(&batch).map_err(cannot(&self.path))
    }
}

fn cannot(path: &Path) -> impl FnOnce(ParquetError) -> TableError {
    let path = path.to_owned();
    move |source| TableError::Write { path, source }
}

/// The table's columns in the file.
fn columns(table: &Table) -> impl Iterator<Item = Column> {
    let session = Column { name: "session", kind: Kind::Text, required: true, unit: None };
    [session].into_iter().chain(table.columns.iter().copied())
}

fn field(column: &Column) -> Field {
    let kind = match column.kind {
        Kind::Text => DataType::Utf8,
        Kind::Flag => DataType::Boolean,
        Kind::Count => DataType::Int32,
        Kind::Whole => DataType::Int64,
        Kind::Number => DataType::Float64,
        Kind::Utc => DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into())),
    };
    let field = Field::new(column.name, kind, !column.required);
    match column.unit {
        Some(unit) => field.with_metadata([("unit", unit)]),
        None => field,
    }
}

fn properties(table: &Table) -> WriterProperties {
    let key_values = [("settled.lake", FORMAT.to_string()), ("settled.table", table.name.into())];
    let place = |name: &&str| columns(table).position(|column| column.name == *name);
    let sorted = [0].into_iter().chain(table.sorted_by.iter().filter_map(place));
    let sorted = sorted.map(|place| SortingColumn {
        column_idx: place as i32,
        descending: false,
        nulls_first: false,
    });
    let level = ZstdLevel::try_new(ZSTD_LEVEL).unwrap_or_default();
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(level))
        .set_max_row_group_row_count(Some(ROW_GROUP_ROWS))
        .set_data_page_row_count_limit(PAGE_ROWS)
        .set_sorting_columns(Some(sorted.collect()))
        .set_key_value_metadata(Some(
            key_values.map(|(key, value)| KeyValue::new(key.to_owned(), value)).to_vec(),
        ));
    // Measured values hardly repeat, and times go up in even steps.
    for column in columns(table) {
        let path = ColumnPath::from(column.name);
        if matches!(column.kind, Kind::Number | Kind::Whole | Kind::Utc) {
            properties = properties.set_column_dictionary_enabled(path.clone(), false);
        }
        if matches!(column.kind, Kind::Whole | Kind::Utc) {
            properties = properties.set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
        }
    }
    properties.build()
}

/// The cells of one column, gathered.
enum Builder {
    Text(StringBuilder),
    Flag(BooleanBuilder),
    Count(Int32Builder),
    Whole(Int64Builder),
    Number(Float64Builder),
    Utc(TimestampMillisecondBuilder),
}

impl Builder {
    fn new(kind: Kind) -> Self {
        match kind {
            Kind::Text => Self::Text(StringBuilder::new()),
            Kind::Flag => Self::Flag(BooleanBuilder::new()),
            Kind::Count => Self::Count(Int32Builder::new()),
            Kind::Whole => Self::Whole(Int64Builder::new()),
            Kind::Number => Self::Number(Float64Builder::new()),
            Kind::Utc => Self::Utc(TimestampMillisecondBuilder::new().with_timezone("UTC")),
        }
    }

    /// Appends a cell.
    ///
    /// # Panics
    /// Where it is of another kind than the column, which only a fault of ours can bring about.
    fn push(&mut self, cell: &Cell<'_>) {
        match (self, cell) {
            (Self::Text(cells), Cell::Text(text)) => cells.append_value(text),
            (Self::Flag(cells), Cell::Flag(flag)) => cells.append_value(*flag),
            (Self::Count(cells), Cell::Whole(number)) => {
                // Numbers of runs, sets and circuits are far below.
                cells.append_value(i32::try_from(*number).unwrap_or(i32::MAX));
            }
            (Self::Whole(cells), Cell::Whole(number)) => cells.append_value(*number),
            (Self::Number(cells), Cell::Number(number)) => cells.append_value(*number),
            (Self::Utc(cells), Cell::Utc(utc_ms)) => cells.append_value(*utc_ms),
            (Self::Text(cells), Cell::Absent) => cells.append_null(),
            (Self::Flag(cells), Cell::Absent) => cells.append_null(),
            (Self::Count(cells), Cell::Absent) => cells.append_null(),
            (Self::Whole(cells), Cell::Absent) => cells.append_null(),
            (Self::Number(cells), Cell::Absent) => cells.append_null(),
            (Self::Utc(cells), Cell::Absent) => cells.append_null(),
            (_, cell) => panic!("{cell:?} is of another kind than its column"),
        }
    }

    fn finish(&mut self) -> ArrayRef {
        let builder: &mut dyn ArrayBuilder = match self {
            Self::Text(cells) => cells,
            Self::Flag(cells) => cells,
            Self::Count(cells) => cells,
            Self::Whole(cells) => cells,
            Self::Number(cells) => cells,
            Self::Utc(cells) => cells,
        };
        builder.finish()
    }
}

/// A file that is hashed while it is written.
struct Hashed {
    file: BufWriter<File>,
    hash: Sha256,
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
