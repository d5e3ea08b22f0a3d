//! The time axis of pictures: the clock on the wall where one told the time, else time since the
//! session began.

use std::ops::Range;

use jiff::tz::TimeZone;

use crate::edge::clock::Utc;
use crate::units::time::Elapsed;

/// Beyond this length an axis counts hours, below it minutes (h).
const HOURS_MIN: f64 = 4.0;

/// A time axis over one stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeAxis {
    from: Elapsed,
    to: Elapsed,
    /// Local time of day at the session's beginning (h); `None` where no clock told it.
    began_h: Option<f64>,
}

impl TimeAxis {
    /// The axis of a stretch; `began` is the wall-clock time of the session's beginning as its
    /// stretch has it.
    pub fn new((from, to): (Elapsed, Elapsed), began: Option<Utc>, zone: &TimeZone) -> Self {
        let began_h = began.map(|utc| {
            let local = utc.timestamp().to_zoned_datetime(zone.clone());
            f64::from(local.hour())
                + f64::from(local.minute()) / 60.0
                + f64::from(local.second()) / 3_600.0
        });
        Self { from, to: to.max(from), began_h }
    }

    /// The stretch in the axis's own numbers.
    pub fn range(&self) -> Range<f64> {
        let (from, to) = (self.x(self.from), self.x(self.to));
        from..to.max(from + 1e-3)
    }

    /// A moment's place on it.
    pub fn x(&self, at: Elapsed) -> f64 {
        (self.began_h.unwrap_or(0.0) + at.as_secs() / 3_600.0) * self.per_hour()
    }

    /// What stands at a place: `02:30`, or `35 min` and `3 h` since the beginning.
    pub fn label(&self, x: f64) -> String {
        let minutes = (x / self.per_hour() * 60.0).round() as i64;
        if self.began_h.is_some() {
            let minutes = minutes.rem_euclid(24 * 60);
            format!("{:02}:{:02}", minutes / 60, minutes % 60)
        } else if self.in_hours() {
            format!("{:.1} h", x).replace(".0 h", " h")
        } else {
            format!("{minutes} min")
        }
    }

    /// Places for labels: round ones, as many as fit.
    pub fn ticks(&self) -> Vec<f64> {
        let range = self.range();
        let hours = (range.end - range.start) / self.per_hour();
        let steps_min =
            [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 180.0, 360.0, 720.0, 1_440.0];
        let step_min = steps_min.into_iter().find(|step| hours * 60.0 / step <= 8.0);
        let step = step_min.unwrap_or(1_440.0 * (hours / 192.0).ceil()) / 60.0 * self.per_hour();
        let first = (range.start / step).ceil();
        (0..64)
            .map(|n| (first + f64::from(n)) * step)
            .take_while(|x| *x <= range.end + 1e-9)
            .collect()
    }

    fn in_hours(&self) -> bool {
        (self.to - self.from).as_secs_f64() > HOURS_MIN * 3_600.0
    }

    fn per_hour(&self) -> f64 {
        if self.in_hours() { 1.0 } else { 60.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(from_min: u64, to_min: u64, began: Option<i64>) -> Vec<String> {
        let stretch = (Elapsed::from_secs(from_min * 60), Elapsed::from_secs(to_min * 60));
        let axis = TimeAxis::new(stretch, began.and_then(Utc::from_ms), &TimeZone::UTC);
        axis.ticks().into_iter().map(|x| axis.label(x)).collect()
    }

    #[test]
    fn ticks_are_round_times() {
        // 1938366312 s is 2031-06-04T19:05:12Z.
        let began = Some(1_938_366_312_000);
        assert_eq!(
            labels(0, 39, began),
            ["19:10", "19:15", "19:20", "19:25", "19:30", "19:35", "19:40"]
        );
        assert_eq!(labels(0, 600, began), ["20:00", "22:00", "00:00", "02:00", "04:00"]);
        assert_eq!(labels(10, 40, None)[..2], ["10 min", "15 min"]);
        assert_eq!(labels(0, 600, None)[..2], ["0 h", "2 h"]);
        assert!(labels(0, 60 * 24 * 40, began).len() <= 9);
    }
}
