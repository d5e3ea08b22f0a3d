//! How a moment is labelled for people: by the clock at the site where that is known.

use jiff::tz::TimeZone;

use crate::edge::clock::Utc;
use crate::units::time::Elapsed;

/// The wall clock of a visit. It labels; nothing computes with it.
#[derive(Debug, Clone)]
pub struct When {
    /// When the session began; `None` while the clock is not known to be right.
    pub began: Option<Utc>,
    /// The zone in which people see the visit.
    pub zone: TimeZone,
}

impl Default for When {
    fn default() -> Self {
        Self { began: None, zone: TimeZone::UTC }
    }
}

impl When {
    /// The clock's time at a moment: `23:14:05`.
    pub fn wall(&self, at: Elapsed) -> Option<String> {
        let utc = self.began?.plus_ms(at.as_ms() as i64)?;
        let local = self.zone.to_datetime(utc.timestamp());
        Some(format!("{:02}:{:02}:{:02}", local.hour(), local.minute(), local.second()))
    }

    /// The clock's time at a moment, or else the time since the beginning.
    pub fn clock(&self, at: Elapsed) -> String {
        self.wall(at).unwrap_or_else(|| at.to_string())
    }

    /// What is added to the seconds since the beginning to make them the site's clock, as seconds
    /// since 1970 by that clock. A change to or from summer time within the visit is not followed.
    pub fn zero_s(&self) -> Option<String> {
        let timestamp = self.began?.timestamp();
        let offset = self.zone.to_offset(timestamp).seconds();
        let seconds = timestamp.as_millisecond() as f64 / 1_000.0 + f64::from(offset);
        Some(format!("{seconds:.3}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_shown_by_the_clock_at_the_site() {
        // 2031-06-04T19:05:12Z is 14:05:12 in Chicago, five hours behind in summer.
        let began = Utc::from_ms(1_938_366_312_000);
        let when = When { began, zone: TimeZone::get("America/Chicago").unwrap() };
        assert_eq!(when.clock(Elapsed::from_secs(60)), "14:06:12");
        assert_eq!(when.zero_s().as_deref(), Some("1938348312.000"));
    }

    #[test]
    fn without_a_clock_the_time_since_the_beginning_stands() {
        assert_eq!(When::default().clock(Elapsed::from_secs(65)), "1:05");
        assert_eq!(When::default().zero_s(), None);
    }
}
