//! Goes through the parts of a record block by block.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::PathBuf;
use std::vec::IntoIter;

use memchr::{memchr, memchr_iter, memrchr};

use super::{Found, LINE_MAX, Row, RowsError, Skipped, cells};
use crate::edge::clock::Labels;
use crate::edge::folder::FolderError;
use crate::engine::decode::{Decoded, Field, decode};
use crate::engine::input::Input;
use crate::engine::profile::{ProfileId, Profiles};
use crate::engine::record::{COLUMNS, HEADER, RowError, read_row};

/// How many skipped rows are remembered one by one; all are counted.
const SKIPPED_KEPT: usize = 20;
/// What is asked of a part at once (bytes), some 800 rows.
const BLOCK: usize = 64 * 1024;

/// The rows of some whole lines.
#[derive(Default)]
pub(super) struct Batch {
    /// The lines.
    lines: Vec<u8>,
    /// Their payloads' bytes and the like, as they are and not as they are written.
    bytes: Vec<u8>,
    rows: Vec<Kept>,
    next: usize,
    /// What the payloads say, where they were decoded ahead: one after the other.
    fields: Vec<Field>,
    scratch: Vec<Field>,
    /// What was passed over by the end of it.
    skipped: (u64, Vec<Skipped>),
    /// Why there is nothing after it; `None` where there is more.
    pub(super) ended: Option<Result<(), FolderError>>,
}

struct Kept {
    found: Found,
    line: [usize; 2],
    /// Its part of the bytes.
    bytes: [usize; 2],
    /// Its profile and its fields, where it was decoded ahead.
    decoded: Option<(ProfileId, [usize; 2])>,
}

impl Kept {
    fn row<'a>(&self, lines: &'a [u8], all: &'a [u8]) -> Row<'a> {
        let (line, bytes) = (self.line, self.bytes);
        self.found.row(&lines[line[0]..line[1]], &all[bytes[0]..bytes[1]])
    }
}

impl Batch {
    /// No rows, and none after it.
    pub(super) fn last() -> Self {
        Self { ended: Some(Ok(())), ..Self::default() }
    }

    /// The next row; `None` after the last.
    pub(super) fn next_row(&mut self) -> Option<Row<'_>> {
        let kept = self.rows.get(self.next)?;
        self.next += 1;
        let decoded = kept.decoded.map(|(profile, [from, to])| {
            let fields = &self.fields[from..to];
            Decoded { profile, fields }
        });
        Some(Row { decoded, ..kept.row(&self.lines, &self.bytes) })
    }

    /// Decodes the payloads of all rows, where a profile fits whatever the probe is called.
    pub(super) fn decode(&mut self, profiles: &Profiles) {
        self.fields.clear();
        for kept in &mut self.rows {
            let Input::Payload(payload) = kept.row(&self.lines, &self.bytes).input else {
                continue;
            };
            let Some(id) = profiles.match_unnamed(&payload) else { continue };
            let (from, profile) = (self.fields.len(), profiles.get(id));
            if decode(profile, payload.via, payload.bytes, &mut self.scratch).is_ok() {
                self.fields.append(&mut self.scratch);
                kept.decoded = Some((id, [from, self.fields.len()]));
            }
        }
    }

    pub(super) const fn is_spent(&self) -> bool {
        self.next == self.rows.len()
    }

    pub(super) fn skipped(&self) -> (u64, &[Skipped]) {
        (self.skipped.0, &self.skipped.1)
    }
}

/// Reads a record's lines and finds the rows in them.
pub(super) struct Reader {
    parts: IntoIter<PathBuf>,
    part: usize,
    path: PathBuf,
    lines: Lines,
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
            labels: Labels::default(),
            skipped: Vec::new(),
            skipped_count: 0,
        }
    }

    /// Fills `batch` anew: with some rows, or with why there are no more.
    pub(super) fn fill(&mut self, batch: &mut Batch) {
        batch.rows.clear();
        batch.next = 0;
        while batch.rows.is_empty() && batch.ended.is_none() {
            batch.lines.clear();
            batch.bytes.clear();
            let read = self.lines.read(&mut batch.lines).and_then(|more| {
                self.find(batch)?;
                Ok(more)
            });
            batch.ended = match read {
                Ok(true) => None,
                Ok(false) => self.next_part(),
                Err(source) => Some(Err(FolderError::Rows { path: self.path.clone(), source })),
            };
        }
        if batch.skipped.0 != self.skipped_count {
            batch.skipped = (self.skipped_count, self.skipped.clone());
        }
    }

    /// Finds the rows in a batch's lines.
    fn find(&mut self, batch: &mut Batch) -> Result<(), RowsError> {
        let mut from = 0;
        for end in memchr_iter(b'\n', &batch.lines) {
            let line = [from, end];
            from = end + 1;
            self.lines.number += 1;
            if end - line[0] >= LINE_MAX {
                return Err(RowsError::LineTooLong(self.lines.number));
            }
            let text = without_return(&batch.lines[line[0]..end]);
            if text.is_empty() {
                continue;
            }
            let bytes = batch.bytes.len();
            match read(text, &mut batch.bytes, &mut self.labels) {
                Ok(found) => {
                    let line = [line[0], line[0] + text.len()];
                    let bytes = [bytes, batch.bytes.len()];
                    batch.rows.push(Kept { found, line, bytes, decoded: None });
                }
                Err(why) => {
                    batch.bytes.truncate(bytes);
                    self.skip(Some(why));
                }
            }
        }
        Ok(())
    }

    /// Goes to the next part that has lines; how it ended where there is none.
    fn next_part(&mut self) -> Option<Result<(), FolderError>> {
        if !self.lines.rest.is_empty() {
            self.lines.number += 1;
            self.skip(None);
        }
        for path in self.parts.by_ref() {
            self.part += 1;
            match open(&path) {
                Ok(lines) => {
                    (self.lines, self.path) = (lines, path);
                    return None;
                }
                // A part that was begun and got no row, or half a header.
                Err(RowsError::Empty) => {}
                Err(source) => return Some(Err(FolderError::Rows { path, source })),
            }
        }
        Some(Ok(()))
    }

    fn skip(&mut self, why: Option<RowError>) {
        self.skipped_count += 1;
        if self.skipped.len() < SKIPPED_KEPT {
            self.skipped.push(Skipped { part: self.part, line: self.lines.number, why });
        }
    }
}

/// The row in a line; its bytes are appended to `bytes`.
fn read(line: &[u8], bytes: &mut Vec<u8>, labels: &mut Labels) -> Result<Found, RowError> {
    let (mut places, mut commas) = ([0; COLUMNS - 1], memchr_iter(b',', line));
    for place in &mut places {
        *place = commas.next().ok_or(RowError::Columns)? as u32;
    }
    if commas.next().is_some() {
        return Err(RowError::Columns);
    }
    let cells = cells(line, &places);
    let read = read_row(&cells, bytes)?;
    Ok(Found { read, label: labels.read(cells[1]), commas: places })
}

fn without_return(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

fn open(path: &PathBuf) -> Result<Lines, RowsError> {
    begin(Box::new(File::open(path)?))
}

/// The lines of a part whose header has been read.
fn begin(stream: Box<dyn Read + Send>) -> Result<Lines, RowsError> {
    let mut lines = Lines { stream, rest: Vec::new(), number: 0 };
    loop {
        let Some(end) = memchr(b'\n', &lines.rest) else {
            if lines.rest.len() >= LINE_MAX {
                return Err(RowsError::Header);
            }
            if block(&mut *lines.stream, &mut lines.rest)? {
                continue;
            }
            let begun = HEADER.as_bytes().starts_with(lines.rest.trim_ascii_end());
            return Err(if begun { RowsError::Empty } else { RowsError::Header });
        };
        let header = without_return(&lines.rest[..end]);
        let (is_header, is_empty) = (header == HEADER.as_bytes(), header.is_empty());
        lines.rest.drain(..=end);
        lines.number += 1;
        match (is_header, is_empty) {
            (true, _) => return Ok(lines),
            (_, true) => {}
            _ => return Err(RowsError::Header),
        }
    }
}

/// The lines of a part. They hold no quotes, so a comma parts cells and a line feed rows, whatever a
/// damaged part claims.
struct Lines {
    stream: Box<dyn Read + Send>,
    /// What was read and not handed out: at the end, a last line that is torn.
    rest: Vec<u8>,
    /// The number of the last line that was gone through, from 1.
    number: u64,
}

impl Lines {
    /// Appends whole lines to `text`, or none where one is long; false at the end of the part.
    ///
    /// What has come is not kept waiting for more: a stream may be slow.
    fn read(&mut self, text: &mut Vec<u8>) -> Result<bool, RowsError> {
        if self.rest.len() >= LINE_MAX && memchr(b'\n', &self.rest).is_none() {
            return Err(RowsError::LineTooLong(self.number + 1));
        }
        text.append(&mut self.rest);
        let more = memchr(b'\n', text).is_some() || block(&mut *self.stream, text)?;
        let whole = memrchr(b'\n', text).map_or(0, |end| end + 1);
        self.rest.extend_from_slice(&text[whole..]);
        text.truncate(whole);
        Ok(more)
    }
}

/// Appends what one look at the stream gives; false at its end.
fn block(stream: &mut dyn Read, text: &mut Vec<u8>) -> Result<bool, RowsError> {
    let len = text.len();
    text.resize(len + BLOCK, 0);
    let read = loop {
        match stream.read(&mut text[len..]) {
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            read => break read,
        }
    };
    text.truncate(len + *read.as_ref().unwrap_or(&0));
    Ok(read? > 0)
}
