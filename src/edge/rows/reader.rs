//! Goes through the parts of a record line by line.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::PathBuf;
use std::vec::IntoIter;

use memchr::memchr_iter;

use super::{Found, LINE_MAX, Row, RowsError, Skipped, cells};
use crate::edge::clock::Labels;
use crate::edge::folder::FolderError;
use crate::engine::record::{COLUMNS, HEADER, RowError, read_row};

/// How many skipped rows are remembered one by one; all are counted.
const SKIPPED_KEPT: usize = 20;

/// The rows of a record, found one by one.
pub(super) struct Reader {
    parts: IntoIter<PathBuf>,
    part: usize,
    path: PathBuf,
    lines: Lines,
    scratch: Vec<u8>,
    labels: Labels,
    skipped: Vec<Skipped>,
    skipped_count: u64,
}

impl Reader {
    pub(super) fn of_parts(parts: Vec<PathBuf>) -> Result<Self, FolderError> {
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

    pub(super) fn of_stream(stream: Box<dyn Read + Send>, name: &str) -> Result<Self, FolderError> {
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
            skipped: Vec::new(),
            skipped_count: 0,
        }
    }

    pub(super) fn next_row(&mut self) -> Result<Option<Row<'_>>, FolderError> {
        let found = self.find()?;
        Ok(found.map(|found| found.row(&self.lines.line, &self.scratch)))
    }

    /// Goes to the next good row; its text is then in [`Reader::text`].
    pub(super) fn find(&mut self) -> Result<Option<Found>, FolderError> {
        while self.advance()? {
            match self.read() {
                Ok(found) => return Ok(Some(found)),
                Err(why) => self.skip(Some(why)),
            }
        }
        Ok(None)
    }

    /// The line of the row that was found, and what was decoded of it.
    pub(super) fn text(&self) -> (&[u8], &[u8]) {
        (&self.lines.line, &self.scratch)
    }

    pub(super) fn skipped(&self) -> (u64, &[Skipped]) {
        (self.skipped_count, &self.skipped)
    }

    fn read(&mut self) -> Result<Found, RowError> {
        let commas = self.lines.commas()?;
        let cells = cells(&self.lines.line, &commas);
        let read = read_row(&cells, &mut self.scratch)?;
        Ok(Found { read, label: self.labels.read(cells[1]), commas })
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
                return if full {
                    Err(RowsError::LineTooLong(self.number))
                } else {
                    Ok(Line::Torn)
                };
            }
            self.number += 1;
            self.line.pop_if(|byte| *byte == b'\r');
            if !self.line.is_empty() {
                return Ok(Line::Whole);
            }
        }
    }

    /// Where the commas between the present line's cells stand.
    fn commas(&self) -> Result<[usize; COLUMNS - 1], RowError> {
        let (mut places, mut commas) = ([0; COLUMNS - 1], memchr_iter(b',', &self.line));
        for place in &mut places {
            *place = commas.next().ok_or(RowError::Columns)?;
        }
        if commas.next().is_none() { Ok(places) } else { Err(RowError::Columns) }
    }
}
