//! Before you leave: whether what was set up will last the night, told from what is heard.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::engine::snapshot::{ProbeStatus, Snapshot};
use crate::units::time::Elapsed;

/// Every placed probe must be heard for so long without a break.
pub const HEARD_MIN: Duration = Duration::from_mins(2);
/// How long a night is.
pub const NIGHT: Duration = Duration::from_hours(12);
/// A signal weaker than this is likely to be lost when a door shuts or somebody stands in the way
/// (dBm; *assumed*: usual receivers hear down to about −90).
const SIGNAL_MIN_DBM: f64 = -85.0;
/// A battery is replaced below this (fraction): the engine calls it low at 0.10.
const BATTERY_MIN: f64 = 0.15;
/// A fall is told only from so long a look, since batteries are told in whole percents.
const FALL_LOOK_MIN: Duration = Duration::from_mins(30);
/// Weight of the newest signal in the running mean.
const NEWEST: f64 = 0.1;

/// How one thing stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It will do.
    Good,
    /// It is not known yet; wait.
    Wait,
    /// It will not do; the words say what to do.
    Wrong,
    /// No probe sees it; a person must look.
    Ask,
}

impl Verdict {
    /// The word on the screen and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Wait => "wait",
            Self::Wrong => "wrong",
            Self::Ask => "ask",
        }
    }
}

/// One thing that must be right before the technician leaves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// What it is about: a probe with its place, `disk`, `clock`.
    pub about: String,
    /// How it stands.
    pub verdict: Verdict,
    /// In words, with what to do.
    pub words: String,
}

impl Check {
    /// A check.
    pub fn new(about: impl Into<String>, verdict: Verdict, words: impl Into<String>) -> Self {
        Self { about: about.into(), verdict, words: words.into() }
    }
}

/// What was seen of one probe.
#[derive(Debug, Clone, PartialEq)]
struct Seen {
    /// Since when it has been heard without a break.
    since: Elapsed,
    first_battery: Option<(Elapsed, f64)>,
    last_battery: Option<(Elapsed, f64)>,
    signal_dbm: Option<f64>,
}

/// Looks at a session as it goes on.
#[derive(Debug, Clone, Default)]
pub struct Ready {
    seen: BTreeMap<String, Seen>,
    /// How much a battery fell an hour in earlier sessions (fraction), by address.
    falls: BTreeMap<String, f64>,
}

impl Ready {
    /// Nothing seen yet; `falls` are what earlier sessions tell of batteries (fraction an hour).
    pub fn new(falls: BTreeMap<String, f64>) -> Self {
        Self { seen: BTreeMap::new(), falls }
    }

    /// What earlier sessions tell of batteries (fraction an hour), by address.
    pub fn falls(&mut self, falls: BTreeMap<String, f64>) {
        self.falls = falls;
    }

    /// Takes the session as it is now.
    pub fn take(&mut self, snapshot: &Snapshot) {
        for probe in &snapshot.probes {
            let Some(silent) = probe.silent else { continue };
            let heard = Elapsed::ZERO + (snapshot.at - Elapsed::ZERO).saturating_sub(silent);
            let broken = probe.lost || silent >= longest_gap(probe);
            let seen = self.seen.entry(probe.address.clone()).or_insert(Seen {
                since: heard,
                first_battery: None,
                last_battery: None,
                signal_dbm: None,
            });
            if broken {
                seen.since = snapshot.at;
            }
            if let Some(level) = probe.battery {
                seen.first_battery.get_or_insert((snapshot.at, level));
                seen.last_battery = Some((snapshot.at, level));
            }
            if let Some(rssi) = probe.rssi_dbm {
                let new = f64::from(rssi);
                let mean = seen.signal_dbm.map_or(new, |mean| mean + NEWEST * (new - mean));
                seen.signal_dbm = Some(mean);
            }
        }
    }

    /// Whether every placed probe has been heard for long enough.
    pub fn all_heard(&self, snapshot: &Snapshot) -> bool {
        let mut awaited = snapshot.probes.iter().filter(|probe| probe.awaited);
        awaited.all(|probe| self.heard_for(probe, snapshot.at) >= HEARD_MIN)
    }

    /// What is to be said of the probes, and what no probe sees.
    pub fn checks(&self, snapshot: &Snapshot) -> Vec<Check> {
        let mut checks = Vec::new();
        let awaited: Vec<&ProbeStatus> =
            snapshot.probes.iter().filter(|probe| probe.awaited).collect();
        if awaited.is_empty() {
            let words = "the job places none; see `settled listen`, then name them in the job";
            checks.push(Check::new("probes", Verdict::Wrong, words));
        }
        for probe in awaited {
            checks.push(self.hearing(probe, snapshot.at));
            checks.extend(self.signal(probe));
            checks.extend(self.battery(probe));
        }
        for probe in snapshot.probes.iter().filter(|p| !p.awaited && p.silent.is_some()) {
            let words = "is heard, and the job gives it no place; its readings are only recorded";
            checks.push(Check::new(name(probe), Verdict::Ask, words));
        }
        checks.extend(nobody_sees());
        checks
    }

    /// How long a probe has been heard without a break.
    fn heard_for(&self, probe: &ProbeStatus, now: Elapsed) -> Duration {
        let seen = self.seen.get(&probe.address).filter(|_| !probe.lost);
        seen.map_or(Duration::ZERO, |seen| now - seen.since)
    }

    fn hearing(&self, probe: &ProbeStatus, now: Elapsed) -> Check {
        let heard = self.heard_for(probe, now);
        let (verdict, words) = if probe.silent.is_none() {
            let words = "not heard; see that it is on, near, and that its address is right";
            (
                if now - Elapsed::ZERO < HEARD_MIN { Verdict::Wait } else { Verdict::Wrong },
                words.to_owned(),
            )
        } else if heard >= HEARD_MIN {
            (Verdict::Good, format!("heard for {} min without a break", heard.as_secs() / 60))
        } else {
            (
                Verdict::Wait,
                format!("heard for {} s; two minutes without a break are wanted", heard.as_secs()),
            )
        };
        Check::new(name(probe), verdict, words)
    }

    fn signal(&self, probe: &ProbeStatus) -> Option<Check> {
        let signal = self.seen.get(&probe.address)?.signal_dbm?;
        let check = if signal >= SIGNAL_MIN_DBM {
            Check::new(name(probe), Verdict::Good, format!("signal {signal:.0} dBm"))
        } else {
            let words =
                format!("signal {signal:.0} dBm is weak; bring the receiver nearer, or turn it");
            Check::new(name(probe), Verdict::Wrong, words)
        };
        Some(check)
    }

    fn battery(&self, probe: &ProbeStatus) -> Option<Check> {
        let seen = self.seen.get(&probe.address)?;
        let (now, level) = seen.last_battery?;
        let percent = level * 100.0;
        let (first, was) = seen.first_battery?;
        let looked = now - first;
        let hours = looked.as_secs_f64() / 3_600.0;
        let own = (looked >= FALL_LOOK_MIN && was > level).then(|| (was - level) / hours);
        let fall = own.or_else(|| self.falls.get(&probe.address).copied());
        let night_h = NIGHT.as_secs_f64() / 3_600.0;
        let (verdict, words) = match fall {
            _ if level < BATTERY_MIN => {
                (Verdict::Wrong, format!("battery {percent:.0} %; put in a fresh one"))
            }
            Some(fall) if level - fall * night_h < BATTERY_MIN => {
                let lasts = (level - BATTERY_MIN) / fall;
                (
                    Verdict::Wrong,
                    format!(
                        "battery {percent:.0} % falls {:.1} % an hour and lasts about {lasts:.0} h; put in a \
                         fresh one",
                        fall * 100.0
                    ),
                )
            }
            Some(fall) => (
                Verdict::Good,
                format!(
                    "battery {percent:.0} % falls {:.1} % an hour: it lasts the night",
                    fall * 100.0
                ),
            ),
            None if level >= 0.5 => (
                Verdict::Good,
                format!("battery {percent:.0} %; no fall was seen in {}", looked_words(looked)),
            ),
            None => (
                Verdict::Ask,
                format!(
                    "battery {percent:.0} %; no fall was seen in {}, which does not show that it lasts \
                     the night",
                    looked_words(looked)
                ),
            ),
        };
        Some(Check::new(name(probe), verdict, words))
    }
}

/// A gap in hearing that counts as a break.
fn longest_gap(probe: &ProbeStatus) -> Duration {
    /// Ten of its own intervals, as where a probe is called lost, and ten seconds at the least.
    const INTERVALS: f64 = 10.0;
    let own =
        Duration::from_secs_f64((probe.interval_s.unwrap_or(1.0) * INTERVALS).clamp(0.0, 3_600.0));
    own.max(Duration::from_secs(10))
}

/// A probe by its place, or its address where it has none.
fn name(probe: &ProbeStatus) -> String {
    if probe.places.is_empty() { probe.address.clone() } else { probe.places.join(", ") }
}

fn looked_words(looked: Duration) -> String {
    match looked.as_secs() {
        seconds if seconds < 120 => format!("{seconds} s"),
        seconds => format!("{} min", seconds / 60),
    }
}

/// What no probe sees, and a person must.
fn nobody_sees() -> [Check; 4] {
    [
        Check::new("panels", Verdict::Ask, "are all panels back on, and the filter in its place?"),
        Check::new(
            "thermostat",
            Verdict::Ask,
            "does it call as the night is meant to be, on its own?",
        ),
        Check::new("clamps", Verdict::Ask, "are they tight, on clean pipe, and insulated over?"),
        Check::new(
            "work",
            Verdict::Ask,
            "are caps, cores and the disconnect as they were? `Off` on a screen isolates nothing",
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::progress::Progress;
    use crate::engine::reading::State;
    use crate::engine::snapshot::Counts;

    fn probe(silent_s: Option<u64>, battery: f64, rssi: i16) -> ProbeStatus {
        ProbeStatus {
            address: "C4:7C:8D:00:00:01".into(),
            name: None,
            places: vec!["suction-line".into()],
            awaited: true,
            silent: silent_s.map(Duration::from_secs),
            lost: false,
            interval_s: Some(1.0),
            battery: Some(battery),
            rssi_dbm: Some(rssi),
        }
    }

    fn at(s: u64, probe: ProbeStatus) -> Snapshot {
        Snapshot {
            at: Elapsed::from_secs(s),
            state: State::Unknown,
            run: None,
            probes: vec![probe],
            channels: Vec::new(),
            progress: Progress::default(),
            diagnosis: None,
            counts: Counts::default(),
        }
    }

    fn verdicts(ready: &Ready, snapshot: &Snapshot) -> Vec<Verdict> {
        let checks = ready.checks(snapshot);
        let own = checks.iter().filter(|check| check.about == "suction-line");
        own.map(|check| check.verdict).collect()
    }

    #[test]
    fn two_minutes_without_a_break_are_wanted() {
        let mut ready = Ready::default();
        for s in 5..125 {
            ready.take(&at(s, probe(Some(0), 0.8, -60)));
        }
        let last = at(124, probe(Some(0), 0.8, -60));
        assert!(!ready.all_heard(&last));
        assert_eq!(verdicts(&ready, &last)[0], Verdict::Wait);
        ready.take(&at(126, probe(Some(0), 0.8, -60)));
        let last = at(126, probe(Some(0), 0.8, -60));
        assert!(ready.all_heard(&last));
        assert_eq!(verdicts(&ready, &last), [Verdict::Good; 3]);
        // Twelve seconds of silence of a probe that is heard each second begin it anew.
        ready.take(&at(140, probe(Some(12), 0.8, -60)));
        assert!(!ready.all_heard(&at(141, probe(Some(0), 0.8, -60))));
    }

    #[test]
    fn a_probe_that_was_never_heard_is_waited_for_and_then_wrong() {
        let ready = Ready::default();
        assert_eq!(verdicts(&ready, &at(10, probe(None, 0.8, -60)))[0], Verdict::Wait);
        assert_eq!(verdicts(&ready, &at(130, probe(None, 0.8, -60)))[0], Verdict::Wrong);
    }

    #[test]
    fn a_battery_is_judged_by_its_fall() {
        let falls = |fall| BTreeMap::from([("C4:7C:8D:00:00:01".to_owned(), fall)]);
        let verdict = |fall: Option<f64>, level| {
            let mut ready = Ready::new(fall.map(falls).unwrap_or_default());
            ready.take(&at(200, probe(Some(0), level, -60)));
            verdicts(&ready, &at(200, probe(Some(0), level, -60)))[2]
        };
        assert_eq!(verdict(Some(0.01), 0.8), Verdict::Good);
        assert_eq!(verdict(Some(0.06), 0.8), Verdict::Wrong);
        assert_eq!(verdict(None, 0.8), Verdict::Good);
        assert_eq!(verdict(None, 0.3), Verdict::Ask);
        assert_eq!(verdict(Some(0.001), 0.12), Verdict::Wrong);
    }

    #[test]
    fn a_weak_signal_is_said() {
        let mut ready = Ready::default();
        ready.take(&at(10, probe(Some(0), 0.8, -93)));
        assert_eq!(verdicts(&ready, &at(10, probe(Some(0), 0.8, -93)))[1], Verdict::Wrong);
    }
}
