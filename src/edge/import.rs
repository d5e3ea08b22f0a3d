//! Any logger's CSV becomes inputs. What is odd in it is counted and told, never guessed away.

use std::collections::BTreeMap;
use std::io::{self, Read};

use csv::{ByteRecord, Reader, ReaderBuilder, Terminator};
use jiff::civil::DateTime;
use jiff::fmt::strtime::BrokenDownTime;
use jiff::{Timestamp, ToSpan};

use crate::edge::clock::Utc;
use crate::edge::import_map::{Map, TimeFormat};
use crate::engine::input::{Input, Origin};
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// How much of a file is looked at to find its header (bytes).
const HEAD: usize = 64 * 1024;

/// Longest row that is read (bytes) and most lines that one may span. A quote that is not closed
/// would else swallow the rest of the file, however long.
const ROW_MAX: usize = 256 * 1024;
const ROW_LINES_MAX: u64 = 50;

/// Spacings of which the typical one is taken.
const SPACINGS: usize = 256;

/// A spacing longer than so many typical ones is a gap.
const GAP: u64 = 5;

/// Why a log cannot be imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// No line names all columns of the map.
    #[error(
        "no line names all columns of the map; missing: {missing}; the closest line has: {found}"
    )]
    Header {
        /// What no line has together with the rest.
        missing: String,
        /// The line that has the most of them.
        found: String,
    },
    /// The text is not one that can be read.
    #[error("the file is UTF-16; save it as UTF-8 and import that")]
    Utf16,
    /// A row does not end.
    #[error(
        "the row that begins in line {0} does not end within {ROW_LINES_MAX} lines; a quote in it \
         is not closed: close it, or take it away"
    )]
    EndlessRow(u64),
    /// No row gave a value.
    #[error("no row could be imported; {0}")]
    Nothing(String),
    /// Time runs backward.
    #[error("time runs backward in most rows ({0}); sort the file by time, oldest first")]
    Backward(u64),
    /// The disk said no.
    #[error("the file cannot be read")]
    Io(#[from] io::Error),
}

/// What a log held, and what was odd in it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Told {
    /// Rows after the header.
    pub rows: u64,
    /// Values imported.
    pub values: u64,
    /// Lines before the header.
    pub lines_before_header: u64,
    /// Header lines that came again.
    pub headers_again: u64,
    /// Rows whose time could not be read, and the first of them.
    pub bad_times: Odd,
    /// Rows whose time lay before an earlier row's; left out.
    pub backward: Odd,
    /// Values of a channel that had one at this time already; left out.
    pub duplicates: Odd,
    /// Empty cells.
    pub empty: u64,
    /// Cells that hold no number; left out.
    pub not_numbers: Odd,
    /// Numbers that are not possible; left out.
    pub impossible: Odd,
    /// Rows too short for a column that is needed.
    pub short_rows: Odd,
    /// Stamps that the local clock showed twice or never.
    pub clock_changes: Odd,
    /// Stretches without a row, longer than five usual spacings.
    pub gaps: u64,
    /// The longest of them (s).
    pub longest_gap_s: f64,
    /// The usual spacing of rows (s).
    pub spacing_s: Option<f64>,
    /// How long the log is (s).
    pub length_s: f64,
    /// Columns that the map does not mention.
    pub unused: Vec<String>,
}

/// How often something odd was met, and where first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Odd {
    /// How often.
    pub count: u64,
    /// The line of the file and the text in it, the first time.
    pub first: Option<(u64, String)>,
}

impl Odd {
    fn note(&mut self, line: u64, text: &str) {
        self.count += 1;
        self.first.get_or_insert_with(|| (line, text.chars().take(40).collect()));
    }
}

/// Takes an input with its time and label; may fail where it goes to a disk.
pub type Take<'t> = dyn FnMut(Elapsed, Option<Utc>, Input<'_>) -> io::Result<()> + 't;

/// Reads a log through a map and hands each value over, in order of time.
///
/// # Errors
/// Where the map does not fit the log, or `take` fails.
pub fn import(mut source: impl Read, map: &Map, take: &mut Take<'_>) -> Result<Told, ImportError> {
    let mut head = Vec::new();
    source.by_ref().take(HEAD as u64).read_to_end(&mut head)?;
    if head.starts_with(&[0xFF, 0xFE]) || head.starts_with(&[0xFE, 0xFF]) {
        return Err(ImportError::Utf16);
    }
    let bom = if head.starts_with(&[0xEF, 0xBB, 0xBF]) { 3 } else { 0 };
    let header = Header::find(&head[bom..], map)?;
    let mut told = Told { lines_before_header: header.line, ..Told::default() };
    told.unused = header.unused(map);
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(header.delimiter)
        .terminator(Terminator::Any(b'\n'))
        .from_reader(Bounded {
            inner: io::Cursor::new(head[bom..].to_vec()).chain(source),
            since: 0,
        });
    let mut rows = Importer::new(map, &header, told);
    let mut record = ByteRecord::new();
    let mut number = 0;
    loop {
        let before = reader.position().line();
        reader.get_mut().since = 0;
        let more =
            reader.read_byte_record(&mut record).map_err(|error| match error.into_kind() {
                csv::ErrorKind::Io(error) if error.kind() == io::ErrorKind::FileTooLarge => {
                    ImportError::EndlessRow(before)
                }
                csv::ErrorKind::Io(error) => ImportError::Io(error),
                other => ImportError::Io(io::Error::other(format!("{other:?}"))),
            })?;
        if !more {
            break;
        }
        number += 1;
        let start = record.position().map_or(before, csv::Position::line);
        if reader.position().line() - start > ROW_LINES_MAX {
            return Err(ImportError::EndlessRow(start));
        }
        if number > header.record {
            let line = line(&reader, &record);
            rows.row(&record, line, take)?;
        }
    }
    rows.end()
}

/// Passes a stream on until one row has taken more of it than any row has.
struct Bounded<R> {
    inner: R,
    /// Bytes since the last row was whole.
    since: usize,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.since > ROW_MAX {
            return Err(io::ErrorKind::FileTooLarge.into());
        }
        let count = self.inner.read(buffer)?;
        self.since += count;
        Ok(count)
    }
}

/// The line of the file in which the record just read ends, from 1; empty lines before it belong to
/// it as far as the reader is concerned.
fn line<R: Read>(reader: &Reader<R>, record: &ByteRecord) -> u64 {
    let start = record.position().map_or(0, csv::Position::line);
    start.max(reader.position().line() - 1)
}

/// Text of a cell: UTF-8, or Latin-1 where it is not.
fn text(cell: &[u8]) -> String {
    let text = std::str::from_utf8(cell)
        .map_or_else(|_| cell.iter().map(|byte| char::from(*byte)).collect(), ToOwned::to_owned);
    text.trim().to_owned()
}

/// Where the columns are.
struct Header {
    delimiter: u8,
    names: Vec<String>,
    /// The header's number among the records, from 1.
    record: u64,
    /// How many lines stand before it.
    line: u64,
}

impl Header {
    fn find(head: &[u8], map: &Map) -> Result<Self, ImportError> {
        let mut best: (usize, Vec<String>) = (0, Vec::new());
        let delimiters = map.delimiter.map_or_else(|| b",;\t|".to_vec(), |one| vec![one]);
        for delimiter in delimiters {
            let mut reader = ReaderBuilder::new()
                .has_headers(false)
                .flexible(true)
                .delimiter(delimiter)
                .terminator(Terminator::Any(b'\n'))
                .from_reader(head);
            let mut record = ByteRecord::new();
            let mut number = 0;
            while reader.read_byte_record(&mut record).is_ok_and(|more| more) {
                number += 1;
                let names: Vec<String> = record.iter().map(text).collect();
                let has = map.columns().filter(|c| names.iter().any(|name| name == c)).count();
                if has == map.columns().count() {
                    let line = line(&reader, &record).saturating_sub(1);
                    return Ok(Self { delimiter, names, record: number, line });
                }
                if has > best.0 || best.1.is_empty() {
                    best = (has, names);
                }
            }
        }
        let (_, names) = best;
        let missing: Vec<&str> =
            map.columns().filter(|c| names.iter().all(|name| name != c)).collect();
        let found: Vec<&str> = names.iter().map(String::as_str).take(40).collect();
        let found: String = found.join(", ").chars().take(300).collect();
        Err(ImportError::Header { missing: missing.join(", "), found })
    }

    fn place(&self, name: &str) -> usize {
        self.names.iter().position(|other| other == name).unwrap_or(usize::MAX)
    }

    fn unused(&self, map: &Map) -> Vec<String> {
        let used: Vec<&str> = map.columns().collect();
        let unused = self.names.iter().filter(|name| !used.contains(&name.as_str()));
        unused.filter(|name| !name.is_empty()).cloned().collect()
    }
}

/// A moment of the log: a label where there is a calendar, and ms since some fixed moment.
#[derive(Clone, Copy)]
struct Moment {
    ms: i64,
    label: Option<Utc>,
}

struct Importer<'m> {
    map: &'m Map,
    names: Vec<String>,
    time_places: Vec<usize>,
    /// For each channel: its place, and in long form the place and text that it asks for.
    places: Vec<(usize, Option<(usize, &'m str)>)>,
    /// When each channel had its last value (ms), by what it measures.
    seen: Vec<usize>,
    last_value: Vec<Option<i64>>,
    first: Option<i64>,
    last: Option<Moment>,
    year: i16,
    /// The last stamp's month, to know a new year by.
    month: Option<i8>,
    spacings: Vec<u64>,
    told: Told,
}

impl<'m> Importer<'m> {
    fn new(map: &'m Map, header: &Header, told: Told) -> Self {
        let mut numbers = BTreeMap::new();
        let seen = map.channels.iter().map(|channel| {
            let next = numbers.len();
            *numbers.entry(channel.channel.clone()).or_insert(next)
        });
        let seen: Vec<usize> = seen.collect();
        let places = map.channels.iter().map(|channel| {
            let only = channel.only.as_ref();
            (header.place(&channel.column), only.map(|(c, is)| (header.place(c), is.as_str())))
        });
        Self {
            map,
            names: header.names.clone(),
            time_places: map.time_columns.iter().map(|c| header.place(c)).collect(),
            places: places.collect(),
            last_value: vec![None; numbers.len()],
            seen,
            first: None,
            last: None,
            year: map.year.unwrap_or(1970),
            month: None,
            spacings: Vec::new(),
            told,
        }
    }

    fn row(
        &mut self,
        record: &ByteRecord,
        line: u64,
        take: &mut Take<'_>,
    ) -> Result<(), ImportError> {
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            return Ok(());
        }
        if record.len() == self.names.len()
            && record.iter().map(text).eq(self.names.iter().cloned())
        {
            self.told.headers_again += 1;
            return Ok(());
        }
        self.told.rows += 1;
        let parts = self.time_places.iter().map(|at| record.get(*at).map(text).unwrap_or_default());
        let stamp = parts.collect::<Vec<_>>().join(" ");
        let Some(moment) = self.moment(&stamp, line) else {
            self.told.bad_times.note(line, &stamp);
            return Ok(());
        };
        if self.last.is_some_and(|last| moment.ms < last.ms) {
            self.told.backward.note(line, &stamp);
            return Ok(());
        }
        let first = *self.first.get_or_insert(moment.ms);
        self.spacing(moment);
        let at = Elapsed::from_ms((moment.ms - first).cast_unsigned());
        for number in 0..self.places.len() {
            if let Some(quantity) = self.value(record, number, line)
                && self.is_new(number, moment.ms, line, &stamp)
            {
                let column = &self.map.channels[number];
                let channel = column.channel.clone();
                let (uncertainty, origin) = (column.uncertainty, Origin::Import);
                take(at, moment.label, Input::Value { channel, quantity, uncertainty, origin })?;
                self.told.values += 1;
            }
        }
        Ok(())
    }

    /// The value of a channel's column in this row, in SI.
    fn value(&mut self, record: &ByteRecord, number: usize, line: u64) -> Option<Quantity> {
        let (place, only) = self.places[number];
        if let Some((at, is)) = only
            && record.get(at).map(text).as_deref() != Some(is)
        {
            return None;
        }
        let Some(cell) = record.get(place) else {
            self.told.short_rows.note(line, "");
            return None;
        };
        let cell = text(cell);
        if cell.is_empty() {
            self.told.empty += 1;
            return None;
        }
        let Some(value) = self.number(&cell) else {
            self.told.not_numbers.note(line, &cell);
            return None;
        };
        let column = &self.map.channels[number];
        let quantity =
            Quantity::new(column.channel.kind, column.scale.si(value, self.map.barometer));
        if quantity.is_none() {
            self.told.impossible.note(line, &cell);
        }
        quantity
    }

    fn number(&self, cell: &str) -> Option<f64> {
        let comma = self.map.decimal_comma;
        let plain = || cell.parse::<f64>().ok();
        let with_comma = || {
            let one = cell.matches(',').count() == 1 && !cell.contains('.');
            one.then(|| cell.replace(',', ".").parse::<f64>().ok()).flatten()
        };
        let value = match comma {
            Some(true) => with_comma().or_else(|| (!cell.contains('.')).then(plain).flatten()),
            Some(false) => plain(),
            None => plain().or_else(with_comma),
        };
        value.filter(|value| value.is_finite())
    }

    /// Whether the channel has no value at this time yet.
    fn is_new(&mut self, number: usize, ms: i64, line: u64, stamp: &str) -> bool {
        let last = &mut self.last_value[self.seen[number]];
        if *last == Some(ms) {
            self.told.duplicates.note(line, stamp);
            return false;
        }
        *last = Some(ms);
        true
    }

    fn spacing(&mut self, moment: Moment) {
        let before = self.last.replace(moment);
        let Some(before) = before.filter(|before| before.ms < moment.ms) else { return };
        let spacing = (moment.ms - before.ms).cast_unsigned();
        if self.spacings.len() < SPACINGS {
            self.spacings.push(spacing);
        } else {
            self.gap(spacing, self.typical());
        }
    }

    fn typical(&self) -> u64 {
        let mut sorted = self.spacings.clone();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied().unwrap_or(0)
    }

    fn gap(&mut self, spacing: u64, typical: u64) {
        if spacing > typical * GAP {
            self.told.gaps += 1;
            self.told.longest_gap_s = self.told.longest_gap_s.max(spacing as f64 / 1e3);
        }
    }

    fn moment(&mut self, stamp: &str, line: u64) -> Option<Moment> {
        let number = || stamp.replace(',', ".").parse::<f64>().ok().filter(|n| n.abs() < 1e15);
        let at = |ms: i64| Utc::from_ms(ms).map(|utc| Moment { ms, label: Some(utc) });
        match &self.map.format {
            TimeFormat::ElapsedS => {
                Some(Moment { ms: (number()? * 1e3).round() as i64, label: None })
            }
            TimeFormat::UnixS => at((number()? * 1e3).round() as i64),
            TimeFormat::UnixMs => at(number()?.round() as i64),
            TimeFormat::Rfc3339 => at(stamp.parse::<Timestamp>().ok()?.as_millisecond()),
            TimeFormat::Pattern(pattern) => {
                let (pattern, zone) = (pattern.clone(), self.map.zone.clone());
                let (time, instant) = self.civil(&pattern, stamp)?;
                if let Some(instant) = instant {
                    return at(instant.as_millisecond());
                }
                let when = zone.to_ambiguous_timestamp(time);
                if !when.is_ambiguous() {
                    return at(when.compatible().ok()?.as_millisecond());
                }
                self.told.clock_changes.note(line, stamp);
                let when = || zone.to_ambiguous_timestamp(time);
                let earlier = when().compatible().ok()?.as_millisecond();
                // The hour that comes twice: the second time round, the first would run backward.
                match self.last {
                    Some(last) if earlier < last.ms => at(when().later().ok()?.as_millisecond()),
                    _ => at(earlier),
                }
            }
        }
    }

    /// A stamp as the wall showed it, or the moment itself where the stamp says its zone.
    fn civil(&mut self, pattern: &str, stamp: &str) -> Option<(DateTime, Option<Timestamp>)> {
        // Some loggers call the day's end 24:00.
        let (stamp, days) = match stamp.find("24:00") {
            Some(at) if !stamp[..at].ends_with(|c: char| c.is_ascii_digit() || c == ':') => {
                (stamp.replacen("24:00", "00:00", 1), 1)
            }
            _ => (stamp.to_owned(), 0),
        };
        let mut parts = BrokenDownTime::parse(pattern, &stamp).ok()?;
        if parts.year().is_none() && parts.timestamp().is_none() {
            let month = parts.month();
            // From December to January without a year: a new one has begun.
            if let (Some(before), Some(now)) = (self.month, month)
                && before - now > 6
            {
                self.year = self.year.saturating_add(1);
            }
            self.month = month.or(self.month);
            parts.set_year(Some(self.year)).ok()?;
        }
        if parts.offset().is_some() || parts.timestamp().is_some() {
            let instant = parts.to_timestamp().ok()?;
            return Some((DateTime::default(), Some(instant)));
        }
        let time = parts.to_datetime().ok()?;
        Some((time.checked_add(days.days()).ok()?, None))
    }

    fn end(mut self) -> Result<Told, ImportError> {
        let typical = self.typical();
        for spacing in std::mem::take(&mut self.spacings) {
            self.gap(spacing, typical);
        }
        self.told.spacing_s = (typical > 0).then_some(typical as f64 / 1e3);
        if let (Some(first), Some(last)) = (self.first, self.last) {
            self.told.length_s = (last.ms - first) as f64 / 1e3;
        }
        if self.told.backward.count * 2 > self.told.rows {
            return Err(ImportError::Backward(self.told.backward.count));
        }
        if self.told.values == 0 {
            let why = match (&self.told.bad_times.first, &self.told.not_numbers.first) {
                (Some((line, text)), _) => {
                    format!("the time `{text}` in line {line} is not as time.format says")
                }
                (None, Some((line, text))) => format!("`{text}` in line {line} is no number"),
                (None, None) => "there is no value in it".to_owned(),
            };
            return Err(ImportError::Nothing(why));
        }
        Ok(self.told)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    /// What a log gives through a map: `SECONDS CHANNEL VALUE`, and what is told of it.
    fn read(log: &[u8], time: &str, rest: &str) -> Result<(Vec<String>, Told), ImportError> {
        let map = format!("[time]\n{time}\n{rest}");
        let map = Map::parse(&map).unwrap();
        let mut got = Vec::new();
        let told = import(Cursor::new(log), &map, &mut |at, label, input| {
            let Input::Value { channel, quantity, .. } = input else { panic!("{input:?}") };
            let label = label.map_or(String::new(), |utc| utc.timestamp().to_string());
            got.push(format!("{} {label} {channel} {:.2}", at.as_secs(), quantity.get()));
            Ok(())
        })?;
        Ok((got, told))
    }

    fn supply(column: &str) -> String {
        format!(
            "[[channel]]\ncolumn = '{column}'\nchannel = 'supply-air.temperature'\nunit = 'degF'\n"
        )
    }

    #[test]
    fn a_quote_that_is_not_closed_is_told_and_fills_no_memory() {
        struct Endless(u64);
        impl Read for Endless {
            fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
                self.0 += buffer.len() as u64;
                assert!(self.0 < 1 << 20, "it reads on and on");
                buffer.fill(b'7');
                Ok(buffer.len())
            }
        }
        let time = "column = 't'\nformat = 'elapsed_s'";
        let map = Map::parse(&format!("[time]\n{time}\n{}", supply("v"))).unwrap();
        let log = Cursor::new(b"t,v\n1,50\n2,\"51\n".to_vec()).chain(Endless(0));
        let error = import(log, &map, &mut |_, _, _| Ok(())).unwrap_err();
        assert!(matches!(error, ImportError::EndlessRow(3)), "{error}");
        // In a log of usual length it must not swallow the rest unseen either.
        let log = format!("t,v\n1,50\n2,\"51\n{}", "3,52\n".repeat(200));
        let error = read(log.as_bytes(), time, &supply("v")).unwrap_err();
        assert!(error.to_string().contains("line 3"), "{error}");
        // A cell of a few lines is none.
        let log = "t,v,remark\n1,50,\"one\ntwo\"\n2,51,\n";
        assert_eq!(read(log.as_bytes(), time, &supply("v")).unwrap().1.values, 2);
    }

    #[test]
    fn a_plain_log_is_read_and_its_oddities_are_told() {
        let log = b"\xEF\xBB\xBFLogger 7\r\n\r\nWhen,Supply (F),Junk\r\n\
            04.06.2031 19:00,50,a\r\n\
            04.06.2031 19:01,,b\r\n\
            When,Supply (F),Junk\r\n\
            04.06.2031 19:02,ERR,c\r\n\
            04.06.2031 19:02,59\r\n\
            04.06.2031 19:02,60,d\r\n\
            04.06.2031 18:02,61,d\r\n\
            soon,61,d\r\n\
            04.06.2031 19:03\r\n\
            04.06.2031 19:04,99999,d\r\n\
            04.06.2031 19:30,68,d\r\n";
        let time = "column = 'When'\nformat = '%d.%m.%Y %H:%M'\nzone = 'America/Chicago'";
        let (got, told) = read(log, time, &supply("Supply (F)")).unwrap();
        // Chicago is five hours behind in summer.
        assert_eq!(
            got,
            [
                "0 2031-06-05T00:00:00Z supply-air.temperature 10.00",
                "120 2031-06-05T00:02:00Z supply-air.temperature 15.00",
                "1800 2031-06-05T00:30:00Z supply-air.temperature 20.00",
            ]
        );
        assert_eq!((told.rows, told.values, told.empty, told.headers_again), (10, 3, 1, 1));
        assert_eq!(told.lines_before_header, 2);
        assert_eq!(told.not_numbers.first, Some((7, "ERR".to_owned())));
        assert_eq!(told.duplicates.count, 1);
        assert_eq!(told.backward.first, Some((10, "04.06.2031 18:02".to_owned())));
        assert_eq!(told.bad_times.first, Some((11, "soon".to_owned())));
        assert_eq!((told.short_rows.count, told.impossible.count), (1, 1));
        assert_eq!((told.gaps, told.longest_gap_s), (1, 1_560.0));
        assert_eq!((told.spacing_s, told.unused), (Some(60.0), vec!["Junk".to_owned()]));
    }

    #[test]
    fn stamps_without_a_year_go_over_new_year_and_a_day_may_end_at_24() {
        let log = b"t;v\n12/31  23:59:00;50,5\n12/31  24:00:00;51,0\n01/01  00:01:00;52,0\n";
        let time = "column = 't'\nformat = '%m/%d %H:%M:%S'\nyear = 2031";
        let (got, told) = read(log, time, &supply("v")).unwrap();
        let times: Vec<&str> = got.iter().map(|row| &row[..row.len() - 29]).collect();
        assert_eq!(
            times,
            ["0 2031-12-31T23:59:00Z", "60 2032-01-01T00:00:00Z", "120 2032-01-01T00:01:00Z"],
            "{got:?}"
        );
        assert_eq!(told.backward.count, 0);
    }

    #[test]
    fn the_hour_that_comes_twice_is_told_apart_by_the_order() {
        // Chicago's clocks went from 01:59 back to 01:00 on 2 November 2031 (06:59 -> 07:00 UTC).
        let log = b"t,v\n2031-11-02 01:30,50\n2031-11-02 01:59,50\n2031-11-02 01:00,50\n\
            2031-11-02 01:30,50\n2031-11-02 02:00,50\n";
        let time = "column = 't'\nformat = '%Y-%m-%d %H:%M'\nzone = 'America/Chicago'";
        let (got, told) = read(log, time, &supply("v")).unwrap();
        let secs: Vec<&str> = got.iter().map(|row| row.split(' ').next().unwrap()).collect();
        assert_eq!(secs, ["0", "1740", "1800", "3600", "5400"]);
        assert_eq!((told.clock_changes.count, told.backward.count), (4, 0));
    }

    #[test]
    fn a_long_log_gives_each_row_to_its_channel() {
        let log = "time\tsensor\tvalue\n0\tS\t50\n0\tR\t68\n60\tS\t\n60\tX\t1\n60.5\tR\t77\n";
        let channel = |is: &str, place: &str| {
            format!(
                "[[channel]]\ncolumn = 'value'\nchannel = '{place}.temperature'\nunit = 'degF'\n\
                 only = {{ column = 'sensor', is = '{is}' }}\n"
            )
        };
        let rest = channel("S", "supply-air") + &channel("R", "return-air");
        let time = "column = 'time'\nformat = 'elapsed_s'";
        let (got, told) = read(log.as_bytes(), time, &rest).unwrap();
        assert_eq!(
            got,
            [
                "0  supply-air.temperature 10.00",
                "0  return-air.temperature 20.00",
                "60.5  return-air.temperature 25.00",
            ]
        );
        assert_eq!(told.duplicates.count, 0);
    }

    #[test]
    fn what_does_not_fit_is_refused_in_words() {
        let time = "column = 't'\nformat = 'unix_s'";
        let words = |log: &[u8]| read(log, time, &supply("v")).unwrap_err().to_string();
        assert!(words(b"t,w\n1,2\n").contains("missing: v; the closest line has: t, w"));
        assert!(words(b"").contains("missing: t, v"));
        assert!(words(b"\xFF\xFEt\0,\0").contains("UTF-16"));
        assert!(words(b"t,v\nnow,2\n").contains("`now` in line 2"));
        assert!(words(b"t,v\n9,2\n8,2\n7,2\n6,2\n").contains("oldest first"));
    }

    #[test]
    fn no_log_makes_the_importer_panic() {
        let time = "column = 't'\nformat = '%m/%d %H:%M'\nyear = 2031";
        let mut seed = 1_u64;
        for _ in 0..2_000 {
            let mut log = b"t,v\n".to_vec();
            for _ in 0..60 {
                // A linear congruential generator (Knuth, MMIX).
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                log.push(b"0123456789/: ,\n\"-.24"[(seed >> 33) as usize % 20]);
            }
            let _ = read(&log, time, &supply("v"));
        }
    }
}
