//! Reads a record back, row by row, in bounded memory.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::PathBuf;
use std::vec::IntoIter;

use memchr::memchr_iter;

use crate::edge::clock::{Labels, Utc};
use crate::edge::folder::FolderError;
use crate::engine::input::Input;
use crate::engine::record::{COLUMNS, HEADER, RowError, read_row};
use crate::units::time::Elapsed;

/// Longest line that is read (bytes). A note of a page is some 10 kB in hexadecimal.
const LINE_MAX: u64 = 256 * 1024;

/// How many skipped rows are remembered one by one; all are counted.
const SKIPPED_KEPT: usize = 20;

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
    parts: IntoIter<PathBuf>,
    part: usize,
    path: PathBuf,
    lines: Lines,
    scratch: Vec<u8>,
    labels: Labels,
    count: u64,
    skipped: Vec<Skipped>,
    skipped_count: u64,
}

impl Rows {
    /// The rows of these parts, in order.
    ///
    /// # Errors
    /// Where the first cannot be read, or there is no row in any.
    pub fn of_parts(parts: Vec<PathBuf>) -> Result<Self, FolderError> {
        let rows = |path: &PathBuf, source| FolderError::Rows { path: path.clone(), source };
        let first = parts.first().cloned().unwrap_or_default();
        let header = HEADER.len() as u64 + 2;
        let mut any = false;
        for path in &parts {
            let len = path.metadata().map_err(|error| rows(path, error.into()))?.len();
            any |= len > header;
        }
        if !any {
            return Err(rows(&first, RowsError::Empty));
        }
        let mut parts = parts.into_iter();
        let path = parts.next().unwrap_or_default();
        let lines = open(&path).map_err(|source| rows(&path, source))?;
        Ok(Self::new(parts, path, lines))
    }

    /// The rows of one stream, such as standard input, header included.
    ///
    /// # Errors
    /// Where it cannot be read or is no record.
    pub fn of_stream(stream: Box<dyn Read + Send>, name: &str) -> Result<Self, FolderError> {
        let path = PathBuf::from(name);
        let lines =
            begin(stream).map_err(|source| FolderError::Rows { path: path.clone(), source })?;
        Ok(Self::new(Vec::new().into_iter(), path, lines))
    }

    fn new(parts: IntoIter<PathBuf>, path: PathBuf, lines: Lines) -> Self {
        Self {
            parts,
            part: 0,
            path,
            lines,
            scratch: Vec::new(),
            labels: Labels::default(),
            count: 0,
            skipped: Vec::new(),
            skipped_count: 0,
        }
    }

    /// The next row; `None` after the last. What cannot be understood is passed over and counted.
    ///
    /// # Errors
    /// Where a part cannot be read any further.
    pub fn next_row(&mut self) -> Result<Option<Row<'_>>, FolderError> {
        // A borrow that is returned from a loop would be taken to last through all of its turns: a
        // good row is found first, and what it says is borrowed after.
        let read = loop {
            if !self.advance()? {
                return Ok(None);
            }
            match self.lines.cells().and_then(|cells| read_row(&cells, &mut self.scratch)) {
                Ok(row) => break row,
                Err(why) => self.skip(Some(why)),
            }
        };
        self.count += 1;
        let cells = self.lines.cells().expect("they were just read");
        let label = self.labels.read(cells[1]);
        let input = read.input(&cells, &self.scratch).expect("it was just read");
        Ok(Some(Row { at: read.at, label, input }))
    }

    /// How many rows were read so far.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// How many rows were passed over, and the first few of them.
    pub fn skipped(&self) -> (u64, &[Skipped]) {
        (self.skipped_count, &self.skipped)
    }

    /// Goes to the next whole line of any part.
    fn advance(&mut self) -> Result<bool, FolderError> {
        loop {
            let line = self.lines.advance();
            match line.map_err(|source| FolderError::Rows { path: self.path.clone(), source })? {
                Line::Whole => return Ok(true),
                Line::Torn => self.skip(None),
                Line::None => {}
            }
            let Some(path) = self.parts.next() else { return Ok(false) };
            self.part += 1;
            match open(&path) {
                Ok(lines) => self.lines = lines,
                // A part that was begun and got no row, or half a header.
                Err(RowsError::Empty) => continue,
                Err(source) => return Err(FolderError::Rows { path, source }),
            }
            self.path = path;
        }
    }

    fn skip(&mut self, why: Option<RowError>) {
        self.skipped_count += 1;
        if self.skipped.len() < SKIPPED_KEPT {
            self.skipped.push(Skipped { part: self.part, line: self.lines.number, why });
        }
    }
}

fn open(path: &PathBuf) -> Result<Lines, RowsError> {
    begin(Box::new(File::open(path)?))
}

/// The lines of a part whose header has been read.
fn begin(stream: Box<dyn Read + Send>) -> Result<Lines, RowsError> {
    let inner = BufReader::with_capacity(64 * 1024, stream);
    let mut lines = Lines { inner, line: Vec::new(), number: 0 };
    let line = lines.advance().map_err(|error| match error {
        RowsError::LineTooLong(_) => RowsError::Header,
        other => other,
    })?;
    match line {
        Line::None => Err(RowsError::Empty),
        Line::Torn if HEADER.as_bytes().starts_with(lines.line.trim_ascii_end()) => {
            Err(RowsError::Empty)
        }
        _ if lines.line == HEADER.as_bytes() => Ok(lines),
        _ => Err(RowsError::Header),
    }
}

/// The lines of a part, one at a time. They hold no quotes, so a comma parts cells and a line feed
/// rows, whatever a damaged part claims.
struct Lines {
    inner: BufReader<Box<dyn Read + Send>>,
    /// The present line without its end.
    line: Vec<u8>,
    /// Its number, from 1.
    number: u64,
}

/// What stands at a place in a part.
enum Line {
    /// A line with its end.
    Whole,
    /// A last line without one.
    Torn,
    /// Nothing.
    None,
}

impl Lines {
    /// Goes to the next line that is not empty.
    fn advance(&mut self) -> Result<Line, RowsError> {
        loop {
            self.line.clear();
            let mut bounded = self.inner.by_ref().take(LINE_MAX);
            if bounded.read_until(b'\n', &mut self.line)? == 0 {
                return Ok(Line::None);
            }
            if self.line.pop_if(|byte| *byte == b'\n').is_none() {
                let full = self.line.len() as u64 == LINE_MAX;
                self.number += 1;
                return if full { Err(RowsError::LineTooLong(self.number)) } else { Ok(Line::Torn) };
            }
            self.number += 1;
            self.line.pop_if(|byte| *byte == b'\r');
            if !self.line.is_empty() {
                return Ok(Line::Whole);
            }
        }
    }

    /// The cells of the present line.
    fn cells(&self) -> Result<[&[u8]; COLUMNS], RowError> {
        let mut cells: [&[u8]; COLUMNS] = [&[]; COLUMNS];
        let mut from = 0;
        let mut commas = memchr_iter(b',', &self.line);
        for cell in &mut cells[..COLUMNS - 1] {
            let comma = commas.next().ok_or(RowError::Columns)?;
            *cell = &self.line[from..comma];
            from = comma + 1;
        }
        cells[COLUMNS - 1] = &self.line[from..];
        if commas.next().is_none() { Ok(cells) } else { Err(RowError::Columns) }
    }
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
