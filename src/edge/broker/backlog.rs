//! What waits for the broker, on the disk: whatever is told goes through here, in order, whether
//! the network is there or not.
//!
//! A folder of segments, each named for the first message in it. They are only appended to, one
//! line a message: JSON for the envelope, a tab, and the message itself. How far the broker has
//! acknowledged stands in the same lines, so that one sync covers both. A program that starts
//! always begins a new segment, so a torn line stays where it is and is passed over.
//!
//! There is a bound. Beyond it the oldest samples go first, a segment at a time; what is rare and
//! dear goes only when no sample is left outside the segment that is being written.

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::edge::folder::{FolderError, io_error, replace, sync_dir};
use crate::edge::spool::{self, Claim};

/// How many sessions are remembered, so that one that goes on tells nothing twice.
const SESSIONS_MAX: usize = 8;
/// What may wait for a disk that does not serve (bytes): a quarter of an hour of samples.
const BUFFER_MAX: usize = 1024 * 1024;
/// Parts that the bound is divided into: what is dropped at once is at most one of them.
const SEGMENTS: u64 = 16;

/// Where in a session something was said: the latest moment, and how much had been said since.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct Place {
    /// The latest moment (engine time, ms).
    pub at_ms: u64,
    /// Its number since then, from 1; 0 is the moment itself.
    pub nth: u32,
}

/// A message that is to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// The topic's last level.
    pub kind: &'static str,
    /// Where in the session it was said.
    pub place: Place,
    /// When by the wall clock (RFC 3339); empty where that is not known.
    pub time_utc: String,
    /// Whether it is one of many, which may be dropped before all else.
    pub sample: bool,
    /// The message: one line of JSON.
    pub body: String,
}

/// A message as it waits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Envelope {
    /// Its number in the backlog.
    pub number: u64,
    /// The topic.
    pub topic: String,
    /// Its name for ever: repeats bear the same.
    pub id: String,
    /// When it was said by the wall clock; empty where that is not known.
    pub time_utc: String,
    /// Whether it may be dropped before all else.
    pub sample: bool,
    /// Where in its session it was said.
    place: Place,
    session: String,
}

/// What was dropped for want of room, and not told yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Dropped {
    /// Samples.
    pub samples: u64,
    /// Sets, cycles, findings and events.
    pub others: u64,
}

impl Dropped {
    /// Whether nothing was.
    pub const fn is_none(self) -> bool {
        self.samples == 0 && self.others == 0
    }
}

/// What is known of a session that was told of.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Known {
    session: String,
    messages: u64,
    last: Place,
}

/// The first line of a segment: all that the segments before it would say.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Head {
    next: u64,
    acknowledged: u64,
    dropped: Dropped,
    sessions: Vec<Known>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Line {
    Head(Head),
    Message(Envelope),
    Acknowledged(u64),
    Dropped(Dropped),
}

#[derive(Debug)]
struct Segment {
    /// The number of the first message that it may hold.
    first: u64,
    bytes: u64,
    /// Whether no sample is left in it that could be dropped.
    sifted: bool,
}

/// The messages that wait.
#[derive(Debug)]
pub struct Backlog {
    folder: PathBuf,
    bytes_max: u64,
    /// Oldest first; never empty once something was written.
    segments: VecDeque<Segment>,
    /// The last segment; `None` where the next write begins one.
    file: Option<File>,
    /// Lines that are not on the disk yet.
    buffer: Vec<u8>,
    state: Head,
    /// The same as it is on the disk: what a new segment begins with.
    kept: Head,
    acknowledged_written: u64,
    /// The message that is read next.
    cursor: u64,
    reader: Option<(u64, BufReader<File>)>,
    /// Nobody else sends what is here.
    _claim: Claim,
}

impl Backlog {
    /// The backlog in `folder`, which is made; at most about `bytes_max` are kept. `None` where
    /// another process has it.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn open(folder: &Path, bytes_max: u64) -> Result<Option<Self>, FolderError> {
        fs::create_dir_all(folder).map_err(io_error("make", folder))?;
        let Some(claim) = spool::claim(folder)? else { return Ok(None) };
        let mut segments = Vec::new();
        for entry in fs::read_dir(folder).map_err(io_error("read", folder))? {
            let entry = entry.map_err(io_error("read", folder))?;
            let Some(first) = entry.file_name().to_str().and_then(first_of) else { continue };
            let bytes = entry.metadata().map_err(io_error("read", &entry.path()))?.len();
            segments.push(Segment { first, bytes, sifted: false });
        }
        segments.sort_by_key(|segment| segment.first);
        let state = match segments.last() {
            Some(last) => {
                let path = folder.join(name_of(last.first));
                last_state(&path).map_err(io_error("read", &path))?
            }
            None => Head::default(),
        };
        Ok(Some(Self {
            folder: folder.to_owned(),
            bytes_max,
            segments: segments.into(),
            file: None,
            buffer: Vec::new(),
            acknowledged_written: state.acknowledged,
            cursor: state.acknowledged,
            reader: None,
            kept: state.clone(),
            state,
            _claim: claim,
        }))
    }

    /// The sessions that were told of last, each with where its last message was said.
    pub fn places(&self) -> Vec<(String, Place)> {
        self.state.sessions.iter().map(|known| (known.session.clone(), known.last)).collect()
    }

    /// Takes a message of a session, to be sent to `topic`; it is kept once [`Backlog::commit`]
    /// has returned.
    pub fn add(&mut self, session: &str, topic: String, message: Message) {
        let room = if message.sample { BUFFER_MAX } else { 2 * BUFFER_MAX };
        if self.buffer.len() > room {
            let Dropped { samples, others } = &mut self.state.dropped;
            *if message.sample { samples } else { others } += 1;
            return;
        }
        let Message { place, time_utc, sample, body, .. } = message;
        let known = self.known(session);
        known.messages += 1;
        known.last = place;
        let id = format!("{session}/{}", known.messages);
        let (number, session) = (self.state.next, session.to_owned());
        self.state.next += 1;
        let envelope = Envelope { number, topic, id, time_utc, sample, place, session };
        push(&mut self.buffer, &Line::Message(envelope), Some(&body));
    }

    fn known(&mut self, session: &str) -> &mut Known {
        let sessions = &mut self.state.sessions;
        let at = sessions.iter().position(|known| known.session == session).unwrap_or_else(|| {
            if sessions.len() >= SESSIONS_MAX {
                sessions.remove(0);
            }
            let session = session.to_owned();
            sessions.push(Known { session, messages: 0, last: Place::default() });
            sessions.len() - 1
        });
        &mut sessions[at]
    }

    /// How much waits for the disk (bytes).
    pub fn unwritten(&self) -> usize {
        self.buffer.len()
    }

    /// All messages below `number` have reached the broker.
    pub fn acknowledge(&mut self, number: u64) {
        self.state.acknowledged = self.state.acknowledged.max(number);
    }

    /// How many messages wait for the broker.
    pub fn waiting(&self) -> u64 {
        let Dropped { samples, others } = self.state.dropped;
        (self.state.next - self.state.acknowledged).saturating_sub(samples + others)
    }

    /// What was dropped and not told; from now on it counts as told.
    pub fn take_dropped(&mut self) -> Dropped {
        let dropped = std::mem::take(&mut self.state.dropped);
        if !dropped.is_none() {
            push(&mut self.buffer, &Line::Dropped(Dropped::default()), None);
        }
        dropped
    }

    /// What was dropped and not told.
    pub const fn dropped(&self) -> Dropped {
        self.state.dropped
    }

    /// A message is given up, since no broker will take it.
    pub fn give_up(&mut self, sample: bool) {
        let Dropped { samples, others } = &mut self.state.dropped;
        *if sample { samples } else { others } += 1;
        push(&mut self.buffer, &Line::Dropped(self.state.dropped), None);
    }

    /// Puts all that was taken onto the disk, and makes room where there is too much.
    ///
    /// # Errors
    /// Where the disk says no; nothing is lost by that, and the next call tries again.
    pub fn commit(&mut self) -> io::Result<()> {
        if self.state.acknowledged != self.acknowledged_written {
            push(&mut self.buffer, &Line::Acknowledged(self.state.acknowledged), None);
            self.acknowledged_written = self.state.acknowledged;
        }
        if !self.buffer.is_empty()
            && let Err(error) = self.write()
        {
            // What is in the segment now is unknown; its messages are written again to the next.
            self.file = None;
            return Err(error);
        }
        self.forget_acknowledged()?;
        self.make_room()
    }

    fn write(&mut self) -> io::Result<()> {
        let full = self.segments.back().is_none_or(|last| last.bytes > self.bytes_max / SEGMENTS);
        if full || self.file.is_none() {
            self.begin_segment()?;
        }
        let (Some(file), Some(last)) = (&mut self.file, self.segments.back_mut()) else {
            return Ok(());
        };
        file.write_all(&self.buffer)?;
        file.sync_data()?;
        last.bytes += self.buffer.len() as u64;
        self.buffer.clear();
        self.kept.clone_from(&self.state);
        Ok(())
    }

    fn begin_segment(&mut self) -> io::Result<()> {
        let first = self.kept.next;
        let path = self.folder.join(name_of(first));
        let mut bytes = Vec::new();
        push(&mut bytes, &Line::Head(self.kept.clone()), None);
        let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(path)?;
        file.write_all(&bytes)?;
        sync_dir(&self.folder)?;
        // One of the same name held no message that was ever whole.
        self.segments.retain(|segment| segment.first != first);
        self.reader = self.reader.take().filter(|(reading, _)| *reading != first);
        self.segments.push_back(Segment { first, bytes: bytes.len() as u64, sifted: false });
        self.file = Some(file);
        Ok(())
    }

    /// The next message that was not read, and its envelope; `None` where all were.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn read(&mut self) -> io::Result<Option<(Envelope, String)>> {
        let mut line = Vec::new();
        while self.cursor < self.kept.next {
            if self.reader.is_none() {
                let holds = |segment: &&Segment| segment.first <= self.cursor;
                let segment = self.segments.iter().rev().find(holds).or(self.segments.front());
                let Some(segment) = segment else { return Ok(None) };
                self.reader = Some(self.reader_of(segment.first)?);
            }
            let Some((first, reader)) = &mut self.reader else { return Ok(None) };
            line.clear();
            if reader.read_until(b'\n', &mut line)? == 0 {
                let first = *first;
                match self.segments.iter().find(|segment| segment.first > first) {
                    Some(segment) => self.reader = Some(self.reader_of(segment.first)?),
                    // What should be here is not: it was torn.
                    None => self.cursor = self.kept.next,
                }
                continue;
            }
            if let Some((Line::Message(envelope), Some(body))) = parse(&line)
                && envelope.number >= self.cursor
            {
                self.cursor = envelope.number + 1;
                return Ok(Some((envelope, body.to_owned())));
            }
        }
        Ok(None)
    }

    fn reader_of(&self, first: u64) -> io::Result<(u64, BufReader<File>)> {
        Ok((first, BufReader::new(File::open(self.folder.join(name_of(first)))?)))
    }

    /// Goes back to the first message that was not acknowledged.
    pub fn rewind(&mut self) {
        self.cursor = self.state.acknowledged;
        self.reader = None;
    }

    /// All that was read counts as read up to here.
    pub const fn cursor(&self) -> u64 {
        self.cursor
    }

    /// Takes away segments all of which have reached the broker.
    fn forget_acknowledged(&mut self) -> io::Result<()> {
        while let Some(next) = self.segments.get(1)
            && next.first <= self.state.acknowledged
        {
            self.remove_first()?;
        }
        Ok(())
    }

    fn remove_first(&mut self) -> io::Result<()> {
        if let Some(segment) = self.segments.front() {
            fs::remove_file(self.folder.join(name_of(segment.first)))?;
            self.reader = self.reader.take().filter(|(reading, _)| *reading != segment.first);
            self.segments.pop_front();
        }
        Ok(())
    }

    /// Drops what may be dropped until the rest is within the bound.
    fn make_room(&mut self) -> io::Result<()> {
        let before = self.state.dropped;
        while self.segments.iter().map(|segment| segment.bytes).sum::<u64>() > self.bytes_max {
            let old = self.segments.len().saturating_sub(1);
            let place = self.segments.iter().take(old).position(|segment| !segment.sifted);
            match place {
                Some(place) => self.sift(place)?,
                None if old > 0 => {
                    let first = self.segments[0].first;
                    let (_, kept) = self.sorted(first, |_| false)?;
                    self.state.dropped.others += kept;
                    self.remove_first()?;
                    self.cursor = self.cursor.max(self.segments[0].first);
                }
                None => break,
            }
        }
        if before != self.state.dropped {
            push(&mut self.buffer, &Line::Dropped(self.state.dropped), None);
        }
        Ok(())
    }

    /// Takes the samples out of a segment, but for those that are on their way.
    fn sift(&mut self, place: usize) -> io::Result<()> {
        let (first, cursor) = (self.segments[place].first, self.cursor);
        let (bytes, dropped) =
            self.sorted(first, |envelope| !envelope.sample || envelope.number < cursor)?;
        replace(&self.folder.join(name_of(first)), &bytes)?;
        self.state.dropped.samples += dropped;
        self.segments[place] = Segment { first, bytes: bytes.len() as u64, sifted: true };
        self.reader = self.reader.take().filter(|(reading, _)| *reading != first);
        Ok(())
    }

    /// A segment with those of its waiting messages that are to be kept, and how many are not.
    fn sorted(&self, first: u64, keep: impl Fn(&Envelope) -> bool) -> io::Result<(Vec<u8>, u64)> {
        let (mut bytes, mut dropped) = (Vec::new(), 0);
        let mut reader = BufReader::new(File::open(self.folder.join(name_of(first)))?);
        let mut line = Vec::new();
        while reader.read_until(b'\n', &mut line)? > 0 {
            match parse(&line) {
                Some((Line::Head(_), _)) => bytes.extend_from_slice(&line),
                Some((Line::Message(envelope), _))
                    if envelope.number >= self.state.acknowledged =>
                {
                    if keep(&envelope) {
                        bytes.extend_from_slice(&line);
                    } else {
                        dropped += 1;
                    }
                }
                _ => {}
            }
            line.clear();
        }
        Ok((bytes, dropped))
    }
}

/// What a segment says of all up to its end.
fn last_state(path: &Path) -> io::Result<Head> {
    let mut state = Head::default();
    let mut reader = BufReader::new(File::open(path)?);
    let mut line = Vec::new();
    while reader.read_until(b'\n', &mut line)? > 0 {
        match parse(&line) {
            Some((Line::Head(head), _)) => state = head,
            Some((Line::Acknowledged(number), _)) => state.acknowledged = number,
            Some((Line::Dropped(dropped), _)) => state.dropped = dropped,
            Some((Line::Message(envelope), Some(_))) => {
                state.next = envelope.number + 1;
                let messages = envelope.id.rsplit('/').next().and_then(|last| last.parse().ok());
                let known = Known {
                    session: envelope.session,
                    messages: messages.unwrap_or_default(),
                    last: envelope.place,
                };
                state.sessions.retain(|other| other.session != known.session);
                state.sessions.push(known);
            }
            _ => {}
        }
        line.clear();
    }
    Ok(state)
}

fn push(out: &mut Vec<u8>, line: &Line, body: Option<&str>) {
    // Numbers and texts always have a JSON form, and a vector takes all.
    if serde_json::to_writer(&mut *out, line).is_ok() {
        if let Some(body) = body {
            out.push(b'\t');
            out.extend_from_slice(body.as_bytes());
        }
        out.push(b'\n');
    }
}

/// A line and what follows its tab; `None` where it is torn.
fn parse(line: &[u8]) -> Option<(Line, Option<&str>)> {
    let text = std::str::from_utf8(line.strip_suffix(b"\n")?).ok()?;
    let (head, body) = match text.split_once('\t') {
        Some((head, body)) => (head, Some(body)),
        None => (text, None),
    };
    Some((serde_json::from_str(head).ok()?, body))
}

fn name_of(first: u64) -> String {
    format!("{first:020}.jsonl")
}

fn first_of(name: &str) -> Option<u64> {
    name.strip_suffix(".jsonl")?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SESSION: &str = "2031-06-04T19-05-12Z-bench";

    fn open(folder: &Path, bytes_max: u64) -> Backlog {
        Backlog::open(folder, bytes_max).unwrap().unwrap()
    }

    fn add(backlog: &mut Backlog, at_ms: u64, sample: bool) {
        let kind = if sample { "moment" } else { "cycle" };
        let place = Place { at_ms, nth: u32::from(!sample) };
        let body = format!("{{\"kind\":\"{kind}\",\"at\":{at_ms}}}");
        let message = Message { kind, place, time_utc: String::new(), sample, body };
        backlog.add(SESSION, format!("settled/bench/{kind}"), message);
    }

    /// The ids of all that is read from here on.
    fn ids(backlog: &mut Backlog) -> Vec<u64> {
        let mut ids = Vec::new();
        while let Some((envelope, body)) = backlog.read().unwrap() {
            assert!(serde_json::from_str::<serde_json::Value>(&body).is_ok(), "{body}");
            ids.push(envelope.id.rsplit('/').next().unwrap().parse().unwrap());
        }
        ids
    }

    #[test]
    fn what_is_not_acknowledged_is_there_again_in_order_with_its_id() {
        let temp = tempfile::tempdir().unwrap();
        let mut backlog = open(temp.path(), 1_000_000);
        (0..10).for_each(|n| add(&mut backlog, n * 1_000, true));
        assert!(ids(&mut backlog).is_empty(), "nothing is sent that is not on the disk");
        backlog.commit().unwrap();
        assert_eq!(ids(&mut backlog), (1..=10).collect::<Vec<u64>>());
        backlog.acknowledge(4);
        backlog.rewind();
        assert_eq!(ids(&mut backlog), (5..=10).collect::<Vec<u64>>());
        backlog.commit().unwrap();
        drop(backlog);
        let mut backlog = open(temp.path(), 1_000_000);
        assert_eq!(backlog.places(), [(SESSION.to_owned(), Place { at_ms: 9_000, nth: 0 })]);
        add(&mut backlog, 10_000, false);
        backlog.commit().unwrap();
        assert_eq!(backlog.waiting(), 7);
        assert_eq!(ids(&mut backlog), (5..=11).collect::<Vec<u64>>());
    }

    #[test]
    fn one_process_at_a_time_has_it() {
        let temp = tempfile::tempdir().unwrap();
        let _first = open(temp.path(), 1_000_000);
        assert!(Backlog::open(temp.path(), 1_000_000).unwrap().is_none());
    }

    #[test]
    fn a_torn_line_takes_nothing_with_it() {
        let temp = tempfile::tempdir().unwrap();
        let whole = {
            let mut backlog = open(temp.path(), 1_000_000);
            (0..3).for_each(|n| add(&mut backlog, n * 1_000, true));
            backlog.commit().unwrap();
            fs::read(temp.path().join(name_of(0))).unwrap()
        };
        let ends: Vec<usize> =
            whole.iter().enumerate().filter(|(_, b)| **b == b'\n').map(|(at, _)| at + 1).collect();
        for left in 0..=whole.len() {
            for entry in fs::read_dir(temp.path()).unwrap() {
                fs::remove_file(entry.unwrap().path()).unwrap();
            }
            fs::write(temp.path().join(name_of(0)), &whole[..left]).unwrap();
            let mut backlog = open(temp.path(), 1_000_000);
            let kept = ends.iter().skip(1).filter(|end| **end <= left).count() as u64;
            add(&mut backlog, 9_000, false);
            backlog.commit().unwrap();
            assert_eq!(ids(&mut backlog), (1..=kept + 1).collect::<Vec<u64>>(), "{left} bytes");
        }
    }

    #[test]
    fn the_oldest_samples_go_first_and_all_that_go_are_counted() {
        let temp = tempfile::tempdir().unwrap();
        let bytes_max = 64 * 1024;
        let mut backlog = open(temp.path(), bytes_max);
        for n in 0..2_000 {
            add(&mut backlog, n * 1_000, n % 20 != 0);
            backlog.commit().unwrap();
        }
        let bytes: u64 = fs::read_dir(temp.path())
            .unwrap()
            .map(|entry| entry.unwrap().metadata().unwrap().len())
            .sum();
        assert!(bytes <= bytes_max + bytes_max / SEGMENTS, "{bytes}");
        let Dropped { samples, others } = backlog.dropped();
        assert!(samples > 500 && others == 0, "{samples} {others}");
        let ids = ids(&mut backlog);
        assert_eq!(ids.len() as u64 + samples, 2_000);
        assert_eq!(backlog.waiting(), ids.len() as u64);
        assert!(ids.is_sorted());
        let rare = ids.iter().filter(|id| (**id - 1) % 20 == 0).count();
        assert_eq!(rare, 100, "nothing rare was dropped");
        let oldest = ids.iter().find(|id| (**id - 1) % 20 != 0).unwrap();
        assert_eq!(ids.iter().filter(|id| **id >= *oldest).count() as u64, 2_001 - oldest);

        // Where there is nothing else, what is rare goes too, and is counted as such.
        for n in 2_000..4_000 {
            add(&mut backlog, n * 1_000, false);
            backlog.commit().unwrap();
        }
        let dropped = backlog.take_dropped();
        assert!(dropped.others > 500, "{dropped:?}");
        backlog.commit().unwrap();
        drop(backlog);
        let mut backlog = open(temp.path(), bytes_max);
        assert!(backlog.dropped().is_none(), "told once");
        assert_eq!(self::ids(&mut backlog).len() as u64, 4_000 - dropped.samples - dropped.others);
    }

    #[test]
    fn what_was_sent_is_taken_away_and_the_numbers_go_on() {
        let temp = tempfile::tempdir().unwrap();
        let mut backlog = open(temp.path(), 64 * 1024);
        for n in 0..1_000 {
            add(&mut backlog, n * 1_000, true);
            backlog.commit().unwrap();
            while let Some((envelope, _)) = backlog.read().unwrap() {
                backlog.acknowledge(envelope.number + 1);
            }
        }
        backlog.commit().unwrap();
        assert!(backlog.dropped().is_none());
        assert!(backlog.segments.len() <= 2, "{:?}", backlog.segments);
        drop(backlog);
        let mut backlog = open(temp.path(), 64 * 1024);
        add(&mut backlog, 1_000_000, true);
        backlog.commit().unwrap();
        assert_eq!(ids(&mut backlog), [1_001]);
    }
}
