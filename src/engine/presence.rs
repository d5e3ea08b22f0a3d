//! Whether a probe is there: heard and changed, heard and unchanged, or silent.
//!
//! A probe in an empty hall sends the same bytes for hours, and whether equal bytes are told again
//! depends on the system's Bluetooth service. So a probe counts as lost only when nothing at all is
//! heard of it, bytes or signal, for several of its own intervals.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::units::time::Elapsed;

/// The silence that loses no probe, unless the job says otherwise: a technician who walks past
/// blocks one for less.
pub const SILENCE_MIN: Duration = Duration::from_mins(1);
/// The longest silence that a probe may keep and still count as there, unless the job asks for more.
pub const SILENCE_MAX: Duration = Duration::from_hours(1);
/// How many of its own intervals a probe may miss. Where payloads are lost at random the gaps are
/// spread exponentially, and one in 22,000 is ten mean gaps long; of five mean gaps, one in 150
/// would be. *Our own estimate.*
pub const INTERVALS: u32 = 10;
/// Weight of the newest interval in the running mean.
const NEWEST: f64 = 0.125;
/// Two formats of one advertisement come together, within this (s).
const TOGETHER_S: f64 = 0.02;

/// What is known of one probe's presence.
#[derive(Debug, Clone, PartialEq)]
pub struct Presence {
    /// When it was last heard at all.
    pub heard: Elapsed,
    /// When what it sends last changed.
    pub changed: Elapsed,
    /// Running mean of the interval between two hearings (s); `None` before the second.
    pub interval_s: Option<f64>,
    /// Whether it has been told lost and not been heard since.
    pub lost: bool,
    least: Duration,
}

/// How a probe stands at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Standing {
    /// The last that was heard of it was something new.
    Changed,
    /// It is heard, and what it sends stays the same.
    Unchanged,
    /// It is not heard.
    Silent,
}

impl Presence {
    /// A probe heard for the first time; a silence shorter than `least` never loses it.
    pub fn new(at: Elapsed, least: Duration) -> Self {
        Self { heard: at, changed: at, interval_s: None, lost: false, least }
    }

    /// How long it may stay silent before it is lost.
    pub fn patience(&self) -> Duration {
        let own = Duration::from_secs_f64(self.interval_s.unwrap_or(0.0)).saturating_mul(INTERVALS);
        own.min(SILENCE_MAX).max(self.least)
    }

    /// How it stands at `now`.
    pub fn standing(&self, now: Elapsed) -> Standing {
        if now.since(self.heard) >= self.patience() {
            Standing::Silent
        } else if self.changed == self.heard {
            Standing::Changed
        } else {
            Standing::Unchanged
        }
    }

    /// Takes that it was heard; when it was lost, how long it had been silent.
    pub fn hear(&mut self, at: Elapsed) -> Option<Duration> {
        let silent = at.since(self.heard);
        let gap = silent.as_secs_f64();
        // An outage is no interval.
        if gap >= TOGETHER_S && !self.lost {
            let mean = self.interval_s.map_or(gap, |mean| mean + NEWEST * (gap - mean));
            self.interval_s = Some(mean);
        }
        self.heard = self.heard.max(at);
        std::mem::take(&mut self.lost).then_some(silent)
    }

    /// Loses it where it has been silent for too long by `now`; how long, the first time.
    pub fn lose(&mut self, now: Elapsed) -> Option<Duration> {
        let silent = now.since(self.heard);
        // A silence shorter than `least` loses none: the usual case, told without a reckoning.
        let lost = !self.lost && silent >= self.least && silent >= self.patience();
        self.lost |= lost;
        lost.then_some(silent)
    }
}

/// A probe went silent, or is back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Turn {
    /// It has been silent for longer than its intervals allow; last heard then.
    Lost(String, Elapsed),
    /// It is heard again after having been lost; how long it was silent.
    Back(String, Duration),
}

/// The presence of all probes by their address.
#[derive(Debug, Clone)]
pub struct Roll {
    least: Duration,
    probes: BTreeMap<String, Presence>,
}

impl Roll {
    /// Nobody was heard yet. A silence shorter than `least`, which is the job's
    /// `settle.silence_s`, loses none.
    pub fn new(least: Duration) -> Self {
        Self { least, probes: BTreeMap::new() }
    }

    /// Takes that `probe` was heard, and whether with something new; tells when it was lost.
    pub fn hear(&mut self, at: Elapsed, probe: &str, changed: bool) -> Option<Turn> {
        let Some(presence) = self.probes.get_mut(probe) else {
            self.probes.insert(probe.to_owned(), Presence::new(at, self.least));
            return None;
        };
        let back = presence.hear(at);
        if changed {
            presence.changed = presence.heard;
        }
        back.map(|silent| Turn::Back(probe.to_owned(), silent))
    }

    /// The next probe that is lost by `now`; call until `None`.
    pub fn lose(&mut self, now: Elapsed) -> Option<Turn> {
        self.probes.iter_mut().find_map(|(probe, presence)| {
            presence.lose(now)?;
            Some(Turn::Lost(probe.clone(), presence.heard))
        })
    }

    /// When the next probe is lost if nothing is heard.
    pub fn deadline(&self) -> Option<Elapsed> {
        self.probes.values().filter(|p| !p.lost).map(|p| p.heard + p.patience()).min()
    }

    /// What is known of `probe`.
    pub fn get(&self, probe: &str) -> Option<&Presence> {
        self.probes.get(probe)
    }

    /// The shortest interval of the probes that are there and pass `counts`.
    pub fn fastest(&self, counts: impl Fn(&str) -> bool) -> Option<Duration> {
        let there = self.probes.iter().filter(|(probe, p)| !p.lost && counts(probe));
        let shortest = there.filter_map(|(_, p)| p.interval_s).min_by(f64::total_cmp)?;
        Some(Duration::from_secs_f64(shortest))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROBE: &str = "C4:7C:8D:00:00:01";
    const LEAST: Duration = Duration::from_secs(30);

    #[test]
    fn half_a_minute_of_silence_loses_a_fast_probe() {
        let mut roll = Roll::new(LEAST);
        for s in 0..10 {
            assert_eq!(roll.hear(Elapsed::from_secs(s), PROBE, true), None);
        }
        assert_eq!(roll.deadline(), Some(Elapsed::from_secs(39)));
        assert_eq!(roll.lose(Elapsed::from_ms(38_999)), None);
        let lost = roll.lose(Elapsed::from_secs(39));
        assert_eq!(lost, Some(Turn::Lost(PROBE.to_owned(), Elapsed::from_secs(9))));
        assert_eq!(roll.lose(Elapsed::from_secs(40)), None);
        let back = roll.hear(Elapsed::from_secs(49), PROBE, false);
        assert_eq!(back, Some(Turn::Back(PROBE.to_owned(), Duration::from_secs(40))));
    }

    #[test]
    fn a_slow_probe_is_given_its_own_time() {
        let mut roll = Roll::new(LEAST);
        for minute in 0..4 {
            roll.hear(Elapsed::from_secs(60 * minute), PROBE, true);
        }
        assert_eq!(roll.lose(Elapsed::from_secs(180 + 599)), None);
        assert!(roll.lose(Elapsed::from_secs(180 + 600)).is_some());
    }

    #[test]
    fn a_longer_silence_in_the_job_wins_over_the_interval() {
        let mut presence = Presence::new(Elapsed::ZERO, Duration::from_hours(2));
        presence.hear(Elapsed::from_secs(1));
        assert_eq!(presence.lose(Elapsed::from_secs(7_200)), None);
        assert_eq!(presence.lose(Elapsed::from_secs(7_201)), Some(Duration::from_hours(2)));
        assert_eq!(presence.lose(Elapsed::from_secs(9_000)), None);
        assert_eq!(presence.hear(Elapsed::from_secs(9_000)), Some(Duration::from_secs(8_999)));
    }

    #[test]
    fn unchanged_is_told_from_silent() {
        let mut roll = Roll::new(LEAST);
        roll.hear(Elapsed::from_secs(0), PROBE, true);
        roll.hear(Elapsed::from_secs(1), PROBE, true);
        let standing = |roll: &Roll, s| roll.get(PROBE).unwrap().standing(Elapsed::from_secs(s));
        assert_eq!(standing(&roll, 1), Standing::Changed);
        roll.hear(Elapsed::from_secs(20), PROBE, false);
        assert_eq!(standing(&roll, 40), Standing::Unchanged);
        assert_eq!(standing(&roll, 140), Standing::Silent);
    }

    #[test]
    fn an_outage_does_not_lengthen_the_interval() {
        let mut roll = Roll::new(LEAST);
        roll.hear(Elapsed::from_secs(0), PROBE, true);
        roll.hear(Elapsed::from_secs(1), PROBE, true);
        while roll.lose(Elapsed::from_secs(9_000)).is_some() {}
        roll.hear(Elapsed::from_secs(9_000), PROBE, true);
        assert_eq!(roll.fastest(|_| true), Some(Duration::from_secs(1)));
    }
}
