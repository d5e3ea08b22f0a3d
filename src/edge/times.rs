//! Which wall-clock time belongs to which moment of a session.

use jiff::tz::TimeZone;

use crate::edge::clock::{Label, Labels, Utc};
use crate::engine::tables;
use crate::units::time::Elapsed;

/// How many changes between engine time and labels are remembered. A steady clock makes one.
const ANCHORS_MAX: usize = 4096;

/// Which wall-clock time belongs to which engine time.
///
/// A label is that of the last row at or before the moment, plus what engine time has passed since;
/// so it does not depend on when it is asked for.
#[derive(Debug, Clone, Default)]
pub struct Times {
    labels: Labels,
    /// From this engine time on, labels are so much (ms) ahead of it; `None`: there is none.
    anchors: Vec<(Elapsed, Option<i64>)>,
}

impl Times {
    /// A row of the record was at `at` and bears `label`; call it for every row, in order.
    pub fn row(&mut self, at: Elapsed, label: Option<Utc>) {
        let ahead = label.map(|utc| utc.as_ms().wrapping_sub(at.as_ms().cast_signed()));
        if self.anchors.last().map(|(_, last)| *last) == Some(ahead) {
            return;
        }
        // A row that claims to be older than the one before belongs where that one is.
        let at = self.anchors.last().map_or(at, |(last, _)| at.max(*last));
        if self.anchors.len() == ANCHORS_MAX {
            self.anchors.drain(..ANCHORS_MAX / 2);
        }
        self.anchors.push((at, ahead));
    }

    /// The wall-clock time at `at`; `None` where no row gives one.
    pub fn at(&self, at: Elapsed) -> Option<Utc> {
        let after = match self.anchors.last() {
            // Nearly every question is about now.
            Some((last, _)) if *last <= at => self.anchors.len(),
            _ => self.anchors.partition_point(|(from, _)| *from <= at),
        };
        let (_, ahead) = self.anchors.get(after.checked_sub(1)?)?;
        Utc::from_ms((*ahead)?.checked_add(i64::try_from(at.as_ms()).ok()?)?)
    }

    /// The wall-clock time at `at`; before the first row that gives one, what that row makes of it.
    pub fn near(&self, at: Elapsed) -> Option<Utc> {
        let first = self.anchors.first().filter(|(from, _)| at < *from);
        let Some((_, ahead)) = first else { return self.at(at) };
        Utc::from_ms((*ahead)?.checked_add(i64::try_from(at.as_ms()).ok()?)?)
    }

    /// Whether it is night at `at` in `zone`; `None` where the time of day is not known.
    pub fn is_night(&self, at: Elapsed, zone: &TimeZone) -> Option<bool> {
        let local = self.at(at)?.timestamp().to_zoned_datetime(zone.clone());
        Some(tables::is_night(local.hour()))
    }

    /// The label of a moment.
    pub fn label(&mut self, at: Elapsed) -> Label {
        let utc = self.at(at);
        self.labels.stack(utc)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Option<Utc> {
        Labels::default().read(text.as_bytes())
    }

    #[test]
    fn a_label_is_that_of_the_last_row_before_plus_what_has_passed() {
        let mut times = Times::default();
        let at = Elapsed::from_secs;
        assert_eq!(times.at(at(5)), None);
        times.row(at(1), None);
        times.row(at(10), utc("2031-06-05T00:00:10.000Z"));
        times.row(at(20), utc("2031-06-05T00:00:20.000Z"));
        times.row(at(30), utc("2031-06-04T23:00:30.000Z"));
        assert_eq!(times.at(at(9)), None);
        assert_eq!(times.at(at(10)), utc("2031-06-05T00:00:10.000Z"));
        assert_eq!(times.at(at(29)), utc("2031-06-05T00:00:29.000Z"));
        assert_eq!(times.at(at(31)), utc("2031-06-04T23:00:31.000Z"));
        assert_eq!(times.anchors.len(), 3, "a steady clock costs nothing");
        let mut late = Times::default();
        late.row(at(10), utc("2031-06-05T00:00:10.000Z"));
        assert_eq!((late.at(at(2)), late.near(at(2))), (None, utc("2031-06-05T00:00:02.000Z")));
        assert_eq!(late.near(at(12)), late.at(at(12)));
    }
}
