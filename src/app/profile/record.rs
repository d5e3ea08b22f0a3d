//! What was heard of probes, from a record or as it comes, and the times that people type.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::civil::Time;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use crate::app::exit::Failure;
use crate::edge::clock::Utc;
use crate::edge::folder::Folder;
use crate::edge::rows::Rows;
use crate::engine::input::Input;
use crate::engine::learn::Heard;
use crate::units::time::Elapsed;

/// What was heard of one probe.
#[derive(Debug, Default)]
pub(super) struct OfProbe {
    pub name: Option<String>,
    pub heard: Vec<Heard>,
}

/// What was heard of all probes, and when.
#[derive(Debug, Default)]
pub(super) struct Record {
    pub probes: BTreeMap<String, OfProbe>,
    /// Moments whose wall-clock time is known (ms of UTC), a second or more apart.
    labels: Vec<(Elapsed, i64)>,
}

impl Record {
    /// Reads a session's folder or one `received.csv`; the zone is the session's.
    pub fn read(path: &Path) -> Result<(Self, TimeZone), Failure> {
        let (mut rows, zone) = if path.is_dir() {
            let (folder, manifest) = Folder::open(path).map_err(Failure::bad_input)?;
            let zone = TimeZone::get(&manifest.zone).unwrap_or(TimeZone::UTC);
            (folder.rows().map_err(Failure::bad_input)?, zone)
        } else {
            let rows = Rows::of_parts(vec![path.to_owned()]).map_err(Failure::bad_input)?;
            let beside = path.parent().and_then(|folder| Folder::open(folder).ok());
            let zone = beside.and_then(|(_, manifest)| TimeZone::get(&manifest.zone).ok());
            (rows, zone.unwrap_or(TimeZone::UTC))
        };
        let mut record = Self::default();
        while let Some(row) = rows.next_row().map_err(Failure::bad_input)? {
            record.take(row.at, row.label, &row.input);
        }
        Ok((record, zone))
    }

    /// Takes one thing that happened.
    pub fn take(&mut self, at: Elapsed, label: Option<Utc>, input: &Input<'_>) {
        if let Some(utc) = label
            && self.labels.last().is_none_or(|(last, _)| at.since(*last).as_secs() >= 1)
        {
            self.labels.push((at, utc.as_ms()));
        }
        match input {
            Input::Payload(payload) => {
                let bytes = payload.bytes.to_vec();
                let heard = Heard { at, via: payload.via, bytes };
                self.of(payload.probe).heard.push(heard);
            }
            Input::Named { probe, name } => self.of(probe).name = Some((*name).to_owned()),
            _ => {}
        }
    }

    fn of(&mut self, probe: &str) -> &mut OfProbe {
        if !self.probes.contains_key(probe) {
            self.probes.insert(probe.to_owned(), OfProbe::default());
        }
        self.probes.entry(probe.to_owned()).or_default()
    }

    /// The moment that a person's text names: `19:05:00` by the clock of `zone`, a whole RFC 3339
    /// time, or `+125s` after the record began.
    pub fn moment(&self, text: &str, zone: &TimeZone) -> Result<Elapsed, Failure> {
        let wrong = || {
            Failure::usage(format!(
                "`{text}` is no time; write 19:05:00, a whole time as 2031-06-04T19:05:00Z, or \
                 +125s after the record began"
            ))
        };
        if let Some(seconds) = text.strip_prefix('+') {
            let seconds = seconds.strip_suffix('s').unwrap_or(seconds);
            let seconds: f64 = seconds.parse().map_err(|_| wrong())?;
            if !(0.0..1e9).contains(&seconds) {
                return Err(wrong());
            }
            return Ok(Elapsed::from_ms((seconds * 1e3) as u64));
        }
        let (Some(first), Some(last)) = (self.labels.first(), self.labels.last()) else {
            return Err(Failure::bad_input(
                "the record has no wall-clock times; give moments as +125s after it began",
            ));
        };
        let ms = if let Ok(whole) = text.parse::<Timestamp>() {
            whole.as_millisecond()
        } else {
            let time: Time = text.parse().map_err(|_| wrong())?;
            of_day(time, first.1, zone).ok_or_else(wrong)?
        };
        // The label before it is the anchor: the wall clock may have been stepped.
        let before = self.labels.partition_point(|(_, utc)| *utc <= ms);
        let (at, utc) = self.labels[before.saturating_sub(1)];
        let outside = || {
            let local = |ms: i64| {
                Timestamp::from_millisecond(ms).map_or_else(
                    |_| String::new(),
                    |t| t.to_zoned_datetime(zone.clone()).to_string(),
                )
            };
            Failure::bad_input(format!(
                "`{text}` is outside of the record, which goes from {} to {}; give --zone if the \
                 time is of another zone",
                local(first.1),
                local(last.1)
            ))
        };
        if ms < first.1 - 60_000 || ms > last.1 + 120_000 {
            return Err(outside());
        }
        let at = i64::try_from(at.as_ms()).unwrap_or(i64::MAX) + (ms - utc);
        Ok(Elapsed::from_ms(u64::try_from(at).unwrap_or(0)))
    }
}

/// The first such time of the day at or after the record's beginning, a minute before at most.
fn of_day(time: Time, begins_ms: i64, zone: &TimeZone) -> Option<i64> {
    let begins = Timestamp::from_millisecond(begins_ms).ok()?.to_zoned_datetime(zone.clone());
    let on = |date: jiff::civil::Date| {
        Some(
            date.to_datetime(time)
                .to_zoned_datetime(zone.clone())
                .ok()?
                .timestamp()
                .as_millisecond(),
        )
    };
    let today = on(begins.date())?;
    if today >= begins_ms - 60_000 {
        return Some(today);
    }
    on(begins.date().checked_add(Span::new().days(1)).ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A record from 23:59:50 UTC on, ten minutes long, that began 5 s before.
    fn record() -> Record {
        let begins: Timestamp = "2031-06-04T23:59:50Z".parse().unwrap();
        let label =
            |n: i64| (Elapsed::from_secs(5 + n as u64), begins.as_millisecond() + 1_000 * n);
        Record { probes: BTreeMap::new(), labels: (0..600).map(label).collect() }
    }

    #[track_caller]
    fn check(text: &str, seconds: u64) {
        let at = record().moment(text, &TimeZone::UTC).unwrap_or_else(|f| panic!("{}", f.line()));
        assert_eq!(at, Elapsed::from_secs(seconds), "{text}");
    }

    #[test]
    fn times_are_taken_as_people_write_them() {
        check("23:59:55", 10);
        check("00:01:00", 75);
        check("2031-06-05T00:01:00Z", 75);
        check("+125s", 125);
        check("+125", 125);
    }

    #[test]
    fn a_time_outside_of_the_record_says_from_when_to_when_it_goes() {
        for text in ["12:00", "2031-06-04T20:00:00Z"] {
            let line = record().moment(text, &TimeZone::UTC).unwrap_err().line();
            assert!(line.contains("23:59:50"), "{line}");
        }
        let line = record().moment("noon", &TimeZone::UTC).unwrap_err().line();
        assert!(line.contains("19:05:00"), "{line}");
    }

    #[test]
    fn a_time_of_the_day_is_of_the_zone() {
        let zone = TimeZone::get("America/Chicago").unwrap();
        let at = record().moment("18:59:55", &zone).unwrap();
        assert_eq!(at, Elapsed::from_secs(10));
    }
}
