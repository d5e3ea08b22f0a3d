//! Reads a record back, row by row, in bounded memory.

mod ahead;
mod reader;

use std::io::{self, Read};
use std::path::PathBuf;

use crate::edge::clock::Utc;
use crate::edge::folder::FolderError;
use crate::engine::decode::Decoded;
use crate::engine::input::Input;
use crate::engine::profile::Profiles;
use crate::engine::record::{COLUMNS, HEADER, ReadRow, RowError};
use crate::units::time::Elapsed;
use ahead::Ahead;
use reader::{Batch, Reader};

/// Longest line that is read (bytes). A note of a page is some 10 kB in hexadecimal.
const LINE_MAX: usize = 256 * 1024;

/// Why a part of a record cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum RowsError {
    /// It holds no row.
    #[error("nothing was recorded in it; there is nothing to replay")]
    Empty,
    /// It is some other file.
    #[error("it does not begin with the columns {HEADER}; use `settled import` for other logs")]
    Header,
    /// A line has no end.
    #[error("line {0} is longer than {LINE_MAX} bytes; this is no record")]
    LineTooLong(u64),
    /// The disk said no.
    #[error("it cannot be read")]
    Io(#[from] io::Error),
}

/// One row of a record.
#[derive(Debug, PartialEq)]
pub struct Row<'a> {
    /// When, in engine time.
    pub at: Elapsed,
    /// Its label, where it has one.
    pub label: Option<Utc>,
    /// What happened.
    pub input: Input<'a>,
    /// What a payload says, where it was decoded ahead.
    pub decoded: Option<Decoded<'a>>,
}

/// A row that could not be read and was passed over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// The part, from 0.
    pub part: usize,
    /// The line within the part, from 1.
    pub line: u64,
    /// Why; `None` for a last line that was torn.
    pub why: Option<RowError>,
}

/// The rows of a record, through all of its parts.
pub struct Rows {
    source: Source,
    batch: Batch,
    count: u64,
}

enum Source {
    Here(Reader),
    Ahead(Ahead),
    /// Between the two.
    None,
}

impl Rows {
    /// The rows of these parts, in order.
    ///
    /// # Errors
    /// Where the first cannot be read, or there is no row in any.
    pub fn of_parts(parts: Vec<PathBuf>) -> Result<Self, FolderError> {
        Ok(Self::of(Reader::of_parts(parts)?))
    }

    /// The rows of one stream, such as standard input, header included.
    ///
    /// # Errors
    /// Where it cannot be read or is no record.
    pub fn of_stream(stream: Box<dyn Read + Send>, name: &str) -> Result<Self, FolderError> {
        Ok(Self::of(Reader::of_stream(stream, name)?))
    }

    fn of(reader: Reader) -> Self {
        Self { source: Source::Here(reader), batch: Batch::default(), count: 0 }
    }

    /// The same rows, read by a thread of their own while those before are dealt with, and their
    /// payloads decoded by `profiles`.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn read_ahead(&mut self, profiles: Profiles) -> io::Result<()> {
        self.source = match std::mem::replace(&mut self.source, Source::None) {
            Source::Here(reader) => Source::Ahead(Ahead::begin(reader, profiles)?),
            other => other,
        };
        Ok(())
    }

    /// The next row; `None` after the last. What cannot be understood is passed over and counted.
    ///
    /// # Errors
    /// Where a part cannot be read any further.
    pub fn next_row(&mut self) -> Result<Option<Row<'_>>, FolderError> {
        while self.batch.is_spent() {
            if let Some(ended) = &mut self.batch.ended {
                return std::mem::replace(ended, Ok(())).map(|()| None);
            }
            match &mut self.source {
                Source::Here(reader) => reader.fill(&mut self.batch),
                Source::Ahead(ahead) => ahead.fill(&mut self.batch),
                Source::None => return Ok(None),
            }
        }
        self.count += 1;
        Ok(self.batch.next_row())
    }

    /// How many rows were read so far.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// How many rows were passed over, and the first few of them.
    pub fn skipped(&self) -> (u64, &[Skipped]) {
        self.batch.skipped()
    }
}

/// A row that was found good, apart from its text.
#[derive(Debug, Clone, Copy)]
struct Found {
    read: ReadRow,
    label: Option<Utc>,
    /// Where the commas of its line stand.
    commas: [u32; COLUMNS - 1],
}

impl Found {
    /// The row, of the line that it was read with and its bytes.
    fn row<'a>(&self, line: &'a [u8], bytes: &'a [u8]) -> Row<'a> {
        let cells = cells(line, &self.commas);
        let input = self.read.input(&cells, bytes).expect("it was read with these");
        Row { at: self.read.at, label: self.label, input, decoded: None }
    }
}

/// The cells of a line between its commas.
fn cells<'a>(line: &'a [u8], commas: &[u32; COLUMNS - 1]) -> [&'a [u8]; COLUMNS] {
    let mut cells: [&[u8]; COLUMNS] = [&[]; COLUMNS];
    let mut from = 0;
    for (cell, comma) in cells.iter_mut().zip(commas) {
        let comma = *comma as usize;
        *cell = &line[from..comma];
        from = comma + 1;
    }
    cells[COLUMNS - 1] = &line[from..];
    cells
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn of(text: &str) -> Result<Rows, FolderError> {
        Rows::of_stream(Box::new(Cursor::new(text.as_bytes().to_vec())), "test")
    }

    /// The notes in `rows`, and what was passed over.
    fn notes(mut rows: Rows) -> (Vec<String>, Vec<Skipped>) {
        let mut notes = Vec::new();
        while let Some(row) = rows.next_row().unwrap() {
            let Input::Note(words) = row.input else { panic!("{row:?}") };
            notes.push(format!("{} {words}", row.at.as_ms()));
        }
        (notes, rows.skipped().1.to_vec())
    }

    #[test]
    fn what_cannot_be_understood_is_passed_over_and_counted() {
        let rows = format!(
            "{HEADER}\r\n1,,,note,note,41,\r\nrubbish\r\n2,,\",note,note,42,\r\n\
             3,,,note,note,4,\r\n\0\0\0\r\n4,,,note,note,43,\n5,,,note,note,44,"
        );
        let (notes, skipped) = notes(of(&rows).unwrap());
        assert_eq!(notes, ["1 A", "2 B", "4 C"]);
        let lines: Vec<u64> = skipped.iter().map(|skip| skip.line).collect();
        assert_eq!(lines, [3, 5, 6, 8]);
        assert_eq!(skipped[0].why, Some(RowError::Columns));
        assert_eq!(skipped[1].why, Some(RowError::Cell("bytes_hex")));
        assert_eq!(skipped[3].why, None, "the last line is torn");
    }

    #[test]
    fn labels_are_read_and_wrong_ones_are_none() {
        let rows = format!(
            "{HEADER}\r\n1,2031-06-04T19:05:12.345Z,,note,note,,\r\n2,yesterday,,note,note,,\r\n"
        );
        let mut rows = of(&rows).unwrap();
        let first = rows.next_row().unwrap().unwrap().label;
        assert_eq!(first.map(Utc::as_ms), Some(1_938_366_312_345));
        assert_eq!(rows.next_row().unwrap().unwrap().label, None);
    }

    #[test]
    fn a_line_without_end_is_refused_before_it_fills_the_memory() {
        struct Endless;
        impl Read for Endless {
            fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
                buffer.fill(b'7');
                Ok(buffer.len())
            }
        }
        let header = Cursor::new(format!("{HEADER}\r\n").into_bytes());
        let mut rows = Rows::of_stream(Box::new(header.chain(Endless)), "test").unwrap();
        let error = rows.next_row().unwrap_err().to_string();
        assert!(error.contains("longer than"), "{error}");
    }

    #[test]
    fn parts_follow_one_another_whatever_a_crash_left_of_them() {
        let temp = tempfile::tempdir().unwrap();
        let texts = [
            format!("{HEADER}\r\n1,,,note,note,41,\r\n2,,,not"),
            String::new(),
            HEADER[..5].to_owned(),
            format!("{HEADER}\r\n"),
            format!("{HEADER}\r\n3,,,note,note,42,\r\n"),
        ];
        let parts: Vec<PathBuf> =
            (0..texts.len()).map(|n| temp.path().join(n.to_string())).collect();
        for (path, text) in parts.iter().zip(&texts) {
            std::fs::write(path, text).unwrap();
        }
        let (notes, skipped) = notes(Rows::of_parts(parts).unwrap());
        assert_eq!(notes, ["1 A", "3 B"]);
        assert_eq!(skipped, [Skipped { part: 0, line: 3, why: None }]);
    }
}
